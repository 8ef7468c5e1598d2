"""Whether a point before three digits divides decimals or thousands, decided for a whole file.

In 1.245 both can be meant. What decides is how the other numbers of the same file are written;
where they do not show it, the cell is refused.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from service.intake.numbers import LOOSELY, point_settled
from service.intake.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Mapping

    from service.intake.columns import Column
    from service.intake.findings import Cells

__all__ = ["with_decimal_marks"]

_NUMBER: Final = re.compile(
    r"[+\-\u2212]?(?P<whole>\d*)(?P<mark>[.,])(?P<rest>\d+)(?:\s*[^\d\s.,:].*)?", re.ASCII
)
_GROUPED: Final = re.compile(
    r"[+\-\u2212]?\d{1,3}(?P<mark>[.,])\d{3}(?:(?P=mark)\d{3})*+(?:(?!(?P=mark))[.,]\d++)?+",
    re.ASCII,
)
_OPEN: Final = re.compile(
    rf"(?P<before>{LOOSELY})?(?P<n>[+\-\u2212]?[1-9]\d{{0,2}}\.\d{{3}})"
    r"(?P<unit>\s*[^\d\s.,:].*)?",
    re.ASCII,
)


def with_decimal_marks(
    raw: Mapping[str, Cells], numbers: Mapping[str, Mapping[str, Column | None]], stated: str
) -> dict[str, Cells]:
    """Take the points out of thousands, and refuse cells that may be thousands or decimals.

    Parameters
    ----------
    raw
        Sheets under their own headers.
    numbers
        By sheet and header: the columns that hold numbers, and ours that each becomes; None where
        the number is in another unit, so that the limits of ours say nothing of it.
    stated
        The decimal mark as a mapping gives it; '' where none does.
    """
    shown: dict[str, set[str]] = {}
    texts = {
        (sheet, header): pd.unique(cells.frame[header].to_numpy(object)).tolist()
        for sheet, cells in raw.items()
        for header in numbers.get(sheet, {})
    }
    for (sheet, _), values in texts.items():
        own = shown.setdefault(_file(raw[sheet]), set())
        own.update(filter(None, map(_mark, {*values} - raw[sheet].typed)))
    every = set().union(*shown.values())
    out = {}
    for sheet, cells in raw.items():
        marks = {stated} if stated else shown.get(_file(cells)) or every
        if not marks and cells.decimal_comma:
            marks = {","}
        decimal = next(iter(marks)) if len(marks) == 1 else ""
        frame = cells.frame.copy(deep=False)
        for header, column in numbers.get(sheet, {}).items():
            if column is not None and column.unit == "degrees":  # which have no thousands
                continue
            became, unclear = _settled(texts[sheet, header], decimal, column)
            text = cells.frame[header]
            if became:
                cells.read_as(text.isin(list(became)), header, "thousands", became)
                frame[header] = text.replace(became).astype("str")
            if unclear:
                cells.refuse(text.isin(list(unclear)), header, unclear.__getitem__)
        comma = decimal == "," or (not marks and cells.decimal_comma)
        out[sheet] = replace(cells, frame=frame, decimal_comma=comma)
    return out


def _file(cells: Cells) -> str:
    return cells.file.partition(", sheet ")[0]


def _mark(text: str) -> str:
    """Give the decimal mark that a number shows; '' where it shows none."""
    if (fit := _GROUPED.fullmatch(text)) and not _OPEN.fullmatch(text.replace(",", ".")):
        return "," if fit["mark"] == "." else "."
    fit = _NUMBER.fullmatch(text)
    if not fit:
        return ""
    whole, rest = fit["whole"], fit["rest"]
    both = len(rest) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0")
    return "" if both else str(fit["mark"])


def _settled(
    texts: list[str], decimal: str, column: Column | None
) -> tuple[dict[str, str], dict[str, Wording]]:
    """Read points before three digits: the texts that are thousands, and those not clear."""
    became: dict[str, str] = {}
    unclear: dict[str, Wording] = {}
    for text in texts if decimal != "." else ():
        fit = _OPEN.fullmatch(text)
        if not fit:
            continue
        whole = (fit["before"] or "") + fit["n"].replace(".", "") + (fit["unit"] or "")
        if decimal == ",":
            became[text] = whole
            continue
        read = point_settled(fit["n"], None if fit["unit"] else column)
        if isinstance(read, Wording):
            unclear[text] = read
        elif read >= 1000:
            became[text] = whole
    return became, unclear
