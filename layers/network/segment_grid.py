"""Nearest line to each of many points, by a grid of line segments.

Most points lie near a line. Each looks first through the four cells around it, which are smaller
than the search distance; only where something nearer, or nearly as near, may lie beyond these does
it look again, as far as what was found leaves open. All arithmetic is on arrays, in the order of
the grid, so that neighbouring points read neighbouring memory.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from layers.arrays import Floats, Ints
    from layers.network.lines import Lines

    Places = NDArray[np.complex128]

__all__ = ["TIE_M", "Nearest", "Pairs", "SegmentGrid", "Vertices", "nearest_of_pairs"]

# Distances closer than this are equal: far below any survey, far above rounding error.
TIE_M = 1e-6
_PAIRS_AT_ONCE = 100_000
_POINTS_AT_ONCE = 8_000
_CELLS_PER_SIDE = 2**14  # 64 MB where both sides have as many
_LEAST_CELL_M = 0.1
_MEAN_SEGMENTS = 2  # least side of a cell
_CELLS_WITHIN = 3  # most cells that a search reaches beyond the one of its point
_THREADS = 2
_VERTICES_AT_ONCE = 300_000
# A little under one cell, so that rounding cannot carry a piece over three cells.
_SHORT = 0.999
_SEGMENT_BITS = 34  # of a number that has a cell's before
_ROUNDING = 1e-6  # of a cell: what lies this near its border may be listed beyond it


class Pairs(NamedTuple):
    """Points and lines, each with the nearest place of the line.

    Numbers of `point` and `line`, `distance` between [m], `measure` along the line [m] and the
    place there, `foot` (x + iy [m]).
    """

    point: Ints
    line: Ints
    distance: Floats
    measure: Floats
    foot: Places

    def of(self, rows: Ints) -> Pairs:
        """Take some of the pairs."""
        return Pairs(*(column[rows] for column in self))  # type: ignore[arg-type]  # each its own


@dataclass(frozen=True)
class Nearest:
    """Nearest line of each point, and the other lines that are nearly as near.

    `line` (−1 where none is near enough), `distance`, `measure` and `foot` have one entry per
    point; `rivals` are ordered by point, distance and line.
    """

    line: Ints
    distance: Floats
    measure: Floats
    foot: Places
    rivals: Pairs

    @classmethod
    def of_parts(cls, n: int, parts: Sequence[tuple[Pairs, Pairs]]) -> Nearest:
        """Put together nearest lines and rivals that were found for parts of n points."""
        nothing = np.empty(0)
        none = Pairs(
            nothing.astype(int), nothing.astype(int), nothing, nothing, nothing.astype(complex)
        )
        rivals = Pairs(*map(np.concatenate, zip(none, *(part[1] for part in parts), strict=True)))
        order = np.argsort(rivals.point, kind="stable")
        found = cls(
            np.full(n, -1),
            np.full(n, np.nan),
            np.full(n, np.nan),
            np.full(n, complex(np.nan, np.nan)),
            rivals.of(order),
        )
        for nearest, _ in parts:
            found._place(nearest)
        return found

    def with_rivals(self, pairs: Ints) -> Nearest:
        """Give the points of some pairs their rival in place of their nearest line."""
        changed = Nearest(
            self.line.copy(), self.distance.copy(), self.measure.copy(), self.foot.copy(),
            self.rivals,
        )  # fmt: skip
        changed._place(self.rivals.of(pairs))
        return changed

    def _place(self, pairs: Pairs) -> None:
        self.line[pairs.point], self.distance[pairs.point] = pairs.line, pairs.distance
        self.measure[pairs.point], self.foot[pairs.point] = pairs.measure, pairs.foot


def nearest_of_pairs(
    point: Ints, line: Ints, part: Ints, distance: Floats, margin: Floats
) -> tuple[Ints, Ints]:
    """Choose the nearest line of each point, and its rivals, from point-line pairs.

    Parameters
    ----------
    point, line
        Numbers of the pair's point and line, (k,), ascending by `point`. Every point
        0 … len(margin) − 1 need not occur. A line may occur more than once for a point.
    part
        Number of the part of the line that the pair is of, ascending by line and along it, (k,).
    distance
        Of each pair, (k,). [m]
    margin
        Per point: a line at most this much farther than the nearest one is a rival. [m]

    Returns
    -------
    nearest
        Pair of each point, (n,); −1 where it has none. Of those equally near (to a micrometre)
        the one of the lowest line, and of this the upper one.
    rivals
        Pairs of other lines, one for each point and line, by point, distance and line.
    """
    nearest = np.full(len(margin), -1, np.int64)
    if len(point) == 0:
        return nearest, np.empty(0, np.int64)
    least = np.empty(len(margin))
    first = _firsts(point)
    least[point[first]] = np.minimum.reduceat(distance, first)
    excess = distance - least[point]
    tied = np.flatnonzero(excess <= TIE_M)
    first = _firsts(point[tied])
    lowest = np.minimum.reduceat(part[tied], first)
    own = tied[part[tied] == np.repeat(lowest, np.diff(first, append=len(tied)))]
    nearest[point[own]] = own  # of a segment that is listed twice any is as good
    rivals = np.flatnonzero(line != line[nearest][point])
    at = point[rivals]
    rivals = rivals[excess[rivals] <= np.maximum(margin[at], TIE_M)]
    order = np.lexsort((part[rivals], distance[rivals], line[rivals], point[rivals]))
    rivals = rivals[order]
    again = (point[rivals[1:]] == point[rivals[:-1]]) & (line[rivals[1:]] == line[rivals[:-1]])
    rivals = rivals[np.append(True, ~again)[: len(rivals)]]
    return nearest, rivals[np.lexsort((distance[rivals], point[rivals]))]


def _firsts(ordered: Ints) -> Ints:
    """Where each run of equal numbers begins."""
    return np.flatnonzero(np.diff(ordered, prepend=-1))


@dataclass(frozen=True)
class Vertices:
    """All vertices of m LineStrings in a row.

    `at` (x + iy [m]), `along` (distance from the head of its line [m]) and `line` per vertex;
    `first` and `last` give each line's own.
    """

    at: Places
    along: Floats
    line: Ints
    first: Ints
    last: Ints

    @classmethod
    def of_lines(cls, lines: Lines) -> Vertices:
        """Read the vertices of lines."""
        at, count = lines.vertices.view(np.complex128)[:, 0], lines.count
        last = np.cumsum(count) - 1
        first = last + 1 - count
        along = np.zeros(len(at))
        np.abs(np.diff(at), out=along[1:])
        along[first] = 0.0
        # One running sum over the whole network would lose digits on long networks: the
        # error of a sum of 10**9 m is still below a micrometre, far below the survey's.
        np.cumsum(along, out=along)
        along -= np.repeat(along[first], count)
        return cls(at, along, np.repeat(np.arange(len(lines)), count), first, last)

    @property
    def x(self) -> Floats:
        """Eastings [m]."""
        return self.at.real

    @property
    def y(self) -> Floats:
        """Northings [m]."""
        return self.at.imag

    def feet(self, segment: Ints, at: Places) -> tuple[Floats, Floats, Places]:
        """Find the place of a segment that is nearest to a point [m], for n of both at once.

        Returned are the distance from the point [m], the measure along the line [m], and the place.
        """
        share, away = self._share(segment, at)
        run = self.along[segment + 1] - self.along[segment]
        return np.abs(away), self.along[segment] + share * run, at - away

    def _share(self, segment: Ints, at: Places) -> tuple[Floats, Places]:
        """Share of the segment at the foot of the perpendicular, and the way from there to `at`."""
        head = self.at[segment]
        run = self.at[segment + 1]
        run -= head
        away = at - head
        squared = run.real * run.real
        squared += run.imag * run.imag
        squared[squared == 0] = 1.0  # a doubled vertex: the share is 0 / 1
        share = run.real * away.real
        share += run.imag * away.imag
        share /= squared
        np.clip(share, 0.0, 1.0, out=share)
        run *= share
        away -= run
        return share, away

    def squares(self, segment: Ints, at: Places) -> Floats:
        """Squared distance of each of n points from its segment [m²]."""
        _, away = self._share(segment, at)
        squared = away.real * away.real
        squared += away.imag * away.imag
        return squared


@dataclass(frozen=True)
class SegmentGrid:
    """Segments of lines, listed by grid cell; build with :meth:`of_vertices`.

    A segment has the number of its first vertex; `listed` gives those of each cell that any
    touches, cell by cell, and `start` where the cells begin. Most cells are empty: `bits` has a
    bit for each cell, set where something is listed, and `before` the cells set before each 64.
    """

    vertices: Vertices
    within: float
    cell: float
    origin: complex
    shape: tuple[int, int]
    bits: NDArray[np.uint64]
    before: Ints
    start: Ints
    listed: Ints

    @classmethod
    def of_vertices(cls, vertices: Vertices, within: float) -> SegmentGrid:
        """List the segments of lines by cell, for searches up to `within` metres."""
        x, y = vertices.x, vertices.y
        low = complex(x.min(), y.min())
        size = complex(x.max(), y.max()) - low
        mean = float(vertices.along[vertices.last].sum()) / max(len(x) - len(vertices.first), 1)
        fewest = max(size.real, size.imag) / _CELLS_PER_SIDE
        cell = max(within / _CELLS_WITHIN, _MEAN_SEGMENTS * mean, fewest, _LEAST_CELL_M)
        # Room for points around the lines and for all cells that these look into.
        ring = 2 * within + 3 * cell
        origin = low - complex(ring, ring)
        rows, columns = (int((side + 2 * ring) / cell) + 1 for side in (size.imag, size.real))
        keys, listed = _listing(vertices, origin, cell, columns)
        begins = _firsts(keys)
        occupied = keys[begins]
        words = rows * columns // 64 + 2
        before = np.searchsorted(occupied, np.arange(words) * 64)
        bits = np.zeros(words, np.uint64)
        first = before[:-1][np.diff(before) > 0]
        bits[occupied[first] >> 6] = np.bitwise_or.reduceat(
            np.left_shift(np.uint64(1), (occupied & 63).astype(np.uint64)), first
        )
        start = np.append(begins, len(listed))
        return cls(vertices, within, cell, origin, (rows, columns), bits, before, start, listed)

    def nearest(self, xy: Floats, margin: Floats, points: Ints) -> list[tuple[Pairs, Pairs]]:
        """Find the nearest line within the grid's distance of each point.

        Parameters
        ----------
        xy
            Coordinates, (n, 2). [m]
        margin
            A line at most this much farther than the nearest one is a rival, (n,). [m]
        points
            Numbers of the points that are looked for, with finite coordinates.

        Returns
        -------
        list
            Nearest lines and rivals, both within the grid's distance, portion by portion.
        """
        at = np.ascontiguousarray(xy).view(np.complex128)[:, 0]
        place = (at[points] - self.origin) / self.cell
        ring = self.within / self.cell + 2
        rows, columns = self.shape
        inside = (place.real >= ring) & (place.real < columns - ring)
        inside &= (place.imag >= ring) & (place.imag < rows - ring)
        numbers = points[inside]
        numbers = numbers[np.argsort(_key(place[inside], columns))]

        def search(begin: int) -> list[tuple[Pairs, Pairs]]:
            return self._search(numbers[begin : begin + _POINTS_AT_ONCE], at, margin)

        with ThreadPoolExecutor(_THREADS) as pool:  # NumPy frees the interpreter lock
            found = list(pool.map(search, range(0, len(numbers), _POINTS_AT_ONCE)))
        return [part for parts in found for part in parts]

    def _search(self, numbers: Ints, at: Places, margin: Floats) -> list[tuple[Pairs, Pairs]]:
        """Search near, then farther for those that need it, pairs that fit the processor's cache.

        Returned are the nearest lines and the rivals, portion by portion.
        """
        parts = []
        reach = np.full(len(numbers), 0.5 * self.cell)
        while len(numbers):
            begin, runs, sure = self._cells_around(at[numbers], reach)
            which = np.cumsum(runs.sum(axis=1)) // _PAIRS_AT_ONCE
            cuts = np.flatnonzero(which[1:] != which[:-1]) + 1
            wanted = np.empty(len(numbers))
            for low, high in pairwise([0, *cuts.tolist(), len(numbers)]):
                mine = slice(low, high)
                some = numbers[mine]
                first, others, wanted[mine] = self._look(
                    at[some], margin[some], begin[mine], runs[mine], sure[mine]
                )
                parts.append(
                    (
                        first._replace(point=some[first.point]),
                        others._replace(point=some[others.point]),
                    )
                )
            open_yet = np.flatnonzero(wanted > sure)
            numbers = numbers[open_yet]
            reach = wanted[open_yet] + 3 * _ROUNDING * self.cell
        return parts

    def _cells_around(self, at: Places, reach: Floats) -> tuple[Ints, Ints, Floats]:
        """Give the runs of the listing in the cells within reach of points.

        Returns
        -------
        begin, runs
            First entry and number of entries of each row of cells, (n, rows).
        sure
            Nothing that lies nearer than this is outside these cells, (n,). [m]
        """
        place, reach = (at - self.origin) / self.cell, reach / self.cell
        x, y = place.real, place.imag
        left, right = np.floor(x - reach), np.floor(x + reach) + 1
        low, high = np.floor(y - reach), np.floor(y + reach) + 1
        sure = np.minimum(np.minimum(x - left, right - x), np.minimum(y - low, high - y))
        row = low[:, None] + np.arange(int((high - low).max()))
        key = (row * self.shape[1]).astype(np.int64)
        begin = self.entry(key + left.astype(np.int64)[:, None])
        runs = self.entry(key + right.astype(np.int64)[:, None]) - begin
        runs[row >= high[:, None]] = 0
        return begin, runs, (sure - _ROUNDING) * self.cell

    def entry(self, key: Ints) -> Ints:
        """Find where the listing of a cell begins, or that of the next one that has any."""
        word = key >> 6
        lower = np.left_shift(np.uint64(1), (key & 63).astype(np.uint64)) - np.uint64(1)
        place = self.before[word] + np.bitwise_count(self.bits[word] & lower)
        entry: Ints = self.start[place]
        return entry

    def _look(
        self, at: Places, margin: Floats, begin: Ints, runs: Ints, sure: Floats
    ) -> tuple[Pairs, Pairs, Floats]:
        """Nearest lines and rivals of points with runs of the listing, (n, rows), to look through.

        Returned too is how far from each point all must be known for these; points where it is
        not, by `sure`, are left out.
        """
        pairs = runs.sum(axis=1)
        begin, runs = begin.ravel(), runs.ravel()
        entry = np.repeat(begin - (np.cumsum(runs) - runs), runs)
        entry += np.arange(len(entry))
        segment = self.listed[entry]
        apart = self.vertices.squares(segment, np.repeat(at, pairs))
        looks = np.flatnonzero(pairs)
        least = np.full(len(pairs), np.inf)
        least[looks] = np.minimum.reduceat(apart, (np.cumsum(pairs) - pairs)[looks])
        # A hair wider than needed, because squares round; the choice below is exact.
        wanted = (np.sqrt(least) + np.maximum(margin, TIE_M)) * (1 + 1e-12)
        wanted = np.minimum(wanted, self.within)
        most = np.where(wanted <= sure, wanted * wanted, -1.0)
        near = np.flatnonzero(apart <= np.repeat(most, pairs))
        segment, apart = segment[near], np.sqrt(apart[near])
        point = np.repeat(np.arange(len(pairs)), pairs)[near]
        line = self.vertices.line[segment]
        nearest, rivals = nearest_of_pairs(point, line, segment, apart, margin)
        chosen = nearest[nearest >= 0]
        first, others = (
            Pairs(point[pair], line[pair], *self.vertices.feet(segment[pair], at[point[pair]]))
            for pair in (chosen, rivals)
        )
        return first, others, wanted


def _listing(vertices: Vertices, origin: complex, cell: float, columns: int) -> tuple[Ints, Ints]:
    """List cells and the segments that touch them, in ascending order of both."""

    def part(begin: int) -> Ints:
        end = min(begin + _VERTICES_AT_ONCE, len(vertices.at) - 1)
        return _cells_touched(vertices, begin, end, origin, cell, columns)

    with ThreadPoolExecutor(_THREADS) as pool:
        parts = list(pool.map(part, range(0, len(vertices.at) - 1, _VERTICES_AT_ONCE)))
    both = np.concatenate(parts)
    both.sort()  # numbers of cell and segment in one: far faster than by cell, whichever the order
    return both >> _SEGMENT_BITS, both & (2**_SEGMENT_BITS - 1)


def _cells_touched(
    vertices: Vertices, begin: int, end: int, origin: complex, cell: float, columns: int
) -> Ints:
    """Cells that segments begin … end − 1 may touch, and the segment of each.

    A segment no longer than a cell touches at most the cells of its ends and, where these lie
    corner to corner, the two between. Longer ones are cut into such pieces first.
    """
    span = slice(begin, end + 1)
    place = (vertices.at[span] - origin) / cell
    length = np.diff(vertices.along[span]) / cell
    inside = vertices.line[begin + 1 : end + 1] == vertices.line[begin:end]
    key = _key(place, columns)
    short = np.flatnonzero(inside & (length <= _SHORT))
    found = [(key[short], short + begin)]
    found += _entered(short + begin, key[short], key[short + 1], columns)
    long = np.flatnonzero(inside & (length > _SHORT))
    if len(long):
        pieces = np.ceil(length[long] / _SHORT).astype(np.int64)
        segment = np.repeat(long, pieces)
        which = np.arange(len(segment)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        one, two = (
            _key(place[segment] + (place[segment + 1] - place[segment]) * share, columns)
            for share in (cut / np.repeat(pieces, pieces) for cut in (which, which + 1))
        )
        found.append((key[long], long + begin))
        found += _entered(segment + begin, one, two, columns)
    return np.concatenate([(cells << _SEGMENT_BITS) | segments for cells, segments in found])


def _key(place: Places, columns: int) -> Ints:
    """Give the number of the cell of each place, which is in cells from the origin."""
    key = place.imag.astype(np.int64)
    key *= columns
    key += place.real.astype(np.int64)
    return key


def _entered(segment: Ints, one: Ints, two: Ints, columns: int) -> list[tuple[Ints, Ints]]:
    """Cells that pieces come into after those that they begin in, and their segments."""
    moved = np.flatnonzero(one != two)
    step = np.abs(two[moved] - one[moved])
    corner = moved[(step != 1) & (step != columns)]
    one_row, two_row = one[corner] // columns, two[corner] // columns
    between_one = two_row * columns + one[corner] % columns
    between_two = one_row * columns + two[corner] % columns
    return [
        (two[moved], segment[moved]),
        (between_one, segment[corner]),
        (between_two, segment[corner]),
    ]
