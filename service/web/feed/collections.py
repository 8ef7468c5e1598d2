"""The six collections: what they contain, how they are filtered, where they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from layers.fieldwork.public_frames import GENERALISED_COLUMNS
from service.errors import NotFoundError
from service.web.feed.layer_source import LayerSource, read_catchments, read_gaps, read_reaches
from service.web.feed.record_source import RecordSource

if TYPE_CHECKING:
    from service.web.feed.source import Source

__all__ = ["COLLECTIONS", "Collection", "find_collection"]


@dataclass(frozen=True)
class Collection:
    """One collection of the feed."""

    name: str
    title: str
    description: str
    source: Source
    filters: dict[str, str]  # parameter: what it selects
    columns: tuple[str, ...]  # properties of its features
    geometry: str
    timed: bool = False


_PLACEMENT_FILTERS: Final = {
    "method": "Placements of this method.",
    "survey": "Placements of this survey.",
    "outcome": "Placements with this outcome: caught, nil, lost, disturbed or unrecorded.",
    "catchment": "Placements in this catchment or one nested in it.",
    "stream_name": "Placements on the stream of this name.",
    "reach_id": "Placements on this reach.",
}

COLLECTIONS: Final = {
    collection.name: collection
    for collection in (
        Collection(
            "placements",
            "Placements",
            "Gear put in one place once: method, times, effort, conditions and outcome, with the "
            "catch as a list. A placement with the outcome nil looked and found nothing.",
            RecordSource("placement"),
            {"species": "Placements that caught this species.", **_PLACEMENT_FILTERS},
            (
                "placement_id", "survey", "site", "stream_name", "method", "method_label",
                "gear_kind", "outcome", "set_at", "lifted_at", "timezone", "gear_count", "lifts",
                "minutes", "passes", "area_m2", "stretch_length_m", "mesh_mm", "bait",
                "position_uncertainty_m", "water_temperature_c", "dissolved_oxygen_mg_l",
                "conductivity_us_cm", "water_velocity_m_s", "visibility_m", "wetted_width_m",
                "notes", *GENERALISED_COLUMNS,
                "set_local", "lifted_local", "effort_words", "individuals",
                "individuals_lower_bound", "species", "catch", "reach_id", "measure_m",
                "offset_m", "ambiguous", "ambiguous_with", "snapped_longitude",
                "snapped_latitude", "flags",
            ),
            "Point",
            timed=True,
        ),
        Collection(
            "detections",
            "Detections",
            "What was found: one feature for each species that a placement caught, at the "
            "position of the placement.",
            RecordSource("detection"),
            {"species": "Detections of this species.", **_PLACEMENT_FILTERS},
            (
                "placement_id", "species", "vernacular_name", "individuals",
                "individuals_lower_bound", "method", "method_label", "survey", "site", "set_at",
                "set_local", "lifted_at", "position_uncertainty_m", *GENERALISED_COLUMNS,
            ),
            "Point",
            timed=True,
        ),
        Collection(
            "stretches",
            "Sampled stretches",
            "The parts of reaches that placements sampled, drawn downstream.",
            RecordSource("stretch"),
            {
                name: words.replace("Placements", "Stretches of placements")
                for name, words in _PLACEMENT_FILTERS.items()
                if name not in ("catchment", "stream_name", "reach_id")
            }
            | {"reach_id": "Stretches on this reach."},
            ("placement_id", "method", "reach_id", "from_m", "to_m"),
            "LineString",
            timed=True,
        ),
        Collection(
            "reaches",
            "Reaches",
            "The stream network: directed lines from an upstream to a downstream node.",
            LayerSource("reaches", read_reaches),
            {
                "stream_name": "Reaches of the stream of this name.",
                "strahler": "Reaches of this Strahler order.",
                "kind": "Reaches of this kind, such as stream or ditch.",
                "catchment": "Reaches that lie, wholly or in part, in this catchment or one "
                "nested in it.",
            },
            ("reach_id", "stream_name", "strahler", "kind", "length_m"),
            "LineString",
        ),
        Collection(
            "catchments",
            "Catchments",
            "Polygons that drain to a point; nested by parent_id.",
            LayerSource("catchments", read_catchments),
            {
                "name": "Catchments of this name.",
                "parent_id": "Catchments directly nested in this one.",
            },
            ("catchment_id", "name", "parent_id"),
            "MultiPolygon",
        ),
        Collection(
            "gaps",
            "Coverage gaps",
            "Connected parts of the network that no placement visited, by any method, ever.",
            LayerSource("gaps", read_gaps),
            {"catchment": "Gaps that lie mostly in this catchment or one nested in it."},
            (
                "gap", "stream", "stream_id", "length_m", "reaches", "catchment",
                "highest_strahler", "farthest_m", "farthest_longitude", "farthest_latitude", "note",
            ),
            "MultiLineString",
        ),
    )
}  # fmt: skip


def find_collection(name: str) -> Collection:
    """Find a collection.

    Raises
    ------
    NotFoundError
        There is none of this name.
    """
    if name not in COLLECTIONS:
        raise NotFoundError(f"There is no collection {name!r}; there are {', '.join(COLLECTIONS)}.")
    return COLLECTIONS[name]
