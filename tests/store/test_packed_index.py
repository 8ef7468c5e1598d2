"""An R-tree packed whole answers as one that SQLite filled row by row.

Outside reference: SQLite's own R-tree module, its `rtreecheck`, and its answers to box queries.
"""

import sqlite3

import numpy as np
import pytest

from service.store.packed_index import pack, rounded_outward

WIDER = [-3e5, 3e5, -3e5, 3e5]


def _tree(name, connection):
    connection.execute(f"CREATE VIRTUAL TABLE {name} USING rtree(id, minx, maxx, miny, maxy)")


def _boxes(count, seed):
    rng = np.random.default_rng(seed)
    low = rng.uniform(-5e5, 6e6, (count, 2))
    size = rng.exponential(800, (count, 2))
    return np.column_stack([low[:, 0], low[:, 0] + size[:, 0], low[:, 1], low[:, 1] + size[:, 1]])


@pytest.mark.parametrize("count", [0, 1, 2, 45, 51, 52, 103, 2_500, 12_000])
def test_packed_tree_equals_one_filled_by_sqlite(count):
    """Same entries, bit for bit, and the same answers; still right after more insertions."""
    connection = sqlite3.connect(":memory:")
    _tree("own", connection)
    _tree("peer", connection)
    rows, boxes = np.arange(1, count + 1) * 3, _boxes(count, count)
    entries = [(int(row), *box) for row, box in zip(rows, boxes.tolist(), strict=True)]
    connection.executemany("INSERT INTO peer VALUES (?, ?, ?, ?, ?)", entries)
    size = connection.execute("SELECT length(data) FROM own_node WHERE nodeno = 1").fetchone()[0]
    packed = pack(rows, rounded_outward(boxes), size)
    for part, held in (
        ("node", packed.nodes),
        ("rowid", packed.rowids),
        ("parent", packed.parents),
    ):
        connection.execute(f"DELETE FROM own_{part}")
        connection.executemany(f"INSERT INTO own_{part} VALUES (?, ?)", held)

    def same():
        assert connection.execute("SELECT rtreecheck('own')").fetchone() == ("ok",)
        everything = "SELECT * FROM {} ORDER BY id"
        assert (
            connection.execute(everything.format("own")).fetchall()
            == connection.execute(everything.format("peer")).fetchall()
        )
        asked = "SELECT id FROM {} WHERE minx <= ? AND maxx >= ? AND miny <= ? AND maxy >= ?"
        for low_x, high_x, low_y, high_y in (_boxes(20, 99) + WIDER).tolist():
            box = (high_x, low_x, high_y, low_y)
            own = {row[0] for row in connection.execute(asked.format("own"), box)}
            assert own == {row[0] for row in connection.execute(asked.format("peer"), box)}

    same()
    more = _boxes(500, 7).tolist()
    for name in ("own", "peer"):
        connection.executemany(
            f"INSERT INTO {name} VALUES (?, ?, ?, ?, ?)",
            [(100_000 + k, *box) for k, box in enumerate(more)],
        )
        connection.execute(f"DELETE FROM {name} WHERE id % 2 = 0")
    same()
    connection.close()
