"""The records behind a figure: one row per placement, as this viewer may see it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np

from layers.fieldwork.looks import LOOKED, STATES, looks, looks_by_year
from service import reference
from service.access import open_records, placement_catchments, refuse_unknown
from service.answers import summaries
from service.errors import RequestError
from service.records import OF_EFFORT

if TYPE_CHECKING:
    import pandas as pd

    from service.records import Needed, Records, Selection, Viewer
    from service.store import Store

__all__ = [
    "SHOWN",
    "SORTS",
    "SpeciesAccount",
    "page_of",
    "record_list",
    "record_places",
    "species_account",
]

# Which placements of a question are listed, by a word in addresses.
SHOWN: Final = {"all": STATES, "looked": LOOKED, "found": ("found",)}
_LOWER: Final = "individuals_lower_bound"

SORTS: Final = ("date", "placement", "method", "catchment", "state", "fish")
_KEYS: Final = {
    "date": "date",
    "placement": "placement_id",
    "method": "method_label",
    "catchment": "catchment_name",
    "state": "state",
    "fish": "individuals",
}


@dataclass(frozen=True)
class SpeciesAccount:
    """All that is on record about one species."""

    listed: dict[str, Any]  # its row of the species list, None where missing
    by_year: pd.DataFrame  # of layers.fieldwork.looks.looks_by_year
    lengths: pd.DataFrame  # of the frames contract, of this species
    months: pd.Series  # placements that found it, index 1 to 12
    fully_shown: bool  # else only of placements that found it
    looked: int
    found: int
    individuals: float
    lower_bound: bool
    first: pd.Timestamp
    last: pd.Timestamp


def record_list(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """List the placements of a selection with what they say about its species.

    Returns
    -------
    DataFrame
        Columns of `layers.fieldwork.looks.looks`, and `placement_id`, `method`, `method_label`,
        `survey`,
        `site`, `outcome`, `reach_id`, `catchment`, `catchment_name`, `generalised_km` (missing =
        as recorded).
    """
    rows = _listed(store, selection, viewer, OF_EFFORT)[0]
    return rows.reset_index(drop=True)


def record_places(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """List the same with where each placement is shown, by placement."""
    rows, records = _listed(store, selection, viewer, OF_EFFORT)
    rows = rows.rename(columns={"species": "species_count", "lower_bound": _LOWER}).sort_index()
    at = records.placements.geometry.reindex(rows.index)
    columns = [
        "placement_id", "date", "year", "method", "method_label", "state", "individuals", _LOWER,
        "species_count", "outcome", "catchment", "catchment_name", "survey", "site", "reach_id",
        "generalised_km",
    ]  # fmt: skip
    return gpd.GeoDataFrame(rows[columns], geometry=at, crs=records.placements.crs)


def _listed(
    store: Store, selection: Selection, viewer: Viewer, needed: Needed
) -> tuple[pd.DataFrame, Records]:
    """List placements, with whole catches: a genus may stand for one of its species."""
    refuse_unknown(store, selection, viewer)
    records = open_records(store, selection.without_species(), viewer, needed)
    placements, methods = records.placements, reference.methods(store)
    inside = placement_catchments(store, placements)
    none = np.full(len(placements), np.nan)
    rows = looks(
        placements,
        records.catches,
        reference.species(store),
        methods,
        chosen=selection.species,
    ).assign(
        placement_id=placements.index,
        method=placements["method"],
        method_label=placements["method"].map(methods["label"]),
        survey=placements["survey"],
        site=placements["site"],
        outcome=placements["outcome"],
        reach_id=records.snaps["reach_id"].reindex(placements.index),
        catchment=inside,
        catchment_name=inside.map(reference.catchment_names(store)),
        generalised_km=placements.get("generalised_km", none),
    )
    secret = ~summaries.fully_shown(selection.species, reference.species(store), viewer)
    if len(secret) and secret.any():  # where it was looked for in vain is not public
        rows = rows[rows["state"] == "found"]
    return rows, records


def page_of(
    rows: pd.DataFrame, *, sort: str, descending: bool, page: int, size: int
) -> tuple[pd.DataFrame, int]:
    """Sort a record list and cut one page out of it; also how many pages there are.

    Raises
    ------
    RequestError
        The order is unknown or the page lies behind the last.
    """
    if sort not in SORTS:
        raise RequestError(f"sort {sort!r} is no order; use one of {', '.join(SORTS)}.")
    pages = max(1, -(-len(rows) // size))
    if page > pages:
        raise RequestError(f"There is no page {page}; the last is {pages}.")
    keys = list(dict.fromkeys([_KEYS[sort], "year", "placement_id"]))
    ascending = [not descending] + [True] * (len(keys) - 1)
    ordered = rows.sort_values(keys, ascending=ascending, kind="stable", na_position="last")
    return ordered.iloc[(page - 1) * size : page * size], pages


def species_account(
    store: Store, selection: Selection, viewer: Viewer, name: str
) -> SpeciesAccount:
    """Gather what a selection of placements says about one species.

    Raises
    ------
    RequestError
        The species is not in the list.
    """
    own = replace(selection, species=(name,))
    rows, records = _listed(store, own, viewer, OF_EFFORT.and_tables("lengths"))
    found = rows[rows["state"] == "found"]
    fully_shown = bool(summaries.fully_shown([name], reference.species(store), viewer)[0])
    rows = rows if fully_shown else found
    lengths = records.lengths[records.lengths["species"] == name]
    months: Any = found["date"].dt.month.value_counts().reindex(range(1, 13), fill_value=0)
    return SpeciesAccount(
        listed=_row(reference.species(store), name),
        by_year=looks_by_year(rows, records.placements),
        lengths=lengths,
        months=months,
        fully_shown=fully_shown,
        looked=int(rows["state"].isin(LOOKED).sum()),
        found=len(found),
        individuals=float(found["individuals"].sum()),
        lower_bound=bool(found["lower_bound"].any()),
        first=found["date"].min(),
        last=found["date"].max(),
    )


def _row(frame: pd.DataFrame, name: str) -> dict[str, Any]:
    row = frame.loc[[name]].astype(object)
    values = row.where(row.notna(), None).iloc[0]
    return {str(key): value for key, value in values.items()}
