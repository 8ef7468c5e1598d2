"""Sheets that invite a wrong reading: right, or refused, with the suggestion taken unread.

Each was read otherwise once, or may be by the next change. What is right is written by hand.
"""

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest

import demo_sites
from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from service.records import StoreSettings
from service.reference.method_files import shipped_methods
from service.store import create_store
from tests.intake_sheets import CRS, NOW

HEAD = "Site,Date,Method,Longitude,Latitude"
ONE = "Mill ford,2024-06-03,electric fishing,-11.2127,52.6000"
TWO = "Heron pool,2024-06-04,electric fishing,-11.2070,52.6120"


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    settings = StoreSettings(crs=CRS, timezone="Europe/Dublin")
    made = create_store(tmp_path_factory.mktemp("store") / "s.gpkg", settings)
    made.put_methods(shipped_methods(), who="test")
    listed = pd.read_csv(Path(demo_sites.__file__).with_name("species.csv"))
    made.put_species(listed.set_index("species"), who="test")
    yield made
    made.close()


def taken(store, folder, text, file="odd.csv"):
    """Check a sheet by its suggested mapping, as it is; say what is asked too."""
    sheet, mapping = folder / file, folder / "m.toml"
    if isinstance(text, str):
        sheet.write_text(text, "utf-8")
    tables = read_tables(sheet, Findings())
    made = suggest(tables, store.species(), list(store.methods().index), CRS)
    assert made.text, made.open_questions
    mapping.write_text(made.text, "utf-8")
    result = check(read_sheets(files=[sheet], mapping=mapping), store, now=NOW)
    return result, " ".join(made.open_questions)


def fish(result):
    """What was caught, as species, count, pass and stage, 0 and '' for none."""
    assert result.records is not None, result.refused
    own = result.records.catches.reindex(columns=["species", "count", "pass_no", "life_stage"])
    own = own.fillna({"pass_no": 0, "life_stage": ""})
    return sorted(tuple(row) for row in own.itertuples(index=False))


def days(result):
    local = result.records.placements["set_at"].dt.tz_convert("Europe/Dublin")
    return sorted(local.dt.strftime("%Y-%m-%dT%H:%M"))


BULL, EEL, TROUT = "Cottus gobio", "Anguilla anguilla", "Salmo trutta"
TWO_DAYS = ["2024-06-03T00:00", "2024-06-04T00:00"]


@pytest.mark.parametrize(
    ("more", "one", "two", "caught"),
    [
        # A total beside the passes is no pass and no count of each.
        ("Species,P1,P2,Total", "Bullhead,10,5,15", "Eel,4,1,5",
         [(EEL, 1, 2, ""), (EEL, 4, 1, ""), (BULL, 5, 2, ""), (BULL, 10, 1, "")]),
        ("Trout fry,Trout adult,Trout total", "3,4,7", "1,0,1",
         [(TROUT, 1, 0, "fry"), (TROUT, 3, 0, "fry"), (TROUT, 4, 0, "adult")]),
        # Less than the fry, so no total: the others.
        ("Trout fry,Trout", "3,1", "0,2",
         [(TROUT, 1, 0, ""), (TROUT, 2, 0, ""), (TROUT, 3, 0, "fry")]),
        ("Bullhead (n),Bullhead (g)", "3,12", "1,4", [(BULL, 1, 0, ""), (BULL, 3, 0, "")]),
        ("Species,Males,Females,Total", "Bullhead,3,1,4", "Eel,1,0,1",
         [(EEL, 1, 0, ""), (BULL, 4, 0, "")]),
        ("Species,Length (mm),n", "Bullhead,,x3", "Eel,415,", [(EEL, 1, 0, ""), (BULL, 3, 0, "")]),
        # A number of fish released is no fate.
        ("Species,Caught,Released", "Bullhead,3,2", "Eel,1,1", [(EEL, 1, 0, ""), (BULL, 3, 0, "")]),
        # A length of fish is never in metres.
        ("Length (m),Species,Length (cm)", "100,Bullhead,6.1", "80,Eel,41.5",
         [(EEL, 1, 0, ""), (BULL, 1, 0, "")]),
        # How long it took is no time of day, and a depth neither.
        ("Duration,Species,Count", "0:45,Bullhead,3", "1:20,Eel,1",
         [(EEL, 1, 0, ""), (BULL, 3, 0, "")]),
        ("Area (ha),Species,Count", "0.05,Bullhead,3", "0.45,Eel,1",
         [(EEL, 1, 0, ""), (BULL, 3, 0, "")]),
        ("Depth,Species,Count", "0.35,Bullhead,3", "0.45,Eel,1",
         [(EEL, 1, 0, ""), (BULL, 3, 0, "")]),
        ("Date entered,Species,Count", "2024-06-20,Bullhead,3", "2024-06-21,Eel,1",
         [(EEL, 1, 0, ""), (BULL, 3, 0, "")]),
    ],
)  # fmt: skip
def test_a_sheet_is_read_as_it_is_meant(store, tmp_path, more, one, two, caught):
    result, _ = taken(store, tmp_path, f"{HEAD},{more}\n{ONE},{one}\n{TWO},{two}\n")
    assert fish(result) == caught
    assert days(result) == TWO_DAYS
    lengths = result.records.lengths["length_mm"].tolist()
    assert lengths == {"Length (cm)": [61.0, 415.0], "n": [415.0]}.get(more.rsplit(",", 1)[-1], [])
    assert result.records.placements["minutes"].isna().all()
    assert "fate" not in result.records.catches or result.records.catches["fate"].isna().all()


@pytest.mark.parametrize(
    ("more", "one", "two", "said"),
    [
        ("Trout 0+,Trout 1+,Trout total,Eel", "3,4,7,1", "1,0,1,0", "Trout 1+"),
        ("Trout fry,Trout", "3,9", "0,2", "Trout"),
        ("Trout P1,Trout P2,Trout", "3,1,9", "2,0,2", "Trout"),
        ("Trout,Brown trout", "3,1", "2,0", "Trout"),
        ("Rainbow trout,Bullhead", "3,1", "2,0", "Rainbow trout"),
        ("Brown trout per 100 m2,Bullhead", "3.2,1", "2,0", "Brown trout per 100 m2"),
        ("Species,P1,P2,Count", "Bullhead,10,5,12", "Eel,4,1,5", "Count"),
        ("Date checked,Species,Count", "2024-06-20,Eel,3", "2024-06-21,Eel,1", ""),
    ],
)
def test_what_may_be_two_things_is_asked_and_refused(store, tmp_path, more, one, two, said):
    head = HEAD.replace("Date", "Date of visit") if "Date" in more else HEAD
    result, asked = taken(store, tmp_path, f"{head},{more}\n{ONE},{one}\n{TWO},{two}\n")
    assert result.records is None
    assert said in asked


@pytest.mark.parametrize("name", ["Rainbow trout", "Loach", "Smolt", "Sea lamprey", "Pika", "BT"])
def test_a_fish_is_no_other_of_a_name_like_it(store, tmp_path, name):
    """Rainbow trout is not brown trout, loach not roach, smolt not smelt."""
    text = f"{HEAD},Species,Count\n{ONE},{name},3\n{TWO},Bullhead,1\n{TWO},Eel,1\n"
    result, _ = taken(store, tmp_path, text)
    assert {(fault.column, fault.value) for fault in result.refused} == {("species", name)}


def test_a_long_name_with_a_letter_wrong_is_offered(store, tmp_path):
    text = f"{HEAD},Species,Count\n{ONE},Cottus gobbio,3\n{TWO},three-spined sticklebak,1\n"
    result, _ = taken(store, tmp_path, text)
    assert fish(result) == [(BULL, 3, 0, ""), ("Gasterosteus aculeatus", 1, 0, "")]


@pytest.mark.parametrize("sign", ["x", "+", ".", "few", "12 (3 dead)", "?"])
def test_a_sign_below_a_fish_is_refused_and_never_left_out(store, tmp_path, sign):
    text = f"{HEAD},Bullhead,Eel\n{ONE},{sign},\n{TWO},{sign},2\n"
    result, _ = taken(store, tmp_path, text)
    assert [(f.row, f.column) for f in result.refused] == [(2, "Bullhead"), (3, "Bullhead")]


@pytest.mark.parametrize(
    ("word", "outcome"),
    [("lost", "lost"), ("not lost", None), ("never lifted, not disturbed", None)],
)
def test_what_is_denied_is_not_so(store, tmp_path, word, outcome):
    """A trap that was not lost is not taken for lost."""
    text = f"{HEAD},Result,Bullhead\n{ONE},{word},\n{TWO},caught,2\n"
    result, _ = taken(store, tmp_path, text)
    outcomes = [] if result.records is None else result.records.placements["outcome"].tolist()
    assert (outcome is None) != ("lost" in outcomes)
    assert "disturbed" not in outcomes


def test_counts_said_twice_are_refused(store, tmp_path):
    """A mapping that gives both would write one number over all others."""
    (tmp_path / "s.csv").write_text(f"{HEAD},Species,P1,P2,Total\n{ONE},Bullhead,10,5,15\n")
    (tmp_path / "m.toml").write_text(
        '[placements]\nplacement_id = "Site"\nmethod = "Method"\nset_at = "Date"\n'
        '[catches]\nspecies = "Species"\ncount = "Total"\n[columns]\nP1 = { pass_no = 1 }\n'
    )
    sheets = read_sheets(files=[tmp_path / "s.csv"], mapping=tmp_path / "m.toml")
    assert "both say how many fish" in str(sheets.findings.refused[0])


def test_numbers_below_a_fish_that_is_not_listed_are_asked_for(store, tmp_path):
    """Chub is not in the list: its column may be left out, but never without a question."""
    text = f"{HEAD},Bullhead,Chub\n{ONE},3,7\n{TWO},1,0\n"
    _, asked = taken(store, tmp_path, text)
    assert "Whether fish are counted in Chub is not clear" in asked


def test_nothing_caught_is_not_said_beside_numbers_that_are_left_out(store, tmp_path):
    """Seven chub, which the list lacks, and no bullhead are no empty net."""
    text = f"{HEAD},Bullhead,Chub\n{ONE},0,7\n{TWO},1,0\n"
    result, asked = taken(store, tmp_path, text)
    assert result.records is None
    assert "Whether fish are counted in Chub is not clear" in asked


def test_a_fish_in_the_plural_is_that_fish(store, tmp_path):
    text = f"{HEAD},Perch,Eels\n{ONE},0,5\n{TWO},1,0\n"
    result, _ = taken(store, tmp_path, text)
    assert fish(result) == [(EEL, 5, 0, ""), ("Perca fluviatilis", 1, 0, "")]


def test_a_time_of_the_end_is_not_put_on_a_day_with_the_time_of_the_beginning(store, tmp_path):
    text = f"Site,Start,End,{HEAD[10:]},Bullhead\n"
    text += ONE.replace("2024-06-03", "2024-06-03 09:15,10:05") + ",3\n"
    result, asked = taken(store, tmp_path, text)
    assert days(result) == ["2024-06-03T09:15"]
    assert result.records.placements["lifted_at"].isna().all(), "not lifted when it was set"
    assert "which day the times in End" in asked


def test_days_that_a_workbook_writes_with_midnight_go_with_the_times_beside_them(store, tmp_path):
    at = [pd.Timestamp("2024-06-03"), pd.Timestamp("2024-06-04")]
    sheet = pd.DataFrame([one.split(",") for one in (ONE, TWO)], columns=HEAD.split(","))
    sheet["Date"], sheet["Bullhead"] = at, [3, 1]
    sheet["Time set"], sheet["Time lifted"] = dt.time(9, 15), dt.time(10, 5)
    # The default of pandas gives days a format with a time of day.
    sheet.to_excel(tmp_path / "odd.xlsx", index=False, engine="openpyxl")
    result, _ = taken(store, tmp_path, None, "odd.xlsx")
    assert days(result) == ["2024-06-03T09:15", "2024-06-04T09:15"]
    lifted = result.records.placements["lifted_at"].dt.tz_convert("Europe/Dublin")
    assert set(lifted.dt.strftime("%H:%M")) == {"10:05"}
