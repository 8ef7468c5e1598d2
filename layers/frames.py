"""Frames at the doors of the rooms: columns that must be there, and rows by their labels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from layers.errors import FrameError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["codes_of", "codes_within", "require_columns"]

Ints = npt.NDArray[np.int64]


def require_columns(frame: pd.DataFrame, columns: Iterable[str], name: str) -> None:
    """Refuse a frame without the named columns.

    Raises
    ------
    FrameError
        One or more are missing; all are named.
    """
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        msg = f"The {name} frame lacks {', '.join(missing)}; see the frames in DEVELOPERS.md."
        raise FrameError(msg)


def codes_of(labels: pd.Series, index: pd.Index, what: str) -> Ints:
    """Row numbers of labels in an index that must hold them all.

    Raises
    ------
    FrameError
        A label is not in the index; the first is named.
    """
    codes = codes_within(labels, index)
    if (codes < 0).any():
        stranger = labels.iloc[int(np.argmax(codes < 0))]
        msg = f"{what} {stranger!r} is not in its list; add it there or mend the record."
        raise FrameError(msg)
    return codes


def codes_within(labels: pd.Series, index: pd.Index) -> Ints:
    """Row numbers of labels in an index; -1 where it lacks them or the label is missing.

    Few labels over many rows are looked up once each.
    """
    numbers, distinct = pd.factorize(labels)
    places = np.append(index.get_indexer(pd.Index(distinct)), -1)
    return np.asarray(places[numbers], dtype=np.int64)
