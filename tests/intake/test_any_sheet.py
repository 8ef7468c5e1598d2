"""Sheets as other people write them come in, and say what somebody who reads them would enter.

The truth of each sheet is written by hand in sheets_of_others/truth. A mapping is suggested and
taken as it is, or with the lines changed that `CORRECTED` lists; never more than five.
"""

import difflib
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake.sheets_of_others.workbooks import write_workbooks
from tests.intake_sheets import CRS, NOW, settled

SHEETS_OF_OTHERS = Path(__file__).parent / "sheets_of_others"
MOST_CHANGED = 5
NAMES = sorted(
    path.name.partition(".")[0] for path in (SHEETS_OF_OTHERS / "truth").glob("*.placements.csv")
)
# What somebody has to correct in the suggestion: what stands there, and what should.
CORRECTED = {
    "age_classes": [
        ('# no_rows_mean = "nil"', 'no_rows_mean = "nil"'),
        ("# crs =", "crs ="),
        ("[columns]", 'minutes = { sum = ["Min team A", "Min team B"] }\n\n[columns]'),
    ],
    "night_walks": [("# crs =", "crs =")],
    "stickleback_traps": [
        ('# method = { constant = "kick_net" }', 'method = { constant = "minnow_trap" }'),
        ('"?" = {}', '"Stickleback" = { species = "Gasterosteus aculeatus" }'),
    ],
}
KEY = ["site", "set_at"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """All sheets, workbooks too."""
    place = tmp_path_factory.mktemp("sheets")
    for path in SHEETS_OF_OTHERS.glob("*.*"):
        if path.suffix in (".csv", ".txt"):
            shutil.copy(path, place)
    write_workbooks(place)
    return place


@pytest.fixture(scope="module")
def store(store_of_lists):
    return store_of_lists


def files_of(folder, name):
    """Return the files of a sheet, those of placements last."""
    return sorted(p for p in folder.glob(f"{name}*") if p.suffix != ".toml")


def suggested(folder, name, store):
    tables = [table for path in files_of(folder, name) for table in read_tables(path, Findings())]
    return suggest(tables, store.species(), list(store.methods().index), CRS).text


def changed_lines(one, other):
    marks = [line[0] for line in difflib.ndiff(one.splitlines(), other.splitlines())]
    return max(marks.count("-"), marks.count("+"))


def truth(name, sheet):
    path = SHEETS_OF_OTHERS / "truth" / f"{name}.{sheet}.csv"
    if not path.exists():
        return None
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def as_text(values):
    """Write records as the truth is written: numbers without needless zeros, missing as ''."""

    def one(value):
        if pd.isna(value):
            return ""
        if isinstance(value, float):
            return f"{round(value, 9):g}" if abs(value) < 1e5 else f"{value:.0f}"
        return str(value)

    return values.map(one)


def told(records, name):
    """The records of a result in the columns of the truth."""
    placements = records.placements.reset_index(names="placement_id")
    local = placements["set_at"].dt.tz_convert("Europe/Dublin")
    whole = truth(name, "placements")["set_at"].str.len().max() > 10
    placements["set_at"] = local.dt.strftime("%Y-%m-%dT%H:%M" if whole else "%Y-%m-%d")
    lifted = placements["lifted_at"].dt.tz_convert("Europe/Dublin").dt.strftime("%Y-%m-%dT%H:%M")
    placements["lifted_at"] = lifted
    x, y = ("easting", "northing") if "easting" in truth(name, "placements") else (
        "longitude", "latitude")  # fmt: skip
    placements[x], placements[y] = placements["original_x"], placements["original_y"]
    own = placements.set_index("placement_id")[KEY]
    catches = records.catches.join(own, on="placement_id")
    lengths = records.lengths.join(own, on="placement_id")
    return {"placements": placements, "catches": catches, "lengths": lengths}


def assert_as_in_truth(records, name):
    for sheet, frame in told(records, name).items():
        wanted = truth(name, sheet)
        if wanted is None:
            assert not len(frame), f"{sheet} that nobody wrote"
            continue
        number = [c for c in wanted if pd.api.types.is_numeric_dtype(frame[c])]
        wanted[number] = wanted[number].apply(lambda c: pd.to_numeric(c).astype(float))
        columns = list(wanted)
        read = frame.astype(dict.fromkeys(number, float))[columns]
        own, theirs = (f.apply(as_text).sort_values(columns) for f in (read, wanted))
        pd.testing.assert_frame_equal(
            own.reset_index(drop=True), theirs.reset_index(drop=True), check_dtype=False
        )


def test_there_are_sheets_enough():
    assert len(NAMES) >= 14


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_comes_in_by_suggestion(folder, store, tmp_path, name, capsys):
    """Unedited; the mapping as suggested, or corrected in at most five lines."""
    text = corrected = suggested(folder, name, store)
    for old, new in CORRECTED.get(name, []):
        assert old in corrected
        corrected = corrected.replace(old, new, 1)
    changed = changed_lines(text, corrected)
    with capsys.disabled():
        print(f"\n{name}: {changed} lines changed of {len(text.splitlines())}")
    assert changed <= MOST_CHANGED
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(corrected)
    sheets = read_sheets(files=files_of(folder, name), mapping=mapping)
    result = check(sheets, store, now=NOW)
    assert result.refused == []
    assert_as_in_truth(result.records, name)


def test_names_of_ours_need_no_mapping(folder, store):
    """Species as columns and minutes per pass, under our names and those of the species list."""
    for sheets in (
        read_sheets(folder / "bare_columns.csv", species=store.species()),
        read_sheets(files=[folder / "bare_columns.csv"], species=store.species()),
    ):
        result = check(replace(sheets, survey="S24"), store, now=NOW)
        assert result.refused == []
        assert_as_in_truth(result.records, "bare_columns")


def refusals(store, text, mapping="", tmp_path=None, **options):
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(text)
    if mapping:
        options["mapping"] = tmp_path / "m.toml"
        options["mapping"].write_text(mapping)
    sheets = read_sheets(files=[sheet], species=store.species(), **options)
    return check(replace(sheets, survey="S24"), store, now=NOW)


REPEATED = """placement_id,method,set_at,longitude,latitude,minutes,species,count,length_mm
A,kick_net,2024-06-03,-11.2127,52.6000,{first},Cottus gobio,{count},{length}
A,kick_net,2024-06-03,-11.2127,52.6000,{second},Salmo trutta,2,
"""


def test_repeats_that_differ_are_refused_with_their_column(store, tmp_path):
    """Identical repeats are one placement; others are not folded into either of their values."""
    same = REPEATED.format(first=20, second=20, count=3, length="")
    result = refusals(store, same, tmp_path=tmp_path)
    assert result.refused == []
    assert result.records.placements["minutes"].tolist() == [20]
    assert result.records.catches["count"].tolist() == [3, 2]
    result = refusals(store, same.replace(",20,Salmo", ",25,Salmo"), tmp_path=tmp_path)
    assert {(f.row, f.column) for f in result.refused} == {(2, "minutes"), (3, "minutes")}


def test_several_fish_have_no_one_length(store, tmp_path):
    several = REPEATED.format(first=20, second=20, count=3, length=61)
    result = refusals(store, several, tmp_path=tmp_path)
    assert [(f.row, f.column) for f in result.refused] == [(2, "count")]
    one = refusals(store, several.replace("gobio,3", "gobio,1"), tmp_path=tmp_path)
    assert one.refused == []
    assert one.records.lengths["length_mm"].tolist() == [61]


WIDE = """placement_id,method,set_at,longitude,latitude,Cottus gobio,Salmo trutta
A,kick_net,2024-06-03,-11.2127,52.6000,{a},{b}
B,kick_net,2024-06-04,-11.2127,52.6000,1,
"""


@pytest.mark.parametrize(
    ("a", "b", "outcome"),
    [("", "", "unrecorded"), ("0", "", "nil"), ("0", "0", "nil"), ("-", "", "unrecorded")],
)
def test_empty_cells_say_nothing_and_zeros_say_none(store, tmp_path, a, b, outcome):
    """Nil is never derived of silence."""
    result = refusals(store, WIDE.format(a=a, b=b), tmp_path=tmp_path)
    assert result.refused == []
    assert result.records.placements.loc["A", "outcome"] == outcome
    mapping = suggest_for(store, tmp_path / "sheet.csv")
    said = mapping.replace("# no_rows_mean", "no_rows_mean")
    result = refusals(store, WIDE.format(a=a, b=b), said, tmp_path)
    assert result.records.placements.loc["A", "outcome"] == "nil"


def suggest_for(store, path):
    methods = list(store.methods().index)
    return suggest(read_tables(path, Findings()), store.species(), methods, CRS).text


def test_a_cell_under_a_species_is_refused_under_its_own_header(store, tmp_path):
    result = refusals(store, WIDE.format(a="many", b=""), tmp_path=tmp_path)
    assert [(f.row, f.column, f.value) for f in result.refused] == [(2, "Cottus gobio", "many")]


def test_no_fish_beside_fish_is_refused(store, tmp_path):
    """One row says that there was none, another that there was."""
    text = REPEATED.format(first=20, second=20, count=3, length="")
    result = refusals(store, text.replace("Salmo trutta,2", "no fish,"), tmp_path=tmp_path)
    assert result.records is None
    assert {(f.row, f.column) for f in result.refused} == {(3, "species"), (3, "count")}


def test_rows_below_a_gap_that_may_be_records_stay_in(store, tmp_path):
    """A gap does not end a table of which more follows."""
    text = WIDE.format(a=1, b=2).replace("\nB,", "\n,,,,,,\nB,")
    result = refusals(store, text, tmp_path=tmp_path)
    assert result.refused == []
    assert len(result.records.placements) == 2


def test_what_stands_above_one_block_is_not_said_of_the_next(folder, store, tmp_path):
    text = (folder / "cards.csv").read_text().replace("Lon: -11.2070,Minutes: 45", "Lon: -11.2070,")
    (tmp_path / "cards.csv").write_text(text)
    (table,) = read_tables(tmp_path / "cards.csv", Findings())
    assert table.frame.groupby("Site")["Minutes"].first().to_dict() == {
        "Mill ford": "32", "Heron pool": "", "Otter stones": "40"
    }  # fmt: skip


@pytest.mark.parametrize("content", [b"", b"\n\n", b"a\n", b"a,b\n", b"\x00", b"PK", b"\x81\xff;"])
def test_what_is_no_table_is_no_table(tmp_path, content):
    """Refused or left alone, never a traceback."""
    for ending in (".csv", ".xlsx", ".docx"):
        (tmp_path / f"x{ending}").write_bytes(content)
        findings = Findings()
        assert read_tables(tmp_path / f"x{ending}", findings) == []


def test_the_suggestion_leaves_open_what_cannot_be_known(store, tmp_path):
    """Day or month first, the unit of an effort and of a length, the grid of a position."""
    sheet = tmp_path / "s.csv"
    sheet.write_text(
        "Sample,Site,Date,Gear,Easting,Northing,Effort,Species,TL\n"
        "A,Mill ford,03/04/2024,kick net,350150,5829950,20,Cottus gobio,61\n"
    )
    text = suggest_for(store, sheet)
    for line in ("date_order", "crs", "minutes", "length_mm"):
        assert f"\n# {line} =" in text, line
    result = check(read_sheets(files=[sheet], mapping=written(tmp_path, text)), store, now=NOW)
    assert {fault.column for fault in result.refused} == {"", "set_at", "crs"}
    asked = [fault.remedy for fault in result.refused if not fault.column]
    assert [one.partition(":")[0] for one in asked] == ["[open] Effort", "[open] TL"]
    own = written(tmp_path, settled(text))
    result = check(read_sheets(files=[sheet], mapping=own), store, now=NOW)
    assert {fault.column for fault in result.refused} == {"set_at", "crs"}


def written(folder, text):
    (folder / "m.toml").write_text(text)
    return folder / "m.toml"


def test_numbers_beside_fish_that_may_be_counts_are_never_left_out_in_silence(store, tmp_path):
    """Each row would be one fish if the column of counts were not known."""
    sheet = tmp_path / "odd.csv"
    sheet.write_text(
        "Trap no,Date,Gear,Lat,Long,Species,Zzyx\n"
        "T1,14/05/2025,hand net,52.6000,-11.2127,Minnow,4\n"
        "T2,15/05/2025,hand net,52.6001,-11.2128,Bullhead,12\n"
    )
    made = suggest(read_tables(sheet, Findings()), store.species(), list(store.methods().index))
    assert any("Zzyx" in question for question in made.open_questions)
    mapping = tmp_path / "odd.toml"
    mapping.write_text(made.text)
    result = check(read_sheets(files=[sheet], mapping=mapping), store, now=NOW)
    assert result.records is None
    assert any("?" in one.remedy for one in result.refused)


def test_a_sheet_that_is_not_read_is_said(folder, store, tmp_path):
    """Two sheets of fish beside one of visits: none is taken silently, none left silently."""
    lengths = tmp_path / "lengths.csv"
    lengths.write_text("Set;Species;Length (mm)\nN7;Anguilla anguilla;415\n")
    files = [*files_of(folder, "net_nights"), lengths]
    tables = [table for path in files for table in read_tables(path, Findings())]
    methods = list(store.methods().index)
    suggestion = suggest(tables, store.species(), methods, CRS)
    assert any("lengths.csv" in question for question in suggestion.open_questions)
    assert any("net_nights_fish.csv" in question for question in suggestion.open_questions)
    sheets = read_sheets(files=files, mapping=written(tmp_path, suggestion.text))
    said = sheets.findings.flags().query("code == 'unread_sheet'")["file"]
    assert set(said) == {"lengths.csv", "net_nights_fish.csv"}


def test_no_fish_in_place_of_a_number_is_said_by_that_cell(folder, store, tmp_path):
    """The cell that made the placement nil is named, not the empty one beside it."""
    mapping = written(tmp_path, suggested(folder, "trap_register", store))
    sheets = read_sheets(files=files_of(folder, "trap_register"), mapping=mapping)
    (said,) = [one for one in check(sheets, store, now=NOW).readings if "nil" in str(one)]
    assert (said.column, said.row) == ("count", 4)
    assert "no fish stands in place of a number" in str(said)
