"""Frames whose words are codes: what many rows of few words are grouped by.

A column of text becomes categorical, its categories sorted, so that it sorts as its words do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt
    from pandas.api.extensions import ExtensionArray

    from layers.arrays import Ints

__all__ = ["coded", "coded_labels", "joined", "numbered", "used_words"]


def coded(frame: pd.DataFrame) -> pd.DataFrame:
    """Put codes in place of the words of a frame; its index stays.

    Examples
    --------
    >>> gear = coded(pd.DataFrame({"gear": ["seine", None]}, dtype="str"))["gear"]
    >>> gear.cat.codes.tolist()
    [0, -1]
    """
    words = [name for name in frame.columns if isinstance(frame[name].dtype, pd.StringDtype)]
    return frame.astype(dict.fromkeys(words, "category"))


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


def used_words(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out the words of a coded frame that none of its rows has.

    Examples
    --------
    >>> gear = coded(pd.DataFrame({"gear": ["seine", "dip net"]}, dtype="str"))
    >>> used_words(gear.iloc[:1])["gear"].cat.categories.tolist()
    ['seine']
    """
    columns = {}
    for name in frame.select_dtypes("category"):
        codes, words = frame[name].cat.codes.to_numpy(), frame[name].cat.categories
        there = np.zeros(len(words) + 1, bool)
        there[codes] = True  # the last place answers to a missing word, -1
        there[-1] = False
        place = np.where(there, np.cumsum(there) - 1, -1)
        columns[str(name)] = coded_labels(place[codes], words[there[:-1]])
    return frame.assign(**columns)


def joined(frames: Sequence[pd.DataFrame], order: Ints | None = None) -> pd.DataFrame:
    """Put coded frames of the same columns below one another, then their rows in an order.

    Parameters
    ----------
    frames
        One or more; their indexes are not looked at.
    order
        Row to stand at each place; None = as they come.

    Returns
    -------
    DataFrame
        With a plain index. Words of all frames are in the categories, sorted.
    """
    if len(frames) == 1 and order is None:
        return frames[0].reset_index(drop=True)
    columns = {
        name: _joined([frame[name].array for frame in frames], order) for name in frames[0].columns
    }
    rows = sum(map(len, frames))
    return pd.DataFrame(columns, index=pd.RangeIndex(rows), copy=False)


def _joined(arrays: list[Any], order: Ints | None) -> ExtensionArray | npt.NDArray[Any]:
    if isinstance(arrays[0], pd.Categorical):
        words, codes = _common_codes(arrays)
        codes = codes if order is None else codes[order]
        return pd.Categorical.from_codes(codes, words, validate=False)
    whole = pd.concat([pd.Series(array, copy=False) for array in arrays], ignore_index=True).array
    whole = whole if order is None else whole.take(order)
    return whole.to_numpy() if isinstance(whole, pd.arrays.NumpyExtensionArray) else whole


def _common_codes(arrays: list[pd.Categorical]) -> tuple[pd.Index, npt.NDArray[Any]]:
    words = arrays[0].categories
    if not all(array.categories.isin(words).all() for array in arrays[1:]):
        every = set().union(*(array.categories for array in arrays))
        words = pd.Index(sorted(every), dtype="str")
    parts = []
    for array in arrays:
        if array.categories is words:
            parts.append(array.codes)
        else:  # the last place answers to a missing word, -1
            place = np.append(words.get_indexer(array.categories), -1)
            parts.append(place[array.codes])
    return words, np.concatenate(parts)
