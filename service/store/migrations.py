"""How an older store becomes a newer one: ordered steps, each in one transaction.

A step that has run once anywhere is never changed; a change of the schema is a new step.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

import orjson
import sqlalchemy as sa

from service.errors import StoreError, StoreOutdatedError
from service.store import geopackage, guards, history, public_views, schema

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from service.store.session import Session

__all__ = ["MIGRATIONS", "Migration", "create_tables", "migrate", "stored_version"]


@dataclass(frozen=True)
class Migration:
    """One step forward; `number` is the schema version that it leads to."""

    number: int
    name: str
    step: Callable[[sa.Connection], None]


def create_tables(connection: sa.Connection) -> None:
    """Make the tables of the newest schema in an empty file; all steps count as run."""
    schema.metadata.create_all(connection)
    history.guard_history(connection)
    guards.guard_tables(connection)
    for migration in MIGRATIONS:
        record_migration(connection, migration)


def _run(*statements: str) -> Callable[[sa.Connection], None]:
    """Make a step of plain statements."""

    def step(connection: sa.Connection) -> None:
        for statement in statements:
            connection.exec_driver_sql(statement)

    return step


def _closed_cells(connection: sa.Connection) -> None:
    """Decide anew how the public sees each placement: the cell of a sensitive one is closed."""
    public_views.refresh(connection)
    connection.exec_driver_sql("UPDATE store_settings SET version = version + 1")


def _content_digests(connection: sa.Connection) -> None:
    """Digest each placement anew, by its last document in the history."""
    log, own = schema.history.c, schema.placements.c
    last = sa.select(sa.func.max(log.entry_id)).where(log.entity == "placement").group_by(log.key)
    entries = connection.execute(
        sa.select(log.key, log.after).where(log.entry_id.in_(last), log.after.is_not(None))
    )
    changes = [
        {"own": key, "content_digest": history.content_digest(orjson.loads(after))}
        for key, after in entries
    ]
    if changes:
        connection.execute(
            schema.placements.update().where(own.placement_id == sa.bindparam("own")), changes
        )


# Written out, not taken from the schema: a step stays as it was when the schema goes on.
_TABLE = "CREATE TABLE {} (fid INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "
MIGRATIONS: tuple[Migration, ...] = (
    Migration(1, "first tables", _run()),  # a file is made with its tables, none is older
    Migration(
        2,
        "water velocity and network version",
        _run(
            "ALTER TABLE placements ADD COLUMN water_velocity_m_s DOUBLE",
            "ALTER TABLE store_settings ADD COLUMN network_version INTEGER NOT NULL DEFAULT 1",
        ),
    ),
    # The guards follow each step by themselves; the extents that edits had left too small do not.
    Migration(3, "guards against other programs, extents", geopackage.note_extents),
    Migration(4, "closed cells", _closed_cells),
    Migration(
        5,
        "transformations",
        _run(
            _TABLE.format("transformations") + "source_crs TEXT NOT NULL UNIQUE, "
            "name TEXT NOT NULL, accuracy_m DOUBLE, definition TEXT NOT NULL, west DOUBLE, "
            "south DOUBLE, east DOUBLE, north DOUBLE)"
        ),
    ),
    Migration(6, "digests of the documents", _content_digests),
    Migration(7, "readings of imports", _run("ALTER TABLE batches ADD COLUMN readings TEXT")),
    Migration(
        8,
        "stream that a placement stands for",
        _run("ALTER TABLE methods ADD COLUMN represents_m DOUBLE"),
    ),
    Migration(
        9,
        "gear in the water",
        _run(
            _TABLE.format("in_the_water") + "placement_id TEXT NOT NULL UNIQUE, survey TEXT, "
            "method TEXT NOT NULL REFERENCES methods (method), set_at DATETIME NOT NULL, "
            "longitude DOUBLE NOT NULL, latitude DOUBLE NOT NULL, cells TEXT NOT NULL, "
            "content_digest TEXT NOT NULL, draft TEXT, who TEXT NOT NULL, "
            "batch_id INTEGER REFERENCES batches (batch_id))",
            "CREATE INDEX ix_in_the_water_batch_id ON in_the_water (batch_id)",
        ),
    ),
    Migration(
        10,
        "minutes of passes and kinds of length",
        _run(
            *(f"ALTER TABLE placements ADD COLUMN minutes_pass_{k} DOUBLE" for k in range(1, 7)),
            "ALTER TABLE lengths ADD COLUMN length_type TEXT",
        ),
    ),
    Migration(
        11,
        "groups and names of species, mappings",
        _run(
            'ALTER TABLE species ADD COLUMN "vernacular_names" TEXT',
            'ALTER TABLE species ADD COLUMN "group" TEXT',
            _TABLE.format("mappings") + "name TEXT NOT NULL UNIQUE, text TEXT NOT NULL)",
        ),
    ),
    Migration(
        12,
        "links that set a password, last login",
        _run(
            "ALTER TABLE accounts ADD COLUMN last_login DATETIME",
            _TABLE.format("password_links") + "token_hash TEXT NOT NULL UNIQUE, account TEXT "
            "NOT NULL REFERENCES accounts (name) ON DELETE CASCADE ON UPDATE CASCADE, "
            "expires DATETIME NOT NULL)",
            "CREATE INDEX ix_password_links_account ON password_links (account)",
        ),
    ),
    Migration(
        13,
        "backgrounds",
        _run(
            *geopackage.TILE_TABLES,
            _TABLE.format("backgrounds") + "name TEXT NOT NULL UNIQUE, "
            "attribution TEXT NOT NULL, first_zoom INTEGER NOT NULL, last_zoom INTEGER NOT NULL, "
            "west DOUBLE NOT NULL, south DOUBLE NOT NULL, east DOUBLE NOT NULL, "
            "north DOUBLE NOT NULL, tiles INTEGER NOT NULL, size_bytes INTEGER NOT NULL, "
            "digest TEXT NOT NULL)",
        ),
    ),
    Migration(
        14,
        "crews of a survey by date",
        _run(
            "DROP INDEX IF EXISTS ix_placements_survey",
            "CREATE INDEX ix_placements_crews ON placements (survey, method, set_on, crew)",
        ),
    ),
)


def stored_version(connection: sa.Connection) -> int:
    """Read the schema version of an open store; StoreError where the file is no store."""
    if not sa.inspect(connection).has_table("schema_migrations"):
        raise StoreError("This is not a Rifflebook store; `rifflebook init` makes one.")
    number = connection.scalar(sa.select(sa.func.max(schema.schema_migrations.c.number)))
    return int(number or 0)


def migrate(session: Session, steps: Sequence[Migration] = MIGRATIONS) -> Path | None:
    """Bring a store to the newest schema; returns the copy kept of an older one.

    Raises StoreError where a newer Rifflebook wrote the store, or it is older and open for reading.
    """
    newest = steps[-1].number
    with session.reading() as connection:
        version = stored_version(connection)
    if version > newest:
        raise StoreError(
            f"{session.path.name} has schema {version}; this Rifflebook knows {newest}. "
            "Open it with a newer Rifflebook."
        )
    if version == newest:
        return None
    if session.read_only:
        raise StoreOutdatedError(
            f"{session.path.name} has schema {version} and has to be brought to {newest}; "
            "open it once for writing, as rifflebook serve does."
        )
    copy = _keep_copy(session, version)
    for migration in steps:
        if migration.number > version:
            run_migration(session, migration)
    return copy


def run_migration(session: Session, migration: Migration) -> None:
    """Run one step, unless another process did so meanwhile, with the record that it ran."""
    with session.writing() as connection:
        if stored_version(connection) >= migration.number:
            return
        migration.step(connection)
        guards.guard_tables(connection)  # a table made anew has lost its own
        record_migration(connection, migration)


def record_migration(connection: sa.Connection, migration: Migration) -> None:
    """Note that a step ran."""
    connection.execute(
        schema.schema_migrations.insert().values(
            number=migration.number, name=migration.name, ran_at=history.now_text()
        )
    )


def _keep_copy(session: Session, version: int) -> Path:
    """Copy the store beside itself before it changes; a copy from earlier is not overwritten."""
    from service.store.upkeep import copy_store

    stem = re.sub(r"\.gpkg$", "", session.path.name)
    copy = session.path.with_name(f"{stem}.before-v{version + 1}.gpkg")
    if not copy.exists():
        part = copy.with_name(f"{copy.name}.part")
        copy_store(session, part)
        shutil.move(part, copy)
    return copy
