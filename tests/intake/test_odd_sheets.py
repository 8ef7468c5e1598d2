"""Sheets that invite a wrong reading: right, or refused, with the suggestion taken unread.

Each was read otherwise once, or may be by the next change. What is right is written by hand.
"""

import datetime as dt

import openpyxl
import pandas as pd
import pytest

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake_sheets import CRS, NOW, settled

HEAD = "Site,Date,Method,Longitude,Latitude"
ONE = "Mill ford,2024-06-03,electric fishing,-11.2127,52.6000"
TWO = "Heron pool,2024-06-04,electric fishing,-11.2070,52.6120"


@pytest.fixture(scope="module")
def store(store_of_lists):
    return store_of_lists


def taken(store, folder, text, file="odd.csv", mend=str):
    """Check a sheet by its suggested mapping, as it is or mended; say what is asked too."""
    sheet, mapping = folder / file, folder / "m.toml"
    if isinstance(text, str):
        sheet.write_text(text, "utf-8")
    tables = read_tables(sheet, Findings())
    made = suggest(tables, store.species(), list(store.methods().index), CRS)
    assert made.text, made.open_questions
    mapping.write_text(mend(made.text), "utf-8")
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
        ("Trout 0+,Trout 1+,Trout total", "3,4,7", "1,0,1",
         [(TROUT, 1, 0, "0+"), (TROUT, 3, 0, "0+"), (TROUT, 4, 0, "1+")]),
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
        # A depth is no time of day.
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


@pytest.mark.parametrize("sign", ["x", "+"])
def test_a_sign_below_a_fish_is_seen_and_not_counted(store, tmp_path, sign):
    text = f"{HEAD},Bullhead,Eel\n{ONE},{sign},\n{TWO},{sign},2\n"
    result, _ = taken(store, tmp_path, text)
    own = result.records.catches[["species", "count_kind"]].to_numpy().tolist()
    assert own == [[BULL, "present"], [BULL, "present"], [EEL, "exact"]]
    assert [one.rows for one in result.readings if one.code == "present"] == [2]


@pytest.mark.parametrize("sign", [".", "few", "12 (3 dead)", "?"])
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
    assert [fault.remedy[:10] for fault in result.refused] == ["[open] End"]
    result, _ = taken(store, tmp_path, text, mend=settled)
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


def local(result, column):
    times = result.records.placements[column].dt.tz_convert("Europe/Dublin")
    return times.dt.strftime("%m-%dT%H:%M").tolist()


ONE_DATE = "Site,Date,Set,Lifted,Method,Longitude,Latitude,Minnow"
TRAP = "Mill ford,2024-06-30,{set},{lifted},{method},-11.2127,52.6000,3"


@pytest.mark.parametrize("method", ["minnow trap", "fyke net", "spotlight"])
def test_gear_that_fishes_by_night_is_lifted_on_the_next_day(store, tmp_path, method):
    """One date and two times of day: 18:30 to 08:15 can only end on the day after."""
    row = TRAP.format(set="21:30", lifted="08:15", method=method)
    result, _ = taken(store, tmp_path, f"{ONE_DATE}\n{row}\n")
    assert result.records is not None, result.refused
    assert (local(result, "set_at"), local(result, "lifted_at")) == (
        ["06-30T21:30"], ["07-01T08:15"],
    )  # fmt: skip
    said = [one for one in result.readings if one.code == "next_day"]
    assert [(one.column, one.rows) for one in said] == [("lifted_at", 1)]
    assert "2024-06-30 08:15" in str(said[0]) or "2024-06-30 08:15" in said[0].message


def test_a_lift_before_the_set_is_refused_where_it_may_be_an_error(store, tmp_path):
    """By day somebody wrote a time wrong; two dates say the days themselves."""
    row = TRAP.format(set="10:30", lifted="08:15", method="electric fishing")
    result, _ = taken(store, tmp_path, f"{ONE_DATE}\n{row}\n")
    assert [f.column for f in result.refused] == ["lifted_at"]
    head = "Site,Date set,Time set,Date lifted,Time lifted,Method,Longitude,Latitude,Minnow"
    row = "Mill ford,2024-06-30,21:30,2024-06-30,08:15,fyke net,-11.2127,52.6000,3"
    result, _ = taken(store, tmp_path, f"{head}\n{row}\n")
    assert [f.column for f in result.refused] == ["lifted_at"]


@pytest.mark.parametrize(
    ("header", "cells", "minutes"),
    [
        ("Duration (h:mm)", ("0:45", "1:20"), [45, 80]),
        ("Duration (h)", ("0:45", "1:20"), [45, 80]),
        ("Duration (mm:ss)", ("0:45", "5:30"), [0.75, 5.5]),
        ("Effort", ("0:45:00", "00:20:30"), [45, 20.5]),
        ("Dauer (hh:mm)", ("0:45", "11:20"), [45, 680]),
        ("Time fished", ("45 min", "1 h 15"), [45, 75]),
        ("Fischzeit", ("1h15", "2 h"), [75, 120]),
        ("Minuten", ("45", "20"), [45, 20]),
        ("Duration", ("90 s", "1.5 h"), [1.5, 90]),
        # Minutes and seconds, or hours and minutes.
        ("Duration", ("0:45", "1:20"), None),
        ("Effort", ("5:30", "3:00"), None),
        ("Duration", ("0:45", "1:20:00"), None),
        ("Duration", ("12:30", "14:20"), None),
        ("Minutes", ("5:30", "4:20"), None),
    ],
)
def test_how_long_it_took_is_read_or_asked_for(store, tmp_path, header, cells, minutes):
    one, two = cells
    text = f"{HEAD},{header},Bullhead\n{ONE},{one},3\n{TWO},{two},1\n"
    result, asked = taken(store, tmp_path, text)
    if minutes is None:
        assert header in asked
        assert [f.remedy.partition(":")[0] for f in result.refused] == [f"[open] {header}"]
        result, _ = taken(store, tmp_path, text, mend=settled)
        assert result.records.placements["minutes"].isna().all()
        return
    assert result.records is not None, result.refused
    assert result.records.placements["minutes"].round(6).tolist() == minutes
    colon = [one for one in result.readings if one.column == "minutes"]
    assert bool(colon) == any(not cell.isdigit() for cell in cells)


@pytest.mark.parametrize(
    ("unit", "header", "cells", "minutes"),
    [
        ("h:mm", "Duration", ("0:45", "1:20"), [45, 80]),
        ("min:s", "Duration", ("0:45", "95:30"), [0.75, 95.5]),
        ("min:s", "Duration", ("5:30", "3:00"), [5.5, 3]),
        # Five hours and a half in a spreadsheet may have been minutes and seconds.
        ("min:s", "Duration", (dt.time(5, 30), dt.timedelta(hours=25, minutes=30)), [5.5, 25.5]),
        ("h:mm", "Duration", (dt.time(5, 30), dt.timedelta(hours=25, minutes=30)), [330, 1530]),
        # What nobody says of plain numbers.
        ("s", "Effort", ("90", "120"), [1.5, 2]),
        ("min", "Effort", ("90", "120"), [90, 120]),
    ],
)
def test_a_duration_of_two_readings_is_settled_in_the_mapping_or_above_the_column(
    store, tmp_path, unit, header, cells, minutes
):
    """Both answers are in the mapping, each a line; on the page Import either is chosen."""
    rows = [[*row.split(","), cell, 3] for row, cell in zip((ONE, TWO), cells, strict=True)]
    sheet, mapping = tmp_path / "odd.xlsx", tmp_path / "m.toml"
    book = openpyxl.Workbook()
    for row in ([*HEAD.split(","), header, "Bullhead"], *rows):
        book.active.append(row)
    for row in book.active.iter_rows(min_row=2, min_col=6, max_col=6):
        over = isinstance(row[0].value, dt.timedelta)
        row[0].number_format = "[h]:mm:ss" if over else "h:mm"
    book.save(sheet)
    tables = read_tables(sheet, Findings())
    about = store.species(), list(store.methods().index), CRS
    open_ = suggest(tables, *about)
    assert any(header in question for question in open_.open_questions)
    key = (tables[0].file, header)
    chosen = suggest(tables, *about, open_.meant | {key: f"placements.minutes:{unit}"})
    assert not [question for question in chosen.open_questions if header in question]
    assert chosen.meant[key] == f"placements.minutes:{unit}"
    assert suggest(tables, *about, open_.meant).open_questions == open_.open_questions
    texts = [chosen.text]
    if ":" in unit:
        said = " ".join(open_.open_questions)
        assert "hours and minutes" in said
        assert "minutes and seconds" in said
        rule = f'minutes = {{ from = "{header}", unit = "{unit}" }}'
        assert f"# {rule}" in open_.text
        texts.append(settled(open_.text.replace(f"# {rule}", rule)))
    for text in texts:
        mapping.write_text(text, "utf-8")
        result = check(read_sheets(files=[sheet], mapping=mapping), store, now=NOW)
        assert result.records is not None, result.refused
        assert result.records.placements["minutes"].round(6).tolist() == minutes


def test_the_day_of_the_week_settles_the_order_of_dates(store, tmp_path):
    text = f"{HEAD},Bullhead\n{ONE},3\n{TWO},1\n"
    own = text.replace("2024-06-03", "Mo 03.06.2024").replace("2024-06-04", "Di 04.06.2024")
    result, asked = taken(store, tmp_path, own)
    assert days(result) == TWO_DAYS
    assert "month comes first" not in asked
    # 3 June and 6 March were no Friday.
    result, asked = taken(store, tmp_path, own.replace("Mo", "Fr"))
    assert result.records is None
    assert "month comes first" in asked


CLOCKS = "Site,Date,{},{},Method,Longitude,Latitude,Minnow"


@pytest.mark.parametrize(
    ("heads", "cells", "read"),
    [
        (("Time set", "Time lifted"), ("0830", "1015"), ("06-03T08:30", "06-03T10:15")),
        (("Start time", "End time"), (830, 1015), ("06-03T08:30", "06-03T10:15")),
        (("Uhrzeit von", "Uhrzeit bis"), ("0005", "2359"), ("06-03T00:05", "06-03T23:59")),
        (("Time (hhmm)", "Remark"), (830, "x"), ("06-03T08:30", None)),
        # No hour, no time of day, or perhaps how long it took.
        (("Time set", "Time lifted"), (45, 1015), None),
        (("Start time", "End time"), ("0860", "1015"), None),
        (("Time set", "Time lifted"), ("2400", "1015"), None),
        (("Time", "Remark"), (900, "x"), None),
    ],
)
def test_times_of_day_without_a_mark_are_read_where_the_header_says_so(
    store, tmp_path, heads, cells, read
):
    book = openpyxl.Workbook()
    book.active.append(CLOCKS.format(*heads).split(","))
    place = ["electric fishing", -11.2127, 52.6, 3]
    book.active.append(["Mill ford", "2024-06-03", *cells, *place])
    book.active.append(["Heron pool", "2024-06-03", 1015, cells[1], *place])
    book.save(tmp_path / "odd.xlsx")
    result, asked = taken(store, tmp_path, None, "odd.xlsx")
    if read is None:
        assert f"{heads[0]}: whether {cells[0]} is a time of day is not clear" in asked
        assert result.records is None or days(result) == ["2024-06-03T00:00"] * 2
        return
    assert result.records is not None, result.refused
    assert local(result, "set_at") == [read[0], "06-03T10:15"]
    assert read[1] is None or local(result, "lifted_at")[0] == read[1]
    assert [one.rows for one in result.readings if one.column == "set_at"] == [2]


def test_three_parts_below_minutes_and_seconds_are_refused(store, tmp_path):
    text = f"{HEAD},Duration (mm:ss),Bullhead\n{ONE},1:05:30,3\n{TWO},5:30,1\n"
    result, _ = taken(store, tmp_path, text)
    assert [(f.row, f.column) for f in result.refused] == [(2, "minutes")]


def test_a_duration_under_our_own_name_is_answered_with_both_readings(store, tmp_path):
    sheet = tmp_path / "placements.csv"
    head = "placement_id,survey,set_at,method,longitude,latitude,minutes,outcome"
    sheet.write_text(f"{head}\nA,S,2024-06-03,electric_fishing,-11.2127,52.6,5:30,nil\n", "utf-8")
    result = check(read_sheets(placements=sheet), store, now=NOW)
    (fault,) = result.refused
    assert "hours and minutes or minutes and seconds; write 330 or 5.5" in fault.remedy


@pytest.mark.parametrize(
    ("heads", "ones", "twos", "minutes"),
    [
        ("Effort 1 (h:mm),Effort 2 (h:mm)", "0:45,1:20", "0:30,", [125, 30]),
        ("Search time (mm:ss),Duration (mm:ss)", "5:30,4:45", "3:00,0:20", [10.25, 3 + 1 / 3]),
    ],
)
def test_durations_in_several_columns_are_summed(store, tmp_path, heads, ones, twos, minutes):
    text = f"{HEAD},{heads},Bullhead\n{ONE},{ones},3\n{TWO},{twos},1\n"
    result, asked = taken(store, tmp_path, text)
    assert result.records is not None, result.refused
    assert "not summed" not in asked
    own = result.records.placements["minutes"].tolist()
    assert own == pytest.approx(minutes)


def test_a_duration_in_words_has_a_decimal_comma(store, tmp_path):
    text = f"{HEAD},Dauer,Groppe\n{ONE},1#5 h,3\n{TWO},2 h,1\n".replace(",", ";").replace("#", ",")
    result, _ = taken(store, tmp_path, text.replace("Groppe", "Bullhead"))
    assert result.records.placements["minutes"].tolist() == [90, 120]


def test_degrees_below_a_word_for_west_are_west(store, tmp_path):
    head = "Site,Date,Method,{},Bullhead"
    row = "Mill ford,2024-06-03,electric fishing,{},3"
    for words in ("Westerlengte,Noorderbreedte", "Long W,Lat N", "westliche Länge,nördliche Breite",
                  "Longitude (°W),Latitude (°N)", "longitude ouest,latitude nord"):  # fmt: skip
        for degrees in ("11.2127,52.6000", "11° 12.762',52.6000"):
            text = f"{head.format(words)}\n{row.format(degrees)}\n"
            result, _ = taken(store, tmp_path, text)
            own = result.records.placements.iloc[0]
            assert round(own["original_x"], 6) == -11.2127, words
            assert own["original_y"] == 52.6
    text = f"{head.format('Westerlengte,Noorderbreedte')}\n{row.format('-11.2127,52.6000')}\n"
    result, _ = taken(store, tmp_path, text)
    assert result.records is None, "a minus in the west may be east"
    text = f"{head.format('Oosterlengte,Noorderbreedte')}\n{row.format('11.2127,52.6000')}\n"
    result, _ = taken(store, tmp_path, text)
    assert result.refused or result.records.placements.iloc[0]["original_x"] == 11.2127


def test_breite_is_a_latitude_beside_lange_alone(store, tmp_path):
    head, row = "Ort;Datum;Methode", "Mill ford;13.06.2024;Elektrobefischung"
    text = f"{head};Länge;Breite;Groppe\n{row};-11.2127;52.6000;3\n"
    result, _ = taken(store, tmp_path, text.replace("Groppe", "Bullhead"))
    assert result.records.placements.iloc[0]["original_y"] == 52.6
    text = f"{head};Longitude;Latitude;Breite (m);Bullhead\n{row};-11.2127;52.6000;3.5;3\n"
    result, _ = taken(store, tmp_path, text)
    own = result.records.placements.iloc[0]
    assert (own["original_y"], own["wetted_width_m"]) == (52.6, 3.5)


@pytest.mark.parametrize(
    ("header", "kind"),
    [("Fork length (cm)", "fork"), ("TL (cm)", "total"), ("Standard length (cm)", "standard"),
     ("Gaffellängd (cm)", "fork"), ("Totallänge (cm)", "total"), ("Taille (cm)", None)],
)  # fmt: skip
def test_a_header_says_how_fish_were_measured(store, tmp_path, header, kind):
    text = f"{HEAD},Species,{header}\n{ONE},Bullhead,6.1\n{TWO},Eel,41.5\n"
    result, _ = taken(store, tmp_path, text)
    lengths = result.records.lengths
    assert lengths["length_mm"].round(6).tolist() == [61, 415]
    assert set(lengths["length_type"].dropna()) == ({kind} if kind else set())


def test_minutes_of_passes_by_their_letter(store, tmp_path):
    text = f"{HEAD},T1 (min),T2 (min),Bullhead P1,Bullhead P2\n{ONE},12,9,5,2\n"
    result, _ = taken(store, tmp_path, text)
    own = result.records.placements.iloc[0]
    assert (own["minutes_pass_1"], own["minutes_pass_2"], own["passes"]) == (12, 9, 2)
    assert fish(result) == [(BULL, 2, 2, ""), (BULL, 5, 1, "")]


@pytest.mark.parametrize(
    ("cell", "kind"),
    [("env. 20", "estimate"), ("ungefähr 20", "estimate"), ("ongeveer 20", "estimate"),
     ("unos 20", "estimate"), ("cirka 20", "estimate"), ("plus de 20", "at_least"),
     ("minst 20", "at_least"), ("au moins 20", "at_least"), ("meer dan 20", "at_least")],
)  # fmt: skip
def test_about_and_at_least_in_other_languages(store, tmp_path, cell, kind):
    result, _ = taken(
        store, tmp_path, f"{HEAD},Species,Count\n{ONE},Bullhead,{cell}\n{TWO},Eel,1\n"
    )
    own = result.records.catches.set_index("species").loc[BULL]
    assert (own["count"], own["count_kind"]) == (20, kind)


def test_columns_of_fish_and_lengths_in_a_sheet_of_their_own_are_all_read(store, tmp_path):
    (tmp_path / "sets.csv").write_text(
        "Trap no,Site,Date,Gear,Lat,Long\nT1,Mill ford,2024-06-03,minnow trap,52.6,-11.2127\n"
    )
    (tmp_path / "fish.csv").write_text("Trap no,Species,Length (mm),Weight (g)\nT1,Minnow,61,2.5\n")
    files = [tmp_path / "sets.csv", tmp_path / "fish.csv"]
    tables = [table for path in files for table in read_tables(path, Findings())]
    made = suggest(tables, store.species(), list(store.methods().index), CRS)
    (tmp_path / "m.toml").write_text(made.text)
    result = check(read_sheets(files=files, mapping=tmp_path / "m.toml"), store, now=NOW)
    assert result.records.lengths["weight_g"].tolist() == [2.5]
    assert "unmapped_columns" not in set(result.flagged["code"])


def test_a_question_left_in_a_mapping_is_named_with_what_to_write(store, tmp_path):
    text = f"{HEAD},Species,Zzyx\n{ONE},Bullhead,4\n{TWO},Eel,12\n"
    result, asked = taken(store, tmp_path, text)
    (said,) = result.refused
    assert "[catches] count: a ? stands" in said.remedy
    assert "write the header of the column" in said.remedy
    assert "Zzyx" in asked
    text = f"{HEAD},Bullhead,Chub\n{ONE},3,7\n{TWO},0,2\n"
    result, asked = taken(store, tmp_path, text)
    assert "Chub" in asked
    assert "species list" in asked


UPPER = ",,,,,Pass 1,,Pass 2,,"
LOWER = f"{HEAD},Bullhead,Trout,Bullhead,Trout,Comments"
OF_PASSES = [(BULL, 2, 2, ""), (BULL, 5, 1, ""), (TROUT, 1, 1, ""), (TROUT, 3, 2, "")]


@pytest.mark.parametrize("title", ["", "Season 2024,,,,,,,,,\n"])
def test_names_of_groups_above_a_row_of_headers_are_part_of_them(store, tmp_path, title):
    text = f"{title}{UPPER}\n{LOWER}\n{ONE},5,1,2,3,clear\n"
    result, _ = taken(store, tmp_path, text)
    assert fish(result) == OF_PASSES
    assert result.records.placements["notes"].tolist() == ["clear"]


def test_groups_of_fish_above_passes_and_of_a_workbook(store, tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    page = book.active
    rows = [[], ["Bullhead and trout"], UPPER.split(","), LOWER.split(",")]
    for row in [*rows, [*ONE.split(","), 5, 1, 2, 3, "clear"]]:
        page.append([cell or None for cell in row] if row else [None])
    page.merge_cells("F3:G3")
    page.merge_cells("H3:I3")
    book.save(tmp_path / "odd.xlsx")
    result, _ = taken(store, tmp_path, None, "odd.xlsx")
    assert fish(result) == OF_PASSES
    text = f",,,,,Bullhead,,Trout,\n{HEAD},P1,P2,P1,P2\n{ONE},5,2,1,3\n"
    result, _ = taken(store, tmp_path, text)
    assert fish(result) == OF_PASSES


def test_a_header_that_stands_twice_is_named_by_its_own_row(tmp_path):
    findings = Findings()
    (tmp_path / "s.csv").write_text(
        f"Season 2024,,,,,,\nof the crew,,,,,,\n{HEAD},Eel,Eel\n{ONE},1,2\n"
    )
    assert read_tables(tmp_path / "s.csv", findings) == []
    assert [(fault.row, fault.column) for fault in findings.refused] == [(3, "Eel")]


@pytest.mark.parametrize(
    ("upper", "lower", "one"),
    [
        # The last group may be one column or two; the note may be anybody's.
        (",,,,,Pass 1,,,Pass 2,", f"{HEAD},Bullhead,Trout,Eel,Bullhead,Eel", "5,1,0,2,3"),
        (",,,,,2024,,2025,", f"{HEAD},Bullhead,Trout,Bullhead,Trout", "5,1,2,3"),
    ],
)
def test_groups_that_are_not_clear_are_not_guessed(store, tmp_path, upper, lower, one):
    (tmp_path / "odd.csv").write_text(f"{upper}\n{lower}\n{ONE},{one}\n")
    findings = Findings()
    tables = read_tables(tmp_path / "odd.csv", findings)
    if not tables:
        assert findings.refused
        return
    result, _ = taken(store, tmp_path, f"{upper}\n{lower}\n{ONE},{one}\n")
    if result.records is not None:
        assert fish(result) == [
            (EEL, 3, 2, ""), (BULL, 2, 2, ""), (BULL, 5, 1, ""), (TROUT, 1, 1, ""),
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("date", "moment"),
    [
        ("Mon 3 June 2024 9.15am", "2024-06-03T09:15"),
        ("Monday, 3 June 2024 09:15", "2024-06-03T09:15"),
        ("June 3, 2024 3pm", "2024-06-03T15:00"),
        ("20240603 0915", None),
        ("2024-06-03 0915", "2024-06-03T09:15"),
        ("2024-06-03 9h", "2024-06-03T09:00"),
        # It was no Sunday; and 9:5 may be five past or ten to ten.
        ("Sun 3 June 2024 9.15am", None),
        ("2024-06-03 9:5", None),
        ("3 June 24 9.15am", None),
    ],
)
def test_a_time_that_can_be_only_one_is_read(store, tmp_path, date, moment):
    row = ONE.replace("2024-06-03", f'"{date}"')
    result, _ = taken(store, tmp_path, f"{HEAD},Bullhead\n{row},3\n")
    if moment is None:
        assert {fault.column for fault in result.refused} == {"set_at"}
        return
    assert days(result) == [moment]
    said = [one.code for one in result.readings if one.column == "set_at"]
    assert said == ([] if ":" in date else ["time"])


def test_numbers_of_rows_without_a_header_are_left_out(store, tmp_path):
    text = f",{HEAD},Bullhead\n1,{ONE},3\n2,{TWO},1\n"
    result, _ = taken(store, tmp_path, text)
    assert fish(result) == [(BULL, 1, 0, ""), (BULL, 3, 0, "")]
    findings = Findings()
    (tmp_path / "odd.csv").write_text(text.replace("\n2,", "\n4,"))
    assert read_tables(tmp_path / "odd.csv", findings) == []
    assert findings.refused[0].code == "header_unclear"


def test_a_row_named_total_that_is_no_sum_stays_in(tmp_path):
    """Somebody's fish may have such a name; what is left out must be sums throughout."""
    for number, rows in (("4", 2), ("5", 3)):
        text = f"{HEAD},Bullhead,Eel\n{ONE},3,1\n{TWO},1,1\nTotal,,,,,{number},2\n"
        (tmp_path / "odd.csv").write_text(text.replace("Total,,,,,", "Total,0,0,0,0,"))
        (table,) = read_tables(tmp_path / "odd.csv", Findings())
        assert len(table.frame) == 3, number
        (tmp_path / "card.csv").write_text(
            f"Species,Run 1,Run 2\nBullhead,3,1\nTrout,1,1\nTotal,{number},2\n"
        )
        (table,) = read_tables(tmp_path / "card.csv", Findings())
        assert len(table.frame) == rows, number
