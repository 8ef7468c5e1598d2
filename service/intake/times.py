"""Times as people write them: read, placed in the survey's time zone, and refused where unsure."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from service.intake.time_remedies import ASK as _ASK
from service.intake.time_remedies import clock_text, offset_remedy, time_remedy

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from service.intake.findings import Cells, Findings

__all__ = ["DateOrder", "Moments", "localise", "read_moment", "time_column"]

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
_MONTHS: Final = {
    name: number
    for number, names in enumerate(
        (
            ("jan", "january"),
            ("feb", "february"),
            ("mar", "march"),
            ("apr", "april"),
            ("may",),
            ("jun", "june"),
            ("jul", "july"),
            ("aug", "august"),
            ("sep", "sept", "september"),
            ("oct", "october"),
            ("nov", "november"),
            ("dec", "december"),
        ),
        start=1,
    )
    for name in names
}
_EARLIEST_YEAR: Final = 1800


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


def read_moment(
    text: str, date_order: DateOrder | None = None, zone: str = ""
) -> tuple[dt.datetime, float | None, bool] | str:
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
    tuple or str
        Clock time, offset from UTC in seconds or None, whether it is a day alone; or the remedy.

    Examples
    --------
    >>> read_moment("13/04/2024 08:10")
    (datetime.datetime(2024, 4, 13, 8, 10), None, False)
    >>> read_moment("2024-06-01T18:30+02:00")[1]
    7200.0
    >>> read_moment("03/04/2024")
    'may be 3 April or 4 March; write 2024-04-03 or 2024-03-04, or state the date order'
    """
    fit = _YEAR_FIRST.fullmatch(text)
    if fit:
        return _moment(fit, int(fit["month"]), int(fit["day"]))
    fit = _YEAR_LAST.fullmatch(text)
    if fit:
        return _settle_order(fit, date_order)
    fit = _NAMED.fullmatch(text)
    if fit and fit["name"].lower() in _MONTHS:
        return _moment(fit, _MONTHS[fit["name"].lower()], int(fit["day"]))
    return time_remedy(text, lambda other: _written(other, date_order), zone) or _ASK


def _written(text: str, date_order: DateOrder | None) -> str | None:
    """Write a time as it is read, for advice; None where it cannot be."""
    read = read_moment(text, date_order)
    if isinstance(read, str):
        return None
    wall, _, day_only = read
    return wall.date().isoformat() if day_only else wall.isoformat(timespec="minutes")


def _settle_order(
    fit: re.Match[str], order: DateOrder | None
) -> tuple[dt.datetime, float | None, bool] | str:
    one, two = int(fit["one"]), int(fit["two"])
    if order in ("dmy", "mdy"):
        day, month = (one, two) if order == "dmy" else (two, one)
        if month > 12:
            return f"there is no month {month}; the date order was said to be {order}"
        return _moment(fit, month, day)
    if one <= 12 and two <= 12 and one != two:
        day_first, month_first = (
            dt.date(int(fit["year"]) or 1, month, day) for day, month in ((one, two), (two, one))
        )
        # The clock stays in what is offered: written in a hurry, a day alone would lose it.
        wholes = []
        for date in (day_first, month_first):
            whole = _moment(fit, date.month, date.day)
            if isinstance(whole, str):
                offered = whole.rpartition("; write ")[2]
                if offered == whole:
                    return whole
            else:
                wall, _, day_only = whole
                offered = str(date) if day_only else clock_text(wall) + (fit["zone"] or "")
            wholes.append(offered)
        return (
            f"may be {day_first.day} {day_first:%B} or {month_first.day} {month_first:%B}; "
            f"write {' or '.join(wholes)}, or state the date order"
        )
    return _moment(fit, *((two, one) if two <= 12 else (one, two)))


def _moment(
    fit: re.Match[str], month: int, day: int
) -> tuple[dt.datetime, float | None, bool] | str:
    year = int(fit["year"])
    if year < _EARLIEST_YEAR:
        return f"the year {year} cannot be; {_ASK}"
    if not 1 <= month <= 12:
        return f"there is no month {month}; {_ASK}"
    days = 31 if month == 12 else (dt.date(year, month + 1, 1) - dt.timedelta(days=1)).day
    if not 1 <= day <= days:
        return f"{dt.date(year, month, 1):%B} {year} has {days} days; give a date that exists"
    if fit["hour"] is None:
        return dt.datetime(year, month, day), None, True  # noqa: DTZ001  wall-clock time
    hour, minute, second = int(fit["hour"]), int(fit["minute"]), int(fit["second"] or 0)
    if fit["half"]:
        if not 1 <= hour <= 12:
            return f"there is no {hour} o'clock in half days; {_ASK}"
        hour = hour % 12 + (12 if fit["half"].lower().startswith("p") else 0)
    if hour == 24 and minute == second == 0 and year < dt.MAXYEAR:
        after = dt.date(year, month, day) + dt.timedelta(days=1)
        return f"midnight at the end of a day begins the next; write {after}T00:00"
    if hour > 23 or minute > 59 or second > 59:
        return f"there is no such time of day; {_ASK}"
    micro = int(float(fit["part"] or 0) * 1e6)
    wall = dt.datetime(year, month, day, hour, minute, second, micro)  # noqa: DTZ001
    return _with_offset(wall, fit["zone"])


def _with_offset(
    wall: dt.datetime, zone: str | None
) -> tuple[dt.datetime, float | None, bool] | str:
    if not zone:
        return wall, None, False
    if zone in ("Z", "z", "UTC"):
        return wall, 0.0, False
    digits = zone[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        return "no place on earth has this offset from UTC; give one such as +01:00"
    offset = (hours * 3600 + minutes * 60) * (-1 if zone[0] == "-" else 1)
    return wall, float(offset), False


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
    remedies: dict[str, str] = {}
    for place in np.flatnonzero(np.isnat(moments.wall[:-1])).tolist():
        value = uniques[place]
        if not value:
            continue
        read = read_moment(value, date_order)
        if isinstance(read, str):
            own = zones[text == value].unique().tolist() if zones is not None else []
            zone = own[0] if len(own) == 1 and isinstance(own[0], str) else ""
            remedies[value] = str(read_moment(value, date_order, zone))
            continue
        wall, offset, day_only = read
        moments.wall[place] = np.datetime64(wall, "us")
        moments.offset_s[place] = np.nan if offset is None else offset
        moments.day_only[place] = day_only
    if remedies:
        findings.refuse(cells, text.isin(list(remedies)), column, remedies.__getitem__)
    return moments.take(codes)


def _usual(uniques: NDArray[np.object_]) -> NDArray[np.datetime64]:
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
    zone: ZoneInfo, written: NDArray[np.object_], wall: NDArray[np.datetime64]
) -> Callable[[str], str]:
    """Make the remedy of a value at a change of the clocks in this zone."""

    def remedy(value: str) -> str:
        at = int(np.argmax(written == value))
        return offset_remedy(wall[at].astype(dt.datetime), zone)

    return remedy
