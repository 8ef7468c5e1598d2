"""Flags about waters: warm, and gear carried from one to the next without cleaning on record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from service.intake.wording import say

if TYPE_CHECKING:
    import geopandas as gpd

    from service.intake.findings import Cells, Findings

__all__ = ["flag_waters"]

# From here on cool-water fish suffer in gear and bucket. Common practice, no source. [deg C]
WARM_WATER_C: Final = 20.0


def flag_waters(
    cells: Cells,
    placements: gpd.GeoDataFrame,
    water: pd.DataFrame,
    earlier: gpd.GeoDataFrame,
    earlier_water: pd.DataFrame,
    findings: Findings,
) -> None:
    """Flag warm water, and gear that came from another water uncleaned.

    Another water is another connected part of the network; where one of the two lies on no reach,
    another top-level catchment; where that is not known either, another stream name. The gear of
    a crew is taken to be what it used last with this method in this survey, unless that still
    stood in the water. Common practice asks for cleaning between waters; where one ends is our
    choice.

    Parameters
    ----------
    cells, placements
        The placement sheet, as text and read.
    water
        Where each placement lies, rows of `placements`: `part` of the network and top-level
        `catchment`, both missing where not known.
    earlier, earlier_water
        Stored placements of the same surveys, index `placement_id`, and the same of them.
    """
    warm = placements["water_temperature_c"] >= WARM_WATER_C
    findings.flag(cells, warm, say("warm_water", warm=WARM_WATER_C), "water_temperature_c")
    columns = ["survey", "crew", "method", "set_at", "lifted_at", "gear_cleaned", "stream_name"]
    new = pd.DataFrame(placements[["placement_id", *columns]]).assign(row=range(len(placements)))
    both = pd.concat([new.reset_index(drop=True), water.reset_index(drop=True)], axis=1)
    if len(earlier):
        old = pd.DataFrame(earlier[columns]).rename_axis("placement_id").reset_index()
        old = pd.concat([old.assign(row=-1), earlier_water.reset_index(drop=True)], axis=1)
        both = pd.concat([old, both], ignore_index=True)
    both = both.sort_values("set_at", kind="stable")
    team = both.groupby(["survey", "crew", "method"], dropna=False, sort=False)
    before = team[["placement_id", "lifted_at", "part", "catchment", "stream_name"]].shift()
    moved = pd.Series(False, index=both.index)
    settled = moved.copy()
    for name in ("part", "catchment", "stream_name"):
        known = both[name].notna() & before[name].notna() & ~settled
        moved |= known & (both[name] != before[name])
        settled |= known
    moved &= ~(before["lifted_at"] > both["set_at"])  # then it is other gear
    uncleaned = moved & ~both["gear_cleaned"].fillna(False).astype(bool) & (both["row"] >= 0)
    came_from = before.loc[uncleaned, "placement_id"].set_axis(both.loc[uncleaned, "row"])
    said = [say("gear_not_cleaned", placement=name) for name in came_from.sort_index()]
    which = pd.Series(range(len(placements))).isin(came_from.index)
    findings.flag(cells, which, said, "gear_cleaned")
