"""Times as people write them, placed in time zones."""

import datetime as dt
import re
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.findings import Cells, Findings
from service.intake.times import localise, read_moment, settled_dates, spelt_times, time_column
from service.intake.wording import Wording


def column(values, zone="Europe/Dublin", order=None):
    frame = pd.DataFrame({"set_at": values}, dtype="str")
    cells = Cells("placements", "f", frame, Findings())
    moments = time_column(cells, "set_at", order)
    zones = pd.Series(zone, index=frame.index)
    return localise(moments, zones, cells, "set_at"), cells.findings.refused


@pytest.mark.parametrize(
    ("text", "wall"),
    [
        ("2024-06-01T18:30", (2024, 6, 1, 18, 30)),
        ("2024-06-01 18:30:15", (2024, 6, 1, 18, 30, 15)),
        ("2024/6/1 8:30", (2024, 6, 1, 8, 30)),
        ("13/04/2024 08:10", (2024, 4, 13, 8, 10)),
        ("04/13/2024 08:10", (2024, 4, 13, 8, 10)),
        ("4.4.2024 08:10", (2024, 4, 4, 8, 10)),
        ("3 Apr 2024 17:05", (2024, 4, 3, 17, 5)),
        ("03-apr-2024 5:05 pm", (2024, 4, 3, 17, 5)),
        ("13/04/2024 12:10 am", (2024, 4, 13, 0, 10)),
    ],
)
def test_times_in_several_orders_are_read(text, wall):
    assert read_moment(text) == (dt.datetime(*wall), None, False)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("texts", "became"),
    [
        (["Mo 03.06.2024", "04.06.2024"], ["2024-06-03", "2024-06-04"]),
        (["Wed 03/06/2024 18:30"], ["2024-03-06 18:30"]),
        (["lör. 06.07.2024", "sö 07.07.2024"], ["2024-07-06", None]),
        (["mar 04/06/2024", "Mer 05/06/2024"], ["2024-06-04", "2024-06-05"]),
        (["So 10.11.2024", "09.12.2024"], ["2024-11-10", "2024-12-09"]),
        (["Mon 04/01/2024"], ["2024-04-01"]),
        (["Di 02.07.2024"], ["2024-07-02"]),
        # Each for another order, or for neither.
        (["vr 01-09-2023", "ma 01-09-2023"], [None, None]),
        (["Su 03.06.2024"], [None]),
        (["Fr 03.06.2024", "Di 04.06.2024"], [None, None]),
    ],
)
def test_a_day_of_the_week_settles_the_order(texts, became):
    """Days of the week as the calendar of Python has them; their names are common practice."""
    uniques = np.array(texts, dtype=object)
    found = {place: text for _, _, own in settled_dates(uniques) for place, text in own.items()}
    assert [found.get(place) for place in range(len(texts))] == became


@pytest.mark.parametrize(
    ("texts", "order", "became"),
    [
        (["31/5-26"], None, ["2026-05-31"]),
        (["31.5-26 18:30"], None, ["2026-05-31 18:30"]),
        (["8/6-05"], None, [None]),
        (["8/6-05"], "dmy", ["2005-06-08"]),
        (["31/5-98", "8/6-05"], None, ["1998-05-31", "2005-06-08"]),
        (["31/5-98", "5/31-98"], None, [None, None]),
        (["12/6-26"], "dmy", [None]),  # may be 12 to 26 June
        (["16/6-26"], None, [None]),
        (["Fri 12/6-26"], None, [None]),
        (["16/6/26"], None, [None]),  # may begin with its year
    ],
)
def test_a_year_behind_another_mark_is_read_where_it_means_one_day(texts, order, became):
    """Day, month and year as written in Sweden and Denmark; common practice, no source."""
    read = spelt_times(np.array(texts, dtype=object), order)
    assert [read.get(place) for place in range(len(texts))] == became


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("12/6-26", "may be a day and its year, or the first and the last of several days"),
        ("Do 01.06.2026", "which is a Monday or a Tuesday; check both"),
        ("Do 01.06.2026 18:30", "which is a Monday or a Tuesday; check both"),
        ("Mo 01.06.2026", "may be 1 June or 6 January"),
        ("Do 01.06.26", "the day of the week is that of no date that may be meant"),
        ("Do 13.06.2026", "which is a Saturday; check both"),
    ],
)
def test_a_date_that_is_not_read_is_answered_with_what_is_wrong(text, said):
    """1 June 2026 was a Monday, 6 January 2026 a Tuesday: the calendar of the standard library."""
    assert said in str(read_moment(text))


def test_a_day_of_the_week_that_fits_both_orders_settles_nothing():
    """All dates of a year of which both orders fall on one day of the week."""
    days = pd.date_range("2024-01-01", "2024-12-31")
    both = [d for d in days if d.day <= 12 and d.month < d.day
            and d.weekday() == d.replace(day=d.month, month=d.day).weekday()]  # fmt: skip
    assert both
    texts = [f"{day:%a %d/%m/%Y}" for day in both]
    assert settled_dates(np.array(texts, dtype=object)) == []
    assert all(isinstance(read_moment(text), Wording) for text in texts)


@pytest.mark.parametrize("order", ["dmy", "mdy"])
def test_a_stated_order_settles_an_ambiguous_date(order):
    day, month = (3, 4) if order == "dmy" else (4, 3)
    assert read_moment("03/04/2024 10:00", order)[0] == dt.datetime(2024, month, day, 10)  # noqa: DTZ001
    assert isinstance(read_moment("03/04/2024 10:00"), Wording)
    assert isinstance(read_moment("03/04/2024 10:00", "ymd"), Wording)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("04/13/2024", "there is no month 13"),
        ("2024-13-01", "no month 13"),
        ("2023-02-29", "28 days"),
        ("2024-06-01T24:00", "write 2024-06-02T00:00"),
        ("2024-06-01T24:10", "no such time"),
        ("2024-06-01T10:61", "no such time"),
        ("1.6.24", "four digits"),
        ("45383.5", "spreadsheet day"),
        ("45383", "spreadsheet day"),
        ("0000-01-01", "cannot be"),
        ("2024-06-01T10:00+15:00", "no place on earth"),
        ("noon", "give a time such as"),
        ("=NOW()", "formula"),
    ],
)
def test_times_that_cannot_be_say_why(text, said):
    assert said in read_moment(text, "dmy").text()


def test_offsets_and_zones_come_to_the_same_moment():
    """Irish summer time is UTC+1; the offset in the cell goes before the survey's zone."""
    read, refused = column(
        ["2024-06-01T18:30", "2024-06-01T18:30+01:00", "2024-06-01T17:30Z", "2024-06-01T23:00+0530"]
    )
    assert not refused
    assert read.nunique() == 1


def test_clock_times_that_came_twice_or_never_are_refused():
    """Clocks in Ireland went back on 27 October and forward on 31 March 2024 (EU 2000/84/EC)."""
    read, refused = column(
        ["2024-10-27T01:30", "2024-03-31T01:30", "2024-10-27T01:30+01:00", "2024-10-27T02:30"]
    )
    assert [(fault.row, fault.value) for fault in refused] == [
        (0, "2024-10-27T01:30"),
        (1, "2024-03-31T01:30"),
    ]
    assert read.notna().tolist() == [False, False, True, True]


# The two offsets of each zone at that change of its clocks, IANA tz database (from memory).
CHANGES = [
    ("2024-10-27T01:30", "Europe/Dublin", "went back", "+01:00", "+00:00"),
    ("2024-03-31T01:30", "Europe/Dublin", "went forward", "+00:00", "+01:00"),
    ("2024-11-03 01:30", "America/Denver", "went back", "-06:00", "-07:00"),
    ("2024-03-10 02:30", "America/Denver", "went forward", "-07:00", "-06:00"),
    ("2024-04-07T02:15", "Australia/Lord_Howe", "went back", None, None),
    ("2024-04-07T01:45", "Australia/Lord_Howe", "went back", "+11:00", "+10:30"),
]


@pytest.mark.parametrize(("written", "zone", "why", "first", "second"), CHANGES)
def test_a_change_of_the_clocks_is_told_with_the_offsets_of_that_zone(
    written, zone, why, first, second
):
    """Both that are offered are read, and one hour (there: half an hour) apart."""
    read, refused = column([written], zone=zone)
    if first is None:  # half an hour after the change: this clock time came once
        assert not refused
        return
    (fault,) = refused
    assert f"{zone}, as the clocks {why}" in fault.remedy
    offered = re.findall(r"\d{4}-\d\d-\d\dT[\d:]+[+-]\d\d:\d\d", fault.remedy)
    wall = written.replace(" ", "T")
    assert offered == [wall + first, wall + second]
    read, refused = column(offered, zone=zone)
    assert not refused
    apart = abs(read.iloc[1] - read.iloc[0])
    assert apart == pd.Timedelta(minutes=30 if "Howe" in zone else 60)


@pytest.mark.parametrize(
    ("written", "zone", "said"),
    [
        ("2024-06-01 18:30 MST", "America/Denver", "write 2024-06-01T18:30-07:00 if MST is meant"),
        ("2024-06-01 18:30 MDT", "America/Denver", "write 2024-06-01T18:30-06:00 if MDT is meant"),
        ("2024-06-01 18:30 GMT", "America/Denver", "write 2024-06-01T18:30+00:00 if GMT is meant"),
        ("2024-06-01 18:30 MST", "America/Denver", "America/Denver (-06:00 or -07:00)"),
        ("2024-06-01 18:30 BST", "Europe/Dublin", "leave BST out if it is the clock of Europe/D"),
        ("2024-06-01 18:30 BST", "UTC", "leave BST out if it is the time zone of the survey"),
        ("2024-06-01 18:30 Uhr", "Europe/Dublin", "write 2024-06-01T18:30"),
    ],
)
def test_letters_for_a_zone_are_answered_with_what_the_survey_s_zone_has(written, zone, said):
    """Daylight time of the Rocky Mountains is UTC-6, standard time UTC-7; elsewhere nothing."""
    remedy = read_moment(written, None, "" if zone == "UTC" else zone).text()
    assert said in remedy
    assert "+01:00" not in remedy or zone == "Europe/Dublin"


@pytest.mark.parametrize(
    "written",
    [
        "2026-06-01 09:00-09:30", "15.06.2026 10:00-11:00", "2026-06-01 10:00-11",
        "2026-06-01 22:00-23:00", "2026-06-01 22:00 \u2013 23:00", "2026-06-01 22:00 -07:00",
        "2026-06-01T09:00 - 09:30", "Mon 15/06/2026 9.00-9.30", "3 June 2026 9am to 10am",
    ],
)  # fmt: skip
def test_two_times_of_day_are_no_offset_from_utc(written):
    read, refused = column([written])
    assert read.isna().all()
    assert "a beginning and an end" in refused[0].remedy


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        ("2026-06-01T22:00-11:00", "2026-06-02T09:00Z"),
        ("2026-06-01 22:00:00-07:00", "2026-06-02T05:00Z"),
        ("2026-06-01 18:30+02:00", "2026-06-01T16:30Z"),
    ],
)
def test_an_offset_as_programs_write_it_is_read(written, utc):
    """Offsets as ISO 8601 writes them; a plus divides no two times."""
    read, refused = column([written])
    assert not refused
    assert read.iloc[0] == pd.Timestamp(utc)


def test_a_day_alone_is_the_start_of_that_day_there():
    """Also where the clocks went forward at midnight: Beirut, 31 March 2024."""
    read, _ = column(["2024-06-01"], zone="America/Denver")
    assert read.iloc[0] == pd.Timestamp("2024-06-01T06:00Z")
    read, refused = column(["2024-03-31"], zone="Asia/Beirut")
    assert not refused
    assert read.iloc[0] == pd.Timestamp("2024-03-30T22:00Z")


@given(st.text(max_size=25))
def test_any_text_gives_a_moment_or_a_remedy(text):
    read = read_moment(text)
    assert isinstance(read, Wording) or read[0].year >= 1800


@given(
    st.lists(
        st.text(alphabet="0123456789-/:.T Z+", min_size=8, max_size=20), min_size=1, max_size=20
    )
)
def test_a_column_reads_as_its_cells_do(texts):
    """The fast way through whole columns is the plain one, cell by cell."""
    texts = [text.strip() for text in texts]
    frame = pd.DataFrame({"set_at": texts}, dtype="str")
    moments = time_column(Cells("placements", "f", frame, Findings()), "set_at")
    for place, text in enumerate(texts):
        alone = read_moment(text) if text else None
        if alone is None or isinstance(alone, Wording):
            assert np.isnat(moments.wall[place])
        else:
            assert moments.wall[place] == np.datetime64(alone[0], "us")


@given(
    st.datetimes(
        min_value=dt.datetime.fromisoformat("1900-01-01"),
        max_value=dt.datetime.fromisoformat("2099-12-31"),
    ),
    st.sampled_from(["Europe/Dublin", "America/Denver", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_local_times_agree_with_the_standard_library(wall, zone):
    """Python's zoneinfo is the second way; a fold or gap there is a refusal here."""
    wall = wall.replace(second=0, microsecond=0)
    read, refused = column([wall.isoformat(timespec="minutes")], zone=zone)
    early = wall.replace(tzinfo=ZoneInfo(zone), fold=0)
    late = wall.replace(tzinfo=ZoneInfo(zone), fold=1)
    if early.utcoffset() != late.utcoffset():
        assert len(refused) == 1
    else:
        assert read.iloc[0].to_pydatetime() == early.astimezone(dt.UTC)
