"""Times as people write them: read, placed in the survey's time zone, or answered with a remedy."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from typing import TYPE_CHECKING, Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from service.intake.wording import Wording, say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from layers.arrays import Objects
    from service.intake.findings import Cells, Findings

__all__ = ["DateOrder", "localise", "read_moment", "settled_dates", "shown_orders", "time_column"]

DateOrder = Literal["dmy", "mdy", "ymd"]

# Tried on whole columns first; what none of them fits is read one distinct text at a time.
_FORMATS: Final = ("%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S")
_SHAPE: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?", re.ASCII)
_SHAPES: Final = re.compile(rf"(?:{_SHAPE.pattern}\n)*", re.ASCII)
_CLOCK: Final = (
    r"(?:(?:[T ]|,\s*)\s*(?P<hour>\d{1,2})[:h](?P<minute>\d\d)"
    r"(?::(?P<second>\d\d)(?P<part>\.\d{1,9})?)?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?P<zone>Z|z|UTC|[+-]\d\d:?\d\d|[+-]\d\d)?)?"
)
_YEAR_FIRST: Final = re.compile(
    r"(?P<year>\d{4})(?P<mark>[-/.])(?P<month>\d{1,2})(?P=mark)(?P<day>\d{1,2})" + _CLOCK, re.ASCII
)
_YEAR_LAST: Final = re.compile(
    r"(?P<one>\d{1,2})(?P<mark>[-/.])(?P<two>\d{1,2})(?P=mark)(?P<year>\d{4})" + _CLOCK, re.ASCII
)
_NAMED: Final = re.compile(
    r"(?P<day>\d{1,2})\.?[ \-/](?P<name>[A-Za-z]{3,9})\.?[ \-/](?P<year>\d{4})" + _CLOCK, re.ASCII
)
_MONTH_NAMES: Final = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september",
    "october", "november", "december",
)  # fmt: skip
_MONTHS: Final = {"sept": 9} | {
    written: month
    for month, name in enumerate(_MONTH_NAMES, start=1)
    for written in (name[:3], name)
}
_EARLIEST_YEAR: Final = 1800
_ASK: Final = say("time_unclear.ask")
_LONGEST: Final = 60  # characters of a text that may still be a time
_NAME: Final = "[A-Za-z]{3,9}"
# Days of the week, Monday first, in seven languages; ma, di and do are two days each.
_WEEKDAYS: Final = (
    "mon monday mo montag ma maa maandag lu lun lundi lunes man mandag mån måndag",
    "tue tues tuesday di die dienstag din dinsdag ma mar mardi martes ti tir tirsdag tis tisdag",
    "wed wednesday mi mit mittwoch wo woe woensdag me mer mercredi mie mié miércoles on ons onsdag",
    "thu thur thurs thursday do don donnerstag donderdag je jeu jeudi ju jue jueves to tor torsdag",
    "fri friday fr freitag vr vri vrijdag ve ven vendredi vi vie viernes fre fredag",
    "sat saturday sa sam samstag samedi za zat zaterdag sab sáb sábado lø lør lørdag lö lör lördag",
    "sun sunday so son sonntag zo zondag di dim dimanche do dom domingo sø søn søndag sö söndag",
)
_DAYS: Final[dict[str, set[int]]] = {
    word: {day for day, words in enumerate(_WEEKDAYS) if word in words.split()}
    for word in " ".join(_WEEKDAYS).split()
}
# Mar 3, 2024 is in March.
WEEKDAY: Final = re.compile(
    rf"(?P<weekday>(?i:mar(?=[.,]?\s+\d+[-/.]\d)|(?!mar\b)(?:{'|'.join(_DAYS)})\b))[.,]?\s+"
)
"""A day of the week before a date; it must be that of the date."""
_DATE: Final = re.compile(
    rf"(?:{WEEKDAY.pattern})?(?P<date>(?P<one>[0-9]{{1,2}})(?P<mark>[-/.])(?P<two>[0-9]{{1,2}})(?P=mark)"
    r"(?P<year>[0-9]{4}))(?![0-9])(?P<rest>.*)",
)
_ORDERS: Final[tuple[DateOrder, ...]] = ("dmy", "mdy")
_OF_THE_CLOCK: Final = ("h", "hr", "hrs", "hours", "uhr", "local", "lt")  # no time zone
# Ways of writing that are clear to people, and the same said in a way that is read.
_REWRITTEN: Final = (
    (r"(.*\d{4}|\d{4}\S*\d)[T ,]+(\d{1,2})[.h]?(\d\d)h?", r"\1 \2:\3"),
    (r"(\d{4}-\d\d-\d\d)[T ]?(\d\d)(\d\d)h?", r"\1 \2:\3"),
    (r"(.*\d)[T ,]+(\d{1,2})\.(\d\d)\s*([ap])\.?m\.?", r"\1 \2:\3 \4m"),
    (r"(.*\d)[T ,]+(\d{1,2}) ?h", r"\1 \2:00"),
    (r"(.*\d)[T ,]+(\d{1,2})\s*([ap])\.?m\.?", r"\1 \2:00 \3m"),
    (r"(.*\d)[T ,]+(\d{1,2}):(\d)", r"\1 \2:0\3"),
    (r"(\d{4})(\d\d)(\d\d)(?:T?(\d\d):?(\d\d))?", r"\1-\2-\3 \4:\5"),
    (rf"({_NAME})\.? (\d{{1,2}})(?:st|nd|rd|th)?,? (\d{{4}})(.*)", r"\2 \1 \3\4"),
    (rf"(\d{{1,2}})(?:st|nd|rd|th) ({_NAME}),? (\d{{4}})(.*)", r"\1 \2 \3\4"),
)

_Read = tuple[dt.datetime, float | None, bool]  # clock time, offset from UTC [s], a day alone


class Moments:
    """Times of one column, still without a zone where the cell gave none.

    Attributes
    ----------
    wall
        n clock times as written, datetime64[us]; NaT where empty or refused.
    offset_s
        Offset from UTC in seconds as written; NaN where the cell gave none.
    day_only
        Whether the cell was a day without a time; `wall` is then its midnight.
    """

    def __init__(self, n: int) -> None:
        self.wall = np.full(n, "NaT", dtype="datetime64[us]")
        self.offset_s = np.full(n, np.nan)
        self.day_only = np.zeros(n, dtype=bool)

    def take(self, codes: NDArray[np.intp]) -> Moments:
        """Spread distinct moments over the rows that hold them."""
        spread = Moments(0)
        spread.wall, spread.offset_s = self.wall[codes], self.offset_s[codes]
        spread.day_only = self.day_only[codes]
        return spread


def read_moment(text: str, date_order: DateOrder | None = None, zone: str = "") -> _Read | Wording:
    """Read one time, or say why not.

    Parameters
    ----------
    text
        A stripped cell, not empty.
    date_order
        How dates such as 03/04/2024 are meant; without it they are refused.
    zone
        IANA time zone of the survey, for the advice; '' where it is not known.

    Returns
    -------
    tuple or Wording
        Clock time, offset from UTC in seconds or None, whether it is a day alone; or the remedy.

    Examples
    --------
    >>> read_moment("13/04/2024 08:10")
    (datetime.datetime(2024, 4, 13, 8, 10), None, False)
    >>> read_moment("2024-06-01T18:30+02:00")[1]
    7200.0
    >>> print(read_moment("03/04/2024"))
    may be 3 April or 4 March; write 2024-04-03 or 2024-03-04, or state the date order
    """
    fit = WEEKDAY.match(text)
    if fit:
        return _of_weekday(fit["weekday"], read_moment(text[fit.end() :], date_order, zone))
    fit = _YEAR_FIRST.fullmatch(text)
    if fit:
        return _moment(fit, int(fit["month"]), int(fit["day"]))
    fit = _YEAR_LAST.fullmatch(text)
    if fit:
        return _settle_order(fit, date_order)
    fit = _NAMED.fullmatch(text)
    if fit and fit["name"].lower() in _MONTHS:
        return _moment(fit, _MONTHS[fit["name"].lower()], int(fit["day"]))
    return _remedy(text, lambda other: _written(other, date_order), zone)


def _of_weekday(name: str, read: _Read | Wording) -> _Read | Wording:
    """Refuse a date, or the one that is offered, that falls on another day of the week."""
    sure = read
    if isinstance(read, Wording) and read.key == "time_unclear.write":
        sure = read_moment(str(read.parts["offered"]))
    if isinstance(sure, Wording) or sure[0].weekday() in _DAYS[name.casefold()]:
        return read
    return say("time_impossible.weekday", day=f"{sure[0]:%A}")


def _written(text: str, date_order: DateOrder | None) -> str | None:
    """Write a time as it is read, for advice; None where it cannot be."""
    read = read_moment(text, date_order)
    if isinstance(read, Wording):
        return str(read.parts["offered"]) if read.key == "time_unclear.write" else None
    wall, _, day_only = read
    return wall.date().isoformat() if day_only else wall.isoformat(timespec="minutes")


def _settle_order(fit: re.Match[str], order: DateOrder | None) -> _Read | Wording:
    one, two = int(fit["one"]), int(fit["two"])
    if order in ("dmy", "mdy"):
        day, month = (one, two) if order == "dmy" else (two, one)
        if month > 12:
            return say("time_impossible.month_by_order", month=month, order=order)
        return _moment(fit, month, day)
    if one > 12 or two > 12 or one == two:
        return _moment(fit, *((two, one) if two <= 12 else (one, two)))
    # The clock stays in what is offered: written in a hurry, a day alone would lose it.
    days, offered = [], []
    for day, month in ((one, two), (two, one)):
        days.append(f"{day} {_MONTH_NAMES[month - 1].title()}")
        whole = _moment(fit, month, day)
        if isinstance(whole, Wording):
            if "offered" not in whole.parts:
                return whole
            offered.append(str(whole.parts["offered"]))
        else:
            wall, _, day_only = whole
            clock = _clock_text(wall) + (fit["zone"] or "")
            offered.append(wall.date().isoformat() if day_only else clock)
    return say("time_unclear.order", day=days[0], other=days[1], offered=" or ".join(offered))


def shown_orders(texts: Iterable[str]) -> dict[str, dict[DateOrder, str]]:
    """Say which order the dates of a column show: one beyond 12, or by its day of the week.

    Dates with other marks between their numbers show nothing. A date of which the day of the week
    is wrong in both orders speaks for both.

    Returns
    -------
    dict
        By mark and order: the first text that shows it.
    """
    shown: dict[str, dict[DateOrder, str]] = {}
    for text in texts:
        fit = _DATE.fullmatch(text)
        if not fit or not (fit["weekday"] or max(int(fit["one"]), int(fit["two"])) > 12):
            continue
        orders = _orders_of(text[: fit.end("date")])
        if not orders and max(int(fit["one"]), int(fit["two"])) <= 12:
            orders = list(_ORDERS)
        elif len(orders) > 1:
            continue
        for order in orders:
            shown.setdefault(fit["mark"], {}).setdefault(order, text)
    return shown


def _orders_of(date: str) -> list[DateOrder]:
    """In which orders a date can be read."""
    return [order for order in _ORDERS if not isinstance(read_moment(date, order), Wording)]


def settled_dates(uniques: Objects) -> list[tuple[DateOrder, str, dict[int, str]]]:
    """Write dates of open order anew, where another date of the column shows the order.

    See `shown_orders`; a column that has dates of both orders shows nothing.

    Parameters
    ----------
    uniques
        Distinct cells of one column.

    Returns
    -------
    list
        By mark: the order, a date that shows it, and the new text by place in `uniques`.
    """
    if _SHAPES.fullmatch("\n".join(uniques) + "\n"):
        return []
    settled: list[tuple[DateOrder, str, dict[int, str]]] = []
    for mark, shows in shown_orders(uniques).items():
        order, shown_by = next(iter(shows.items()))
        became = {}
        for place, value in enumerate(uniques):
            fit = _DATE.fullmatch(value)
            one, two = (int(fit["one"]), int(fit["two"])) if fit else (0, 0)
            if not fit or fit["mark"] != mark or max(one, two) > 12 or one == two:
                continue
            day, month = (one, two) if order == "dmy" else (two, one)
            text = f"{fit['year']}-{month:02}-{day:02}{fit['rest']}"
            read = read_moment(text)
            sure = not isinstance(read, Wording) or read.key == "time_unclear.write"
            if sure and order in _orders_of(value[: fit.end("date")]):
                became[place] = text
        if became and len(shows) == 1:
            settled.append((order, shown_by, became))
    return settled


def spelt_times(uniques: Objects, date_order: DateOrder | None = None) -> dict[int, str]:
    """Write times anew that are written otherwise and can be only one, by place in `uniques`.

    Minutes of one digit stay: their 0 may be lacking before or behind it.
    """
    if _SHAPES.fullmatch("\n".join(uniques) + "\n"):
        return {}
    became = {}
    for place, value in enumerate(uniques):
        if not value or _YEAR_FIRST.fullmatch(value) or re.search(r"\d:\d(?!\d)", value):
            continue
        read = read_moment(value, date_order)
        if isinstance(read, Wording) and read.key == "time_unclear.write":
            became[place] = str(read.parts["offered"])
    return became


def _moment(fit: re.Match[str], month: int, day: int) -> _Read | Wording:
    year = int(fit["year"])
    if year < _EARLIEST_YEAR:
        return say("time_impossible.year", year=year, ask=_ASK)
    if not 1 <= month <= 12:
        return say("time_impossible.month", month=month, ask=_ASK)
    days = calendar.monthrange(year, month)[1]
    if not 1 <= day <= days:
        name = _MONTH_NAMES[month - 1].title()
        return say("time_impossible.day", month=name, year=year, days=days)
    if fit["hour"] is None:
        return dt.datetime(year, month, day), None, True  # noqa: DTZ001  wall-clock time
    hour, minute, second = int(fit["hour"]), int(fit["minute"]), int(fit["second"] or 0)
    if fit["half"]:
        if not 1 <= hour <= 12:
            return say("time_impossible.half_day", hour=hour, ask=_ASK)
        hour = hour % 12 + (12 if fit["half"].lower().startswith("p") else 0)
    if hour == 24 and minute == second == 0 and year < dt.MAXYEAR:
        after = dt.date(year, month, day) + dt.timedelta(days=1)
        return say("time_impossible.midnight", offered=f"{after}T00:00")
    if hour > 23 or minute > 59 or second > 59:
        return say("time_impossible.clock", ask=_ASK)
    micro = int(float(fit["part"] or 0) * 1e6)
    wall = dt.datetime(year, month, day, hour, minute, second, micro)  # noqa: DTZ001
    return _with_offset(wall, fit["zone"])


def _with_offset(wall: dt.datetime, zone: str | None) -> _Read | Wording:
    if not zone:
        return wall, None, False
    if zone in ("Z", "z", "UTC"):
        return wall, 0.0, False
    digits = zone[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        return say("time_impossible.offset")
    offset = (hours * 3600 + minutes * 60) * (-1 if zone[0] == "-" else 1)
    return wall, float(offset), False


def _remedy(text: str, written: Callable[[str], str | None], zone: str) -> Wording:
    """Say what to write instead of a text that is not read as a time.

    `written` writes a time anew if it can be read, to offer it; `zone` as for `read_moment`.
    """
    if len(text) > _LONGEST:
        return _ASK
    if re.fullmatch(r"\d{4,6}([.,]\d+)?", text, re.ASCII):
        return say("time_unclear.number")
    if re.match(r"\d{1,2}[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{2}(\D|$)", text, re.ASCII):
        return say("time_unclear.year")
    if text.startswith("="):
        return say("time_unclear.formula", ask=_ASK)
    if re.fullmatch(r"\d{1,2}[:.h]\d\d(:\d\d)?\s*([ap]\.?m\.?)?", text, re.IGNORECASE):
        return say("time_unclear.no_day", ask=_ASK)
    if re.fullmatch(rf"\d{{4}}[-/.]\d{{1,2}}|(\d{{1,2}}[-/. ]|{_NAME} )\d{{4}}|\d{{4}}", text):
        return say("time_unclear.day", ask=_ASK)
    fit = re.fullmatch(r"(.*\d{1,2}:\d\d(?::\d\d)?)\s*\(?([A-Za-z]{2,5})\)?", text)
    wall = written(fit[1]) if fit else None
    if fit and wall:
        return _named_zone(fit[2], wall, zone)
    for pattern, said in _REWRITTEN:
        fit = re.fullmatch(pattern, text, re.IGNORECASE | re.ASCII)
        offered = written(fit.expand(said).rstrip(" :")) if fit else None
        if offered:
            return say("time_unclear.write", offered=offered)
    return _ASK


def _named_zone(letters: str, wall: str, zone: str) -> Wording:
    """Answer a time with letters for its time zone, such as 18:30 MST.

    Letters mean different zones in different countries: they are only taken for an offset where
    the survey's own zone goes by them that year, or where they are GMT.
    """
    if letters.casefold() in _OF_THE_CLOCK:
        return say("time_unclear.write", offered=wall)
    moment = dt.datetime.fromisoformat(wall)
    called: dict[str | None, str] = {}
    here = say("time_unclear.survey_zone")
    if zone:
        year = [moment.replace(month=month, day=1, tzinfo=ZoneInfo(zone)) for month in (1, 7)]
        called = {one.tzname(): _with_its_offset(one)[-6:] for one in year}
        offsets = " or ".join(sorted(set(called.values())))
        here = say("time_unclear.clock_here", zone=zone, offsets=offsets)
    called["GMT"] = "+00:00"
    if letters.upper() in called:
        offered = wall + called[letters.upper()]
        return say("time_unclear.zone_meant", offered=offered, letters=letters, here=here)
    return say("time_unclear.zone", letters=letters, here=here)


def _clock_text(moment: dt.datetime) -> str:
    """Write a moment to the minute, or further where it has seconds."""
    exact = "auto" if moment.second or moment.microsecond else "minutes"
    return moment.isoformat(timespec=exact)


def _with_its_offset(moment: dt.datetime) -> str:
    """Write a moment with its offset; in UTC where that has seconds, as before standard time."""
    offset = moment.utcoffset() or dt.timedelta(0)
    if offset % dt.timedelta(minutes=1):
        moment = moment.astimezone(dt.UTC)
    return _clock_text(moment)


def time_column(
    cells: Cells,
    column: str,
    findings: Findings,
    date_order: DateOrder | None = None,
    zones: pd.Series | None = None,
) -> Moments:
    """Read a column of times; what cannot be understood is refused and comes back missing.

    `zones`, if given, are the time zones of the rows, missing where not known, for the advice.
    """
    text = cells.column(column)
    codes, uniques = pd.factorize(text.to_numpy(object))
    moments = Moments(len(uniques) + 1)
    moments.wall[:-1] = _usual(uniques)
    remedies: dict[str, Wording] = {}
    for place in np.flatnonzero(np.isnat(moments.wall[:-1])).tolist():
        value = uniques[place]
        if not value:
            continue
        read = read_moment(value, date_order)
        if isinstance(read, Wording):
            own = zones[text == value].unique().tolist() if zones is not None else []
            zone = own[0] if len(own) == 1 and isinstance(own[0], str) else ""
            again = read_moment(value, date_order, zone)
            remedies[value] = again if isinstance(again, Wording) else read
            continue
        wall, offset, day_only = read
        moments.wall[place] = np.datetime64(wall, "us")
        moments.offset_s[place] = np.nan if offset is None else offset
        moments.day_only[place] = day_only
    if remedies:
        findings.refuse(cells, text.isin(list(remedies)), column, remedies.__getitem__)
    return moments.take(codes)


def _usual(uniques: Objects) -> NDArray[np.datetime64]:
    """Read times in the usual forms, a whole column at once; others come back missing."""
    wall = np.full(len(uniques), "NaT", dtype="datetime64[us]")
    if _SHAPES.fullmatch("\n".join(uniques) + "\n"):
        rest = np.ones(len(uniques), dtype=bool)
    else:
        rest = np.fromiter((_SHAPE.fullmatch(v) is not None for v in uniques), bool, len(uniques))
    for form in _FORMATS:
        at = np.flatnonzero(rest & np.isnat(wall))
        if not len(at):
            break
        read = pd.to_datetime(pd.Index(uniques[at]), format=form, errors="coerce")
        wall[at] = read.to_numpy().astype("datetime64[us]")
    early = wall < np.datetime64(f"{_EARLIEST_YEAR}-01-01", "us")
    wall[early] = np.datetime64("NaT")
    return wall


def localise(
    moments: Moments,
    zones: pd.Series,
    cells: Cells,
    column: str,
    findings: Findings,
) -> pd.Series:
    """Place clock times in their zones and turn them into UTC.

    A clock time that came twice or never, at a change of the clocks, is refused. A day alone
    becomes the start of that day there.

    Returns
    -------
    Series of datetime64[us, UTC]
        Index of the sheet.
    """
    utc = moments.wall - np.nan_to_num(moments.offset_s).astype("timedelta64[s]")
    bare = np.isnan(moments.offset_s) & ~np.isnat(moments.wall)
    twice = np.zeros(len(utc), dtype=bool)
    never = np.zeros(len(utc), dtype=bool)
    codes, names = pd.factorize(zones.to_numpy(object))
    for code, zone in enumerate(names):
        at = np.flatnonzero(bare & (codes == code))
        if not len(at):
            continue
        wall = pd.DatetimeIndex(moments.wall[at])
        moved = wall.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
        exact = wall.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
        twice[at] = np.asarray(moved.isna())
        never[at] = np.asarray(exact.isna()) & ~twice[at]
        day = moments.day_only[at]
        if day.any():
            starts = wall[day].tz_localize(
                zone, ambiguous=np.ones(int(day.sum()), bool), nonexistent="shift_forward"
            )
            utc[at[day]] = _as_utc(starts)
        utc[at[~day]] = _as_utc(moved[~day])
    twice &= ~moments.day_only
    never &= ~moments.day_only
    odd = twice | never
    written = cells.column(column).to_numpy(object)
    for code, zone in enumerate(names):
        own = odd & (codes == code)
        if own.any():
            findings.refuse(cells, own, column, _offsets_of(ZoneInfo(zone), written, moments.wall))
    utc[twice | never] = np.datetime64("NaT")
    return pd.Series(utc, index=cells.frame.index).dt.tz_localize("UTC")


def _as_utc(times: pd.DatetimeIndex) -> NDArray[np.datetime64]:
    return times.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")


def _offsets_of(
    zone: ZoneInfo, written: Objects, walls: NDArray[np.datetime64]
) -> Callable[[str], Wording]:
    """Make the remedy of a value at a change of the clocks in this zone."""

    def remedy(value: str) -> Wording:
        wall = walls[int(np.argmax(written == value))].astype(dt.datetime)
        before, after = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        variant = "twice" if before.timestamp() < after.timestamp() else "never"
        old, new = _with_its_offset(before), _with_its_offset(after)
        return say(f"clock_changed.{variant}", zone=zone.key, old=old, new=new)

    return remedy
