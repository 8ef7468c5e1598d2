"""All placements in a few columns: what a map of a million of them is counted from.

A placement takes about a hundred bytes here. The columns are what one kind of viewer may see
and nothing else; whoever may not see exact places has columns of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Codes = NDArray[np.int32]
    Bools = NDArray[np.bool_]

__all__ = ["MapColumns", "NameList"]


class NameList:
    """Many short names in one piece of memory.

    Examples
    --------
    >>> names = NameList(["T1", "Ørret", ""])
    >>> names.take([1, 0])
    ['Ørret', 'T1']
    """

    def __init__(self, names: Sequence[str]) -> None:
        encoded = [name.encode() for name in names]
        self._bytes = b"".join(encoded)
        ends = np.cumsum([0, *map(len, encoded)])
        self._ends: Ints = ends.astype(np.int64)

    def __len__(self) -> int:
        return len(self._ends) - 1

    def take(self, rows: Sequence[int] | Ints) -> list[str]:
        """Names of some rows."""
        at = np.asarray(rows, np.int64)
        starts, ends = self._ends[at].tolist(), self._ends[at + 1].tolist()
        return [self._bytes[start:end].decode() for start, end in zip(starts, ends, strict=True)]


@dataclass(frozen=True)
class MapColumns:
    """Placements of a store, as one kind of viewer sees them.

    Attributes
    ----------
    names
        Ids as the viewer knows them.
    xy
        Positions in the store's CRS, NaN where there is none, (n, 2). [m]
    square_km
        Side of the grid cell that is shown in place of a position, 0 = exact, (n,). [km]
    outcome, method, survey
        Places in `OUTCOMES`, `methods`, `surveys`; −1 where there is none, (n,).
    first_day, last_day
        Local day of setting in days since 1970, twice; or the first and last day of its year
        where only that is shown. Where none is known the first is after the last, (n,).
    snapped_xy
        Place on the reach, NaN where there is none, (n, 2). [m]
    ambiguous
        Whether another reach is as near, (n,).
    caught_by, caught
        Row of a placement and place in `species`, for each species it caught, (k,).
    stretch_by, stretch_reach, stretch_from_m, stretch_to_m
        Row of a placement, place in `reaches` and measures of each sampled stretch, (s,).
    methods, surveys, species, reaches
        What the codes stand for.
    """

    names: NameList
    xy: Floats
    square_km: NDArray[np.int16]
    outcome: NDArray[np.int8]
    method: Codes
    survey: Codes
    first_day: Codes
    last_day: Codes
    snapped_xy: Floats
    ambiguous: Bools
    caught_by: Codes
    caught: Codes
    stretch_by: Codes
    stretch_reach: Codes
    stretch_from_m: Floats
    stretch_to_m: Floats
    methods: tuple[str, ...]
    surveys: tuple[str, ...]
    species: tuple[str, ...]
    reaches: tuple[str, ...]
