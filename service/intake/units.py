"""Units as people write them above columns and behind numbers, and what they are in ours."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from service.intake.columns import WORDS

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = [
    "CLOCK",
    "STOPWATCH",
    "canonical_unit",
    "converted",
    "duration_parts",
    "in_ours",
    "known_units",
    "minutes_of",
    "rewriting",
]

# Factor and offset from another unit to ours. Exact by definition (SI brochure; international
# yard and pound; degree Fahrenheit).
_UNITS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "min": {"s": (1 / 60, 0), "h": (60, 0), "d": (1440, 0)},
    "mm": {"cm": (10, 0), "m": (1000, 0), "in": (25.4, 0)},
    "m": {"cm": (0.01, 0), "km": (1000, 0), "ft": (0.3048, 0), "yd": (0.9144, 0)},
    "m²": {"ha": (10_000, 0), "ft²": (0.09290304, 0)},
    "g": {"mg": (0.001, 0), "kg": (1000, 0), "oz": (28.349523125, 0)},
    "°C": {"°F": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "µS/cm": {"mS/cm": (1000, 0), "S/m": (10_000, 0)},
    "mg/l": {"g/m³": (1, 0)},
    "m/s": {"cm/s": (0.01, 0), "km/h": (1 / 3.6, 0)},
}
CLOCK: Final = "h:mm"
"""Hours and minutes, and seconds behind them where they stand, as 1:20."""
STOPWATCH: Final = "min:s"
"""Minutes and seconds, as 1:20."""
_OF_TEXT: Final = {"min": (CLOCK, STOPWATCH), "degrees": ("°W", "°S", "°N", "°E")}  # no factor
_SPELLINGS: Final[dict[str, str]] = {
    word: unit for unit, own in WORDS["units"].items() for word in own
}
_DURATION: Final = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_PARTS: Final = re.compile(r"(?:(\d+(?:[.,]\d+)?)\s*([^\W\d_]+\.?|['′’\"″”])?\s*)", re.ASCII)
# Behind a number alone; above a column they may be a time of day, or inches.
_IN_CELLS: Final = {word: unit for unit, own in WORDS["units_in_cells"].items() for word in own}
_HALF_HOUR: Final[list[str]] = WORDS["amounts"]["half_an_hour"]
_MINUTES: Final = {"h": 60.0, "min": 1.0, "s": 1 / 60}
_LETTER: Final = re.compile(r"[NSEW]", re.IGNORECASE)


def known_units(unit: str) -> list[str]:
    """All units of a column in this one."""
    return [unit, *_UNITS.get(unit, {}), *_OF_TEXT.get(unit, ())]


def duration_parts(text: str) -> list[int]:
    """Give the two or three numbers of a duration, as 1:20 or 0:45:00; none where it is none."""
    fit = _DURATION.fullmatch(text)
    return [int(part) for part in fit.groups() if part] if fit else []


def minutes_of(text: str) -> float | None:
    """Read a duration in several units, the last of which may be left out; None where it is none.

    Examples
    --------
    >>> minutes_of("1 h 20 min"), minutes_of("1h20"), minutes_of("1:20 h"), minutes_of("1 min 90 s")
    (80.0, 80.0, 80.0, None)
    """
    if re.sub(r"^(?:a|an|eine|een|une|en|ei) ", "", text.casefold()) in _HALF_HOUR:
        return 30.0
    clock, unit = (fit[1], fit[2]) if (fit := re.fullmatch(r"([\d:]+)\s*(\D+)", text)) else ("", "")
    if duration_parts(clock) and _of_duration(unit) == "h":
        return in_ours(clock, CLOCK, "min", lambda _: None)
    parts = _PARTS.findall(text)
    left, minutes = list(_MINUTES), 0.0
    for place, (number, written) in enumerate(parts):
        own = _of_duration(written) or (left[0] if place and left and not written else "")
        broken = place < len(parts) - 1 and not number.isdigit()
        if own not in left or broken or (place and float(number.replace(",", ".")) >= 60):
            return None
        minutes += float(number.replace(",", ".")) * _MINUTES[own]
        left = left[left.index(own) + 1 :]
    return minutes if len(parts) > 1 and not _PARTS.sub("", text) else None


def _of_duration(written: str) -> str:
    return _IN_CELLS.get(written.strip(" .").casefold()) or canonical_unit(written)


def converted(number: float, written: str, unit: str) -> float | None:
    """Bring a number in a unit as written to that of the column; None where it is not known."""
    spelt = _spelt(written)
    if unit == "min" and _of_duration(written) == "h":
        spelt = "h"
    if not unit or not spelt or ("M" in written and unit in ("g", "µS/cm")):  # M is a million
        return None
    if spelt == _spelt(unit):
        return number
    for other, (factor, offset) in _UNITS.get(unit, {}).items():
        if _spelt(other) == spelt:
            return _without_noise(number * factor + offset)
    return None


def in_ours(
    text: str, written: str, unit: str, number_of: Callable[[str], float | None]
) -> float | None:
    """Give the number of a cell, in our unit; None where it has none. See `rewriting`."""
    if written in _OF_TEXT["min"]:
        parts = duration_parts(text)
        if len(parts) == 3 and written == CLOCK:
            return parts[0] * 60 + parts[1] + parts[2] / 60
        if len(parts) == 2:
            return parts[0] * 60.0 + parts[1] if written == CLOCK else parts[0] + parts[1] / 60
        return None
    number = number_of(text)
    if number is None or written == unit:
        return number
    factor, offset = _UNITS[unit][written]
    return _without_noise(number * factor + offset)


def _without_noise(number: float) -> float:
    """Round to twelve digits: what binary fractions add behind them is no part of a measure."""
    return float(f"{number:.12g}")


def rewriting(
    written: str, unit: str, number_of: Callable[[str], float | None]
) -> Callable[[str], str]:
    """Make the function that writes a cell of a column in one unit as one in ours.

    What is no number stays, to be refused with its place. The unit is put behind a number that is
    not read here: it must not be taken for one of ours. Durations and degrees of a side get
    the letters that are missing, and are read, and said, as such.
    """

    def convert(text: str) -> str:
        if written in _OF_TEXT["degrees"]:
            return text if not text or _LETTER.search(text) else f"{text} {written[-1]}"
        number = in_ours(text, written, unit, number_of)
        if number is not None and written in _OF_TEXT["min"]:
            minutes, seconds = divmod(round(number * 60), 60)
            return f"{minutes // 60} h {minutes % 60} min" + f" {seconds} s" * bool(seconds)
        if number is not None:
            return repr(number)
        bare = re.search(r"\d", text) and not re.search(r"[^\W\d_]|[°'\"]", text)
        return f"{text} {written}" if bare else text

    return convert


def canonical_unit(written: str) -> str:
    """Give a unit as `known_units` has it, or degrees; '' where it is none that is known.

    Examples
    --------
    >>> canonical_unit("secs"), canonical_unit("degC"), canonical_unit("deg"), canonical_unit("ell")
    ('s', '°C', 'degrees', '')
    """
    spelt = _spelt(written)
    if re.sub(r"(?<=°)[nsew]$|(?<=deg)[nsew]$", "", spelt) in WORDS["degrees"]["words"]:
        return "degrees"
    known = {_spelt(unit): unit for ours in (*_UNITS, "min") for unit in known_units(ours)}
    return known.get(spelt, "")


def _spelt(unit: str) -> str:
    """Bring a unit to the form in which units are compared: 'Degrees C' and '°c' are one."""
    plain = unit.strip(" .").replace("μ", "µ").replace("us/", "µs/").replace("uS/", "µS/")
    plain = plain.replace("^", "").replace("2", "²").replace("3", "³").replace("sq m", "m²")
    folded = "".join(plain.casefold().split())
    return _SPELLINGS.get(folded, folded)
