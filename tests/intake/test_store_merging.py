"""`rifflebook merge`: a colleague's store comes in, whole or not at all."""

import csv
import datetime as dt
import io

import pandas as pd
import pytest
from click.testing import CliRunner

from service.commands.import_ import import_
from service.commands.merge import merge
from service.errors import FieldFileError, RequestError, StoreError
from service.intake.importing import take
from service.records import Selection
from service.store import open_store
from tests.intake.test_updating import stored
from tests.intake_sheets import CATCHES, PLACEMENTS, checked, files, make_store, placements

LENGTHS = "placement_id,species,pass_no,length_mm\nP1,Cottus gobio,,60\nP1,Cottus gobio,,48\n"
# A track as walked, two passes, and a catch by pass.
MORE = """placement_id,survey,site,method,set_at,lifted_at,geometry,passes,outcome
E1,S25,A,electric_fishing,2025-05-03T10:00,2025-05-03T10:30,\
"LINESTRING (-11.2128 52.6035, -11.2127 52.6030)",2,caught
"""
MORE_CATCHES = """placement_id,species,count,pass_no
E1,Cottus gobio,12,1
E1,Cottus gobio,5,2
"""


def run(command, *arguments):
    return CliRunner().invoke(command, [str(one) for one in arguments])


def filled(folder, placements=PLACEMENTS, catches=CATCHES, lengths=None):
    folder.mkdir()
    path = folder / "store.gpkg"
    make_store(path).close()
    add(path, placements, catches, lengths)
    return path


def add(path, placements, catches=None, lengths=None, *more):
    one, two = files(path.parent, placements, catches or "")
    (path.parent / "lengths.csv").write_text(lengths or "", "utf-8")
    given = ["--catches", two] if catches else []
    given += ["--lengths", path.parent / "lengths.csv"] if lengths else []
    done = run(import_, path, "--placements", one, *given, *more)
    assert done.exit_code == 0, done.output


@pytest.fixture
def ours(tmp_path):
    return filled(tmp_path / "ours")


@pytest.fixture
def theirs(tmp_path):
    path = filled(tmp_path / "theirs", lengths=LENGTHS)
    add(path, MORE, MORE_CATCHES)
    return path


def contents(path, *ids):
    """What is stored of some placements: documents, stretches in metres, surveys and species."""
    store = open_store(path, read_only=True)
    try:
        documents = [store.document(name) for name in ids]
        cut = store.records(Selection(placements=ids)).stretches
        return documents, cut[["reach_id", "from_m", "to_m"]].round(3).to_numpy().tolist()
    finally:
        store.close()


def test_what_is_new_comes_in_whole_with_its_history(ours, tmp_path):
    """Track, passes, catch by pass, lengths; a second time nothing changes."""
    theirs = filled(tmp_path / "theirs")
    add(theirs, MORE, MORE_CATCHES, "placement_id,species,length_mm\nE1,Cottus gobio,61\n")
    (tmp_path / "n.csv").write_text("placement_id,notes\nE1,second thought\n", "utf-8")
    assert run(import_, theirs, "--placements", tmp_path / "n.csv", "--update").exit_code == 0
    before = theirs.read_bytes()
    look = run(merge, ours, theirs, "--check-only")
    assert look.exit_code == 0, look.output
    assert "Checked only: 1 new placement, 0 changed to theirs, 2 the same" in look.output
    assert set(stored(ours)[1]) == {"P1", "P2"}
    done = run(merge, ours, theirs)
    assert done.exit_code == 0, done.output
    assert "Merged as import 2: 1 new placement" in done.output
    assert contents(ours, "E1", "P1") == contents(theirs, "E1", "P1")
    sheets, history = stored(ours)
    assert history["E1"] == ["add", "change", "add"]
    store = open_store(ours, read_only=True)
    assert store.surveys().index.tolist() == ["S24", "S25"]
    there = store.history("placement", "E1")[1].extra
    store.close()
    assert there["key"] == "E1"
    again = run(merge, ours, theirs)
    assert again.exit_code == 0, again.output
    assert "Merged: 0 new placements, 0 changed to theirs, 3 the same." in again.output
    assert stored(ours) == (sheets, history)
    assert theirs.read_bytes() == before


def test_a_clash_is_listed_with_both_contents_and_nothing_is_stored(ours, theirs):
    """Their P1 has fish measured, ours none: neither is better, so somebody says."""
    before = stored(ours)
    done = run(merge, ours, theirs, "--clashes", ours.parent / "clashes.csv")
    assert done.exit_code == 1
    assert "clash    placement P1, lengths: ours (empty); theirs species Cottus" in done.output
    assert stored(ours) == before
    (row,) = csv.DictReader(io.StringIO((ours.parent / "clashes.csv").read_text("utf-8-sig")))
    assert (row["kind"], row["id"], row["column"], row["choice"]) == (
        "placement", "P1", "lengths", ""
    )  # fmt: skip


@pytest.mark.parametrize("choice", ["ours", "theirs", "prefix"])
def test_a_clash_is_settled_by_hand(ours, theirs, choice):
    """Each way; a second time nothing changes."""
    listing = ours.parent / "clashes.csv"
    run(merge, ours, theirs, "--clashes", listing)
    frame = pd.read_csv(listing, dtype="str").assign(choice=choice)
    frame.to_csv(listing, index=False)
    options = ("--choices", listing, "--prefix", "b-")
    done = run(merge, ours, theirs, *options)
    assert done.exit_code == 0, done.output
    sheets, history = stored(ours)
    has = {"ours": [], "theirs": ["P1"], "prefix": ["b-P1"]}[choice]
    measured = csv.DictReader(io.StringIO(sheets["lengths"].removeprefix("\ufeff")))
    assert [row["placement_id"] for row in measured] == has * 2
    assert set(history) == {"P1", "P2", "E1", *has}
    assert run(merge, ours, theirs, *options).exit_code == 0
    assert stored(ours) == (sheets, history)


def test_by_prefix_theirs_stand_beside_ours(ours, theirs):
    """Placements that are the same keep their id."""
    before, _ = stored(ours)
    done = run(merge, ours, theirs, "--prefix", "b-")
    assert done.exit_code == 0, done.output
    sheets, history = stored(ours)
    assert set(history) == {"P1", "P2", "E1", "b-P1"}
    assert all(line in sheets["placements"] for line in before["placements"].splitlines())
    assert run(merge, ours, theirs, "--prefix", "b-").exit_code == 0
    assert stored(ours) == (sheets, history)


def test_lists_that_differ_clash_too(ours, theirs):
    """Two leaders of one survey; a species that is sensitive there alone."""
    one = open_store(ours)
    named = pd.Index(["S24"], name="survey")
    one.put_surveys(pd.DataFrame({"leader": ["Ann"]}, index=named), who="t")
    one.close()
    other = open_store(theirs)
    other.put_surveys(pd.DataFrame({"leader": ["Bea"]}, index=named), who="t")
    closed = other.species().loc[["Cottus gobio"]].assign(sensitivity="10")
    other.put_species(closed, who="t")
    other.close()
    done = run(merge, ours, theirs)
    assert done.exit_code == 1
    assert "clash    survey S24, leader: ours Ann; theirs Bea" in done.output
    assert "clash    species Cottus gobio, sensitivity: ours (empty); theirs 10" in done.output
    choices = ours.parent / "choices.csv"
    choices.write_text("kind,id,choice\nspecies,Cottus gobio,theirs\n", "utf-8")
    done = run(merge, ours, theirs, "--choices", choices, "--prefix", "b-")
    assert done.exit_code == 0, done.output
    store = open_store(ours, read_only=True)
    assert store.species().loc["Cottus gobio", "sensitivity"] == "10"
    assert store.surveys()["leader"].dropna().to_dict() == {"S24": "Ann", "b-S24": "Bea"}
    surveys = store.records(Selection()).placements["survey"].to_dict()
    store.close()
    assert surveys == {"P1": "S24", "P2": "S24", "b-P1": "b-S24", "b-P2": "b-S24", "E1": "S25"}
    assert stored(ours)  # no faults


def test_what_was_removed_here_does_not_come_back_by_itself(ours, theirs):
    """Somebody had a reason."""
    store = open_store(ours)
    store.remove_placement("P2", who="test")
    store.close()
    done = run(merge, ours, theirs)
    assert done.exit_code == 1
    assert "clash    placement P2: ours removed 20" in done.output


def test_when_something_was_removed_is_said_by_the_clock_of_the_store(ours, theirs, monkeypatch):
    """In summer Dublin is an hour ahead of UTC."""
    store = open_store(ours)
    at = dt.datetime(2026, 7, 1, 12, 30, tzinfo=dt.UTC)
    monkeypatch.setattr(type(store), "removed_placements", lambda *_: {"P2": at})
    store.remove_placement("P2", who="test")
    store.close()
    done = run(merge, ours, theirs)
    assert "P2: ours removed 2026-07-01 13:30 (Europe/Dublin); theirs stored" in done.output


def test_what_a_method_lists_is_said_in_words(ours, theirs):
    store = open_store(theirs)
    methods = store.methods()
    methods.at["kick_net", "geometry"] = ["point", "area"]
    store.put_methods(methods, who="test")
    store.close()
    done = run(merge, ours, theirs)
    said = "clash    method kick_net, geometry: ours point; ends; track; theirs point; area"
    assert said in done.output


def test_a_merge_that_fails_midway_stores_nothing(ours, theirs, monkeypatch):
    """Lists, placements and history are one transaction."""
    before = stored(ours)

    def fall_over(*_, **__):
        raise RuntimeError("power cut")

    monkeypatch.setattr("service.intake.store_merging.take", fall_over)
    assert run(merge, ours, theirs, "--prefix", "b-").exit_code == 1
    assert stored(ours) == before
    store = open_store(ours, read_only=True)
    assert store.surveys().index.tolist() == ["S24"]
    assert len(store.history("placement", "E1")) == 0
    store.close()


def test_what_a_sheet_would_read_as_something_else_comes_in_as_it_is(ours, tmp_path):
    """A dash in the notes, a crew called NA: stored by a form, and no signs for an empty cell."""
    theirs = filled(tmp_path / "theirs")
    frame = placements(placement_id="F1", notes="-", crew="NA", bait="n/a")
    store = open_store(theirs)
    result = checked(store, frame, audience="form")
    assert result.records is not None, result.refused
    take(result, store, "test")
    store.close()
    done = run(merge, ours, theirs)
    assert done.exit_code == 0, done.output
    assert contents(ours, "F1") == contents(theirs, "F1")
    document = contents(ours, "F1")[0][0]
    assert (document["notes"], document["crew"], document["bait"]) == ("-", "NA", "n/a")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"kind,id,choice\nplac\xb3,1,ours\n", "row 2: this is not text in UTF-8"),
        (b"kind,id,choice\nplac\xe9,1,ours\n", "'plac\u00e9' is no kind, for 1"),
        (b"kind,id,choice\nplacements,P1,ours\n", "'placements' is no kind, for P1; give species"),
    ],
)
def test_choices_that_cannot_be_read_are_refused_in_words(ours, theirs, content, said):
    """A spreadsheet saved them otherwise, or nothing is in them."""
    choices = ours.parent / "choices.csv"
    choices.write_bytes(content)
    failed = run(merge, ours, theirs, "--choices", choices).exception
    assert isinstance(failed, RequestError | FieldFileError)
    assert said in "\n".join(map(str, (failed, *getattr(failed, "faults", ()))))


def test_clashes_go_nowhere_in_words(ours, theirs, tmp_path):
    with pytest.raises(StoreError, match="the folder does not exist"):
        CliRunner().invoke(
            merge,
            [str(ours), str(theirs), "--clashes", str(tmp_path / "none" / "c.csv")],
            catch_exceptions=False,
        )


def test_an_id_that_begins_like_a_formula_is_settled_by_its_row(tmp_path):
    """The list of clashes writes an apostrophe before it, which is taken off again."""
    placements = PLACEMENTS.replace("P1,", "=P1,")
    catches = CATCHES.replace("P1,", "=P1,")
    ours = filled(tmp_path / "ours", placements, catches)
    measured = LENGTHS.replace("P1,", "=P1,")
    theirs = filled(tmp_path / "theirs", placements, catches, measured)
    listing = tmp_path / "clashes.csv"
    run(merge, ours, theirs, "--clashes", listing)
    assert "'=P1" in listing.read_text("utf-8-sig")
    frame = pd.read_csv(listing, dtype="str").assign(choice="theirs")
    frame.to_csv(listing, index=False)
    done = run(merge, ours, theirs, "--choices", listing)
    assert done.exit_code == 0, done.output
    assert "1 changed to theirs" in done.output


def test_a_placement_under_another_id_is_said_and_kept(ours, tmp_path):
    """Same gear, place, day and catch under Q1; another catch is another placement."""
    theirs = filled(
        tmp_path / "theirs", PLACEMENTS.replace("P1,", "Q1,").replace("P2,", "Q2,"),
        CATCHES.replace("P1,", "Q1,"),
    )  # fmt: skip
    add(theirs, PLACEMENTS.splitlines()[0] + "\nR1" + PLACEMENTS.splitlines()[1][2:] + "\n",
        CATCHES.replace("P1,", "R1,").replace(",20,", ",21,"))  # fmt: skip
    for more in (["--check-only"], []):
        done = run(merge, ours, theirs, *more)
        assert done.exit_code == 0, done.output
        flagged = [line for line in done.output.splitlines() if line.startswith("flagged")]
        assert [line.split()[3] for line in flagged] == ["Q1", "Q2"]
        assert "catch of P1, which is here" in flagged[0]
        assert "catch of P2, which is here" in flagged[1]
    assert set(stored(ours)[1]) == {"P1", "P2", "Q1", "Q2", "R1"}
    assert "flagged" not in run(merge, ours, theirs).output
