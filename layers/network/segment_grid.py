"""Nearest line to each of many points, by a grid of line segments.

A point needs to look only at the segments in its own cell and the eight around it, because a
cell is at least as wide as the search distance. All arithmetic is on arrays, point by point in
grid order, so that neighbouring points read neighbouring memory.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

__all__ = ["TIE_M", "Nearest", "SegmentGrid", "Vertices", "nearest_of_pairs"]

# Distances closer than this are equal: far below any survey, far above rounding error.
TIE_M = 1e-6
_PAIRS_AT_ONCE = 200_000
_POINTS_AT_ONCE = 50_000
_CELLS_PER_SIDE = 4096
_THREADS = 2
_VERTICES_AT_ONCE = 300_000
# A little under one cell, so that rounding cannot carry a piece over three cells.
_SHORT = 0.999


@dataclass(frozen=True)
class Nearest:
    """Nearest line of each point, and the other lines that are nearly as near.

    `line` (−1 where none is near enough), `distance`, `measure` and the place on the line, `x`
    and `y`, have one entry per point; `rival_point`, `rival_line`, `rival_distance` and
    `rival_measure` have one per further pair, ordered by point, distance and line.
    """

    line: Ints
    distance: Floats
    measure: Floats
    x: Floats
    y: Floats
    rival_point: Ints
    rival_line: Ints
    rival_distance: Floats
    rival_measure: Floats

    @classmethod
    def of_parts(cls, n: int, parts: Sequence[tuple[Ints, Nearest]]) -> Nearest:
        """Put together the answers for parts of n points, each with its point numbers."""
        line = np.full(n, -1, np.int64)
        distance, measure, x, y = (np.full(n, np.nan) for _ in range(4))
        for numbers, part in parts:
            line[numbers] = part.line
            distance[numbers], measure[numbers] = part.distance, part.measure
            x[numbers], y[numbers] = part.x, part.y
        none, nothing = [np.empty(0, np.int64)], [np.empty(0)]
        point = np.concatenate(none + [numbers[part.rival_point] for numbers, part in parts])
        order = np.argsort(point, kind="stable")
        return cls(
            line,
            distance,
            measure,
            x,
            y,
            point[order],
            np.concatenate(none + [part.rival_line for _, part in parts])[order],
            np.concatenate(nothing + [part.rival_distance for _, part in parts])[order],
            np.concatenate(nothing + [part.rival_measure for _, part in parts])[order],
        )

    def with_rivals(self, points: Ints, pairs: Ints, lines: NDArray[np.object_]) -> Nearest:
        """Give some points the line of a rival pair in place of their nearest one."""
        line, distance, measure = self.line.copy(), self.distance.copy(), self.measure.copy()
        x, y = self.x.copy(), self.y.copy()
        line[points] = self.rival_line[pairs]
        distance[points] = self.rival_distance[pairs]
        measure[points] = self.rival_measure[pairs]
        at = shapely.line_interpolate_point(lines[line[points]], measure[points])
        x[points], y[points] = shapely.get_x(at), shapely.get_y(at)
        return replace(self, line=line, distance=distance, measure=measure, x=x, y=y)


def nearest_of_pairs(
    point: Ints,
    line: Ints,
    distance: Floats,
    measure: Floats,
    margin: Floats,
    places: Callable[[Ints, Floats], tuple[Floats, Floats]],
) -> Nearest:
    """Reduce point-line pairs to the nearest line of each point.

    Parameters
    ----------
    point, line
        Numbers of the pair's point and line, (k,), ascending by `point`. Every point
        0 … len(margin) − 1 need not occur. A line may occur more than once for a point.
    distance, measure
        Of each pair, (k,). [m]
    margin
        Per point: a line at most this much farther than the nearest one is a rival. [m]
    places
        Gives x and y of measures along lines.

    Returns
    -------
    Nearest
        Of lines equally near (to a micrometre) the lowest number is the nearest one.
    """
    n = len(margin)
    best_line = np.full(n, -1, np.int64)
    best_distance, best_measure, x, y = (np.full(n, np.nan) for _ in range(4))
    if len(point) == 0:
        none, nothing = np.empty(0, np.int64), np.empty(0)
        return Nearest(best_line, best_distance, best_measure, x, y, none, none, nothing, nothing)
    first = np.flatnonzero(np.concatenate([[True], point[1:] != point[:-1]]))
    own_points = point[first]
    least = np.minimum.reduceat(distance, first)
    excess = distance - np.repeat(least, np.diff(np.append(first, len(point))))
    near = np.flatnonzero(excess <= np.maximum(margin[point], TIE_M))
    point, line, distance, measure = point[near], line[near], distance[near], measure[near]
    tied = excess[near] <= TIE_M
    first = np.flatnonzero(np.concatenate([[True], point[1:] != point[:-1]]))
    group = np.diff(np.append(first, len(point)))
    far_line = np.iinfo(np.int64).max
    chosen = np.minimum.reduceat(np.where(tied, line, far_line), first)
    own = line == np.repeat(chosen, group)
    # A line may touch a point's circle twice; its nearest place, then the upper one, counts.
    own_near = own & tied
    best_line[own_points] = chosen
    best_distance[own_points] = np.minimum.reduceat(np.where(own, distance, np.inf), first)
    best_measure[own_points] = np.minimum.reduceat(np.where(own_near, measure, np.inf), first)
    x[own_points], y[own_points] = places(chosen, best_measure[own_points])
    other = np.flatnonzero(~own)
    point, line, distance, measure = point[other], line[other], distance[other], measure[other]
    order = np.lexsort((measure, distance, line, point))
    point, line, distance, measure = point[order], line[order], distance[order], measure[order]
    new = np.ones(len(point), bool)
    new[1:] = (point[1:] != point[:-1]) | (line[1:] != line[:-1])
    point, line, distance, measure = point[new], line[new], distance[new], measure[new]
    order = np.lexsort((line, distance, point))
    return Nearest(
        best_line,
        best_distance,
        best_measure,
        x,
        y,
        point[order],
        line[order],
        distance[order],
        measure[order],
    )


@dataclass(frozen=True)
class Vertices:
    """All vertices of m LineStrings in a row.

    `x`, `y` [m], `along` (distance from the head of its line [m]) and `line` per vertex;
    `first` and `last` give each line's own.
    """

    x: Floats
    y: Floats
    along: Floats
    line: NDArray[np.int32]
    first: Ints
    last: Ints

    @classmethod
    def of_lines(cls, lines: NDArray[np.object_]) -> Vertices:
        """Read the vertices of LineStrings."""
        xy = shapely.get_coordinates(lines)
        count = shapely.get_num_coordinates(lines).astype(np.int64)
        x, y = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
        last = np.cumsum(count) - 1
        first = last + 1 - count
        step = np.zeros(len(x))
        dx, dy = np.diff(x), np.diff(y)
        dx *= dx
        dy *= dy
        dx += dy
        np.sqrt(dx, out=step[1:])
        step[first] = 0.0
        # One running sum over the whole network would lose digits on long networks: the
        # error of a sum of 10**9 m is still below a micrometre, far below the survey's.
        along = np.cumsum(step)
        along -= np.repeat(along[first], count)
        line = np.repeat(np.arange(len(lines), dtype=np.int32), count)
        return cls(x, y, along, line, first, last)

    def places(self, line: Ints, measure: Floats) -> tuple[Floats, Floats]:
        """Coordinates at a measure along a line, for n lines and measures at once."""
        low, high = self.first[line], self.last[line] - 1
        while (low < high).any():
            middle = (low + high + 1) // 2
            beyond = self.along[middle] <= measure
            low = np.where(beyond, middle, low)
            high = np.where(beyond, high, middle - 1)
        length = self.along[low + 1] - self.along[low]
        share = (measure - self.along[low]) / np.where(length == 0, 1.0, length)
        share = np.clip(share, 0.0, 1.0)
        x = self.x[low] + share * (self.x[low + 1] - self.x[low])
        return x, self.y[low] + share * (self.y[low + 1] - self.y[low])


@dataclass(frozen=True)
class SegmentGrid:
    """Segments of lines, listed by grid cell; build with :meth:`of_vertices`.

    A segment has the number of its first vertex. `start` and `listed` give those of each cell.
    """

    vertices: Vertices
    within: float
    cell: float
    origin: tuple[float, float]
    shape: tuple[int, int]
    start: NDArray[np.int32]
    listed: NDArray[np.int32]

    @classmethod
    def of_vertices(cls, vertices: Vertices, within: float) -> SegmentGrid:
        """List the segments of lines by cell, for searches up to `within` metres."""
        x, y = vertices.x, vertices.y
        low, high = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
        total = float(vertices.along[vertices.last].sum())
        mean = total / max(len(x) - len(vertices.first), 1)
        cell = max(within, mean, float((high - low).max()) / _CELLS_PER_SIDE, 1e-3)
        # Points lie up to one cell outside the lines; one more ring spares a test of bounds.
        left, bottom = (low - 2.5 * cell).tolist()
        columns, rows = np.floor((high - (left, bottom)) / cell).astype(int) + 3
        shape = (int(rows), int(columns))
        start, listed = _listing(vertices, (left, bottom), cell, shape)
        return cls(vertices, within, cell, (left, bottom), shape, start, listed)

    def nearest(self, xy: Floats, margin: Floats) -> Nearest:
        """Find the nearest line within the grid's distance of each point.

        Parameters
        ----------
        xy
            Finite coordinates, (n, 2). [m]
        margin
            A line at most this much farther than the nearest one is a rival, (n,). [m]

        Returns
        -------
        Nearest
            Rivals, too, lie within the grid's distance.
        """
        rows, columns = self.shape
        column = np.floor((xy[:, 0] - self.origin[0]) / self.cell)
        row = np.floor((xy[:, 1] - self.origin[1]) / self.cell)
        inside = (column >= 1) & (column < columns - 1) & (row >= 1) & (row < rows - 1)
        numbers = np.flatnonzero(inside)
        key = (row[numbers] * columns + column[numbers]).astype(np.int64)
        order = np.argsort(key, kind="stable")
        numbers, key = numbers[order], key[order]

        def search(begin: int) -> list[tuple[Ints, Nearest]]:
            mine = slice(begin, begin + _POINTS_AT_ONCE)
            return self._search(numbers[mine], key[mine], xy, margin)

        with ThreadPoolExecutor(_THREADS) as pool:  # NumPy frees the interpreter lock
            found = list(pool.map(search, range(0, len(numbers), _POINTS_AT_ONCE)))
        return Nearest.of_parts(len(xy), [part for parts in found for part in parts])

    def _search(
        self, numbers: Ints, key: Ints, xy: Floats, margin: Floats
    ) -> list[tuple[Ints, Nearest]]:
        """Search in portions whose pairs fit the processor's cache."""
        band = key[:, None] + np.array([-1, 0, 1])[None, :] * self.shape[1]
        begin = self.start[band - 1].astype(np.int64)
        runs = self.start[band + 2] - begin
        which = np.cumsum(runs.sum(axis=1)) // _PAIRS_AT_ONCE
        cuts = np.flatnonzero(which[1:] != which[:-1]) + 1
        parts = []
        for low, high in pairwise([0, *cuts.tolist(), len(key)]):
            some = numbers[low:high]
            found = self._look(xy[some], margin[some], begin[low:high], runs[low:high])
            parts.append((some, found))
        return parts

    def _look(self, xy: Floats, margin: Floats, begin: Ints, runs: Ints) -> Nearest:
        """Nearest line of points, each with runs of the listing, (k, 3), to look through."""
        pairs = runs.sum(axis=1)
        begin, runs = begin.ravel(), runs.ravel()
        point = np.repeat(np.arange(len(pairs)), pairs)
        entry = np.repeat(begin - (np.cumsum(runs) - runs), runs)
        entry += np.arange(len(entry))
        entry = self.listed[entry]
        share, apart = self._squares(xy, point, entry)
        looks = np.flatnonzero(pairs)
        least = np.full(len(pairs), np.inf)
        least[looks] = np.minimum.reduceat(apart, (np.cumsum(pairs) - pairs)[looks])
        # A hair wider than needed, because squares round; the reduction below is exact.
        wanted = (np.sqrt(least) + np.maximum(margin, TIE_M)) * (1 + 1e-12)
        limit = np.minimum(wanted, self.within)
        near = np.flatnonzero(apart <= (limit * limit)[point])
        at = entry[near]
        along = self.vertices.along[at]
        return nearest_of_pairs(
            point[near],
            self.vertices.line[at].astype(np.int64),
            np.sqrt(apart[near]),
            along + share[near] * (self.vertices.along[at + 1] - along),
            margin,
            self.vertices.places,
        )

    def _squares(self, xy: Floats, point: Ints, entry: NDArray[np.int32]) -> tuple[Floats, Floats]:
        """Share of the segment at the foot of the perpendicular, and squared distance."""
        head_x, head_y = self.vertices.x[entry], self.vertices.y[entry]
        away_x, away_y = xy[point, 0], xy[point, 1]
        away_x -= head_x
        away_y -= head_y
        entry = entry + 1
        dx, dy = self.vertices.x[entry], self.vertices.y[entry]
        dx -= head_x
        dy -= head_y
        share = away_x * dx
        share += away_y * dy
        squared = dx * dx
        squared += dy * dy
        squared[squared == 0] = 1.0  # a doubled vertex: the share is 0 / 1
        share /= squared
        np.clip(share, 0.0, 1.0, out=share)
        dx *= share
        dy *= share
        away_x -= dx
        away_y -= dy
        away_x *= away_x
        away_y *= away_y
        away_x += away_y
        return share, away_x


def _listing(
    vertices: Vertices, origin: tuple[float, float], cell: float, shape: tuple[int, int]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """List segments by cell, stretch of vertices by stretch."""

    def part(begin: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        end = min(begin + _VERTICES_AT_ONCE, len(vertices.x) - 1)
        return _cells_touched(vertices, begin, end, origin, cell, shape[1])

    with ThreadPoolExecutor(_THREADS) as pool:
        parts = list(pool.map(part, range(0, len(vertices.x) - 1, _VERTICES_AT_ONCE)))
    cells, segments = (np.concatenate(column) for column in zip(*parts, strict=True))
    counts = np.bincount(cells, minlength=shape[0] * shape[1])
    start = np.zeros(len(counts) + 1, np.int32)
    np.cumsum(counts, out=start[1:])
    return start, segments[np.argsort(cells, kind="stable")]


def _cells_touched(
    vertices: Vertices, begin: int, end: int, origin: tuple[float, float], cell: float, columns: int
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Cells that segments begin … end − 1 may touch, and the segment of each.

    A segment no longer than a cell touches at most the cells of its ends and, where these lie
    corner to corner, the two between. Longer ones are cut into such pieces first.
    """
    span = slice(begin, end + 1)
    x = (vertices.x[span] - origin[0]) / cell
    y = (vertices.y[span] - origin[1]) / cell
    length = np.diff(vertices.along[span]) / cell
    inside = vertices.line[begin + 1 : end + 1] == vertices.line[begin:end]
    key = y.astype(np.int64) * columns + x.astype(np.int64)
    short = np.flatnonzero(inside & (length <= _SHORT))
    found = _touched(short + begin, key[short], key[short + 1], columns)
    long = np.flatnonzero(inside & (length > _SHORT))
    if len(long):
        pieces = np.ceil(length[long] / _SHORT).astype(np.int64)
        segment = np.repeat(long, pieces)
        which = np.arange(len(segment)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        keys = []
        for cut in (which, which + 1):
            share = cut / np.repeat(pieces, pieces)
            at_x, at_y = (p[segment] + (p[segment + 1] - p[segment]) * share for p in (x, y))
            keys.append(at_y.astype(np.int64) * columns + at_x.astype(np.int64))
        found += _touched(segment + begin, keys[0], keys[1], columns)
    cells, segments = (np.concatenate(column) for column in zip(*found, strict=True))
    return cells.astype(np.int32), segments.astype(np.int32)


def _touched(segment: Ints, one: Ints, two: Ints, columns: int) -> list[tuple[Ints, Ints]]:
    """Cells and segments of pieces that begin and end in cells."""
    moved = np.flatnonzero(one != two)
    step = np.abs(two[moved] - one[moved])
    corner = moved[(step != 1) & (step != columns)]
    one_row, two_row = one[corner] // columns, two[corner] // columns
    between_one = two_row * columns + one[corner] % columns
    between_two = one_row * columns + two[corner] % columns
    return [
        (one, segment),
        (two[moved], segment[moved]),
        (between_one, segment[corner]),
        (between_two, segment[corner]),
    ]
