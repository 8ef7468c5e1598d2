"""`rifflebook import --update`: sheets that were exported, corrected, and come back."""

import pytest
from click.testing import CliRunner

from service.commands.import_ import import_
from service.intake.stored_sheets import csv_text, field_sheets
from service.records import Selection
from service.store import open_store
from tests.intake_sheets import CATCHES, PLACEMENTS, files, make_store

SHEETS = ("placements", "catches", "lengths")


@pytest.fixture
def path(tmp_path):
    make_store(tmp_path / "store.gpkg").close()
    one, two = files(tmp_path, PLACEMENTS, CATCHES)
    done = run(tmp_path / "store.gpkg", one, "--catches", str(two))
    assert done.exit_code == 0, done.output
    return tmp_path / "store.gpkg"


def run(store, placements, *more):
    return CliRunner().invoke(import_, [str(store), "--placements", str(placements), *more])


def stored(path):
    """Sheets, number of imports, and history by placement."""
    store = open_store(path, read_only=True)
    try:
        records = store.records(Selection())
        sheets = field_sheets(records, store.surveys(), store.sites(), store.operations())
        history = {
            name: [entry.action for entry in store.history("placement", name)]
            for name in records.placements.index
        }
        assert store.faults() == []
        return {name: csv_text(sheets[name]).decode() for name in SHEETS}, history
    finally:
        store.close()


def exported(path, folder):
    """The sheets as they are handed over."""
    sheets, _ = stored(path)
    for name, text in sheets.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
    return folder / "placements.csv", ("--catches", str(folder / "catches.csv"))


def test_what_comes_back_unchanged_changes_nothing(path, tmp_path):
    """Every placement is the same."""
    before = stored(path)
    placements, more = exported(path, tmp_path)
    done = run(path, placements, *more, "--update")
    assert done.exit_code == 0, done.output
    assert "nothing is changed" in done.output
    assert stored(path) == before


def test_corrections_are_shown_column_by_column_and_stored(path, tmp_path):
    """A note, a count, and a new placement: shown first, then stored; a second time the same."""
    placements, more = exported(path, tmp_path)
    text = placements.read_text(encoding="utf-8-sig")
    new = "P3,S24,A,minnow_trap,2024-05-01T19:00,2024-05-02T08:00,-11.2128,52.6035,4,,,nil,\n"
    head = PLACEMENTS.splitlines()[0] + "\n"
    catches = tmp_path / "catches.csv"
    catches.write_text(catches.read_text("utf-8-sig").replace(",3,exact", ",5,exact"), "utf-8")
    placements.write_text(text.replace(",40", ",45"), "utf-8")
    before = stored(path)
    for _ in range(2):
        shown = run(path, placements, *more, "--update", "--check-only")
        assert shown.exit_code == 0, shown.output
        assert "changed  P2, minutes: 40 → 45\n" in shown.output
        fish = "species Barbatula barbatula, count {}, count_kind exact, fate released"
        line = f"changed  P1, catches: {fish.format(3)} → {fish.format(5)}\n"
        assert line in shown.output  # not the bullhead, which stays
        assert shown.output.count("changed  ") == 2
        assert stored(path) == before
    done = run(path, placements, *more, "--update")
    assert "Changed: 2 placements" in done.output
    (tmp_path / "new.csv").write_text(head + new, "utf-8")
    added = run(path, tmp_path / "new.csv", "--update")
    assert "Import 2: 1 placement, 0 catches, 0 lengths stored" in added.output
    sheets, history = stored(path)
    assert ",45," in sheets["placements"]
    assert ",5,exact" in sheets["catches"]
    assert history == {"P1": ["change", "add"], "P2": ["change", "add"], "P3": ["add"]}
    again = run(path, placements, *more, "--update")
    assert "nothing is changed" in again.output


def test_what_changes_is_shown_as_the_sheet_has_it(path, tmp_path):
    """The sheet's columns; its clock, which in Ireland in May is UTC+1; no column of the store."""
    text = PLACEMENTS.replace("2024-05-02T11:00", "2024-05-02T10:50")
    text = text.replace("-11.2127,52.6000", "-11.2128,52.6001")
    shown = run(path, files(tmp_path, text)[0], "--update", "--check-only").output
    assert (
        "changed  P2, set_at: 2024-05-02T11:00:00+01:00 → 2024-05-02T10:50:00+01:00\n"
        "changed  P2, longitude: -11.2127 → -11.2128\n"
        "changed  P2, latitude: 52.6 → 52.6001\n"
    ) in shown
    assert shown.count("changed  ") == 3


def test_what_the_sheet_does_not_say_stays(path, tmp_path):
    """Two columns come back, and no catch: the rest of each placement is as it was."""
    (tmp_path / "notes.csv").write_text("placement_id,notes\nP1,heavy rain\nP2,\n", "utf-8")
    before, _ = stored(path)
    done = run(path, tmp_path / "notes.csv", "--update")
    assert done.exit_code == 0, done.output
    assert "changed  P1, notes: (empty) → heavy rain\n" in done.output
    assert done.output.count("changed  ") == 1
    after, _ = stored(path)
    assert after["catches"] == before["catches"]
    assert after["placements"].replace("heavy rain", "") == before["placements"]


def test_without_the_option_other_content_is_refused(path, tmp_path):
    """Nothing is overwritten silently."""
    placements, more = exported(path, tmp_path)
    placements.write_text(placements.read_text("utf-8-sig").replace(",40", ",45"), "utf-8")
    before = stored(path)
    done = run(path, placements, *more)
    assert done.exit_code == 1
    assert "refused  placements.csv, row 3, column placement_id" in done.output
    assert stored(path) == before


def test_one_refusal_stores_nothing(path, tmp_path):
    """A good correction beside a bad one."""
    placements, more = exported(path, tmp_path)
    text = placements.read_text("utf-8-sig").replace(",40", ",45").replace("minnow_trap", "net")
    placements.write_text(text, "utf-8")
    before = stored(path)
    done = run(path, placements, *more, "--update")
    assert done.exit_code == 1
    assert stored(path) == before


FISH = "placement_id,species,length_mm\nP1,Cottus gobio,60\n"


def without_p1(path, folder):
    """Sheets that come back without the rows of one placement; both have rows in the store."""
    (folder / "fish.csv").write_text(FISH, "utf-8")
    (folder / "ids.csv").write_text("placement_id\nP1\n", "utf-8")
    done = run(path, folder / "ids.csv", "--lengths", str(folder / "fish.csv"), "--update")
    assert done.exit_code == 0, done.output
    placements, more = exported(path, folder)
    lengths = folder / "lengths.csv"
    for sheet in (folder / "catches.csv", lengths):
        header = sheet.read_text("utf-8-sig").splitlines()[0]
        sheet.write_text(header + "\n", "utf-8")
    return placements, (*more, "--lengths", str(lengths), "--update")


def test_a_sheet_that_leaves_out_a_placement_does_not_empty_it(path, tmp_path):
    """Rows left out by a filter or by mistake are refused; nothing is stored."""
    placements, more = without_p1(path, tmp_path)
    before = stored(path)
    done = run(path, placements, *more)
    assert done.exit_code == 1
    assert "row 2, column placement_id" in done.output
    assert "the store has a catch of this placement" in done.output
    assert "the store has measured fish of this placement" in done.output
    assert "P2" not in done.output
    assert stored(path) == before


def test_rows_left_out_are_removed_where_that_is_said(path, tmp_path):
    """By the option, or by declaring that there was no fish."""
    placements, more = without_p1(path, tmp_path)
    shown = run(path, placements, *more, "--remove-rows", "--check-only")
    assert "changed  P1, catches: " in shown.output
    assert "changed  P1, lengths: " in shown.output
    placements.write_text(placements.read_text("utf-8-sig").replace(",caught", ",nil"), "utf-8")
    done = run(path, placements, *more)
    assert done.exit_code == 0, done.output
    sheets, history = stored(path)
    assert "P1" not in sheets["catches"] + sheets["lengths"]
    assert history["P1"] == ["change", "change", "add"]
