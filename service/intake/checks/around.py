"""Flags about the catch and the waters: by themselves, and beside the stored records around."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.network.catchments import catchment_of
from layers.plurals import counted
from service import reference
from service.intake.wording import say
from service.records import Needed, Selection
from service.store import Wanted

if TYPE_CHECKING:
    import geopandas as gpd

    from service.intake.findings import Cells
    from service.intake.importing import Checked
    from service.reference.placing import Placed
    from service.store import Store

__all__ = ["WIDEST_OFFSET", "flag_around", "settle_outcomes"]

WIDEST_OFFSET: Final = dt.timedelta(hours=14)  # of a time zone from UTC
_LONGEST_DAY: Final = dt.timedelta(days=1) + WIDEST_OFFSET  # until it is over in all zones
# From here on cool-water fish suffer in gear and bucket. Common practice, no source. [deg C]
_WARM_WATER_C: Final = 20.0

# What the checks need of the stored records around new ones.
_OF_CREWS: Final = Needed(
    tables=frozenset({"snaps"}),
    columns=frozenset(
        {"survey", "crew", "method", "set_at", "lifted_at", "gear_cleaned", "stream_name"}
    ),
)
_OF_CATCH: Final = Needed(tables=frozenset({"catches"}), columns=frozenset())


def flag_around(
    whole: Checked, placed: Placed, store: Store, species: pd.DataFrame, unchanged: tuple[str, ...]
) -> None:
    """Flag what only the stored records around the new ones show."""
    placements, catchments = whole.placements, reference.catchments(store)
    catchment = _catchment(placements, catchments)
    water = _waters(placed.snaps["reach_id"], catchment, store)
    earlier, on_reach = _earlier(placements, store, unchanged)
    earlier_water = _waters(on_reach, _catchment(earlier, catchments), store)
    _flag_waters(whole.cells, placements, water, earlier, earlier_water)
    for cells, frame in zip(whole.owned, (whole.catches, whole.lengths), strict=True):
        if len(frame):
            _flag_passes(cells, frame, placements)
    _flag_lengths(whole.owned[1], whole.lengths, species)
    if len(whole.catches) and len(catchments):
        by_id = pd.Series(catchment.to_numpy(object), index=placements["placement_id"], dtype="str")
        seen = _seen(store, catchments, by_id)
        _flag_new_in_catchment(whole.owned[0], whole.catches, by_id, seen)


def _earlier(
    placements: gpd.GeoDataFrame, store: Store, unchanged: tuple[str, ...]
) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Read stored placements that the sheet lacks, and their reaches.

    Those of the same surveys and methods, from the last one that each crew set before.
    """
    none = placements.head(0), pd.Series(dtype="str")
    names, crews, methods = (
        tuple(placements[column].dropna().unique().tolist())
        for column in ("survey", "crew", "method")
    )
    if not names:
        return none
    stored = store.count(Wanted(surveys=names), "placement", public=False)
    if stored == len(unchanged):  # all of them stand in the sheet, as in one given again
        return none
    near, set_at = Selection(surveys=names, methods=methods), placements["set_at"]
    if set_at.notna().all():
        # A day that was over everywhere; dates of one moment in two zones are up to two days apart.
        over = (set_at.min() - _LONGEST_DAY).date()
        since = store.last_set((names, (*crews, ""), methods), over) or over
        near = replace(
            near,
            since=since - dt.timedelta(days=2),
            until=(set_at.max() + WIDEST_OFFSET).date(),
        )
    records = store.records(near, _OF_CREWS)
    earlier = records.placements
    earlier = earlier[~earlier.index.isin(placements["placement_id"])]
    return earlier, records.snaps["reach_id"].reindex(earlier.index)


def _waters(reach_id: pd.Series, catchment: pd.Series, store: Store) -> pd.DataFrame:
    """Part of the network and top-level catchment that placements lie in, for `flag_waters`."""
    network, nested = reference.network(store), reference.ancestors(store)
    row = network.rows(reach_id)
    part = pd.Series(np.append(network.component, -1)[row]).where(row >= 0)
    top = nested.sort_values("steps").drop_duplicates("catchment_id", keep="last")
    of = top.set_index("catchment_id")["ancestor_id"]
    highest = of.reindex(catchment.to_numpy(object)).to_numpy(object)
    return pd.DataFrame({"part": part, "catchment": pd.Series(highest, dtype="str")})


def _catchment(placements: gpd.GeoDataFrame, catchments: gpd.GeoDataFrame) -> pd.Series:
    if not len(catchments) or not len(placements):
        return pd.Series(None, index=placements.index, dtype="str")
    return catchment_of(placements, catchments)


def _seen(store: Store, catchments: gpd.GeoDataFrame, by_id: pd.Series) -> pd.DataFrame:
    """Species on record in each catchment that new placements lie in, nested ones included."""
    wanted = by_id.dropna().unique()
    if not len(wanted):
        return pd.DataFrame({"catchment_id": [], "species": []}, dtype="str")
    west, south, east, north = catchments.loc[wanted].total_bounds.tolist()
    around = store.records(Selection(bbox=(west, south, east, north)), _OF_CATCH)
    kept = around.catches[~around.catches["placement_id"].isin(by_id.index)]
    where = _catchment(around.placements, catchments).reindex(kept["placement_id"])
    pairs = pd.DataFrame(
        {"catchment_id": where.to_numpy(object), "species": kept["species"].to_numpy(object)}
    ).dropna()
    rolled = pairs.drop_duplicates().merge(reference.ancestors(store), on="catchment_id")
    rolled = rolled.drop(columns="catchment_id").rename(columns={"ancestor_id": "catchment_id"})
    return rolled[["catchment_id", "species"]].drop_duplicates()


def settle_outcomes(cells: Cells, placements: gpd.GeoDataFrame, catches: pd.DataFrame) -> pd.Series:
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
        cells.flag(which, code, "outcome")
    assumed = pd.Series(np.where(has, "caught", "unrecorded"), index=placements.index, dtype="str")
    settled: pd.Series = declared.fillna(assumed).astype("str")
    return settled


def _flag_passes(cells: Cells, frame: pd.DataFrame, placements: gpd.GeoDataFrame) -> None:
    """Flag rows of a pass that the placement does not have."""
    known = placements.set_index("placement_id")["passes"]
    most = known.reindex(frame["placement_id"]).to_numpy(float)
    beyond = frame["pass_no"].to_numpy(float) > most
    passes = [counted(n, "pass", "passes") for n in most[beyond]]
    cells.flag(beyond, "pass_beyond", "pass_no", passes=passes)


def _flag_lengths(cells: Cells, lengths: pd.DataFrame, listed: pd.DataFrame) -> None:
    """Flag lengths outside the range of their species."""
    own = listed.reindex(lengths["species"])
    low = own["min_length_mm"].to_numpy(float)
    high = own["max_length_mm"].to_numpy(float)
    length = lengths["length_mm"].to_numpy(float)
    with np.errstate(invalid="ignore"):
        outside = (length < low) | (length > high)
    species, ranges = lengths.loc[outside, "species"], map(_range, low[outside], high[outside])
    cells.flag(outside, "length_outside_range", "length_mm", species=species, range=ranges)


def _range(low: float, high: float) -> str:
    if np.isnan(low):
        return f"up to {high:g}"
    return f"{low:g} or more" if np.isnan(high) else f"{low:g} to {high:g}"


def _flag_new_in_catchment(
    cells: Cells, catches: pd.DataFrame, catchment: pd.Series, seen: pd.DataFrame
) -> None:
    """Flag species that a catchment with earlier records never had.

    `catchment` is the smallest one of each new placement, index `placement_id`; `seen` has those
    and the species of stored catches, rolled up through nested catchments.
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
    cells.flag(new, "new_in_catchment", "species", catchment=where[new])


def _flag_waters(
    cells: Cells,
    placements: gpd.GeoDataFrame,
    water: pd.DataFrame,
    earlier: gpd.GeoDataFrame,
    earlier_water: pd.DataFrame,
) -> None:
    """Flag warm water, and gear that came from another water uncleaned.

    Another water is another connected part of the network; where one of the two lies on no reach,
    another top-level catchment; where that is not known either, another stream name. The gear of
    a crew is taken to be what it used last with this method in this survey, unless that still
    stood in the water. Common practice asks for cleaning between waters; where one ends is our
    choice. `water` and `earlier_water` are as :func:`_waters` gives them; `earlier` are stored
    placements of the same surveys.
    """
    warm = placements["water_temperature_c"] >= _WARM_WATER_C
    cells.flag(warm, say("warm_water", warm=_WARM_WATER_C), "water_temperature_c")
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
    which = pd.Series(range(len(placements))).isin(came_from.index)
    cells.flag(which, "gear_not_cleaned", "gear_cleaned", placement=came_from.sort_index())
