"""Cut lines out of reaches, by measure or by polygon."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from layers.arrays import narrow, rows_of_runs
from layers.narrow_columns import LazyShapes
from layers.network.intervals import Intervals

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.arrays import Bools, Floats, Ints, Objects
    from layers.network.graph import Network

__all__ = ["ReachLines", "cut_lines", "place_on_reach", "reaches_inside"]

_AT_ONCE = 50_000


def place_on_reach(network: Network, rows: Ints, measure_m: Floats) -> Floats:
    """Coordinates of places given by reach row and measure, (n, 2). [m]."""
    pieces = [slice(begin, begin + _AT_ONCE) for begin in range(0, len(rows), _AT_ONCE)]
    places = [_Measured(network, rows[piece]).at(measure_m[piece]) for piece in pieces]
    return np.concatenate([np.empty((0, 2)), *places])


def cut_lines(network: Network, rows: Ints, from_m: Floats, to_m: Floats) -> Objects:
    """Cut the part between two measures out of each reach, all at once.

    Parameters
    ----------
    rows, from_m, to_m
        Row of the reach of each cut, and its measures within it, `from_m` < `to_m`, (k,). [m]

    Returns
    -------
    ndarray of LineString
        Drawn downstream, (k,).
    """
    cut, part = np.empty(len(rows), object), (from_m > 0.0) | (to_m < network.length_m[rows])
    cut[~part] = network.lines.drawn(rows[~part])
    parts = np.flatnonzero(part)
    if not len(parts):
        return cut
    rows, from_m, to_m = rows[parts], from_m[parts], to_m[parts]
    reach = _Measured(network, rows)
    # Sums of segment lengths differ from line lengths in their last digits.
    own, along = reach.own, reach.along[reach.vertex]
    inside = (along > from_m[own] + 1e-6) & (along < to_m[own] - 1e-6)
    size = np.bincount(own[inside], minlength=len(rows)) + 2
    last = np.cumsum(size) - 1
    place, inner = np.empty((last[-1] + 1, 2)), np.ones(last[-1] + 1, bool)
    for at, measure in ((last - size + 1, from_m), (last, to_m)):
        place[at], inner[at] = reach.at(measure), False
    place[inner] = reach.xy[reach.vertex[inside]]
    cut[parts] = shapely.linestrings(place, indices=np.repeat(np.arange(len(rows)), size))
    return cut


class _Measured:
    """Vertices of the reaches of n rows with the distance along.

    `xy`, each reach once, and `along` [m]; and each vertex again for each of the rows, `vertex`,
    with the number of the row, `own`.
    """

    def __init__(self, network: Network, rows: Ints) -> None:
        reach, place = np.unique(rows, return_inverse=True)
        lines = network.lines[reach]
        self.xy, begin = lines.vertices, np.cumsum(lines.count) - lines.count
        self._step, self.along = _along(self.xy, begin)
        self._first, self._size = begin[place], lines.count[place]
        self.own = np.repeat(np.arange(len(rows)), self._size)
        self.vertex = rows_of_runs(self._first, self._size)

    def at(self, measure_m: Floats) -> Floats:
        """Coordinates of one place of each row, (n, 2). [m]."""
        xy, along = self.xy, self.along
        before = self.own[along[self.vertex] <= measure_m[self.own]]
        passed = np.bincount(before, minlength=len(measure_m))
        start = self._first + np.minimum(passed, self._size - 1) - 1
        share, length = np.ones(len(measure_m)), self._step[start + 1]
        np.divide(measure_m - along[start], length, out=share, where=length > 0)
        between = (xy[start + 1] - xy[start]) * share[:, None] + xy[start]
        places: Floats = np.where(share[:, None] < 1, between, xy[start + 1])
        return places


def _along(xy: Floats, first: Ints) -> tuple[Floats, Floats]:
    """Length of the segment before each vertex, and of all up to it; `first` begins each line. [m].

    Summed line by line, as GEOS does: not a digit differs.
    """
    step = np.sqrt((np.diff(xy, axis=0, prepend=xy[:1]) ** 2).sum(axis=1))
    step[first] = 0.0
    along = np.empty_like(step)
    size = np.diff(first, append=len(xy))
    for count in np.unique(size):
        at = first[size == count][:, None] + np.arange(count)
        along[at] = np.cumsum(step[at], axis=1)
    return step, along


class ReachLines(LazyShapes):
    """MultiLineStrings made of parts of reaches, cut when somebody looks at them.

    Parameters
    ----------
    pieces, order
        Parts of reaches, and the order in which those of one line follow one another, (k,).
    first, count
        Where each line begins in this order, and how many pieces it has; without any it is
        missing, (n,).
    """

    def __init__(
        self, network: Network, pieces: Intervals, order: Ints, first: Ints, count: Ints
    ) -> None:
        super().__init__(network.crs)
        self._network, self.parts = network, pieces
        self.order, self.first, self.count = map(narrow, (order, first, count))

    def __len__(self) -> int:
        return len(self.first)

    def isna(self) -> Bools:
        """Mark those without a piece."""
        return np.asarray(self.count == 0, bool)

    @property
    def pieces(self) -> tuple[Ints, Intervals]:
        """Number of the line of each piece, and the pieces."""
        own = np.repeat(np.arange(len(self)), self.count)
        return own, self.parts.at(self.order[rows_of_runs(self.first, self.count)])

    def near(self, box: tuple[float, float, float, float]) -> ReachLines:
        """Leave only pieces of reaches that may meet a box, in the CRS of the network."""
        meets = np.zeros(len(self._network.length_m), bool)
        meets[self._network.lines.near(np.array([box]))[1]] = True
        own = np.repeat(np.arange(len(self)), self.count)
        order = self.order[rows_of_runs(self.first, self.count)]
        some = meets[self.parts.group[order]]
        count = np.bincount(own[some], minlength=len(self))
        first = np.cumsum(count) - count
        return ReachLines(self._network, self.parts, order[some], first, count)

    def runs(self, most: int) -> Iterator[ReachLines]:
        """Cut the first line into lines of at most so many pieces, each to be drawn by itself."""
        end = self.first[0] + self.count[0]
        for first in range(self.first[0], end, most):
            count = np.array([min(most, end - first)])
            yield ReachLines(self._network, self.parts, self.order, np.array([first]), count)

    def same_in(self, other: ReachLines) -> Ints:
        """Find the row in `other` of each line that has the very same pieces there; −1 else, (n,).

        Of each of the two pieces lie by reach and measure; every line has one, none is in two.
        """
        found = np.full(len(self), -1)
        if other._network is not self._network or not len(other):
            return found
        heads = []
        for each in (self, other):  # lines by their first pieces, as these lie
            line = np.full(len(each.parts.group), -1)
            line[each.order[each.first]] = np.arange(len(each))
            piece = np.flatnonzero(line >= 0)
            heads.append((line[piece], each.parts.group[piece] + 1j * each.parts.from_m[piece]))
        (line, mine), (row, theirs) = heads  # complex numbers are sorted by both their parts
        at = np.searchsorted(theirs[:-1], mine)
        alike = (theirs[at] == mine) & (other.count[row[at]] == self.count[line])
        line, row = line[alike], row[at[alike]]
        count = self.count[line]
        now, before = (
            np.array(one.parts.at(one.order[rows_of_runs(one.first[at], count)]))
            for one, at in ((self, line), (other, row))
        )
        differs = np.repeat(np.arange(len(row)), count)[(now != before).any(axis=0)]
        same = np.bincount(differs, minlength=len(row)) == 0
        found[line[same]] = row[same]
        return found

    def _draw(self) -> Objects:
        own, pieces = self.pieces
        shapes = np.full(len(self), None, object)
        lines, there = np.unique(own, return_inverse=True)
        shapes[lines] = shapely.multilinestrings(cut_lines(self._network, *pieces), indices=there)
        return shapes

    def _at(self, rows: Ints) -> ReachLines:
        count = np.where(rows < 0, 0, self.count[rows]) if len(self) else np.zeros_like(rows)
        first = self.first[rows] if len(self) else count
        return ReachLines(self._network, self.parts, self.order, first, count)


def reaches_inside(network: Network, polygons: Objects) -> tuple[Ints, Intervals]:
    """Find the parts of reaches that lie inside each polygon.

    Parameters
    ----------
    polygons
        Polygons or MultiPolygons in the CRS of the network, (n,); None has none.

    Returns
    -------
    owner, parts
        Position of the polygon of each part, ascending, and the parts as they lie, (k,); `group`
        is the reach's row.
    """
    shapes = np.asarray(polygons, object)
    drawn = np.flatnonzero(~shapely.is_missing(shapes) & ~shapely.is_empty(shapes))
    near, row = network.lines.near(shapely.bounds(shapes[drawn]))
    polygon, lines = drawn[near], network.lines.drawn(row)
    shapely.prepare(shapes)
    inside = np.full(len(row), None, object)
    meets = shapely.intersects(shapes[polygon], lines)
    inside[meets] = shapely.intersection(lines[meets], shapes[polygon[meets]])
    pieces, pair = shapely.get_parts(inside, return_index=True)
    # Where a reach only touches a boundary there is a point, which has no length.
    length = shapely.length(pieces)
    some = length > 0
    pieces, pair, length = pieces[some], pair[some], length[some]
    # By the middle: an end may lie where a reach meets itself.
    middles = shapely.line_interpolate_point(pieces, 0.5, normalized=True)
    at = shapely.line_locate_point(lines[pair], middles)
    whole = network.length_m[row[pair]]
    parts = Intervals(
        row[pair],
        np.clip(at - length / 2, 0.0, whole),
        np.clip(at + length / 2, 0.0, whole),
    )
    return polygon[pair], parts
