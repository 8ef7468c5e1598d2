"""What somebody may have meant: the nearest of the names that exist.

Advice is followed in a hurry, so nothing is offered that is not most likely the same word.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["did_you_mean", "misspelt", "nearest_names"]

_LOOKED_AT: Final = 50  # best ones, before those of other numbers are left out


def misspelt(word: str, name: str, *, letters: int = 4) -> bool:
    """Whether a word is a name with at most a letter in four wrong, left out, added or exchanged.

    Names of fewer `letters` than these four must be the same. The share is our choice.

    Examples
    --------
    >>> misspelt("barbatulla", "Barbatula"), misspelt("salar", "trutta")
    (True, False)
    """
    from rapidfuzz.distance import OSA  # loaded when a name is not found

    one, other = word.casefold(), name.casefold()
    return OSA.distance(one, other) <= min(len(one), len(other)) // letters


def nearest_names(value: str, names: Sequence[str], *, limit: int = 3) -> list[str]:
    """Names most like a value, best first; none where none is much like it.

    A name with numbers is another one if a number differs: T24-016 is not T24-017.

    Examples
    --------
    >>> nearest_names("minow trap", ["kick_net", "minnow_trap", "fyke_net"])
    ['minnow_trap']
    >>> nearest_names("t24-17", ["T24-016", "T24-017"]), nearest_names("T24-017", ["T24-016"])
    (['T24-017'], [])
    """
    from rapidfuzz import fuzz, process  # loaded when a name is not found

    plain = {name: name.casefold().replace("_", " ") for name in names}
    wanted = value.casefold().replace("_", " ")
    found = process.extract(wanted, plain, scorer=fuzz.ratio, limit=_LOOKED_AT, score_cutoff=75)
    near = [str(name) for _, _, name in found]
    return [name for name in near if _numbers(name) in ([], _numbers(value))][:limit]


def _numbers(text: str) -> list[int]:
    return [int(digits) for digits in re.findall("[0-9]{1,18}", text)]


def did_you_mean(value: str, names: Sequence[str]) -> str:
    """Say the nearest names as a question, or nothing."""
    near = nearest_names(value, names)
    return f"; did you mean {' or '.join(near)}?" if near else ""
