"""Values as the text of a cell."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

__all__ = ["among", "as_number_typed", "as_typed", "filled_cells", "stripped"]

_THREE_DECIMALS: Final = re.compile(r"-?[1-9]\d{0,2}\.\d{3}")


def as_typed(value: Any) -> str:  # noqa: ANN401 - whatever a workbook or a GIS file holds
    """Write one value as somebody would type it into a cell; missing is ''."""
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, list):
        return "; ".join(map(as_typed, value))
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float):
        if value != value:
            return ""
        return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(float(value))
    return value.isoformat() if isinstance(value, dt.date | dt.time) else str(value)


def as_number_typed(value: Any) -> str:  # noqa: ANN401
    """Write one value as `as_typed`; a number in a file cannot be taken for thousands in a text."""
    text = as_typed(value)
    return f"{text}0" if isinstance(value, float) and _THREE_DECIMALS.fullmatch(text) else text


def filled_cells(row: Mapping[Any, Any]) -> dict[str, str]:
    """Write the filled cells of a row, by column."""
    return {str(name): text for name, value in row.items() if (text := as_typed(value))}


def among(cells: pd.Series, words: Collection[str]) -> pd.Series:
    """Mark cells that are one of these words, which are in small letters, in whatever case."""
    return cells.isin([one for one in cells.unique().tolist() if one.casefold() in words])


def stripped(cells: pd.Series) -> pd.Series:
    """Take white space off both ends of every cell."""
    values = cells.tolist()
    clean = [value.strip() for value in values]
    return cells if clean == values else pd.Series(clean, index=cells.index, dtype="str")
