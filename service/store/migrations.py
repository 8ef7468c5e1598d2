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


def _first_tables(connection: sa.Connection) -> None:
    """Do nothing: a file is made with its tables, and none is older than these."""
    del connection


def _velocity_and_network_version(connection: sa.Connection) -> None:
    """Keep how fast the water ran, and count changes of the network apart from all others."""
    connection.exec_driver_sql("ALTER TABLE placements ADD COLUMN water_velocity_m_s DOUBLE")
    connection.exec_driver_sql(
        "ALTER TABLE store_settings ADD COLUMN network_version INTEGER NOT NULL DEFAULT 1"
    )


def _guards_and_extents(connection: sa.Connection) -> None:
    """Note the extents that edits had left too small; the guards follow each step by themselves."""
    geopackage.note_extents(connection)


def _closed_cells(connection: sa.Connection) -> None:
    """Decide anew how the public sees each placement: the cell of a sensitive one is closed."""
    own = schema.store_settings.c
    srs_id, crs = connection.execute(sa.select(own.srs_id, own.crs)).one()
    public_views.refresh(connection, geopackage.GeoPackage(srs_id, crs))
    connection.exec_driver_sql("UPDATE store_settings SET version = version + 1")


def _transformations(connection: sa.Connection) -> None:
    """Keep the operations between CRS; places that are stored keep the name of theirs."""
    connection.exec_driver_sql(
        "CREATE TABLE transformations (fid INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "
        "source_crs TEXT NOT NULL UNIQUE, name TEXT NOT NULL, accuracy_m DOUBLE, "
        "definition TEXT NOT NULL, west DOUBLE, south DOUBLE, east DOUBLE, north DOUBLE)"
    )


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


def _readings(connection: sa.Connection) -> None:
    """Keep with each import how its cells were read; of earlier ones nothing is known."""
    connection.exec_driver_sql("ALTER TABLE batches ADD COLUMN readings TEXT")


def _represented_length(connection: sa.Connection) -> None:
    """Let each method say how much stream its placements without a stretch stand for."""
    connection.exec_driver_sql("ALTER TABLE methods ADD COLUMN represents_m DOUBLE")


def _in_the_water(connection: sa.Connection) -> None:
    """Keep gear that was set and not lifted yet, apart from the placements."""
    connection.exec_driver_sql(
        "CREATE TABLE in_the_water (fid INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "
        "placement_id TEXT NOT NULL UNIQUE, survey TEXT, "
        "method TEXT NOT NULL REFERENCES methods (method), set_at DATETIME NOT NULL, "
        "longitude DOUBLE NOT NULL, latitude DOUBLE NOT NULL, cells TEXT NOT NULL, "
        "content_digest TEXT NOT NULL, draft TEXT, who TEXT NOT NULL, "
        "batch_id INTEGER REFERENCES batches (batch_id))"
    )
    connection.exec_driver_sql("CREATE INDEX ix_in_the_water_batch_id ON in_the_water (batch_id)")


def _minutes_of_passes(connection: sa.Connection) -> None:
    """Keep the minutes of each pass, and which length of a fish was measured."""
    for number in range(1, 7):
        connection.exec_driver_sql(
            f"ALTER TABLE placements ADD COLUMN minutes_pass_{number} DOUBLE"
        )
    connection.exec_driver_sql("ALTER TABLE lengths ADD COLUMN length_type TEXT")


def _names_and_mappings(connection: sa.Connection) -> None:
    """Keep the group of species, their names in several languages, and mappings by name."""
    for column in ("vernacular_names", "group"):
        connection.exec_driver_sql(f'ALTER TABLE species ADD COLUMN "{column}" TEXT')
    connection.exec_driver_sql(
        "CREATE TABLE mappings (fid INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "
        "name TEXT NOT NULL UNIQUE, text TEXT NOT NULL)"
    )


def _links_for_passwords(connection: sa.Connection) -> None:
    """Keep links that set a password once, and when somebody logged in last."""
    connection.exec_driver_sql("ALTER TABLE accounts ADD COLUMN last_login DATETIME")
    connection.exec_driver_sql(
        "CREATE TABLE password_links (fid INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "
        "token_hash TEXT NOT NULL UNIQUE, "
        "account TEXT NOT NULL REFERENCES accounts (name) ON DELETE CASCADE ON UPDATE CASCADE, "
        "expires DATETIME NOT NULL)"
    )
    connection.exec_driver_sql("CREATE INDEX ix_password_links_account ON password_links (account)")


def _backgrounds(connection: sa.Connection) -> None:
    """Keep backgrounds: tile pyramids of the standard, and what is said of each."""
    for statement in geopackage.TILE_TABLES:
        connection.exec_driver_sql(statement)
    connection.exec_driver_sql(
        "CREATE TABLE backgrounds (fid INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "
        "name TEXT NOT NULL UNIQUE, attribution TEXT NOT NULL, first_zoom INTEGER NOT NULL, "
        "last_zoom INTEGER NOT NULL, west DOUBLE NOT NULL, south DOUBLE NOT NULL, "
        "east DOUBLE NOT NULL, north DOUBLE NOT NULL, tiles INTEGER NOT NULL, "
        "size_bytes INTEGER NOT NULL, digest TEXT NOT NULL)"
    )


MIGRATIONS: tuple[Migration, ...] = (
    Migration(1, "first tables", _first_tables),
    Migration(2, "water velocity and network version", _velocity_and_network_version),
    Migration(3, "guards against other programs, extents", _guards_and_extents),
    Migration(4, "closed cells", _closed_cells),
    Migration(5, "transformations", _transformations),
    Migration(6, "digests of the documents", _content_digests),
    Migration(7, "readings of imports", _readings),
    Migration(8, "stream that a placement stands for", _represented_length),
    Migration(9, "gear in the water", _in_the_water),
    Migration(10, "minutes of passes and kinds of length", _minutes_of_passes),
    Migration(11, "groups and names of species, mappings", _names_and_mappings),
    Migration(12, "links that set a password, last login", _links_for_passwords),
    Migration(13, "backgrounds", _backgrounds),
)


def stored_version(connection: sa.Connection) -> int:
    """Read the schema version of an open store.

    Raises
    ------
    StoreError
        The file is not a Rifflebook store.
    """
    if not sa.inspect(connection).has_table("schema_migrations"):
        raise StoreError("This is not a Rifflebook store; `rifflebook init` makes one.")
    number = connection.scalar(sa.select(sa.func.max(schema.schema_migrations.c.number)))
    return int(number or 0)


def migrate(session: Session, steps: Sequence[Migration] = MIGRATIONS) -> Path | None:
    """Bring a store to the newest schema; returns the copy kept of an older one.

    Raises
    ------
    StoreError
        A newer Rifflebook wrote the store, or it is older and open for reading only.
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
