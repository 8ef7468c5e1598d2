"""Summaries along the network: who was where, how much of it, what is left, where to go."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.estimates.sampled_length import GROUPINGS
from layers.fieldwork.counted_water import counted_water
from service import reference
from service.access import open_records, refuse_unknown
from service.answers.following import Since, following, stamp
from service.answers.opening import as_summary, fully_shown, in_chosen, of_selected, today
from service.cache import cached, renewed
from service.errors import RequestError
from service.records import OF_EFFORT, OF_STRETCHES, OF_WATER, Selection
from service.reference import network

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Hashable, Sequence

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

    RequestError where the selection names something unknown, or `represents_m` is not above 0.
    """
    refuse_unknown(store, selection, viewer)
    if represents_m is not None and not 0 < represents_m < np.inf:
        raise RequestError(f"represents {represents_m} m must be a distance above 0.")
    everywhere = selection.anywhere().without_species()
    if everywhere == Selection() and represents_m is None and as_of is None:
        picture, water = following(store, viewer, "counted water", _water)
        return replace(water, placements=picture.placements)

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


Summary = TypeVar("Summary", bound="pd.DataFrame")


def _water(store: Store, since: Since[CountedWater]) -> CountedWater:
    """Compute what the placements that changed visited and sampled; the rest stays.

    Kept without placements: these would stay in memory as they were, long after a write.
    """
    few, methods = since.fresh(), reference.methods(store)
    records = few.records(OF_WATER)
    water = counted_water(network(store), records.stretches, records.snaps, few.placements, methods)
    if since.last is None or few is since.picture:
        return replace(water, placements=pd.DataFrame())
    return since.last.with_changes(since.last.placements, since.source, water)


def _along(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    what: Hashable,
    compute: Callable[[CountedWater, tuple[int, Summary] | None], Summary],
    *options: Hashable,
    represents_m: float | None,
    as_of: dt.date | None = None,
) -> Summary:
    """Answer a question about water: of all placements, anew where water changed since.

    `options` are what the answer depends on besides, if they are not the usual ones.
    """
    if selection != Selection() or options or represents_m is not None or as_of is not None:
        # What maps show of a target outlives writes elsewhere.
        state = stamp(store, selection, viewer) if what == "coverage" else None
        key = (what, selection, options, represents_m, as_of, state)

        def make() -> Summary:
            water = counted(store, selection, viewer, represents_m=represents_m, as_of=as_of)
            return compute(water, None)

        return cached(store, viewer, key, make, of_network=what == "coverage")

    def renew(last: tuple[int, Summary] | None) -> tuple[int, Summary]:
        water = counted(store, Selection(), viewer)
        if last and last[0] == water.made:
            return last
        anew = last is None or (water.changed_in > last[0]).all()
        return water.made, compute(water, None if anew else last)

    return renewed(store, viewer, what, renew)[1]


def coverage(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    as_of: dt.date | None = None,
    represents_m: float | None = None,
) -> gpd.GeoDataFrame:
    """Who was at each reach, how much of it, when last, and how far the nearest such water is."""
    from layers.estimates import coverage as computing

    refuse_unknown(store, selection, viewer)
    day, region = as_of or today(store), reference.chosen_region(store, selection)

    def compute(
        water: CountedWater, before: tuple[int, gpd.GeoDataFrame] | None
    ) -> gpd.GeoDataFrame:
        found = computing.coverage(
            water, reference.reach_parts(store), as_of=day, region=region, before=before
        )
        lines = water.network.reaches.geometry
        lines = lines if region is None else lines.reindex(found["reach_id"])
        drawn = gpd.GeoDataFrame(found, geometry=lines.array, crs=water.network.crs, copy=False)
        return as_summary(drawn, "coverage", found)

    everywhere = replace(selection, catchments=(), species=())
    found = _along(
        store, everywhere, viewer, "coverage", compute, represents_m=represents_m, as_of=as_of
    )
    if found.attrs["inputs"]["as_of"] != day.isoformat():
        found = computing.since(found, day)
    return in_chosen(store, found, selection)


def streams(
    store: Store, selection: Selection, viewer: Viewer, *, represents_m: float | None = None
) -> gpd.GeoDataFrame:
    """How much of each stream was visited and sampled, when last, and what was found there."""
    from layers.estimates import stream_summary as computing

    species, methods = reference.species(store), reference.methods(store)
    everywhere, region = selection.without_species(), reference.chosen_water(store, selection)

    def compute(water: CountedWater, _: tuple[int, gpd.GeoDataFrame] | None) -> gpd.GeoDataFrame:
        found = computing.stream_summary(
            water,
            open_records(store, everywhere.anywhere(), viewer, OF_EFFORT).catches,
            species,
            methods,
            shown=fully_shown(species.index.to_series(), species, viewer),
            region=region,
        )
        return as_summary(found, "streams", found)

    return _along(store, everywhere, viewer, "streams", compute, represents_m=represents_m)


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

    refuse_unknown(store, selection, viewer)

    def compute(
        water: CountedWater, before: tuple[int, gpd.GeoDataFrame] | None
    ) -> gpd.GeoDataFrame:
        found = computing.gaps(
            water,
            reference.reach_parts(store),
            count=counts,
            min_order=min_order,
            region=reference.chosen_region(store, selection),
            before=before,
        )
        return as_summary(found, "gaps", found)

    everywhere, orders = (
        replace(selection, catchments=(), species=()),
        [min_order] * (min_order > 1),
    )
    found = _along(
        store, everywhere, viewer, ("gaps", counts), compute, *orders, represents_m=represents_m
    )
    return in_chosen(store, found, selection)


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

    def renew(last: tuple[Any, gpd.GeoDataFrame] | None) -> tuple[Any, gpd.GeoDataFrame]:
        water = counted(store, selection, viewer, represents_m=represents_m)
        before = counted(store, Selection(), viewer, represents_m=represents_m)
        region, earlier = reference.chosen_water(store, selection), None
        state = water.made if water.made == before.made else stamp(store, selection, viewer)
        # A choice stands while nothing moved there.
        if last and water.made == before.made and isinstance(last[0], int):
            moved = water.moved_since(counts, last[0])
            earlier = None if moved[... if region is None else region.group].any() else last[1]
        elif last and last[0] == state:
            earlier = last[1]
        found = computing.next_places(
            water,
            before,
            reference.methods(store),
            count=count,
            within_m=within_m,
            counts=counts,
            clear_m=min(represents_m or REPRESENTS_M, within_m),
            region=region,
            weight=None if weight is None else _weights(water.network, weight),
            earlier=earlier,
        )
        return state, as_summary(found, "next_places", found)

    what = ("next places", selection, count, within_m, counts, represents_m, weight)
    found: gpd.GeoDataFrame = renewed(store, viewer, what, renew)[1]
    return found


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
    refuse_unknown(store, selection, viewer)

    def compute(water: CountedWater, _: tuple[int, pd.DataFrame] | None) -> pd.DataFrame:
        return computing.sampled_length(
            water,
            reference.reach_parts(store),
            reference.catchments(store),
            by=groups,
            region=reference.chosen_region(store, selection),
        )

    everywhere, what = replace(selection, catchments=(), species=()), ("sampled length", groups)

    def make() -> pd.DataFrame:
        found = _along(store, everywhere, viewer, what, compute, represents_m=None)
        rows = in_chosen(store, found, selection)
        return as_summary(rows, "sampled_length", found, first=groups)  # type: ignore[no-any-return]

    # What lies elsewhere may have been fished into the chosen water.
    return of_selected(store, selection.anywhere(), viewer, (what, selection), make)


def stretch_lines(
    store: Store, selection: Selection, viewer: Viewer, *, reaches: pd.Index | None = None
) -> gpd.GeoDataFrame:
    """Draw the sampled stretches of a selection, on some `reaches` only, downstream as lines."""
    from layers.fieldwork import stretches as computing

    found = open_records(store, selection, viewer, OF_STRETCHES).stretches
    if reaches is not None:
        found = found[found["reach_id"].isin(reaches)]
    return computing.stretch_lines(found, network(store))
