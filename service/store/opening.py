"""Making store files, and opening them."""

from __future__ import annotations

import os
import secrets
from typing import TYPE_CHECKING

from service.errors import StoreError
from service.store import migrations, schema
from service.store.geopackage import create_geopackage_tables, register_layers
from service.store.geopackage_store import Store
from service.store.session import BUSY_SECONDS, Session

if TYPE_CHECKING:
    from pathlib import Path

    from service.records import StoreSettings

__all__ = ["create_store", "open_store"]


def create_store(path: Path, settings: StoreSettings) -> Store:
    """Make a new store file and open it; the CRS and zone are taken as checked.

    The file appears whole or not at all: StoreError where it exists, its folder does not, or it
    cannot be written.
    """
    if path.exists():
        raise StoreError(f"{path} exists; a store is never overwritten. Name a new file.")
    if not path.parent.is_dir():
        raise StoreError(f"There is no folder {path.parent}; make it first.")
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        part.touch(exist_ok=False)
        _fill(part, settings)
        _put_in_place(part, path)
    except FileExistsError:
        raise StoreError(f"{path} exists; a store is never overwritten.") from None
    except OSError as problem:
        raise StoreError(f"{path} cannot be written: {problem.strerror}.") from problem
    finally:
        part.unlink(missing_ok=True)
    return open_store(path)


def _put_in_place(part: Path, path: Path) -> None:
    """Give a finished file its name, which nobody may have taken meanwhile."""
    try:
        os.link(part, path)  # unlike a rename this refuses to overwrite
    except FileExistsError:
        raise
    except OSError:  # memory sticks and some network drives know no second name of a file
        if path.exists():
            raise FileExistsError(path) from None
        part.rename(path)


def _fill(part: Path, settings: StoreSettings) -> None:
    session = Session(part)
    try:
        with session.writing() as connection:
            srs_id = create_geopackage_tables(connection, settings.crs)
            migrations.create_tables(connection)
            register_layers(connection, srs_id)
            connection.execute(
                schema.store_settings.insert().values(
                    store_id=settings.store_id or secrets.token_hex(16),
                    public_key=secrets.token_hex(32),
                    title=settings.title,
                    crs=settings.crs,
                    srs_id=srs_id,
                    timezone=settings.timezone,
                    snap_tolerance_m=settings.snap_tolerance_m,
                    node_tolerance_m=settings.node_tolerance_m,
                    version=1,
                )
            )
    finally:
        session.close()


def open_store(path: Path, *, read_only: bool = False, busy_seconds: float = BUSY_SECONDS) -> Store:
    """Open a store file; an older one is brought to the newest schema, a copy kept beside it.

    Raises
    ------
    StoreError
        There is no such file, it is no store, it is newer, or it may not be written.
    StoreBusyError
        Another process keeps the write lock for longer than `busy_seconds`.
    """
    if not path.is_file():
        raise StoreError(f"There is no store {path}; `rifflebook init` makes one.")
    if not read_only and not os.access(path, os.W_OK):
        raise StoreError(f"{path} may only be read; see its permissions, or open it for reading.")
    session = Session(path, read_only=read_only, busy_seconds=busy_seconds)
    try:
        migrations.migrate(session)
        return Store(session)
    except Exception:
        session.close()
        raise
