"""Tabs of one workbook under the same headers, and blocks under titles in one sheet."""

import datetime as dt

import pytest
from openpyxl import Workbook

from service.intake.importing import check
from service.intake.sheets import read_sheets
from tests.intake.test_odd_sheets import BULL, EEL, HEAD, ONE, TWO, fish, store, taken  # noqa: F401
from tests.intake_sheets import NOW

COLUMNS = ["Site", "Date", "Method", "Longitude", "Latitude", "Species", "Count"]
MAY = ["Mill ford", dt.date(2024, 5, 3), "kick net", -11.2127, 52.6, "Bullhead", 3]
JUNE = ["Heron pool", dt.date(2024, 6, 4), "kick net", -11.207, 52.612, "Eel", 1]
NONE = ["Mill ford", dt.date(2024, 6, 5), "kick net", -11.2127, 52.6, "no fish", None]


def book(folder, tabs, hidden=()):
    """Write tabs of rows under their headers, some below a title."""
    made = Workbook()
    made.remove(made.active)
    for name, rows in tabs.items():
        page = made.create_sheet(name)
        for row in rows:
            page.append(row)
        if name in hidden:
            page.sheet_state = "hidden"
    made.save(folder / "season.xlsx")


def of(store, folder, tabs, hidden=()):  # noqa: F811
    book(folder, tabs, hidden)
    return taken(store, folder, None, "season.xlsx")[0]


def test_tabs_of_each_month_are_one_sheet(store, tmp_path):  # noqa: F811
    """Columns in another order, one more, a title: what was caught, and nothing twice."""
    june = [["June"], [], ["Notes", *COLUMNS[::-1]], ["rain", *JUNE[::-1]], [None, *NONE[::-1]]]
    result = of(store, tmp_path, {"May": [COLUMNS, MAY], "June": june})
    assert fish(result) == [(EEL, 1, 0, ""), (BULL, 3, 0, "")]
    placed = result.records.placements
    assert placed["outcome"].tolist() == ["caught", "caught", "nil"]
    assert placed["notes"].fillna("").tolist() == ["", "rain", ""]
    assert any("sheets May, June have the same columns" in str(one) for one in result.readings)


def test_a_fault_is_named_by_its_tab_and_its_row_there(store, tmp_path):  # noqa: F811
    bad, late = [*JUNE[:-1], "many"], ["Reed mouth", dt.date(2030, 6, 5), *NONE[2:]]
    tabs = {"May": [COLUMNS, MAY], "June": [COLUMNS, JUNE, bad, late]}
    result = of(store, tmp_path, tabs)
    assert [(fault.file, fault.row, fault.column) for fault in result.refused] == [
        ("season.xlsx, sheet June", 3, "count"),
        ("season.xlsx, sheet June", 4, "set_at"),
    ]


def test_flags_name_the_tab_too(store, tmp_path):  # noqa: F811
    tabs = {"May": [COLUMNS, MAY], "June": [COLUMNS, JUNE]}
    flagged = of(store, tmp_path, tabs).flagged.query("code == 'effort_missing'")
    assert flagged[["file", "row"]].to_numpy().tolist() == [
        ["season.xlsx, sheet June", 2], ["season.xlsx, sheet May", 2]
    ]  # fmt: skip


def test_a_copy_among_the_tabs_is_refused_not_added(store, tmp_path):  # noqa: F811
    """The same day at the same place, with another count: twice the fish otherwise."""
    tabs = {"Data": [COLUMNS, MAY], "Data corrected": [COLUMNS, [*MAY[:-1], 5]]}
    result = of(store, tmp_path, tabs)
    assert {(fault.file, fault.column) for fault in result.refused} == {
        ("season.xlsx, sheet Data", "placement_id"),
        ("season.xlsx, sheet Data corrected", "placement_id"),
    }
    hidden = of(store, tmp_path, tabs, hidden=["Data"])
    assert fish(hidden) == [(BULL, 5, 0, "")]
    assert any("hidden sheet Data is not read" in str(one) for one in hidden.readings)


def test_numbers_that_begin_anew_in_each_tab_are_other_placements(store, tmp_path):  # noqa: F811
    numbered = [["No", *COLUMNS], ["1", *MAY]]
    tabs = {"May": numbered, "June": [["No", *COLUMNS], ["1", *JUNE]]}
    assert fish(of(store, tmp_path, tabs)) == [(EEL, 1, 0, ""), (BULL, 3, 0, "")]


def test_a_mapping_may_read_the_name_of_the_tab(store, tmp_path):  # noqa: F811
    """Ids that stand in several tabs are told apart by it; without it they are refused."""
    tabs = {"May": [COLUMNS, MAY], "June": [COLUMNS, [*MAY[:-1], 2]]}
    book(tmp_path, tabs)
    mapping = tmp_path / "own.toml"
    text = (
        '[shape]\nrows = "catch"\n[placements]\nplacement_id = {id}\n'
        'survey = {{ constant = "S" }}\n'
        'set_at = "Date"\nmethod = {{ constant = "kick_net" }}\nlongitude = "Longitude"\n'
        'latitude = "Latitude"\n[catches]\nspecies = {{ constant = "Cottus gobio" }}\n'
        'count = "Count"\n'
    )
    for own, stored in (('"Site"', None), ('{ text = "{Site} {sheet}" }', 2)):
        mapping.write_text(text.format(id=own))
        sheets = read_sheets(files=[tmp_path / "season.xlsx"], mapping=mapping)
        result = check(sheets, store, now=NOW)
        assert (result.records is None) == (stored is None), result.refused
        assert stored is None or len(result.records.placements) == stored


def test_tabs_under_our_names_need_no_mapping(store, tmp_path):  # noqa: F811
    names = ["placement_id", "survey", "method", "set_at", "longitude", "latitude", "Cottus gobio"]
    rows = [
        [k, "S", "kick_net", dt.date(2024, 5, n), -11.2, 52.6, n] for n, k in ((3, "A"), (4, "B"))
    ]
    book(tmp_path, {"May": [names, rows[0]], "June": [names, rows[1]]})
    sheets = read_sheets(files=[tmp_path / "season.xlsx"], species=store.species())
    result = check(sheets, store, now=NOW)
    assert fish(result) == [(BULL, 3, 0, ""), (BULL, 4, 0, "")]


BLOCKS = f"""Survey A
{HEAD},Species,Count
{ONE},Bullhead,3

{{title}}
{HEAD},Species,Count
{TWO},Eel,1
"""


def test_the_title_above_each_block_is_its_survey(store, tmp_path):  # noqa: F811
    result, _ = taken(store, tmp_path, BLOCKS.format(title="Survey B"))
    assert fish(result) == [(EEL, 1, 0, ""), (BULL, 3, 0, "")]
    assert result.records.placements["survey"].tolist() == ["Survey A", "Survey B"]
    assert any("2 blocks under the same header" in str(one) for one in result.readings)


@pytest.mark.parametrize("title", ["", "no fish"])
def test_a_block_without_a_title_has_no_survey_of_another(store, tmp_path, title):  # noqa: F811
    """What says that there was no fish is no title."""
    result, _ = taken(store, tmp_path, BLOCKS.format(title=title))
    if title:
        assert result.records is None
    else:
        assert result.records.placements["survey"].tolist() == ["odd", "odd"]


def test_a_header_of_others_below_titles_is_found_in_a_sheet_of_which_the_kind_is_said(
    store,  # noqa: F811
    tmp_path,
):
    """As in a sheet of which nobody said what it is."""
    sheet, mapping = tmp_path / "s.csv", tmp_path / "m.toml"
    sheet.write_text("Season of 2024\nnet crew\nRef,Day,X,Y\nA,2024-06-03,-11.2,52.6\n")
    mapping.write_text(
        '[placements]\nplacement_id = "Ref"\nset_at = "Day"\nlongitude = "X"\nlatitude = "Y"\n'
        'method = { constant = "kick_net" }\nsurvey = { constant = "S" }\n'
    )
    result = check(read_sheets(sheet, mapping=mapping), store, now=NOW)
    assert result.refused == []
    assert result.records.placements.index.tolist() == ["A"]
