"""An R-tree written whole is one that SQLite itself finds sound, and answers as its own does.

Outside reference: SQLite's rtreecheck(), and an R-tree that SQLite filled row by row.
"""

import sqlite3

import numpy as np
import pytest
import sqlalchemy as sa

from service.store import geopackage
from service.store.packed_rtree import packed_tables


def _boxes(n, seed=7):
    rng = np.random.default_rng(seed)
    low = rng.normal(0, 400_000, (n, 2)) * rng.choice([1e-9, 1e-3, 1.0], (n, 1))
    high = low + rng.choice([0.0, 1e-9, 50.0, 20_000.0], (n, 2))
    return rng.permutation(n * 3)[:n] + 1, np.column_stack(
        [low[:, 0], high[:, 0], low[:, 1], high[:, 1]]
    )


@pytest.fixture
def base(tmp_path):
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'trees.db'}")
    with engine.begin() as connection:
        for name in ("packed", "plain"):
            connection.exec_driver_sql(
                f"CREATE VIRTUAL TABLE {name} USING rtree(id, minx, maxx, miny, maxy)"
            )
        yield connection
    engine.dispose()


def _rows(connection, name, where=""):
    return connection.exec_driver_sql(f"SELECT * FROM {name} {where} ORDER BY id").fetchall()


def _fill(connection, name, ids, boxes):
    rows = [(int(number), *box) for number, box in zip(ids, boxes.tolist(), strict=True)]
    connection.exec_driver_sql(f"INSERT INTO {name} VALUES (?, ?, ?, ?, ?)", rows)


@pytest.mark.parametrize("n", [1, 51, 52, 700, 3_000])
def test_packed_as_sqlite_fills_it(base, n):
    """One node, two levels and three: the same entries, the same finds, later changes taken."""
    ids, boxes = _boxes(n)
    geopackage._insert_entries(base, "packed", ids, boxes)
    _fill(base, "plain", ids, boxes)
    window = "WHERE minx <= 90000 AND maxx >= -1000 AND miny <= 200000 AND maxy >= -500"
    more = ids[:60] + 4 * n, boxes[:60] + 1.0
    for change in ("none", "taken out", "put in"):
        for name in ("packed", "plain"):
            if change == "taken out":
                base.exec_driver_sql(f"DELETE FROM {name} WHERE id % 2 = 1")
            elif change == "put in":
                _fill(base, name, *more)
        assert base.exec_driver_sql("SELECT rtreecheck('packed')").scalar_one() == "ok"
        assert _rows(base, "packed") == _rows(base, "plain")
        assert _rows(base, "packed", window) == _rows(base, "plain", window)


def test_packed_with_what_is_there(base):
    """Entries that were there stay; where there are many, new ones go in beside them."""
    ids, boxes = _boxes(900)
    for part in (slice(0, 500), slice(500, 880), slice(880, 900)):
        geopackage._insert_entries(base, "packed", ids[part], boxes[part])
    _fill(base, "plain", ids, boxes)
    assert base.exec_driver_sql("SELECT rtreecheck('packed')").scalar_one() == "ok"
    assert _rows(base, "packed") == _rows(base, "plain")


def test_row_by_row_where_the_tables_of_a_tree_are_closed(base):
    """A system may build SQLite so that nobody writes the tables behind a virtual table."""

    def closed(action, table, *_):
        node = action == sqlite3.SQLITE_DELETE and table == "packed_node"
        return sqlite3.SQLITE_DENY if node else sqlite3.SQLITE_OK

    ids, boxes = _boxes(600)
    assert geopackage._may_write_nodes(base, "packed")
    base.connection.dbapi_connection.set_authorizer(closed)
    assert not geopackage._may_write_nodes(base, "packed")
    geopackage._insert_entries(base, "packed", ids, boxes)
    base.connection.dbapi_connection.set_authorizer(None)
    _fill(base, "plain", ids, boxes)
    assert _rows(base, "packed") == _rows(base, "plain")


def test_full_nodes_are_fewer_than_sqlite_makes():
    """Three quarters full, so that a tree of 100,000 has 2,700 nodes or so."""
    ids, boxes = _boxes(10_000)
    tables = packed_tables(ids, boxes, 1228)
    assert len(tables["node"][0]) == len(set(tables["node"][0])) == 262 + 7 + 1
    assert {len(node) for node in tables["node"][1]} == {1228}
    assert tables["rowid"][0] == sorted(ids.tolist())
