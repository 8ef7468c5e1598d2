"""What to write instead of a time that people write in their own way."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["ASK", "time_remedy"]

ASK: Final = "give a time such as 2024-06-01T18:30"
_LONGEST: Final = 60  # characters of a text that may still be a time
_NAME: Final = "[A-Za-z]{3,9}"
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


def time_remedy(text: str, written: Callable[[str], str | None]) -> str:
    """Say what to write instead of a text that is not read as a time; '' where nothing is known.

    Parameters
    ----------
    text
        A stripped cell.
    written
        Writes a time anew if it can be read, to offer it.
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
    if fit and written(fit[1]):
        return (
            f"leave {fit[2]} out if it is the survey's time zone, else give the offset from UTC in "
            f"its place, as in {written(fit[1])}+01:00"
        )
    for pattern, said in _REWRITTEN:
        fit = re.fullmatch(pattern, text, re.IGNORECASE | re.ASCII)
        offered = written(fit.expand(said).rstrip(" :")) if fit else None
        if offered:
            return f"write {offered}"
    return ""
