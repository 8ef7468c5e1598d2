"""Summaries along the network: who was where, how much of it, what is left, where to go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np

from layers.estimates.sampled_length import GROUPINGS
from service import reference
from service.access import (
    open_records,
    refuse_unknown,
)
from service.answers.opening import (
    as_summary,
    fully_shown,
    in_chosen,
    kept,
    open_along_network,
    open_for,
    today,
)
from service.cache import cached
from service.errors import RequestError
from service.records import OF_EFFORT, OF_STRETCHES, OF_WATER, Selection
from service.reference import network

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    import pandas as pd

    from layers.arrays import Floats
    from layers.fieldwork.counted_water import Counted, CountedWater
    from layers.network.graph import Network
    from service.records import Viewer
    from service.store import Store

__all__ = [
    "counted",
    "coverage",
    "gaps",
    "next_places",
    "sampled_length",
    "streams",
    "stretch_lines",
]


def counted(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    represents_m: float | None = None,
    as_of: dt.date | None = None,
) -> CountedWater:
    """Work out what the placements of a selection visited and sampled, wherever they lie.

    Raises
    ------
    RequestError
        The selection names something unknown, or `represents_m` is not above 0.
    """
    from layers.fieldwork.counted_water import counted_water

    refuse_unknown(store, selection, viewer)
    if represents_m is not None and not 0 < represents_m < np.inf:
        raise RequestError(f"represents {represents_m} m must be a distance above 0.")
    everywhere = selection.anywhere().without_species()

    def make() -> CountedWater:
        records = open_records(store, everywhere, viewer, OF_WATER)
        return counted_water(
            network(store),
            records.stretches,
            records.snaps,
            records.placements,
            reference.methods(store),
            represents_m=represents_m,
            as_of=as_of,
        )

    return cached(store, viewer, ("counted water", everywhere, represents_m, as_of), make)


def coverage(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    as_of: dt.date | None = None,
    represents_m: float | None = None,
) -> gpd.GeoDataFrame:
    """Who was at each reach, how much of it, when last, and how far the nearest such water is."""
    day = as_of or today(store)
    return _coverage(store, selection, viewer, as_of=as_of, represents_m=represents_m, day=day)


@kept
def _coverage(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    as_of: dt.date | None,
    represents_m: float | None,
    day: dt.date,
) -> gpd.GeoDataFrame:
    from layers.estimates import coverage as computing

    water = counted(store, selection, viewer, represents_m=represents_m, as_of=as_of)
    found = computing.coverage(
        water,
        reference.reach_parts(store),
        as_of=day,
        region=reference.chosen_region(store, selection),
    )
    rows = in_chosen(store, found, selection)
    joined = water.network
    lines = joined.reaches.geometry.reindex(rows["reach_id"]).to_numpy()
    drawn = gpd.GeoDataFrame(rows, geometry=lines, crs=joined.crs)
    return as_summary(drawn, "coverage", found)


@kept
def streams(
    store: Store, selection: Selection, viewer: Viewer, *, represents_m: float | None = None
) -> gpd.GeoDataFrame:
    """How much of each stream was visited and sampled, when last, and what was found there."""
    from layers.estimates import stream_summary as computing

    opened = open_for(store, selection.anywhere(), viewer, whole_catch=True, needed=OF_EFFORT)
    found = computing.stream_summary(
        counted(store, selection, viewer, represents_m=represents_m),
        opened.records.catches,
        opened.species,
        opened.methods,
        shown=fully_shown(opened.species.index.to_series(), opened.species, viewer),
        region=reference.chosen_water(store, selection),
    )
    return as_summary(found, "streams", found)


@kept
def gaps(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    min_order: int = 1,
    counts: Counted = "visited",
    represents_m: float | None = None,
) -> gpd.GeoDataFrame:
    """List the connected parts of the network that nobody visited, or sampled, longest first."""
    from layers.estimates import gaps as computing

    found = computing.gaps(
        counted(store, selection, viewer, represents_m=represents_m),
        reference.reach_parts(store),
        count=counts,
        min_order=min_order,
        region=reference.chosen_region(store, selection),
    )
    return as_summary(in_chosen(store, found, selection), "gaps", found)


@kept
def next_places(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    count: int = 10,
    within_m: float = 1_000.0,
    counts: Counted = "visited",
    represents_m: float | None = None,
    weight: str | None = None,
) -> gpd.GeoDataFrame:
    """Places to go to next, each adding the most length still open to the selection as target.

    They lie in the catchments and the part of the network that are chosen, at least as far from
    water that counts as a placement stands for. `weight` is a column of numbers of the reaches.
    """
    from layers.estimates import next_places as computing
    from layers.fieldwork.counted_water import REPRESENTS_M

    if count < 1 or not within_m > 0:
        raise RequestError(f"count {count} and within {within_m} m must both be above 0.")
    water = counted(store, selection, viewer, represents_m=represents_m)
    found = computing.next_places(
        water,
        counted(store, Selection(), viewer, represents_m=represents_m),
        reference.methods(store),
        count=count,
        within_m=within_m,
        counts=counts,
        clear_m=min(represents_m or REPRESENTS_M, within_m),
        region=reference.chosen_water(store, selection),
        weight=None if weight is None else _weights(water.network, weight),
    )
    return as_summary(found, "next_places", found)


def _weights(joined: Network, name: str) -> Floats:
    reaches = joined.reaches.assign(strahler=joined.strahler)
    known = [str(column) for column in reaches.select_dtypes("number").columns]
    if name not in known:
        raise RequestError(
            f"{name!r} is no column of numbers of the reaches; there are {', '.join(known)}."
        )
    weights: Floats = reaches[name].to_numpy(np.float64, na_value=0.0)
    if not (np.isfinite(weights).all() and (weights >= 0).all()):
        raise RequestError(f"{name!r} of the reaches must be numbers from 0 up to weigh by.")
    return weights


@kept
def sampled_length(
    store: Store, selection: Selection, viewer: Viewer, *, by: Sequence[str] = ()
) -> pd.DataFrame:
    """Length of stream sampled per method, and by any of `GROUPINGS`.

    Where catchments are chosen, `catchment` is the first grouping.
    """
    from layers.estimates import sampled_length as computing

    if strange := [name for name in by if name not in GROUPINGS]:
        raise RequestError(
            f"{strange[0]!r} is no grouping; use any of {', '.join(GROUPINGS)}, with commas."
        )
    groups = tuple(by)
    if selection.catchments and "catchment" not in groups:
        groups = ("catchment", *groups)
    records = open_along_network(store, selection, viewer, OF_STRETCHES).records
    found = computing.sampled_length(
        network(store),
        records.stretches,
        records.placements,
        reference.reach_parts(store),
        reference.catchments(store),
        by=groups,
        region=reference.chosen_region(store, selection),
    )
    rows = in_chosen(store, found, selection)
    return as_summary(rows, "sampled_length", found, first=groups)  # type: ignore[no-any-return]


def stretch_lines(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """Draw the sampled stretches of a selection as lines, drawn downstream."""
    from layers.fieldwork import stretches as computing

    records = open_records(store, selection, viewer, OF_STRETCHES)
    return computing.stretch_lines(records.stretches, network(store))
