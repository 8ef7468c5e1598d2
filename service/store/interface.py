"""The one interface behind which all SQL lives.

Callers see frames and records, never a connection, a statement or a backend. The default
backend is a GeoPackage file; PostgreSQL with PostGIS fits behind the same words.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from layers.crs import Operation
    from layers.drawing.map_columns import MapColumns
    from service.records import (
        Batch,
        FieldRecords,
        HistoryEntry,
        Needed,
        Records,
        Selection,
        StoreSettings,
    )
    from service.store.accounts import AccountBook
    from service.store.finding import Key, Unit, Wanted

__all__ = ["Store"]


class Store(Protocol):
    """Reading and writing of one store. Columns and index: DEVELOPERS.md, "Frames"."""

    @property
    def settings(self) -> StoreSettings:
        """What the store was made with."""

    @property
    def version(self) -> int:
        """A number that grows with every write; caches and ETags hang on it."""

    @property
    def network_version(self) -> int:
        """A number that grows with the network alone: when reaches or catchments are replaced."""

    @property
    def accounts(self) -> AccountBook:
        """Accounts, sessions and tokens; for `service.access.accounts`."""

    def close(self) -> None:
        """Release every connection."""

    # Reference layers -----------------------------------------------------------------
    def reaches(self) -> gpd.GeoDataFrame:
        """Fetch all reaches; adds `strahler`, `upstream_length_m`, `from_node`, `to_node`."""

    def catchments(self) -> gpd.GeoDataFrame:
        """Fetch all catchments."""

    def reach_parts(self) -> pd.DataFrame:
        """Tell which part of which reach lies in which catchment (computed at loading)."""

    def species(self) -> pd.DataFrame:
        """Fetch the species list."""

    def methods(self) -> pd.DataFrame:
        """Fetch the methods of this store: the shipped seven and `other`, and its own."""

    def surveys(self) -> pd.DataFrame:
        """Fetch surveys, index `survey`: name, leader, permit, crs, timezone, note."""

    def sites(self) -> pd.DataFrame:
        """Fetch sites, index `site`: name, survey, stream_name, note."""

    def operations(self) -> dict[str, Operation]:
        """Fetch the operations that places came by, by `layers.crs.crs_key` of their CRS."""

    def keep_operations(self, chosen: dict[str, Operation]) -> None:
        """Keep operations for CRS that have none yet; one that is kept never changes."""

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

    def replace_catchments(
        self, catchments: gpd.GeoDataFrame, reach_parts: pd.DataFrame, *, who: str
    ) -> None:
        """Replace all catchments and the parts of reaches in them."""

    def put_species(self, species: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add species or change those of the same name; returns how many of each.

        A column that the frame lacks keeps what is stored.
        """

    def put_methods(self, methods: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add methods or change those of the same name; returns how many of each.

        A column that the frame lacks keeps what is stored.
        """

    def put_surveys(self, surveys: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add surveys or change those of the same name; returns how many of each.

        A column that the frame lacks keeps what is stored.
        """

    def put_sites(self, sites: pd.DataFrame, *, who: str) -> tuple[int, int]:
        """Add sites or change those of the same name; returns how many of each.

        A column that the frame lacks keeps what is stored.
        """

    # Records --------------------------------------------------------------------------
    def records(self, selection: Selection, needed: Needed = ...) -> Records:
        """Fetch the placements of a selection with what is needed of all that hangs on them.

        Everything unless said otherwise. `Selection.catchments` is not applied here
        (`service.access.gate` does, by geometry).
        """

    def record_chunks(self, selection: Selection, *, size: int = 10_000) -> Iterator[Records]:
        """Yield the same in chunks of `size` placements by ascending store row, constant memory."""

    @property
    def public_key(self) -> bytes:
        """Secret of this store that makes public names; for `service.access.gate` alone."""

    def public_names(self) -> tuple[set[str], set[str]]:
        """Read which surveys and sites occur in placements that the public sees exactly."""

    def public_records(
        self, selection: Selection, needed: Needed = ...
    ) -> tuple[Records, pd.DataFrame]:
        """Read the records of a public selection, and how each placement may be shown.

        The selection is compared with what the public sees: ids are public ids, a covered
        placement has its cell's centre, its year and no survey. The second frame is that of
        `layers.fieldwork.generalising.public_views`; placements that it lacks are not to be
        shown.
        """

    def public_record_chunks(
        self, selection: Selection, *, size: int = 10_000, after: str = ""
    ) -> Iterator[tuple[Records, pd.DataFrame]]:
        """Yield the same in chunks by ascending public id, beginning after the id `after`."""

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

    def found_records(self, rows: list[int]) -> Records:
        """Read the placements of the column `row` of `find`, without lengths and stretches."""

    def found_public_records(self, rows: list[int]) -> tuple[Records, pd.DataFrame]:
        """Read the same without flags, and how each placement may be shown.

        The second frame is as that of `public_records`; it lacks what is not to be shown now.
        """

    def sweep(
        self, wanted: Wanted, unit: Unit, *, public: bool, size: int
    ) -> Iterator[pd.DataFrame]:
        """Yield all that a question means with its places, in any order, `size` at a time."""

    def count(self, wanted: Wanted, unit: Unit, *, public: bool) -> int:
        """Count what a question means; a box is compared with envelopes."""

    def placement_extent(
        self, *, public: bool
    ) -> tuple[tuple[float, float, float, float] | None, tuple[str | None, str | None]]:
        """Box of all placements as shown [m], and their first and last time as text."""

    def map_columns(self, *, public: bool) -> MapColumns:
        """Read all placements in a few columns; `public`, as the public sees them."""

    def known_placements(self, placement_ids: list[str]) -> pd.Series:
        """Fetch the digest of the content of each of these placements that is stored, by id."""

    def add_batch(
        self,
        records: FieldRecords,
        *,
        who: str,
        files: tuple[str, ...],
        digest: str,
        digests: pd.Series,
        progress: Callable[[int, int], None] | None = None,
    ) -> Batch:
        """Store one import whole, in one transaction, with its history."""

    def put_placement(
        self, records: FieldRecords, *, who: str, digest: str, replaces: str | None = None
    ) -> None:
        """Add one placement with its catch, or change the one that is there.

        `replaces` is the digest of the content the editor saw; another one stored
        meanwhile raises ConflictError. Adding what is there already with the same digest
        changes nothing.
        """

    def remove_placement(self, placement_id: str, *, who: str) -> None:
        """Remove one placement with its catch; its history stays."""

    def batches(self) -> list[Batch]:
        """Fetch all imports, newest first."""

    def find_batch(self, digest: str) -> Batch | None:
        """Fetch the batch not undone that stored these very files, if any."""

    def undo_batch(self, batch_id: int, *, who: str) -> Batch:
        """Take back everything one import added; refuses what was edited since."""

    # History and upkeep ---------------------------------------------------------------
    def history(
        self, entity: str | None = None, key: str | None = None, *, limit: int = 1000
    ) -> list[HistoryEntry]:
        """Fetch changes, newest first."""

    def backup(self, destination: Path) -> None:
        """Write a consistent copy while others read and write."""

    def faults(self) -> list[str]:
        """Check integrity, foreign keys, GeoPackage rules, history; empty = sound."""

    def document(self, placement_id: str) -> dict[str, Any] | None:
        """Write one placement with catches and lengths as the history keeps it."""
