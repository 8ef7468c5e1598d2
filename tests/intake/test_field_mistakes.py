"""Mistakes of ordinary field sheets: each is told by row, column, value and a remedy that is right.

The remedies were written down by what the row must have meant; common practice, no source.
"""

import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.checks.fish_names import ListedNames
from service.intake.columns import SHEETS
from service.intake.numbers import remedy_for
from service.intake.times import read_moment
from service.intake.wording import Wording
from tests.intake_sheets import CATCHES, PLACEMENTS, cells, check_files, checked
from tests.intake_sheets import placements as placement


def the_fault(result, column):
    (fault,) = [one for one in result.refused if one.column == column]
    return fault


# What was written, and what the advice must hold; times read after it must be the same moment.
TIMES = [
    ("19:00", "without its day"),
    ("7.30 pm", "without its day"),
    ("2024-05-01 7pm", "write 2024-05-01T19:00"),
    ("2024-05-01 19.00", "write 2024-05-01T19:00"),
    ("2024-05-01T1900", "write 2024-05-01T19:00"),
    ("2024-5-1 9:5", "write 2024-05-01T09:05"),
    ("May 1, 2024 19:00", "write 2024-05-01T19:00"),
    ("1st May 2024", "write 2024-05-01"),
    ("20240501", "write 2024-05-01"),
    ("2024-05-01 24:00", "write 2024-05-02T00:00"),
    ("2024-12-31 24:00", "write 2025-01-01T00:00"),
    ("2024-05-01 19:00 BST", "leave BST out"),
    ("1/5/2024 19:00", "write 2024-05-01T19:00 or 2024-01-05T19:00, or state the date order"),
    ("1/5/2024 7:00 pm+02:00", "write 2024-05-01T19:00+02:00 or 2024-01-05T19:00+02:00"),
    ("1/5/2024", "write 2024-05-01 or 2024-01-05, or state the date order"),
    ("1/5/2024 24:00", "write 2024-05-02T00:00 or 2024-01-06T00:00"),
    ("1/5/2024 25:00", "no such time of day"),
    ("1/5/24 19:00", "four digits"),
    ("01-May-24 19:00", "four digits"),
    ("2024-05", "the day is missing"),
    ("May 2024", "the day is missing"),
    ("01.05.2024 19.00", "write 2024-05-01T19:00 or 2024-01-05T19:00, or state the date order"),
    ("yesterday", "2024-06-01T18:30"),
    ("45413.79", "format the cell"),
]


@pytest.mark.parametrize(("written", "said"), TIMES)
def test_times(written, said):
    """What is advised is read, and is the moment that was meant; in doubt nothing is offered."""
    read = read_moment(written)
    assert isinstance(read, Wording)
    remedy = read.text()
    assert said in remedy
    fit = re.search(r"write (\S+)$", remedy)
    if said.startswith("write ") and " or " not in said:
        assert fit
        assert fit[0] == said  # the whole moment, not its beginning
    assert not fit or not isinstance(read_moment(fit[1]), Wording)


@given(st.text(alphabet="0123456789-/. :,TtpamhZ+MayJune", max_size=25))
def test_any_time_is_read_or_answered(text):
    answer = read_moment(text.strip())
    assert answer is not None
    assert not isinstance(answer, Wording) or len(answer.text()) > 5


@given(st.text(max_size=90), st.sampled_from([c for own in SHEETS.values() for c in own]))
def test_any_text_among_numbers_is_answered(text, column):
    """Also thousands of digits, which Python would refuse to read."""
    assert len(remedy_for(text.strip() or "x", column).text()) > 5
    assert len(remedy_for("9" * 6_000 + "-" + "9" * 6_000 + "9", column).text()) > 5


# Row 3 is P2; its cells changed, the column that must be named, and what is said.
CELLS = [
    ({"longitude": "11.2127"}, "longitude", "west is negative"),
    ({"longitude": "350151", "latitude": "5831501"}, "longitude", "easting and northing"),
    ({"longitude": "52.6", "latitude": "-11.2127"}, "longitude", "exchange"),
    ({"latitude": "526.0"}, "latitude", "the longitude is within the area of use"),
    ({"latitude": "-52.6"}, "latitude", "with this latitude the place is not"),
    ({"longitude": "-112.127"}, "longitude", "check the numbers"),
    ({"latitude": ""}, "latitude", "give latitude too"),
    ({"latitude": "52 36 N"}, "latitude", "write 52.6"),
    ({"latitude": "52.600.127"}, "latitude", "may be 52.600127"),
    ({"outcome": "nothing"}, "outcome", "write nil if it fished properly"),
    ({"outcome": "0"}, "outcome", "write nil if it fished properly"),
    ({"outcome": "stolen"}, "outcome", "lost"),
    ({"minutes": "about 40"}, "minutes", "write 40"),
    ({"minutes": "ca 45 min"}, "minutes", "write 45 alone"),
    ({"minutes": "10 à 15 min"}, "minutes", "such as the middle, 12.5"),
    ({"minutes": "-40"}, "minutes", "above 0"),
    ({"lifts": "2 passes"}, "lifts", "a whole number"),
    ({"method": "kick nets"}, "method", "did you mean kick_net?"),
    ({"lifted_at": "11:40"}, "lifted_at", "without its day"),
    ({"lifted_at": "2024-05-02T10:40"}, "lifted_at", "lifted before it was set"),
]


@pytest.mark.parametrize(("changed", "column", "said"), CELLS)
def test_cells_of_a_placement(store, changed, column, said):
    """The row, the column at fault and the value as written stand in the message."""
    result = checked(store, placement(**changed))
    fault = the_fault(result, column)
    assert fault.row == 2
    assert said in fault.remedy
    told = changed[column]
    assert not told or told.split("°")[0] in fault.value


FISH = [
    ("none", "take the row out"),
    ("no catch", "take the row out"),
    ("eel", "Anguilla anguilla"),
    ("Loach", "Barbatula barbatula"),
    ("bulhead", "Cottus gobio"),
    ("lampreys", "Lampetra planeri"),
    ("Salmo trutta", "write Salmo, its genus"),
    ("salmo spp", "write Salmo, "),
    ("Salmo cf. trutta", "write Salmo, "),
    ("Samlo sp.", "write Salmo, "),
    ("Lampetra sp.", "load one of rank genus"),
    ("Loach sp.", "load one of rank genus or family"),
    ("Gasterosteus aculeatus", "not near any name in it"),
    ("Nosuch", "not near any name in it"),
    ("common", "not near any name in it"),
    ("Cottus gobio x Cottus poecilopus", "add hybrids there"),
    ("0", "take the row out"),
    ("", "neither a species nor a number stands here; take the row out"),
    ("eel larvae", "Anguilla anguilla of this name; larvae goes into the column life_stage"),
    ("Cottus gobio (juv.)", "write Cottus gobio; juv. goes into the column life_stage"),
    ("B. barbatula", "nearest: Barbatula barbatula"),
    ("Barbatula barbatula (L.)", "nearest: Barbatula barbatula"),
    # A larva taken to its genus is not of a species because the list knows only that one.
    ("Lampetra", "load one of rank genus"),
    ("Cyprinidae", "load one of rank family"),
]


@pytest.mark.parametrize(("written", "said"), FISH)
def test_names_of_fish(store, written, said):
    rows = cells(CATCHES).assign(species=[written, "Cottus gobio"])
    if not written:
        rows.loc[0, ["count", "count_kind"]] = ""
    fault = the_fault(checked(store, cells(PLACEMENTS), rows), "species")
    assert (fault.row, fault.value) == (2, written)
    assert said in fault.remedy


# Names that say less than a species, or another one, and the species that must not be offered.
WRONG = [
    ("Sculpin sp.", "Cottus gobio"),
    ("Loach sp.", "nearest: Barbatula"),
    ("Cottus perifretum", "nearest: Cottus"),
    ("Lampetra fluviatilis", "nearest: Lampetra"),
    ("Barbatula quignardi", "nearest: Barbatula"),
    ("Nosuch", "did you mean"),
    ("Comon goby", "did you mean"),
]


@pytest.mark.parametrize(("written", "unsaid"), WRONG)
def test_no_other_species_is_offered(store, written, unsaid):
    """None is better than a wrong one: it would be written in a hurry."""
    rows = cells(CATCHES).assign(species=[written, "Cottus gobio"])
    assert unsaid not in the_fault(checked(store, cells(PLACEMENTS), rows), "species").remedy


def test_a_vernacular_group_is_answered_with_its_genus_entry():
    """Sculpin sp. is of the genus that the list has for sculpins, not of its one species."""
    listed = pd.DataFrame(
        [
            ("Cottus bairdii", "Mottled sculpin", "Cottidae"),
            ("Salmo trutta", "Brown trout", "Salmonidae"),
            ("Barbatula barbatula", "Stone loach", "Nemacheilidae"),
            ("Cobitis taenia", "Spined loach", "Cobitidae"),
            ("Pomatoschistus microps", "Common goby", None),
            ("Cottus", "Sculpins", None),
            ("Salmonidae", None, None),
            ("Cobitis", None, None),
        ],
        columns=["species", "vernacular_name", "family"],
    ).set_index("species")
    answer, bare = ListedNames(listed).remedy, ListedNames(listed.head(5)).remedy

    def said(name):
        return answer(name).text()

    assert "for fish not taken further write Cottus, which it has" in said("Sculpin sp.")
    assert said("Sculpin") == (
        "give the scientific name; the list has Cottus bairdii of this name, and Cottus for fish "
        "not taken further"
    )
    # Two families go by loach: the one genus that is listed would be a guess.
    assert "write" not in said("Loach sp.")
    assert said("salmonids").startswith("write Salmonidae")
    assert said("sculpin fry").endswith("; fry goes into the column life_stage of the catch sheet")
    assert "further write Salmonidae, which it has, or load" in said("Salmo sp.")
    assert "Salmo trutta of this name, and Salmonidae for fish not taken" in said("trout")
    assert "Pomatoschistus" not in said("Nosuch")
    assert "further load one of rank genus or family" in bare("Sculpin sp.").text()


@pytest.mark.parametrize("unknown", ["P3", "P10"])
def test_ids_that_differ_in_a_number_are_not_offered(store, unknown):
    """Beside P1 and P2, P3 is a third one; p1 and P01 may be the first."""
    rows = cells(CATCHES).assign(placement_id=[unknown, "P1"])
    fault = the_fault(checked(store, cells(PLACEMENTS), rows), "placement_id")
    assert fault.remedy == "no such placement in the placement sheet"
    for alike in ("p1", "P01"):
        rows = cells(CATCHES).assign(placement_id=[alike, "P1"])
        fault = the_fault(checked(store, cells(PLACEMENTS), rows), "placement_id")
        assert fault.remedy.endswith("did you mean P1?")


def test_a_bad_northing_is_told_under_northing(store):
    """The easting is in its zone; the minus puts the place beyond the equator."""
    grid = {"longitude": "", "latitude": "", "easting": "350151", "crs": "EPSG:32629"}
    fault = the_fault(checked(store, placement(**grid, northing="-5829901")), "northing")
    assert (fault.value, fault.row) == ("-5829901", 2)
    assert "the easting is within" in fault.remedy


ROW_PER_CATCH = """placement_id,survey,method,set_at,longitude,latitude,outcome,\
water_temperature_c,scientificName,individualCount
P1,S24,kick_net,2024-05-02T11:00,-11.2127,52.6000,caught,{one},Cottus gobio,3
P1,S24,kick_net,2024-05-02T11:00,-11.2127,52.6000,caught,{two},Anguilla anguilla,1
P2,S24,kick_net,2024-05-02T13:00,-11.2127,52.6001,nil,14,,
"""


def test_a_sheet_with_a_row_for_each_catch_is_not_told_to_make_new_ids(store):
    """New ids would make three placements of two; the columns of the catch are named."""
    result = checked(store, cells(ROW_PER_CATCH.format(one=14, two=14)))
    faults = [fault for fault in result.refused if fault.column == "placement_id"]
    assert [fault.row for fault in faults] == [2, 3]
    assert {fault.remedy for fault in faults} == {
        (
            "rows 2, 3 give the same placement; keep one of them here, and put what was caught "
            "into the sheet of catches, a row for each species"
        )
    }
    (note,) = result.flagged.query("code == 'unknown_column'").itertuples()
    assert note.column == "scientificName, individualCount"
    assert note.message.startswith("What belongs in a sheet of catches is not taken from a sheet o")


def test_rows_of_one_id_that_differ_say_in_what(store):
    result = checked(store, cells(ROW_PER_CATCH.format(one=14, two=15)))
    faults = [fault for fault in result.refused if fault.column == "placement_id"]
    assert [fault.row for fault in faults] == [2, 3]
    assert all("which differ in water_temperature_c;" in fault.remedy for fault in faults)


def test_a_wrong_time_zone_hides_nothing_else(store, tmp_path):
    """Every other finding is told too; of what hangs on that zone nothing is said."""
    (tmp_path / "surveys.csv").write_text("survey,timezone\nS24,Europe/Dubln\n")
    text = PLACEMENTS.replace(",40,12,nil", ",forty,12,nil").replace("05-02T08", "05-04T23")
    result = check_files(store, tmp_path, text, CATCHES, surveys=tmp_path / "surveys.csv")
    assert {fault.column for fault in result.refused} == {"timezone", "minutes"}
    assert "did you mean Europe/Dublin" in the_fault(result, "timezone").remedy
    assert not len(result.flagged[result.flagged["row"] > 0])


def test_an_offset_is_not_taken_for_a_zone(store, tmp_path):
    """Etc/GMT+1 is west of Greenwich (POSIX signs, IANA tz database): it is never offered."""
    (tmp_path / "surveys.csv").write_text("survey,timezone\nS24,GMT+1\n")
    result = check_files(store, tmp_path, surveys=tmp_path / "surveys.csv")
    assert "Etc" not in the_fault(result, "timezone").remedy


def test_a_crs_without_its_colon(store):
    for written, said in (("epsg 4326", "write EPSG:4326"), ("EPSG 99999", "is unknown")):
        assert said in the_fault(checked(store, placement(crs=written)), "crs").remedy


def test_one_survey_in_two_spellings_is_told(store):
    result = checked(store, placement(survey=["Night walks", "night walks"]))
    notes = result.flagged.query("code == 'new_survey'")["message"]
    assert notes.str.contains("in these sheets would be another survey").all()
    assert len(notes) == 2


def test_an_approximate_count_is_not_told_to_be_left_as_exact(store):
    """An empty count_kind means exact."""
    rows = cells(CATCHES).assign(count_kind=["approx", "exact"])
    fault = the_fault(checked(store, cells(PLACEMENTS), rows), "count_kind")
    assert "leave the cell empty where every fish was counted" in fault.remedy


def test_a_day_and_a_time_among_others(store, tmp_path):
    """Of several days and times, those of setting are named."""
    text = PLACEMENTS.replace("set_at", "Date set", 1).replace("notes", "Time set", 1)
    text = text.replace("lifted_at", "Date lifted", 1).replace("outcome", "Lift time", 1)
    fault = the_fault(check_files(store, tmp_path, text, CATCHES), "set_at")
    assert 'set_at = { text = "{Date set} {Time set}" }' in fault.remedy


def test_a_day_and_a_time_in_two_columns(store, tmp_path):
    """The missing column says of which others it can be made."""
    text = PLACEMENTS.replace("set_at", "Date", 1).replace("notes", "Time", 1)
    fault = the_fault(check_files(store, tmp_path, text, CATCHES), "set_at")
    assert fault.row == 1
    assert 'set_at = { text = "{Date} {Time}" }' in fault.remedy
