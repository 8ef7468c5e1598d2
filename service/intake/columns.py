"""Names and choices of the columns of field sheets, as `service.columns` describes them.

Other people's names for a column are taken as aliases, Darwin Core terms among them (names after
the Darwin Core quick reference, https://dwc.tdwg.org/terms/). Case, spaces, `_` and `-` in a
header do not matter.
"""

from __future__ import annotations

import re
from typing import Final

from service.columns import SHEETS, Column

__all__ = ["COUNT_KINDS", "OUTCOMES", "SHEETS", "STRETCH_ANCHORS", "Column", "known_names", "plain"]

_CHOICES: Final = {each.name: each.choices for columns in SHEETS.values() for each in columns}
OUTCOMES: Final = _CHOICES["outcome"]
COUNT_KINDS: Final = _CHOICES["count_kind"]
STRETCH_ANCHORS: Final = _CHOICES["stretch_anchor"]


def plain(header: str) -> str:
    """Bring a header or word to the form in which names are compared.

    Examples
    --------
    >>> plain(" Placement ID") == plain("placement_id")
    True
    """
    return re.sub(r"[\s_\-]+", "", header).casefold()


def known_names(sheet: str) -> dict[str, str]:
    """Our column for every name and alias of a sheet, by its plain form."""
    names = {
        plain(name): column.name
        for column in SHEETS[sheet]
        for name in (column.name, *column.aliases)
    }
    return names | {plain(column.name): column.name for column in SHEETS[sheet]}
