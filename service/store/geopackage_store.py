"""The store, behind which all SQL lives: one GeoPackage file.

Callers see frames and records, never a connection or a statement.
"""

from __future__ import annotations

from contextlib import contextmanager
from functools import partial, wraps
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

import sqlalchemy as sa

from layers.crs import Operation
from layers.plurals import counted
from service.errors import ConflictError, StoreError
from service.records import StoreSettings
from service.store import (
    batches,
    changes,
    edits,
    history,
    migrations,
    network_tables,
    public_views,
    schema,
    upkeep,
    writing,
)
from service.store.accounts import AccountBook
from service.store.backgrounds import (
    put_background,
    read_backgrounds,
    read_tile,
    remove_background,
    tiles_of_box,
)
from service.store.batches import find_batch, read_batches, undo_batch
from service.store.edits import read_document, remove_placement
from service.store.finding import count, extent, find, surroundings, sweep
from service.store.geopackage import among, noted_extent, touch
from service.store.history import read_history, removed, rows_of
from service.store.named_tables import keep_mapping, put_named, read_mappings, read_named
from service.store.network_tables import (
    read_catchments,
    read_reach_parts,
    read_reaches,
    read_stream_names,
)
from service.store.placements import chunks, found_records, known_digests, last_set, read_records
from service.store.public_views import (
    found_public_records,
    public_chunks,
    public_names,
    public_records,
)
from service.store.standing_gear import put_in, read_in_the_water, take_out
from service.store.upkeep import faults

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from service.records import Batch, FieldRecords, Reading
    from service.store.session import Session

__all__ = ["Store"]

_WRITTEN = (
    "surveys", "sites", "batches", "placements", "placement_shapes", "catches", "lengths",
    "snaps", "stretches", "flags",
)  # fmt: skip
_P = ParamSpec("_P")
_T = TypeVar("_T")


def _reads(
    read: Callable[Concatenate[sa.Connection, _P], _T],
) -> Callable[Concatenate[Store, _P], _T]:
    """Make a method that reads so, from one consistent state."""

    @wraps(read)
    def method(store: Store, /, *args: _P.args, **kwargs: _P.kwargs) -> _T:
        with store._reading() as connection:
            return read(connection, *args, **kwargs)

    return method


def _writes(
    write: Callable[Concatenate[sa.Connection, _P], _T], *tables: str
) -> Callable[Concatenate[Store, _P], _T]:
    """Make a method that writes so in one transaction, which counts unless nothing changed.

    That is what a function says that returns False or no number but 0.
    """

    @wraps(write)
    def method(store: Store, /, *args: _P.args, **kwargs: _P.kwargs) -> _T:
        with store._session.writing() as connection:
            done = write(connection, *args, **kwargs)
            if done is not False and done != (0, 0):
                store._grow(connection, *tables)
        return done

    return method


def _yields(
    read: Callable[Concatenate[sa.Connection, _P], Iterator[_T]],
) -> Callable[Concatenate[Store, _P], Iterator[_T]]:
    """Make a method that reads so piece by piece, from one consistent state."""

    @wraps(read)
    def method(store: Store, /, *args: _P.args, **kwargs: _P.kwargs) -> Iterator[_T]:
        with store._reading() as connection:
            yield from read(connection, *args, **kwargs)

    return method


class Store:
    """Reading and writing of one store. Frames are of the kinds in `layers.frames`."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._reading = session.reading
        self._settings_of = self.network_version
        self._settings = self._read_settings()
        self.path = session.path
        with session.reading() as connection:  # secret that makes public names
            self.public_key = public_views.public_key(connection)
        self.accounts = AccountBook(session)

    def _read_settings(self) -> StoreSettings:
        with self._reading() as connection:
            row = connection.execute(sa.select(schema.store_settings)).one()
            version = migrations.stored_version(connection)
        return StoreSettings(
            crs=row.crs,
            timezone=row.timezone,
            snap_tolerance_m=row.snap_tolerance_m,
            node_tolerance_m=row.node_tolerance_m,
            schema_version=version,
            store_id=row.store_id,
            title=row.title,
        )

    @property
    def settings(self) -> StoreSettings:
        """What the store was made with."""
        version = self.network_version  # loading a network is all that changes them
        if self._settings_of != version:
            self._settings, self._settings_of = self._read_settings(), version
        return self._settings

    @property
    def version(self) -> int:
        """A number that grows with every write; caches and ETags depend on it."""
        with self._reading() as connection:
            return int(connection.scalar(sa.select(schema.store_settings.c.version)) or 0)

    @property
    def network_version(self) -> int:
        """A number that grows when reaches, catchments or all places on them are replaced."""
        own = schema.store_settings.c.network_version
        with self._reading() as connection:
            return int(connection.scalar(sa.select(own)) or 0)

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make all writes within one transaction; leaving by an error takes all of them back.

        What is written is read within it. A store that was left by an error is to be closed:
        answers that were made within may be cached.
        """
        with self._session.together():
            yield

    def close(self) -> None:
        """Release every connection."""
        self._session.close()

    def _grow(self, connection: sa.Connection, *tables: str, network: bool = False) -> None:
        """Count the write, and note for a GIS which tables changed."""
        own = schema.store_settings
        change = {"version": own.c.version + 1}
        if network:
            change["network_version"] = own.c.network_version + 1
        connection.execute(own.update().values(change))
        touch(connection, [*tables, "history"])

    # Reference layers -----------------------------------------------------------------
    reaches = _reads(read_reaches)
    layer_extent = _reads(noted_extent)
    stream_names = _reads(read_stream_names)
    catchments = _reads(read_catchments)
    reach_parts = _reads(read_reach_parts)

    species = _reads(partial(read_named, table=schema.species))
    methods = _reads(partial(read_named, table=schema.methods))
    surveys = _reads(partial(read_named, table=schema.surveys))
    sites = _reads(partial(read_named, table=schema.sites))

    def operations(self) -> dict[str, Operation]:
        """Fetch the operations that places came by, by `layers.crs.crs_key` of their CRS."""
        own = schema.transformations
        with self._reading() as connection:
            rows = connection.execute(sa.select(own).order_by(own.c.fid)).fetchall()
        return {
            row.source_crs: Operation(
                row.name,
                float("nan") if row.accuracy_m is None else row.accuracy_m,
                row.definition,
                None if row.west is None else (row.west, row.south, row.east, row.north),
            )
            for row in rows
        }

    def keep_operations(self, chosen: dict[str, Operation]) -> None:
        """Keep operations for CRS that have none yet; one that is kept never changes."""
        if not chosen:
            return
        own = schema.transformations
        with self._session.writing() as connection:
            there = set(connection.scalars(sa.select(own.c.source_crs)))
            for source, way in chosen.items():
                if source not in there:
                    west, south, east, north = way.area or (None, None, None, None)
                    connection.execute(
                        own.insert().values(
                            source_crs=source, name=way.name, definition=way.definition,
                            accuracy_m=way.accuracy_m if way.accuracy_m == way.accuracy_m else None,
                            west=west, south=south, east=east, north=north,
                        )
                    )  # fmt: skip

    def replace_network(
        self,
        reaches: gpd.GeoDataFrame,
        reach_parts: pd.DataFrame,
        snaps: pd.DataFrame,
        stretches: pd.DataFrame,
        flags: pd.DataFrame,
        *,
        who: str,
        node_tolerance_m: float | None = None,
        version: int | None = None,
    ) -> None:
        """Replace all reaches, and with them every snap, stretch and network flag.

        Network flags are those whose code begins with `snap_`, `stretch_` or `network_`.
        `node_tolerance_m` becomes the store's. `version` is the one that the caller read the
        placements at; a store changed since raises ConflictError.
        """
        with self._session.writing() as connection:
            now = connection.scalar(sa.select(schema.store_settings.c.version))
            if version not in (None, now):
                raise ConflictError(
                    "Another writer changed the store while the network was prepared. Nothing was "
                    "changed; load the network again."
                )
            writing.clear_network_findings(connection)
            network_tables.replace_reaches(connection, reaches, who=who)
            network_tables.replace_reach_parts(connection, reach_parts)
            self._place(connection, snaps, stretches, flags)
            if node_tolerance_m is not None:
                connection.execute(
                    schema.store_settings.update().values(node_tolerance_m=node_tolerance_m)
                )
            changed = ("reaches", "reach_parts", "snaps", "stretches", "flags")
            self._grow(connection, *changed, network=True)

    def replace_places(
        self, snaps: pd.DataFrame, stretches: pd.DataFrame, flags: pd.DataFrame
    ) -> None:
        """Replace every snap, stretch and network flag, on the reaches that are stored."""
        with self._session.writing() as connection:
            writing.clear_network_findings(connection)
            self._place(connection, snaps, stretches, flags)
            # No placement changed: that all are read anew is said as for another network.
            self._grow(connection, "snaps", "stretches", "flags", network=True)

    def _place(
        self,
        connection: sa.Connection,
        snaps: pd.DataFrame,
        stretches: pd.DataFrame,
        flags: pd.DataFrame,
    ) -> None:
        rows = writing.stored_rows(connection)
        if len(rows) != len(snaps):
            raise StoreError(
                f"{counted(len(rows), 'placement')} stored, {len(snaps)} snapped anew: another "
                "writer came between. Nothing was changed; try again."
            )
        writing.insert_network_findings(connection, snaps, stretches, flags, rows)

    def replace_catchments(
        self, catchments: gpd.GeoDataFrame, reach_parts: pd.DataFrame, *, who: str
    ) -> None:
        """Replace all catchments and the parts of reaches in them."""
        with self._session.writing() as connection:
            network_tables.replace_catchments(connection, catchments, who=who)
            network_tables.replace_reach_parts(connection, reach_parts)
            self._grow(connection, "catchments", "reach_parts", network=True)

    def put_species(self, species: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add species or change those of the same name; returns how many of each.

        A column that the frame lacks keeps what is stored.
        """
        with self._session.writing() as connection:
            before = public_views.sensitivities(connection)
            counts = put_named(connection, species, table=schema.species, who=who)
            if not public_views.sensitivities(connection).reindex(before.index).equals(before):
                public_views.refresh(connection)
            if any(counts):
                self._grow(connection, "species")
        return counts

    put_methods = _writes(partial(put_named, table=schema.methods), "methods")
    put_surveys = _writes(partial(put_named, table=schema.surveys), "surveys")
    put_sites = _writes(partial(put_named, table=schema.sites), "sites")

    mappings = _reads(read_mappings)
    keep_mapping = _writes(keep_mapping)

    backgrounds = _reads(read_backgrounds)
    put_background = _writes(put_background)
    remove_background = _writes(remove_background)
    tile = _reads(read_tile)
    tiles_of_box = _reads(tiles_of_box)

    # Records --------------------------------------------------------------------------
    records = _reads(read_records)
    record_chunks = _yields(chunks)
    public_names = _reads(public_names)
    public_records = _reads(public_records)
    public_record_chunks = _yields(public_chunks)
    find = _reads(find)
    found_records = _reads(found_records)
    found_public_records = _reads(found_public_records)
    sweep = _yields(sweep)
    count = _reads(count)
    placement_extent = _reads(extent)
    surroundings = _reads(surroundings)

    @contextmanager
    def moment(self, *, public: bool) -> Iterator[changes.Moment]:
        """One consistent state, to make or mend a picture of the records from."""
        with self._reading() as connection:
            yield changes.Moment(connection, public)

    last_set = _reads(last_set)
    known_placements = _reads(known_digests)

    def add_batch(
        self,
        records: FieldRecords,
        *,
        who: str,
        files: tuple[str, ...],
        digest: str,
        digests: pd.Series,
        readings: tuple[Reading, ...] = (),
        changed: Mapping[str, str] | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Batch | None:
        """Store one import whole, in one transaction, with its history and how it was read.

        `changed` gives the digests under which some of the placements are stored: these are
        changed in place, and belong to no batch. None where no placement is new.
        """
        older = list(changed or {})
        batch = None
        with self._session.writing() as connection:
            new = records.placements.index.difference(older, sort=False)
            if len(new) or records.in_the_water is not None:
                batch = batches.add_batch(
                    connection, records.of(new),
                    who=who, files=files, digest=digest, digests=digests, readings=readings,
                    progress=progress,
                )  # fmt: skip
            own = schema.placements.c.placement_id
            chosen = among(own, older)
            with public_views.following(connection, chosen):
                for name in older:
                    edits.put_placement(
                        connection, records.of([name]),
                        who=who, digest=str(digests[name]), replaces=(changed or {})[name],
                    )  # fmt: skip
            self._grow(connection, *_WRITTEN)
        return batch

    def put_placement(
        self, records: FieldRecords, *, who: str, digest: str, replaces: str | None = None
    ) -> None:
        """Add one placement with its catch, or change the one that is there.

        `replaces` is the digest of the content the editor saw; another one stored
        meanwhile raises ConflictError. Adding what is there already with the same digest
        changes nothing.
        """
        with self._session.writing() as connection:
            own = schema.placements.c.placement_id
            chosen = among(own, records.placements.index.tolist())
            with public_views.following(connection, chosen):
                changed = edits.put_placement(
                    connection, records,
                    who=who, digest=digest, replaces=replaces,
                )  # fmt: skip
            if changed:
                self._grow(connection, *_WRITTEN)

    in_the_water = _reads(read_in_the_water)
    put_in_the_water = _writes(put_in)

    def remove_from_the_water(self, placement_id: str, *, who: str) -> None:
        """Take gear out of the list that was never set; its history stays."""
        with self._session.writing() as connection:
            take_out(connection, [placement_id], who=who)
            self._grow(connection)

    remove_placement = _writes(remove_placement, *_WRITTEN)

    batches = _reads(read_batches)
    find_batch = _reads(find_batch)
    undo_batch = _writes(undo_batch, *_WRITTEN)

    # History and upkeep ---------------------------------------------------------------
    history = _reads(read_history)

    def add_history_of(self, other: Store, names: Mapping[str, str]) -> None:
        """Add what happened to placements in another store; its names of them by those here."""
        if names:
            with self._session.writing() as connection:
                entries = other.placement_history(list(names.values()))
                history.add_entries(connection, entries, names, other.settings.store_id)

    placement_history = _reads(rows_of)
    removed_placements = _reads(removed)

    def backup(self, destination: Path) -> None:
        """Write a consistent copy while others read and write."""
        upkeep.backup(self._session, destination)

    faults = _reads(faults)
    document = _reads(read_document)
