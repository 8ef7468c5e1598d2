"""Who may see what: the one gate to the records, and accounts."""

from service.access.current_picture import open_picture
from service.access.gate import (
    count_features,
    find_features,
    found_chosen,
    in_the_water,
    keep_placements,
    open_found,
    open_placement_map,
    open_record_chunks,
    open_records,
    placement_extent,
    refuse_unknown,
    require_role,
    sites,
    surveys,
    sweep_features,
    within_catchments,
)
from service.access.shown import placement_catchments

__all__ = [
    "count_features",
    "find_features",
    "found_chosen",
    "in_the_water",
    "keep_placements",
    "open_found",
    "open_picture",
    "open_placement_map",
    "open_record_chunks",
    "open_records",
    "placement_catchments",
    "placement_extent",
    "refuse_unknown",
    "require_role",
    "sites",
    "surveys",
    "sweep_features",
    "within_catchments",
]
