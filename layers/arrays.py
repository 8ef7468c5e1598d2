"""Arrays that functions hand one another, by what one element is."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Floats", "Ints", "Objects", "differs", "narrow", "rows_of_runs"]

Bools: TypeAlias = NDArray[np.bool_]
Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.signedinteger[Any]]
Objects: TypeAlias = NDArray[np.object_]  # geometries, texts, lists; None = missing


def differs(values: NDArray[Any]) -> Bools:
    """Which differ from the one before; the first does.

    Examples
    --------
    >>> differs(np.array([7, 7, 2])).tolist()
    [True, False, True]
    """
    new = np.ones(len(values), bool)
    np.not_equal(values[1:], values[:-1], out=new[1:])
    return new


def narrow(rows: Ints) -> Ints:
    """Keep places of rows in four bytes each.

    Products with plain numbers do not fit there: such sums are begun with int64.
    """
    return np.asarray(rows, np.int32)


def rows_of_runs(starts: NDArray[np.integer], sizes: NDArray[np.integer]) -> Ints:
    """Rows of runs that each begin at a row and have a size, one run after another.

    Examples
    --------
    >>> rows_of_runs(np.array([7, 2]), np.array([2, 3])).tolist()
    [7, 8, 2, 3, 4]
    """
    rows: Ints = np.repeat(starts - (np.cumsum(sizes) - sizes), sizes)
    rows += np.arange(len(rows))
    return rows
