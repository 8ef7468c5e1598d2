"""What the coverage page, its map and its files show: one question, answered by the summaries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from layers.drawing.geojson import bounding_box, property_values, to_wgs84
from layers.drawing.screen_lines import ScreenLines, grid_window
from layers.estimates.coverage_bands import BANDS, coverage_bands
from service import reference
from service.access import refuse_unknown
from service.answers import summaries
from service.answers.following import stamp
from service.answers.opening import today
from service.answers.tables import plain_rows
from service.cache import cached, renewed

if TYPE_CHECKING:
    from collections.abc import Hashable

    import geopandas as gpd
    import pyproj

    from layers.arrays import Floats, Ints, Objects
    from layers.fieldwork.counted_water import Counted
    from layers.network.graph import Network
    from service.answers.features import Box
    from service.records import Selection, Viewer
    from service.store import Store

__all__ = [
    "CoverageQuestion",
    "band_lengths",
    "bounds",
    "coverage",
    "gap_bounds",
    "gap_outline",
    "gap_places",
    "gaps",
    "network_rows",
    "next_places",
    "outline",
    "overview",
    "reach_lines",
    "reaches_in_view",
    "streams",
]

_MOST_VERTICES: Final = 16_000
_MOST_LINES: Final = 2_500
_MOST_STREAMS: Final = 100
_MOST_GAPS_SHOWN: Final = 100
_OUTLINE_PX: Final = 2_048  # a gap is drawn finely enough for this width


@dataclass(frozen=True)
class CoverageQuestion:
    """The target: which placements count, and how; and what is wanted of the network."""

    selection: Selection
    min_order: int = 1
    count: int = 10
    within_m: float = 1_000.0
    counts: Counted = "visited"
    represents_m: float | None = None

    def __post_init__(self) -> None:
        # Whether somebody was at a reach does not depend on what was caught there.
        object.__setattr__(self, "selection", self.selection.without_species())


def coverage(store: Store, question: CoverageQuestion, viewer: Viewer) -> gpd.GeoDataFrame:
    """Reaches of at least the wanted order: how much was sampled, when last."""
    found = summaries.coverage(
        store, question.selection, viewer, represents_m=question.represents_m
    )
    if question.min_order <= 1:
        return found
    return found[found["strahler"] >= question.min_order].reset_index(drop=True)


def overview(store: Store, question: CoverageQuestion, viewer: Viewer) -> dict[str, Any]:
    """All that the page of coverage says but for next places: small, and kept over writes.

    Of the network `network_m`, `visited_m` and `sampled_m` [m], `bands`, `inputs`, `bounds`
    (:func:`bounds`); rows of summaries: `lengths` with `longest_m`, `gaps` and `streams` without a
    visit, the longest of them, with `gap_count`, `gap_bounds`, `stream_count`, `unvisited_count`.
    """
    day, selection = today(store), question.selection

    def renew(last: tuple[Hashable, dict[str, Any]] | None) -> tuple[Hashable, dict[str, Any]]:
        refuse_unknown(store, selection, viewer)
        state = stamp(store, selection.anywhere(), viewer)
        return last if last and last[0] == state else (state, _overview(store, question, viewer))

    return renewed(store, viewer, ("overview", question, day), renew)[1]


def _overview(store: Store, question: CoverageQuestion, viewer: Viewer) -> dict[str, Any]:
    reaches = coverage(store, question, viewer)
    lengths = summaries.sampled_length(store, question.selection, viewer)
    every_gap = gaps(store, question, viewer)
    every_stream = streams(store, question, viewer).drop(columns="geometry")
    unvisited = every_stream[every_stream["visited_length_m"] == 0]
    unvisited = unvisited.sort_values("length_m", ascending=False)
    listed, metres = every_gap.head(_MOST_GAPS_SHOWN), reaches["length_m"]
    return {
        "network_m": float(metres.sum()),
        "visited_m": float((metres * reaches["visited_fraction"]).sum()),
        "sampled_m": float((metres * reaches["sampled_fraction"]).sum()),
        "bands": list(zip(BANDS, band_lengths(reaches), strict=True)),
        "inputs": reaches.attrs["inputs"],
        "bounds": bounds(store, reaches),
        "lengths": plain_rows(lengths),
        "longest_m": float(lengths["effort_length_m"].max()) if len(lengths) else 0.0,
        "gaps": plain_rows(listed.drop(columns="geometry")),
        "gap_count": len(every_gap),
        "gap_bounds": gap_bounds(listed),
        "streams": plain_rows(unvisited.head(_MOST_STREAMS)),
        "stream_count": len(every_stream),
        "unvisited_count": len(unvisited),
    }


def streams(store: Store, question: CoverageQuestion, viewer: Viewer) -> gpd.GeoDataFrame:
    """Streams: how much of each was visited and sampled, and what was found there."""
    return summaries.streams(store, question.selection, viewer, represents_m=question.represents_m)


def gaps(store: Store, question: CoverageQuestion, viewer: Viewer) -> gpd.GeoDataFrame:
    """Gaps, longest first."""
    return summaries.gaps(
        store,
        question.selection,
        viewer,
        min_order=question.min_order,
        counts=question.counts,
        represents_m=question.represents_m,
    )


def next_places(store: Store, question: CoverageQuestion, viewer: Viewer) -> gpd.GeoDataFrame:
    """Places to go to next, in the catchments and the part of the network that are chosen."""
    return summaries.next_places(
        store,
        question.selection,
        viewer,
        count=question.count,
        within_m=question.within_m,
        counts=question.counts,
        represents_m=question.represents_m,
    )


def gap_places(found: gpd.GeoDataFrame) -> Floats:
    """One place in each gap to go to, degrees on WGS 84, (n, 2).

    The point farthest from water that counts; where there is none in the connected part, the
    middle of the gap's longest piece.
    """
    places: Floats = found[["farthest_longitude", "farthest_latitude"]].to_numpy(
        np.float64, copy=True
    )
    unknown = np.isnan(places).any(axis=1)
    if unknown.any():
        parts, owner = shapely.get_parts(
            np.asarray(found.geometry[unknown], object), return_index=True
        )
        order = np.lexsort((-shapely.length(parts), owner))
        longest = order[np.unique(owner[order], return_index=True)[1]]
        middles = shapely.line_interpolate_point(parts[longest], 0.5, normalized=True)
        places[unknown] = shapely.get_coordinates(to_wgs84(middles, found.crs))
    return places


def gap_bounds(found: gpd.GeoDataFrame) -> list[list[float] | None]:
    """Box around each gap, degrees on WGS 84: west, south, east, north."""
    return [
        bounding_box(np.array([shape]))
        for shape in to_wgs84(np.asarray(found.geometry, object), found.crs)
    ]


def reach_lines(store: Store, joined: Network) -> ScreenLines:
    """Reaches of a network, ready for any window and zoom, row by row."""

    def make() -> ScreenLines:
        return ScreenLines(joined.lines, np.maximum(joined.strahler, 1), joined.crs)

    # The network is part of the question, since the store may have changed after it was read.
    return cached(store, None, ("reach lines", joined), make, of_network=True)


def reaches_in_view(
    store: Store, question: CoverageQuestion, viewer: Viewer, *, within: Box, zoom: int
) -> dict[str, Any]:
    """Reaches of one view with their band of coverage, bounded in size.

    `zoom`; `least_order`, reaches of a lower order were left out; and in columns, by reach:
    `paths` (:func:`layers.drawing.screen_lines.screen_paths`), `order`, `band` (place in
    `layers.estimates.coverage_bands.BANDS`), `reach_id`, `stream_name`, `last_date`, `methods` (`;`
    between), `visited` and `sampled` fraction (0 … 1), `distance_m` (from its farthest point that
    nobody visited to the nearest visited water) and `length_m`.
    """
    found = coverage(store, question, viewer)
    joined = reference.network(store)
    rows = network_rows(joined, found)
    known = rows >= 0  # all, unless the network was replaced just now
    row_of = np.full(len(joined.length_m), -1, np.int64)
    row_of[rows[known]] = np.flatnonzero(known)
    view = reach_lines(store, joined).in_view(
        grid_window(*within), zoom,
        most_vertices=_MOST_VERTICES, most_lines=_MOST_LINES, among=row_of >= 0,
    )  # fmt: skip
    shown = found.iloc[row_of[view.rows]]
    return {
        "zoom": zoom,
        "least_order": view.least_rank,
        "paths": view.paths,
        "order": joined.strahler[view.rows].tolist(),
        "band": coverage_bands(shown).tolist(),
        "reach_id": shown["reach_id"].tolist(),
        "stream_name": property_values(joined.reaches["stream_name"].iloc[view.rows]),
        "last_date": property_values(shown["last_date"].dt.strftime("%Y-%m-%d")),
        "visited": shown["visited_fraction"].round(4).tolist(),
        "sampled": shown["sampled_fraction"].round(4).tolist(),
        "methods": shown["methods"].tolist(),
        "distance_m": [
            None if metres != metres else round(metres)
            for metres in shown["distance_to_visited_m"].tolist()
        ],
        "length_m": shown["length_m"].round(1).tolist(),
    }


def band_lengths(found: gpd.GeoDataFrame) -> list[tuple[int, float]]:
    """How many reaches, and how much length of them [m], each band of `BANDS` has."""
    band = coverage_bands(found)
    metres = found["length_m"].to_numpy(np.float64)
    counts = np.bincount(band, minlength=len(BANDS))
    lengths = np.bincount(band, weights=metres, minlength=len(BANDS))
    return list(zip(counts.tolist(), lengths.tolist(), strict=True))


def bounds(store: Store, found: gpd.GeoDataFrame) -> list[float] | None:
    """Box around reaches, degrees on WGS 84: west, south, east, north."""
    joined = reference.network(store)
    rows = network_rows(joined, found)
    lines = reach_lines(store, joined)
    if len(rows) < len(joined.length_m):
        return lines.bounds(rows[rows >= 0])
    return cached(store, None, ("bounds", joined), lambda: lines.bounds(rows), of_network=True)


def network_rows(joined: Network, found: gpd.GeoDataFrame) -> Ints:
    """Row of each reach in the network; −1 where it was replaced just now."""
    names = pd.Index(found["reach_id"])
    return np.arange(len(names)) if names.equals(joined.reaches.index) else joined.rows(names)


def gap_outline(
    store: Store, question: CoverageQuestion, viewer: Viewer, number: int
) -> dict[str, Any] | None:
    """One gap as `zoom` and `paths` (`layers.drawing.screen_lines`); None if unknown."""
    found = gaps(store, question, viewer)
    own = found[found["gap"] == number]
    if own.empty:
        return None
    return {"gap": number} | outline(shapely.get_parts(np.asarray(own.geometry, object)), own.crs)


def outline(lines: Objects, crs: pyproj.CRS) -> dict[str, Any]:
    """Lines as a map marks them: `zoom` and `paths` (`layers.drawing.screen_lines`)."""
    drawn = ScreenLines(lines, np.ones(len(lines), np.int64), crs)
    zoom = drawn.fitting_zoom(_OUTLINE_PX)
    view = drawn.in_view((0.0, 0.0, 1.0, 1.0), zoom, most_vertices=_MOST_VERTICES)
    return {"zoom": zoom, "paths": view.paths}
