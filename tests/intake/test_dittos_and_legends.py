"""What field sheets on paper have: ditto marks, legends, totals that are wrong, passes apart.

The sheets are those of ordinary field work, written down from memory: common practice, no source.
"""

import io
import zipfile

import openpyxl
import pytest
from openpyxl.comments import Comment

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake_sheets import CRS, NOW

HEAD = ["placement_id", "survey", "site", "method", "set_at", "longitude", "latitude", "crew"]
ROWS = [
    ["T1", "S", "Mill ford", "minnow_trap", "2024-06-03", "-11.2127", "52.6000", "A. N."],
    ["T2", "{0}", "{0}", "{0}", "{0}", "-11.2126", "52.6001", "{0}"],
    ["T3", "{0}", "Heron pool", "{0}", "{0}", "-11.2125", "52.6002", "B. O."],
    ["T4", "{0}", "{0}", "kick_net", "2024-06-04", "-11.2124", "52.6003", "{0}"],
]
MARKS = ['"', "''", "”", "″", "〃", "do.", "Do.", "ditto", "Ditto", "dto.", "idem"]


@pytest.fixture(scope="module")
def store(store_of_lists):
    return store_of_lists


def workbook(path, rows):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path)
    return path


def below_our_names(store, folder, rows):
    return check(read_sheets(workbook(folder / "s.xlsx", rows)), store, now=NOW)


def by_suggestion(store, folder, rows):
    """As it is suggested, with the questions that are asked left open where they refuse nothing."""
    path = workbook(folder / "s.xlsx", rows)
    about = store.species(), list(store.methods().index), CRS
    made = suggest(read_tables(path, Findings()), *about)
    (folder / "m.toml").write_text(made.text, "utf-8")
    return check(read_sheets(files=[path], mapping=folder / "m.toml"), store, now=NOW)


@pytest.mark.parametrize("mark", MARKS)
@pytest.mark.parametrize("way", [below_our_names, by_suggestion])
def test_a_ditto_mark_says_what_the_cell_above_says(store, tmp_path, way, mark):
    result = way(store, tmp_path, [HEAD, *([c.format(mark) for c in row] for row in ROWS)])
    assert result.refused == []
    own = result.records.placements.sort_index()
    assert own["site"].tolist() == ["Mill ford", "Mill ford", "Heron pool", "Heron pool"]
    assert own["method"].tolist() == ["minnow_trap"] * 3 + ["kick_net"]
    assert own["set_at"].dt.day.tolist() == [2, 2, 2, 3]  # midnights of Dublin in summer, in UTC
    assert own["crew"].tolist() == ["A. N.", "A. N.", "B. O.", "B. O."]
    said = {one.column: one for one in result.readings if one.code == "ditto"}
    assert {name: one.rows for name, one in said.items()} == {
        "survey": 3, "site": 2, "method": 2, "set_at": 2, "crew": 2,
    }  # fmt: skip
    assert said["site"].row == 3
    assert "cell above, such as Mill ford" in said["site"].message


def test_in_a_csv_two_apostrophes_are_a_ditto_mark_too(store, tmp_path):
    """One of them is taken off as a sign against formulas."""
    text = "\n".join(",".join(c.format("''") for c in row) for row in [HEAD, *ROWS])
    (tmp_path / "s.csv").write_text(text, "utf-8")
    result = check(read_sheets(tmp_path / "s.csv"), store, now=NOW)
    assert result.refused == []
    assert result.records.placements["site"].tolist()[:2] == ["Mill ford", "Mill ford"]


@pytest.mark.parametrize(
    ("header", "cells"),
    [("Cottus gobio", ["3", '"']), ("Cottus gobio", ["x", '"']), ("gear_count", ["2", "do."])],
)
def test_a_mark_below_a_number_is_no_number(store, tmp_path, header, cells):
    """It may be 11, or a pair of strokes of a tally."""
    rows = [[*HEAD, header], *([*row, n] for row, n in zip(ROWS, cells, strict=False))]
    rows[2] = [rows[1][k] if "{0}" in str(c) else c for k, c in enumerate(rows[2])]
    path = workbook(tmp_path / "s.xlsx", rows)
    result = check(read_sheets(path, species=store.species()), store, now=NOW)
    assert [(f.row, f.column, f.value) for f in result.refused] == [(3, header, cells[1])]
    assert "a ditto mark may be a number too" in result.refused[0].remedy


def test_a_mapping_may_say_that_marks_below_numbers_repeat_them(store, tmp_path):
    rows = [["id", "when", "n"], ["T1", "2024-06-03", "3"], ["T2", '"', '"']]
    path = workbook(tmp_path / "s.xlsx", rows)
    (tmp_path / "m.toml").write_text(
        '[shape]\nditto = ["n"]\n[columns]\nn = { species = "Cottus gobio" }\n[placements]\n'
        'placement_id = "id"\nset_at = "when"\nsurvey = { constant = "S" }\n'
        'method = { constant = "kick_net" }\nlongitude = { constant = "-11.2127" }\n'
        'latitude = { constant = "52.6" }\n'
    )
    result = check(read_sheets(files=[path], mapping=tmp_path / "m.toml"), store, now=NOW)
    assert result.refused == []
    assert result.records.catches["count"].tolist() == [3, 3]
    assert [(r.column, r.rows) for r in result.readings if r.code == "ditto"] == [
        ("when", 1), ("n", 1),
    ]  # fmt: skip


@pytest.mark.parametrize("above", [None, ""])
def test_a_mark_without_a_cell_above_it_is_refused(store, tmp_path, above):
    rows = [HEAD, ROWS[0], ROWS[1]] if above == "" else [HEAD, ROWS[1], ROWS[0]]
    rows = [[c.format("ditto") for c in row] for row in rows]
    rows[1][HEAD.index("site")] = above or "ditto"
    rows[2][HEAD.index("site")] = "ditto"
    result = below_our_names(store, tmp_path, rows if above == "" else rows[:2])
    assert result.records is None
    assert ("site", "ditto") in {(f.column, f.value) for f in result.refused}


@pytest.mark.parametrize(
    "legend",
    [
        [["K = kick net"], ["MT = minnow trap"]],
        [["Methods"], ["minnow trap"], ["kick net"]],
        [["K", "=", "kick net"]],
        [["K =", "kick net"], ["checked by A. N."]],
        [["minnow_trap", "left overnight"]],
    ],
)
@pytest.mark.parametrize("way", [below_our_names, by_suggestion])
def test_a_legend_below_the_table_is_set_aside_and_said(store, tmp_path, way, legend):
    rows = [[c.format("S") if k == 1 else c for k, c in enumerate(row)] for row in ROWS[:1]]
    result = way(store, tmp_path, [HEAD, *rows, [], *legend])
    assert result.refused == []
    assert result.records.placements.index.tolist() == ["T1"]
    (said,) = [one for one in result.readings if one.code == "notes"]
    assert (said.rows, said.row) == (len(legend), 4)
    assert legend[0][0] in said.message


@pytest.mark.parametrize(
    "below",
    [
        [["T2", "S"]],  # a record that somebody began
        [["T1", "Mill ford"]],
        [["K = kick net"], ["T2", "S", "Mill ford", "kick_net", "2024-06-04"]],
    ],
)
def test_what_may_be_a_record_below_an_empty_row_is_refused(store, tmp_path, below):
    rows = [[c.format("S") if k == 1 else c for k, c in enumerate(row)] for row in ROWS[:1]]
    result = below_our_names(store, tmp_path, [HEAD, *rows, [], *below])
    assert result.records is None
    assert {fault.row for fault in result.refused} >= {4}


TOTALS = ["Site", "Date", "Method", "Lat", "Long", "Species", "P1", "P2", "Total"]
FISH = [
    ["A", "2024-06-03", "electric fishing", "52.6", "-11.2127", "Bullhead", "10", "5", "15"],
    ["B", "2024-06-04", "electric fishing", "52.6", "-11.2127", "Eel", "4", "1", "5"],
    ["C", "2024-06-05", "electric fishing", "52.6", "-11.2127", "Eel", "4", "2", "7"],
]


def test_a_stated_total_that_differs_from_its_parts_is_said(store, tmp_path):
    """The parts are stored; the row is named with both numbers."""
    result = by_suggestion(store, tmp_path, [TOTALS, *FISH])
    assert result.refused == []
    assert sorted(result.records.catches["count"]) == [1, 2, 4, 4, 5, 10]
    own = result.flagged[result.flagged["code"] == "total_differs"]
    assert own[["row", "column", "value"]].to_numpy().tolist() == [[4, "Total", "7"]]
    assert "It says 7; P1, P2 add up to 6" in own["message"].iloc[0]


def test_a_total_that_is_right_is_not_said(store, tmp_path):
    result = by_suggestion(store, tmp_path, [TOTALS, *FISH[:2]])
    assert result.refused == []
    assert "total_differs" not in set(result.flagged["code"])


def test_a_total_that_is_mostly_another_number_is_asked_about(store, tmp_path):
    result = by_suggestion(store, tmp_path, [TOTALS, *([*row[:-1], "20"] for row in FISH)])
    assert result.records is None
    assert {fault.code for fault in result.refused} == {"mapping_unclear"}


OF_PASSES = """
[shape]
rows = "catch"
[placements]
placement_id = { text = "{place} {pass}" }
site = "place"
set_at = "when"
survey = { constant = "S" }
method = { constant = "electric_fishing" }
longitude = { constant = "-11.2127" }
latitude = { constant = "52.6" }
[catches]
species = "fish"
pass_no = "pass"
count = "n"
"""


@pytest.mark.parametrize(
    ("rows", "asked"),
    [
        ([["A", "2024-06-03 10:00", "1"], ["A", "2024-06-03 11:00", "2"]], True),
        ([["A", "2024-06-03", "1"], ["A", "2024-06-03", "2"], ["A", "2024-06-03", "3"]], True),
        ([["A", "2024-06-03", "1"], ["A", "2024-06-04", "2"]], False),  # two days
        ([["A", "2024-06-03", "1"], ["B", "2024-06-03", "2"]], False),  # two sites
        ([["A", "2024-06-03", "1"], ["B", "2024-06-03", "1"]], False),
    ],
)
def test_passes_that_a_mapping_makes_placements_of_are_asked_about(store, tmp_path, rows, asked):
    head = ["place", "when", "pass", "fish", "n"]
    path = workbook(tmp_path / "s.xlsx", [head, *([*row, "Cottus gobio", "3"] for row in rows)])
    (tmp_path / "m.toml").write_text(OF_PASSES, "utf-8")
    result = check(read_sheets(files=[path], mapping=tmp_path / "m.toml"), store, now=NOW)
    assert result.refused == []
    own = result.flagged[result.flagged["code"] == "passes_apart"]
    assert len(own) == asked
    if asked:
        assert "A 1 (pass 1), A 2 (pass 2)" in own["message"].iloc[0]
        assert "[fold]" in own["message"].iloc[0]


def test_passes_that_are_folded_are_not_asked_about(store, tmp_path):
    rows = [["A", "2024-06-03", n, "Cottus gobio", "3"] for n in "12"]
    path = workbook(tmp_path / "s.xlsx", [["place", "when", "pass", "fish", "n"], *rows])
    fold = '[fold]\nby = ["place", "when"]\npass_no = "pass"\n'
    (tmp_path / "m.toml").write_text(OF_PASSES + fold, "utf-8")
    result = check(read_sheets(files=[path], mapping=tmp_path / "m.toml"), store, now=NOW)
    assert result.records.placements["passes"].tolist() == [2]
    assert "passes_apart" not in set(result.flagged["code"])


@pytest.mark.parametrize("damage", [b"<not closed", b"", b"<comments/>"])
def test_a_damaged_part_of_comments_refuses_no_workbook(store, tmp_path, damage):
    """No value of a cell depends on it."""
    book = openpyxl.Workbook()
    for row in [HEAD, [c.format("S") for c in ROWS[0]]]:
        book.active.append(row)
    book.active["C2"].comment = Comment("in the pool", "B")
    whole = io.BytesIO()
    book.save(whole)
    path = tmp_path / "s.xlsx"
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(path, "w") as new:
        for part in old.namelist():
            new.writestr(
                part, damage if "comment" in part and part.endswith("1.xml") else old.read(part)
            )
    result = check(read_sheets(path), store, now=NOW)
    assert result.refused == []
    assert result.records.placements.index.tolist() == ["T1"]
    assert "comments_broken" in {one.code for one in result.readings}
