"""What a map shows of one view: placements one by one or as counts, lines as they show.

Every answer is bounded: it stays under 300 kB whatever the store holds.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyproj
import shapely

from layers.crs import choose_operation
from layers.drawing.geojson import to_wgs84
from layers.drawing.placement_map import STATES, CellCounts, MapFilter, PlacementMap
from layers.drawing.screen_lines import ScreenLines, grid_positions, grid_window, screen_paths
from layers.fieldwork.looking import detectable
from layers.fieldwork.public_frames import shown_squares
from layers.network.cutting import cut_lines
from service import access, reference
from service.access import open_placement_map, open_records, refuse_unknown, within_catchments
from service.answers import features
from service.answers.coverage_answers import reach_lines
from service.answers.opening import of_selected
from service.cache import cached
from service.records import OF_NOTHING, Selection

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints
    from service.answers.features import Box
    from service.records import Viewer
    from service.store import Store

__all__ = [
    "MOST_CARDS",
    "MOST_PLACEMENTS",
    "cards",
    "lines_in_view",
    "map_summary",
    "methods_used",
    "network_bounds",
    "placements_in_view",
    "position_words",
]

MOST_PLACEMENTS: Final = 1_200
MOST_CARDS: Final = 50
_MOST_SQUARES: Final = 200
_MOST_VERTICES: Final = 20_000
_MOST_LINES: Final = 5_000
_MOST_OUTLINES: Final = 400
_SMALLEST_OUTLINE_PX: Final = 14.0
# What a selection narrows by and the columns of a map do not tell.
_NARROWING: Final = (
    "catchments", "upstream_of", "downstream_of", "streams", "hours", "able_to_find"
)  # fmt: skip
_EPOCH: Final = dt.date(1970, 1, 1)


def _filtered(
    store: Store, selection: Selection, viewer: Viewer
) -> tuple[PlacementMap, NDArray[np.uint8]]:
    """Placements, and the state of each under a selection."""
    refuse_unknown(store, selection, viewer)
    stored = open_placement_map(store, viewer)
    narrowed = Selection(**{name: getattr(selection, name) for name in _NARROWING})
    wanted = MapFilter(
        methods=tuple(sorted(selection.methods)),
        surveys=tuple(sorted(selection.surveys)),
        species=tuple(sorted(selection.species)),
        detecting=_detecting(store, selection.species),
        since_day=None if selection.since is None else (selection.since - _EPOCH).days,
        until_day=None if selection.until is None else (selection.until - _EPOCH).days,
        narrowed=narrowed,
    )
    inside = None
    if narrowed.in_memory and not stored.knows(wanted):
        inside = _inside(store, narrowed, viewer, stored)
    return stored, stored.states(wanted, inside)


def _inside(store: Store, narrowed: Selection, viewer: Viewer, stored: PlacementMap) -> Bools:
    """Mark what is left in by place, hours and gear; catchments are looked up by position."""
    inside = np.ones(len(stored), bool)
    if narrowed.catchments:
        smallest = access.open_picture(store, viewer).placements["catchment_id"]
        inside &= within_catchments(store, smallest, narrowed.catchments)
    others = replace(narrowed, catchments=())
    if others.in_memory:
        left = open_records(store, others, viewer, OF_NOTHING).placements.index
        inside &= stored.columns.names.isin(left)
    return inside


def _detecting(store: Store, species: tuple[str, ...]) -> tuple[str, ...]:
    if not species:
        return ()
    listed, methods = reference.species(store), reference.methods(store)
    can = detectable(listed[listed.index.isin(species)], methods)
    return tuple(str(name) for name in can.columns[can.any(axis=0)])


def map_summary(
    store: Store, selection: Selection, viewer: Viewer, *, caught: bool = False
) -> dict[str, Any]:
    """Tell what a selection holds at all; with `caught`, around where its species were caught.

    `placements`, how many; `methods`, names of those they used; `bounds`, the box around them in
    degrees, None without a position.
    """

    def make() -> dict[str, Any]:
        stored, states = _filtered(store, selection, viewer)
        chosen = states < len(STATES)
        used = np.unique(stored.columns.method[chosen])
        framed = states == STATES.index("caught") if caught else chosen
        x, y = stored.x[framed], stored.y[framed]
        known = np.isfinite(x)
        box = None
        if known.any():
            x, y = x[known], y[known]
            corners = np.array([[x.min(), y.max()], [x.max(), y.min()]])
            box = _degrees(corners).ravel().tolist()
        return {
            "placements": int(chosen.sum()),
            "methods": {stored.columns.methods[code] for code in used.tolist() if code >= 0},
            "bounds": box,
        }

    return of_selected(store, selection, viewer, ("map", selection, caught), make)


def methods_used(store: Store, viewer: Viewer) -> set[str]:
    """Names of the methods of all placements."""
    used = access.open_picture(store, viewer).columns["placements"]["method"].used()
    return set() if used.words is None else {str(name) for name in used.words.categories}


def network_bounds(store: Store) -> list[float] | None:
    """Box around all reaches: west, south, east, north in degrees; None without any."""

    def make() -> list[float] | None:
        found = features.degrees_around(store, store.layer_extent("reaches"))
        return None if found is None else [*found]

    return cached(store, None, "network bounds", make, of_network=True)


def _degrees(placed: Floats) -> Floats:
    longitude = placed[:, 0] * 360.0 - 180.0
    latitude = np.degrees(np.arctan(np.sinh(np.pi * (1.0 - 2.0 * placed[:, 1]))))
    return np.round(np.column_stack([longitude, latitude]), 6)


def placements_in_view(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    within: Box,
    zoom: int,
    after: str | None = None,
) -> dict[str, Any]:
    """Placements of one view: exact ones one by one up to `MOST_PLACEMENTS`, else as counts.

    Closed cells are given by themselves, never among the exact placements. With `after` the
    placements are those whose ids follow it, however many there are, up to `MOST_PLACEMENTS`: a
    list, to read whole what a view counts.

    Returns
    -------
    dict
        `zoom`; `states`, what the numbers of states mean; `total`, placements of the selection
        anywhere; `within`, those in the box. `placements`, in columns: `id`, `at` (longitude,
        latitude), `snapped` (longitude, latitude, or null), `method`, `state`, `ambiguous`, with
        `stretches`, paths as of :func:`layers.drawing.screen_lines.screen_paths`. `squares`,
        closed cells that stand in place of exact positions, in columns: `at`, `rings`,
        `side_km`, `counts` (by state), and the placements in each by method (`looked`), species
        (`found`) and year (`years`; empty = not known). `cells`, what was too much for either,
        in columns: `at`, `edges` (west, south, east, north), `counts` (by state), `closed`
        (1 = counts of closed cells).
    """
    stored, states = _filtered(store, selection, viewer)
    columns = stored.columns
    rows = stored.in_window(grid_window(*within), states)
    hidden = columns.square_km[rows] > 0
    closed, exact = rows[hidden], rows[~hidden]
    answer: dict[str, Any] = {
        "zoom": zoom,
        "states": STATES,
        "total": int(np.count_nonzero(states < len(STATES))),
        "within": len(rows),
    }
    counted = []
    if after is None and len(exact) > MOST_PLACEMENTS:
        counted.append((exact, False))
        exact = exact[:0]
    if stored.squares_among(closed) > _MOST_SQUARES:
        counted.append((closed, True))
        closed = closed[:0]
    names = stored.names_of(exact)
    # By id, so that the order does not show when a record was entered.
    order = np.argsort(np.array(names, dtype=object), kind="stable")
    if after is not None:
        order = np.array([at for at in order.tolist() if names[at] > after], np.int64)
    order = order[:MOST_PLACEMENTS]
    exact, names = exact[order], [names[at] for at in order.tolist()]
    answer["placements"] = {
        "id": names,
        "at": _degrees(columns.grid_xy[exact]).tolist(),
        "snapped": _known(_degrees(columns.snapped_grid_xy[exact])),
        "method": [columns.methods[code] for code in columns.method[exact].tolist()],
        "state": states[exact].tolist(),
        "ambiguous": columns.ambiguous[exact].astype(int).tolist(),
    }
    answer["stretches"] = _stretch_paths(store, stored, exact, zoom)
    answer["squares"] = _squares(store, stored, closed, states)
    answer["cells"] = _cells([(stored.counts(group, states, zoom), of) for group, of in counted])
    return answer


def _squares(
    store: Store, stored: PlacementMap, rows: Ints, states: NDArray[np.uint8]
) -> dict[str, Any]:
    """Gather the closed cells of some placements: what was found in each, by which gear, when."""
    columns = stored.columns
    side = columns.square_km[rows].astype(np.float64)
    centres = columns.xy[rows]
    # In the order of `shown_squares`.
    _, first, own = np.unique(
        np.column_stack([side, centres]), axis=0, return_index=True, return_inverse=True
    )
    crs = store.settings.crs
    cells = shown_squares(centres, side, crs)
    found: list[dict[str, int]] = [{} for _ in range(len(cells))]
    if len(rows):
        for (cell, species), count in stored.caught_in(rows, own).items():
            found[cell][species] = count
    return {
        "at": _degrees(columns.grid_xy[rows[first]]).tolist(),
        # Of a cell that the antimeridian cuts there are two rings.
        "rings": [
            [shapely.get_coordinates(part).round(6).tolist() for part in shapely.get_parts(shape)]
            for shape in to_wgs84(np.asarray(cells.geometry), crs)
        ],
        "side_km": cells["generalised_km"].tolist(),
        "counts": np.bincount(own * len(STATES) + states[rows], minlength=len(cells) * len(STATES))
        .reshape(-1, len(STATES))
        .tolist(),
        "looked": _tallies(own, columns.method[rows], len(cells), columns.methods),
        "found": found,
        "years": _tallies(own, stored.years_of(rows), len(cells)),
    }


def _tallies(
    own: Ints,
    of: NDArray[Any],
    size: int,
    names: Sequence[str] | None = None,
) -> list[dict[str, int]]:
    """Count what each cell holds of each kind, under its name, or its number without names."""
    tallies: list[dict[str, int]] = [{} for _ in range(size)]
    pairs, counts = np.unique(np.column_stack([own, of]), axis=0, return_counts=True)
    for (cell, kind), count in zip(pairs.tolist(), counts.tolist(), strict=True):
        tallies[cell][str(kind or "") if names is None else names[kind]] = count
    return tallies


def _known(degrees: Floats) -> list[list[float] | None]:
    return [None if pair[0] != pair[0] else pair for pair in degrees.tolist()]


def _cells(counted: Sequence[tuple[CellCounts, bool]]) -> dict[str, Any]:
    cells: dict[str, list[Any]] = {"at": [], "edges": [], "counts": [], "closed": []}
    for found, closed in counted:
        west_north, east_south = _degrees(found.window[:, :2]), _degrees(found.window[:, 2:])
        edges = np.column_stack(
            [west_north[:, 0], east_south[:, 1], east_south[:, 0], west_north[:, 1]]
        )
        cells["at"] += np.round(_degrees(found.xy), 5).tolist()
        cells["edges"] += edges.tolist()
        cells["counts"] += found.counts.tolist()
        cells["closed"] += [int(closed)] * len(edges)
    return cells


def _stretch_paths(store: Store, stored: PlacementMap, rows: Ints, zoom: int) -> list[list[int]]:
    at = stored.stretches_of(rows)
    if not len(at):
        return []
    columns, joined = stored.columns, reference.network(store)
    codes, place = np.unique(columns.stretch_reach[at], return_inverse=True)
    reach = joined.rows(columns.reaches[codes])[place]
    from_m, to_m = columns.stretch_from_m[at], columns.stretch_to_m[at]
    # Where many sampled the same stretch it is drawn once.
    once = np.unique(np.column_stack([reach, from_m, to_m]), axis=0)
    once = once[(once[:, 0] >= 0) & (once[:, 2] > once[:, 1])]
    lines = cut_lines(joined, once[:, 0].astype(np.int64), once[:, 1], once[:, 2])
    placed = grid_positions(shapely.get_coordinates(lines), joined.crs)
    return screen_paths(shapely.set_coordinates(lines, placed), zoom)


def lines_in_view(
    store: Store, *, within: Box, zoom: int, selection: Selection | None = None
) -> dict[str, Any]:
    """Reaches and catchments of one view, simplified to what shows; reaches of chosen water.

    `zoom`; `reaches`, in columns: `path`, `id`, `order`, `kind`, and `name`, the place of its name
    in `names` (null = none); `least_order`, reaches of a lower order were left out; `catchments`,
    in columns: `path` (a ring), `id`, `name` (null where there is none, empty at all but the last
    ring of a catchment).
    """
    window = grid_window(*within)
    joined, frame = reference.network(store), reference.catchments(store)
    among = None
    water = reference.chosen_water(store, selection) if selection else None
    if water is not None:
        among = np.zeros(len(joined.length_m), bool)
        among[water.group] = True
    view = reach_lines(store, joined).in_view(
        window, zoom, most_vertices=_MOST_VERTICES, most_lines=_MOST_LINES, among=among
    )
    name, names = pd.factorize(joined.reaches["stream_name"].iloc[view.rows])
    rings, owner = _rings(store, frame)
    outlines = rings.in_view(
        window, zoom, most_vertices=_MOST_VERTICES // 3, most_lines=_MOST_OUTLINES,
        smallest_px=_SMALLEST_OUTLINE_PX,
    )  # fmt: skip
    whose = owner[outlines.rows]
    ring_names = _ring_names(frame, whose)
    ids = frame.index.to_numpy(object)[whose] if len(frame) else []
    return {
        "zoom": zoom,
        "least_order": view.least_rank,
        "reaches": {
            "path": view.paths,
            "order": joined.strahler[view.rows].tolist(),
            "kind": joined.reaches["kind"].to_numpy(object)[view.rows].tolist(),
            "id": joined.reaches.index[view.rows].tolist(),
            "name": [None if code < 0 else code for code in name.tolist()],
            "names": names.tolist(),
        },
        "catchments": {
            "path": outlines.paths,
            "name": ring_names,
            "id": list(ids),
        },
    }


def _ring_names(frame: gpd.GeoDataFrame, whose: Ints) -> list[str | None]:
    """Name of each ring's catchment, once for each: at its last ring, which is its largest."""
    last = {row: at for at, row in enumerate(whose.tolist())}
    names = frame["name"].to_numpy(object)
    return [
        (names[row] if isinstance(names[row], str) else None) if last[row] == at else ""
        for at, row in enumerate(whose.tolist())
    ]


def _rings(store: Store, frame: gpd.GeoDataFrame) -> tuple[ScreenLines, Ints]:
    """Outer rings of catchments, and the row of each; larger ones rank higher."""
    of, rings, owner = cached(
        store, None, "rings", lambda: (frame, *_drawn_rings(frame)), of_network=True
    )
    return (rings, owner) if of is frame else _drawn_rings(frame)


def _drawn_rings(frame: gpd.GeoDataFrame) -> tuple[ScreenLines, Ints]:
    parts, owner = shapely.get_parts(np.asarray(frame.geometry, object), return_index=True)
    rings = shapely.get_exterior_ring(parts)
    area = shapely.area(parts)
    ranks = np.ones(len(parts), np.int64)
    if len(parts):
        ranks += np.floor(np.log2(np.maximum(area / area.min(), 1.0))).astype(np.int64)
    return ScreenLines(rings, ranks, frame.crs), owner.astype(np.int64)


def cards(store: Store, selection: Selection, viewer: Viewer) -> tuple[gpd.GeoDataFrame, int]:
    """Placements that a selection names, with all that a card shows, and how many are named.

    Up to `MOST_CARDS` of :func:`service.answers.features.placements`, by id.
    """
    names = sorted(selection.placements)
    shown = Selection(placements=tuple(names[:MOST_CARDS]))
    return features.placements(store, shown, viewer), len(names)


def position_words(store: Store, longitude: float, latitude: float, *, crs: str = "") -> str:
    """Position on WGS 84 in whole metres of a projected CRS, the store's or `crs`, and its name."""
    wanted = pyproj.CRS.from_user_input(crs or store.settings.crs)
    (x,), (y,) = choose_operation(4326, wanted).move(longitude, latitude)
    name = ":".join(wanted.to_authority() or ()) or wanted.name
    if not (np.isfinite(x) and np.isfinite(y)):
        return f"outside {name}"
    return f"{x:.0f} {y:.0f} {name}"
