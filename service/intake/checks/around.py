"""What only the stored records around new ones show: where gear and fish were before."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.network.catchments import catchment_of
from service import reference
from service.intake.checks.fish import flag_lengths, flag_new_in_catchment, flag_passes
from service.intake.checks.waters import flag_waters
from service.records import Needed, Selection
from service.store import Wanted

if TYPE_CHECKING:
    import geopandas as gpd

    from service.intake.checked_sheets import Checked
    from service.intake.findings import Findings
    from service.reference.placing import Placed
    from service.store import Store

__all__ = ["WIDEST_OFFSET", "flag_around"]

WIDEST_OFFSET: Final = dt.timedelta(hours=14)  # of a time zone from UTC

# What the checks need of the stored records around new ones.
_OF_CREWS: Final = Needed(
    tables=frozenset({"snaps"}),
    columns=frozenset(
        {"survey", "crew", "method", "set_at", "lifted_at", "gear_cleaned", "stream_name"}
    ),
)
_OF_CATCH: Final = Needed(tables=frozenset({"catches"}), columns=frozenset())


def flag_around(
    whole: Checked,
    placed: Placed,
    store: Store,
    species: pd.DataFrame,
    unchanged: tuple[str, ...],
    findings: Findings,
) -> None:
    """Flag what only the stored records around the new ones show."""
    placements, catchments = whole.placements, reference.catchments(store)
    catchment = _catchment(placements, catchments)
    water = _waters(placed.snaps["reach_id"], catchment, store)
    earlier, on_reach = _earlier(placements, store, unchanged)
    earlier_water = _waters(on_reach, _catchment(earlier, catchments), store)
    flag_waters(whole.cells, placements, water, earlier, earlier_water, findings)
    for cells, frame in zip(whole.owned, (whole.catches, whole.lengths), strict=True):
        if len(frame):
            flag_passes(cells, frame, placements, findings)
    flag_lengths(whole.owned[1], whole.lengths, species, findings)
    if len(whole.catches) and len(catchments):
        by_id = pd.Series(catchment.to_numpy(object), index=placements["placement_id"], dtype="str")
        seen = _seen(store, catchments, by_id)
        flag_new_in_catchment(whole.owned[0], whole.catches, by_id, seen, findings)


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
        since = store.last_set((names, (*crews, ""), methods), set_at.min()) or set_at.min()
        near = replace(
            near,
            since=(since - WIDEST_OFFSET).date(),
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
