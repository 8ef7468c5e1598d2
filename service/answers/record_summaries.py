"""Summaries of records: per reach, effort and catch, occurrence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from layers.fieldwork.looking import nested_catchments, separate_parts
from layers.frames import codes_within
from layers.totals import ALL
from service import reference
from service.access import placement_catchments, refuse_unknown, within_catchments
from service.answers.following import Since, following, part_of_effort
from service.answers.opening import (
    as_summary,
    fully_shown,
    in_chosen,
    kept,
    of_species,
    open_for,
    open_with_effort,
    place_of_each,
)
from service.errors import RequestError
from service.records import OF_EFFORT, Selection
from service.reference import network

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Bools, Ints
    from service.records import Viewer
    from service.store import Store

__all__ = [
    "OCCURRENCE_BY",
    "effort",
    "effort_by_year",
    "occurrence",
    "placement_reaches",
    "reach_summary",
]

OCCURRENCE_BY: Final = ("catchment", "stream", "reach", "site", "year")


def placement_reaches(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """Reach, measure and offset of every placement."""
    from layers.estimates import reach_summary as computing

    records = open_for(store, selection, viewer, OF_EFFORT)
    found = computing.placement_reaches(records.placements, records.snaps)
    return as_summary(found, "placement_reaches", found)


def reach_summary(
    store: Store, selection: Selection, viewer: Viewer, *, every_reach: bool = False
) -> gpd.GeoDataFrame:
    """Placements, species, dates and sampled fraction of each reach."""
    from layers.estimates import reach_summary as computing

    refuse_unknown(store, selection, viewer)
    # From outside the chosen catchments stretches may reach into them: rows are narrowed instead.
    records, effort = open_with_effort(store, selection.anywhere(), viewer)
    found = computing.reach_summary(
        network(store),
        records.snaps,
        records.placements,
        records.catches,
        records.stretches,
        reference.reach_parts(store),
        effort=effort,
        every_reach=every_reach,
        region=reference.chosen_region(store, selection),
    )
    rows = in_chosen(store, found, selection)
    return as_summary(rows, "reach_summary", found)


@kept
def effort(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    units: dict[str, str] | None = None,
) -> pd.DataFrame:
    """Effort and catch per unit effort by method, catchment and species.

    `units` names another effort unit than a method's first. Catchment `all` holds every
    placement of the selection.
    """
    from layers.estimates.catch_rate import catch_per_unit_effort

    records, effort = open_with_effort(store, selection, viewer, whole_catch=True)
    species = reference.species(store)
    found = catch_per_unit_effort(
        records.placements,
        records.catches,
        effort,
        species,
        reference.methods(store),
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
        units=units,
        of_species=selection.species,
    )
    rows = found[fully_shown(found["species"], species, viewer)]
    if selection.catchments:
        chosen = within_catchments(store, rows["catchment"], selection.catchments)
        rows = rows[chosen | (rows["catchment"] == ALL).to_numpy()]
    return as_summary(rows, "effort", found)  # type: ignore[no-any-return]


@kept
def effort_by_year(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Effort by method, catchment and local year of setting, in every unit of the method.

    Columns of `layers.fieldwork.effort.effort_totals`.
    """
    from layers.fieldwork.effort import effort_totals

    records, effort = open_with_effort(store, selection, viewer)
    return effort_totals(
        records.placements,
        effort,
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
        by_year=True,
    )


@kept
def occurrence(
    store: Store, selection: Selection, viewer: Viewer, *, by: str = "catchment"
) -> pd.DataFrame:
    """Found, possible, looked for and not found, or never looked for: each place and species.

    Places are `by` one of `OCCURRENCE_BY`; other than catchments, only those with placements
    of the selection. Who may not see exact places sees of sensitive species only where they
    were found.
    """
    from layers.estimates import occurrence as computing

    if by not in OCCURRENCE_BY:
        raise RequestError(f"{by!r} is no grouping; use one of {', '.join(OCCURRENCE_BY)}.")
    species = reference.species(store)
    if by == "catchment" and selection.without_species() == Selection():
        refuse_unknown(store, selection, viewer)
        found = following(store, viewer, "occurrence", _counted, with_effort=True)[1].occurrence
    else:
        records, effort = open_with_effort(store, selection, viewer, whole_catch=True)
        found = computing.occurrence(
            records.placements,
            records.catches,
            species,
            reference.methods(store),
            place_of=place_of_each(store, records, by),
            snaps=records.snaps,
            effort=effort,
            ancestors=reference.ancestors(store) if by == "catchment" else None,
            by=by,
        )
    rows = in_chosen(store, found, selection) if by == "catchment" else found
    rows = of_species(rows, selection)
    rows = rows[rows["state"].eq("found") | fully_shown(rows["species"], species, viewer)]
    if by == "year":
        rows = rows.astype({"year": "int64"})
    return as_summary(rows, "occurrence", found, place=by)  # type: ignore[no-any-return]


class _Counted(NamedTuple):
    """Occurrence of all placements by catchment, and what it was made of.

    `part` of the nested catchments that each placement lies in, −1 outside all; which placements
    were `used`; and the main `units` of methods.
    """

    occurrence: pd.DataFrame
    part: Ints
    used: Bools
    units: pd.Series


def _counted(store: Store, since: Since[_Counted]) -> _Counted:
    """Count catchments anew that share a part with a placement that changed; the rest stays."""
    from layers.estimates import occurrence as computing
    from layers.fieldwork.effort import main_units

    picture, effort, last = since.picture, since.effort, since.last
    ancestors = reference.ancestors(store)
    names, *nesting = nested_catchments(ancestors)
    part_of = separate_parts((nesting[0], nesting[1]), len(names))
    narrow = np.append(part_of, -1).astype(np.min_scalar_type(-1 - len(names)))
    part = narrow[codes_within(placement_catchments(store, picture.placements), names)]
    units = main_units(picture.placements, effort)
    anew, used, others = np.ones(len(names) + 1, bool), np.zeros(len(part), bool), None
    if last and units.equals(last.units):
        source, gone = since.source, since.gone
        anew[:] = False
        anew[part[source < 0]] = anew[last.part[gone]] = True
        anew[-1] = False
        used[source >= 0] = last.used[source[source >= 0]]
        others = last.occurrence[~last.occurrence["catchment"].isin(names[anew[part_of]])]
    some = anew[part]
    few = picture if some.all() else picture.of(np.flatnonzero(some))
    records, own = few.records(OF_EFFORT), effort
    if few is not picture:
        own = part_of_effort(effort, some, few)
    of_few = np.zeros(len(records.placements), bool)
    found = computing.occurrence(
        records.placements,
        records.catches,
        reference.species(store),
        reference.methods(store),
        place_of=placement_catchments(store, records.placements),
        snaps=records.snaps,
        effort=own,
        ancestors=ancestors[ancestors["catchment_id"].isin(names[anew[part_of]])],
        units=units,
        used=of_few,
    )
    used[some] = of_few
    if others is not None:
        found = pd.concat([others, found]).sort_values(["catchment", "species"], ignore_index=True)
    found.attrs["inputs"] = computing.inputs_of_occurrence(
        picture.placements, used, part < 0, day=picture.days
    )
    return _Counted(found, part, used, units)
