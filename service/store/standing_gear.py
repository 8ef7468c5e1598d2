"""Gear in the water: set and not lifted yet. It leaves when it becomes a placement."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import orjson
import sqlalchemy as sa

from layers.plurals import counted
from service.errors import ConflictError
from service.store import history, schema
from service.store.columns import read_frame, rows_from_frame
from service.store.geopackage import among, insert

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd


__all__ = ["put_back", "put_in", "read_in_the_water", "standing_gear_faults", "take_out"]

TABLE = schema.in_the_water
_ENTITY = "in_the_water"
_KEPT = [column for column in TABLE.columns if column.name not in ("fid", "batch_id")]


def read_in_the_water(connection: sa.Connection) -> pd.DataFrame:
    """Fetch all gear in the water, longest in it first, index `placement_id`."""
    wanted = sa.select(*_KEPT).order_by(TABLE.c.set_at, TABLE.c.fid)
    frame = read_frame(connection, wanted).set_index("placement_id")
    frame["cells"] = [orjson.loads(text) for text in frame["cells"]]
    return frame.rename(columns={"content_digest": "digest"})


def _documents(
    connection: sa.Connection, chosen: sa.ColumnElement[bool]
) -> dict[str, dict[str, Any]]:
    rows = connection.execute(sa.select(*_KEPT).where(chosen).order_by(TABLE.c.fid))
    names = [str(column.name) for column in _KEPT]  # JSON wants plain text
    found = [dict(zip(names, row, strict=True)) for row in rows]
    return {one["placement_id"]: one | {"cells": orjson.loads(one["cells"])} for one in found}


def put_in(
    connection: sa.Connection,
    gear: pd.DataFrame,
    *,
    who: str,
    batch_id: int | None = None,
    replaces: str | None = None,
) -> None:
    """Store gear that was just set, or change one that `replaces` what was seen of it.

    Raises ConflictError where a number is taken, or the gear was changed or lifted meanwhile.
    """
    names = gear.index.tolist()
    stored = schema.placements.c.placement_id
    taken = connection.scalar(sa.select(stored).where(among(stored, names)).limit(1))
    if taken is not None:
        raise ConflictError(
            f"Placement {taken!r} is stored already, as lifted; nothing was stored."
        )
    before = _documents(connection, among(TABLE.c.placement_id, names))
    if any(one["content_digest"] != replaces for one in before.values()):
        raise ConflictError(f"{next(iter(before))!r} is in the water already; nothing was stored.")
    if replaces is not None and not before:
        raise ConflictError(f"{names[0]!r} is in the water no more; look at what became of it.")
    connection.execute(TABLE.delete().where(TABLE.c.placement_id.in_(list(before))))
    written = gear.rename(columns={"digest": "content_digest"}).reset_index()
    written["cells"] = [orjson.dumps(cells).decode() for cells in written["cells"]]
    values = rows_from_frame(written.assign(who=who), _KEPT)
    insert(connection, TABLE, {**values, "batch_id": [batch_id] * len(names)})
    after = _documents(connection, among(TABLE.c.placement_id, names))
    history.note(
        connection, who=who, entity=_ENTITY, action="change" if before else "add",
        keys=names, before=[before.get(name) for name in names],
        after=[after[name] for name in names], batch_id=batch_id,
    )  # fmt: skip


def take_out(
    connection: sa.Connection, names: Sequence[str], *, who: str, batch_id: int | None = None
) -> None:
    """Note that gear of these numbers, where there is any, is in the water no more."""
    chosen = among(TABLE.c.placement_id, names)
    before = _documents(connection, chosen)
    if not before:
        return
    connection.execute(TABLE.delete().where(TABLE.c.placement_id.in_(list(before))))
    history.note(
        connection, who=who, entity=_ENTITY, action="remove", keys=list(before),
        before=list(before.values()), batch_id=batch_id,
    )  # fmt: skip


def put_back(connection: sa.Connection, batch_id: int, *, who: str) -> None:
    """Undo what an import did: gear that it set leaves, gear that it lifted is in the water again.

    Raises ConflictError where what it set was lifted or changed since, or what it lifted set again.
    """
    log = schema.history.c
    entries = connection.execute(
        sa.select(log.key, log.action, log.before)
        .where(log.batch_id == batch_id, log.entity == _ENTITY)
        .order_by(log.entry_id)
    ).fetchall()
    own = _documents(connection, TABLE.c.batch_id == batch_id)
    others = sorted({row.key for row in entries} - own.keys())
    stored = schema.placements.c.placement_id
    lifted = connection.scalars(sa.select(stored).where(among(stored, others)))
    used = sorted({*lifted, *_documents(connection, among(TABLE.c.placement_id, others))})
    if used:
        raise ConflictError(
            f"Import {batch_id} cannot be undone: {counted(len(used), 'gear')} of it was set, "
            f"lifted or changed since ({', '.join(used[:10])}). Remove those first."
        )
    take_out(connection, list(own), who=who, batch_id=batch_id)
    for row in entries:
        if row.action == "remove":
            was = orjson.loads(row.before)
            values = {name: [value] for name, value in was.items()}
            values["cells"] = [orjson.dumps(was["cells"]).decode()]
            set_by = connection.scalar(  # the import, if one did, so that it can be undone too
                sa.select(log.batch_id)
                .where(log.entity == _ENTITY, log.key == row.key, log.action != "remove")
                .order_by(log.entry_id.desc())
                .limit(1)
            )
            insert(connection, TABLE, {**values, "batch_id": [set_by]})
            history.note(
                connection, who=who, entity=_ENTITY, action="add", keys=[row.key],
                after=[was], batch_id=set_by,
            )  # fmt: skip


def standing_gear_faults(connection: sa.Connection) -> Iterator[str]:
    """Compare gear in the water with the history, and with the placements."""
    noted, now = history.last_entries(connection, _ENTITY), _documents(connection, sa.true())
    for name in sorted(noted.keys() | now.keys()):
        if noted.get(name) != now.get(name):
            yield f"history: gear in the water {name!r} differs from its last entry"
    stored = schema.placements.c.placement_id
    for name in connection.scalars(sa.select(stored).where(stored.in_(list(now)))):
        yield f"store: {name!r} is a placement and in the water at once"
