"""Names and choices of the columns of field sheets, as `service.columns` describes them.

Other people's names for a column are taken as aliases, Darwin Core terms among them (names after
the Darwin Core quick reference, https://dwc.tdwg.org/terms/). Case, spaces, `_` and `-` in a
header do not matter.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from service.columns import SHEETS, Column

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "COUNT_KINDS", "DITTO", "NO_FISH", "OUTCOMES", "PRESENT", "SHEETS", "STAGES",
    "STRETCH_ANCHORS", "WORDS", "Column", "any_of", "known_names", "plain",
]  # fmt: skip

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


WORDS: Final[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("header_words.toml").read_text(encoding="utf-8")
)
"""Words that people write above columns and into cells."""
_NO_FISH: Final = (WORDS["outcomes"]["nil"], WORDS["none"]["alone"], WORDS["no_fish"]["alone"])
NO_FISH: Final = frozenset(plain(word) for words in _NO_FISH for word in words)
"""What people write for no fish, in the form that `plain` gives; more than one language."""
PRESENT: Final = frozenset(map(plain, WORDS["present"]["alone"]))
"""What people write where fish were seen and not counted."""
DITTO: Final = frozenset(WORDS["ditto"]["alone"])
"""Signs for what the cell above says, in small letters."""
STAGES: Final[dict[str, str]] = {
    word: stage
    for listed in (WORDS["stages"], WORDS["ages"])
    for stage, own in listed.items()
    for word in (stage, *own)
}
"""Life stages, and classes of age, by what people write for them."""


def any_of(words: Iterable[str]) -> str:
    """Write a pattern that fits any of these words; a point at the end of one may be missing.

    Examples
    --------
    >>> re.fullmatch(any_of(["ca.", "about"]), "ca") is not None
    True
    """
    return f"(?:{'|'.join(re.escape(w) + '?' * w.endswith('.') for w in words)})"
