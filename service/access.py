"""The one gate: what of the stored records a viewer may see.

Every page, feed, file and summary takes its records from here. Whoever may not see exact
places does not see a placement that caught a species with a sensitivity at all, whichever
species they asked for.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.catchments import catchment_of
from service import reference
from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import geopandas as gpd
    from numpy.typing import NDArray

    from service.records import Records, Selection, Viewer
    from service.store.interface import Store

    Bools = NDArray[np.bool_]

__all__ = [
    "keep_placements",
    "open_record_chunks",
    "open_records",
    "placement_catchments",
    "refuse_unknown",
    "within_catchments",
]


def open_records(store: Store, selection: Selection, viewer: Viewer) -> Records:
    """Open the records of a selection as this viewer may see them.

    Parameters
    ----------
    store
        Where they are kept.
    selection
        Which are asked for; `catchments` take in what is nested in them, by position.
    viewer
        Who asks.

    Returns
    -------
    Records
        Exact for a viewer who sees exact places; for others without the placements that
        caught a sensitive species.

    Raises
    ------
    RequestError
        The selection names a survey, method, species or catchment that the store lacks.
    """
    refuse_unknown(store, selection)
    # The gate looks at the whole catch of a placement, not only at the species asked for.
    whole = store.records(selection if viewer.sees_exact_places else selection.without_species())
    return _seen(store, whole, selection, viewer)


def open_record_chunks(
    store: Store, selection: Selection, viewer: Viewer, *, size: int = 10_000
) -> Iterator[Records]:
    """Yield the same in chunks of up to `size` placements, for answers of any length."""
    refuse_unknown(store, selection)
    asked = selection if viewer.sees_exact_places else selection.without_species()
    for chunk in store.record_chunks(asked, size=size):
        yield _seen(store, chunk, selection, viewer)


def _seen(store: Store, records: Records, selection: Selection, viewer: Viewer) -> Records:
    keep = np.ones(len(records.placements), dtype=bool)
    if selection.catchments:
        inside = placement_catchments(store, records.placements)
        keep &= within_catchments(store, inside, selection.catchments)
    if not viewer.sees_exact_places:
        keep &= ~_sensitive(records, reference.species(store))
    seen = records if keep.all() else keep_placements(records, keep)
    if viewer.sees_exact_places or not selection.species:
        return seen
    return replace(
        seen,
        catches=seen.catches[seen.catches["species"].isin(selection.species)],
        lengths=seen.lengths[seen.lengths["species"].isin(selection.species)],
    )


def _sensitive(records: Records, species: pd.DataFrame) -> Bools:
    """Which placements hold a row of a species whose place must not be told."""
    step = species["sensitivity"].fillna("none")
    hidden = set(species.index[step != "none"])
    owners = [
        frame.loc[frame["species"].isin(hidden), "placement_id"]
        for frame in (records.catches, records.lengths)
    ]
    return np.asarray(records.placements.index.isin(pd.concat(owners).unique()), dtype=bool)


def keep_placements(records: Records, keep: Bools) -> Records:
    """Keep the records of the placements marked in `keep`, in the order of `records.placements`."""
    placements = records.placements[keep]
    ids = placements.index
    frames = {
        name: frame[frame["placement_id"].isin(ids)]
        for name, frame in (
            ("catches", records.catches),
            ("lengths", records.lengths),
            ("stretches", records.stretches),
            ("flags", records.flags),
        )
    }
    snaps = records.snaps[records.snaps.index.isin(ids)]
    return replace(records, placements=placements, snaps=snaps, **frames)


def placement_catchments(store: Store, placements: gpd.GeoDataFrame) -> pd.Series:
    """Smallest catchment that holds the position of each placement; missing = outside all."""
    catchments = reference.catchments(store)
    if catchments.empty or placements.empty:
        return pd.Series(None, index=placements.index, name="catchment_id", dtype="str")
    return catchment_of(placements, catchments)


def within_catchments(store: Store, inside: pd.Series, chosen: Iterable[str]) -> Bools:
    """Which of these smallest catchments are one of the chosen, or nested in one."""
    nested = reference.ancestors(store)
    members = nested.loc[nested["ancestor_id"].isin(list(chosen)), "catchment_id"]
    return inside.isin(members.unique()).to_numpy(dtype=bool)


def refuse_unknown(store: Store, selection: Selection) -> None:
    """Make sure that what a selection names exists.

    Raises
    ------
    RequestError
        A name is unknown; the nearest known ones are given.
    """
    lists = (
        ("species", selection.species, lambda: reference.species(store).index),
        ("method", selection.methods, lambda: reference.methods(store).index),
        ("survey", selection.surveys, lambda: store.surveys().index),
        ("catchment", selection.catchments, lambda: reference.catchments(store).index),
    )
    for what, wanted, names in lists:
        if not wanted:
            continue
        known = [str(name) for name in names()]
        for name in wanted:
            if name not in known:
                raise RequestError(_unknown(what, name, known))


def _unknown(what: str, name: str, known: list[str]) -> str:
    from rapidfuzz import fuzz, process

    near = [
        match[0]
        for match in process.extract(
            name, known, scorer=fuzz.WRatio, limit=3, score_cutoff=60, processor=str.casefold
        )
    ]
    if near:
        return f"There is no {what} {name!r} here; did you mean {' or '.join(near)}?"
    if not known:
        return f"There is no {what} {name!r} here: no {what} is loaded yet."
    listed = ", ".join(sorted(known)[:8]) + (" …" if len(known) > 8 else "")
    return f"There is no {what} {name!r} here; known are {listed}."
