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
    backgrounds,
    batches,
    changes,
    edits,
    history,
    migrations,
    named_tables,
    network_tables,
    public_views,
    schema,
    standing_gear,
    upkeep,
    writing,
)
from service.store.accounts import AccountBook
from service.store.backgrounds import read_backgrounds, read_tile, tiles_of_box
from service.store.batches import find_batch, read_batches
from service.store.edits import read_document
from service.store.finding import count, extent, find, surroundings, sweep
from service.store.geopackage import among, noted_extent, touch
from service.store.history import read_history, removed, rows_of
from service.store.named_tables import read_mappings, read_named
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
from service.store.standing_gear import read_in_the_water
from service.store.upkeep import faults

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from layers.drawing.tile_grid import Tile
    from service.records import (
        Background,
        Batch,
        FieldRecords,
        Reading,
    )
    from service.store.session import Session

__all__ = ["Store"]

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
            counts = named_tables.put_named(connection, schema.species, species, who=who)
            if not public_views.sensitivities(connection).reindex(before.index).equals(before):
                public_views.refresh(connection)
            if any(counts):
                self._grow(connection, "species")
        return counts

    def put_methods(self, methods: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add or change methods, as :meth:`put_species` does."""
        return self._put(schema.methods, methods, who)

    def put_surveys(self, surveys: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add or change surveys, as :meth:`put_species` does."""
        return self._put(schema.surveys, surveys, who)

    def put_sites(self, sites: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add or change sites, as :meth:`put_species` does."""
        return self._put(schema.sites, sites, who)

    def _put(self, table: sa.Table, frame: pd.DataFrame, who: str) -> tuple[int, int]:
        with self._session.writing() as connection:
            counts = named_tables.put_named(connection, table, frame, who=who)
            if any(counts):
                self._grow(connection, table.name)
        return counts

    mappings = _reads(read_mappings)

    def keep_mapping(self, name: str, text: str, *, who: str) -> None:
        """Keep a mapping of sheets under a name; one of the same name is replaced."""
        with self._session.writing() as connection:
            if named_tables.keep_mapping(connection, name, text, who=who):
                self._grow(connection)

    backgrounds = _reads(read_backgrounds)

    def put_background(
        self, background: Background, tiles: Iterable[Tile], pixels: Mapping[int, int], *, who: str
    ) -> None:
        """Store a background, in place of one of its name; `pixels`, a tile's side by level."""
        with self._session.writing() as connection:
            backgrounds.put_background(connection, background, tiles, pixels, who=who)
            self._grow(connection)

    def remove_background(self, name: str, *, who: str) -> bool:
        """Take a background out; says whether there was one."""
        with self._session.writing() as connection:
            found = backgrounds.remove_background(connection, name, who=who)
            if found:
                self._grow(connection)
        return found

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

    def put_in_the_water(
        self, gear: pd.DataFrame, *, who: str, replaces: str | None = None
    ) -> None:
        """Store gear that was just set, or change one; `replaces` as in :meth:`put_placement`."""
        with self._session.writing() as connection:
            standing_gear.put_in(connection, gear, who=who, replaces=replaces)
            self._grow(connection)

    def remove_from_the_water(self, placement_id: str, *, who: str) -> None:
        """Take gear out of the list that was never set; its history stays."""
        with self._session.writing() as connection:
            standing_gear.take_out(connection, [placement_id], who=who)
            self._grow(connection)

    def remove_placement(self, placement_id: str, *, who: str) -> None:
        """Remove one placement with its catch; its history stays."""
        with self._session.writing() as connection:
            own = schema.placements.c.placement_id
            with public_views.following(connection, own == placement_id):
                edits.remove_placement(connection, placement_id, who=who)
            self._grow(connection, *_WRITTEN)

    batches = _reads(read_batches)
    find_batch = _reads(find_batch)

    def undo_batch(self, batch_id: int, *, who: str) -> Batch:
        """Take back everything one import added; refuses what was edited since."""
        with self._session.writing() as connection:
            own = schema.placements.c.batch_id
            with public_views.following(connection, own == batch_id):
                batch = batches.undo_batch(connection, batch_id, who=who)
            self._grow(connection, *_WRITTEN)
        return batch

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


_WRITTEN = (
    "surveys", "sites", "batches", "placements", "placement_shapes", "catches", "lengths",
    "snaps", "stretches", "flags",
)  # fmt: skip
