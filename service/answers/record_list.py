"""The records behind a figure: one row per placement, as this viewer may see it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import distinct, word_codes
from layers.fieldwork.looking import catch_numbers, local_dates
from layers.fieldwork.looks import LOOKED, STATES, looks, looks_by_year
from layers.frames import codes_within
from layers.narrow_columns import Column, narrowed
from service import reference
from service.access import open_records, placement_catchments, refuse_unknown
from service.answers import summaries
from service.answers.opening import kept
from service.answers.tables import plain_rows
from service.cache import cached
from service.errors import RequestError
from service.records import OF_EFFORT, OF_NOTHING

if TYPE_CHECKING:
    from collections.abc import Collection

    from layers.arrays import Bools, Floats, Ints
    from service.records import Records, Selection, Viewer
    from service.store import Store

__all__ = ["SHOWN", "SORTS", "finds_by_species", "record_page", "record_places", "species_account"]

# Which placements of a question are listed, by a word in addresses.
SHOWN: Final = {"all": STATES, "looked": LOOKED, "found": ("found",)}
_LOWER: Final = "individuals_lower_bound"

SORTS: Final = ("date", "placement", "method", "catchment", "state", "fish")


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


@dataclass(frozen=True)
class RecordPage:
    """One page of a record list."""

    rows: pd.DataFrame  # of `layers.fieldwork.looks.looks`, and what :func:`_described` adds
    total: int  # placements on all pages
    pages: int
    counts: dict[str, int]  # placements of each of `STATES`, shown or not


@dataclass(frozen=True)
class _Looks:
    """What placements say, n of them, each column as narrow as its values.

    `places` are theirs among the placements of `records`, (n,).
    """

    columns: dict[str, Column]  # of `layers.fieldwork.looks.looks`, without days
    places: pd.Index
    records: Records

    def are(self, states: Collection[str]) -> Bools:
        """Mark those in some states."""
        return self.columns["state"].among(states)

    def rows(self, which: Ints | Bools) -> pd.DataFrame:
        """Give some as `looks` does, with their places as index."""
        own = {
            name: Column(column.values[which], column.kind, column.words).read()
            for name, column in self.columns.items()
        }
        places = self.places[which]
        dates = local_dates(self.records.placements).iloc[places]
        return pd.DataFrame({"date": dates.array, **own}, index=places)


def record_page(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    shown: str,
    sort: str,
    descending: bool,
    page: int,
    size: int,
) -> RecordPage:
    """List the placements of a selection with what they say about its species, page by page.

    Rows of other pages are neither written out nor sorted. `shown` is any of `SHOWN`, `sort` any of
    `SORTS`; what is missing stays last, equal rows are by year and placement. `page` counts from 1,
    `size` is its rows. RequestError for an unknown order, or a page behind the last.
    """
    if sort not in SORTS:
        raise RequestError(f"sort {sort!r} is no order; use one of {', '.join(SORTS)}.")
    seen = _looks(store, selection, viewer)
    listed = np.flatnonzero(seen.are(SHOWN[shown]))
    pages = max(1, -(-len(listed) // size))
    if page > pages:
        raise RequestError(f"There is no page {page}; the last is {pages}.")
    key = _sort_key(store, seen, listed, sort)
    key = np.nan_to_num(-key if descending else key, nan=np.inf)
    through = min(page * size, len(listed))
    near = np.arange(len(listed))
    if through < len(listed):  # rows behind the page need no order
        near = np.flatnonzero(key <= np.partition(key, through - 1)[through - 1])
    own = pd.DataFrame(
        {
            "key": key[near],
            "year": seen.columns["year"].values[listed[near]],
            "placement_id": seen.records.placements.index[seen.places[listed[near]]],
        },
        index=listed[near],
    )
    by = ["key", "placement_id"] if sort == "placement" else [*own]
    own = own.sort_values(by, kind="stable").iloc[(page - 1) * size : through]
    return RecordPage(
        _described(store, seen.rows(own.index.to_numpy()), seen.records),
        len(listed),
        pages,
        {state: int(seen.are([state]).sum()) for state in STATES},
    )


def _sort_key(store: Store, seen: _Looks, rows: Ints, sort: str) -> Floats:
    """Numbers in the order of what a list is sorted by; NaN where that is missing."""
    if sort == "fish":
        return seen.columns["individuals"].values[rows].astype(np.float64)
    if sort == "state":
        return _ranks(pd.Series(seen.columns["state"].read()[rows]))
    placements, at = seen.records.placements, seen.places[rows]
    if sort == "date":
        days = local_dates(placements).to_numpy("datetime64[D]")[at]
        return np.where(np.isnat(days), np.nan, days.astype(np.float64))
    if sort == "placement":
        return _ranks(placements.index[at].to_series())
    if sort == "method":
        return _ranks(placements["method"].iloc[at], reference.methods(store)["label"].to_dict())
    inside = placement_catchments(store, placements).iloc[at]
    return _ranks(inside, reference.catchment_names(store))


def _ranks(words: pd.Series, names: dict[Any, str] | None = None) -> Floats:
    """Rank of each word, or of its name, among those that occur."""
    code, known = word_codes(words)
    written = known.map(names).to_numpy(object) if names is not None else known
    rank = np.append(pd.Series(written, dtype="str").rank(method="dense").to_numpy(), np.nan)
    return np.asarray(rank[code], np.float64)


def record_places(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """List the placements with what they say and where each is shown, by placement."""
    seen = _looks(store, selection, viewer)
    at = seen.records.placements.geometry.iloc[seen.places]
    rows = _described(store, seen.rows(np.arange(len(seen.places))), seen.records)
    rows = rows.rename(columns={"species": "species_count", "lower_bound": _LOWER})
    columns = [
        "placement_id", "date", "year", "method", "method_label", "state", "individuals", _LOWER,
        "species_count", "outcome", "catchment", "catchment_name", "survey", "site", "reach_id",
        "generalised_km",
    ]  # fmt: skip
    return gpd.GeoDataFrame(rows[columns], geometry=at, crs=at.crs).sort_index()


def _looks(store: Store, selection: Selection, viewer: Viewer) -> _Looks:
    """Say what each placement says, by whole catches: a genus may stand for one of its species."""
    refuse_unknown(store, selection, viewer)

    def make() -> _Looks:
        # Opened here, so that it is not older than the version that the answer is cached for.
        listed = reference.species(store)
        records = open_records(store, selection.without_species(), viewer, OF_EFFORT)
        methods = reference.methods(store)
        rows = looks(records.placements, records.catches, listed, methods, chosen=selection.species)
        rows = rows.reset_index(drop=True)
        secret = ~summaries.fully_shown(selection.species, listed, viewer)
        if len(secret) and secret.any():  # where it was looked for in vain is not public
            rows = rows[rows["state"] == "found"]
        columns = {str(name): narrowed(rows[name]) for name in rows if name != "date"}
        return _Looks(columns, rows.index, records)

    return cached(store, viewer, ("looks", selection), make)


def _described(store: Store, rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Add what each placement is: its gear, survey, site and water."""
    placements, methods = records.placements.iloc[rows.index], reference.methods(store)
    inside = placement_catchments(store, placements)
    none = np.full(len(placements), np.nan)
    reaches = records.snaps["reach_id"].reindex(records.placements.index)
    described = rows.set_axis(placements.index).assign(
        placement_id=placements.index,
        method=placements["method"],
        method_label=placements["method"].map(methods["label"]),
        survey=placements["survey"],
        site=placements["site"],
        outcome=placements["outcome"],
        reach_id=reaches.array[rows.index],
        catchment=inside,
        catchment_name=inside.map(reference.catchment_names(store)),
        generalised_km=placements.get("generalised_km", none),
    )
    # Names that stand for codes would be sorted as these.
    return described.astype(dict.fromkeys(described.select_dtypes("category").columns, "str"))


def species_account(
    store: Store, selection: Selection, viewer: Viewer, name: str
) -> SpeciesAccount:
    """Gather what a selection of placements says about one species; RequestError if not listed."""
    own = replace(selection, species=(name,))
    return _account(store, own, viewer, name=name)


@kept
def _account(store: Store, own: Selection, viewer: Viewer, *, name: str) -> SpeciesAccount:
    seen = _looks(store, own, viewer)
    looked, found = seen.rows(seen.are(LOOKED)), seen.rows(seen.are(SHOWN["found"]))
    needed = OF_NOTHING.and_tables("lengths")
    months: Any = found["date"].dt.month.value_counts().reindex(range(1, 13), fill_value=0)
    return SpeciesAccount(
        listed=plain_rows(reference.species(store).loc[[name]])[0],
        by_year=looks_by_year(looked, seen.records.placements["method"].iloc[looked.index]),
        lengths=open_records(store, own, viewer, needed).lengths,
        months=months,
        fully_shown=bool(summaries.fully_shown([name], reference.species(store), viewer)[0]),
        looked=len(looked),
        found=len(found),
        individuals=float(found["individuals"].sum()),
        lower_bound=bool(found["lower_bound"].any()),
        first=found["date"].min(),
        last=found["date"].max(),
    )


@kept
def finds_by_species(store: Store, selection: Selection, viewer: Viewer) -> pd.Series:
    """Count the placements of a selection that caught each species of the list, 0 included."""
    records = open_records(store, selection.without_species(), viewer, OF_EFFORT)
    listed, caught = reference.species(store).index, records.catches
    by = codes_within(caught["placement_id"], records.placements.index)
    kind = codes_within(caught["species"], listed)
    fish = (catch_numbers(caught)[0] > 0) & (kind >= 0)
    pairs = distinct(by[fish] * len(listed) + kind[fish])
    return pd.Series(np.bincount(pairs % max(len(listed), 1), minlength=len(listed)), index=listed)
