"""`rifflebook import` and `rifflebook templates`, as somebody at the keyboard meets them."""

import csv
import subprocess
import sys
import time

import openpyxl
import pytest
from click.testing import CliRunner

from service.commands.import_ import import_
from service.commands.templates import templates
from service.errors import StoreError
from service.intake.columns import SHEETS
from service.records import Selection
from service.store import open_store
from tests.intake_sheets import CATCHES, PLACEMENTS, cells, files, make_store


@pytest.fixture
def path(tmp_path):
    make_store(tmp_path / "store.gpkg").close()
    return tmp_path / "store.gpkg"


def run(store, folder, *more, placements=PLACEMENTS, catches=CATCHES):
    one, two = files(folder, placements, catches)
    return CliRunner().invoke(
        import_, [str(store), "--placements", str(one), "--catches", str(two), *more]
    )


def stored(path):
    store = open_store(path, read_only=True)
    try:
        return store.records(Selection()), store.batches(), store.faults()
    finally:
        store.close()


def test_check_only_stores_nothing_then_import_stores_all_once(path, tmp_path):
    only = run(path, tmp_path, "--check-only")
    assert only.exit_code == 0, only.output
    assert "Checked only: 2 placements, 2 catches" in only.output
    assert stored(path)[1] == []
    done = run(path, tmp_path)
    assert done.exit_code == 0, done.output
    assert "Import 1: 2 placements, 2 catches, 0 lengths stored" in done.output
    again = run(path, tmp_path)
    assert again.exit_code == 0
    assert "taken in before, as import 1" in again.output
    touched = run(path, tmp_path, placements=PLACEMENTS + "\n")
    assert "in the store already; nothing is changed" in touched.output
    records, batches, faults = stored(path)
    assert (len(records.placements), len(batches), faults) == (2, 1, [])


def test_what_is_left_as_it_is_is_not_said_to_be_stored_again(path, tmp_path):
    assert run(path, tmp_path).exit_code == 0
    only = run(path, tmp_path, "--update", "--check-only")
    assert (
        "Checked only: 0 placements, 0 catches, 0 lengths would be stored; 2 placements of these "
        "sheets stored already, left as they are.\n"
    ) in only.output


def test_refusals_are_listed_with_place_and_remedy_and_the_exit_tells(path, tmp_path):
    out = tmp_path / "findings.csv"
    rows = "".join(f"X{k},S24,A,net,2024-05-02T11:00,,-11.2,52.6,,,,nil,\n" for k in range(300))
    bad = run(path, tmp_path, "--findings", str(out), placements=PLACEMENTS + rows + "Y,S24,A")
    assert bad.exit_code == 1
    assert "placements.csv, row 4, column method, value 'net'" in bad.output
    assert "in 299 more rows" in bad.output
    assert "Values refused" in bad.output.splitlines()[-1]
    with out.open(encoding="utf-8-sig", newline="") as file:
        found = list(csv.DictReader(file))
    assert sum(row["column"] == "method" and row["value"] == "net" for row in found) == 300
    assert stored(path)[1] == []


def test_a_formula_in_a_finding_is_not_live(path, tmp_path):
    out = tmp_path / "findings.csv"
    run(path, tmp_path, "--findings", str(out), placements=PLACEMENTS.replace(",40,12", ",=1+1,12"))
    assert "'=1+1" in out.read_text(encoding="utf-8-sig")


def test_names_that_are_missing_become_a_species_sheet(path, tmp_path):
    out = tmp_path / "names.csv"
    other = CATCHES.replace("Cottus gobio", "Phoxinus phoxinus")
    bad = run(path, tmp_path, "--missing-species", str(out), catches=other)
    assert bad.exit_code == 1
    rows = list(csv.DictReader(out.read_text(encoding="utf-8-sig").splitlines()))
    assert [row["species"] for row in rows] == ["Phoxinus phoxinus"]


def test_names_that_are_missing_start_no_formula(path, tmp_path):
    """A name in a sheet of somebody else is no command of the reader's spreadsheet."""
    out = tmp_path / "names.csv"
    other = CATCHES.replace("Cottus gobio", "=HYPERLINK(A1)")
    run(path, tmp_path, "--missing-species", str(out), catches=other)
    rows = list(csv.DictReader(out.read_text(encoding="utf-8-sig").splitlines()))
    assert [row["species"] for row in rows] == ["'=HYPERLINK(A1)"]


@pytest.mark.parametrize("option", ["--missing-species", "--findings"])
def test_a_list_that_cannot_be_written_is_said(path, tmp_path, option):
    out = tmp_path / "no folder" / "list.csv"
    other = CATCHES.replace("Cottus gobio", "Phoxinus phoxinus")
    bad = run(path, tmp_path, option, str(out), catches=other)
    assert isinstance(bad.exception, StoreError)  # which the program prints as one line
    assert "the folder does not exist" in str(bad.exception)


def test_defaults_for_survey_crs_and_date_order(path, tmp_path):
    sheet = PLACEMENTS.replace(",S24,", ",,").replace("2024-05-02T11:00", "02/05/2024 11:00")
    assert run(path, tmp_path, placements=sheet).exit_code == 1
    done = run(path, tmp_path, "--survey", "S24", "--date-order", "dmy", placements=sheet)
    assert done.exit_code == 0, done.output
    assert set(stored(path)[0].placements["survey"]) == {"S24"}


def test_killing_an_import_leaves_the_store_as_before(path, tmp_path):
    """The process is killed while it stores; the store holds all or nothing, and is sound."""
    frame = cells(PLACEMENTS).iloc[[1]]
    many = frame.loc[frame.index.repeat(3_000)].reset_index(drop=True)
    many["placement_id"] = [f"K{k}" for k in range(len(many))]
    one, two = files(tmp_path, many.to_csv(index=False))
    two.write_text("placement_id,species,count\n")
    code = "from service.program import main; main()"
    command = [sys.executable, "-c", code, "import", str(path), "--placements", str(one)]
    started = subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
    )
    for line in started.stderr:
        if "snapping" in line:
            break
    time.sleep(0.3)
    started.kill()
    started.wait()
    started.stderr.close()
    records, batches, faults = stored(path)
    assert faults == []
    assert len(records.placements) == 3_000 * len(batches)
    done = CliRunner().invoke(import_, [str(path), "--placements", str(one)])
    assert done.exit_code == 0, done.output
    assert len(stored(path)[0].placements) == 3_000


def test_templates_hold_every_column_and_come_back_in(path, tmp_path):
    """What the templates offer is what the checks take, in CSV and in the workbook."""
    folder = tmp_path / "sheets"
    done = CliRunner().invoke(templates, [str(folder)])
    assert done.exit_code == 0, done.output
    text = (folder / "columns.txt").read_text()
    book = openpyxl.load_workbook(folder / "field_sheets.xlsx")
    for sheet, columns in SHEETS.items():
        names = [column.name for column in columns]
        header = (folder / f"{sheet}.csv").read_text(encoding="utf-8-sig").strip().split(",")
        assert header == names
        assert [cell.value for cell in book[sheet][1]] == names
        assert all(f"{name}" in text for name in names)
    lists = {
        str(valid.sqref).rstrip("0123456789").split(":")[0]: valid
        for valid in book["placements"].data_validations.dataValidation
    }
    assert len(lists) == 7  # method, outcome, stretch_anchor, and four of yes or no
    page = book["placements"]
    row = cells(PLACEMENTS).iloc[1]
    page.append([row.get(cell.value) or None for cell in page[1]])
    book.save(tmp_path / "filled.xlsx")
    done = CliRunner().invoke(
        import_, [str(path), "--placements", str(tmp_path / "filled.xlsx"), "--check-only"]
    )
    assert done.exit_code == 0, done.output
    assert "1 placement," in done.output
    again = CliRunner().invoke(templates, [str(folder)])
    assert again.exit_code == 1
    assert "exists already" in again.output
