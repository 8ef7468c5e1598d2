"""Where placements lie on the network: snaps, stretches, and what is doubtful about them.

Imports call it for new placements, loading a network for all that are stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.fieldwork.stretches import stretch_lines, stretches_of
from layers.network.snapping import snap_to_reaches

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.network.graph import Network

__all__ = ["Placed", "place_on_network"]


@dataclass(frozen=True)
class Placed:
    """Frames of these kinds (`layers.frames`); `stretches` carries its lines as geometry."""

    snaps: pd.DataFrame
    stretches: gpd.GeoDataFrame
    flags: pd.DataFrame


def place_on_network(
    placements: gpd.GeoDataFrame, network: Network, methods: pd.DataFrame, *, tolerance_m: float
) -> Placed:
    """Snap placements in the CRS of a network, cut their stretches, and flag what is doubtful.

    Without reaches nothing is snapped. `tolerance_m` is the greatest distance from a reach. [m]
    """
    snaps = snap_to_reaches(placements, network, tolerance_m=tolerance_m)
    stretches, found = stretches_of(placements, snaps, network, methods, tolerance_m=tolerance_m)
    flags = pd.concat([_snap_flags(snaps, tolerance_m), found], ignore_index=True)
    return Placed(
        snaps=snaps,
        stretches=stretch_lines(stretches, network),
        flags=flags.assign(column=None, value=None)[
            ["placement_id", "code", "column", "value", "message"]
        ],
    )


def _snap_flags(snaps: pd.DataFrame, tolerance_m: float) -> pd.DataFrame:
    lost = snaps["reach_id"].isna().to_numpy()
    doubtful = snaps["ambiguous"].to_numpy(bool) & ~lost
    messages = np.full(len(snaps), None, dtype=object)
    messages[lost] = (
        f"No reach lies within {tolerance_m:g} m, or within the stated uncertainty where that "
        "is more; the placement counts for the catchment that holds it, if one does, and for no "
        "reach."
    )
    messages[doubtful] = [
        f"Reach {rival} lies about as near as {own}; a stream name on the sheet would settle it."
        for own, rival in zip(
            snaps["reach_id"][doubtful], snaps["ambiguous_with"][doubtful], strict=True
        )
    ]
    flagged = lost | doubtful
    return pd.DataFrame(
        {
            "placement_id": snaps.index[flagged].astype("str"),
            "code": pd.array(np.where(lost, "snap_none", "snap_ambiguous")[flagged], dtype="str"),
            "message": pd.array(messages[flagged], dtype="str"),
        }
    )
