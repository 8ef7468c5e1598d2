"""Words as codes: what many rows of few words are grouped by."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from layers.arrays import Ints

__all__ = ["coded_labels", "numbered"]


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
    codes, words = pd.factorize(column)
    named = coded_labels(codes, pd.Index(words))
    return pd.Series(named, index=column.index, name=column.name)


def coded_labels(codes: Ints, labels: pd.Index) -> pd.Categorical[Any]:
    """Rows that name others by their place in an index of unique labels, as text that is coded."""
    return pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(labels), validate=False)
