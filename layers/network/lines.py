"""Lines as bare vertices: found by their boxes, drawn where somebody looks at them."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from layers.arrays import narrow, rows_of_runs
from layers.narrow_columns import LazyShapes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from layers.arrays import Bools, Floats, Ints, Objects

__all__ = ["Lines"]

_IN_A_BLOCK: Final = 64  # lines that lie near one another, whose common box is looked at first


class Lines(LazyShapes):
    """LineStrings of which only the vertices are in memory: a fifth of what shapes take.

    Parameters
    ----------
    xy
        Vertices of these lines, and maybe of others, (k, 2).
    first, count
        Where each line begins in it, and how many vertices it has; without any it is missing, (m,).
    crs
        Any CRS.
    """

    def __init__(self, xy: Floats, first: Ints, count: Ints, crs: Any) -> None:  # noqa: ANN401
        super().__init__(crs)
        self.xy, self.first, self.count = xy, narrow(first), narrow(count)
        self._boxes: list[Floats] = []  # at most one, which copies share

    @classmethod
    def of(cls, shapes: Objects, crs: Any = None) -> Lines:  # noqa: ANN401 - any CRS
        """Read LineStrings; a third coordinate is left out."""
        count = shapely.get_num_coordinates(shapes).astype(np.int64)
        return cls(shapely.get_coordinates(shapes), np.cumsum(count) - count, count, crs)

    @classmethod
    def where_all_are(cls, shapes: Objects) -> Lines | Objects:
        """Read shapes if they are lines; else, or if one is missing or empty, give them back."""
        lines = shapely.get_type_id(shapes) == shapely.GeometryType.LINESTRING
        return cls.of(shapes) if (lines & ~shapely.is_empty(shapes)).all() else shapes

    @classmethod
    def _concat_same_type(cls, to_concat: Sequence[Lines]) -> Lines:
        sizes = np.array([len(each.xy) for each in to_concat])
        before = np.repeat(np.cumsum(sizes) - sizes, [len(each) for each in to_concat])
        first = np.concatenate([each.first for each in to_concat]) + before
        count = np.concatenate([each.count for each in to_concat])
        xy = np.concatenate([each.xy for each in to_concat])
        return cls(xy, first, count, to_concat[0].crs)

    def __len__(self) -> int:
        return len(self.first)

    def isna(self) -> Bools:
        """Mark those without a vertex."""
        return np.asarray(self.count == 0, bool)

    @property
    def vertices(self) -> Floats:
        """Vertices of these lines, one line after another."""
        end = self.first + self.count
        if len(self) and (self.first[1:] == end[:-1]).all():  # as they lie
            return self.xy[self.first[0] : end[-1]]
        return self.xy[rows_of_runs(self.first, self.count)]

    @property
    def _data(self) -> Objects:
        return self._draw()  # drawing all takes less than what follows; nobody needs them for long

    def _draw(self) -> Objects:
        shapes, own = np.full(len(self), None, object), np.flatnonzero(self.count)
        which = np.repeat(np.arange(len(own)), self.count[own])
        shapes[own] = shapely.linestrings(self.vertices, indices=which)
        return shapes

    def _at(self, rows: Ints) -> Lines:
        if not len(self):
            return Lines(self.xy, np.zeros_like(rows), np.zeros_like(rows), self.crs)
        return Lines(self.xy, self.first[rows], np.where(rows < 0, 0, self.count[rows]), self.crs)

    def drawn(self, rows: Ints) -> Objects:
        """Draw some, each once however often it is wanted; (k,)."""
        each, own = np.unique(rows, return_inverse=True)
        return self._at(each)._draw()[own]

    @property
    def bounds(self) -> Floats:
        """Box around each line: least x and y, greatest x and y; NaN where missing, (m, 4)."""
        if self._boxes:
            return self._boxes[0]
        boxes, own = np.full((len(self), 4), np.nan), np.flatnonzero(self.count)
        if len(own):
            xy, first = self.vertices, (np.cumsum(self.count) - self.count)[own]
            for at, side in enumerate((*xy.T, *xy.T)):
                boxes[own, at] = (np.minimum, np.maximum)[at // 2].reduceat(side, first)
        self._boxes.append(boxes)
        return boxes

    @cached_property
    def _blocks(self) -> tuple[shapely.STRtree, Ints]:
        """Tree of blocks of lines, and the lines block by block."""
        boxes = self.bounds
        order = np.argsort(boxes[:, 0])
        strip = np.empty(len(order), np.int64)
        strip[order] = np.arange(len(order)) // max(int((_IN_A_BLOCK * len(order)) ** 0.5), 1)
        order = narrow(np.lexsort((boxes[:, 1], strip)))
        boxes = boxes[order]
        begin = np.arange(0, len(order), _IN_A_BLOCK)
        low, high = (
            each.reduceat(side, begin) if len(begin) else side
            for each, side in ((np.minimum, boxes[:, :2]), (np.maximum, boxes[:, 2:]))
        )
        return shapely.STRtree(shapely.box(*low.T, *high.T)), order

    def near(self, boxes: Floats) -> tuple[Ints, Ints]:
        """Find the lines whose boxes meet boxes, (n, 4); none of the lines may be missing.

        Returns
        -------
        box, line
            Number of the box and row of the line of each pair, by box and line, (k,).
        """
        tree, order = self._blocks
        box, block = tree.query(shapely.box(*boxes.T))
        size = np.minimum(_IN_A_BLOCK, len(order) - block * _IN_A_BLOCK)
        line, box = order[rows_of_runs(block * _IN_A_BLOCK, size)], np.repeat(box, size)
        own, other = self.bounds[line], boxes[box]
        meets = ((own[:, :2] <= other[:, 2:]) & (own[:, 2:] >= other[:, :2])).all(axis=1)
        line, box = line[meets], box[meets]
        sorted_ = np.lexsort((line, box))
        return box[sorted_].astype(np.int64), line[sorted_].astype(np.int64)

    def within(self, points: Objects, distance_m: Floats | float) -> tuple[Ints, Ints, Floats]:
        """Find the lines within a distance of each of n points.

        Returns
        -------
        point, line, distance
            Number of the point, row of the line and distance [m] of each pair, by point and line.
        """
        most = np.broadcast_to(distance_m, len(points))
        # A little wider, since borders of boxes round.
        reach = (most * (1 + 1e-9) + 1e-6)[:, None]
        xy = shapely.get_coordinates(points)
        point, line = self.near(np.hstack([xy - reach, xy + reach]))
        away = shapely.distance(points[point], self.drawn(line))
        close = away <= most[point]
        return point[close], line[close], away[close]
