"""Cut lines out of reaches, by measure or by polygon."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from layers.arrays import rows_of_runs
from layers.narrow_columns import LazyShapes
from layers.network.intervals import Intervals

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Ints, Objects
    from layers.network.graph import Network

__all__ = ["ReachLines", "cut_lines", "place_on_reach", "reaches_inside"]


def place_on_reach(network: Network, rows: Ints, measure_m: Floats) -> Floats:
    """Coordinates of places given by reach row and measure, (n, 2). [m]."""
    lines = np.asarray(network.reaches.geometry)[rows]
    xy: Floats = shapely.get_coordinates(shapely.line_interpolate_point(lines, measure_m))
    return xy


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
    cut: Objects = np.asarray(network.reaches.geometry)[rows]
    parts = np.flatnonzero((from_m > 0.0) | (to_m < network.length_m[rows]))
    if not len(parts):
        return cut
    rows, from_m, to_m = rows[parts], from_m[parts], to_m[parts]
    each = np.arange(len(rows))
    reach, own = np.unique(rows, return_inverse=True)
    xy, of_line = shapely.get_coordinates(
        np.asarray(network.reaches.geometry)[reach], return_index=True
    )
    first = np.searchsorted(of_line, np.arange(len(reach)))
    step, along = _along(xy, first)
    size = np.bincount(of_line, minlength=len(reach))[own]
    of_cut = np.repeat(each, size)
    vertex = rows_of_runs(first[own], size)
    ends = []
    for measure in (from_m, to_m):
        passed = np.bincount(of_cut[along[vertex] <= measure[of_cut]], minlength=len(rows))
        start = first[own] + np.minimum(passed, size - 1) - 1
        share, length = np.ones(len(rows)), step[start + 1]
        np.divide(measure - along[start], length, out=share, where=length > 0)
        between = (xy[start + 1] - xy[start]) * share[:, None] + xy[start]
        ends.append(np.where(share[:, None] < 1, between, xy[start + 1]))
    # Sums of segment lengths differ from line lengths in their last digits.
    inside = (along[vertex] > from_m[of_cut] + 1e-6) & (along[vertex] < to_m[of_cut] - 1e-6)
    size = np.bincount(of_cut[inside], minlength=len(rows)) + 2
    last = np.cumsum(size) - 1
    place, inner = np.empty((last[-1] + 1, 2)), np.ones(last[-1] + 1, bool)
    for at, end in zip((last - size + 1, last), ends, strict=True):
        place[at], inner[at] = end, False
    place[inner] = xy[vertex[inside]]
    cut[parts] = shapely.linestrings(place, indices=np.repeat(each, size))
    return cut


def _along(xy: Floats, first: Ints) -> tuple[Floats, Floats]:
    """Length of the segment before each vertex, and of all up to it; `first` begins each line. [m].

    Summed line by line, as :func:`place_on_reach` does: not a digit differs.
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
        self._network, self.parts, self.order = network, pieces, order
        self.first, self.count = first, count

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
        meets[self._network.reaches.sindex.query(shapely.box(*box))] = True
        own = np.repeat(np.arange(len(self)), self.count)
        order = self.order[rows_of_runs(self.first, self.count)]
        some = meets[self.parts.group[order]]
        count = np.bincount(own[some], minlength=len(self))
        first = np.cumsum(count) - count
        return ReachLines(self._network, self.parts, order[some], first, count)

    def same_in(self, other: ReachLines) -> Ints:
        """Find the row in `other` of each line that has the very same pieces there; −1 else, (n,).

        Within each of the two every line has a piece, and no piece is in two lines.
        """
        found = np.full(len(self), -1)
        if other._network is not self._network or not len(other):
            return found
        mine, theirs = (
            one.parts.group[first] + 1j * one.parts.from_m[first]  # sorted by both their parts
            for one, first in ((each, each.order[each.first]) for each in (self, other))
        )
        order = np.argsort(theirs)
        row = order[np.searchsorted(theirs[order[:-1]], mine)]
        alike = np.flatnonzero((theirs[row] == mine) & (other.count[row] == self.count))
        row, count = row[alike], self.count[alike]
        now, before = (
            np.array(one.parts.at(one.order[rows_of_runs(one.first[at], count)]))
            for one, at in ((self, alike), (other, row))
        )
        differs = np.repeat(np.arange(len(row)), count)[(now != before).any(axis=0)]
        same = np.bincount(differs, minlength=len(row)) == 0
        found[alike[same]] = row[same]
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
    polygon, row = network.reaches.sindex.query(polygons, predicate="intersects", sort=True)
    lines = np.asarray(network.reaches.geometry)
    inside = shapely.intersection(lines[row], np.asarray(polygons, object)[polygon])
    pieces, pair = shapely.get_parts(inside, return_index=True)
    # Where a reach only touches a boundary there is a point, which has no length.
    length = shapely.length(pieces)
    some = length > 0
    pieces, pair, length = pieces[some], pair[some], length[some]
    # By the middle: an end may lie where a reach meets itself.
    middles = shapely.line_interpolate_point(pieces, 0.5, normalized=True)
    at = shapely.line_locate_point(lines[row[pair]], middles)
    whole = network.length_m[row[pair]]
    parts = Intervals(
        row[pair],
        np.clip(at - length / 2, 0.0, whole),
        np.clip(at + length / 2, 0.0, whole),
    )
    return polygon[pair], parts
