"""The records that travel between the rooms of the service."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from layers.frames import PASS_MINUTES

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    import geopandas as gpd
    import pandas as pd

__all__ = [
    "EVERYTHING",
    "NO_GEAR",
    "OF_EFFORT",
    "OF_FEATURES",
    "OF_FIGURES",
    "OF_NOTHING",
    "OF_PERMITS",
    "OF_STRETCHES",
    "OF_WATER",
    "Account",
    "ApiToken",
    "Background",
    "Batch",
    "FieldRecords",
    "HistoryEntry",
    "Needed",
    "Records",
    "Role",
    "Selection",
    "StoreSettings",
    "Viewer",
    "is_zone",
]

NO_GEAR = "none"  # among the methods of a selection: none is shown, as when all are switched off
Role = Literal["public", "viewer", "member", "editor", "keeper"]


@dataclass(frozen=True)
class StoreSettings:
    """What a store was made with."""

    crs: str  # authority code of the projected CRS, e.g. "EPSG:32629"
    timezone: str  # IANA zone for surveys that name none
    snap_tolerance_m: float = 100.0
    node_tolerance_m: float = 0.5
    schema_version: int = 1
    store_id: str = ""  # random at creation; keys public identifiers
    title: str = ""


def is_zone(name: str) -> bool:
    """Whether there is an IANA time zone of this name."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


@dataclass(frozen=True)
class Selection:
    """Which placements a question is about; empty means all.

    `since` and `until` are local dates of setting, both included. `catchments` takes in
    what is nested in them. `species` keeps every placement (looking counts) but only
    these species' catches. `upstream_of` and `downstream_of` name a place on the network as
    REACH or REACH:MEASURE, `streams` streams by id or name: placements whose position lies in
    that water, which :func:`service.reference.chosen_region` cuts out. `hours` are any of
    `layers.fieldwork.hours.HOURS`; `able_to_find` leaves the methods that can find that species.
    """

    surveys: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    species: tuple[str, ...] = ()
    catchments: tuple[str, ...] = ()
    placements: tuple[str, ...] = ()
    since: dt.date | None = None
    until: dt.date | None = None
    bbox: tuple[float, float, float, float] | None = None  # store CRS, metres
    upstream_of: str = ""
    downstream_of: str = ""
    streams: tuple[str, ...] = ()
    hours: tuple[str, ...] = ()
    able_to_find: str = ""

    @property
    def in_memory(self) -> bool:
        """Whether records have to be read before it is known which of them are meant."""
        return bool(
            self.catchments or self.upstream_of or self.downstream_of or self.streams
            or self.hours or self.able_to_find
        )  # fmt: skip

    def anywhere(self) -> Selection:
        """Return the same placements wherever they lie."""
        return replace(self, catchments=(), upstream_of="", downstream_of="", streams=())

    def without_species(self) -> Selection:
        """Return the same placements with every species."""
        return replace(self, species=())


IN_THE_WATER: Final = "in_the_water"
"""Outcome in a sheet or form of gear that was set and not lifted yet; no stored record has it."""


@dataclass(frozen=True)
class Viewer:
    """Who is asking. `name` goes into the history of what they change."""

    name: str
    role: Role

    @property
    def sees_exact_places(self) -> bool:
        """Whether sensitive places are shown to this viewer as recorded."""
        return self.role in ("member", "editor", "keeper")

    @property
    def may_edit(self) -> bool:
        """Whether this viewer may add and change records."""
        return self.role in ("editor", "keeper")


LOCAL_KEEPER = Viewer("local user", "keeper")
PUBLIC = Viewer("public", "public")


@dataclass(frozen=True)
class Records:
    """Stored records as frames; of the kinds that `layers.frames` declares."""

    placements: gpd.GeoDataFrame
    catches: pd.DataFrame
    lengths: pd.DataFrame
    snaps: pd.DataFrame
    stretches: pd.DataFrame
    flags: pd.DataFrame


@dataclass(frozen=True)
class Needed:
    """What a question needs of the records it is about; the rest is not read.

    Tables that are not named come empty, placements without the columns that are not.
    """

    tables: frozenset[str] = frozenset({"catches", "lengths", "snaps", "stretches", "flags"})
    columns: frozenset[str] | None = None  # of placements; None = all, drawn shapes included

    def has(self, other: Needed) -> bool:
        """Whether another question needs nothing more; everything is more."""
        if other.columns is None or not other.tables <= self.tables:
            return False
        return self.columns is None or other.columns <= self.columns

    def and_tables(self, *names: str) -> Needed:
        """Return the same with further tables."""
        return replace(self, tables=self.tables | set(names))


_OF_STRETCHES = frozenset(
    {
        "survey", "site", "stream_name", "method", "set_at", "lifted_at", "timezone",
        "position_uncertainty_m", "outcome",
    }
)  # fmt: skip
EVERYTHING = Needed()
# What features are made from.
OF_FEATURES = Needed(tables=frozenset({"catches", "snaps", "flags"}))
# Who looked when and where, how hard which gear fished, and what it caught.
OF_EFFORT = Needed(
    tables=frozenset({"catches", "snaps", "stretches"}),
    columns=_OF_STRETCHES
    | {
        "gear_count", "lifts", "minutes", "passes", *PASS_MINUTES, "area_m2", "stretch_length_m",
        "wetted_width_m", "shape",
    },
)  # fmt: skip
# Which placements a selection names, and nothing of them.
OF_NOTHING = Needed(tables=frozenset(), columns=_OF_STRETCHES)
# All that figures are computed from: what the picture of the records has.
OF_FIGURES = Needed(
    tables=OF_EFFORT.tables | {"lengths"}, columns=(OF_EFFORT.columns or frozenset()) | {"permit"}
)
# Which permit each placement was under, and what became of its catch.
OF_PERMITS = Needed(tables=frozenset({"catches"}), columns=_OF_STRETCHES | {"permit"})
# Where on the network gear fished, which gear, and when.
OF_STRETCHES = Needed(tables=frozenset({"stretches"}), columns=_OF_STRETCHES)
# The same, and where placements without a stretch lie.
OF_WATER = Needed(tables=frozenset({"stretches", "snaps"}), columns=_OF_STRETCHES | {"shape"})


@dataclass(frozen=True)
class FieldRecords:
    """What an import, or one form, hands to the store: checked, snapped, ready to keep.

    `surveys` and `sites` hold those that the store does not know yet. `in_the_water` is gear that
    was set and not lifted yet, index `placement_id`: `survey`, `method`, `set_at`, `longitude`,
    `latitude` [degrees, WGS 84], `cells` (the row of the placement sheet), `digest`; it is none of
    the placements.
    """

    surveys: pd.DataFrame
    sites: pd.DataFrame
    placements: gpd.GeoDataFrame
    catches: pd.DataFrame
    lengths: pd.DataFrame
    snaps: pd.DataFrame
    stretches: pd.DataFrame
    flags: pd.DataFrame
    in_the_water: pd.DataFrame | None = None

    def of(self, names: Sequence[str] | pd.Index) -> FieldRecords:
        """Take some of the placements with what belongs to them."""
        owned = {
            part: frame[frame["placement_id"].isin(names)]
            for part in ("catches", "lengths", "stretches", "flags")
            if len(frame := getattr(self, part))
        }
        return replace(
            self,
            placements=self.placements.loc[names],
            snaps=self.snaps.loc[self.snaps.index.isin(names)],
            **owned,
        )


@dataclass(frozen=True)
class Reading:
    """How cells of one column were read that were not written as the program writes them."""

    file: str
    sheet: str
    column: str
    code: str  # the kind of reading, whatever the wording
    rows: int  # how many were read so
    row: int  # the first of them, as a spreadsheet counts; 0 = the file as a whole
    value: str  # the first values, as written
    message: str


@dataclass(frozen=True)
class Background:
    """A picture of the ground that maps draw beneath the records.

    `zooms` are the first and last level of `layers.drawing.tile_grid` that it has tiles of,
    `bounds` west, south, east, north in degrees, `digest` of all its tiles.
    """

    name: str
    attribution: str
    zooms: tuple[int, int]
    bounds: tuple[float, float, float, float]
    tiles: int
    size_bytes: int
    digest: str


@dataclass(frozen=True)
class Batch:
    """One import, which can be undone whole."""

    batch_id: int
    at: dt.datetime
    who: str
    files: tuple[str, ...]
    digest: str  # SHA-256 over the contents and options: the same file twice is known
    placements: int
    catches: int
    lengths: int
    undone_at: dt.datetime | None = None
    undone_by: str | None = None
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True)
class Account:
    """Somebody with a role; of their password only a hash is stored."""

    name: str
    role: Role
    created: dt.datetime
    disabled: dt.datetime | None = None
    last_login: dt.datetime | None = None


@dataclass(frozen=True)
class ApiToken:
    """A token for programs, as far as the store knows it."""

    token_id: int
    account: str
    label: str
    scope: str  # "read" or "write"
    created: dt.datetime
    revoked: dt.datetime | None = None
    last_used: dt.datetime | None = None


@dataclass(frozen=True)
class HistoryEntry:
    """One change: who, when, what it was, what it is."""

    entry_id: int
    at: dt.datetime
    who: str
    entity: str  # "placement", "survey", "reaches", "species", "account", ...
    key: str
    action: Literal["add", "change", "remove"]
    before: dict[str, Any] | None = None
    after: dict[str, Any] | None = None
    batch_id: int | None = None
    extra: dict[str, Any] = field(default_factory=dict)
