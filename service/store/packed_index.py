"""Filling an R-tree whole: its nodes packed in one pass instead of one row after another.

SQLite keeps an R-tree in three plain tables (https://www.sqlite.org/rtree.html, section 6):
`_node` (node number 1 is the root), `_rowid` (in which leaf a row is), `_parent`. A node is two
bytes of depth (root alone), two of the number of cells, then cells of a 64-bit number and four
32-bit floats, all big-endian.

Packing: S. T. Leutenegger, M. A. Lopez, J. Edgington, STR: a simple and efficient algorithm for
R-tree packing, ICDE 1997: sort by x into slices, each slice by y, and cut into full nodes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]
    Boxes = NDArray[np.float32]

__all__ = ["PackedIndex", "pack", "rounded_outward"]

_CELL: Final = np.dtype([("number", ">i8"), ("box", ">f4", (4,))])
_HEAD: Final = 4
# Room left in each node, so that the next insertions do not split all of them.
_FILL: Final = 0.9
_ROUND: Final = 1.0 / 8388608.0


@dataclass(frozen=True)
class PackedIndex:
    """Rows of the three tables."""

    nodes: list[tuple[int, bytes]]
    rowids: list[tuple[int, int]]
    parents: list[tuple[int, int]]


def rounded_outward(bounds: Floats) -> Boxes:
    """Round minx, maxx, miny, maxy to single precision as SQLite does: never inward."""
    rounded = bounds.astype(np.float32)
    toward, away = 1.0 - _ROUND, 1.0 + _ROUND
    down = np.where(bounds < 0, bounds * away, bounds * toward).astype(np.float32)
    up = np.where(bounds < 0, bounds * toward, bounds * away).astype(np.float32)
    for column, other in ((0, down), (2, down)):
        wrong = rounded[:, column] > bounds[:, column]
        rounded[wrong, column] = other[wrong, column]
    for column, other in ((1, up), (3, up)):
        wrong = rounded[:, column] < bounds[:, column]
        rounded[wrong, column] = other[wrong, column]
    return rounded


def pack(rows: Ints, boxes: Boxes, node_bytes: int) -> PackedIndex:
    """Pack boxes into the nodes of an R-tree.

    Parameters
    ----------
    rows
        Row number of each box, (n,).
    boxes
        minx, maxx, miny, maxy, (n, 4).
    node_bytes
        Size of a node, as the empty R-tree has it.
    """
    most = (node_bytes - _HEAD) // _CELL.itemsize
    fill = max(2, int(most * _FILL))
    nodes: list[tuple[int, bytes]] = []
    links: list[tuple[int, int]] = []
    rowids: list[tuple[int, int]] = []
    depth, unused = 0, 2
    numbers = np.asarray(rows, np.int64)
    while len(numbers) > most:
        order = _tiled(boxes, fill)
        numbers, boxes = numbers[order], boxes[order]
        first = np.arange(0, len(numbers), fill)
        own = np.arange(unused, unused + len(first))
        unused += len(first)
        nodes += zip(own.tolist(), _blobs(numbers, boxes, fill, node_bytes), strict=True)
        pairs = zip(numbers.tolist(), np.repeat(own, fill)[: len(numbers)].tolist(), strict=True)
        (links if depth else rowids).extend(pairs)
        low, high = np.minimum.reduceat(boxes, first), np.maximum.reduceat(boxes, first)
        boxes = np.column_stack([low[:, 0], high[:, 1], low[:, 2], high[:, 3]])
        numbers, depth = own, depth + 1
    (root,) = _blobs(numbers, boxes, max(len(numbers), 1), node_bytes) or [bytes(node_bytes)]
    nodes.append((1, depth.to_bytes(2, "big") + root[2:]))
    (links if depth else rowids).extend((number, 1) for number in numbers.tolist())
    return PackedIndex(nodes, rowids, links)


def _tiled(boxes: Boxes, fill: int) -> Ints:
    """Order of boxes in slices by x, and by y within each."""
    x, y = boxes[:, 0] + boxes[:, 1], boxes[:, 2] + boxes[:, 3]
    leaves = -(-len(boxes) // fill)
    per_slice = fill * int(np.ceil(np.sqrt(leaves)))
    rank = np.empty(len(boxes), np.int64)
    rank[np.argsort(x, kind="stable")] = np.arange(len(boxes))
    return np.lexsort((y, rank // per_slice))


def _blobs(numbers: Ints, boxes: Boxes, fill: int, node_bytes: int) -> list[bytes]:
    """Bytes of each node of `fill` cells; the last may hold fewer."""
    count = -(-len(numbers) // fill)
    cells = np.zeros(count * fill, _CELL)
    cells["number"][: len(numbers)] = numbers
    cells["box"][: len(numbers)] = boxes
    held = np.full(count, fill)
    if count:
        held[-1] = len(numbers) - fill * (count - 1)
    page = np.zeros((count, node_bytes), np.uint8)
    page[:, 2:4] = held.astype(">u2").view(np.uint8).reshape(count, 2)
    body = cells.view(np.uint8).reshape(count, fill * _CELL.itemsize)
    page[:, _HEAD : _HEAD + body.shape[1]] = body
    return [row.tobytes() for row in page]
