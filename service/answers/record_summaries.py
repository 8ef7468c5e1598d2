"""Summaries of records: per reach, effort and catch, occurrence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from layers.totals import ALL
from service import reference
from service.access import (
    placement_catchments,
    refuse_unknown,
    within_catchments,
)
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
    import pandas as pd

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
    records, effort = open_with_effort(store, selection, viewer, whole_catch=True)
    species = reference.species(store)
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
