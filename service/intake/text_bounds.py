"""How wide a sheet and how long its cells may be: what more would cost is refused unparsed.

A frame costs a few thousand bytes for each column, however short its rows: two million columns
in a file of 4 MB would take gigabytes. No field sheet comes near these bounds.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Final

from service.intake.wording import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from service.intake.wording import Wording

__all__ = ["LONGEST_CELL", "MOST_CELLS", "MOST_COLUMNS", "TOO_WIDE", "header_columns", "text_fault"]

MOST_COLUMNS: Final = 2_000
MOST_CELLS: Final = 50_000_000  # rows times columns of one sheet
LONGEST_CELL: Final = csv.field_size_limit()  # bytes of a text file, else characters
_LONGEST_RECORD: Final = 1_000_000  # bytes
TOO_WIDE: Final = say("too_large.columns", most=MOST_COLUMNS)


class _TooLongError(Exception):
    """A record goes on beyond all bounds."""


class _Lines:
    """Lines of bytes as csv.reader wants them, so many bytes for each record at most."""

    def __init__(self, content: bytes) -> None:
        # Latin-1 gives a character for each byte; whether they are UTF-8 does not matter here.
        plain = io.BytesIO(content.removeprefix(b"\xef\xbb\xbf"))
        self._lines = io.TextIOWrapper(plain, encoding="latin-1", newline="")
        self._left = _LONGEST_RECORD

    def begin_record(self) -> None:
        self._left = _LONGEST_RECORD

    def __iter__(self) -> Iterator[str]:
        while line := self._lines.readline(_LONGEST_RECORD + 1):
            self._left -= len(line)
            if self._left < 0:
                raise _TooLongError
            yield line


def header_columns(content: bytes, separator: str) -> int:
    """Count the cells of the first record of a text file, as far as it may go on."""
    try:
        return len(next(csv.reader(_Lines(content), delimiter=separator), []))
    except (csv.Error, _TooLongError):
        return MOST_COLUMNS + 1


def text_fault(content: bytes, separator: str) -> tuple[int, Wording] | None:
    """Say in which row, as a spreadsheet counts, a text file is too large to be parsed, and why.

    None where it may be parsed.
    """
    lines, number, wide = _Lines(content), 0, 0
    try:
        for number, record in enumerate(csv.reader(lines, delimiter=separator), start=1):
            lines.begin_record()
            wide = wide or len(record)
            if len(record) > MOST_COLUMNS:
                return number, TOO_WIDE
            if number * wide > MOST_CELLS:
                return 0, say("too_large.cells", most=MOST_CELLS)
    except _TooLongError:
        return number + 1, say("too_large.record", most=_LONGEST_RECORD)
    except csv.Error as problem:
        if "field larger" in str(problem):
            return number + 1, say("too_large.cell", most=LONGEST_CELL)
    return None  # what else is wrong with it is said while it is parsed
