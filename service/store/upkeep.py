"""Consistent copies, and looking a store over for faults."""

from __future__ import annotations

import os
import sqlite3
from itertools import chain
from typing import TYPE_CHECKING

import sqlalchemy as sa

from layers.plurals import counted, plural
from service.errors import StoreError
from service.records import Selection
from service.store import history, schema
from service.store.backgrounds import background_faults
from service.store.columns import pieces
from service.store.geopackage import APPLICATION_ID, USER_VERSION, among, index_name
from service.store.guards import guard_faults
from service.store.named_tables import NAMED_ENTITIES, read_named
from service.store.network_tables import layer_account
from service.store.placements import chunks
from service.store.public_views import public_view_faults
from service.store.session import plain_errors
from service.store.standing_gear import standing_gear_faults

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from service.store.session import Session

__all__ = ["backup", "copy_store", "faults"]


def backup(session: Session, destination: Path) -> None:
    """Write a consistent copy, whole or not at all; StoreError where it cannot be."""
    if destination.exists():
        raise StoreError(f"{destination} exists; name a new file for the backup.")
    part = destination.with_name(f"{destination.name}.part")
    try:
        copy_store(session, part)
        part.replace(destination)
    except OSError as problem:
        raise StoreError(f"{destination} cannot be written: {problem.strerror}.") from problem
    finally:
        part.unlink(missing_ok=True)


def copy_store(session: Session, destination: Path) -> None:
    """Copy the whole file from one consistent state, while others read and write."""
    if not destination.parent.is_dir():
        raise StoreError(f"There is no folder {destination.parent}.")
    destination.unlink(missing_ok=True)
    with session.raw() as source, plain_errors(destination):
        copy = sqlite3.connect(destination)
        try:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()
    with destination.open("rb+") as file:
        os.fsync(file.fileno())


def faults(connection: sa.Connection) -> list[str]:
    """List what is wrong with a store; empty = sound."""
    found = [
        f"integrity: {row[0]}"
        for row in connection.exec_driver_sql("PRAGMA integrity_check")
        if row[0] != "ok"
    ]
    if found:
        return found  # what follows reads the tables and would fail on a damaged file
    found += [
        f"foreign key: {row[0]} row {row[1]} refers to a row of {row[2]} that is not there"
        for row in connection.exec_driver_sql("PRAGMA foreign_key_check")
    ]
    return [
        *found,
        *_geopackage_faults(connection),
        *guard_faults(connection),
        *_reference_faults(connection),
        *_history_faults(connection),
        *public_view_faults(connection),
        *standing_gear_faults(connection),
        *background_faults(connection),
    ]


def _geopackage_faults(connection: sa.Connection) -> Iterator[str]:
    number = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
    if number != APPLICATION_ID:
        yield f"GeoPackage: application id is {number:#x}, not {APPLICATION_ID:#x}"
    number = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
    if number != USER_VERSION:
        yield f"GeoPackage: user version is {number}, not {USER_VERSION}"
    present = set(sa.inspect(connection).get_table_names())
    listed = set(connection.exec_driver_sql("SELECT table_name FROM gpkg_contents").scalars())
    for name in sorted(listed - present):
        yield f"GeoPackage: {name} is in gpkg_contents but there is no such table"
    for name in sorted({*schema.SPATIAL, *schema.ATTRIBUTES} - listed):
        yield f"GeoPackage: {name} is not in gpkg_contents"
    drawn = connection.exec_driver_sql("SELECT table_name FROM gpkg_geometry_columns").scalars()
    for name in sorted(set(schema.SPATIAL) - set(drawn)):
        yield f"GeoPackage: {name} is not in gpkg_geometry_columns"
    for name in sorted(set(schema.metadata.tables) - present):
        yield f"store: table {name} is missing"
    for name in schema.SPATIAL:
        if name in present:
            yield from _index_faults(connection, name)
            yield from _extent_faults(connection, name)


def _index_faults(connection: sa.Connection, name: str) -> Iterator[str]:
    index = index_name(name)
    # Only names from schema.py go into these statements.
    features, entries, lost = connection.exec_driver_sql(
        f'SELECT (SELECT count(*) FROM "{name}" WHERE geom NOT NULL AND NOT ST_IsEmpty(geom)),'  # noqa: S608
        f' (SELECT count(*) FROM "{index}"),'
        f' (SELECT count(*) FROM "{index}" WHERE id NOT IN (SELECT fid FROM "{name}"))'
    ).one()
    if features != entries or lost:
        yield (
            f"GeoPackage: the R-tree of {name} has "
            f"{counted(entries, 'entry', 'entries')} for {counted(features, 'feature')}, "
            f"{lost} of them for features that are not there"
        )
    answer = connection.exec_driver_sql("SELECT rtreecheck(?)", (index,)).scalar_one()
    if answer != "ok":
        yield f"GeoPackage: the R-tree of {name}: {answer}"


def _extent_faults(connection: sa.Connection, name: str) -> Iterator[str]:
    """Find features outside the layer's noted extent; a wider extent than need be is no fault.

    The R-tree rounds outward, so whatever lies outside is among those whose entry does.
    """
    outside = connection.exec_driver_sql(
        f'SELECT count(*) FROM gpkg_contents AS c JOIN "{index_name(name)}" AS i ON'  # noqa: S608
        " i.minx < coalesce(c.min_x, 9e999) OR i.miny < coalesce(c.min_y, 9e999)"
        " OR i.maxx > coalesce(c.max_x, -9e999) OR i.maxy > coalesce(c.max_y, -9e999)"
        f' JOIN "{name}" AS f ON f.fid = i.id WHERE c.table_name = ?'
        " AND (ST_MinX(f.geom) < coalesce(c.min_x, 9e999)"
        " OR ST_MinY(f.geom) < coalesce(c.min_y, 9e999)"
        " OR ST_MaxX(f.geom) > coalesce(c.max_x, -9e999)"
        " OR ST_MaxY(f.geom) > coalesce(c.max_y, -9e999))",
        (name,),
    ).scalar_one()
    if outside:
        yield (
            f"GeoPackage: {counted(outside, 'feature')} of {name} "
            f"{plural(outside, 'lies', 'lie')} outside its extent in gpkg_contents"
        )


def _reference_faults(connection: sa.Connection) -> Iterator[str]:
    """Compare layers and lists with their last entries."""
    for table in (schema.reaches, schema.catchments):
        noted = history.last_entries(connection, table.name).get(table.name)
        if layer_account(connection, table) != noted:
            yield f"history: {table.name} differ from their last entry"
    for table in (schema.species, schema.methods, schema.surveys, schema.sites):
        entity = NAMED_ENTITIES[table.name]
        stored = read_named(connection, table).reset_index()
        documents = history.frame_documents(stored, table)
        now = {str(document[entity]): document for document in documents}
        noted = history.last_entries(connection, entity)
        for name in sorted(now.keys() | noted.keys()):
            if now.get(name) != noted.get(name):
                yield f"history: {entity} {name!r} differs from its last entry"


def _history_faults(connection: sa.Connection) -> Iterator[str]:
    """Compare each placement with its last entry, and the entries with what is there."""
    log = schema.history
    last = (
        sa.select(sa.func.max(log.c.entry_id))
        .where(log.c.entity == "placement")
        .group_by(log.c.key)
    )
    gone = connection.scalars(
        sa.select(log.c.key)
        .where(
            log.c.entry_id.in_(last),
            log.c.action != "remove",
            log.c.key.not_in(sa.select(schema.placements.c.placement_id)),
        )
        .order_by(log.c.key)
    )
    for key in gone:
        yield f"history: placement {key!r} is gone, but no removal is on record"
    for records in chunks(connection, Selection()):
        keys = records.placements.index.tolist()
        noted = sa.select(log.c.key, log.c.after).order_by(log.c.entry_id)
        noted = noted.where(log.c.entity == "placement", among(log.c.key, keys))
        after = dict(chain.from_iterable(pieces(connection, noted)))
        written = history.document_texts(records.placements, records.catches, records.lengths)
        for key, document in zip(keys, written, strict=True):
            kept = after.get(key)
            if kept is None:
                yield f"history: placement {key!r} is there, but its last entry says it is not"
            elif kept != document:
                yield f"history: placement {key!r} differs from its last entry"
