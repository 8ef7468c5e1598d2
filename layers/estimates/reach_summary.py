"""What was recorded on each reach, and on which reach each placement lies."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.coded import distinct, word_codes
from layers.crs import choose_operation, require_same_crs
from layers.fieldwork.counted_water import holds, sampled_stretches
from layers.fieldwork.looking import (
    catch_numbers,
    extreme_dates,
    inputs_of,
    local_dates,
    looked,
)
from layers.frames import codes_within, reads
from layers.network.intervals import Intervals, union_length
from layers.network.reach_parts import cover_with_parts
from layers.plurals import plural

if TYPE_CHECKING:
    from layers.arrays import Ints, Objects
    from layers.network.graph import Network

__all__ = ["listed", "placement_reaches", "reach_summary"]


@reads(
    placements="method",
    snaps="placement_id reach_id measure_m offset_m ambiguous ambiguous_with snapped_x snapped_y",
)
def placement_reaches(placements: gpd.GeoDataFrame, snaps: pd.DataFrame) -> gpd.GeoDataFrame:
    """List the reach, measure and offset of every placement.

    Parameters
    ----------
    placements, snaps
        Frames of these kinds (`layers.frames`), in one CRS; n placements.

    Returns
    -------
    GeoDataFrame
        n rows in the order of `placements`: `placement_id`, `method`, `reach_id`, `measure_m`,
        `offset_m`, `ambiguous`, `ambiguous_with`, `snapped_longitude`, `snapped_latitude`
        (WGS 84 degrees); geometry is the place on the reach, in the CRS of `placements`.
        Missing where a placement has no reach.

    Raises
    ------
    FrameError
        A column is missing.
    """
    wanted = ["reach_id", "measure_m", "offset_m", "ambiguous", "ambiguous_with"]
    own = snaps.reindex(placements.index)
    x = own["snapped_x"].to_numpy(np.float64, na_value=np.nan)
    y = own["snapped_y"].to_numpy(np.float64, na_value=np.nan)
    longitude, latitude = choose_operation(placements.crs, "EPSG:4326").move(x, y)
    on_reach = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    at = np.full(len(own), None, dtype=object)
    at[on_reach] = shapely.points(x[on_reach], y[on_reach])
    table = pd.DataFrame(
        {
            "placement_id": placements.index,
            "method": placements["method"].to_numpy(),
            **{name: own[name].array for name in wanted},
            "snapped_longitude": longitude,
            "snapped_latitude": latitude,
        }
    )
    table["ambiguous"] = own["ambiguous"].eq(True).to_numpy(bool)
    result = gpd.GeoDataFrame(table, geometry=at, crs=placements.crs)
    has_reach = own["reach_id"].notna().to_numpy()
    left_out = {"no reach within tolerance": int((~has_reach).sum())}
    result.attrs["inputs"] = inputs_of(placements, np.ones(len(placements), bool), left_out)
    return result


@reads("snaps", "placements", "catches", "stretches", "reach_parts", "effort")
def reach_summary(
    network: Network,
    snaps: pd.DataFrame,
    placements: gpd.GeoDataFrame,
    catches: pd.DataFrame,
    stretches: pd.DataFrame,
    reach_parts: pd.DataFrame,
    *,
    effort: pd.DataFrame | None = None,
    every_reach: bool = False,
    region: Intervals | None = None,
) -> gpd.GeoDataFrame:
    """Sum up per reach what was placed and caught there.

    Parameters
    ----------
    network
        m reaches.
    snaps, placements, catches, stretches, reach_parts, effort
        Frames of these kinds (`layers.frames`). Effort, where given, goes into `by_method`.
    every_reach
        Also list reaches without placements and without sampled stretch.
    region
        Parts of reaches that do not overlap; the rest is left out.

    Returns
    -------
    GeoDataFrame
        Sorted by `reach_id`, geometry the reach: `reach_id`; `catchment`, in which most of
        it lies; `placements` whose position lies on it; `placements_unusable` of these (lost,
        disturbed or unrecorded); `methods` and `species` (`;` between); `by_method`, placements
        and effort of each method in words; `individuals`, and `individuals_lower_bound` where a
        count is only a minimum; `first_date`, `last_date`, local dates of setting;
        `sampled_length_m`, union of the stretches of gear that worked properly [m], also of
        placements whose position lies on another reach; `sampled_fraction` of its length.

    Raises
    ------
    FrameError
        A column is missing, or a stretch names an unknown reach.
    CrsError
        Placements and network differ in CRS.
    """
    require_same_crs(placements.crs, network.crs, what="placements and network")
    m = len(network.reaches)
    row = network.rows(snaps["reach_id"].reindex(placements.index).astype("str"))
    length = network.length_m
    if region is not None:
        measure = snaps["measure_m"].reindex(placements.index).to_numpy(np.float64)
        row = np.where(holds(region, row, measure), row, -1)
        length = np.bincount(region.group, region.length_m, minlength=m).astype(np.float64)
    on_reach = row >= 0

    sampled = sampled_stretches(network, stretches, placements).within(region)
    pieces = sampled.intervals
    union = union_length(pieces.group, pieces.from_m, pieces.to_m, groups=m)
    covered = np.minimum(union, length)

    whole = Intervals(np.arange(m), np.zeros(m), network.length_m)
    catchment = cover_with_parts(network, reach_parts).main_catchment(whole, np.arange(m), m)
    table = pd.DataFrame({"reach_id": network.reaches.index, "catchment": catchment.array})
    table["placements"] = np.bincount(row[on_reach], minlength=m)
    unusable = on_reach & ~looked(placements)
    table["placements_unusable"] = np.bincount(row[unusable], minlength=m)
    table["methods"] = listed(row[on_reach], placements["method"][on_reach], m)
    table["by_method"] = _by_method(row, placements, effort, m)
    at = codes_within(catches["placement_id"], placements.index)
    where = np.append(row, -1)[at]
    number, lower = catch_numbers(catches)
    counts = (where >= 0) & (number > 0)
    where, number, lower = where[counts], number[counts], lower[counts]
    table["species"] = listed(where, catches["species"][counts], m)
    table["individuals"] = np.bincount(where, weights=number, minlength=m)
    table["individuals_lower_bound"] = np.bincount(where, weights=lower, minlength=m) > 0
    day = local_dates(placements).to_numpy()[on_reach]
    for name, take in (("first_date", np.minimum), ("last_date", np.maximum)):
        table[name] = extreme_dates(day, row[on_reach], m, take)
    table["sampled_length_m"] = covered
    with np.errstate(invalid="ignore"):  # reaches outside the region have no length
        table["sampled_fraction"] = covered / length

    result = gpd.GeoDataFrame(table, geometry=network.lines, crs=network.crs)
    if not every_reach:
        has = (result["placements"] > 0) | (result["sampled_length_m"] > 0)
        result = result[has]
    result = result[length[result.index] > 0].reset_index(drop=True)
    left_out = {"no reach within tolerance": int((~on_reach).sum())}
    result.attrs["inputs"] = inputs_of(placements, on_reach, left_out)
    return result


def listed(row: Ints, names: pd.Series, m: int) -> Objects:
    """Distinct names per reach, sorted, `;` between; empty where there are none."""
    code, known = word_codes(names, ascending=True)
    count, some = max(len(known), 1), code >= 0
    key = row[some] * np.int64(count)
    key += code[some]
    of_row, code = np.divmod(distinct(key), count)
    return _joined(of_row, np.asarray(known, object)[code].tolist(), ";", m)


def _joined(of_row: Ints, words: list[str], between: str, m: int) -> Objects:
    """Join the words of each of m rows; they stand row by row."""
    rows, first = np.unique(of_row, return_index=True)
    text = np.full(m, "", dtype=object)
    ends = [*first.tolist(), len(words)]
    joined = [between.join(words[a:b]) for a, b in pairwise(ends)]
    once = {each: each for each in joined}  # rows with the same words share one text
    text[rows] = [*map(once.__getitem__, joined)]
    return text


def _by_method(row: Ints, placements: pd.DataFrame, effort: pd.DataFrame | None, m: int) -> Objects:
    """Put placements and effort of each method on a reach in words."""
    method, names = pd.factorize(placements["method"], sort=True)
    k = max(len(names), 1)
    pairs, count = np.unique((row * k + method)[(row >= 0) & (method >= 0)], return_counts=True)
    words = [
        f"{names[at % k]}: {placed} {plural(placed, 'placement')}"
        for at, placed in zip(pairs.tolist(), count.tolist(), strict=True)
    ]
    if effort is not None and len(effort):
        at = codes_within(effort["placement_id"], placements.index)
        amount = effort["effort"].to_numpy(np.float64)
        own = (at >= 0) & ~np.isnan(amount)
        own[own] = row[at[own]] >= 0
        unit, units = pd.factorize(effort["effort_unit"][own].astype("str"), sort=True)
        pair = np.searchsorted(pairs, row[at[own]] * k + method[at[own]])
        sums = pd.Series(amount[own]).groupby(pair * max(len(units), 1) + unit).sum()
        for cell, total in zip(sums.index.tolist(), sums.tolist(), strict=True):
            where, which = divmod(cell, len(units))
            words[where] += f", {total:.6g} {units[which].replace('_', ' ')}"
    return _joined(pairs // k, words, "; ", m)
