"""Other people's sheets through mapping files; the proof is real data, unedited."""

import json

import pandas as pd
import pytest

from service.intake.importing import check, missing_species, take
from service.intake.sheets import read_sheets
from service.records import Selection, StoreSettings
from service.reference.method_files import read_methods, shipped_methods
from service.store import create_store
from tests.conftest import REFERENCES, SHARED
from tests.intake_sheets import NOW

NEON = REFERENCES / "neonfish"
GEARS = {
    "electrofishing": "electric_fishing",
    "electrofishing (two units)": "electric_fishing_two_units",
    "gill net": "gill_net",
    "mini-fyke net": "fyke_net",
}


@pytest.fixture
def neon_store(tmp_path):
    """A store for the whole of the United States, in an equal-area CRS."""
    settings = StoreSettings(crs="EPSG:9311", timezone="America/Denver")
    store = create_store(tmp_path / "neon.gpkg", settings)
    store.put_methods(shipped_methods(), who="test")
    store.put_methods(read_methods(NEON / "methods.toml"), who="test")
    yield store
    store.close()


def take_neon(store, folder, mapping):
    sheets = read_sheets(folder / "placements.csv", folder / "catches.csv", mapping=NEON / mapping)
    assert sheets.findings.refused == []
    names = missing_species(sheets, store)
    store.put_species(names.set_index("species"), who="test")
    result = check(sheets, store, now=None)
    assert result.refused == []
    take(result, store, "test")
    return result, store.records(Selection())


def totals(records):
    """Placements, minutes, fish and names by method."""
    by_id = records.placements["method"]
    fish = records.catches.assign(method=records.catches["placement_id"].map(by_id))
    return pd.DataFrame(
        {
            "placements": by_id.groupby(by_id).size(),
            "minutes": records.placements.groupby("method")["minutes"].sum(),
            "fish": fish.groupby("method")["count"].sum(),
            "taxa": fish.groupby("method")["species"].nunique(),
        }
    )


def source_totals(folder):
    """The same straight from the source sheets."""
    placements = pd.read_csv(folder / "placements.csv")
    catches = pd.read_csv(folder / "catches.csv")
    method = placements["gear"].map(GEARS)
    seconds = placements["effort_unit"] == "seconds of current"
    minutes = placements["effort_value"].where(seconds, placements["effort_value"] * 3600) / 60
    fish = catches.assign(
        method=catches["placement_id"].map(
            dict(zip(placements["placement_id"], method, strict=True))
        )
    )
    return pd.DataFrame(
        {
            "placements": method.groupby(method).size(),
            "minutes": minutes.groupby(method).sum(),
            "fish": fish.groupby("method")["count"].sum(),
            "taxa": fish.groupby("method")["taxon_name"].nunique(),
        }
    )  # fmt: skip


def test_real_sheets_come_in_unedited_and_unsnapped(neon_store):
    """Totals per gear are the source's; without a network near, all is kept and said to be off."""
    result, records = take_neon(neon_store, NEON, "mapping.toml")
    pd.testing.assert_frame_equal(
        totals(records), source_totals(NEON), check_names=False, check_dtype=False
    )
    assert records.snaps["reach_id"].isna().all()
    off = records.flags.query("code == 'snap_none'")["placement_id"]
    assert set(off) == set(records.placements.index)
    nets = records.placements.query("method == 'gill_net'")
    assert nets["lifted_at"].notna().all()
    assert result.rows_read["placements"] == len(records.placements)


def test_folded_passes_keep_fish_and_effort(neon_store):
    """Rows of one pass each become placements of several passes; nothing is lost on the way."""
    result, records = take_neon(neon_store, NEON, "mapping_folded.toml")
    source = pd.read_csv(NEON / "placements.csv")
    expected = source_totals(NEON).drop(columns="placements")
    pd.testing.assert_frame_equal(
        totals(records).drop(columns="placements"), expected, check_names=False, check_dtype=False
    )
    assert len(records.placements) < len(source) == result.rows_read["placements"]
    one = source.query("bout_id == 'ARIK.20160412.01'")
    folded = records.placements.loc[one["placement_id"].iloc[0]]
    assert folded["passes"] == one["pass_no"].max()
    assert folded["minutes"] == pytest.approx(one["effort_value"].sum() / 60)
    own = records.catches.query("placement_id == @folded.name")
    assert set(own["pass_no"]) <= set(one["pass_no"])


@pytest.mark.parametrize("mapping", ["mapping.toml", "mapping_folded.toml"])
def test_the_whole_data_set_gives_the_published_totals(neon_store, mapping):
    """2,212 placements; figures.json beside the data holds its totals per gear (CC0, NEON)."""
    folder = SHARED / "data" / "neonfish"
    if not folder.exists():
        pytest.skip("the whole data set is not beside the project")
    result, records = take_neon(neon_store, folder, mapping)
    figures = json.loads((folder / "figures.json").read_text())
    own = totals(records)
    assert result.rows_read["placements"] == figures["placements"] == 2212
    for gear, published in figures["by_gear"].items():
        row = own.loc[GEARS[gear]]
        if mapping == "mapping.toml":
            assert row["placements"] == published["placements"]
        assert row["fish"] == published["fish"]
        assert row["taxa"] == published["taxa"]
        ((unit, effort),) = published["effort"].items()
        per = 60 if unit == "seconds of current" else 1 / 60
        assert row["minutes"] * per == pytest.approx(effort, abs=1e-6)
    assert records.snaps["reach_id"].isna().all()
    assert neon_store.faults() == []


SHEET = """id,when,gear,x,y,sec,temp,n,fish,stage
A,2024-05-02 11:00,e-fisher,-11.2127,52.6000,1200,59,3,Bullhead,
B,2024-05-02 13:00,net,-11.2128,52.6035,,50,,,
"""
MAPPING = """
[placements]
placement_id = "id"
survey = { constant = "M24" }
method = { from = "gear", values = { "e-fisher" = "electric_fishing", "net" = "kick_net" } }
set_at = "when"
longitude = "x"
latitude = "y"
minutes = { from = "sec", unit = "s" }
water_temperature_c = { from = "temp", unit = "°F" }
lifts = { constant = 10, when = { gear = "net" } }
outcome = { constant = "nil", when = { gear = "net" } }
notes = { text = "{gear} at {temp}" }

[catches]
placement_id = "id"
species = { from = "fish", values = { "Bullhead" = "Cottus gobio" } }
count = "n"
fate = { from_placement = "gear" }
"""


def mapped(store, folder, mapping=MAPPING, sheet=SHEET):
    one, two, toml = folder / "p.csv", folder / "c.csv", folder / "m.toml"
    one.write_text(sheet)
    two.write_text(sheet.splitlines()[0] + "\n" + sheet.splitlines()[1] + "\n")
    toml.write_text(mapping)
    return check(read_sheets(one, two, mapping=toml), store, now=NOW)


def test_constants_units_words_and_conditions(store, tmp_path):
    """50 and 59 degrees Fahrenheit are 10 and 15 degrees Celsius, by definition of the scale."""
    result = mapped(store, tmp_path)
    assert result.refused == []
    placements = result.records.placements
    assert placements["minutes"].fillna(0).tolist() == [20, 0]
    assert placements["water_temperature_c"].tolist() == pytest.approx([15, 10])
    assert placements["lifts"].fillna(0).tolist() == [0, 10]
    assert placements["outcome"].tolist() == ["caught", "nil"]
    assert placements["notes"].tolist() == ["e-fisher at 59", "net at 50"]
    catch = result.records.catches.iloc[0]
    assert (catch["species"], catch["count"], catch["fate"]) == ("Cottus gobio", 3, "e-fisher")
    left = result.flagged.query("code == 'unmapped_columns'")["message"]
    assert left.str.contains("stage").any()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'minutes = { from = "sec", unit = "s" }',
            'minutes = { from = "sec", unit = "x" }',
            "unit",
        ),
        ('"when"\n', '"wenn"\n', "did you mean when?"),
        ("longitude =", "longitud =", "did you mean longitude"),
        ("[catches]", "[catch]", "did you mean catches?"),
        ('constant = "M24"', 'constnt = "M24"', "not understood"),
        ("[placements]", "[placements", "cannot be read as TOML"),
    ],
)
def test_a_mapping_that_cannot_be_followed_is_refused(store, tmp_path, old, new, said):
    result = mapped(store, tmp_path, MAPPING.replace(old, new, 1))
    assert result.records is None
    assert any(said in fault.remedy for fault in result.refused), result.refused


FOLD = """
[fold]
by = ["bout"]
pass_no = "pass"
sum = ["minutes"]
"""
PASSES = """id,bout,pass,when,gear,x,y,sec,temp,n,fish,stage
A1,A,1,2024-05-02 11:00,e-fisher,-11.2127,52.6000,1200,59,3,Bullhead,
A2,A,2,2024-05-02 11:00,e-fisher,-11.2127,52.6000,600,{temp},3,Bullhead,
"""


def test_rows_to_be_folded_must_agree(store, tmp_path):
    """What differs within one placement is refused until the mapping says what becomes of it."""
    same = PASSES.format(temp=59)
    result = mapped(store, tmp_path, MAPPING + FOLD, same)
    assert result.refused == []
    folded = result.records.placements.iloc[0]
    assert (folded["passes"], folded["minutes"]) == (2, 30)
    assert folded[["minutes_pass_1", "minutes_pass_2"]].tolist() == [20, 10]
    other = mapped(store, tmp_path, MAPPING + FOLD, PASSES.format(temp=68))
    assert {fault.column for fault in other.refused} == {"water_temperature_c", "notes"}
    assert {fault.row for fault in other.refused} == {2, 3}


@pytest.mark.parametrize("rows", ["placement", "catch", "fish"])
def test_a_catch_has_the_pass_of_its_own_row_where_all_passes_have_one_id(store, tmp_path, rows):
    """All of them were put into the first pass, and depletion lost its numbers."""
    head = "id,bout,pass,when,gear,x,y,sec,temp"
    body = "A,A,{},2024-05-02 11:00,e-fisher,-11.2127,52.6000,1200,59"
    text = f"{head},Bullhead\n{body.format(1)},22\n{body.format(2)},9\n"
    mapping = MAPPING.partition("[catches]")[0] + FOLD
    if rows == "placement":
        mapping += '[columns]\nBullhead = { species = "Cottus gobio" }\n'
    else:
        mapping += f'[shape]\nrows = "{rows}"\n[catches]\nspecies = {{ constant = "Cottus gobio" }}'
        mapping += '\ncount = "Bullhead"\n'
    sheet, toml = tmp_path / "s.csv", tmp_path / "m.toml"
    sheet.write_text(text)
    toml.write_text(mapping)
    result = check(read_sheets(files=[sheet], mapping=toml), store, now=NOW)
    assert result.refused == []
    caught = result.records.catches[["pass_no", "count"]]
    assert caught.to_numpy().tolist() == [[1, 22], [2, 9]]
    left = result.flagged.query("code == 'unmapped_columns'")["message"]
    assert not left.str.contains(r"\bpass\b|\bbout\b").any()


def test_a_catch_of_another_sheet_keeps_its_pass_where_its_id_names_several(store, tmp_path):
    text = PASSES.format(temp=59).replace("A1,", "A,").replace("A2,", "A,")
    one, two, toml = tmp_path / "p.csv", tmp_path / "c.csv", tmp_path / "m.toml"
    one.write_text(text)
    two.write_text("id,go,n,fish,gear,stage\nA,1,22,Bullhead,,\nA,2,9,Bullhead,,\n")
    toml.write_text(MAPPING.replace("[catches]", '[catches]\npass_no = "go"') + FOLD)
    result = check(read_sheets(one, two, mapping=toml), store, now=NOW)
    assert result.refused == []
    assert result.records.catches["pass_no"].tolist() == [1, 2]


EXTREMES = """id,bout,pass,when,end,gear,x,y,sec,temp,n,fish,stage
A1,A,1,{began},{ended},e-fisher,-11.2127,52.6000,{first},59,3,Bullhead,
A2,A,2,{then},{closed},e-fisher,-11.2127,52.6000,{second},59,3,Bullhead,
"""


def folded_by(store, folder, how, **cells):
    """Fold two passes of one visit; cells replace those of ordinary passes."""
    ordinary = {
        "began": "2024-05-02 9:00", "then": "2024-05-02 10:05", "ended": "2024-05-02 9:59",
        "closed": "2024-05-02 11:30", "first": 540, "second": 600,
    }  # fmt: skip
    mapping = MAPPING.replace('set_at = "when"', 'set_at = "when"\nlifted_at = "end"')
    fold = FOLD.replace('sum = ["minutes"]', how)
    return mapped(store, folder, mapping + fold, EXTREMES.format(**(ordinary | cells)))


TIMES = 'min = ["set_at"]\nmax = ["lifted_at", {}]'


def test_folding_compares_numbers_as_numbers_and_times_as_times(store, tmp_path):
    """Of 9 and 10 minutes the most is 10, of 9:00 and 10:05 o'clock the earliest is 9:00."""
    result = folded_by(store, tmp_path, TIMES.format('"minutes"'))
    assert result.refused == []
    one = result.records.placements.iloc[0]
    assert one["minutes"] == 10
    assert str(one["set_at"]) == "2024-05-02 08:00:00+00:00"  # Irish summer time is UTC+1
    assert str(one["lifted_at"]) == "2024-05-02 10:30:00+00:00"
    least = folded_by(store, tmp_path, 'min = ["set_at", "minutes"]\nmax = ["lifted_at"]')
    assert least.records.placements["minutes"].tolist() == [9]


def test_folding_takes_offsets_into_account(store, tmp_path):
    """10:05 at UTC+3 is before 9:00 at UTC+1."""
    result = folded_by(
        store,
        tmp_path,
        TIMES.format('"minutes"'),
        began="2024-05-02T09:00+01:00",
        then="2024-05-02T10:05+03:00",
    )
    assert str(result.records.placements["set_at"].iloc[0]) == "2024-05-02 07:05:00+00:00"


@pytest.mark.parametrize(
    ("how", "cells", "column", "said"),
    [
        (TIMES.format('"minutes"'), {"then": "2024-05-02"}, "set_at", "cannot be told"),
        (TIMES.format('"minutes"'), {"then": "2024-05-02T10:05Z"}, "set_at", "cannot be told"),
        (TIMES.format('"minutes"'), {"then": "tea"}, "set_at", "give a time such as"),
        (TIMES.format('"minutes"'), {"second": "ten"}, "minutes", "a number in min"),
        (TIMES.format('"notes"'), {}, "", "notes holds words; say first or join for it"),
        ('sum = ["set_at"]', {}, "", "set_at holds times; say min or max or first for it"),
        ('max = ["minuts"]', {}, "", "did you mean minutes?"),
        ('max = ["minutes"]\nsum = ["minutes"]', {}, "", "is both sum and max"),
    ],
)
def test_what_cannot_be_folded_is_refused(store, tmp_path, how, cells, column, said):
    result = folded_by(store, tmp_path, how, **cells)
    assert result.records is None
    own = [fault for fault in result.refused if fault.column == column]
    assert any(said in fault.remedy for fault in own), result.refused
    odd = {"tea": 3, "ten": 3}.get(str(next(iter(cells.values()), "")))
    assert not odd or [fault.row for fault in own] == [odd]
