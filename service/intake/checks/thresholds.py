"""Where an ordinary value ends and a flag begins, each with its source.

Flags ask somebody to look again; nothing is changed or left out because of them.
"""

from __future__ import annotations

from typing import Final

__all__ = ["FAST_WATER_M_S", "LENGTH_DIFFERENCE", "LOW_OXYGEN_MG_L", "WARM_WATER_C"]

# Below this many trapped fish may suffocate overnight. Common practice, no source. [mg/l]
LOW_OXYGEN_MG_L: Final = 5.0
# From here on cool-water fish suffer in gear and bucket. Common practice, no source. [deg C]
WARM_WATER_C: Final = 20.0
# From here on traps roll, clog and fish poorly. Common practice, no source. [m/s]
FAST_WATER_M_S: Final = 0.3
# Stated length or area against the shape's own. Common practice, no source; as in stretches.
LENGTH_DIFFERENCE: Final = 0.25
