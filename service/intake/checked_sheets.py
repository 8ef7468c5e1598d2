"""Sheets as read, between what is refused and what is flagged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from service.intake.findings import Cells, Findings

__all__ = ["Checked", "readable"]


@dataclass(frozen=True)
class Checked:
    """The sheets as read; rows of the sheets, `placement_id` a column.

    `cells` are the placements as text, `owned` catches and lengths as text in the rows of their
    frames; `day_only` says whether the times of a placement are days alone.
    """

    cells: Cells
    placements: gpd.GeoDataFrame
    day_only: pd.Series
    catches: pd.DataFrame
    lengths: pd.DataFrame
    owned: tuple[Cells, Cells]


def readable(whole: Checked, findings: Findings) -> Checked:
    """Leave out the rows in which something was refused, and what belongs to such placements.

    A cell that was refused came back as if it were empty, and would be flagged for that.
    """
    frame = whole.placements
    kept = ~frame.index.isin(findings.refused_rows("placements"))
    for name in ("placement_id", "method", "survey", "set_at"):  # the column may be absent
        kept &= frame[name].notna().to_numpy(bool)
    kept &= frame.geometry.notna().to_numpy(bool)
    kept &= ~frame["placement_id"].duplicated().to_numpy(bool)
    ids = frame.loc[kept, "placement_id"]
    owned, frames = [], []
    for cells, own in zip(whole.owned, (whole.catches, whole.lengths), strict=True):
        good = own["placement_id"].isin(ids).to_numpy(bool) & own["species"].notna().to_numpy(bool)
        good &= ~own.index.isin(findings.refused_rows(cells.sheet))
        owned.append(cells.rows(good))
        frames.append(own.loc[good])
    return Checked(
        whole.cells.rows(kept),
        frame.loc[kept],
        whole.day_only[kept],
        frames[0],
        frames[1],
        (owned[0], owned[1]),
    )
