"""The tables of a store: one definition for every backend.

Every table has a whole-number key, as the GeoPackage standard requires. Records that people name
(surveys, reaches, species) are joined by those names, so that a GIS that opens the store shows
words; what belongs to a placement is joined by its row number, which keeps a million of them fast.
"""

from __future__ import annotations

from functools import partial
from typing import Any, TypedDict, Unpack

import sqlalchemy as sa
from sqlalchemy.types import UserDefinedType

from layers.frames import PASS_MINUTES

__all__ = [
    "ATTRIBUTES",
    "SPATIAL",
    "Date",
    "Geometry",
    "Instant",
    "TextList",
    "metadata",
    "tile_table",
]

metadata = sa.MetaData()


class _Own(UserDefinedType[Any]):
    """A column of the GeoPackage type `kind`."""

    cache_ok = True
    kind = "TEXT"

    def get_col_spec(self, **_: object) -> str:
        """Return the name of the type."""
        return self.kind


class Instant(_Own):
    """A moment in UTC, written `2025-06-01T08:10:00.000Z`."""

    cache_ok, kind = True, "DATETIME"


class Date(_Own):
    """A local date, written `2025-06-01`."""

    cache_ok, kind = True, "DATE"


class TextList(_Own):
    """A list of words, kept as JSON text."""

    cache_ok = True


class Geometry(_Own):
    """Geometry of one kind in the store's CRS; encoded whole columns at once."""

    cache_ok = True

    def __init__(self, kind: str) -> None:
        self.kind = kind


class _Options(TypedDict, total=False):
    nullable: bool
    unique: bool
    index: bool
    server_default: str


def _column(
    kind: sa.types.TypeEngine[Any], name: str, *more: sa.ForeignKey, **options: Unpack[_Options]
) -> sa.Column[Any]:
    return sa.Column(name, kind, *more, **options)


_text = partial(_column, sa.Text())
_whole = partial(_column, sa.Integer())
_number = partial(_column, sa.Double())
_truth = partial(_column, sa.Boolean(create_constraint=False))
_instant = partial(_column, Instant())
_list = partial(_column, TextList())


def _table(name: str, *columns: sa.Column[Any], key: str = "fid") -> sa.Table:
    row = sa.Column(key, sa.Integer, primary_key=True)
    return sa.Table(name, metadata, row, *columns, sqlite_autoincrement=True)


def _spatial(name: str, kind: str, *columns: sa.Column[Any]) -> sa.Table:
    return _table(name, sa.Column("geom", Geometry(kind)), *columns)


def _placement_row(**options: Unpack[_Options]) -> sa.Column[Any]:
    options["nullable"] = False
    whole = sa.ForeignKey("placements.fid", ondelete="CASCADE")
    return _whole("placement_row", whole, **options)


def _reach(name: str = "reach_id", **options: Unpack[_Options]) -> sa.Column[Any]:
    # Checked at commit: a network is replaced whole, and what refers to it with it.
    reach = sa.ForeignKey("reaches.reach_id", deferrable=True, initially="DEFERRED")
    return _text(name, reach, **options)


store_settings = _table(
    "store_settings",
    _text("store_id", nullable=False),
    _text("public_key", nullable=False),  # secret: makes the public names of placements
    _text("title", nullable=False),
    _text("crs", nullable=False),
    _whole("srs_id", nullable=False),
    _text("timezone", nullable=False),
    _number("snap_tolerance_m", nullable=False),
    _number("node_tolerance_m", nullable=False),
    _whole("version", nullable=False),
    # Grows with reaches and catchments only: what is made from them outlives other writes.
    _whole("network_version", nullable=False, server_default="1"),
)

# How places came into the store's CRS, so that later ones come the same way.
transformations = _table(
    "transformations",
    _text("source_crs", nullable=False, unique=True),
    _text("name", nullable=False),
    _number("accuracy_m"),  # missing = not stated
    _text("definition", nullable=False),  # PROJ pipeline, easting or longitude first
    _number("west"),  # degrees; where the operation was chosen for
    _number("south"),
    _number("east"),
    _number("north"),
)

schema_migrations = _table(
    "schema_migrations",
    _text("name", nullable=False),
    _instant("ran_at", nullable=False),
    key="number",
)

# Reference layers ---------------------------------------------------------------------------
reaches = _spatial(
    "reaches",
    "LINESTRING",
    _text("reach_id", nullable=False, unique=True),
    _text("stream_name"),
    _whole("strahler", nullable=False),
    _text("kind", nullable=False),
    _number("length_m", nullable=False),
    _whole("from_node", nullable=False),
    _whole("to_node", nullable=False),
    _number("upstream_length_m", nullable=False),
)
catchments = _spatial(
    "catchments",
    "MULTIPOLYGON",
    _text("catchment_id", nullable=False, unique=True),
    _text("name"),
    _text("parent_id"),
)
reach_parts = _table(
    "reach_parts",
    _reach(nullable=False, index=True),
    _number("from_m", nullable=False),
    _number("to_m", nullable=False),
    _text(
        "catchment_id",
        sa.ForeignKey("catchments.catchment_id", deferrable=True, initially="DEFERRED"),
        index=True,
    ),
)
species = _table(
    "species",
    _text("species", nullable=False, unique=True),
    _text("vernacular_name"),
    _text("rank"),
    _text("family"),
    _text("habitats"),
    _text("detected_by"),
    _number("min_length_mm"),
    _number("max_length_mm"),
    _text("sensitivity"),
    _text("sensitive_from"),
    _text("sensitive_until"),
    _text("taxon_id"),
    _text("vernacular_names"),  # by language, such as de: Groppe; nl: rivierdonderpad
    _text("group"),
)
methods = _table(
    "methods",
    _text("method", nullable=False, unique=True),
    _text("label", nullable=False),
    _text("gear_kind", nullable=False),
    _truth("passive", nullable=False),
    _list("effort_units", nullable=False),
    _list("geometry", nullable=False),
    _text("hours", nullable=False),
    _text("stretch_rule", nullable=False),
    _text("area_rule", nullable=False),
    _text("cpue_passes", nullable=False),
    _number("max_soak_h"),
    _number("represents_m"),
    _truth("operator_certificate", nullable=False),
    _truth("machine_check", nullable=False),
    _text("habitats"),
    _list("cautions", nullable=False),
)

# Records ------------------------------------------------------------------------------------
batches = _table(
    "batches",
    _instant("at", nullable=False),
    _text("who", nullable=False),
    _list("files", nullable=False),
    _text("digest", nullable=False, index=True),
    _whole("placements", nullable=False),
    _whole("catches", nullable=False),
    _whole("lengths", nullable=False),
    _instant("undone_at"),
    _text("undone_by"),
    _text("readings"),  # JSON, as `service.records.Reading`
    key="batch_id",
)


def _batch() -> sa.Column[Any]:
    return _whole("batch_id", sa.ForeignKey("batches.batch_id"), index=True)


surveys = _table(
    "surveys",
    _text("survey", nullable=False, unique=True),
    _text("name"),
    _text("leader"),
    _text("permit"),
    _text("crs"),
    _text("timezone"),
    _text("note"),
    _batch(),
)
sites = _table(
    "sites",
    _text("site", nullable=False, unique=True),
    _text("name"),
    _text("survey", sa.ForeignKey("surveys.survey"), index=True),
    _text("stream_name"),
    _text("note"),
    _batch(),
)
placements = _spatial(
    "placements",
    "POINT",
    _text("placement_id", nullable=False, unique=True),
    _text("survey", sa.ForeignKey("surveys.survey")),
    _text("site", sa.ForeignKey("sites.site"), index=True),
    _text("stream_name"),
    _text("method", sa.ForeignKey("methods.method"), nullable=False, index=True),
    _instant("set_at"),
    _instant("lifted_at"),
    _text("timezone", nullable=False),
    sa.Column("set_on", Date, index=True),  # local date of set_at, for asking by date
    _text("outcome", nullable=False),
    _whole("gear_count"),
    _whole("lifts"),
    _number("minutes"),
    _whole("passes"),
    *(_number(name) for name in PASS_MINUTES),
    _number("area_m2"),
    _number("stretch_length_m"),
    _text("stretch_anchor"),
    _number("position_uncertainty_m"),
    _number("mesh_mm"),
    _text("bait"),
    _truth("trap_air_space"),
    _number("water_temperature_c"),
    _number("dissolved_oxygen_mg_l"),
    _number("conductivity_us_cm"),
    _number("water_velocity_m_s"),
    _number("visibility_m"),
    _number("wetted_width_m"),
    _text("crew"),
    _truth("operator_certificate"),
    _truth("machine_check"),
    _text("permit"),
    _truth("gear_cleaned"),
    _text("notes"),
    _text("shape_kind"),
    _number("original_x"),
    _number("original_y"),
    _text("original_crs"),
    _text("transformation"),
    _number("transformation_accuracy_m"),
    _text("content_digest", nullable=False),
    _batch(),
)
# When each crew of a survey set each method: each form is compared with what they set last.
sa.Index("ix_placements_crews", *(placements.c[n] for n in ("survey", "method", "set_on", "crew")))
# Gear that was set and not lifted yet. Apart from the placements, so that nothing that is made of
# placements (a figure, a map, a file, what the public sees) can count it.
in_the_water = _table(
    "in_the_water",
    _text("placement_id", nullable=False, unique=True),
    _text("survey"),
    _text("method", sa.ForeignKey("methods.method"), nullable=False),
    _instant("set_at", nullable=False),
    _number("longitude", nullable=False),  # WGS 84, degrees
    _number("latitude", nullable=False),
    _text("cells", nullable=False),  # JSON: the row of the placement sheet
    _text("content_digest", nullable=False),
    _text("draft"),  # of the device that set it
    _text("who", nullable=False),
    _batch(),
)
placement_shapes = _spatial("placement_shapes", "GEOMETRY", _placement_row(unique=True))
catches = _table(
    "catches",
    _placement_row(index=True),
    _text("species", sa.ForeignKey("species.species"), nullable=False, index=True),
    _number("count"),
    _text("count_kind", nullable=False),
    _whole("pass_no"),
    _text("life_stage"),
    _text("fate"),
    _text("notes"),
    key="catch_id",
)
lengths = _table(
    "lengths",
    _placement_row(index=True),
    _text("species", sa.ForeignKey("species.species"), nullable=False, index=True),
    _whole("pass_no"),
    _number("length_mm"),
    _number("weight_g"),
    _text("length_type"),
)

# Derived from records and network; computed anew when the network is replaced ----------------
snaps = _table(
    "snaps",
    _placement_row(unique=True),
    _reach(index=True),
    _number("measure_m"),
    _number("offset_m"),
    _truth("ambiguous", nullable=False),
    _text("ambiguous_with"),
    _number("snapped_x"),
    _number("snapped_y"),
)
stretches = _spatial(
    "stretches",
    "LINESTRING",
    _placement_row(index=True),
    _text("method", nullable=False),
    _reach(nullable=False, index=True),
    _number("from_m", nullable=False),
    _number("to_m", nullable=False),
)
flags = _table(
    "flags",
    _placement_row(index=True),
    _text("code", nullable=False),
    _text("column"),
    _text("value"),
    _text("message", nullable=False),
    _text("source", nullable=False),  # "sheet", or "network" for those that follow from snapping
)

# How the public sees each placement (layers/fieldwork/generalising.py); withheld ones have no row.
public_views = _table(
    "covers",
    _placement_row(unique=True),
    _text("public_id", nullable=False, unique=True),
    _whole("step_km", nullable=False),
    _number("cell_x"),
    _number("cell_y"),
    _whole("year"),
)

# History and people ---------------------------------------------------------------------------
history = _table(
    "history",
    _instant("at", nullable=False),
    _text("who", nullable=False),
    _text("entity", nullable=False),
    _text("key", nullable=False),
    _text("action", nullable=False),
    _text("before"),
    _text("after"),
    _text("extra"),
    _whole("batch_id"),
    key="entry_id",
)
sa.Index("history_by_record", history.c.entity, history.c.key)

mappings = _table(
    "mappings",
    _text("name", nullable=False, unique=True),
    _text("text", nullable=False),  # TOML
)

# What is said of each background; its tiles are a table of their own (backgrounds.py).
backgrounds = _table(
    "backgrounds",
    _text("name", nullable=False, unique=True),
    _text("attribution", nullable=False),
    _whole("first_zoom", nullable=False),
    _whole("last_zoom", nullable=False),
    _number("west", nullable=False),  # degrees
    _number("south", nullable=False),
    _number("east", nullable=False),
    _number("north", nullable=False),
    _whole("tiles", nullable=False),
    _whole("size_bytes", nullable=False),
    _text("digest", nullable=False),  # of all tiles
)


def tile_table(background: int) -> str:
    """Name of the table of a background's tiles, by its row."""
    return f"background_{background}"


accounts = _table(
    "accounts",
    _text("name", nullable=False, unique=True),
    _text("role", nullable=False),
    _text("password_hash", nullable=False),
    _instant("created", nullable=False),
    _instant("disabled"),
    _instant("last_login"),
)


def _account() -> sa.Column[Any]:
    whose = sa.ForeignKey("accounts.name", ondelete="CASCADE", onupdate="CASCADE")
    return _text("account", whose, nullable=False, index=True)


sessions = _table(
    "sessions",
    _text("token_hash", nullable=False, unique=True),
    _account(),
    _instant("expires", nullable=False),
)
password_links = _table(  # each sets a password once
    "password_links",
    _text("token_hash", nullable=False, unique=True),
    _account(),
    _instant("expires", nullable=False),
)
api_tokens = _table(
    "api_tokens",
    _text("token_hash", nullable=False, unique=True),
    _account(),
    _text("label"),
    _text("scope", nullable=False),
    _instant("created", nullable=False),
    _instant("revoked"),
    _instant("last_used"),
)

SPATIAL: dict[str, str] = {
    "reaches": "Reaches of the stream network, drawn downstream",
    "catchments": "Catchments, nested by parent_id",
    "placements": "Gear placements with effort, conditions and outcome",
    "placement_shapes": "Tracks and areas of placements",
    "stretches": "Parts of reaches that placements sampled (derived)",
}
# Plain tables that a GIS may show; accounts, sessions and tokens are none of its business.
ATTRIBUTES: dict[str, str] = {
    "surveys": "Surveys",
    "sites": "Sites that are visited again",
    "species": "Species list",
    "methods": "Methods",
    "catches": "Catches; placement_row is placements.fid",
    "lengths": "Fish lengths; placement_row is placements.fid",
    "snaps": "Nearest reach of each placement (derived)",
    "flags": "Findings of the field-sheet checks",
    "reach_parts": "Parts of reaches by catchment (derived)",
    "batches": "Imports",
    "history": "Every change: who, when, before, after",
}
