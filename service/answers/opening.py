"""Opening the records of a question, and what all summaries do with them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import wraps
from typing import TYPE_CHECKING, Any, TypeVar, cast
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from layers.fieldwork.effort import effort_of
from layers.fieldwork.looking import local_dates
from layers.fieldwork.stretches import stretch_lengths
from service import reference
from service.access import (
    near_catchments,
    open_records,
    placement_catchments,
    refuse_unknown,
    within_catchments,
)
from service.answers.following import picture_and_effort, stamp
from service.cache import cached
from service.columns import SUMMARY_COLUMNS
from service.records import EVERYTHING, OF_EFFORT, OF_FIGURES, Selection
from service.reference import network

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Sequence

    from layers.arrays import Bools
    from service.records import Needed, Records, Viewer
    from service.store import Store

__all__ = [
    "any_sensitive",
    "as_summary",
    "fully_shown",
    "in_chosen",
    "kept",
    "of_selected",
    "of_species",
    "open_for",
    "open_shown_whole",
    "open_with_effort",
    "place_of_each",
    "today",
]

Made = TypeVar("Made")
Summary = TypeVar("Summary", bound="Callable[..., Any]")


def of_selected(
    store: Store, selection: Selection, viewer: Viewer, question: Hashable, make: Callable[[], Made]
) -> Made:
    """Answer a question about the selected placements alone, once while these are the same.

    As `service.cache.cached`, but writes elsewhere leave the answer. Raises as `refuse_unknown`.
    """
    refuse_unknown(store, selection, viewer)
    state = None
    if selection.without_species() != Selection():
        state = stamp(store, near_catchments(store, selection), viewer)
    return cached(store, viewer, (question, state), make, of_network=state is not None)


def kept(summary: Summary) -> Summary:
    """Have a summary of the selected placements alone cached by its options.

    Nobody may change what it returns.
    """

    @wraps(summary)
    def found(store: Store, selection: Selection, viewer: Viewer, **options: Any) -> Any:  # noqa: ANN401 - as the summary's
        # Lists and tables of options as texts: neither is a key.
        given = {k: repr(v) if isinstance(v, (list, dict)) else v for k, v in options.items()}
        key = (summary.__name__, selection, *sorted(given.items()))
        return of_selected(
            store, selection, viewer, key, lambda: summary(store, selection, viewer, **options)
        )

    return cast("Summary", found)


def open_for(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    needed: Needed = EVERYTHING,
    *,
    whole_catch: bool = False,
) -> Records:
    """Open the records of a selection; `whole_catch` leaves its species open."""
    refuse_unknown(store, selection, viewer)
    wanted = selection.without_species() if whole_catch else selection
    return open_records(store, wanted, viewer, needed)


def open_with_effort(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    needed: Needed = OF_EFFORT,
    *,
    whole_catch: bool = False,
) -> tuple[Records, pd.DataFrame]:
    """Open records as `open_for`, and compute the effort of their placements."""
    wanted = selection.without_species() if whole_catch else selection
    if wanted == Selection() and OF_FIGURES.has(needed):
        refuse_unknown(store, selection, viewer)
        picture, effort = picture_and_effort(store, viewer)
        return picture.records(needed), effort
    records = open_for(store, wanted, viewer, needed)
    lengths = stretch_lengths(records.stretches)
    return records, effort_of(records.placements, reference.methods(store), lengths)


def in_chosen(store: Store, frame: pd.DataFrame, selection: Selection) -> pd.DataFrame:
    """Rows whose catchment is chosen or nested in a chosen one, and holds chosen water."""
    region = reference.chosen_region(store, selection)
    if region is not None and "catchment" in frame:
        own = frame["catchment"]
        along = own.isna() | own.isin(reference.catchments_along(store, region))
        frame = frame[along].reset_index(drop=True)
    if not selection.catchments:
        return frame
    chosen = within_catchments(store, frame["catchment"], selection.catchments)
    return frame[chosen].reset_index(drop=True)


def any_sensitive(species: pd.DataFrame) -> bool:
    """Whether the public has to know that places are hidden from it.

    The list of species is public; whether it has records that are withheld altogether is not.
    """
    return bool(_sensitive(species).any())


def _sensitive(species: pd.DataFrame) -> pd.Series:
    return species["sensitivity"].fillna("none").ne("none")


def fully_shown(names: Sequence[str] | pd.Series, species: pd.DataFrame, viewer: Viewer) -> Bools:
    """Mark the species of which this viewer sees everything.

    Where the public does not see a sensitive species found, it may be found and hidden; and
    placements shown as grid cells bring neither effort nor reach.
    """
    secret = species.index[_sensitive(species)]
    return np.asarray(~pd.Index(names).isin(secret) | viewer.sees_exact_places, bool)


def of_species(frame: pd.DataFrame, selection: Selection) -> pd.DataFrame:
    """Rows of the chosen species, all where none is chosen."""
    return frame[frame["species"].isin(selection.species)] if selection.species else frame


def as_summary(
    frame: pd.DataFrame,
    name: str,
    found: pd.DataFrame,
    *,
    first: Sequence[str] = (),
    place: str = "catchment",
) -> Any:  # noqa: ANN401 - a GeoDataFrame stays one
    """Public columns first, then the rest; what `found` was computed from stays with the frame.

    `place` names the column that stands for `catchment`. Texts and days may be coded.
    """
    public = [*first, *(place if each == "catchment" else each for each in SUMMARY_COLUMNS[name])]
    others = [column for column in frame.columns if column not in public]
    finished = frame[[*public, *others]].reset_index(drop=True)
    finished.attrs |= {"inputs": found.attrs.get("inputs", {}), "summary": name}
    return finished


def today(store: Store) -> dt.date:
    """Today's date where the store's surveys are."""
    return dt.datetime.now(ZoneInfo(store.settings.timezone)).date()


def place_of_each(store: Store, records: Records, by: str) -> pd.Series:
    """Place of each placement for `occurrence`, as text; missing where none is known."""
    placements = records.placements
    if by == "catchment":
        return placement_catchments(store, placements)
    if by == "site":
        site: pd.Series = placements["site"]
        return site
    if by in ("reach", "stream"):
        reaches = records.snaps["reach_id"].reindex(placements.index)
        return reaches if by == "reach" else reaches.map(_stream_names(store)).astype("str")
    year = local_dates(placements).dt.year.astype("Int64")
    if "year" in placements:
        year = year.fillna(placements["year"].astype("Int64"))
    named: pd.Series = year.astype("str").where(year.notna())
    return named


def _stream_names(store: Store) -> pd.Series:
    """Name of the stream of each reach, with its `stream_id` where several have that name."""
    from layers.network.streams import streams

    joined = network(store)
    number, table = streams(joined)
    several = table["stream"].duplicated(keep=False)
    names = table["stream"].mask(several, table["stream"] + " (" + table["stream_id"] + ")")
    return pd.Series(names.to_numpy()[number], index=joined.reaches.index)


def open_shown_whole(
    store: Store, selection: Selection, viewer: Viewer, needed: Needed = EVERYTHING
) -> Records:
    """Open records with what this viewer sees all of: no cells, no species that may be hidden."""
    records = open_for(store, selection, viewer, needed)
    if viewer.sees_exact_places:
        return records
    exact = records.placements[records.placements["generalised_km"].isna()]
    species = reference.species(store)

    def own(frame: pd.DataFrame) -> pd.DataFrame:
        shown = frame[frame["placement_id"].isin(exact.index)]
        return shown[fully_shown(shown["species"], species, viewer)]

    return replace(
        records, placements=exact, catches=own(records.catches), lengths=own(records.lengths)
    )
