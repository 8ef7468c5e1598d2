"""Imports: taken whole, known again by their digest, taken back whole."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import orjson
import sqlalchemy as sa

from service.errors import ConflictError, NotFoundError
from service.records import Batch, Reading, Selection
from service.store import history, public_views, schema
from service.store.geopackage import among, next_rows
from service.store.named_tables import remove_named
from service.store.placements import read_records
from service.store.standing_gear import put_back, put_in
from service.store.writing import add_records, delete_placements

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from service.records import FieldRecords

__all__ = ["add_batch", "find_batch", "read_batches", "undo_batch"]

TABLE = schema.batches


def add_batch(
    connection: sa.Connection,
    records: FieldRecords,
    *,
    who: str,
    files: tuple[str, ...],
    digest: str,
    digests: pd.Series,
    readings: tuple[Reading, ...],
    progress: Callable[[int, int], None] | None,
) -> Batch:
    """Store one import with its history."""
    total = len(records.placements)
    taken = connection.scalars(
        sa.select(schema.placements.c.placement_id)
        .where(among(schema.placements.c.placement_id, records.placements.index.tolist()))
        .limit(1)
    ).first()
    if taken is not None:
        raise ConflictError(
            f"Placement {taken!r} is in the store already; nothing was stored. "
            "Leave out what is stored, or undo the earlier import."
        )

    def report(part: float) -> None:
        if progress is not None:
            progress(int(part * total), total)

    report(0.0)
    (batch_id,) = next_rows(connection, TABLE, 1)
    at = history.now_text()
    values = {
        "batch_id": batch_id, "at": at, "who": who, "files": orjson.dumps(files).decode(),
        "digest": digest, "placements": total, "catches": len(records.catches),
        "lengths": len(records.lengths), "readings": orjson.dumps(readings).decode(),
    }  # fmt: skip
    connection.execute(TABLE.insert().values(values))
    rows = add_records(connection, records, digests, who=who, batch_id=batch_id, report=report)
    public_views.extend(connection, records.placements, rows)
    if records.in_the_water is not None:
        put_in(connection, records.in_the_water, who=who, batch_id=batch_id)
    report(1.0)
    return _batch(connection.execute(sa.select(TABLE).where(TABLE.c.batch_id == batch_id)).one())


def _batch(row: sa.Row[Any]) -> Batch:
    return Batch(
        batch_id=row.batch_id,
        at=dt.datetime.fromisoformat(row.at),
        who=row.who,
        files=tuple(orjson.loads(row.files)),
        digest=row.digest,
        placements=row.placements,
        catches=row.catches,
        lengths=row.lengths,
        undone_at=None if row.undone_at is None else dt.datetime.fromisoformat(row.undone_at),
        undone_by=row.undone_by,
        readings=tuple(Reading(**one) for one in orjson.loads(row.readings or "[]")),
    )


def read_batches(connection: sa.Connection) -> list[Batch]:
    """Fetch all imports, newest first."""
    rows = connection.execute(sa.select(TABLE).order_by(TABLE.c.batch_id.desc()))
    return [_batch(row) for row in rows]


def find_batch(connection: sa.Connection, digest: str) -> Batch | None:
    """Fetch the import not undone that stored these very files."""
    wanted = sa.select(TABLE).where(TABLE.c.digest == digest, TABLE.c.undone_at.is_(None))
    row = connection.execute(wanted.order_by(TABLE.c.batch_id.desc())).first()
    return None if row is None else _batch(row)


def undo_batch(connection: sa.Connection, batch_id: int, *, who: str) -> Batch:
    """Remove all that one import added."""
    row = connection.execute(sa.select(TABLE).where(TABLE.c.batch_id == batch_id)).first()
    if row is None:
        raise NotFoundError(f"There is no import {batch_id}.")
    if row.undone_at is not None:
        at = dt.datetime.fromisoformat(row.undone_at).astimezone(dt.UTC)
        raise ConflictError(
            f"Import {batch_id} was undone already, on {at:%Y-%m-%d %H:%M} UTC by {row.undone_by}."
        )
    _refuse_edited(connection, batch_id)
    chosen = schema.placements.c.batch_id == batch_id
    ids = connection.scalars(sa.select(schema.placements.c.placement_id).where(chosen)).all()
    found = read_records(connection, Selection(placements=tuple(ids))) if ids else None
    if found is not None:
        written = history.document_texts(found.placements, found.catches, found.lengths)
        history.note(
            connection, who=who, entity="placement", action="remove", batch_id=batch_id,
            keys=found.placements.index.tolist(), before=written,
        )  # fmt: skip
        with public_views.following(connection, chosen):
            delete_placements(connection, chosen)
    put_back(connection, batch_id, who=who)
    _remove_unused(connection, batch_id, who)
    connection.execute(
        TABLE.update()
        .where(TABLE.c.batch_id == batch_id)
        .values(undone_at=history.now_text(), undone_by=who)
    )
    return _batch(connection.execute(sa.select(TABLE).where(TABLE.c.batch_id == batch_id)).one())


def _refuse_edited(connection: sa.Connection, batch_id: int) -> None:
    log = schema.history
    edited = connection.scalars(
        sa.select(log.c.key)
        .distinct()
        .join(schema.placements, schema.placements.c.placement_id == log.c.key)
        .where(
            schema.placements.c.batch_id == batch_id,
            log.c.entity == "placement",
            log.c.action == "change",
            log.c.entry_id
            > sa.select(sa.func.min(log.c.entry_id))
            .where(log.c.batch_id == batch_id)
            .scalar_subquery(),
        )
        .order_by(log.c.key)
    ).all()
    if edited:
        named = ", ".join(edited[:10]) + (" and others" if len(edited) > 10 else "")
        raise ConflictError(
            f"Import {batch_id} cannot be undone: {len(edited)} of its placements were changed "
            f"since ({named}). Remove or restore those first."
        )


def _remove_unused(connection: sa.Connection, batch_id: int, who: str) -> None:
    """Remove sites and surveys that the import brought and nothing else uses."""
    placed, sites, surveys = schema.placements.c, schema.sites, schema.surveys
    for own, used in (
        (sites.c.site, sa.select(placed.site)),
        (surveys.c.survey, sa.union_all(sa.select(placed.survey), sa.select(sites.c.survey))),
    ):
        named = used.subquery().c[own.name]
        unused = own.not_in(sa.select(named).where(named.is_not(None)))
        names = connection.scalars(sa.select(own).where(own.table.c.batch_id == batch_id, unused))
        remove_named(connection, own.table, names.all(), who=who, batch_id=batch_id)
