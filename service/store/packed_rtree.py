"""The tables of a whole R-tree, where SQLite would take its entries in one by one.

An R*-tree of SQLite lies in three plain tables, whose form https://www.sqlite.org/rtree.html
(section 6) describes. Entries are packed in sort-tile-recursive order: Leutenegger, Lopez &
Edgington (1997), doi 10.1109/ICDE.1997.582015.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Floats, Ints

    Rows: TypeAlias = tuple[list[Any], list[Any]]

__all__ = ["packed_tables"]

_CELL = np.dtype([("id", ">i8"), ("box", ">f4", (4,))])
_HEAD = np.dtype([("depth", ">u2"), ("cells", ">u2")])  # the depth stands in the root alone
_ROOT = 1
# Of the room in a node: later entries find some before it must be divided.
_FILLED = 0.75
# SQLite rounds outward by these factors where the nearest single-precision number lies inside.
_LESS, _MORE = 1 - 2.0**-23, 1 + 2.0**-23


def packed_tables(ids: Ints, boxes: Floats, node_bytes: int) -> dict[str, Rows]:
    """Columns of the tables `rowid`, `node` and `parent` of an R-tree in two dimensions.

    Of row numbers of a layer, (n,), and minx, maxx, miny, maxy of each, (n, 4); `node_bytes` is the
    size of a node, as the root of the empty tree has it.
    """
    room = (node_bytes - _HEAD.itemsize) // _CELL.itemsize
    cells = np.zeros(len(ids), _CELL)
    cells["id"], cells["box"] = ids, _outward(np.asarray(boxes, np.float64))
    tables: dict[str, Rows] = {name: ([], []) for name in ("rowid", "node", "parent")}
    depth, used = 0, _ROOT
    while len(cells) > room:
        count = int(np.ceil(len(cells) / (_FILLED * room)))
        cells = cells[_tiled(cells["box"], count)]
        starts = np.arange(count) * len(cells) // count
        numbers = np.arange(used + 1, used + 1 + count)
        _write(tables, cells, starts, numbers, node_bytes, 0, leaf=depth == 0)
        above = np.zeros(count, _CELL)
        above["id"] = numbers
        box = cells["box"].astype(np.float32)
        for edge, outermost in enumerate((np.minimum, np.maximum) * 2):
            above["box"][:, edge] = outermost.reduceat(box[:, edge], starts)
        cells, depth, used = above, depth + 1, used + count
    _write(tables, cells, np.zeros(1, int), np.array([_ROOT]), node_bytes, depth, leaf=depth == 0)
    return tables


def _write(
    tables: dict[str, Rows],
    cells: NDArray[Any],
    starts: Ints,
    numbers: Ints,
    node_bytes: int,
    depth: int,
    *,
    leaf: bool,
) -> None:
    """Add nodes of these numbers, each with the cells from its start to the next."""
    ends = [*starts[1:].tolist(), len(cells)]
    heads = np.zeros(len(starts), _HEAD)
    heads["depth"], heads["cells"] = depth, np.subtract(ends, starts)
    tables["node"][0].extend(numbers.tolist())
    tables["node"][1].extend(
        (head.tobytes() + cells[start:end].tobytes()).ljust(node_bytes, b"\0")
        for head, start, end in zip(heads, starts.tolist(), ends, strict=True)
    )
    order = np.argsort(cells["id"])
    within = tables["rowid" if leaf else "parent"]
    within[0].extend(cells["id"][order].tolist())
    within[1].extend(np.repeat(numbers, heads["cells"])[order].tolist())


def _tiled(box: NDArray[Any], count: int) -> Ints:
    """Order in which runs of cells make `count` compact nodes: columns of tiles, up and down."""
    x, y = (box[:, edge].astype(np.float64) + box[:, edge + 1] for edge in (0, 2))
    columns = int(np.ceil(np.sqrt(count)))
    column = np.empty(len(box), np.int64)
    column[np.argsort(x, kind="stable")] = np.arange(len(box)) * columns // len(box)
    order: Ints = np.lexsort((np.where(column % 2, -y, y), column))
    return order


def _outward(boxes: Floats) -> NDArray[Any]:
    """Single-precision boxes that contain these, rounded as SQLite rounds them."""
    single = boxes.astype(np.float32)
    for edges, inside, negative, positive in (
        ([0, 2], np.greater, _MORE, _LESS),
        ([1, 3], np.less, _LESS, _MORE),
    ):
        exact = boxes[:, edges]
        wider = (exact * np.where(exact < 0, negative, positive)).astype(np.float32)
        single[:, edges] = np.where(inside(single[:, edges], exact), wider, single[:, edges])
    return single
