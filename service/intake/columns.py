"""Every column of the field sheets: one table drives reading, checking, templates and documents.

Other people's names for a column are taken as aliases, Darwin Core terms among them (names after
the Darwin Core quick reference, https://dwc.tdwg.org/terms/). Case, spaces, `_` and `-` in a
header do not matter.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

__all__ = [
    "COUNT_KINDS",
    "OUTCOMES",
    "SHEETS",
    "STRETCH_ANCHORS",
    "Column",
    "known_names",
    "plain",
]

Kind = Literal["text", "number", "whole", "yes_no", "time", "choice"]

OUTCOMES: Final = ("caught", "nil", "lost", "disturbed", "unrecorded")
COUNT_KINDS: Final = ("exact", "at_least", "estimate", "present")
STRETCH_ANCHORS: Final = ("downstream_end", "centre", "upstream_end")


@dataclass(frozen=True)
class Column:
    """One column of a field sheet.

    `low` and `high` are included limits; `above_zero` refuses 0 too.
    """

    name: str
    kind: Kind
    explanation: str
    unit: str = ""
    aliases: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    required: bool = False
    low: float | None = None
    high: float | None = None
    above_zero: bool = False
    example: str = ""


def _text(name: str, explanation: str, *aliases: str, **more: object) -> Column:
    return Column(name, "text", explanation, aliases=aliases, **more)  # type: ignore[arg-type]


def _amount(name: str, unit: str, explanation: str, *aliases: str, **more: object) -> Column:
    options = {"low": 0.0} | more
    return Column(name, "number", explanation, unit, aliases, **options)  # type: ignore[arg-type]


def _whole(name: str, explanation: str, *aliases: str, low: float = 1, example: str = "") -> Column:
    return Column(name, "whole", explanation, aliases=aliases, low=low, example=example)


def _yes_no(name: str, explanation: str, example: str = "yes") -> Column:
    return Column(name, "yes_no", explanation, example=example)


_PLACEMENT_ID = _text(
    "placement_id",
    "Your own number for this placement; never used twice in the store.",
    "eventID",
    required=True,
    example="T24-001",
)
_SPECIES = _text(
    "species",
    "Scientific name as in the store's species list; genus or family where not taken further.",
    "scientificName",
    "taxon",
    required=True,
    example="Barbatula barbatula",
)

_PLACEMENTS = (
    _PLACEMENT_ID,
    _text("survey", "The piece of work that it belongs to.", "datasetName", example="T24"),
    _text("site", "Name of a place that is visited again.", "locationID", example="S01"),
    _text(
        "stream_name",
        "Name of the water; settles which of two near reaches is meant.",
        "waterBody",
        "stream",
        "river",
        example="Long Brook",
    ),
    _text(
        "method",
        "One of the store's methods.",
        "samplingProtocol",
        "gear",
        required=True,
        example="minnow_trap",
    ),
    Column(
        "set_at",
        "time",
        "When the gear was set or fishing began: 2024-06-01T18:30, in the survey's time zone, or "
        "with an offset. A day alone is taken where lifted_at is empty or a day alone too.",
        aliases=("eventDate", "set", "start_time"),
        required=True,
        example="2024-06-01T18:30",
    ),
    Column(
        "lifted_at",
        "time",
        "When it was lifted or fishing ended.",
        aliases=("lifted", "end_time"),
        example="2024-06-02T08:10",
    ),
    Column(
        "longitude",
        "number",
        "Position, east of Greenwich positive; the lower end of a stretch.",
        "degrees",
        ("decimalLongitude", "lon", "long"),
        example="-11.184336",
    ),
    Column(
        "latitude",
        "number",
        "Position, north positive.",
        "degrees",
        ("decimalLatitude", "lat"),
        example="52.662096",
    ),
    Column("easting", "number", "Position in the grid named in crs, instead of longitude.", "m"),
    Column("northing", "number", "Position in the grid named in crs, instead of latitude.", "m"),
    _text(
        "crs",
        "Coordinate reference system of the position; empty = that of the survey.",
        "geodeticDatum",
        "footprintSRS",
        example="EPSG:4326",
    ),
    _text(
        "geometry",
        "Position as well-known text, instead of the columns above: POINT, LINESTRING (track, "
        "from the lower end) or POLYGON.",
        "footprintWKT",
        "wkt",
        "geom",
    ),
    Column("end_longitude", "number", "Upper end of the stretch fished.", "degrees"),
    Column("end_latitude", "number", "Upper end of the stretch fished.", "degrees"),
    Column("end_easting", "number", "Upper end of the stretch fished.", "m"),
    Column("end_northing", "number", "Upper end of the stretch fished.", "m"),
    _text("waypoint", "Name of a waypoint, route or track in the GPX file given with the sheets."),
    _amount(
        "stretch_length_m",
        "m",
        "Stated length of stream fished, from the position upstream.",
        above_zero=True,
        example="80",
    ),
    Column(
        "stretch_anchor",
        "choice",
        "Which part of the stretch the position marks; empty = downstream_end.",
        choices=STRETCH_ANCHORS,
    ),
    _amount(
        "position_uncertainty_m",
        "m",
        "How far off the position may be.",
        "coordinateUncertaintyInMeters",
        above_zero=True,
        example="5",
    ),
    _amount("area_m2", "m²", "Area fished.", "totalAreaSampledValue", above_zero=True),
    _whole("gear_count", "How many like traps or nets were set as one string.", example="8"),
    _whole("lifts", "How many lifts of the net, or hauls.", "hauls"),
    _amount("minutes", "min", "Minutes of fishing or of looking.", above_zero=True),
    _whole("passes", "How many passes were fished.", example="3"),
    _amount("mesh_mm", "mm", "Mesh, bar length.", "mesh", above_zero=True, example="6"),
    _text("bait", "Bait used, empty if none."),
    _yes_no("trap_air_space", "Whether the trap leaves an air space above water."),
    Column(
        "outcome",
        "choice",
        "caught; nil = fished properly, caught nothing; lost or disturbed gear; unrecorded.",
        choices=OUTCOMES,
        example="caught",
    ),
    Column(
        "water_temperature_c", "number", "Water temperature.", "°C", low=-2, high=60, example="14.5"
    ),
    _amount("dissolved_oxygen_mg_l", "mg/l", "Dissolved oxygen.", high=60, example="9.1"),
    _amount("conductivity_us_cm", "µS/cm", "Conductivity.", high=300_000, example="160"),
    _amount(
        "water_velocity_m_s",
        "m/s",
        "How fast the water ran past the gear.",
        "water_velocity",
        "current_velocity",
        "velocity_m_s",
        high=15,
        example="0.2",
    ),
    _amount("visibility_m", "m", "How far one could see into the water.", example="0.8"),
    _amount("wetted_width_m", "m", "Wetted width.", above_zero=True, example="2.4"),
    _text("crew", "Who did it; a team's name will do.", "recordedBy", example="crew A"),
    _yes_no(
        "operator_certificate", "Whether the operator's certificate for this gear is on record."
    ),
    _yes_no("machine_check", "Whether the machine's safety check is on record."),
    _text("permit", "Number of the permit.", example="PERMIT-24-01"),
    _yes_no("gear_cleaned", "Whether the gear was cleaned and dried before this water."),
    _text("notes", "Anything else.", "eventRemarks", "remarks", "note"),
)

_CATCHES = (
    _PLACEMENT_ID,
    _SPECIES,
    _whole("count", "Number of fish.", "individualCount", low=0, example="3"),
    Column(
        "count_kind",
        "choice",
        "exact (also when empty), at_least, estimate, or present where nobody counted.",
        choices=COUNT_KINDS,
        example="exact",
    ),
    _whole("pass_no", "In which pass, from 1.", "pass", example="1"),
    _text("life_stage", "For example egg, fry, juvenile, adult.", "lifeStage"),
    _text("fate", "For example released, kept.", "disposition", example="released"),
    _text("notes", "Anything else.", "occurrenceRemarks", "remarks", "note"),
)

_LENGTHS = (
    _PLACEMENT_ID,
    _SPECIES,
    _whole("pass_no", "In which pass, from 1.", "pass", example="1"),
    _amount("length_mm", "mm", "Length of one fish.", "length", above_zero=True, example="74"),
    _amount("weight_g", "g", "Weight of that fish.", "weight", above_zero=True, example="4.5"),
)

_SURVEYS = (
    _text("survey", "Short name.", required=True, example="T24"),
    _text("name", "Long name.", example="Traps of 2024"),
    _text("leader", "Who leads it.", example="crew A"),
    _text("permit", "Number of the permit.", example="PERMIT-24-01"),
    _text("crs", "CRS of its field coordinates; empty = EPSG:4326.", example="EPSG:4326"),
    _text("timezone", "IANA time zone; empty = that of the store.", example="Europe/Dublin"),
    _text("note", "Anything else.", "notes", "remarks"),
)

_SITES = (
    _text("site", "Short name, as in the placements.", "locationID", required=True, example="S01"),
    _text("name", "Long name.", "locality", example="Long Brook, first bend"),
    _text("survey", "Survey that set it up, if one did.", example="T24"),
    _text("stream_name", "Name of the water.", "waterBody", "stream", "river"),
    _text("note", "Anything else.", "notes", "remarks"),
)

SHEETS: Final[dict[str, tuple[Column, ...]]] = {
    "placements": _PLACEMENTS,
    "catches": _CATCHES,
    "lengths": _LENGTHS,
    "surveys": _SURVEYS,
    "sites": _SITES,
}


def plain(header: str) -> str:
    """Bring a header or word to the form in which names are compared.

    Examples
    --------
    >>> plain(" Placement ID") == plain("placement_id")
    True
    """
    return re.sub(r"[\s_\-]+", "", header).casefold()


def known_names(sheet: str) -> dict[str, str]:
    """Our column for every name and alias of a sheet, by its plain form."""
    names = {
        plain(name): column.name
        for column in SHEETS[sheet]
        for name in (column.name, *column.aliases)
    }
    return names | {plain(column.name): column.name for column in SHEETS[sheet]}
