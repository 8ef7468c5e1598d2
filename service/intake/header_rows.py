"""Which row of a sheet is its header: the first, or one below titles."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from service.intake.columns import SHEETS, known_names, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["LOOKED_AT", "PAIR", "is_value", "row_of_header"]

LOOKED_AT: Final = 45
"""Rows that show how wide a table is."""
PAIR: Final = re.compile(r"([^:]{1,40}[^:\s\d])\s*:\s*(.*)", re.DOTALL)
"""What is said above a table, such as `Site: Mill ford`."""
_WITHIN: Final = 15  # rows
_NAMED_WITHIN: Final = 5  # rows: what is named ours stands at the top
_VALUE: Final = re.compile(r"[=#+\-<>~]?\s*[\d.,:/\-\s]*\d[\d.,:/\-\s]*[%+]?|\d{1,2}[. ]\w+[. ]\d+")


def is_value(text: str) -> bool:
    """Whether a cell is a number, a date or a formula rather than words."""
    return _VALUE.fullmatch(text) is not None


def row_of_header(records: Sequence[Sequence[str]], sheet: str = "") -> int | None:
    """Find the header, from 0; None where no row can be one.

    Parameters
    ----------
    records
        The first `LOOKED_AT` rows.
    sheet
        Which of ours it is, where that is known: where names of ours stand in it, the header is
        the row of the first five that alone has some, and all that the sheet needs; else the first.
    """
    if sheet:
        known = known_names(sheet)
        needed = {column.name for column in SHEETS[sheet] if column.required}
        ours = [
            {known[plain(text)] for text in row if plain(text) in known}
            for row in records[:_WITHIN]
        ]
        named = [place for place, names in enumerate(ours) if names]
        if named:
            near = [place for place in named if place < _NAMED_WITHIN]
            alone = len(near) == 1 and len(ours[near[0]]) > 1 and needed <= ours[near[0]]
            return near[0] if alone else 0
    return _by_width(records)


def _by_width(records: Sequence[Sequence[str]]) -> int | None:
    """Find the first row that is about as wide as the widest and has words, not values."""
    rows = [[text.strip() for text in row if text.strip()] for row in records[:LOOKED_AT]]
    most = max(map(len, rows), default=0)
    if len(rows) < 2 or most < 2:
        return None
    for place, own in enumerate(rows[: min(_WITHIN, len(rows) - 1)]):
        if len(own) < max(2, 0.6 * most) or sum(map(is_value, own)) > len(own) / 3:
            continue
        if 2 * sum(PAIR.fullmatch(text) is not None for text in own) < len(own):
            return place
    return None
