"""Estimates from the records: removal, detection, richness, change, lengths; and returns."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.fieldwork.looking import detectable, nested_catchments
from layers.fieldwork.stretches import stretch_lengths
from service import reference
from service.access import placement_catchments, refuse_unknown, surveys
from service.answers.following import Since, following, part_of_effort
from service.answers.opening import (
    as_summary,
    fully_shown,
    in_chosen,
    kept,
    of_species,
    open_for,
    open_shown_whole,
    open_with_effort,
    place_of_each,
)
from service.cache import cached
from service.errors import RequestError
from service.records import EVERYTHING, OF_EFFORT, OF_FIGURES, OF_PERMITS, Selection
from service.reference import network

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from layers.arrays import Objects
    from layers.estimates.catchment_chances import Places, SeasonFigures
    from layers.estimates.change import Changes
    from layers.estimates.detection import Detection
    from layers.estimates.fitted_seasons import Looking
    from layers.estimates.seasons import Days, Unit
    from service.records import Viewer
    from service.store import Store

__all__ = [
    "accumulation",
    "chance_present",
    "change",
    "change_by_year",
    "depletion",
    "detection",
    "fish_condition",
    "length_classes",
    "lengths",
    "returns",
    "richness",
    "standard_richness",
]


def depletion(
    store: Store, selection: Selection, viewer: Viewer, *, all_estimators: bool = False
) -> gpd.GeoDataFrame:
    """Fish present by removal over passes, for each placement fished in passes.

    `all_estimators` adds the joint, weighted and two-pass forms to the likelihood estimate.
    """
    from layers.estimates import depletion as computing

    records = open_for(store, selection, viewer, OF_EFFORT, whole_catch=True)
    areas = computing.fished_area_m2(
        records.placements, stretch_lengths(records.stretches)["sampled_m"]
    )
    more = ("joint", "weighted", "two_pass") if all_estimators else ()
    found = computing.depletion(
        records.placements, records.catches, areas, estimators=("likelihood", *more)
    )
    rows = of_species(found, selection)
    at = records.placements.geometry.reindex(rows["placement_id"]).to_numpy()
    drawn = gpd.GeoDataFrame(rows, geometry=at, crs=records.placements.crs)
    return as_summary(drawn, "depletion", found)


def detection(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    unit: Unit = "reach",
    years: Sequence[int] | None = None,
    days: Days | None = None,
    segment_m: float | None = None,
    covariates: Sequence[str] = (),
) -> pd.DataFrame:
    """Occupancy, detection by method, and the chance of a species missed so far, year by year.

    `days` are the first and the last of the season, each month and day; without them it is the
    calendar year. `segment_m` is the length of the pieces of `unit` `segment`. `covariates` are
    candidates, some of `layers.estimates.covariates.COVARIATES`.
    """
    refuse_unknown(store, selection, viewer)
    found = _detected(
        store, selection.without_species(), viewer, unit, years, days, segment_m, covariates
    ).by_method
    shown = found[fully_shown(found["species"], reference.species(store), viewer)]
    return as_summary(of_species(shown, selection), "detection", found)  # type: ignore[no-any-return]


def chance_present(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    years: Sequence[int] | None = None,
    days: Days | None = None,
) -> pd.DataFrame:
    """Chance that a species lives, unfound, on the visited reaches of each catchment.

    `years` and `days` as for `detection`.
    """
    refuse_unknown(store, selection, viewer)
    if selection.without_species() == Selection() and not years and days is None:
        found = following(store, viewer, "chances", _chances, with_effort=True)[1].chances
    else:
        whole = _detected(store, selection.without_species(), viewer, "reach", years, days)
        found = whole.by_catchment
    shown = found[fully_shown(found["species"], reference.species(store), viewer)]
    rows = of_species(in_chosen(store, shown, selection), selection)
    return as_summary(rows, "chance_present", found)  # type: ignore[no-any-return]


class _Chances(NamedTuple):
    """Chances of presence by all placements, and what they were made of.

    `seasons` by year; `year` of each placement, −1 = not known; the units that methods are
    `counted_in`.
    """

    chances: pd.DataFrame
    seasons: dict[int, SeasonFigures]
    year: NDArray[np.int16]
    counted_in: Objects


def _chances(store: Store, since: Since[_Chances]) -> _Chances:
    """Make the figures anew of the seasons in which a placement changed; the others stay."""
    from layers.estimates import seasons as visiting
    from layers.estimates.catchment_chances import chances_by_catchment, places_of
    from layers.estimates.detection import ASSUMED_OF_CHANCES, inputs_of_detection
    from layers.estimates.fitted_seasons import looking_of

    picture, effort, last = since.picture, since.effort, since.last
    species, methods = reference.species(store), reference.methods(store)
    ancestors = reference.ancestors(store)
    placements, days = picture.placements, picture.days
    counted_in = visiting.units_counted(placements, methods, effort)
    known = days.astype("datetime64[Y]").astype(np.int64) + 1970
    year = np.where(np.isnat(days), -1, known).astype(np.int16)
    seasons = {}
    if last and np.array_equal(counted_in, last.counted_in):
        touched = {*year[since.source < 0].tolist(), *last.year[since.gone].tolist()}
        seasons = {of: figures for of, figures in last.seasons.items() if of not in touched}

    def look(of: int) -> tuple[Looking, Places]:
        few = picture.of(np.flatnonzero(year == of))
        records = few.records(OF_EFFORT)
        season = visiting.seasons(
            records.placements,
            visiting.units_of(records.placements, records.snaps, "reach"),
            methods,
            part_of_effort(effort, year == of, few),
            unit="reach",
            apart=True,
            counted_in=counted_in,
        )
        own = records.placements, records.catches
        looking = looking_of(season, *own, species, methods)
        home = placement_catchments(store, records.placements)
        return looking, places_of(records.placements, looking, home, ancestors)

    at_reach = visiting.units_of(placements, picture.records(OF_EFFORT).snaps, "reach")
    used, left_out = visiting.used_in_seasons(placements, at_reach, year >= 0, unit="reach")
    full = (species["rank"].fillna("species") == "species").to_numpy(bool)
    years = distinct(year[used]).tolist()
    found = chances_by_catchment(
        nested_catchments(ancestors)[0],
        {row: str(species.index[row]) for row in np.flatnonzero(full).tolist()},
        detectable(species, methods).to_numpy(bool),
        years,
        look,
        seasons,
    )
    inputs = inputs_of_detection(placements, used, left_out, years, unit="reach", day=days)
    found.attrs["inputs"] = inputs | {"assumes": ASSUMED_OF_CHANCES}
    return _Chances(found, seasons, year, counted_in)


def _detected(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    unit: Unit,
    years: Sequence[int] | None,
    days: Days | None = None,
    segment_m: float | None = None,
    covariates: Sequence[str] = (),
) -> Detection:
    """Both tables of detection, from models that are fitted once."""
    from layers.estimates.covariates import COVARIATES, covariates_of
    from layers.estimates.detection import detection as compute
    from layers.estimates.seasons import SEGMENT_M

    if segment_m is not None and unit != "segment":
        raise RequestError("A length of segments needs segments as units.")
    for name in covariates:
        if name not in COVARIATES:
            raise RequestError(f"{name!r} is no covariate; use any of {', '.join(COVARIATES)}.")
    candidates = tuple(dict.fromkeys(covariates))

    def make() -> Detection:
        records, effort = open_with_effort(
            store, selection, viewer, EVERYTHING if candidates else OF_EFFORT, whole_catch=True
        )
        placements, snaps, methods = records.placements, records.snaps, reference.methods(store)
        of_reaches = unit == "reach"
        return compute(
            placements,
            records.catches,
            snaps,
            reference.species(store),
            methods,
            effort,
            unit=unit,
            years=years,
            days=days,
            reach_length_m=network(store).reaches["length_m"] if unit == "segment" else None,
            segment_m=segment_m or SEGMENT_M,
            covariates=covariates_of(placements, snaps, methods, network(store))[[*candidates]]
            if candidates
            else None,
            catchment_of=placement_catchments(store, placements) if of_reaches else None,
            ancestors=reference.ancestors(store) if of_reaches else None,
        )

    question = (selection, unit, tuple(years or ()), days, segment_m, candidates)
    return cached(store, viewer, ("detection", *question), make)


def accumulation(
    store: Store, selection: Selection, viewer: Viewer, catchment: str, group: str
) -> pd.DataFrame:
    """Species of one group expected in 1, 2, … placements of one catchment, with nested ones.

    Columns of `layers.estimates.richness.accumulation`; empty where nobody looked.
    """
    from layers.estimates import richness as computing

    chosen = replace(selection, catchments=(catchment,), species=())
    found, samples = _of_catchments(computing.species_incidence, store, chosen, viewer)
    of_group = found["species"].map(computing.groups_of(reference.species(store))) == group
    counts = found.loc[(found["catchment"] == catchment) & of_group, "placements"].to_numpy()
    return computing.accumulation(counts, int(samples.get(catchment, 0)))


@kept
def richness(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Species found per catchment and group, and estimates of how many there are."""
    from layers.estimates import richness as computing

    found = _of_catchments(computing.richness, store, selection, viewer)
    return as_summary(in_chosen(store, found, selection), "richness", found)  # type: ignore[no-any-return]


def standard_richness(
    store: Store, selection: Selection, viewer: Viewer, *, coverage: float | None = None
) -> pd.DataFrame:
    """Species by catchment, gear and group at equal coverage."""
    from layers.estimates import standard_richness as computing

    compute = partial(computing.standard_richness, coverage=coverage)
    found = _of_catchments(compute, store, selection, viewer)
    return as_summary(in_chosen(store, found, selection), "standard_richness", found)  # type: ignore[no-any-return]


def _of_catchments(
    compute: Callable[..., Any], store: Store, selection: Selection, viewer: Viewer
) -> Any:  # noqa: ANN401 - whatever is computed
    """Compute something of species and the catchments that they were found in."""
    records = open_for(store, selection, viewer, OF_EFFORT)
    return compute(
        records.placements,
        records.catches,
        reference.species(store),
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
    )


def returns(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Fish by permit, survey, species and fate; permits are for those who see exact places."""
    permits = {str(k): str(v) for k, v in surveys(store, viewer)["permit"].dropna().items()}
    return _returns(store, selection, viewer, permits=permits)


@kept
def _returns(
    store: Store, selection: Selection, viewer: Viewer, *, permits: dict[str, str]
) -> pd.DataFrame:
    from layers.estimates.permit_returns import permit_returns

    records = open_shown_whole(store, selection, viewer, OF_PERMITS)
    found = permit_returns(records.placements, records.catches, pd.Series(permits, dtype="str"))
    return as_summary(found, "returns", found)  # type: ignore[no-any-return]


@kept
def lengths(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Lengths and weights of measured fish, by species and kind of length."""
    from layers.estimates.fish_lengths import lengths_by_species

    return _of_lengths(lengths_by_species, "lengths", store, selection, viewer)


def length_classes(
    store: Store, selection: Selection, viewer: Viewer, *, class_mm: float = 10.0
) -> pd.DataFrame:
    """Fish by class of length, as measured and raised to the catch."""
    from layers.estimates.fish_lengths import length_classes as compute

    in_classes = partial(compute, class_mm=class_mm)
    return _of_lengths(in_classes, "length_classes", store, selection, viewer)


def fish_condition(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Weight of each weighed fish, over that expected at its length."""
    from layers.estimates.fish_lengths import condition_of_fish

    return _of_lengths(condition_of_fish, "fish_condition", store, selection, viewer)


def _of_lengths(
    compute: Callable[..., pd.DataFrame],
    name: str,
    store: Store,
    selection: Selection,
    viewer: Viewer,
) -> pd.DataFrame:
    records = open_shown_whole(store, selection, viewer, OF_FIGURES)
    found = compute(records.placements, records.catches, records.lengths)
    return as_summary(found, name, found)  # type: ignore[no-any-return]


def change(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    by: str = "catchment",
    unit: str = "",
    days: Days | None = None,
    everywhere: bool = False,
) -> pd.DataFrame:
    """Change of species over years: units gained and lost, yearly ratios, what would have shown.

    `by` is catchment or stream; `unit` site or reach, where empty site if half of the placements
    have one; `days` as for `detection`. Of `everywhere` there are rows of place `all` alone.
    """
    found = _changes(store, selection, viewer, by, unit, days, everywhere=everywhere).over_years
    return as_summary(found, "change", found, place=by)  # type: ignore[no-any-return]


def change_by_year(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    by: str = "catchment",
    unit: str = "",
    days: Days | None = None,
    everywhere: bool = False,
) -> pd.DataFrame:
    """Occupancy and catch per effort of species by year; parameters as of `change`."""
    found = _changes(store, selection, viewer, by, unit, days, everywhere=everywhere).by_year
    return as_summary(found, "change_by_year", found, place=by)  # type: ignore[no-any-return]


def _changes(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    by: str,
    unit: str,
    days: Days | None,
    *,
    everywhere: bool,
) -> Changes:
    """Both tables, from models that are fitted once."""
    if by not in ("catchment", "stream"):
        raise RequestError(f"{by!r} is no grouping of change; use catchment or stream.")
    if unit not in ("", "site", "reach"):
        raise RequestError(f"{unit!r} is no unit of change; use site or reach.")
    refuse_unknown(store, selection, viewer)

    def make() -> Changes:
        from layers.estimates.change import Changes
        from layers.estimates.change import change as compute
        from layers.fieldwork.effort import effort_of

        records = open_shown_whole(store, selection.without_species(), viewer, OF_EFFORT)
        placements, methods = records.placements, reference.methods(store)
        species = reference.species(store)
        listed = species.loc[[*selection.species]] if selection.species else species
        chosen: Unit = "site" if placements["site"].notna().mean() >= 0.5 else "reach"
        if unit:
            chosen = unit  # type: ignore[assignment]  # checked above
        found = compute(
            placements,
            records.catches[records.catches["species"].isin(listed.index)],
            effort_of(placements, methods, stretch_lengths(records.stretches)),
            listed,
            methods,
            units=place_of_each(store, records, chosen),
            place_of=None if everywhere else place_of_each(store, records, by),
            unit=chosen,
            days=days,
        )
        named = Changes(*(frame.rename(columns={"place": by}) for frame in found))
        for frame in named:
            frame.attrs["inputs"]["unit"] = chosen
        return named

    return cached(store, viewer, ("change", selection, by, unit, days, everywhere), make)
