"""Frames as CSV (RFC 4180) in UTF-8, lines ending in CR LF, some rows at a time.

Columns are written as a whole, cell texts joined row by row: five times as fast as one row after
another, and no more than some thousand rows are in memory as text.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import orjson
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.arrays import Floats

__all__ = ["GUARDED", "csv_rows"]

# What makes a spreadsheet take a text cell for a formula (common practice, no source).
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
# An apostrophe before one of these would be taken off by import; one more goes before it.
GUARDED: Final = tuple(f"'{sign}" for sign in (*_FORMULA_STARTS, "'"))
_LIVE: Final = GUARDED + _FORMULA_STARTS
_QUOTED: Final = re.compile('[",\r\n]')
_AT_ONCE: Final = 4_000  # rows; about a megabyte


def csv_rows(
    frame: pd.DataFrame, *, header: bool = True, whole_plain: bool = False
) -> Iterator[bytes]:
    r"""Write a frame without its index in pieces of whole lines, missing cells empty.

    Numbers have the fewest digits that read back the same. Text that a spreadsheet would run as a
    formula gets an apostrophe in front; text that begins so already gets one more, so that taking
    one off, as import does, returns what was stored. `whole_plain` writes whole numbers without
    `.0`, for counts are floats only because some are missing.

    Examples
    --------
    >>> frame = pd.DataFrame({"n": [2.0, np.nan], "words": ["=1+1", 'a "b", c']})
    >>> b"".join(csv_rows(frame)).decode().split("\r\n")
    ['n,words', "2.0,'=1+1", ',"a ""b"", c"', '']
    """
    if header:
        yield (",".join(map(_quoted, map(str, frame.columns))) + "\r\n").encode()
    for start in range(0, len(frame), _AT_ONCE):
        part = frame.iloc[start : start + _AT_ONCE]
        columns = [_cells(part.iloc[:, at], whole_plain) for at in range(part.shape[1])]
        if len(columns) == 1:  # an empty line would be no row
            columns = [[cell or '""' for cell in columns[0]]]
        lines = map(",".join, zip(*columns, strict=True))
        yield ("\r\n".join(lines) + "\r\n").encode()


def _cells(column: pd.Series, whole_plain: bool) -> list[str]:
    if pd.api.types.is_float_dtype(column.dtype):
        return _number_texts(column.to_numpy(np.float64, na_value=np.nan), whole_plain)
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "iub":
        return list(map(str, column.tolist()))
    cells = column.to_numpy(object, copy=True)
    cells[column.isna().to_numpy()] = ""
    values = cells.tolist()
    written = {word: _text(word) for word in {each for each in values if isinstance(each, str)}}
    return [written[each] if isinstance(each, str) else _quoted(str(each)) for each in values]


def _text(text: str) -> str:
    return _quoted(f"'{text}" if text.startswith(_LIVE) else text)


def _quoted(text: str) -> str:
    if _QUOTED.search(text):
        return '"' + text.replace('"', '""') + '"'
    return text


def _number_texts(numbers: Floats, whole_plain: bool) -> list[str]:
    """Write numbers as Python does, which writes very large and very small ones otherwise."""
    size = np.abs(numbers)
    odd = np.flatnonzero(~((size >= 1e-4) & (size < 1e15)) & (size != 0) & (size == size))
    if whole_plain:
        numbers = numbers + 0.0  # minus zero is zero
    text = orjson.dumps(np.ascontiguousarray(numbers), option=orjson.OPT_SERIALIZE_NUMPY).decode()
    if whole_plain:
        text = text.replace(".0,", ",").replace(".0]", "]")
    cells = text[1:-1].replace("null", "").split(",")
    for at in odd.tolist():
        number = float(numbers[at])
        is_whole = whole_plain and abs(number) < 2**53 and number == int(number)
        cells[at] = str(int(number) if is_whole else number)
    return cells
