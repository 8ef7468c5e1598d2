"""One check shows everything: what is refused, and what looks odd in the rows that can be read."""

import csv
import io

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from service.commands.import_ import import_
from service.intake.importing import check, take
from service.intake.sheets import read_sheets
from service.intake.stored_sheets import csv_text
from tests.intake_sheets import NOW, check_files, checked, make_store, placements

SHEET = """\
placement_id,survey,method,set_at,lifted_at,longitude,latitude,gear_count,passes,area_m2,\
dissolved_oxygen_mg_l,operator_certificate,machine_check,outcome
T1,S24,minnow_trap,2024-05-01T19:00,2024-05-04T09:00,-11.2128,52.6035,4,,,9.1,,,caught
T2,S24,minnow_trap,2024-05-01T19:00,2024-05-02T08:00,-11.2128,52.6035,4,,,1.5,,,nil
E1,S24,electric_fishing,2024-05-02T23:00,2024-05-02T23:40,-11.2127,52.6,,2,150,,,,nil
K1,S24,kick_nett,2024-05-02T11:00,2024-05-02T11:40,-11.2127,52.6,,,,,,,nil
"""
ROWS = """placement_id,species,count,count_kind
T1,Barbatula barbatula,3,exact
"""
DANGERS = {"soak_too_long", "low_oxygen", "outside_hours", "certificate_missing"}


def flags(result):
    return set(zip(result.flagged["row"], result.flagged["code"], strict=True))


def test_dangers_are_shown_beside_a_misspelt_method(store, tmp_path):
    """62 hours in a trap, little oxygen and current at night wait for nobody's spelling."""
    result = check_files(store, tmp_path, SHEET, ROWS)
    assert result.records is None
    assert [(fault.row, fault.column) for fault in result.refused] == [(5, "method")]
    found = flags(result)
    assert {(2, "soak_too_long"), (3, "low_oxygen"), (4, "outside_hours")} <= found
    assert (4, "certificate_missing") in found
    assert not any(row == 5 for row, _ in found)


@pytest.mark.parametrize(
    "faults",
    [
        {"kick_nett": "kick_net"},
        {"-11.2127,52.6,,,,,,,nil": ",,,,,,,,nil"},
        {"K1,S24": ",S24"},
        {"K1,S24": "T1,S24"},
        {"2024-05-02T11:00": "31/04/2024"},
        {"9.1": "much"},
    ],
)
def test_rows_that_can_be_read_are_flagged_as_without_the_others(store, tmp_path, faults):
    """Flags of the rest are those of a sheet without the refused rows, word for word."""
    text = SHEET
    for wrong, right in faults.items():
        assert wrong in text
        text = text.replace(wrong, right)
    result = check_files(store, tmp_path, text, ROWS)
    gone = {fault.row for fault in result.refused}
    assert gone or faults == {"kick_nett": "kick_net"}
    lines = text.splitlines()
    kept = "\n".join(line for row, line in enumerate(lines, start=1) if row not in gone) + "\n"
    rows = (
        ROWS
        if any(line.startswith("T1,") for line in kept.splitlines())
        else ROWS.splitlines()[0] + "\n"
    )
    alone = check_files(store, tmp_path, kept, rows)
    assert not alone.refused
    columns = ["placement_id", "code", "column", "value", "message"]
    assert len(alone.flagged)
    assert result.flagged[columns].values.tolist() == alone.flagged[columns].values.tolist()


def test_a_refused_cell_is_not_flagged_as_an_empty_one(store):
    """Half a day of fishing with a misspelt certificate is asked for its spelling alone."""
    frame = placements(
        method="electric_fishing", operator_certificate="maybe", machine_check="yes", passes="1",
        outcome="perhaps",
    )  # fmt: skip
    result = checked(store, frame)
    assert {fault.column for fault in result.refused} == {"operator_certificate", "outcome"}
    assert not len(result.flagged[result.flagged["row"] > 0])


def test_catch_rows_that_were_refused_still_count_as_rows(store, tmp_path):
    """A misspelt fish does not make its trap look empty."""
    result = check_files(store, tmp_path, SHEET, ROWS.replace("barbatula,3", "barbatulla,3"))
    assert [fault.column for fault in result.refused] == ["method", "species"]
    assert {code for _, code in flags(result)} >= DANGERS
    assert "caught_without_rows" not in {code for _, code in flags(result)}


def test_a_catch_sheet_that_cannot_be_read_says_nothing_of_outcomes(store, tmp_path):
    """What gear did is known without it; what came of it is not."""
    result = check_files(store, tmp_path, SHEET, ROWS.replace("species", "fish"))
    assert {fault.row for fault in result.refused} == {1, 5}
    found = {code for _, code in flags(result)}
    assert found >= DANGERS
    assert not found & {"caught_without_rows", "outcome_missing"}


def test_what_is_stored_otherwise_is_told_with_the_rest(tmp_path):
    """An id that the store holds with other content is refused in the same check."""
    store = make_store(tmp_path / "store.gpkg")
    good = SHEET.replace("kick_nett", "kick_net")
    take(check_files(store, tmp_path, good, ROWS), store, "a")
    both = SHEET.replace(",4,,,1.5", ",5,,,1.5")
    result = check_files(store, tmp_path, both, ROWS)
    assert [(fault.row, fault.column) for fault in result.refused] == [
        (3, "placement_id"),
        (5, "method"),
    ]
    # Catches that were refused leave their placement's content unknown: nothing false is said.
    result = check_files(store, tmp_path, good, ROWS.replace("barbatula,3", "barbatula,x"))
    assert [fault.column for fault in result.refused] == ["count"]
    store.close()


def test_the_command_says_that_there_may_be_more(store, tmp_path):
    """Refusals and flags in one run, and no promise that these are all."""
    sheet = tmp_path / "p.csv"
    sheet.write_text(SHEET)
    make_store(tmp_path / "store.gpkg").close()
    done = CliRunner().invoke(import_, [str(tmp_path / "store.gpkg"), "--placements", str(sheet)])
    assert done.exit_code == 1
    assert "refused  p.csv, row 5, column method" in done.output
    assert "flagged  soak_too_long: p.csv, row 2" in done.output
    assert "more once the others are mended" in done.output


def workbook(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in sheets.items():
        page = book.create_sheet(name)
        for row in csv.reader(io.StringIO(text)):
            page.append(row)
    book.save(path)
    return path


def test_findings_name_the_sheet_of_a_workbook(store, tmp_path):
    """Row 3, column placement_id, fits every sheet of a workbook."""
    rows = ROWS + "T9,Barbatula barbatula,1,exact\n"
    path = workbook(tmp_path / "x.xlsx", placements=SHEET, Catches=rows)
    result = check(read_sheets(path, path), store, now=NOW)
    places = [(fault.file, fault.row, fault.column) for fault in result.refused]
    assert places == [
        ("x.xlsx, sheet placements", 5, "method"),
        ("x.xlsx, sheet Catches", 3, "placement_id"),
    ]
    assert str(result.refused[1]).startswith("x.xlsx, sheet Catches, row 3, column placement_id")
    written = pd.read_csv(io.BytesIO(csv_text(result.findings)))
    named = {"x.xlsx, sheet placements", "x.xlsx, sheet Catches"}
    assert set(written.loc[written["row"] > 1, "file"]) == named
    assert result.files == ("x.xlsx",)


def test_a_workbook_of_one_sheet_is_named_alone(store, tmp_path):
    """There its name says all."""
    path = workbook(tmp_path / "x.xlsx", Sheet1=SHEET)
    result = check(read_sheets(path), store, now=NOW)
    assert {fault.file for fault in result.refused} == {"x.xlsx"}
