"""What to write instead of a time that people write in their own way."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["ASK", "clock_text", "offset_remedy", "time_remedy"]

ASK: Final = "give a time such as 2024-06-01T18:30"
_LONGEST: Final = 60  # characters of a text that may still be a time
_NAME: Final = "[A-Za-z]{3,9}"
_OF_THE_CLOCK: Final = ("h", "hr", "hrs", "hours", "uhr", "local", "lt")  # no time zone
# Ways of writing that are clear to people, and the same said in a way that is read.
_REWRITTEN: Final = (
    (r"(.*\d{4}|\d{4}\S*\d)[T ,]+(\d{1,2})[.h](\d\d)h?", r"\1 \2:\3"),
    (r"(\d{4}-\d\d-\d\d)[T ]?(\d\d)(\d\d)h?", r"\1 \2:\3"),
    (r"(.*\d)[T ,]+(\d{1,2}) ?h", r"\1 \2:00"),
    (r"(.*\d)[T ,]+(\d{1,2})\s*([ap])\.?m\.?", r"\1 \2:00 \3m"),
    (r"(.*\d)[T ,]+(\d{1,2}):(\d)", r"\1 \2:0\3"),
    (r"(\d{4})(\d\d)(\d\d)(?:T?(\d\d):?(\d\d))?", r"\1-\2-\3 \4:\5"),
    (rf"({_NAME})\.? (\d{{1,2}})(?:st|nd|rd|th)?,? (\d{{4}})(.*)", r"\2 \1 \3\4"),
    (rf"(\d{{1,2}})(?:st|nd|rd|th) ({_NAME}),? (\d{{4}})(.*)", r"\1 \2 \3\4"),
)


def offset_remedy(wall: dt.datetime, zone: ZoneInfo) -> str:
    """Say how to write a clock time that came twice or never at a change of the clocks.

    Parameters
    ----------
    wall
        The clock time, without a zone.
    zone
        Where the clocks were changed.

    Examples
    --------
    >>> offset_remedy(dt.datetime(2024, 10, 27, 1, 30), ZoneInfo("Europe/Dublin"))
    'this clock time came twice in Europe/Dublin, as the clocks went back; write \
2024-10-27T01:30+01:00 for the first, or 2024-10-27T01:30+00:00 for the second'
    """
    before, after = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    old, new = _with_its_offset(before), _with_its_offset(after)
    if before.timestamp() < after.timestamp():
        return (
            f"this clock time came twice in {zone.key}, as the clocks went back; write {old} for "
            f"the first, or {new} for the second"
        )
    return (
        f"this clock time never came in {zone.key}, as the clocks went forward; write {old} if the "
        f"watch had not been put forward yet, {new} if it had been already, or correct the time"
    )


def clock_text(moment: dt.datetime) -> str:
    """Write a moment to the minute, or further where it has seconds."""
    exact = "auto" if moment.second or moment.microsecond else "minutes"
    return moment.isoformat(timespec=exact)


def _with_its_offset(moment: dt.datetime) -> str:
    """Write a moment with its offset; in UTC where that has seconds, as before standard time."""
    offset = moment.utcoffset() or dt.timedelta(0)
    if offset % dt.timedelta(minutes=1):
        moment = moment.astimezone(dt.UTC)
    return clock_text(moment)


def _named_zone(letters: str, wall: str, zone: str) -> str:
    """Answer a time with letters for its time zone, such as 18:30 MST.

    Letters mean different zones in different countries: they are only taken for an offset where
    the survey's own zone goes by them that year, or where they are GMT.
    """
    if letters.casefold() in _OF_THE_CLOCK:
        return f"write {wall}"
    moment = dt.datetime.fromisoformat(wall)
    called: dict[str | None, str] = {}
    if zone:
        year = [moment.replace(month=month, day=1, tzinfo=ZoneInfo(zone)) for month in (1, 7)]
        called = {one.tzname(): _with_its_offset(one)[-6:] for one in year}
    here = f"the clock of {zone} ({' or '.join(sorted(set(called.values())))})" if zone else ""
    called["GMT"] = "+00:00"
    if letters.upper() in called:
        said = f"write {wall}{called[letters.upper()]} if {letters} is meant"
        return f"{said}; leave it out if it is {here or 'the time zone of the survey'}"
    return (
        f"leave {letters} out if it is {here or 'the time zone of the survey'}; else write the "
        "offset from UTC in its place, a sign, hours and minutes"
    )


def time_remedy(text: str, written: Callable[[str], str | None], zone: str = "") -> str:
    """Say what to write instead of a text that is not read as a time; '' where nothing is known.

    Parameters
    ----------
    text
        A stripped cell.
    written
        Writes a time anew if it can be read, to offer it.
    zone
        IANA time zone of the survey; '' where it is not known.
    """
    if len(text) > _LONGEST:
        return ""
    if re.fullmatch(r"\d{4,6}([.,]\d+)?", text, re.ASCII):
        return "this is a number, perhaps of a spreadsheet day; format the cell as date and time"
    if re.match(r"\d{1,2}[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{2}(\D|$)", text, re.ASCII):
        return "give the year with four digits"
    if text.startswith("="):
        return f"this is a spreadsheet formula; {ASK}"
    if re.fullmatch(r"\d{1,2}[:.h]\d\d(:\d\d)?\s*([ap]\.?m\.?)?", text, re.IGNORECASE):
        return f"this is a time of day without its day; {ASK}"
    if re.fullmatch(rf"\d{{4}}[-/.]\d{{1,2}}|(\d{{1,2}}[-/. ]|{_NAME} )\d{{4}}|\d{{4}}", text):
        return f"the day is missing; {ASK}, or a day alone"
    fit = re.fullmatch(r"(.*\d{1,2}:\d\d(?::\d\d)?)\s*\(?([A-Za-z]{2,5})\)?", text)
    wall = written(fit[1]) if fit else None
    if fit and wall:
        return _named_zone(fit[2], wall, zone)
    for pattern, said in _REWRITTEN:
        fit = re.fullmatch(pattern, text, re.IGNORECASE | re.ASCII)
        offered = written(fit.expand(said).rstrip(" :")) if fit else None
        if offered:
            return f"write {offered}"
    return ""
