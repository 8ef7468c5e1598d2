"""The one gate: what of the stored records a viewer may see.

Every page, feed, file and summary takes its records from here. Whoever may not see exact places
sees a placement at a sensitive place as the grid cell that holds it, or not at all; the rule is
in `layers/fieldwork/generalising.py`, what it guards against in DEVELOPERS.md, "Sensitive
places". Such a viewer's selection is compared with what they see, never with what is hidden from
them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.coded import coded_labels
from layers.drawing.placement_map import PlacementMap
from layers.fieldwork.counted_water import holds
from layers.fieldwork.generalising import public_site_names
from layers.fieldwork.hours import HOURS, worked_at
from layers.fieldwork.looking import detectable
from layers.frames import codes_within
from service import reference
from service.access.current_picture import open_picture
from service.access.shown import as_public, placement_catchments
from service.cache import cached
from service.errors import AccessError, RequestError
from service.records import EVERYTHING, NO_GEAR, OF_FIGURES, Records, Selection
from service.reference.spelling import nearest_names
from service.store import Wanted

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from layers.arrays import Bools
    from service.records import Needed, Role, Viewer
    from service.store import Key, Store, Unit

__all__ = [
    "count_features",
    "find_features",
    "found_chosen",
    "in_the_water",
    "keep_placements",
    "near_catchments",
    "open_found",
    "open_placement_map",
    "open_record_chunks",
    "open_records",
    "placement_extent",
    "refuse_unknown",
    "require_role",
    "sites",
    "surveys",
    "sweep_features",
    "within_catchments",
]

_RANKS: Final[dict[Role, int]] = {"public": 0, "viewer": 0, "member": 1, "editor": 2, "keeper": 3}


def require_role(viewer: Viewer, role: Role) -> None:
    """Make sure that a viewer has at least this role; AccessError where theirs is lower.

    History, imports and flags name exact places: they need `member`. Changing records needs
    `editor`; accounts, undoing imports and files for others need `keeper`.
    """
    if _RANKS[viewer.role] < _RANKS[role]:
        raise AccessError(f"This needs an account with the role {role}.")


def open_records(
    store: Store, selection: Selection, viewer: Viewer, needed: Needed = EVERYTHING
) -> Records:
    """Open the records of a selection as this viewer may see them, or what is `needed` of them.

    As stored for a viewer who sees exact places. For others by public id, in its order, with the
    columns of `layers.fieldwork.public_frames.GENERALISED_COLUMNS`, without flags, and catches
    numbered within this answer; the ids of their selection are public ids, and a placement shown
    as a cell has the cell's centre, its year, no survey, and the catchment that contains all of it.
    Raises as :func:`refuse_unknown`.
    """
    refuse_unknown(store, selection, viewer)
    whole = selection.without_species()
    if selection.placements or not OF_FIGURES.has(needed):  # a few, or documents
        records = _open(store, whole, viewer, needed)
    else:
        records = _from_picture(store, whole, viewer, needed)
    return _of_species(records, selection.species, viewer)


def _open(store: Store, selection: Selection, viewer: Viewer, needed: Needed) -> Records:
    near = near_catchments(store, selection)
    read = _to_choose(selection, needed)
    if viewer.sees_exact_places:
        return _within(store, store.records(near, read), selection, needed)
    return _within(store, as_public(store, *store.public_records(near, read)), selection, needed)


def _from_picture(store: Store, selection: Selection, viewer: Viewer, needed: Needed) -> Records:
    if selection == Selection():
        return open_picture(store, viewer).records(needed)

    def choose() -> Records:
        picture = open_picture(store, viewer)  # not older than what the answer is cached for
        keep, records = picture.chosen(selection), picture.records(_to_choose(selection, needed))
        if keep is not None:
            records = keep_placements(records, keep)
        return _within(store, records, selection, needed)

    return cached(store, viewer, ("records", selection, needed), choose)


def _of_species(records: Records, species: tuple[str, ...], viewer: Viewer) -> Records:
    """Leave only the catch of some species, as the store does."""
    if not species:
        return records
    catches = records.catches[records.catches["species"].isin(species)]
    if not viewer.sees_exact_places:  # numbered within this answer
        catches = catches.set_axis(pd.RangeIndex(len(catches), name=catches.index.name))
    lengths = records.lengths[records.lengths["species"].isin(species)].reset_index(drop=True)
    return replace(records, catches=catches, lengths=lengths)


def near_catchments(store: Store, selection: Selection) -> Selection:
    """Narrow to the box around the chosen catchments, so that only what is near is read.

    What is shown as a cell belongs to a catchment that holds the whole of it, centre included.
    """
    if not selection.catchments or selection.bbox is not None:
        return selection
    frame = reference.catchments(store)
    chosen = within_catchments(store, frame.index.to_series(), selection.catchments)
    low_x, low_y, high_x, high_y = frame.geometry[chosen].total_bounds.tolist()
    if not np.isfinite(low_x):
        return selection
    # A metre more: what lies on the line must not depend on how an index rounds.
    return replace(selection, bbox=(low_x - 1.0, low_y - 1.0, high_x + 1.0, high_y + 1.0))


def open_record_chunks(
    store: Store, selection: Selection, viewer: Viewer, *, size: int
) -> Iterator[Records]:
    """Yield the same in chunks of up to `size` placements, for answers of any length.

    By store row for viewers who see exact places, by public id for others. Catches are numbered
    through all chunks.
    """
    refuse_unknown(store, selection, viewer)
    near = near_catchments(store, selection)
    if viewer.sees_exact_places:
        for records in store.record_chunks(near, size=size):
            yield _within(store, records, selection, EVERYTHING)
        return
    first = 0
    for stored, views in store.public_record_chunks(near, size=size):
        shown = as_public(store, stored, views)
        shown.catches.index += first
        first += len(shown.catches)
        yield _within(store, shown, selection, EVERYTHING)


def find_features(
    store: Store,
    wanted: Wanted,
    unit: Unit,
    viewer: Viewer,
    *,
    size: int,
    after: Key | None = None,
    before: Key | None = None,
    places: bool = False,
) -> pd.DataFrame:
    """Find placements, detections or stretches by what this viewer sees, along their keys.

    Parameters and result: `service.store.finding.find`.
    """
    return store.find(
        wanted, unit, public=not viewer.sees_exact_places, size=size,
        after=after, before=before, places=places,
    )  # fmt: skip


def open_found(store: Store, found: pd.DataFrame, viewer: Viewer) -> Records:
    """Open the placements that :func:`find_features` found, as this viewer may see them.

    As :func:`open_records` gives them, but without lengths and stretches, which no feature of a
    placement or detection is made from.
    """
    rows: list[int] = found["row"].unique().tolist()
    if viewer.sees_exact_places:
        return store.found_records(rows)
    return as_public(store, *store.found_public_records(rows))


def found_chosen(store: Store, found: pd.DataFrame, selection: Selection, viewer: Viewer) -> Bools:
    """Mark what :func:`find_features` found by place, hours and gear, as the viewer sees it.

    Of `selection` only what `Selection.in_memory` names is compared.
    """
    records = open_found(store, found, viewer)
    ids = records.placements.index[_chosen(store, records, selection)]
    return found["placement_id"].isin(ids).to_numpy(bool)


def sweep_features(
    store: Store, wanted: Wanted, unit: Unit, viewer: Viewer, *, size: int = 50_000
) -> Iterator[pd.DataFrame]:
    """Yield all that this viewer would find with its places, in any order."""
    return store.sweep(wanted, unit, public=not viewer.sees_exact_places, size=size)


def count_features(store: Store, wanted: Wanted, unit: Unit, viewer: Viewer) -> int:
    """Count what this viewer would find; a box is compared with envelopes."""
    if unit == "detection" and wanted == Wanted():  # SQL would sort them all
        return open_picture(store, viewer).detections
    return store.count(wanted, unit, public=not viewer.sees_exact_places)


def placement_extent(
    store: Store, viewer: Viewer
) -> tuple[tuple[float, float, float, float] | None, tuple[str | None, str | None]]:
    """Box of all placements as this viewer sees them [m], and their first and last time."""
    return store.placement_extent(public=not viewer.sees_exact_places)


def _within(store: Store, records: Records, selection: Selection, needed: Needed) -> Records:
    """Leave what the store does not choose by itself: by place, hours and what gear can find."""
    if not selection.in_memory:
        return records
    kept = keep_placements(records, _chosen(store, records, selection))
    if "snaps" in needed.tables:
        return kept
    return replace(kept, snaps=kept.snaps.iloc[:0])


def _chosen(store: Store, records: Records, selection: Selection) -> Bools:
    """Mark the placements that meet what :func:`_within` looks at."""
    placements, methods = records.placements, reference.methods(store)
    keep = np.ones(len(placements), bool)
    if selection.catchments:
        inside = placement_catchments(store, placements)
        keep &= within_catchments(store, inside, selection.catchments)
    region = reference.chosen_region(store, selection)
    if region is not None:
        own = records.snaps.reindex(placements.index)
        rows = reference.network(store).rows(own["reach_id"].astype("str"))
        keep &= holds(region, rows, own["measure_m"].to_numpy(np.float64))
    if selection.hours:
        keep &= worked_at(placements, methods, selection.hours)
    if selection.able_to_find:
        wanted = reference.species(store).loc[[selection.able_to_find]]
        able = detectable(wanted, methods).iloc[0]
        keep &= placements["method"].isin(able.index[able]).to_numpy(bool)
    return keep


def _to_choose(selection: Selection, needed: Needed) -> Needed:
    """Add what :func:`_within` reads."""
    by_water = selection.upstream_of or selection.downstream_of or selection.streams
    more = needed.and_tables("snaps") if by_water else needed
    if more.columns is None or not selection.hours:
        return more
    return replace(more, columns=more.columns | {"set_at", "lifted_at", "timezone", "method"})


def in_the_water(store: Store, viewer: Viewer) -> pd.DataFrame:
    """Open gear that was set and not lifted yet, for those who may lift it, else AccessError.

    It is none of the records: nothing else of this module returns it.
    """
    require_role(viewer, "editor")
    return store.in_the_water()


def open_placement_map(store: Store, viewer: Viewer) -> PlacementMap:
    """All placements as this viewer may see them, ready for maps of any size.

    Made from columns that hold nothing else, and kept until the store changes.
    """
    return cached(
        store,
        viewer,
        "placement map",
        lambda: PlacementMap(open_picture(store, viewer).map_columns()),
    )


def surveys(store: Store, viewer: Viewer) -> pd.DataFrame:
    """Surveys that a viewer may know of; the public not of those whose every place is hidden."""
    listed = store.surveys()
    if viewer.sees_exact_places:
        return listed
    known = listed[listed.index.isin(_public_names(store)[0])].copy()
    known[["leader", "permit", "note"]] = None
    return known


def sites(store: Store, viewer: Viewer) -> pd.DataFrame:
    """Sites that a viewer may know of; the public by public name, where placements are exact."""
    listed = store.sites()
    if viewer.sees_exact_places:
        return listed
    known = listed[listed.index.isin(_public_names(store)[1])].copy()
    known[["name", "note"]] = None
    names = public_site_names(known.index.to_series(), store.public_key)
    known.index = pd.Index([names[site] for site in known.index], name="site", dtype="str")
    return known.sort_index()


def _public_names(store: Store) -> tuple[set[str], set[str]]:
    return cached(store, None, "public names", store.public_names)


def keep_placements(records: Records, keep: Bools) -> Records:
    """Keep the records of the placements marked in `keep`, in the order of `records.placements`."""
    placements, whole = records.placements[keep], records.placements.index
    place = np.append(np.where(keep, np.cumsum(keep) - 1, -1), -1)
    frames = {}
    for name in ("catches", "lengths", "stretches", "flags"):
        frame = getattr(records, name)
        own = place[codes_within(frame["placement_id"], whole)]
        frames[name] = frame[own >= 0]
        if isinstance(frame["placement_id"].dtype, pd.CategoricalDtype):
            named = coded_labels(own[own >= 0], placements.index)
            frames[name] = frames[name].assign(placement_id=named)
    snaps = records.snaps
    snaps = snaps[keep] if snaps.index.is_(whole) else snaps[snaps.index.isin(placements.index)]
    return replace(records, placements=placements, snaps=snaps, **frames)


def within_catchments(store: Store, inside: pd.Series, chosen: Iterable[str]) -> Bools:
    """Which of these smallest catchments are one of the chosen, or nested in one."""
    nested = reference.ancestors(store)
    members = nested.loc[nested["ancestor_id"].isin(list(chosen)), "catchment_id"]
    return inside.isin(members.unique()).to_numpy(dtype=bool)


def refuse_unknown(store: Store, selection: Selection, viewer: Viewer) -> None:
    """Make sure that what a selection names exists for this viewer.

    Raises RequestError where a name is unknown; the nearest known ones are given.
    """
    methods = tuple(name for name in selection.methods if name != NO_GEAR)
    able = (selection.able_to_find,) if selection.able_to_find else ()
    if strange := [name for name in selection.hours if name not in HOURS]:
        raise RequestError(f"{strange[0]!r} is no time of day; use any of {', '.join(HOURS)}.")
    reference.chosen_region(store, selection)
    lists = (
        ("species", (*selection.species, *able), lambda: reference.species(store).index),
        ("method", methods, lambda: reference.methods(store).index),
        ("survey", selection.surveys, lambda: surveys(store, viewer).index),
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
    near = nearest_names(name, known)
    if near:
        return f"There is no {what} {name!r} here; did you mean {' or '.join(near)}?"
    if not known:
        return f"There is no {what} {name!r} here: no {what} is loaded yet."
    listed = ", ".join(sorted(known)[:8]) + (" …" if len(known) > 8 else "")
    return f"There is no {what} {name!r} here; known are {listed}."
