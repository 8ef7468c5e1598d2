"""Where an ordinary value ends and a flag begins, each with its source.

Flags ask somebody to look again; nothing is changed or left out because of them.
"""

from __future__ import annotations

from typing import Final

__all__ = ["FAST_WATER_M_S", "FLAGS", "LENGTH_DIFFERENCE", "LOW_OXYGEN_MG_L", "WARM_WATER_C"]

# Below this many trapped fish may suffocate overnight. Common practice, no source. [mg/l]
LOW_OXYGEN_MG_L: Final = 5.0
# From here on cool-water fish suffer in gear and bucket. Common practice, no source. [deg C]
WARM_WATER_C: Final = 20.0
# From here on traps roll, clog and fish poorly. Common practice, no source. [m/s]
FAST_WATER_M_S: Final = 0.3
# Stated length or area against the shape's own. Common practice, no source; as in stretches.
LENGTH_DIFFERENCE: Final = 0.25

# What each flag means. Those of the network (snap_…, stretch_…) are found anew with a new network.
FLAGS: Final[dict[str, str]] = {
    "unknown_column": "a column of the sheet is not known and not stored",
    "unmapped_columns": "the mapping file leaves columns out",
    "new_survey": "the survey is not in the store yet and will be added",
    "new_sites": "sites are not in the store yet and will be added",
    "kept_as_stored": "the store knows this survey or site otherwise; its own stays",
    "time_missing": "a day is given without a time of day",
    "outside_hours": "the method is meant for other hours of the day",
    "certificate_missing": "no operator certificate is on record for a method that asks for one",
    "machine_check_missing": "no check of the machine is on record for a method that asks for one",
    "soak_too_long": "passive gear was left longer than its method's limit",
    "lifted_same_day": "overnight gear was lifted before it fished a night",
    "lift_time_missing": "passive gear without a time of lifting",
    "effort_missing": "none of the method's effort units can be computed",
    "geometry_unusual": "the kind of geometry is not usual for the method",
    "stated_length_differs": "the stated length and that of the track differ by over a quarter",
    "stated_area_differs": "the stated area and that of the polygon differ by over a quarter",
    "low_oxygen": "little oxygen, and a trap without an air space",
    "fast_water": "a trap was set in fast water",
    "warm_water": "the water was warm",
    "gear_not_cleaned": "gear moved to another part of the network, or another top-level "
    "catchment, without cleaning on record",
    "outcome_missing": "no catch row and no declared outcome; kept as unrecorded",
    "outcome_assumed": "catch rows and no declared outcome; kept as caught",
    "caught_without_rows": "declared caught, but there is no catch row",
    "catch_on_unrecorded": "catch rows on a placement declared unrecorded",
    "pass_beyond": "a pass number above the number of passes",
    "length_outside_range": "a length outside the range of the species",
    "new_in_catchment": "the species was not recorded within this catchment before",
    "snap_none": "no reach within tolerance; counted for the catchment that holds it, if any",
    "snap_ambiguous": "two reaches are about equally near",
}
