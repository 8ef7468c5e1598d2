"""Signs of methods: one or two letters out of each label, that no other method of a store has."""

from __future__ import annotations

import itertools
import unicodedata
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["method_signs"]


def method_signs(labels: pd.Series) -> pd.Series:
    """Choose the letters that stand in the marks of each method, no two the same.

    A method whose first letter no other has gets that letter. Those that share one get two each:
    the first letters of their first two words, else the first letter and a later one of the
    label, else the first letter and a number. So a single letter never stands for several. A
    missing label counts as the method's name. A rule of ours; it follows no list of gear codes.

    Examples
    --------
    >>> labels = pd.Series({"kick_net": "Kick net", "seine": "Seine", "spotlight": "Spotlight"})
    >>> method_signs(labels).to_dict()
    {'kick_net': 'K', 'seine': 'Se', 'spotlight': 'Sp'}
    >>> method_signs(pd.Series({"a": "Kick net", "b": "Kick seine"})).tolist()
    ['Kn', 'Ks']
    """
    words = [
        _words(label if isinstance(label, str) else "") or _words(str(method)) or ["?"]
        for method, label in labels.items()
    ]
    firsts = [own[0][0].upper()[:1] for own in words]
    taken: set[str] = set()
    signs = []
    for own, first in zip(words, firsts, strict=True):
        alone = firsts.count(first) == 1
        # The numbers have no end, so something is always free.
        sign = first if alone else next(one for one in _pairs(own, first) if one not in taken)
        taken.add(sign)
        signs.append(sign)
    return pd.Series(signs, index=labels.index, dtype="str", name="sign")


def _words(text: str) -> list[str]:
    """Words of a label, letters and digits only."""
    whole = unicodedata.normalize("NFC", text)
    return "".join(one if one.isalnum() else " " for one in whole).split()


def _pairs(words: list[str], first: str) -> Iterator[str]:
    if len(words) > 1:
        yield first + words[1][0].lower()
    yield from (first + later.lower() for later in "".join(words)[1:])
    yield from (f"{first}{number}" for number in itertools.count(2))
