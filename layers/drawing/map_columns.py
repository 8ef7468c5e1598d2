"""All placements in a few columns: what a map of a million of them is counted from.

A placement takes about a hundred bytes here. The columns are what one kind of viewer may see
and nothing else; whoever may not see exact places has columns of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats

    Codes = NDArray[np.integer]

__all__ = ["MapColumns"]


@dataclass(frozen=True)
class MapColumns:
    """Placements of a store, as one kind of viewer sees them.

    Attributes
    ----------
    names
        Ids as the viewer knows them.
    xy
        Positions in the store's CRS, NaN where there is none, (n, 2). [m]
    grid_xy, snapped_grid_xy
        Positions, and places on the reach, on the unit square of the web map grid, NaN where
        there is none, (n, 2).
    square_km
        Side of the grid cell that is shown in place of a position, 0 = exact, (n,). [km]
    outcome, method, survey
        Places in `OUTCOMES`, `methods`, `surveys`; −1 where there is none, (n,).
    first_day, last_day
        Local day of setting in days since 1970, twice; or the first and last day of its year
        where only that is shown. Where none is known the first is after the last, (n,).
    ambiguous
        Whether another reach is as near, (n,).
    caught_by, caught
        Row of a placement and place in `species`, for each species it caught, (k,).
    stretch_by, stretch_reach, stretch_from_m, stretch_to_m
        Row of a placement, place in `reaches` and measures of each sampled stretch, (s,).
    methods, surveys, species, reaches
        What the codes stand for.
    """

    names: pd.Index
    xy: Floats
    grid_xy: Floats
    snapped_grid_xy: Floats
    square_km: NDArray[np.int16]
    outcome: NDArray[np.int8]
    method: Codes
    survey: Codes
    first_day: Codes
    last_day: Codes
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
