"""Which columns each summary leads with, and by what sampled length can be grouped."""

from __future__ import annotations

from typing import Final

__all__ = ["COLUMNS", "GROUPINGS"]

GROUPINGS: Final = ("catchment", "strahler", "reach", "year", "survey")
COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "placement_reaches": (
        "placement_id", "method", "reach_id", "measure_m", "offset_m", "ambiguous",
        "ambiguous_with", "snapped_longitude", "snapped_latitude",
    ),
    "reach_summary": (
        "reach_id", "catchment", "placements", "methods", "species", "individuals",
        "individuals_lower_bound", "first_date", "last_date", "sampled_length_m",
        "sampled_fraction",
    ),
    "sampled_length": (
        "method", "sampled_length_m", "effort_length_m", "placements", "network_length_m",
        "network_share",
    ),
    "effort": (
        "method", "catchment", "species", "placements", "effort", "effort_unit", "individuals",
        "individuals_lower_bound", "cpue", "cpue_low", "cpue_high",
    ),
    "occurrence": (
        "catchment", "species", "state", "placements", "placements_found", "reaches",
        "reaches_found", "proportion", "wilson_low", "wilson_high", "first_date", "last_date",
        "individuals", "individuals_lower_bound", "methods",
    ),
    "coverage": (
        "reach_id", "catchment", "strahler", "length_m", "sampled_fraction", "last_date",
        "years_since", "distance_to_sampled_m",
    ),
    "gaps": (
        "gap", "length_m", "reaches", "catchment", "highest_strahler", "farthest_m",
        "farthest_longitude", "farthest_latitude",
    ),
    "next_places": (
        "rank", "reach_id", "measure_m", "longitude", "latitude", "adds_m", "remaining_share",
    ),
    "depletion": (
        "placement_id", "species", "passes", "catches", "estimator", "n_hat", "n_se", "n_low",
        "n_high", "p_hat", "density_per_100_m2", "problem",
    ),
    "richness": (
        "catchment", "placements", "species_found", "found_once", "found_twice", "chao2",
        "jackknife1", "problem",
    ),
    "detection": (
        "species", "method", "units", "placements", "occupancy", "occupancy_se", "detection",
        "detection_se", "chance_missed", "more_placements", "problem",
    ),
}  # fmt: skip
"""Public columns of each summary, in order; `sampled_length` has its groupings before them."""
