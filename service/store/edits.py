"""Adding, changing and removing one placement with its catch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
import sqlalchemy as sa

from service.errors import ConflictError, NotFoundError, StoreError
from service.records import Selection
from service.store import history, schema
from service.store.named_tables import put_named
from service.store.placements import read_records
from service.store.public_views import following
from service.store.writing import add_records, delete_placements, update_placement

if TYPE_CHECKING:
    from service.records import FieldRecords

__all__ = ["put_placement", "read_document", "remove_placement"]

TABLE = schema.placements


def read_document(connection: sa.Connection, placement_id: str) -> dict[str, Any] | None:
    """Write one stored placement as the history keeps it."""
    found = read_records(connection, Selection(placements=(placement_id,)))
    written = history.documents(found.placements, found.catches, found.lengths)
    return written[0] if written else None


def put_placement(
    connection: sa.Connection, records: FieldRecords, *, who: str, digest: str, replaces: str | None
) -> bool:
    """Add or change one placement; says whether anything changed."""
    if len(records.placements) != 1:
        raise StoreError(f"One placement is wanted, {len(records.placements)} were given.")
    name = str(records.placements.index[0])
    stored = connection.execute(
        sa.select(TABLE.c.fid, TABLE.c.content_digest).where(TABLE.c.placement_id == name)
    ).first()
    if stored is not None and stored.content_digest == digest:
        return False
    if stored is None and replaces is not None:
        raise ConflictError(f"Placement {name!r} was removed by somebody else meanwhile.")
    if stored is None:
        digests = pd.Series([digest], index=records.placements.index)
        add_records(connection, records, digests, who=who, batch_id=None)
        return True
    if replaces is None:
        raise ConflictError(f"Placement {name!r} exists with other content; choose another id.")
    if stored.content_digest != replaces:
        raise ConflictError(
            f"Placement {name!r} was changed by somebody else meanwhile; "
            "look at what is stored now and enter the change again."
        )
    before = read_document(connection, name)
    for table, frame in ((schema.surveys, records.surveys), (schema.sites, records.sites)):
        put_named(connection, frame, table=table, who=who)
    update_placement(connection, records, stored.fid, digest)
    history.note(
        connection, who=who, entity="placement", action="change", keys=[name],
        before=[before], after=[read_document(connection, name)],
    )  # fmt: skip
    return True


def remove_placement(connection: sa.Connection, placement_id: str, *, who: str) -> None:
    """Remove one placement with all that belongs to it."""
    before = read_document(connection, placement_id)
    if before is None:
        raise NotFoundError(f"There is no placement {placement_id!r}.")
    chosen = TABLE.c.placement_id == placement_id
    with following(connection, chosen):
        delete_placements(connection, chosen)
    history.note(
        connection, who=who, entity="placement", action="remove",
        keys=[placement_id], before=[before],
    )  # fmt: skip
