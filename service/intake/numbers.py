"""Numbers as people write them, and the ways in which they cannot be understood."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.number_remedies import remedy_for

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from service.intake.columns import Column
    from service.intake.findings import Cells, Findings

__all__ = ["number_column", "read_number"]

_PLAIN: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA: Final = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2}([,.' \u00a0\u202f]\d{3})+([.,]\d+)?", re.ASCII)
_OWN_WAY: Final = "give a number, such as 12.5, without its unit"  # until the column is known
_MISSING: Final = {"na", "n/a", "nan", "null", "none", "-", "--", "?", "nd", "unknown", "missing"}


def read_number(text: str, *, decimal_comma: bool = False) -> float | str:
    """Read one number, or say why not.

    Parameters
    ----------
    text
        A stripped cell, not empty.
    decimal_comma
        The sheet is separated by semicolons, so its comma is a decimal one.

    Returns
    -------
    float or str
        The number, always finite; or the remedy.

    Examples
    --------
    >>> read_number("12.5"), read_number("0,5"), read_number("1,234", decimal_comma=True)
    (12.5, 0.5, 1.234)
    >>> read_number("1,234")
    'a comma here may divide thousands or decimals; write 1234 or 1.234'
    """
    text = text.replace("\u2212", "-")  # the typographic minus
    if _PLAIN.fullmatch(text):
        number = float(text)
        return number if np.isfinite(number) else "too large; give a finite number"
    if _COMMA.fullmatch(text):
        whole, part = text.split(",")
        digits = whole.lstrip("+-")
        if decimal_comma or len(part) != 3 or digits.startswith("0") or len(digits) > 3:
            return float(text.replace(",", "."))
        return (
            f"a comma here may divide thousands or decimals; write {whole}{part} or {whole}.{part}"
        )
    if _THOUSANDS.fullmatch(text):
        return "write the number without marks between thousands"
    if text.casefold() in _MISSING:
        return "leave the cell empty where nothing is known"
    if text.casefold().lstrip("+-") in ("inf", "infinity", "∞"):
        return "give a finite number"
    if text.startswith("="):
        return "this is a spreadsheet formula; put its value there"
    if text.startswith("#"):
        return "this is a spreadsheet error; put a number there"
    return _OWN_WAY


def number_column(cells: Cells, column: Column, findings: Findings) -> NDArray[np.float64]:
    """Read a column of numbers; what cannot be used is refused and comes back missing.

    Returns
    -------
    ndarray of float64, (n,)
        NaN where the cell is empty or was refused.
    """
    text = cells.column(column.name)
    codes, uniques = pd.factorize(text.to_numpy(object))
    read = np.full(len(uniques) + 1, np.nan)  # the last is for missing cells
    remedies: dict[str, str] = {}
    # Degrees have no thousands: there a point is always a decimal one.
    mixed = cells.decimal_comma and column.unit != "degrees"
    mixed = mixed and any("," in value for value in uniques)
    if not mixed:
        read[:-1] = _all_plain(uniques)
    doubtful = np.isnan(read) | ~_sound(read, column)
    for place in np.flatnonzero(doubtful[:-1]).tolist():
        value, read[place] = uniques[place], np.nan
        if not value:
            continue
        number = _one(value, column, cells.decimal_comma)
        if mixed and isinstance(number, float) and _looks_like_thousands(value):
            number = _doubtful_point(value, column)
        if isinstance(number, str):
            remedies[value] = number
        else:
            read[place] = number
    if remedies:
        findings.refuse(cells, text.isin(list(remedies)), column.name, remedies.__getitem__)
    return read[codes]


def _all_plain(uniques: NDArray[np.object_]) -> NDArray[np.float64]:
    """Read cells that are all plain numbers at once; all missing where one is not."""
    nothing = np.full(len(uniques), np.nan)
    if not re.fullmatch(r"[0-9.eE+\-\x1f]*", "\x1f".join(uniques), re.ASCII):
        return nothing
    filled = np.flatnonzero(uniques != "")
    try:
        nothing[filled] = uniques[filled].astype(str).astype(np.float64)
    except ValueError:
        return np.full(len(uniques), np.nan)
    return nothing


def _sound(read: NDArray[np.float64], column: Column) -> NDArray[np.bool_]:
    """Whether a number is finite and within the limits of its column."""
    sound = np.isfinite(read)
    if column.kind == "whole":
        sound &= (read == np.trunc(read)) & (np.abs(read) <= 2**53)
    if column.above_zero:
        sound &= read > 0
    if column.low is not None:
        sound &= read >= column.low
    if column.high is not None:
        sound &= read <= column.high
    return sound


def _looks_like_thousands(value: str) -> bool:
    """Look for a point before exactly three digits, where commas are decimal."""
    return re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", value) is not None


def _doubtful_point(value: str, column: Column) -> float | str:
    """Settle a point before three digits where commas are decimal, if the column's limits do."""
    whole, part = value.replace(".", ""), value.replace(".", ",")
    if isinstance(_within(float(whole), column), str):
        return _within(float(value), column)
    if isinstance(_within(float(value), column), str):
        return f"a point here may divide thousands; write {whole}"
    return f"a point here may divide thousands or decimals; write {whole} or {part}"


def _one(value: str, column: Column, decimal_comma: bool) -> float | str:
    number = read_number(value, decimal_comma=decimal_comma)
    if isinstance(number, float):
        return _within(number, column)
    if _COMMA.fullmatch(value):
        return _doubtful_comma(value, column, number)
    empty = value.casefold() in _MISSING and column.name == "count"
    if value.casefold() in _MISSING and column.unit == "degrees":
        return "leave the cell empty if the row says its place otherwise; every row needs one"
    if number == _OWN_WAY or empty or (column.unit == "degrees" and _THOUSANDS.fullmatch(value)):
        return remedy_for(value, column)
    return number


def _doubtful_comma(value: str, column: Column, both: str) -> float | str:
    """Settle a comma before three digits, if only one of its meanings can stand in the column."""
    decimal = float(value.replace(",", "."))
    if column.unit == "degrees":  # which have no thousands
        return decimal
    whole = value.replace(",", "")
    if isinstance(_within(float(whole), column), str):
        return _within(decimal, column)
    if isinstance(_within(decimal, column), str):
        return f"a comma here may divide thousands; write {whole}"
    return both


def _within(number: float, column: Column) -> float | str:
    unit = f" {column.unit}" if column.unit else ""
    if column.kind == "whole" and number != int(number):
        return f"give a whole number, such as {column.example or 3}"
    if column.kind == "whole" and abs(number) > 2**53:
        return "too large to be a count"
    if column.above_zero and number <= 0:
        return f"give a number above 0{unit}, or leave the cell empty"
    if column.low is not None and number < column.low:
        low = max(column.low, 1) if column.name == "count" else column.low  # no fish is no row
        return f"give a number not below {low:g}{unit}"
    if column.high is not None and number > column.high:
        return f"more than {column.high:g}{unit} cannot be; check the unit"
    return number
