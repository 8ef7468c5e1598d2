"""Times as people write them: read, placed in the survey's time zone, or answered with a remedy."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple
from unicodedata import combining, normalize
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from service.intake.columns import WORDS
from service.intake.wording import Wording, say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Objects
    from service.intake.findings import Cells

__all__ = [
    "BEFORE_DATE", "DateOrder", "localise", "read_moment", "settled_dates", "shown_orders",
    "spelt_times", "time_column",
]  # fmt: skip

DateOrder = Literal["dmy", "mdy", "ymd"]

# Read by whole columns first; what does not fit is read one distinct text at a time.
_SHAPE: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?", re.ASCII)
_SHAPES: Final = re.compile(rf"(?:{_SHAPE.pattern}\n)*", re.ASCII)
_CLOCK: Final = (
    r"(?:(?:(?P<iso>T)|[T ]|,\s*)\s*(?P<hour>\d{1,2})[:h](?P<minute>\d\d)"
    r"(?::(?P<second>\d\d)(?P<part>\.\d{1,9})?)?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
    # 09:00-09:30 is a beginning and an end; only behind a T or seconds a minus is of an offset.
    r"(?P<zone>\s*(?:Z|z|UTC|\+\d\d(?::?\d\d)?)|(?(iso)|(?(second)|(?!)))(?<!\s)-\d\d(?::?\d\d)?)?)?"
)
_OF_DAY: Final = r"\d{1,2}(?:[:.hu]\d\d(?::\d\d)?|[hu])?(?:\s*[ap]\.?m\.?)?"
_NAME: Final = "[A-Za-z]{3,10}"
_DATES: Final = tuple(
    re.compile(date + _CLOCK, re.ASCII)
    for date in (
        r"(?P<year>\d{4})(?P<mark>[-/.])(?P<month>\d{1,2})(?P=mark)(?P<day>\d{1,2})",
        r"(?P<one>\d{1,2})(?P<mark>[-/.])(?P<two>\d{1,2})(?P=mark)(?P<year>\d{4})",
        rf"(?P<day>\d{{1,2}})\.?[ \-/](?:de )?(?P<month>{_NAME})\.?[ \-/](?:de )?(?P<year>\d{{4}})",
    )
)
_MONTHS: Final = {
    word: month
    for month, words in enumerate(WORDS["calendar"]["months"], start=1)
    for name in (calendar.month_name[month], calendar.month_abbr[month])
    for word in (name.lower(), *words.split())
}
_EARLIEST_YEAR: Final = 1800
_ASK: Final = say("time_unclear.ask")
_LONGEST: Final = 60  # characters of a text that may still be a time
_WEEKDAYS: Final = [words.split() for words in WORDS["calendar"]["weekdays"]]
_DAYS: Final[dict[str, set[int]]] = {
    word: {day for day, words in enumerate(_WEEKDAYS) if word in words}
    for own in _WEEKDAYS
    for word in own
}
_ARTICLE: Final = r"(?:(?i:den|le|el|am)\s+)?"
# Mar 3, 2024 is in March.
_WEEKDAY: Final = re.compile(
    rf"{_ARTICLE}(?P<weekday>(?i:mar(?=[.,]?\s+\d+[-/.]\d)|(?!mar\b)(?:{'|'.join(_DAYS)})\b))"
    rf"[.,]?\s+{_ARTICLE}"
)
BEFORE_DATE: Final = rf"(?:{_WEEKDAY.pattern}|{_ARTICLE})"
"""What may stand before a date: a day of the week, which must be its own, or an article."""
# The day of the week shows in which order a date with a short year is written, or it is stated.
_SHORT_YEAR: Final = re.compile(
    rf"(?:{_WEEKDAY.pattern})?(?P<one>\d\d?)(?P<mark>[-/.])(?P<two>\d\d?)"
    r"(?P<last>(?P=mark)|-)(?P<three>\d\d)(?!\d)(?P<rest>.*)",
    re.ASCII,
)
_PIVOT: Final = 50  # from 1950 to 2049. Common practice, no source
_DATE: Final = re.compile(
    rf"{BEFORE_DATE}(?P<one>[0-9]{{1,2}})(?P<mark>[-/.])(?P<two>[0-9]{{1,2}})"
    r"(?:(?P=mark)|[ -])(?P<year>[0-9]{4})(?![0-9])(?P<rest>.*)",
)
_ORDERS: Final[tuple[DateOrder, ...]] = ("dmy", "mdy")
# A year behind a space, as in 19/8 2026; or the time of a day without year: 19/8 1830.
_SPACED: Final = re.compile(r"\d{1,2}[-/.]\d{1,2} (\d{4})(?!\d).*", re.ASCII)
_OF_THE_CLOCK: Final = ("h", "hr", "hrs", "hours", "uhr", "uur", "local", "lt")  # no time zone
# Ways of writing that are clear to people, and the same said in a way that is read.
_REWRITTEN: Final = tuple(
    (re.compile(written, re.IGNORECASE | re.ASCII), said)
    for written, said in (
        (r"(.*\d{4}|\d{4}\S*\d)[T ,]+(\d{1,2})[.hu]?(\d\d) ?(?:h|u|uur|uhr)?", r"\1 \2:\3"),
        (r"(\d{4}-\d\d-\d\d)[T ]?(\d\d)(\d\d)h?", r"\1 \2:\3"),
        (r"(.*\d)[T ,]+(\d{1,2})\.(\d\d)\s*([ap])\.?m\.?", r"\1 \2:\3 \4m"),
        (r"(.*\d)[T ,]+(?:kl\.?|klokken|klockan|um|om|at|an?|a las) ?(\d.*)", r"\1 \2"),
        (r"(.*\d)[T ,]+(?:kl\.?|klokken|klockan|um|om) ?(\d{1,2})", r"\1 \2:00"),
        (r"(.*\d)[T ,]+(\d{1,2}) ?(?:h|u|uur|uhr)", r"\1 \2:00"),
        (r"(.*\d)[T ,]+(\d{1,2}:\d\d) ?u", r"\1 \2"),
        (r"(.*\d)[T ,]+(\d{1,2})\s*([ap])\.?m\.?", r"\1 \2:00 \3m"),
        (r"(.*\d)[T ,]+(?:12 )?noon", r"\1 12:00"),
        (r"(.*\d)[T ,]+(\d{1,2}):(\d)", r"\1 \2:0\3"),
        (r"(\d{4})(\d\d)(\d\d)(?:T?(\d\d):?(\d\d))?", r"\1-\2-\3 \4:\5"),
        (r"(\d{1,2})([./-])(\d{1,2})[ -](\d{4})(?!\d)(.*)", r"\1\2\3\2\4\5"),
        (rf"({_NAME})\.? (\d{{1,2}})(?:st|nd|rd|th)?,? (\d{{4}})(.*)", r"\2 \1 \3\4"),
        (rf"(\d{{1,2}})(?:st|nd|rd|th) ({_NAME}),? (\d{{4}})(.*)", r"\1 \2 \3\4"),
    )
)

# Texts that are no time, and what is said of each.
_UNREAD: Final = tuple(
    (re.compile(pattern, re.IGNORECASE | re.ASCII), variant)
    for pattern, variant in (
        (rf"(.*\d)(?:[T ]|,\s*)\s*{_OF_DAY}\s*(?:[-–—]|to|bis|till?|tot|a)\s*{_OF_DAY}$", "span"),
        (r"\d{4,6}([.,]\d+)?$", "number"),
        (r"\d{1,2}([-/.])\d{1,2}\1\d{2}(\D|$)", "short_year"),
        (r"\d{1,2}[/.]\d{1,2}-\d{2}(\D|$)", "year_or_days"),
        (r"\d{1,2}[-/. ](\d{1,2}|[A-Z]{3,9})[-/. ]\d{2}(\D|$)", "year"),
        (r"=", "formula"),
        (r"\d{1,2}[:.hu]\d\d(:\d\d)?\s*([ap]\.?m\.?)?$", "no_day"),
        (rf"(\d{{4}}[-/.]\d{{1,2}}|(\d{{1,2}}[-/. ]|{_NAME} )\d{{4}})$", "day"),
    )
)

_Read = tuple[dt.datetime, float | None, bool]  # clock time, offset from UTC [s], a day alone
_Parts = dict[str, Any]


class Moments(NamedTuple):
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

    wall: NDArray[np.datetime64]
    offset_s: Floats
    day_only: Bools


def read_moment(text: str, date_order: DateOrder | None = None, zone: str = "") -> _Read | Wording:
    """Read one time from a stripped, filled cell, or say what to write instead.

    Dates such as 03/04/2024 are refused without a `date_order`; the time zone of the survey is for
    the advice, '' where it is not known.

    Examples
    --------
    >>> read_moment("13/04/2024 08:10")
    (datetime.datetime(2024, 4, 13, 8, 10), None, False)
    >>> read_moment("2024-06-01T18:30+02:00")[1]
    7200.0
    >>> print(read_moment("03/04/2024"))
    may be 3 April or 4 March; write 2024-04-03 or 2024-03-04, or state the date order
    """
    fit = _WEEKDAY.match(text)
    if fit:
        short = _SHORT_YEAR.fullmatch(text)
        if short and not _days_of_week(short):
            return say("time_impossible.weekday_short")
        return _of_weekday(fit["weekday"], read_moment(text[fit.end() :], date_order, zone))
    text = _without_accents(re.sub(rf"^{_ARTICLE}(?=\d)", "", text))
    for date in _DATES:
        parts = fit.groupdict() if (fit := date.fullmatch(text)) else {}
        if "one" in parts:
            return _settle_order(parts, date_order)
        month = _MONTHS.get(parts.get("month", "").lower(), parts.get("month", ""))
        if str(month).isdigit():
            return _moment(parts, int(month), int(parts["day"]))
    return _remedy(text, date_order, zone)


def _without_accents(text: str) -> str:
    if text.isascii():
        return text
    return "".join(one for one in normalize("NFD", text) if not combining(one))


def _of_weekday(name: str, read: _Read | Wording) -> _Read | Wording:
    """Refuse a date, or the one that is offered, that falls on another day of the week."""
    sure = [read]
    if isinstance(read, Wording) and "offered" in read.parts:
        sure = [read_moment(each) for each in str(read.parts["offered"]).split(" or ")]
    days = {f"{own[0]:%A}": own[0].weekday() for own in sure if not isinstance(own, Wording)}
    if not days or not _DAYS[name.casefold()].isdisjoint(days.values()):
        return read
    return say("time_impossible.weekday", day=" or a ".join(days))


def _settle_order(parts: _Parts, order: DateOrder | None) -> _Read | Wording:
    one, two = int(parts["one"]), int(parts["two"])
    if order in ("dmy", "mdy"):
        day, month = (one, two) if order == "dmy" else (two, one)
        if month > 12:
            return say("time_impossible.month_by_order", month=month, order=order)
        return _moment(parts, month, day)
    if one > 12 or two > 12 or one == two:
        return _moment(parts, *((two, one) if two <= 12 else (one, two)))
    days, offered = [], []
    for day, month in ((one, two), (two, one)):
        days.append(f"{day} {calendar.month_name[month]}")
        whole = _moment(parts, month, day)
        if isinstance(whole, Wording) and "offered" not in whole.parts:
            return whole
        offered.append(_as_read(whole))
    return say("time_unclear.order", day=days[0], other=days[1], offered=" or ".join(offered))


def _as_read(read: _Read | Wording) -> str:
    """Write a time that was read, or is offered, with all that it says: clock and offset too."""
    if isinstance(read, Wording):
        return str(read.parts["offered"])
    wall, offset, day_only = read
    if day_only:
        return wall.date().isoformat()
    if offset is not None:
        wall = wall.replace(tzinfo=dt.timezone(dt.timedelta(seconds=offset)))
    return _clock_text(wall)


def shown_orders(texts: Iterable[str]) -> dict[str, dict[DateOrder, str]]:
    """Say which order the dates of a column show: one beyond 12, or by its day of the week.

    Dates with other marks between their numbers show nothing. A date of which the day of the week
    is wrong in both orders speaks for both. Returns the first text that shows it, by mark and
    order.
    """
    shown: dict[str, dict[DateOrder, str]] = {}
    for text in texts:
        fit = _DATE.fullmatch(text)
        if not fit or not (fit["weekday"] or max(int(fit["one"]), int(fit["two"])) > 12):
            continue
        orders = _orders_of(fit)
        if not orders and max(int(fit["one"]), int(fit["two"])) <= 12:
            orders = list(_ORDERS)
        elif len(orders) > 1:
            continue
        for order in orders:
            shown.setdefault(fit["mark"], {}).setdefault(order, text)
    return shown


def _orders_of(fit: re.Match[str]) -> list[DateOrder]:
    """In which orders a date can be read; `fit` is of `_DATE`."""
    date = fit[0][: fit.end("two")] + fit["mark"] + fit["year"]
    return [order for order in _ORDERS if not isinstance(read_moment(date, order), Wording)]


def settled_dates(uniques: Objects) -> list[tuple[DateOrder, str, dict[int, str]]]:
    """Write dates of open order anew, where another date of the column shows the order.

    See `shown_orders`; a column that has dates of both orders shows nothing. Returns by mark the
    order, a date that shows it, and the new text by place in `uniques`.
    """
    if _SHAPES.fullmatch("\n".join(uniques) + "\n") or _clock_for_year(uniques):
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
            if sure and order in _orders_of(fit):
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
    spaced = _clock_for_year(uniques)
    whole_years = _years_in_full(uniques, date_order)
    for place, written in enumerate(uniques):
        value = whole_years.get(place, written)
        if not value or _SHAPE.fullmatch(written) or re.search(r"\d:\d(?!\d)", value):
            continue
        if spaced and _SPACED.fullmatch(value):
            continue
        read = read_moment(value, date_order)
        if isinstance(read, Wording) and read.key == "time_unclear.write":
            became[place] = str(read.parts["offered"])
        elif value != written and not isinstance(read, Wording):
            became[place] = value
    return became


def _years_in_full(uniques: Objects, date_order: DateOrder | None) -> dict[int, str]:
    """Write dates such as Tue 16/06/26, 16/6-26, or 16/06/26 in a stated order, in full, by place.

    The orders that give every such date with this mark its day of the week must agree on it.
    """
    fits = {
        n: fit
        for n, text in enumerate(uniques)
        if (fit := _SHORT_YEAR.fullmatch(text))
        and (fit["weekday"] or date_order or fit["last"] != fit["mark"])
        and not _may_be_days(fit)
    }
    days = {n: _days_of_week(fit) for n, fit in fits.items()}
    orders: dict[str, set[DateOrder]] = {}
    for n, own in days.items():
        stated = {date_order} if date_order else {*own}
        marks = fits[n]["mark"] + fits[n]["last"]
        orders[marks] = orders.get(marks, stated) & {*own}
    return {
        n: f"{agreed.pop()}{fit['rest']}"
        for n, fit in fits.items()
        if len(agreed := {days[n][order] for order in orders[fit["mark"] + fit["last"]]}) == 1
    }


def _may_be_days(fit: re.Match[str]) -> bool:
    """Whether a date such as 12/6-14 may be several days, the last of which stands at its end."""
    one, two, last = map(int, fit.group("one", "two", "three"))
    first = min((day for day, month in ((one, two), (two, one)) if month <= 12), default=31)
    return fit["last"] != fit["mark"] and first < last <= 31


def _days_of_week(fit: re.Match[str]) -> dict[DateOrder, dt.date]:
    """Dates by order in which a date with a short year has its day of the week, if it says one."""
    days: dict[DateOrder, dt.date] = {}
    orders = (*_ORDERS, "ymd") if fit["last"] == fit["mark"] else _ORDERS  # 12/6-26 ends in a year
    for order in orders:
        parts = dict(zip(order, map(int, fit.group("one", "two", "three")), strict=True))
        year = parts["y"] + (2000 if parts["y"] < _PIVOT else 1900)
        try:
            day = dt.date(year, parts["m"], parts["d"])
        except ValueError:
            continue
        if not fit["weekday"] or day.weekday() in _DAYS[fit["weekday"].casefold()]:
            days[order] = day
    return days


def _clock_for_year(uniques: Objects) -> bool:
    """Whether some cell such as 19/8 1830 shows that a time of day stands where a year may."""
    years = [int(fit[1]) for value in uniques if (fit := _SPACED.fullmatch(value))]
    return any(not 1960 <= year <= 2035 for year in years)


def _moment(parts: _Parts, month: int, day: int) -> _Read | Wording:
    year = int(parts["year"])
    if year < _EARLIEST_YEAR:
        return say("time_impossible.year", year=year, ask=_ASK)
    if not 1 <= month <= 12:
        return say("time_impossible.month", month=month, ask=_ASK)
    days = calendar.monthrange(year, month)[1]
    if not 1 <= day <= days:
        name = calendar.month_name[month]
        return say("time_impossible.day", month=name, year=year, days=days)
    if parts["hour"] is None:
        return dt.datetime(year, month, day), None, True  # noqa: DTZ001  wall-clock time
    hour, minute, second = int(parts["hour"]), int(parts["minute"]), int(parts["second"] or 0)
    if parts["half"]:
        if not 1 <= hour <= 12:
            return say("time_impossible.half_day", hour=hour, ask=_ASK)
        hour = hour % 12 + (12 if parts["half"].lower().startswith("p") else 0)
    if hour == 24 and minute == second == 0 and year < dt.MAXYEAR:
        after = dt.date(year, month, day) + dt.timedelta(days=1)
        return say("time_impossible.midnight", offered=f"{after}T00:00")
    if hour > 23 or minute > 59 or second > 59:
        return say("time_impossible.clock", ask=_ASK)
    micro = int(float(parts["part"] or 0) * 1e6)
    wall = dt.datetime(year, month, day, hour, minute, second, micro)  # noqa: DTZ001
    return _with_offset(wall, parts["zone"])


def _with_offset(wall: dt.datetime, zone: str | None) -> _Read | Wording:
    zone = (zone or "").strip()
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


def _remedy(text: str, date_order: DateOrder | None, zone: str) -> Wording:
    """Say what to write instead of a text that is not read as a time; see `read_moment`."""
    if len(text) > _LONGEST:
        return _ASK
    for pattern, variant in _UNREAD:
        if pattern.match(text):
            return say(f"time_unclear.{variant}", ask=_ASK)
    fit = re.fullmatch(r"(.*\d)[T ,]+(?:12 )?midnight", text, re.IGNORECASE | re.ASCII)
    day = read_moment(fit[1], date_order) if fit else _ASK
    if not isinstance(day, Wording) and day[2]:
        after = day[0] + dt.timedelta(days=1)
        return say("time_unclear.midnight", begins=_clock_text(day[0]), ends=_clock_text(after))
    fit = re.fullmatch(r"(.*\d{1,2}:\d\d(?::\d\d)?)\s*\(?([A-Za-z]{2,5})\)?", text)
    wall = read_moment(fit[1], date_order) if fit else _ASK
    if fit and (not isinstance(wall, Wording) or wall.key == "time_unclear.write"):
        return _named_zone(fit[2], _as_read(wall), zone)
    said = _ASK
    for written, anew in _REWRITTEN:
        fit = written.fullmatch(text)
        other = fit.expand(anew).rstrip(" :") if fit else text
        read = read_moment(other, date_order, zone) if other != text else _ASK
        if not isinstance(read, Wording) or read.key == "time_unclear.write":
            return say("time_unclear.write", offered=_as_read(read))
        said = read if said is _ASK else said
    return said


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
    cells: Cells, column: str, date_order: DateOrder | None = None, zones: pd.Series | None = None
) -> Moments:
    """Read a column of times; what cannot be understood is refused and comes back missing.

    `zones`, if given, are the time zones of the rows, missing where not known, for the advice.
    """
    text = cells.column(column)
    codes, uniques = pd.factorize(text.to_numpy(object))
    walls = np.append(_usual(uniques), np.datetime64("NaT", "us"))  # the last is of missing cells
    offsets, days = np.full(len(walls), np.nan), np.zeros(len(walls), dtype=bool)
    remedies: dict[str, Wording] = {}
    for place in np.flatnonzero(np.isnat(walls[:-1])).tolist():
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
        walls[place] = np.datetime64(wall, "us")
        offsets[place] = np.nan if offset is None else offset
        days[place] = day_only
    if remedies:
        cells.refuse(text.isin(list(remedies)), column, remedies.__getitem__)
    return Moments(walls[codes], offsets[codes], days[codes])


def _usual(uniques: Objects) -> NDArray[np.datetime64]:
    """Read times in the usual forms, a whole column at once; others come back missing."""
    usual: list[str | None] = uniques.tolist()
    if not _SHAPES.fullmatch("\n".join(uniques) + "\n"):
        usual = [text if _SHAPE.fullmatch(text) else None for text in uniques]
    read = pd.to_datetime(pd.Index(usual, dtype=object), format="ISO8601", errors="coerce")
    wall: NDArray[np.datetime64] = read.to_numpy().astype("datetime64[us]")
    wall[wall < np.datetime64(f"{_EARLIEST_YEAR}-01-01", "us")] = np.datetime64("NaT")
    return wall


def localise(moments: Moments, zones: pd.Series, cells: Cells, column: str) -> pd.Series:
    """Place clock times in their zones and turn them into UTC (datetime64[us, UTC]).

    A clock time that came twice or never, at a change of the clocks, is refused. A day alone
    becomes the start of that day there.
    """
    utc = moments.wall - np.nan_to_num(moments.offset_s).astype("timedelta64[s]")
    bare = np.isnan(moments.offset_s) & ~np.isnat(moments.wall)
    written = cells.column(column).to_numpy(object)
    codes, names = pd.factorize(zones.to_numpy(object))
    for code, zone in enumerate(names):
        at = np.flatnonzero(bare & (codes == code))
        wall = pd.DatetimeIndex(moments.wall[at])
        first = wall.tz_localize(
            zone, ambiguous=np.ones(len(at), dtype=bool), nonexistent="shift_forward"
        )
        once = wall.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
        utc[at] = first.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")
        odd = np.zeros(len(utc), dtype=bool)
        odd[at] = once.isna() & ~moments.day_only[at]
        if odd.any():
            cells.refuse(odd, column, _offsets_of(ZoneInfo(zone), written, moments.wall))
            utc[odd] = np.datetime64("NaT")
    return pd.Series(utc, index=cells.frame.index).dt.tz_localize("UTC")


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
