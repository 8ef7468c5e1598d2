"""Setting a table's indexes aside while many rows go in, and building each in one pass after.

A row entered into a standing index lands somewhere in its middle; sorted once at the end, the
same entries are written one after the other. All of it lies in the transaction of the rows: an
error or a crash leaves the indexes as they were.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    import sqlalchemy as sa

__all__ = ["indexes_aside"]

# Fewer new rows are entered as quickly one by one.
MANY_ROWS = 2_000
# Up to this many times as many rows may be there already for building anew to be faster.
PRESENT_SHARE = 2


@contextmanager
def indexes_aside(connection: sa.Connection, table: str, count: int) -> Iterator[None]:
    """Drop the indexes of a table while `count` rows go in, where that pays; call in a write.

    Those that keep values unique stay: they refuse a doubled row when it comes.
    """
    dropped = _indexes(connection, table) if count >= MANY_ROWS else {}
    if dropped and _rows(connection, table) > PRESENT_SHARE * count:
        dropped = {}
    for name in dropped:
        connection.exec_driver_sql(f'DROP INDEX "{name}"')
    yield
    for statement in dropped.values():
        connection.exec_driver_sql(statement)


def _indexes(connection: sa.Connection, table: str) -> dict[str, str]:
    """Name of each plain index of a table, with the statement that makes it, oldest first.

    Of two indexes that serve equally well SQLite takes the younger: their order must stay.
    """
    rows = connection.exec_driver_sql(
        "SELECT m.name, m.sql FROM pragma_index_list(?) AS i"
        " JOIN sqlite_master AS m ON m.type = 'index' AND m.name = i.name"
        " WHERE i.origin = 'c' AND NOT i.\"unique\" ORDER BY m.rowid",
        (table,),
    )
    return {str(row[0]): str(row[1]) for row in rows}


def _rows(connection: sa.Connection, table: str) -> int:
    found = connection.exec_driver_sql(f'SELECT count(*) FROM "{table}"')  # noqa: S608  of schema.py
    return int(found.scalar_one())
