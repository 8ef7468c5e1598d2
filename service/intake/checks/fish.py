"""Flags about the catch: outcome, passes, lengths, and species new to a catchment."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.plurals import counted
from service.intake.wording import say

if TYPE_CHECKING:
    import geopandas as gpd

    from service.intake.findings import Cells, Findings

__all__ = ["flag_lengths", "flag_new_in_catchment", "flag_passes", "settle_outcomes"]


def settle_outcomes(
    cells: Cells, placements: gpd.GeoDataFrame, catches: pd.DataFrame, findings: Findings
) -> pd.Series:
    """Outcome of every placement: as declared, else from whether it has catch rows; flagged."""
    has = placements["placement_id"].isin(catches["placement_id"]).to_numpy(bool)
    declared = placements["outcome"]
    blank = declared.isna().to_numpy(bool)
    caught, unrecorded = ((declared == name).to_numpy(bool) for name in ("caught", "unrecorded"))
    for which, code in (
        (blank & ~has, "outcome_missing"),
        (blank & has, "outcome_assumed"),
        (caught & ~has, "caught_without_rows"),
        (unrecorded & has, "catch_on_unrecorded"),
    ):
        findings.flag(cells, which, code, "outcome")
    assumed = pd.Series(np.where(has, "caught", "unrecorded"), index=placements.index, dtype="str")
    settled: pd.Series = declared.fillna(assumed).astype("str")
    return settled


def flag_passes(
    cells: Cells, frame: pd.DataFrame, placements: gpd.GeoDataFrame, findings: Findings
) -> None:
    """Flag rows of a pass that the placement does not have."""
    passes = placements.set_index("placement_id")["passes"]
    most = passes.reindex(frame["placement_id"]).to_numpy(float)
    beyond = frame["pass_no"].to_numpy(float) > most
    said = [say("pass_beyond", passes=counted(n, "pass", "passes")) for n in most[beyond]]
    findings.flag(cells, beyond, said, "pass_no")


def flag_lengths(
    cells: Cells, lengths: pd.DataFrame, species: pd.DataFrame, findings: Findings
) -> None:
    """Flag lengths outside the range of their species."""
    own = species.reindex(lengths["species"])
    low = own["min_length_mm"].to_numpy(float)
    high = own["max_length_mm"].to_numpy(float)
    length = lengths["length_mm"].to_numpy(float)
    with np.errstate(invalid="ignore"):
        outside = (length < low) | (length > high)
    names = lengths["species"].to_numpy(object)
    said = [
        say("length_outside_range", species=names[k], range=_range(low[k], high[k]))
        for k in np.flatnonzero(outside)
    ]
    findings.flag(cells, outside, said, "length_mm")


def _range(low: float, high: float) -> str:
    if np.isnan(low):
        return f"up to {high:g}"
    return f"{low:g} or more" if np.isnan(high) else f"{low:g} to {high:g}"


def flag_new_in_catchment(
    cells: Cells,
    catches: pd.DataFrame,
    catchment: pd.Series,
    seen: pd.DataFrame,
    findings: Findings,
) -> None:
    """Flag species that a catchment with earlier records never had.

    Parameters
    ----------
    cells, catches
        The catch sheet, as text and read.
    catchment
        Smallest catchment of the new placements, index `placement_id`.
    seen
        `catchment_id`, `species` of stored catches, rolled up through nested catchments.
    """
    if not len(seen) or not len(catches):
        return
    where = catchment.reindex(catches["placement_id"]).to_numpy(object)
    looked = pd.Series(where).isin(seen["catchment_id"]).to_numpy(bool)
    known = pd.MultiIndex.from_frame(seen[["catchment_id", "species"]].astype("str"))
    at = np.flatnonzero(looked)
    pairs = pd.MultiIndex.from_arrays([where[at], catches["species"].to_numpy(object)[at]])
    new = np.zeros(len(catches), dtype=bool)
    new[at] = ~pairs.isin(known)
    said = [say("new_in_catchment", catchment=where[k]) for k in np.flatnonzero(new)]
    findings.flag(cells, new, said, "species")
