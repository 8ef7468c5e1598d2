"""What to write instead of a number that people write in their own way, for the column it is in.

A remedy must be right as it stands: it is followed in a hurry. No value is advised that the column
would refuse, and none that says more than the sheet did.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from service.intake.units import UNITS

if TYPE_CHECKING:
    from service.intake.columns import Column

__all__ = ["remedy_for"]

_LONGEST: Final = 60  # characters that are looked at; no number is longer
_NUMBER: Final = r"(?P<n>[+-]?\d+(?:[.,]\d+)?)"
_ABOUT: Final = (
    r"(?:~|≈|±|about|around|approx\.?|approximately|roughly|circa|ca\.?|c\.?|est\.?|estimated|etwa)"
)
_OVER: Final = r"(?:>=?|≥|over|more than|at least|min\.?|minimum|mehr als|mindestens)"
_UNDER: Final = r"(?:<=?|≤|under|below|less than|fewer than|up to|max\.?|maximum|weniger als)"
_TO: Final = r"\s*(?:-|–|—|to|bis|\.\.)\s*"
_FISH: Final = r"(?:(?:fish|ind|inds|indiv|individuals?|specimens?|pcs|x)\.?)"
_STAGES: Final = {
    "adult": ("adult", "adults", "ad", "ad."),
    "juvenile": ("juvenile", "juveniles", "juv", "juv."),
    "fry": ("fry",),
    "parr": ("parr",),
}
_NONE: Final = ("none", "nil", "zero", "no", "no fish", "nothing", "0 fish")
_WORDS: Final = {
    "a": 1, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
    "nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "dozen": 12, "a dozen": 12,
}  # fmt: skip
_COUNTED: Final = {
    "lifts": "(?:lifts?|hauls?)", "passes": "pass(?:es)?", "gear_count": "(?:traps?|nets?|fykes?)",
}  # fmt: skip
_MONTH: Final = "(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DATE: Final = re.compile(
    rf"\d{{4}}-\d\d-\d\d.*|\d{{1,2}}[ \-./]{_MONTH}.*|{_MONTH}[ \-./]\d+", re.IGNORECASE
)
_KIND: Final = "in the column count_kind"
_PRESENT: Final = f"leave count empty, and write present {_KIND}"
_NO_ROW: Final = (
    "no fish is no catch row; take the row out, and declare nil where nothing was caught"
)
_NOTES: Final = "what else was meant may go into the placement's notes"
_DEGREES: Final = re.compile(
    r"(?P<before>[NSEW])?\s*(?P<sign>[+-])?(?P<d>\d{1,3}(?:[.,]\d+)?)\s*(?:[°ºd:]|\s)?\s*"
    r"(?:(?P<m>\d{1,2}(?:[.,]\d+)?)\s*(?:['′’m:]|\s)?\s*)?"
    r"(?:(?P<s>\d{1,2}(?:[.,]\d+)?)\s*(?:[\"″”s]|''|’’|′′)?\s*)?(?P<after>[NSEW])?",
    re.IGNORECASE,
)
_POINTED: Final = re.compile(r"([+-]?\d{1,3})[.,](\d{3})[.,](\d{1,3})")


def remedy_for(value: str, column: Column) -> str:
    """Say what to write in a column of numbers instead of a text that is none.

    Parameters
    ----------
    value
        A stripped cell that is not empty and not a number.
    column
        Where it stands.

    Examples
    --------
    >>> from service.intake.columns import SHEETS
    >>> count = next(column for column in SHEETS["catches"] if column.name == "count")
    >>> remedy_for("about 20", count)
    'write 20, and estimate in the column count_kind'
    """
    value = value[:_LONGEST]
    if column.name == "count":
        return _count(value)
    if column.unit == "degrees":
        return _degrees(value, column)
    return _amount(value, column)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _count(value: str) -> str:
    text = " ".join(value.casefold().split())
    if re.search(r"\d", text) and not re.search(r"[1-9]", text):
        return _count_of_none(text)
    whole = r"(?P<n>\d+)"
    fit = re.fullmatch(rf"{_ABOUT}\s*{whole}\s*{_FISH}?", text) or re.fullmatch(
        rf"{whole}\s*(?:\?|-?ish|\(?\s*(?:{_ABOUT}|estimate|approx)\s*\)?)", text
    )
    if fit:
        return f"write {fit['n']}, and estimate {_KIND}"
    fit = re.fullmatch(rf"{_OVER}\s*{whole}\s*\+?\s*{_FISH}?", text) or re.fullmatch(
        rf"{whole}\s*(?:\+|plus|(?:or|and) (?:more|over|above))", text
    )
    if fit:
        return f"write {fit['n']}, and at_least {_KIND}"
    fit = re.fullmatch(rf"(?P<low>\d+){_TO}(?P<high>\d+)", text)
    if fit and 0 < int(fit["low"]) < int(fit["high"]):
        return (
            f"write {fit['low']}, and at_least {_KIND}; or the likeliest number, and estimate there"
        )
    if re.fullmatch(rf"{_UNDER}\s*\d+", text):
        return f"write the likeliest number, and estimate {_KIND}; or {_PRESENT}"
    if re.fullmatch(r"\d+(?:\s*\+\s*\d+)+", text):
        return f"write the sum, {sum(map(int, re.findall(r'[0-9]+', text)))}"
    return _count_in_words(value, text)


def _count_of_none(text: str) -> str:
    """Answer a count with no other digit than 0, which the column refuses: it may not be none."""
    if re.fullmatch(rf"(?:{_OVER}\s*)?0+\s*(?:\+|plus|(?:or|and) (?:more|over|above))?", text):
        return f"give the number of fish, such as 3; where nobody counted, {_PRESENT}"
    return _NO_ROW


def _count_in_words(value: str, text: str) -> str:
    if text in _NONE:
        return _NO_ROW
    if text in _WORDS:
        return f"write {_WORDS[text]}"
    fit = re.fullmatch(rf"(?P<n>\d+)\s*{_FISH}", text) or re.fullmatch(r"x\s*(?P<n>\d+)", text)
    if fit:
        return f"write {fit['n']} alone"
    fit = re.fullmatch(r"(?P<n>\d+)\s*(?P<stage>[a-z]+\.?)", text)
    stage = next((name for name, words in _STAGES.items() if fit and fit["stage"] in words), "")
    if fit and stage:
        return f"write {fit['n']} alone, and {stage} in the column life_stage"
    if _DATE.fullmatch(value):
        return "this is a date, perhaps made by a spreadsheet of a range such as 3-5; write a count"
    if not any(sign.isdigit() for sign in text):
        return f"give the number of fish, such as 3; where nobody counted, {_PRESENT}"
    return "give a whole number, such as 3, and nothing else; the rest may go into notes"


def _degrees(value: str, column: Column) -> str:
    """Work degrees, minutes, seconds and letters out; the sign only where a letter gives it."""
    east = column.name.endswith("longitude")
    limit, letters = (180, "EW") if east else (90, "NS")
    ask = f"give decimal degrees, such as {'-11.184336' if east else '52.662096'}"
    fit = _POINTED.fullmatch(value)
    if fit and abs(int(fit[1])) <= limit:
        return f"{ask}; if a spreadsheet put points in, this may be {fit[1]}.{fit[2]}{fit[3]}"
    fit = _DEGREES.fullmatch(value)
    if not fit or (fit["before"] and fit["after"]):
        return ask
    letter = (fit["before"] or fit["after"] or "").upper()
    if letter and letter not in letters:
        return f"this is a {'latitude' if east else 'longitude'}; {ask}"
    parts = [_number(fit[name] or "0") for name in ("d", "m", "s")]
    degrees = parts[0] + parts[1] / 60 + parts[2] / 3600
    broken = any(
        part % 1 and later for part, later in zip(parts, (fit["m"], fit["s"]), strict=False)
    )
    if broken or max(parts[1:]) >= 60 or degrees > limit or (letter and fit["sign"]):
        return ask
    written = f"{degrees:.6f}".rstrip("0").rstrip(".")
    if letter:
        return f"write {'-' if letter in 'SW' else ''}{written}"
    if fit["sign"]:
        return f"write {fit['sign'].strip('+')}{written}"
    beyond = "west of Greenwich" if east else "south of the equator"
    return f"write {written}, or -{written} {beyond}"


def _amount(value: str, column: Column) -> str:
    unit = f" in {column.unit}" if column.unit else ""
    example = column.example or ("3" if column.kind == "whole" else "12.5")
    kind = "a whole number" if column.kind == "whole" else "a number"
    ask = f"give {kind}{unit}, such as {example}, and nothing else"
    if column.kind == "whole":
        named = re.fullmatch(rf"(\d+)\s*{_COUNTED.get(column.name, '(?!)')}", value, re.IGNORECASE)
        word = named[1] if named else _WORDS.get(value.casefold())
        return f"write {word}" if word and _fits(float(word), column) else f"{ask}; {_NOTES}"
    if column.unit == "mg/l" and value.endswith("%"):
        return (
            "this is a share of saturation, not mg/l; leave the cell empty, and put it into notes"
        )
    fit = re.fullmatch(rf"{_NUMBER}\s*(?P<unit>[^\d\s].*)", value)
    if fit:
        ours = _converted(_number(fit["n"]), fit["unit"], column.unit)
        if ours is not None and _fits(ours, column):
            return f"write {ours:.10g}: the column is in {column.unit}"
    fit = re.fullmatch(r"(?P<h>\d{1,2})\s*h\s*(?P<m>\d{1,2})\s*(?:m|min)?", value, re.IGNORECASE)
    if fit and column.unit == "min" and int(fit["m"]) < 60:
        minutes = 60 * int(fit["h"]) + int(fit["m"])
        if _fits(minutes, column):
            return f"write {minutes}: the column is in min"
    fit = re.fullmatch(rf"(?:{_ABOUT}|{_OVER}|{_UNDER})\s*{_NUMBER}", value, re.IGNORECASE)
    if fit and _fits(_number(fit["n"]), column):
        return f"write {fit['n']} alone, or leave the cell empty; {_NOTES}"
    fit = re.fullmatch(
        rf"(?P<low>\d+(?:[.,]\d+)?){_TO}(?P<high>\d+(?:[.,]\d+)?)", value, re.IGNORECASE
    )
    if fit and _number(fit["low"]) < _number(fit["high"]):
        middle = (_number(fit["low"]) + _number(fit["high"])) / 2
        if _fits(middle, column):
            return f"give one number{unit}, such as the middle, {middle:.10g}; {_NOTES}"
    return ask


def _converted(number: float, written: str, unit: str) -> float | None:
    """Bring a number in a unit as written to that of the column; None where it is not known."""
    spelt = _spelt(written)
    if not unit or not spelt:
        return None
    if spelt == _spelt(unit):
        return number
    for other, (factor, offset) in UNITS.get(unit, {}).items():
        if _spelt(other) == spelt:
            return number * factor + offset
    return None


def _spelt(unit: str) -> str:
    """Bring a unit to the form in which units are compared: 'Degrees C' and '°c' are one."""
    plain = unit.strip(" .").replace("μ", "µ").replace("us/", "µs/").replace("uS/", "µS/")
    plain = plain.replace("^", "").replace("2", "²").replace("3", "³").replace("sq m", "m²")
    known = {
        "c": "°c", "degc": "°c", "degreesc": "°c", "f": "°f", "degf": "°f", "ºc": "°c", "'": "min",
        "mins": "min", "minutes": "min", "minute": "min", "hours": "h", "hour": "h", "hrs": "h",
        "hr": "h", "sec": "s", "seconds": "s", "secs": "s", "gr": "g", "grams": "g",
        "metres": "m", "meters": "m", "mg/litre": "mg/l", "mgl": "mg/l", "ppm": "mg/l", "sqm": "m²",
    }  # fmt: skip
    folded = "".join(plain.casefold().split())
    return known.get(folded, folded)


def _fits(number: float, column: Column) -> bool:
    if column.above_zero and number <= 0:
        return False
    return (column.low is None or number >= column.low) and (
        column.high is None or number <= column.high
    )
