"""Tables of what people name: species, methods, surveys, sites, and mappings of sheets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from service.errors import StoreError
from service.store import history, schema
from service.store.columns import read_frame, rows_from_frame
from service.store.geopackage import insert

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd


__all__ = [
    "NAMED_ENTITIES", "keep_mapping", "put_named", "read_mappings", "read_named", "remove_named",
]  # fmt: skip

NAMED_ENTITIES = {"species": "species", "methods": "method", "surveys": "survey", "sites": "site"}
_OWN = ("fid", "batch_id")
_MAPPINGS = schema.mappings


def _key(table: sa.Table) -> sa.Column[Any]:
    return table.c[NAMED_ENTITIES[table.name]]


def _columns(table: sa.Table) -> list[sa.Column[Any]]:
    return [column for column in table.columns if column.name not in _OWN]


def read_named(
    connection: sa.Connection, table: sa.Table, names: Sequence[str] | None = None
) -> pd.DataFrame:
    """Fetch the records of one table, ordered and indexed by name."""
    wanted = sa.select(*_columns(table)).order_by(_key(table))
    if names is not None:
        wanted = wanted.where(_key(table).in_(list(names)))
    return read_frame(connection, wanted).set_index(_key(table).name)


def put_named(
    connection: sa.Connection,
    frame: pd.DataFrame,
    *,
    table: sa.Table,
    who: str,
    batch_id: int | None = None,
) -> tuple[int, int]:
    """Add records or change those of the same name; returns how many of each.

    A column that the frame lacks keeps what is stored; columns that the table lacks are
    not looked at. Records that are the same already leave no trace in the history.
    """
    key = _key(table)
    if not len(frame):  # a list of names alone has no columns, but rows
        return 0, 0
    given = frame.reset_index() if frame.index.name == key.name else frame
    if key.name not in given:
        raise StoreError(f"The frame for {table.name} has no {key.name}.")
    doubled = given[key.name][given[key.name].duplicated()]
    if len(doubled):
        raise StoreError(f"{table.name}: {doubled.iloc[0]!r} is given more than once.")
    values = rows_from_frame(given, _columns(table))
    names = values[key.name]
    old = read_named(connection, table).reset_index()
    known = {document[key.name]: document for document in history.frame_documents(old, table)}
    new = history.frame_documents(given, table)
    adding = [row for row, name in enumerate(names) if name not in known]
    changing = [
        row
        for row, name in enumerate(names)
        if name in known and _merged(known[name], new[row], values) != known[name]
    ]
    if adding:
        fresh = {column: [encoded[row] for row in adding] for column, encoded in values.items()}
        if "batch_id" in table.c:
            fresh["batch_id"] = [batch_id] * len(adding)
        insert(connection, table, fresh)
        history.note(
            connection, who=who, entity=key.name, batch_id=batch_id, action="add",
            keys=[names[row] for row in adding], after=[new[row] for row in adding],
        )  # fmt: skip
    for row in changing:
        change = {column: encoded[row] for column, encoded in values.items() if column != key.name}
        connection.execute(table.update().where(key == names[row]).values(change))
    if changing:
        history.note(
            connection, who=who, entity=key.name, batch_id=batch_id, action="change",
            keys=[names[row] for row in changing],
            before=[known[names[row]] for row in changing],
            after=[_merged(known[names[row]], new[row], values) for row in changing],
        )  # fmt: skip
    return len(adding), len(changing)


def _merged(old: dict[str, Any], new: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    """Document after a change: given columns from `new`, the others as they were."""
    kept = {name: value for name, value in old.items() if name not in given}
    return {**kept, **new}


def remove_named(
    connection: sa.Connection,
    table: sa.Table,
    names: Sequence[str],
    *,
    who: str,
    batch_id: int | None = None,
) -> None:
    """Remove records; the history keeps what they were."""
    if not names:
        return
    old = read_named(connection, table, names).reset_index()
    history.note(
        connection, who=who, entity=_key(table).name, action="remove", batch_id=batch_id,
        keys=old[_key(table).name].tolist(),
        before=history.frame_documents(old, table),
    )  # fmt: skip
    connection.execute(table.delete().where(_key(table).in_(list(names))))


def read_mappings(connection: sa.Connection) -> dict[str, str]:
    """Fetch the text of each mapping, by its name in order."""
    rows = connection.execute(
        sa.select(_MAPPINGS.c.name, _MAPPINGS.c.text).order_by(_MAPPINGS.c.name)
    )
    return {row.name: row.text for row in rows}


def keep_mapping(connection: sa.Connection, name: str, text: str, *, who: str) -> bool:
    """Keep a mapping, in place of one of the same name; says whether anything changed."""
    before = read_mappings(connection).get(name)
    if before == text:
        return False
    if before is None:
        insert(connection, _MAPPINGS, {"name": [name], "text": [text]})
    else:
        connection.execute(_MAPPINGS.update().where(_MAPPINGS.c.name == name).values(text=text))
    history.note(
        connection, who=who, entity="mapping", keys=[name],
        action="add" if before is None else "change",
        before=None if before is None else [{"text": before}], after=[{"text": text}],
    )  # fmt: skip
    return True
