"""Where placements lie on the network, with the flags that follow from it.

Used when field sheets are taken in, and again when the network is replaced.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.snapping import snap_to_reaches
from layers.stretches import stretches_of

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.network import Network

__all__ = ["locate"]

_SNAP = (
    "reach_id",
    "measure_m",
    "offset_m",
    "ambiguous",
    "ambiguous_with",
    "snapped_x",
    "snapped_y",
)
_FLAG = ("placement_id", "code", "column", "value", "message")


def locate(
    placements: gpd.GeoDataFrame,
    network: Network | None,
    methods: pd.DataFrame,
    *,
    tolerance_m: float,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Snap placements, cut their stretches, and say what is odd about it.

    Parameters
    ----------
    placements
        Index `placement_id`, columns as in DEVELOPERS.md, "placements", CRS of the network.
    network
        None where the store holds no reaches: everything is unsnapped.
    methods
        Index `method`.
    tolerance_m
        Greatest distance of a position from its reach. [m]

    Returns
    -------
    snaps, stretches, flags
        Columns as in DEVELOPERS.md, "Frames". Codes of flags begin with `snap_` or `stretch_`.
    """
    if network is None or not len(network.length_m):
        return _nowhere(placements)
    snapped = snap_to_reaches(placements, network, tolerance_m=tolerance_m)
    snaps = pd.DataFrame(snapped[list(_SNAP)])
    cut, stretch_flags = stretches_of(placements, snaps, network, methods, tolerance_m=tolerance_m)
    flags = [_snap_flags(placements, snaps, tolerance_m)]
    if len(stretch_flags):
        flags.append(stretch_flags.assign(column="", value="")[list(_FLAG)])
    return snaps, cut, pd.concat(flags, ignore_index=True).astype("str")


def _nowhere(
    placements: gpd.GeoDataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    n = len(placements)
    texts = pd.array([None] * n, dtype="str")
    nothing = np.full(n, np.nan)
    snaps = pd.DataFrame(
        {
            "reach_id": texts,
            "measure_m": nothing,
            "offset_m": nothing,
            "ambiguous": np.zeros(n, dtype=bool),
            "ambiguous_with": texts,
            "snapped_x": nothing,
            "snapped_y": nothing,
        },
        index=placements.index,
    )
    stretches = pd.DataFrame(
        {
            "placement_id": pd.Series(dtype="str"),
            "method": pd.Series(dtype="str"),
            "reach_id": pd.Series(dtype="str"),
            "from_m": pd.Series(dtype="float64"),
            "to_m": pd.Series(dtype="float64"),
        }
    )
    message = "The store holds no reaches yet, so this position lies on none; load a network."
    flags = _flags(placements.index, "snap_none", message)
    return snaps, stretches, flags


def _snap_flags(
    placements: gpd.GeoDataFrame, snaps: pd.DataFrame, tolerance_m: float
) -> pd.DataFrame:
    off = snaps["reach_id"].isna()
    none = _flags(
        placements.index[off],
        "snap_none",
        f"No reach lies within {tolerance_m:g} m of this position or its stated uncertainty; it is "
        "kept and counted by catchment only.",
    )
    doubt = snaps.loc[snaps["ambiguous"].astype(bool)]
    either = _flags(
        doubt.index,
        "snap_ambiguous",
        [
            f"Reach {own} is nearest, but {other} is about as near; a stream name settles it."
            for own, other in zip(doubt["reach_id"], doubt["ambiguous_with"], strict=True)
        ],
    )
    return pd.concat([none, either], ignore_index=True)


def _flags(ids: pd.Index, code: str, message: str | list[str]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "placement_id": ids.astype("str").to_numpy(object),
            "code": code,
            "column": "",
            "value": "",
            "message": message,
        },
        columns=list(_FLAG),
    ).astype("str")
