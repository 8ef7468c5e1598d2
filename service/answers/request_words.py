"""Words that people write for days, boxes and numbers, on the command line and in addresses."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from typing import TYPE_CHECKING

from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["read_box", "read_day", "read_number", "read_season", "read_several", "read_whole"]


def read_several(texts: Iterable[str]) -> tuple[str, ...]:
    """Read words that are given several times, or with commas between; each once.

    >>> read_several(["night, overnight", "day", "night"])
    ('night', 'overnight', 'day')
    """
    parts = (part.strip() for text in texts for part in text.split(","))
    return tuple(dict.fromkeys(part for part in parts if part))


def read_day(text: str, name: str, *, last: bool) -> dt.date:
    """Read a day, a month or a year; its first day, or its last; RequestError for anything else."""
    match = re.fullmatch(r"(\d{4})(?:-(\d{2}))?(?:-(\d{2}))?", text.strip(), re.ASCII)
    wrong = RequestError(f"{name} {text!r} is no day; write it as 2024-05-31, or a year as 2024.")
    if match is None:
        raise wrong
    year = int(match[1])
    month = int(match[2]) if match[2] else (12 if last else 1)
    try:
        if match[3]:
            return dt.date(year, month, int(match[3]))
        return dt.date(year, month, calendar.monthrange(year, month)[1] if last else 1)
    except ValueError:
        raise wrong from None


def read_season(text: str, name: str) -> tuple[tuple[int, int], tuple[int, int]]:
    """Read first and last day of a season, as month and day; RequestError for anything else."""
    match = re.fullmatch(r"(\d{2})-(\d{2}):(\d{2})-(\d{2})", text.strip(), re.ASCII)
    try:
        if match is None:
            raise ValueError
        days = [dt.date(2024, int(match[at]), int(match[at + 1])) for at in (1, 3)]  # a leap year
    except ValueError:
        raise RequestError(
            f"{name} {text!r} is no season; write its first and last day as 05-15:09-30."
        ) from None
    return (days[0].month, days[0].day), (days[1].month, days[1].day)


def read_box(text: str) -> tuple[float, float, float, float]:
    """Read west, south, east, north in degrees; with heights, which do not matter here.

    RequestError unless four or six numbers on the globe, south below north.
    """
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) == 6:
        numbers = [numbers[0], numbers[1], numbers[3], numbers[4]]
    if len(numbers) != 4:
        raise RequestError(
            f"bbox {text!r} is not four numbers; write west,south,east,north in degrees."
        )
    west, south, east, north = numbers
    if not (-180 <= west <= 180 and -180 <= east <= 180 and -90 <= south <= north <= 90):
        raise RequestError(
            f"bbox {text!r} does not lie on the globe; longitudes run from -180 to 180, "
            "latitudes from -90 to 90, south first."
        )
    return (west, south, east, north)


def read_whole(text: str, name: str, *, least: int) -> int:
    """Read a whole number from `least` up; RequestError for anything else."""
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII) or int(text) < least:
        raise RequestError(f"{name} {text!r} is no whole number from {least} up.")
    return int(text)


def read_number(text: str, name: str, *, least: float, most: float, unit: str = "degrees") -> float:
    """Read a number between two others; RequestError for anything else."""
    try:
        value = float(text)
    except ValueError:
        value = most + 1
    if not least <= value <= most:
        raise RequestError(f"{name} {text!r} is no number of {unit} from {least:g} to {most:.10g}.")
    return value
