"""Lines and outlines as a screen needs them: what is in view, as fine as its zoom shows.

A network of any size fits into one answer: lines are simplified to half a pixel, and where
there are still too many the smallest are left out, and the answer says which. Positions are
whole half pixels of the web map grid at a zoom (Web Mercator, EPSG:3857), written as steps from
one to the next, which takes a fifth of the same lines in GeoJSON.
"""

from __future__ import annotations

import itertools
import threading
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pyproj
import shapely

from layers.arrays import rows_of_runs
from layers.drawing.geojson import box_around
from layers.drawing.tile_grid import HALF_M
from layers.network.lines import Lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints, Objects

__all__ = ["FINEST_ZOOM", "Box", "ScreenLines", "grid_positions", "grid_window", "screen_paths"]

Box = tuple[float, float, float, float]

FINEST_ZOOM: Final = 20
STEPS_A_TILE: Final = 512  # half pixels along a tile of 256
_KEPT_UP_TO: Final = 13  # simplified lines are kept up to this zoom; closer in few are in view
_PIECE: Final = 50_000
_HIGHEST_LATITUDE: Final = 85.051_128_78  # where the web map grid ends: a square world


def grid_positions(xy: Floats, crs: pyproj.CRS | str | int) -> Floats:
    """Place positions in a CRS on the unit square of the web map grid, (n, 2).

    East from 180° W and south from 85.05° N, each 0 … 1; NaN where there is no position.

    Examples
    --------
    >>> grid_positions(np.array([[0.0, 0.0], [-180.0, 0.0]]), 4326).tolist()
    [[0.5, 0.5], [0.0, 0.5]]
    """
    placed = np.empty((len(xy), 2))
    for start in range(0, len(xy), _PIECE):
        part = slice(start, start + _PIECE)
        east, north = _to_grid(crs).transform(xy[part, 0], xy[part, 1])
        placed[part, 0], placed[part, 1] = east + HALF_M, HALF_M - north
    placed /= 2 * HALF_M
    placed[~np.isfinite(placed).all(axis=1)] = np.nan
    return placed


@cache
def _to_grid(crs: pyproj.CRS | str | int) -> pyproj.Transformer:
    """Keep transformers to the web map grid: making one takes longer than most views."""
    return pyproj.Transformer.from_crs(crs, 3857, always_xy=True)


def _degrees(placed: Floats) -> Floats:
    """Longitude and latitude of positions on the unit square, (n, 2)."""
    longitude = placed[:, 0] * 360.0 - 180.0
    latitude = np.degrees(np.arctan(np.sinh(np.pi * (1.0 - 2.0 * placed[:, 1]))))
    return np.column_stack([longitude, latitude])


def grid_window(west: float, south: float, east: float, north: float) -> Box:
    """Box in degrees as a window on the unit square: left, top, right, bottom.

    A box over 180° has a left edge greater than its right one.
    """
    corners = np.array([[west, north], [east, south]])
    corners[:, 1] = np.clip(corners[:, 1], -_HIGHEST_LATITUDE, _HIGHEST_LATITUDE)
    placed = grid_positions(corners, 4326)
    left, top, right, bottom = placed.ravel().tolist()
    if east >= 180:
        right = 1.0
    return (left, top, right, bottom)


def screen_paths(lines: Objects, zoom: int) -> list[list[int]]:
    """Write lines on the unit square as steps at a zoom of the web map grid, as far as it shows.

    For each `[x, y, dx, dy, dx, dy, …]` in half pixels; empty where it shows as less than that.
    """
    simple = shapely.simplify(lines, _finest(zoom))
    return _paths(shapely.get_coordinates(simple), shapely.get_num_coordinates(simple), zoom)


def _finest(zoom: int) -> float:
    """Half a pixel on the unit square."""
    return 0.5 / (256 * 2.0**zoom)


def _paths(placed: Floats, sizes: NDArray[np.integer], zoom: int) -> list[list[int]]:
    """Write simplified lines, given by their vertices and the number of these in each."""
    starts = np.append(0, np.cumsum(sizes))
    at = np.round(placed * (STEPS_A_TILE * 2.0**zoom)).astype(np.int32)
    first = np.zeros(len(at), bool)
    first[starts[:-1][sizes > 0]] = True
    moved = first.copy()
    moved[1:] |= (at[1:] != at[:-1]).any(axis=1)
    at, first = at[moved], first[moved]
    delta = np.diff(at, axis=0, prepend=at[:1])
    delta[first] = at[first]
    flat = delta.ravel().tolist()
    edges = (np.append(0, np.cumsum(moved))[starts] * 2).tolist()
    return [flat[start:end] if end - start > 2 else [] for start, end in itertools.pairwise(edges)]


class _Simple(NamedTuple):
    """What is left of n lines at a zoom: number of each vertex within its line, and of vertices."""

    vertex: NDArray[np.unsignedinteger]
    sizes: NDArray[np.unsignedinteger]


def _narrow(numbers: NDArray[Any]) -> NDArray[np.unsignedinteger]:
    """Whole numbers of 0 or more in the fewest bytes."""
    return numbers.astype(np.min_scalar_type(int(numbers.max(initial=0))))


@dataclass(frozen=True)
class LinesInView:
    """Lines that a view shows, the most important last, so that they are drawn on top.

    `rows` is the row of each, `paths` its way, as :func:`screen_paths` gives it; lines below
    `least_rank` were left out, as there would be too many.
    """

    rows: Ints
    paths: list[list[int]]
    least_rank: int


class ScreenLines:
    """Lines of a layer, ready to be cut to a window and zoom, from several threads.

    `lines` are n LineStrings, or LinearRings, in `crs`; `ranks` are from 1, and higher ones are
    kept longest: stream order.
    """

    def __init__(self, lines: Objects | Lines, ranks: Sequence[int] | Ints, crs: Any) -> None:  # noqa: ANN401 - whatever pyproj reads
        self._draw = shapely.linestrings
        if not isinstance(lines, Lines):
            if (shapely.get_type_id(lines) == shapely.GeometryType.LINEARRING).any():
                self._draw = shapely.linearrings
            lines = Lines.of(lines)
        # As bare numbers, a third of what shapes take; shapes are drawn where they are simplified.
        self._xy = grid_positions(lines.vertices, crs)
        self._xy[np.isnan(self._xy)] = 0.0
        self._starts = np.append(0, np.cumsum(lines.count)).astype(np.int32)
        self._ranks = _narrow(np.asarray(ranks))
        self._bounds = np.hstack(
            [each.reduceat(self._xy, self._starts[:-1]) for each in (np.minimum, np.maximum)]
        )
        self._simple: dict[int, _Simple] = {}
        self._lock = threading.Lock()

    def in_view(
        self,
        window: Box,
        zoom: int,
        *,
        most_vertices: int,
        most_lines: int | None = None,
        among: Bools | None = None,
        smallest_px: float = 0.0,
    ) -> LinesInView:
        """Lines that meet a window of :func:`grid_window`, fine enough for a zoom of the web map.

        Parameters
        ----------
        most_vertices, most_lines
            Where there are more, the lowest ranks are left out; a single rank that is still
            too much is thinned to its longest lines.
        among
            Only these rows, (n,).
        smallest_px
            Lines whose box is smaller on the screen are left out. [pixels]
        """
        met = self._meet(window)
        if among is not None:
            met &= among
        if smallest_px:
            size = np.maximum(
                self._bounds[:, 2] - self._bounds[:, 0], self._bounds[:, 3] - self._bounds[:, 1]
            )
            met &= size * 256 * 2.0**zoom >= smallest_px
        rows = np.flatnonzero(met)
        simple, own = self._at(zoom, rows)
        keep, least = self._fitting(rows, simple.sizes[own], most_vertices, most_lines)
        keep = keep[np.argsort(self._ranks[rows[keep]], kind="stable")]
        rows, own = rows[keep], own[keep]
        sizes = simple.sizes[own].astype(np.int64)
        ends = np.cumsum(simple.sizes, dtype=np.int64)[own]
        vertex = simple.vertex[rows_of_runs(ends - sizes, sizes)]
        placed = self._xy[np.repeat(self._starts[rows], sizes) + vertex]
        return LinesInView(rows, _paths(placed, sizes, zoom), least)

    def bounds(self, rows: Ints) -> list[float] | None:
        """Box around some lines, degrees on WGS 84: west, south, east, north; None without any.

        The smallest such box; across 180° its west is greater than its east.
        """
        if not len(rows):
            return None
        box = self._bounds[rows]
        low, high = _degrees(box[:, [0, 3]]), _degrees(box[:, [2, 1]])
        return box_around(np.column_stack([low, high]))

    def fitting_zoom(self, wide_px: float) -> int:
        """Finest zoom at which all lines fit into a square of so many pixels."""
        if not len(self._bounds):
            return FINEST_ZOOM
        low, high = self._bounds[:, :2].min(axis=0), self._bounds[:, 2:].max(axis=0)
        size = max(float((high - low).max()), 1e-12)
        return int(np.clip(np.floor(np.log2(wide_px / 256 / size)), 0, FINEST_ZOOM))

    def _meet(self, window: Box) -> Bools:
        left, top, right, bottom = window
        low_x, low_y, high_x, high_y = self._bounds.T
        met = (low_y <= bottom) & (high_y >= top)
        if left <= right:
            met &= (low_x <= right) & (high_x >= left)
        else:
            met &= (low_x <= right) | (high_x >= left)
        found: Bools = met
        return found

    def _at(self, zoom: int, rows: Ints) -> tuple[_Simple, Ints]:
        """Simplify lines, or more than these; with the place of each among them."""
        if zoom > _KEPT_UP_TO:
            return self._simplified(zoom, rows), np.arange(len(rows))
        with self._lock:
            if zoom not in self._simple:
                # Piece by piece, so that the shapes of all are never there at once.
                every = np.arange(len(self._ranks))
                pieces = [
                    self._simplified(zoom, every[start : start + _PIECE])
                    for start in range(0, len(every) or 1, _PIECE)
                ]
                self._simple[zoom] = _Simple(*map(np.concatenate, zip(*pieces, strict=True)))
            return self._simple[zoom], rows

    def _simplified(self, zoom: int, rows: Ints) -> _Simple:
        first = self._starts[rows]
        sizes = self._starts[rows + 1] - first
        at, own = rows_of_runs(first, sizes), np.repeat(np.arange(len(rows)), sizes)
        numbered = np.column_stack([self._xy[at], at - first[own]])
        simple = shapely.simplify(self._draw(numbered, indices=own), _finest(zoom))
        vertex = shapely.get_coordinates(simple, include_z=True)[:, 2]
        return _Simple(_narrow(vertex), _narrow(shapely.get_num_coordinates(simple)))

    def _fitting(
        self, rows: Ints, vertices: NDArray[np.integer], most_vertices: int, most_lines: int | None
    ) -> tuple[Ints, int]:
        """Which of these lines fit into the answer, and the lowest rank that is whole."""
        if not len(rows):
            return np.empty(0, np.int64), 1
        ranks = self._ranks[rows]
        most = len(rows) if most_lines is None else most_lines
        top = int(ranks.max())
        lines_of = np.bincount(ranks, minlength=top + 1)[::-1].cumsum()[::-1]
        vertices_of = np.bincount(ranks, weights=vertices, minlength=top + 1)[::-1].cumsum()[::-1]
        fits = (lines_of <= most) & (vertices_of <= most_vertices)
        if fits.any():
            least = max(1, int(np.argmax(fits)))
            return np.flatnonzero(ranks >= least), least
        only = np.flatnonzero(ranks == top)
        box = self._bounds[rows[only]]
        size = np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
        longest = only[np.argsort(-size, kind="stable")][:most]
        enough = np.cumsum(vertices[longest]) <= most_vertices
        return np.sort(longest[enough]), top
