"""Frames as CSV (RFC 4180) in UTF-8, lines ending in CR LF, some rows at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["GUARDED", "csv_rows"]

# What makes a spreadsheet take a text cell for a formula (common practice, no source).
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
# An apostrophe before one of these would be taken off by import; one more goes before it.
GUARDED: Final = tuple(f"'{sign}" for sign in (*_FORMULA_STARTS, "'"))
_LIVE: Final = GUARDED + _FORMULA_STARTS
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
    >>> frame = pd.DataFrame({"n": [2.0, None], "words": ["=1+1", 'a "b", c']})
    >>> b"".join(csv_rows(frame)).decode().split("\r\n")
    ['n,words', "2.0,'=1+1", ',"a ""b"", c"', '']
    """
    if header:
        yield frame.iloc[:0].to_csv(index=False, lineterminator="\r\n").encode()
    words = frame.select_dtypes(["str", "object", "category"])
    changed: dict[Any, Callable[[Any], Any]] = dict.fromkeys(words, _guarded)
    if whole_plain:
        changed |= dict.fromkeys(frame.select_dtypes("float"), _plain)
    for start in range(0, len(frame), _AT_ONCE):
        part = frame.iloc[start : start + _AT_ONCE].copy()
        for name, cell in changed.items():
            part[name] = pd.Series(map(cell, part[name]), part.index, object)
        yield part.to_csv(index=False, header=False, lineterminator="\r\n").encode()


def _guarded(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_LIVE) else value


def _plain(number: float) -> float:
    return int(number) if abs(number) < 2**53 and number == int(number) else number
