"""The store, behind which all SQL lives: one GeoPackage file.

Callers see frames and records, never a connection or a statement.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from layers.crs import Operation
from layers.plurals import counted
from service.errors import ConflictError, StoreError
from service.records import EVERYTHING, StoreSettings
from service.store import (
    backgrounds,
    batches,
    changes,
    edits,
    finding,
    history,
    migrations,
    named_tables,
    network_tables,
    placements,
    public_views,
    schema,
    standing_gear,
    upkeep,
    writing,
)
from service.store.accounts import AccountBook
from service.store.geopackage import GeoPackage

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from layers.drawing.tile_grid import Tile
    from service.records import (
        Background,
        Batch,
        FieldRecords,
        HistoryEntry,
        Needed,
        Reading,
        Records,
        Selection,
    )
    from service.store.finding import Key, Unit, Wanted
    from service.store.session import Session

__all__ = ["Store"]


class Store:
    """Reading and writing of one store. Frames are of the kinds in `layers.frames`."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._reading = session.reading
        self._settings_of = self.network_version
        self._settings, srs_id = self._read_settings()
        self._backend = GeoPackage(srs_id, self._settings.crs)
        with session.reading() as connection:
            self._public_key = public_views.public_key(connection)
        self._accounts = AccountBook(session, self._backend)

    def _read_settings(self) -> tuple[StoreSettings, int]:
        with self._reading() as connection:
            row = connection.execute(sa.select(schema.store_settings)).one()
            version = migrations.stored_version(connection)
        settings = StoreSettings(
            crs=row.crs,
            timezone=row.timezone,
            snap_tolerance_m=row.snap_tolerance_m,
            node_tolerance_m=row.node_tolerance_m,
            schema_version=version,
            store_id=row.store_id,
            title=row.title,
        )
        return settings, int(row.srs_id)

    @property
    def settings(self) -> StoreSettings:
        """What the store was made with."""
        version = self.network_version  # loading a network is all that changes them
        if self._settings_of != version:
            self._settings, self._settings_of = self._read_settings()[0], version
        return self._settings

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return self._session.path

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

    @property
    def accounts(self) -> AccountBook:
        """Accounts, sessions and tokens; for `service.access.accounts`."""
        return self._accounts

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
        self._backend.touch(connection, [*tables, "history"])

    # Reference layers -----------------------------------------------------------------
    def reaches(self) -> gpd.GeoDataFrame:
        """Fetch all reaches; adds `strahler`, `upstream_length_m`, `from_node`, `to_node`."""
        with self._reading() as connection:
            return network_tables.read_reaches(connection, self._backend)

    def catchments(self) -> gpd.GeoDataFrame:
        """Fetch all catchments."""
        with self._reading() as connection:
            return network_tables.read_catchments(connection, self._backend)

    def reach_parts(self) -> pd.DataFrame:
        """Fetch which part of which reach lies in which catchment (computed at loading)."""
        with self._reading() as connection:
            return network_tables.read_reach_parts(connection)

    def species(self) -> pd.DataFrame:
        """Fetch the species list."""
        return self._named(schema.species)

    def methods(self) -> pd.DataFrame:
        """Fetch the methods of this store: the shipped seven and `other`, and its own."""
        return self._named(schema.methods)

    def surveys(self) -> pd.DataFrame:
        """Fetch surveys, index `survey`: name, leader, permit, crs, timezone, note."""
        return self._named(schema.surveys)

    def sites(self) -> pd.DataFrame:
        """Fetch sites, index `site`: name, survey, stream_name, note."""
        return self._named(schema.sites)

    def _named(self, table: sa.Table) -> pd.DataFrame:
        with self._reading() as connection:
            return named_tables.read_named(connection, table)

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
            writing.clear_network_findings(connection, self._backend)
            connection.execute(schema.reach_parts.delete())
            network_tables.replace_reaches(connection, self._backend, reaches, who=who)
            network_tables.replace_reach_parts(connection, self._backend, reach_parts)
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
            writing.clear_network_findings(connection, self._backend)
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
        writing.insert_network_findings(connection, self._backend, snaps, stretches, flags, rows)

    def replace_catchments(
        self, catchments: gpd.GeoDataFrame, reach_parts: pd.DataFrame, *, who: str
    ) -> None:
        """Replace all catchments and the parts of reaches in them."""
        with self._session.writing() as connection:
            connection.execute(schema.reach_parts.delete())
            network_tables.replace_catchments(connection, self._backend, catchments, who=who)
            network_tables.replace_reach_parts(connection, self._backend, reach_parts)
            self._grow(connection, "catchments", "reach_parts", network=True)

    def put_species(self, species: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add species or change those of the same name; returns how many of each.

        A column that the frame lacks keeps what is stored.
        """
        with self._session.writing() as connection:
            before = public_views.sensitivities(connection)
            counts = named_tables.put_named(
                connection, self._backend, schema.species, species, who=who
            )
            if not public_views.sensitivities(connection).reindex(before.index).equals(before):
                public_views.refresh(connection, self._backend)
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
            counts = named_tables.put_named(connection, self._backend, table, frame, who=who)
            if any(counts):
                self._grow(connection, table.name)
        return counts

    def mappings(self) -> dict[str, str]:
        """Fetch the text of each mapping that is kept, by its name."""
        with self._reading() as connection:
            return named_tables.read_mappings(connection)

    def keep_mapping(self, name: str, text: str, *, who: str) -> None:
        """Keep a mapping of sheets under a name; one of the same name is replaced."""
        with self._session.writing() as connection:
            if named_tables.keep_mapping(connection, self._backend, name, text, who=who):
                self._grow(connection)

    def backgrounds(self) -> list[Background]:
        """Fetch what is said of each background, in the order of loading."""
        with self._reading() as connection:
            return backgrounds.read_backgrounds(connection)

    def put_background(
        self,
        background: Background,
        tiles: Iterable[Tile],
        pixels: Mapping[int, int],
        *,
        who: str,
    ) -> None:
        """Store a background, in place of one of its name; `pixels`, a tile's side by level."""
        with self._session.writing() as connection:
            backgrounds.put_background(
                connection, self._backend, background, tiles, pixels, who=who
            )
            self._grow(connection)

    def remove_background(self, name: str, *, who: str) -> bool:
        """Take a background out; says whether there was one."""
        with self._session.writing() as connection:
            found = backgrounds.remove_background(connection, self._backend, name, who=who)
            if found:
                self._grow(connection)
        return found

    def tile(self, background: str, zoom: int, column: int, row: int) -> bytes | None:
        """Fetch one tile; None where there is none."""
        with self._reading() as connection:
            return backgrounds.read_tile(connection, background, zoom, column, row)

    def tiles_of_box(
        self, background: str, box: tuple[float, float, float, float], zoom: int
    ) -> list[tuple[int, int, int]]:
        """Column, row and size in bytes of the tiles of one level that meet a box in degrees."""
        with self._reading() as connection:
            return backgrounds.tiles_of_box(connection, background, box, zoom)

    # Records --------------------------------------------------------------------------
    def records(self, selection: Selection, needed: Needed = EVERYTHING) -> Records:
        """Fetch the placements of a selection with what is needed of all that belongs to them.

        All tables by default. `Selection.catchments` is not applied here
        (`service.access.gate` does, by geometry).
        """
        with self._reading() as connection:
            return placements.read_records(connection, self._backend, selection, needed=needed)

    def record_chunks(self, selection: Selection, *, size: int = 10_000) -> Iterator[Records]:
        """Yield the same in chunks of `size` placements by ascending store row, constant memory."""
        with self._reading() as connection:
            yield from placements.chunks(connection, self._backend, selection, size)

    @property
    def public_key(self) -> bytes:
        """Secret of this store that makes public names; for `service.access.gate` alone."""
        return self._public_key

    def public_names(self) -> tuple[set[str], set[str]]:
        """Read which surveys and sites occur in placements that the public sees exactly."""
        with self._reading() as connection:
            return public_views.public_names(connection)

    def public_records(
        self, selection: Selection, needed: Needed = EVERYTHING
    ) -> tuple[Records, pd.DataFrame]:
        """Read the records of a public selection, and how each placement may be shown.

        The selection is compared with what the public sees: ids are public ids, a generalised
        placement has its cell's centre, its year and no survey. The second frame is that of
        `layers.fieldwork.generalising.public_views`; placements that it lacks are not to be
        shown.
        """
        with self._reading() as connection:
            return public_views.public_records(connection, self._backend, selection, needed)

    def public_record_chunks(
        self, selection: Selection, *, size: int = 10_000, after: str = ""
    ) -> Iterator[tuple[Records, pd.DataFrame]]:
        """Yield the same in chunks by ascending public id, beginning after the id `after`."""
        with self._reading() as connection:
            yield from public_views.public_chunks(connection, self._backend, selection, size, after)

    def find(
        self,
        wanted: Wanted,
        unit: Unit,
        *,
        public: bool,
        size: int,
        after: Key | None = None,
        before: Key | None = None,
        places: bool = False,
    ) -> pd.DataFrame:
        """Find features along their keys, for `service.access.gate`; see `store.finding.find`."""
        with self._reading() as connection:
            return finding.find(
                connection, self._backend, wanted, unit,
                public=public, size=size, after=after, before=before, places=places,
            )  # fmt: skip

    def found_records(self, rows: list[int]) -> Records:
        """Read the placements of the column `row` of `find`, without lengths and stretches."""
        with self._reading() as connection:
            return placements.found_records(connection, self._backend, rows)

    def found_public_records(self, rows: list[int]) -> tuple[Records, pd.DataFrame]:
        """Read the same without flags, and how each placement may be shown.

        The second frame is as that of `public_records`; it lacks what is not to be shown now.
        """
        with self._reading() as connection:
            return public_views.found_records(connection, self._backend, rows)

    def sweep(
        self, wanted: Wanted, unit: Unit, *, public: bool, size: int
    ) -> Iterator[pd.DataFrame]:
        """Yield all features of a query with their places, in any order, `size` at a time."""
        with self._reading() as connection:
            yield from finding.sweep(
                connection, self._backend, wanted, unit, public=public, size=size
            )

    def count(self, wanted: Wanted, unit: Unit, *, public: bool) -> int:
        """Count the features of a query; a box is compared with envelopes."""
        with self._reading() as connection:
            return finding.count(connection, self._backend, wanted, unit, public=public)

    def placement_extent(
        self, *, public: bool
    ) -> tuple[tuple[float, float, float, float] | None, tuple[str | None, str | None]]:
        """Box of all placements as shown [m], and their first and last time as text."""
        with self._reading() as connection:
            return finding.extent(connection, public=public)

    @contextmanager
    def moment(self, *, public: bool) -> Iterator[changes.Moment]:
        """One consistent state, to make or mend a picture of the records from."""
        with self._reading() as connection:
            yield changes.Moment(connection, self._backend, public)

    def last_set(
        self, teams: tuple[tuple[str, ...], ...], before: dt.datetime
    ) -> dt.datetime | None:
        """Tell since when each crew of a survey set each method last; see `placements.last_set`."""
        with self._reading() as connection:
            return placements.last_set(connection, self._backend, teams, before)

    def known_placements(self, placement_ids: list[str]) -> pd.Series:
        """Fetch the digest of the content of each of these placements that is stored, by id."""
        with self._reading() as connection:
            return placements.known_digests(connection, self._backend, placement_ids)

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
                    connection, self._backend, records.of(new),
                    who=who, files=files, digest=digest, digests=digests, readings=readings,
                    progress=progress,
                )  # fmt: skip
            own = schema.placements.c.placement_id
            among = self._backend.among(own, older)
            with public_views.following(connection, self._backend, among):
                for name in older:
                    edits.put_placement(
                        connection, self._backend, records.of([name]),
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
            among = self._backend.among(own, records.placements.index.tolist())
            with public_views.following(connection, self._backend, among):
                changed = edits.put_placement(
                    connection, self._backend, records,
                    who=who, digest=digest, replaces=replaces,
                )  # fmt: skip
            if changed:
                self._grow(connection, *_WRITTEN)

    def in_the_water(self) -> pd.DataFrame:
        """Fetch gear that was set and not lifted yet, as `FieldRecords.in_the_water` has it.

        Beside that, `draft` of the device and `who` set it. Longest in the water first.
        """
        with self._reading() as connection:
            return standing_gear.read_in_the_water(connection)

    def put_in_the_water(
        self, gear: pd.DataFrame, *, who: str, replaces: str | None = None
    ) -> None:
        """Store gear that was just set, or change one; `replaces` as in :meth:`put_placement`."""
        with self._session.writing() as connection:
            standing_gear.put_in(connection, self._backend, gear, who=who, replaces=replaces)
            self._grow(connection)

    def remove_from_the_water(self, placement_id: str, *, who: str) -> None:
        """Take gear out of the list that was never set; its history stays."""
        with self._session.writing() as connection:
            standing_gear.take_out(connection, self._backend, [placement_id], who=who)
            self._grow(connection)

    def remove_placement(self, placement_id: str, *, who: str) -> None:
        """Remove one placement with its catch; its history stays."""
        with self._session.writing() as connection:
            own = schema.placements.c.placement_id
            with public_views.following(connection, self._backend, own == placement_id):
                edits.remove_placement(connection, self._backend, placement_id, who=who)
            self._grow(connection, *_WRITTEN)

    def batches(self) -> list[Batch]:
        """Fetch all imports, newest first."""
        with self._reading() as connection:
            return batches.read_batches(connection)

    def find_batch(self, digest: str) -> Batch | None:
        """Fetch the batch not undone that stored these very files, if any."""
        with self._reading() as connection:
            return batches.find_batch(connection, digest)

    def undo_batch(self, batch_id: int, *, who: str) -> Batch:
        """Take back everything one import added; refuses what was edited since."""
        with self._session.writing() as connection:
            own = schema.placements.c.batch_id
            with public_views.following(connection, self._backend, own == batch_id):
                batch = batches.undo_batch(connection, self._backend, batch_id, who=who)
            self._grow(connection, *_WRITTEN)
        return batch

    # History and upkeep ---------------------------------------------------------------
    def history(
        self, entity: str | None = None, key: str | None = None, *, limit: int = 1000
    ) -> list[HistoryEntry]:
        """Fetch changes, newest first."""
        with self._reading() as connection:
            return history.read_history(connection, entity, key, limit)

    def add_history_of(self, other: Store, names: Mapping[str, str]) -> None:
        """Add what happened to placements in another store; its names of them by those here."""
        if names:
            with self._session.writing() as connection:
                entries = other.placement_history(list(names.values()))
                history.add_entries(
                    connection, self._backend, entries, names, other.settings.store_id
                )

    def placement_history(self, placement_ids: list[str]) -> list[sa.Row[Any]]:
        """Fetch all entries of these placements, oldest first, as the table has them."""
        with self._reading() as connection:
            return history.rows_of(connection, self._backend, placement_ids)

    def removed_placements(self, placement_ids: list[str]) -> dict[str, dt.datetime]:
        """Tell which of these placements were removed, and when."""
        with self._reading() as connection:
            return history.removed(connection, self._backend, placement_ids)

    def backup(self, destination: Path) -> None:
        """Write a consistent copy while others read and write."""
        upkeep.backup(self._session, destination)

    def faults(self) -> list[str]:
        """Check integrity, foreign keys, GeoPackage rules, history; empty = sound."""
        with self._reading() as connection:
            return upkeep.faults(connection, self._backend)

    def document(self, placement_id: str) -> dict[str, Any] | None:
        """Write one placement with catches and lengths as the history keeps it."""
        with self._reading() as connection:
            return edits.read_document(connection, self._backend, placement_id)


_WRITTEN = (
    "surveys", "sites", "batches", "placements", "placement_shapes", "catches", "lengths",
    "snaps", "stretches", "flags",
)  # fmt: skip
