"""Keeping other programs from changing records past the checks, the history and the public views.

A GIS opens a store as it opens any GeoPackage, and could write to it. A record changed that way
would be served with the reach, the history and the sensitivity of what it was before. Each
table therefore has triggers that call a function which only connections of this program know:
elsewhere SQLite refuses the statement with `no such function:` and the function's name, so the
name is the message that people read there.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import sqlalchemy as sa

from service.store import schema

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

__all__ = ["guard_faults", "guard_tables", "insert_guard_aside", "register_guard"]

# SQLite takes names of up to 255 bytes. The name stands in every store: a change of it takes a
# migration.
MESSAGE = (
    "only Rifflebook writes records into its store; this change was refused. Change a placement "
    "on its page, or edit what rifflebook export --audience precise wrote and take that in with "
    "rifflebook import, into a new store or after rifflebook undo"
)


def register_guard(connection: sqlite3.Connection) -> None:
    """Let a connection of this program change the records."""
    connection.create_function(MESSAGE, 0, lambda: 1, deterministic=True)


def guard_tables(connection: sa.Connection) -> None:
    """Give each table of the store that is there its triggers, where it lacks them."""
    present = set(sa.inspect(connection).get_table_names())
    standing = _standing(connection)
    for name, (table, statement) in _guards(connection).items():
        if table in present and name not in standing:
            connection.exec_driver_sql(statement)


@contextmanager
def insert_guard_aside(connection: sa.Connection, table: str) -> Iterator[None]:
    """Drop one trigger while many rows go in, which it would slow down; call in a write.

    Others see the table with its trigger throughout, as all of it is one transaction. One that
    is missing stays missing, for `guard_faults` to find.
    """
    name = f"guard_{table}_insert"
    statement = _standing(connection).get(name)
    if statement is not None:
        connection.exec_driver_sql(f'DROP TRIGGER "{name}"')
    yield
    if statement is not None:
        connection.exec_driver_sql(statement)


def guard_faults(connection: sa.Connection) -> Iterator[str]:
    """Say which tables another program could change."""
    standing = _standing(connection)
    missing = {
        table for name, (table, text) in _guards(connection).items() if standing.get(name) != text
    }
    if missing:
        yield (
            "store: other programs can change these tables, as their triggers are missing or "
            f"altered: {', '.join(sorted(missing))}. Compare with a backup, and restore it"
        )


def _standing(connection: sa.Connection) -> dict[str, str]:
    rows = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    return {str(row[0]): str(row[1]) for row in rows}


def _guards(connection: sa.Connection) -> dict[str, tuple[str, str]]:
    """Table and statement of each trigger, by its name; each background has a table of tiles."""
    tiles: list[str] = []
    if sa.inspect(connection).has_table(schema.backgrounds.name):
        tiles = [
            schema.tile_table(fid)
            for fid in connection.scalars(sa.select(schema.backgrounds.c.fid))
        ]
    return {
        f"guard_{table}_{verb.lower()}": (table, _statement(table, verb))
        for table in (*schema.metadata.tables, *tiles)
        for verb in ("INSERT", "UPDATE", "DELETE")
    }


def _statement(table: str, verb: str) -> str:
    name = f"guard_{table}_{verb.lower()}"
    return f'CREATE TRIGGER "{name}" BEFORE {verb} ON "{table}" BEGIN SELECT "{MESSAGE}"(); END'
