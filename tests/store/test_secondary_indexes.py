"""Indexes set aside for many rows stand afterwards as before, whatever happens meanwhile.

Outside reference: SQLite's own list of indexes and its `integrity_check`.
"""

import sqlite3

import pytest

from service.errors import StoreError
from service.store import secondary_indexes
from service.store.secondary_indexes import indexes_aside
from service.store.session import Session


@pytest.fixture
def session(tmp_path):
    """A table with indexes, open for writing as a store's tables are."""
    path = tmp_path / "own.db"
    with sqlite3.connect(path) as plain:
        plain.execute("CREATE TABLE t (k INTEGER PRIMARY KEY, a TEXT UNIQUE, b, c)")
        plain.execute("CREATE INDEX t_b ON t (b)")
        plain.execute("CREATE UNIQUE INDEX t_u ON t (a, b)")
        plain.execute("CREATE INDEX t_c ON t (c)")
        plain.execute("INSERT INTO t (a) VALUES ('there before')")
    plain.close()
    session = Session(path)
    yield session
    session.close()


@pytest.fixture
def connection(session):
    with session.writing() as connection:
        yield connection


def _indexes(connection):
    listed = connection.exec_driver_sql(
        "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql NOT NULL ORDER BY rowid"
    )
    return [tuple(row) for row in listed]


def _insert(connection, count, start=0):
    rows = [(f"a{k}", k % 7, k % 3) for k in range(start, start + count)]
    connection.exec_driver_sql("INSERT INTO t (a, b, c) VALUES (?, ?, ?)", rows)


def test_many_rows_find_the_same_indexes_in_the_same_order(connection):
    """Plain ones go and come again, oldest first among themselves; unique ones stay."""
    many = secondary_indexes.MANY_ROWS
    before = _indexes(connection)
    with indexes_aside(connection, "t", many):
        assert [name for name, _ in _indexes(connection)] == ["t_u"]
        _insert(connection, many)
    assert sorted(_indexes(connection)) == sorted(before)
    plain = [name for name, _ in _indexes(connection) if name != "t_u"]
    assert plain == ["t_b", "t_c"]
    assert connection.exec_driver_sql("PRAGMA integrity_check").scalar_one() == "ok"
    found = connection.exec_driver_sql("SELECT count(*) FROM t INDEXED BY t_b WHERE b = 3")
    assert found.scalar_one() == sum(k % 7 == 3 for k in range(many))


def test_few_rows_and_few_among_many_leave_the_indexes_alone(connection):
    many = secondary_indexes.MANY_ROWS
    before = _indexes(connection)
    with indexes_aside(connection, "t", many - 1):
        assert _indexes(connection) == before
    _insert(connection, secondary_indexes.PRESENT_SHARE * many + 1)
    with indexes_aside(connection, "t", many):
        assert _indexes(connection) == before


def test_error_between_takes_everything_back(session):
    """The doubled row is refused as it comes; after the rollback no index is missing."""
    with session.reading() as connection:
        before = _indexes(connection)

    def insert_doubled():
        many = secondary_indexes.MANY_ROWS
        with session.writing() as connection, indexes_aside(connection, "t", many):
            _insert(connection, 5)
            assert _indexes(connection) != before
            _insert(connection, 1)

    with pytest.raises(StoreError, match="Nothing was changed"):
        insert_doubled()
    with session.reading() as connection:
        assert _indexes(connection) == before
        assert connection.exec_driver_sql("SELECT a FROM t").scalars().all() == ["there before"]
