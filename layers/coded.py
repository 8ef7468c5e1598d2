"""Words as codes, and keys made of codes: what many rows are grouped by."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from layers.arrays import differs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Ints

__all__ = ["coded_labels", "distinct", "known_unique", "numbered", "uncoded", "word_codes"]


_FIRST, _FEW = 1_000, 30  # rows that are looked at first, and words that are few


def numbered(column: pd.Series) -> pd.Series:
    """Put codes in place of words in the order in which they come, so that they are read once.

    Other columns, coded ones too, are given back.

    Examples
    --------
    >>> numbered(pd.Series(["seine", None, "dip net"], dtype="str")).cat.codes.tolist()
    [0, -1, 1]
    """
    if not isinstance(column.dtype, pd.StringDtype):
        return column
    words = pd.Index(column.array[:_FIRST].unique()).dropna()
    few = len(words) <= _FEW  # to look each row up among them is quicker than to gather them all
    codes = words.get_indexer(pd.Index(column.array)) if few else np.array([-1])
    if (codes < 0).any():
        codes, words = pd.factorize(column)
    named = coded_labels(codes, known_unique(pd.Index(words)))
    return pd.Series(named, index=column.index, name=column.name)


def word_codes(column: pd.Series, *, ascending: bool = False) -> tuple[Ints, pd.Index]:
    """Give the number of each row's word, −1 where it is missing, and the words; if coded, these.

    pandas would hash the codes of a million rows to leave out words that no row has, in 0.05 s.

    Examples
    --------
    >>> codes, words = word_codes(pd.Series(["seine", None], dtype="str"))
    >>> codes.tolist(), words.tolist()
    ([0, -1], ['seine'])
    """
    if not isinstance(column.dtype, pd.CategoricalDtype):
        codes, words = pd.factorize(column, sort=ascending)
        return codes, pd.Index(words)
    codes, words = column.cat.codes.to_numpy().astype(np.int64), column.cat.categories
    if ascending and not words.is_monotonic_increasing:
        order = words.argsort()
        codes, words = np.append(np.argsort(order), -1)[codes], words[order]
    return codes, words


def coded_labels(codes: NDArray[np.integer], labels: pd.Index) -> pd.Categorical[Any]:
    """Rows that name others by their place in an index of unique labels, as text that is coded."""
    return pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(labels), validate=False)


def uncoded(column: pd.Series) -> pd.Series:
    """Put the words of a coded column, or its days, in place of their codes.

    Examples
    --------
    >>> uncoded(pd.Series(["seine", None], dtype="category")).tolist()
    ['seine', nan]
    """
    words = column.cat.categories.array.take(column.cat.codes.to_numpy(), allow_fill=True)
    return pd.Series(words, index=column.index, name=column.name, copy=False)


def known_unique(labels: pd.Index) -> pd.Index:
    """Let pandas take labels for unique and none for missing, as whoever made them knows.

    It would hash a million of them for that, in 0.2 s, and has no public way to be told.

    Examples
    --------
    >>> known_unique(pd.Index(["P1", "P1"], dtype="str")).is_unique  # it looks no more
    True
    """
    labels._cache |= {"is_unique": True, "hasnans": False}  # type: ignore[attr-defined]
    return labels


def distinct(keys: Ints) -> Ints:
    """Each key once, ascending.

    NumPy 2.4 looks for repeated keys by hashing: 1.5 million keys took 1.8 s of processor time,
    sorting them 0.02 s.

    Examples
    --------
    >>> distinct(np.array([3, 1, 3])).tolist()
    [1, 3]
    """
    ascending = np.sort(keys)
    return ascending[differs(ascending)]
