"""Numbers as people write them: read, or answered with what to write instead.

A remedy must be right as it stands: it is followed in a hurry. No value is advised that the column
would refuse, and none that says more than the sheet did.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from service.intake.columns import DITTO, NO_FISH, STAGES, WORDS, any_of, plain
from service.intake.units import converted, duration_parts, minutes_of
from service.intake.wording import Wording, say

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Objects
    from service.intake.columns import Column
    from service.intake.findings import Cells

__all__ = [
    "DEGREES", "LOOSELY", "NO_VALUE", "all_plain", "number_column", "number_of", "numbers_of",
    "point_settled", "read_number", "remedy_for", "spelt_number",
]  # fmt: skip

# Possessive: what follows tells where each part ends, and keeping ways back takes 20 times as long.
_PLAIN: Final = re.compile(r"[+-]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][+-]?+\d{1,3}+)?+", re.ASCII)
_ALL_PLAIN: Final = re.compile(rf"(?:(?:{_PLAIN.pattern})?+\x1f)*+", re.ASCII)
_COMMA: Final = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_BEFORE_THREE: Final = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
# Ways of leaving a cell empty, and others that may also mean that something was looked for.
NO_VALUE: Final = {"na", "n/a", "n.a.", "-", "--", "---", "–", "—"}
_MISSING: Final = NO_VALUE | {"nan", "null", "none", "?", "nd", "unknown", "missing"}
_GROUPED: Final = re.compile(
    r"[+-]?[1-9]\d{0,2}(?P<groups>(?:(?P<mark>[,.'’ \u00a0\u202f])\d{3})(?:(?P=mark)\d{3})*)"
    r"(?:(?P<decimal>[.,])\d+)?",
    re.ASCII,
)
_MOST_WHOLE: Final = 2**53  # beyond it floats leave whole numbers out

_LONGEST: Final = 60  # characters that are looked at; no number is longer
_ABOUT: Final = any_of(WORDS["amounts"]["about"])
_OVER: Final = any_of(WORDS["amounts"]["over"])
_UNDER: Final = any_of(WORDS["amounts"]["under"])
_OR_MORE: Final = any_of(WORDS["amounts"]["or_more"])
_TO: Final = r"\s*(?:-|–|—|to|bis|tot|à|a|till?|\.\.)\s*"
LOOSELY: Final = rf"(?i:{_ABOUT}|{_OVER})\s*"
"""Words before a number that is about so great, or a lower bound."""
_FISH: Final = rf"(?:(?:{any_of(WORDS['amounts']['fish'])}|(?<=\s)st)\.?)"  # 1st is no count
_COUNTS: Final = tuple(
    (re.compile(pattern), variant)
    for pattern, variant in (
        (rf"{_ABOUT}\s*(?P<number>\d+)\s*{_FISH}?", "estimate"),
        (rf"(?P<number>\d+)\s*(?:\?|-?ish|\(?\s*(?:{_ABOUT}|approx)\s*\)?)", "estimate"),
        (rf"{_OVER}\s*(?P<number>\d+)\s*\+?\s*{_FISH}?", "at_least"),
        (rf"(?P<number>\d+)\s*{_OR_MORE}", "at_least"),
        (rf"{_UNDER}\s*\d+", "most"),
        (rf"(?:x\s*)?(?P<number>\d+)(?:\s*{_FISH})?", "alone"),
    )
)
_LOOSE_THOUSANDS: Final = re.compile(
    rf"(?P<before>{LOOSELY})(?P<n>[1-9]\d?\d?)(?P<mark>[.,])(?P<three>\d{{3}})"
    rf"(?P<behind>\s*{_FISH}?)"
)
_WORDS: Final[dict[str, int]] = WORDS["amounts"]["named"]
_COUNTED: Final = {
    "lifts": "(?:lifts?|hauls?)", "passes": "pass(?:es)?",
    "gear_count": rf"(?:(?:{any_of(WORDS['amounts']['gear'])}|(?<=\s)st)\.?)",
}  # fmt: skip
_MONTH: Final = "(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DATE: Final = re.compile(
    rf"\d{{4}}-\d\d-\d\d.*|\d{{1,2}}[ \-./]{_MONTH}.*|{_MONTH}[ \-./]\d+", re.IGNORECASE
)
DEGREES: Final = re.compile(
    r"(?P<before>[NSEWOÖØ])?\s*(?P<sign>[+-])?(?P<d>\d{1,3}(?:[.,]\d+)?)\s*(?:[°ºd:]|\s)?\s*"
    r"(?:(?P<m>\d{1,2}(?:[.,]\d+)?)\s*(?:['′’m:]|\s)?\s*)?"
    r"(?:(?P<s>\d{1,2}(?:[.,]\d+)?)\s*(?:[\"″”s]|''|’’|′′)?\s*)?(?P<after>[NSEWOÖØ])?",
    re.IGNORECASE,
)
# Degrees and minutes that only a space divides may be one number with its decimals.
_ONE_OR_TWO: Final = re.compile(r"[NSEWOÖØ]?\s*[+-]?\d{1,3}\s+\d{1,2}\s*[NSEWOÖØ]?", re.IGNORECASE)
_POINTED: Final = re.compile(r"([+-]?\d{1,3})[.,](\d{3})[.,](\d{1,3})")


class Spelt(NamedTuple):
    """A number that was written otherwise, as the program writes it; '' where the cell has none.

    `code` is the variant of the sentence `read_as`, `kind` what it says of a count: `at_least`,
    `estimate`, or '' where nothing.
    """

    text: str
    code: str
    kind: str = ""


def number_column(cells: Cells, column: Column) -> Floats:
    """Read a column of numbers, (n,); what cannot be used is refused and comes back missing."""
    text = cells.column(column.name)
    codes, uniques = pd.factorize(text.to_numpy(object))
    read = np.full(len(uniques) + 1, np.nan)  # the last is for missing cells
    remedies: dict[str, Wording] = {}
    # Degrees have no thousands: there a point is always a decimal one.
    mixed = cells.decimal_comma and column.unit != "degrees"
    mixed = mixed and any("," in value for value in uniques)
    if not mixed:
        plain = np.flatnonzero(all_plain(uniques) & (uniques != ""))
        read[plain] = np.fromiter(map(float, uniques[plain]), np.float64, len(plain))
    doubtful = np.isnan(read) | ~_sound(read, column)
    for place in np.flatnonzero(doubtful[:-1]).tolist():
        value, read[place] = uniques[place], np.nan
        if not value:
            continue
        number = read_number(value, column, decimal_comma=cells.decimal_comma)
        if mixed and "." in value and isinstance(number, float) and _BEFORE_THREE.fullmatch(value):
            number = _settled(value, ".", column)
        if isinstance(number, Wording):
            remedies[value] = number
        else:
            read[place] = number
    if remedies:
        cells.refuse(text.isin(list(remedies)), column.name, remedies.__getitem__)
    return read[codes]


def numbers_of(texts: Objects, *, decimal_comma: bool = False) -> Floats:
    """Read cells in passing: 0 where nothing stands, NaN where no number does."""
    codes, uniques = pd.factorize(texts)
    read = [number_of(one, decimal_comma=decimal_comma) if one else 0.0 for one in uniques]
    return np.array(read, dtype=np.float64)[codes]


def number_of(text: str, *, decimal_comma: bool = False) -> float | None:
    """Read a cell in passing: None where nothing, or no number, stands."""
    number = read_number(text, decimal_comma=decimal_comma) if text else None
    return number if isinstance(number, float) else None


def read_number(
    text: str, column: Column | None = None, *, decimal_comma: bool = False
) -> float | Wording:
    """Read one number from a stripped, filled cell, always finite; or say what to write instead.

    The limits of its column settle what may mean two numbers; any number is read, and advice is
    general, where it is not given. In a sheet separated by semicolons a comma is a decimal one.

    Examples
    --------
    >>> read_number("12.5"), read_number("0,5"), read_number("1,234", decimal_comma=True)
    (12.5, 0.5, 1.234)
    >>> print(read_number("1,234"))
    a comma here may divide thousands or decimals; write 1234 or 1.234
    """
    plain = text.replace("\u2212", "-")  # the typographic minus
    if "," in plain and not decimal_comma and _BEFORE_THREE.fullmatch(plain):
        return _settled(plain, ",", column)
    if _PLAIN.fullmatch(plain) or _COMMA.fullmatch(plain):
        number = _number(plain)
        if not np.isfinite(number):
            return say("number_outside.too_large")
        return _refused_by(number, column) or number
    folded = plain.casefold()
    degrees = column is not None and column.unit == "degrees"
    if _GROUPED.fullmatch(plain) and not degrees:
        return say("number_unclear.thousands")
    if folded in _MISSING and (column is None or column.name != "count"):
        return say(f"number_unclear.missing{'_degrees' if degrees else ''}")
    if folded.lstrip("+-") in ("inf", "infinity", "∞"):
        return say("number_outside.finite")
    if plain.startswith("="):
        return say("number_unclear.formula")
    if plain.startswith("#"):
        return say("number_unclear.error")
    return say("number_unclear.plain") if column is None else remedy_for(text, column)


def spelt_number(value: str, column: Column, *, decimal_comma: bool = False) -> Spelt | None:
    """Read a number that is written otherwise than `read_number` takes it, if it can be only one.

    A number outside the limits of its column is not read.

    Examples
    --------
    >>> from service.intake.columns import SHEETS
    >>> of = {column.name: column for own in SHEETS.values() for column in own}
    >>> spelt_number("9+", of["count"])
    Spelt(text='9', code='at_least', kind='at_least')
    >>> spelt_number("3.5 h", of["minutes"]).text, spelt_number("52°30'N", of["latitude"]).text
    ('210', '52.5')
    >>> spelt_number("1,234 m", of["stretch_length_m"]) is None
    True
    """
    text = value.replace("\u2212", "-")
    if len(text) > _LONGEST:
        return None
    folded = text.casefold()
    never_zero = column.above_zero or (column.low or 0) > 0 or column.unit == "degrees"
    if folded in NO_VALUE or (folded == "none" and never_zero):
        # A dash under a count may be no fish, and so may none; elsewhere none may be zero.
        unclear = column.name == "count" and folded not in ("na", "n/a", "n.a.")
        return None if unclear else Spelt("", "no_value")
    if column.unit == "degrees":
        comma = _COMMA.fullmatch(text) and not decimal_comma
        read = _number(text) if comma else _signed_degrees(text, column)
        if isinstance(read, Wording) or _refused_by(read, column):
            return None
        return Spelt(_written(round(read, 9)), "decimal_comma" if comma else "degrees")
    number = _one_number(text, column, decimal_comma=decimal_comma)
    if number is not None:
        return Spelt(_written(number), "thousands" if _GROUPED.fullmatch(text) else "decimal_comma")
    if column.name == "count":
        return _spelt_count(text)
    if column.kind == "whole":
        number = _named(text, column)
    else:
        number = _with_unit(text, column, decimal_comma=decimal_comma)
    return None if number is None else Spelt(_written(number), "with_unit")


def _written(number: float) -> str:
    """Write a number as it is read, without the noise of conversions."""
    number = float(f"{number:.12g}")
    return str(int(number)) if number.is_integer() else repr(number)


def _one_number(text: str, column: Column | None, *, decimal_comma: bool) -> float | None:
    """Read a number with decimal comma or marks between thousands; None where it is not clear."""
    if "," in text and not decimal_comma and (_COMMA.fullmatch(text)):
        number = read_number(text, column)
        return number if isinstance(number, float) else None
    fit = _GROUPED.fullmatch(text)
    if not fit:
        return None
    mark, decimal = fit["mark"], fit["decimal"]
    if mark == decimal or (mark in ",." and not decimal and len(fit["groups"]) == 4):
        return None
    number = _number(text.replace(mark, ""))
    return None if _refused_by(number, column) else number


def _spelt_count(text: str) -> Spelt | None:
    remedy = _count(text)
    kinds = {"count_unclear.estimate": "estimate", "count_unclear.at_least": "at_least"}
    kind = kinds.get(remedy.key, "")
    if not kind and remedy.key not in ("count_unclear.alone", "count_unclear.write"):
        return None
    number = int(str(remedy.parts["number"]))
    if (
        _LOOSE_THOUSANDS.fullmatch(text)
        or not 0 < number <= _MOST_WHOLE
        or re.search(r"[?±]|\d\s*-?ish", text, re.IGNORECASE)
    ):
        return None
    return Spelt(str(number), kind or "with_unit", kind)


def all_plain(uniques: Objects) -> Bools:
    """Whether each text is empty or a plain number, such as every program writes."""
    if _ALL_PLAIN.fullmatch("\x1f".join(uniques) + "\x1f"):
        return np.ones(len(uniques), dtype=bool)
    return np.fromiter((not v or _PLAIN.fullmatch(v) is not None for v in uniques), bool)


def _sound(read: Floats, column: Column) -> Bools:
    """Whether a number is finite and within the limits of its column."""
    sound = np.isfinite(read)
    if column.kind == "whole":
        sound &= (read == np.trunc(read)) & (np.abs(read) <= _MOST_WHOLE)
    if column.above_zero:
        sound &= read > 0
    if column.low is not None:
        sound &= read >= column.low
    if column.high is not None:
        sound &= read <= column.high
    return sound


def _refused_by(number: float, column: Column | None) -> Wording | None:
    """Say why a number is outside the limits of its column; None where it is within."""
    if column is None or _sound(np.array([number]), column)[0]:
        return None
    unit = f" {column.unit}" if column.unit else ""
    if column.kind == "whole" and number != int(number):
        return say("number_outside.whole", example=column.example or 3)
    if column.kind == "whole" and abs(number) > _MOST_WHOLE:
        return say("number_outside.count")
    if column.above_zero and number <= 0:
        return say("number_outside.zero", unit=unit)
    if column.low is not None and number < column.low:
        low = max(column.low, 1) if column.name == "count" else column.low  # no fish is no row
        return say("number_outside.low", low=low, unit=unit)
    return say("number_outside.high", high=column.high, unit=unit)


def _settled(value: str, mark: str, column: Column | None) -> float | Wording:
    """Settle a mark before three digits, if only one of its meanings can stand in the column."""
    whole, decimal = value.replace(mark, ""), float(value.replace(",", "."))
    name = {",": "comma", ".": "point"}[mark]
    if column is not None and column.unit == "degrees":  # which have no thousands
        return decimal
    if _refused_by(float(whole), column):
        return _refused_by(decimal, column) or decimal
    if _refused_by(decimal, column):
        return say(f"number_unclear.{name}_of_thousands", whole=whole)
    other = value.replace(mark, "." if mark == "," else ",")
    return say(f"number_unclear.{name}", whole=whole, decimal=other)


def point_settled(value: str, column: Column | None) -> float | Wording:
    """Settle a point before three digits where nothing else in a file shows what points divide.

    A count has no decimals; but 2.000 may be 2, as a program writes it.
    """
    if column is not None and column.kind == "whole" and not value.endswith("000"):
        return float(value.replace(".", "").replace("\u2212", "-"))
    read = _settled(value.replace("\u2212", "-"), ".", column)
    if isinstance(read, Wording):
        whole = value.replace(".", "")
        return say("number_unclear.point_open", whole=whole, decimal=f"{value}0")
    return read


def remedy_for(value: str, column: Column) -> Wording:
    """Say what to write in a column of numbers instead of a text that is none.

    Examples
    --------
    >>> from service.intake.columns import SHEETS
    >>> count = next(column for column in SHEETS["catches"] if column.name == "count")
    >>> print(remedy_for("about 20", count))
    write 20, and estimate in the column count_kind
    """
    value = value[:_LONGEST]
    if value.casefold() in DITTO:
        return say("number_unclear.ditto")
    if column.name == "count":
        return _count(value)
    return _degrees(value, column) if column.unit == "degrees" else _amount(value, column)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _count(value: str) -> Wording:
    text = " ".join(value.casefold().split())
    if re.search(r"\d", text) and not re.search(r"[1-9]", text):
        # No other digit than 0, which the column refuses: it may not be none.
        some = re.fullmatch(rf"(?:{_OVER}\s*)?0+\s*{_OR_MORE}?", text)
        return say("count_unclear.number" if some else "no_fish.row")
    if plain(text) in {*NO_FISH, "no", "0fish"}:
        return say("no_fish.row")
    if text in _WORDS:
        return say("count_unclear.write", number=_WORDS[text])
    if fit := _LOOSE_THOUSANDS.fullmatch(text):
        whole = f"{fit['before']}{fit['n']}{fit['three']}{fit['behind']}"
        if int(fit["three"]):
            return _count(whole)  # a count has no decimals
        name = {",": "comma", ".": "point"}[fit["mark"]]
        return say(f"number_unclear.{name}", whole=whole, decimal=f"{fit['before']}{fit['n']}")
    for pattern, variant in _COUNTS:
        if fit := pattern.fullmatch(text):
            return say(f"count_unclear.{variant}", **fit.groupdict())
    fit = re.fullmatch(rf"(?:{_ABOUT}\s*)?(\d+){_TO}(\d+)\s*{_FISH}?", text)
    if fit and 0 < int(fit[1]) < int(fit[2]):
        return say("count_unclear.range", low=fit[1])
    if re.fullmatch(r"\d+(?:\s*\+\s*\d+)+", text):
        return say("count_unclear.sum", number=sum(map(int, re.findall(r"[0-9]+", text))))
    fit = re.fullmatch(r"(\d+)\s*([a-z]+)\.?", text)
    if fit and fit[2] in STAGES:
        return say("count_unclear.stage", number=fit[1], stage=STAGES[fit[2]])
    if _DATE.fullmatch(value):
        return say("count_unclear.date")
    return say("count_unclear.whole" if re.search(r"\d", text) else "count_unclear.number")


def _degrees(value: str, column: Column) -> Wording:
    """Work degrees, minutes, seconds and letters out; the sign only where a letter gives it."""
    number = _signed_degrees(value, column, doubtful=True)
    if isinstance(number, Wording):
        return number
    return say("degrees_unclear.write", number=f"{number:.6f}".rstrip("0").rstrip("."))


def _signed_degrees(value: str, column: Column, *, doubtful: bool = False) -> float | Wording:
    """Read degrees, minutes and seconds; `doubtful` also takes two numbers with a space between."""
    east = column.name.endswith("longitude")
    limit, letters = (180, "EWOÖØ") if east else (90, "NS")
    ask = say("degrees_unclear.ask", example="-11.184336" if east else "52.662096")
    fit = _POINTED.fullmatch(value)
    if fit and abs(int(fit[1])) <= limit:
        return say("degrees_unclear.points", ask=ask, number=f"{fit[1]}.{fit[2]}{fit[3]}")
    fit = DEGREES.fullmatch(value)
    if (
        not fit
        or (fit["before"] and fit["after"])
        or (_ONE_OR_TWO.fullmatch(value) and not doubtful)
    ):
        return ask
    letter = (fit["before"] or fit["after"] or "").upper()
    if letter and letter not in letters:
        return say("degrees_unclear.axis", other="latitude" if east else "longitude", ask=ask)
    parts = [_number(fit[name] or "0") for name in ("d", "m", "s")]
    degrees = parts[0] + parts[1] / 60 + parts[2] / 3600
    broken = any(
        part % 1 and later for part, later in zip(parts, (fit["m"], fit["s"]), strict=False)
    )
    if broken or max(parts[1:]) >= 60 or degrees > limit or (letter and fit["sign"]):
        return ask
    written = f"{degrees:.6f}".rstrip("0").rstrip(".")
    if letter == "O":
        return say("degrees_unclear.side", number=written)
    if letter or fit["sign"]:
        return -degrees if (letter and letter in "SW") or fit["sign"] == "-" else degrees
    beyond = "west of Greenwich" if east else "south of the equator"
    return say("degrees_unclear.sign", number=written, beyond=beyond)


def _amount(value: str, column: Column) -> Wording:
    whole = column.kind == "whole"
    unit = f" in {column.unit}" if column.unit else ""
    ask = {
        "kind": "a whole number" if whole else "a number",
        "unit": unit,
        "example": column.example or ("3" if whole else "12.5"),
    }
    if whole:
        named = _named(value, column)
        if named is not None:
            return say("amount_unclear.write", number=int(named))
        return say("amount_unclear.number_notes", **ask)
    if column.unit == "mg/l" and value.endswith("%"):
        return say("amount_unclear.saturation")
    ours = _with_unit(value, column)
    if ours is not None:
        return say("amount_unclear.unit", number=ours, unit=column.unit)
    if column.unit == "min" and len(parts := duration_parts(value)) == 2:
        hours, short = 60 * parts[0] + parts[1], round(parts[0] + parts[1] / 60, 3)
        return say("amount_unclear.duration", hours=hours, minutes=short)
    fit = re.fullmatch(rf"(?:{LOOSELY}|{_UNDER}\s*)(?P<n>\d.*)", value, re.IGNORECASE)
    bare = _clear(fit["n"], column, decimal_comma=True) if fit else None
    bare = _with_unit(fit["n"], column) if fit and bare is None else bare
    if bare is not None:
        return say("amount_unclear.about", number=_written(bare))
    low, high = rf"(?:{LOOSELY})?(?P<low>\d+(?:[.,]\d+)?)", r"(?P<high>\d+(?:[.,]\d+)?)"
    fit = re.fullmatch(rf"{low}{_TO}{high}\s*(?P<unit>\D*)", value, re.IGNORECASE)
    if fit and _number(fit["low"]) < _number(fit["high"]):
        middle = (_number(fit["low"]) + _number(fit["high"])) / 2
        ours = converted(middle, fit["unit"], column.unit) if fit["unit"] else middle
        if ours is not None and not _refused_by(ours, column):
            return say("amount_unclear.middle", unit=unit, number=ours)
    return say("amount_unclear.number", **ask)


def _named(value: str, column: Column) -> float | None:
    """Read "12 lifts", "twelve"; None where it is not that, or no number for the column."""
    fit = re.fullmatch(rf"(\d+)\s*{_COUNTED.get(column.name, '(?!)')}", value, re.IGNORECASE)
    number = float(fit[1] if fit else _WORDS.get(value.casefold(), 0))
    return number if number and not _refused_by(number, column) else None


def _with_unit(value: str, column: Column, *, decimal_comma: bool = False) -> float | None:
    """Read a number with its unit, in our unit; None where either is not clear."""
    fit = re.fullmatch(r"(?P<n>[+-]?\d(?:.*\d)?)\s*(?P<unit>[^\d\s].*)", value)
    number = None
    if fit:
        number = _clear(fit["n"], None, decimal_comma=decimal_comma)
        number = None if number is None else converted(number, fit["unit"], column.unit)
    if column.unit == "min":
        number = minutes_of(value) if number is None else number
    return None if number is None or _refused_by(number, column) else number


def _clear(text: str, column: Column | None, *, decimal_comma: bool) -> float | None:
    """Read a number that can only be one, within the limits of a column if one is given."""
    mark = "." if decimal_comma else ","
    if _BEFORE_THREE.fullmatch(text) and mark in text:
        return None
    if _PLAIN.fullmatch(text) or _COMMA.fullmatch(text):
        number = _number(text)
        return None if _refused_by(number, column) else number
    return _one_number(text, column, decimal_comma=decimal_comma)
