"""Parts of the network that a selection names: upstream or downstream of a place, streams."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from layers.errors import FrameError
from layers.network.directions import downstream_of, upstream_of
from layers.network.intervals import Intervals, as_intervals, overlay, union_intervals
from service.cache import cached
from service.errors import RequestError
from service.reference.lookups import ancestors, network, reach_parts
from service.reference.spelling import nearest_names

if TYPE_CHECKING:
    from layers.network.graph import Network
    from service.records import Selection
    from service.store import Store

__all__ = ["catchment_region", "catchments_along", "chosen_region", "chosen_water", "common_water"]


def chosen_region(store: Store, selection: Selection) -> Intervals | None:
    """Cut out what a selection's `upstream_of`, `downstream_of` and `streams` have in common.

    Parts of reaches by row, which do not overlap; None where the selection names no such. Raises
    RequestError where there is no such reach, measure or stream.
    """
    named = (selection.upstream_of, selection.downstream_of, selection.streams)
    if not any(named):
        return None
    return cached(
        store, None, ("region", named), lambda: _region(store, selection), of_network=True
    )


def _region(store: Store, selection: Selection) -> Intervals:
    joined = network(store)
    parts = []
    if selection.upstream_of:
        parts.append(_beyond(joined, selection.upstream_of, upstream=True))
    if selection.downstream_of:
        parts.append(_beyond(joined, selection.downstream_of, upstream=False))
    if selection.streams:
        parts.append(_of_streams(joined, selection.streams))
    region = parts[0]
    for part in parts[1:]:
        region = common_water(region, part)
    return region


def common_water(one: Intervals, other: Intervals) -> Intervals:
    """Cut out what two regions have in common."""
    cut = overlay(one, other)
    return union_intervals(one.group[cut.interval], cut.from_m, cut.to_m)


def catchment_region(store: Store, catchments: tuple[str, ...]) -> Intervals | None:
    """Cut out what lies in any of some catchments or in what is nested there; None for none."""
    if not catchments:
        return None
    nested = ancestors(store)
    members = nested.loc[nested["ancestor_id"].isin(list(catchments)), "catchment_id"]
    parts = reach_parts(store)
    own = parts[parts["catchment_id"].isin(members.unique())]
    joined = network(store)
    rows = joined.rows(own["reach_id"])
    length = joined.length_m[rows]
    return union_intervals(
        rows,
        np.clip(own["from_m"].to_numpy(np.float64), 0.0, length),
        np.clip(own["to_m"].to_numpy(np.float64), 0.0, length),
    )


def chosen_water(store: Store, selection: Selection) -> Intervals | None:
    """Cut out the network that a selection leaves in, its catchments included; None for all."""
    region = chosen_region(store, selection)
    inside = catchment_region(store, selection.catchments)
    if region is None or inside is None:
        return region if inside is None else inside
    return common_water(region, inside)


def catchments_along(store: Store, region: Intervals) -> set[str]:
    """Name the catchments that any part of a region lies in, with those around them."""
    parts = reach_parts(store)
    joined = network(store)
    rows = joined.rows(parts["reach_id"])
    lies = as_intervals(rows, parts["from_m"].to_numpy(float), parts["to_m"].to_numpy(float))
    touched = parts["catchment_id"].iloc[np.unique(overlay(lies, region).interval)].dropna()
    nested = ancestors(store)
    return set(nested.loc[nested["catchment_id"].isin(touched.unique()), "ancestor_id"])


def _beyond(joined: Network, place: str, *, upstream: bool) -> Intervals:
    row, measure = _place(joined, place)
    try:
        return (upstream_of if upstream else downstream_of)(joined, row, measure)
    except FrameError as problem:
        raise RequestError(str(problem)) from None


def _place(joined: Network, text: str) -> tuple[int, float | None]:
    """Read REACH or REACH:MEASURE; a reach id may contain colons."""
    row = int(joined.rows([text])[0])
    if row >= 0:
        return row, None
    reach, colon, number = text.rpartition(":")
    row = int(joined.rows([reach])[0]) if colon else -1
    if row < 0:
        near = nearest_names(reach if colon else text, [str(name) for name in joined.reaches.index])
        hint = f"; did you mean {' or '.join(near)}?" if near else "."
        raise RequestError(
            f"There is no reach {text!r} here{hint} Write REACH, or REACH:MEASURE with the metres "
            "from its upstream end."
        )
    try:
        return row, float(number)
    except ValueError:
        raise RequestError(
            f"{number!r} is no measure on reach {reach}; write metres from its upstream end."
        ) from None


def _of_streams(joined: Network, names: tuple[str, ...]) -> Intervals:
    stream, table = joined.streams
    chosen = np.zeros(len(table), bool)
    for name in names:
        own = (table["stream_id"] == name).to_numpy(bool)
        if not own.any():
            own = (table["stream"].str.casefold() == name.strip().casefold()).to_numpy(bool)
        if not own.any():
            near = nearest_names(name, table["stream"].unique().tolist())
            hint = f"did you mean {' or '.join(near)}?" if near else "see `summary streams`."
            raise RequestError(f"There is no stream {name!r} here; {hint}")
        chosen |= own
    rows = np.flatnonzero(chosen[stream])
    return Intervals(rows, np.zeros(len(rows)), joined.length_m[rows].astype(np.float64))
