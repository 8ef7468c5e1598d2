"""Mappings that are kept under a name, for sheets of the next season."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from service.store import history, schema

if TYPE_CHECKING:
    from service.store.geopackage import GeoPackage

__all__ = ["keep_mapping", "read_mappings"]

TABLE = schema.mappings


def read_mappings(connection: sa.Connection) -> dict[str, str]:
    """Fetch the text of each mapping, by its name in order."""
    rows = connection.execute(sa.select(TABLE.c.name, TABLE.c.text).order_by(TABLE.c.name))
    return {row.name: row.text for row in rows}


def keep_mapping(
    connection: sa.Connection, backend: GeoPackage, name: str, text: str, *, who: str
) -> bool:
    """Keep a mapping, in place of one of the same name; says whether anything changed."""
    before = read_mappings(connection).get(name)
    if before == text:
        return False
    if before is None:
        backend.insert(connection, TABLE, {"name": [name], "text": [text]})
    else:
        connection.execute(TABLE.update().where(TABLE.c.name == name).values(text=text))
    history.note(
        connection, backend, who=who, entity="mapping", keys=[name],
        action="add" if before is None else "change",
        before=None if before is None else [{"text": before}], after=[{"text": text}],
    )  # fmt: skip
    return True
