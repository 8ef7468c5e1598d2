"""Flags about waters: warm, and gear carried from one to the next without cleaning on record."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from service.intake.checks.thresholds import WARM_WATER_C

if TYPE_CHECKING:
    import geopandas as gpd

    from service.intake.findings import Cells, Findings

__all__ = ["flag_waters"]


def flag_waters(
    cells: Cells,
    placements: gpd.GeoDataFrame,
    catchment: pd.Series,
    earlier: gpd.GeoDataFrame,
    earlier_catchment: pd.Series,
    findings: Findings,
) -> None:
    """Flag warm water, and gear that came from another water uncleaned.

    Waters differ when the smallest catchments that hold them do; where no catchment is known,
    when both have a stream name and the names differ.

    Parameters
    ----------
    cells, placements
        The placement sheet, as text and read.
    catchment
        Smallest catchment of each placement, missing outside all.
    earlier, earlier_catchment
        Stored placements of the same surveys, and theirs.
    """
    warm = placements["water_temperature_c"] >= WARM_WATER_C
    findings.flag(
        cells,
        warm,
        "warm_water",
        "water_temperature_c",
        f"{WARM_WATER_C:g} °C or more: fish need short handling, shade and fresh water.",
    )
    columns = ["survey", "crew", "method", "set_at", "gear_cleaned", "stream_name"]
    new = placements[columns].assign(water=catchment.to_numpy(object), row=range(len(placements)))
    old = earlier[columns].assign(water=earlier_catchment.to_numpy(object), row=-1)
    both = pd.concat([old, new], ignore_index=True) if len(old) else new.reset_index(drop=True)
    both = both.sort_values("set_at", kind="stable")
    team = both.groupby(["survey", "crew", "method"], dropna=False, sort=False)
    before = team[["water", "stream_name"]].shift()
    known = both["water"].notna() & before["water"].notna()
    moved = (known & (both["water"] != before["water"])) | (
        ~known
        & both["stream_name"].notna()
        & before["stream_name"].notna()
        & (both["stream_name"] != before["stream_name"])
    )
    uncleaned = moved & ~both["gear_cleaned"].fillna(False).astype(bool) & (both["row"] >= 0)
    rows = both.loc[uncleaned, "row"].to_numpy(int)
    marked = pd.Series(False, index=range(len(placements)))
    marked.iloc[rows] = True
    findings.flag(
        cells,
        marked,
        "gear_not_cleaned",
        "gear_cleaned",
        "This team's gear came from another water, and no cleaning is on record; it may carry "
        "disease and unwanted species.",
    )
