"""How often each method finds a species that is there, and what a nil is worth.

`layers.estimates.seasons` gathers placements into visits of units; `layers.estimates.occupancy` has
the model. Each year's season is estimated by itself. Two chances of having missed a species bear
two names: `chance_missed`, that a visited unit holds it unseen, and `chance_present`, that any
visited unit of a catchment does. Where the records cannot carry it the figures are missing and
`problem` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from layers.errors import ThinDataError
from layers.estimates.covariates import CONSTANT, choose_model
from layers.estimates.histories import histories
from layers.estimates.occupancy import (
    NOBODY,
    OccupancyFit,
    anywhere,
    fit_occupancy,
    refuse_thin,
    visits_until,
)
from layers.estimates.seasons import PER_PLACEMENT, SEGMENT_M, seasons, units_of
from layers.fieldwork.looking import catch_numbers, detectable, inputs_of, nested_catchments
from layers.frames import codes_of, codes_within, reads
from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from layers.arrays import Bools, Ints
    from layers.estimates.histories import Histories
    from layers.estimates.occupancy import Estimate
    from layers.estimates.seasons import Days, Seasons, Unit

__all__ = ["CHANCE_COLUMNS", "DETECTION_COLUMNS", "Detection", "detection"]

DETECTION_COLUMNS: Final = (
    "species",
    "method",
    "units",
    "visits",
    "placements",
    "estimator",
    "occupancy",
    "occupancy_se",
    "occupancy_low",
    "occupancy_high",
    "detection",
    "detection_se",
    "detection_low",
    "detection_high",
    "chance_missed",
    "chance_missed_low",
    "chance_missed_high",
    "more_placements",
    "problem",
    "year",
    "season",
    "units_found",
    "visits_found",
    "usual_effort",
    "effort_unit",
    "model",
    "aicc",
)
CHANCE_COLUMNS: Final = (
    "catchment",
    "species",
    "year",
    "units",
    "units_found",
    "visits",
    "chance_present",
    "chance_present_low",
    "chance_present_high",
    "problem",
)
LIKELIHOOD, PENALISED = "maximum_likelihood", "penalised_likelihood"
_LEAST_VISITS: Final = 5  # of a method by itself; rarer ones are taken together
_ASSUMES: Final = (
    "closed seasons: a unit stays occupied or empty through one; visits independent; chance of "
    "detection rises with effort as that of independent tries; all units alike; "
    "no misidentification"
)
_OPEN: Final = (
    "occupancy may be up to 1: these visits cannot tell a rare species from one hard to find"
)
_NO_FIND: Final = "without a find: only an upper limit of its chance is known"


class Detection(NamedTuple):
    """How often methods find species, and the chance that catchments hold what was not found."""

    by_method: pd.DataFrame
    by_catchment: pd.DataFrame


@dataclass(frozen=True)
class _Looking:
    """Visits of all seasons, which species each caught, and which could be caught."""

    seasons: Seasons
    can: Bools  # species x methods
    visit: Ints  # distinct pairs of a visit and a species that it caught
    species: Ints

    def caught(self, species: int) -> Bools:
        """Visits that found it."""
        found = np.zeros(self.seasons.unit.size, dtype=bool)
        found[self.visit[self.species == species]] = True
        return found


@dataclass(frozen=True)
class _Tried:
    """One species in one season, and what the model made of it."""

    year: int
    visits: Ints  # rows of the seasons' visits
    methods: Ints  # that looked for it, by column
    column: Ints  # of each visit
    kinds: Ints  # kind of visit of each column: rare methods share one
    found: Bools
    histories: Histories
    fit: OccupancyFit | None
    model: str
    problem: str


@reads("placements", "catches", "snaps", "species", "methods", "effort", "ancestors")
def detection(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    snaps: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    effort: pd.DataFrame,
    *,
    unit: Unit = "reach",
    years: Collection[int] | None = None,
    days: Days | None = None,
    reach_length_m: pd.Series | None = None,
    segment_m: float = SEGMENT_M,
    covariates: pd.DataFrame | None = None,
    chance: float = 0.05,
    catchment_of: pd.Series | None = None,
    ancestors: pd.DataFrame | None = None,
) -> Detection:
    """Occupancy and detection by species, year and method, from units visited repeatedly.

    Parameters
    ----------
    placements, catches, snaps, species, methods, effort
        Frames of these kinds (`layers.frames`). Species of another rank are left out.
    unit, reach_length_m, segment_m
        What is occupied or not, as for `layers.estimates.seasons.units_of`; placements without
        it are left out.
    years, days
        As for `layers.estimates.seasons.seasons`.
    covariates
        By placement, some columns of `layers.estimates.covariates.covariates_of`. Candidates
        are the model without them, each by itself, and the best of occupancy with the best of
        detection; the lowest AICc is chosen (Burnham and Anderson 2002, from memory).
    chance
        Chance of presence that `more_placements` brings it down to.
    catchment_of, ancestors
        Smallest catchment of each placement, missing = outside all, and a frame of this kind;
        for `by_catchment`, which is not made with covariates.

    Returns
    -------
    Detection
        `by_method` has columns `DETECTION_COLUMNS`, one row per species, year and method that
        could detect it and was used; years are never taken together. `units` were visited for
        the species, `visits` and `placements` are those of the method. `occupancy` is the share
        of units where the species lives, `detection` the chance that a visit with
        `usual_effort` finds it there, without an estimate where the method, or those that share its
        chance, never found it; `chance_missed` the mean, over units without a find, of
        the chance that it is there all the same, all with 95 % intervals; `more_placements`,
        how many further placements of the method in each such unit, all nil, bring that to
        `chance` or less.
        With covariates occupancy is the mean over units, and detection that at their mean.
        `estimator` is `maximum_likelihood` or `penalised_likelihood`
        (`layers.estimates.occupancy`). `attrs["inputs"]` states seasons and assumptions.

        `by_catchment` has columns `CHANCE_COLUMNS`, one row per catchment and species: what was
        fitted over all units, applied to the visits of each catchment, nested ones included. A
        unit that lies in two catchments is one in each. `year` is the latest whose season has an
        estimate and visits here; without one, the latest with visits here. `chance_present`, the
        chance that the species lived then in at least one of `units`, with its 95 % interval: it
        is missing where the species was found or nobody looked, as `problem` says. Units nobody
        visited are not spoken for.

    Raises
    ------
    FrameError
        A column is missing, `unit` is unknown, or a method or species is not in its list.
    """
    units = units_of(placements, snaps, unit, reach_length_m=reach_length_m, segment_m=segment_m)
    looking = _looking(
        placements, catches, species, methods, effort, units, unit=unit, years=years, days=days
    )
    values = None if covariates is None else _by_visit(covariates, looking.seasons)
    members: dict[str, Ints] = {}
    if catchment_of is not None and ancestors is not None and covariates is None:
        members = _members(placements, looking.seasons, catchment_of, ancestors)
    rows: list[dict[str, object]] = []
    places: list[dict[str, object]] = []
    for name, tried in _each_species(looking, species, values):
        if not tried:
            rows.append({"species": name, "problem": NOBODY})
        for one in tried:
            rows += _rows_of(name, one, looking.seasons, methods.index, chance)
        for catchment, own in members.items():
            place = {"catchment": catchment, "species": name}
            places.append(place | _chance_of(tried, own, looking.seasons))
    of_methods = _typed(rows, DETECTION_COLUMNS)
    of_places = _typed(places, CHANCE_COLUMNS).sort_values(
        ["species", "catchment"], kind="stable", ignore_index=True
    )
    frames = Detection(of_methods, of_places)
    for frame in frames:
        _with_inputs(frame, placements, looking.seasons, unit=unit)
    if covariates is not None:
        of_methods.attrs["inputs"]["candidates"] = [CONSTANT, *covariates.columns]
    return frames


def _members(
    placements: pd.DataFrame, season: Seasons, catchment_of: pd.Series, ancestors: pd.DataFrame
) -> dict[str, Ints]:
    """Visits in each catchment, nested ones included."""
    names, inner, outer = nested_catchments(ancestors)
    home = codes_within(catchment_of.reindex(placements.index), names)
    in_visit = season.visit_of >= 0
    visit, place = season.visit_of[in_visit], home[in_visit]
    return {
        str(name): np.unique(visit[np.isin(place, inner[outer == c])])
        for c, name in enumerate(names)
    }


def _rows_of(
    name: str, tried: _Tried, season: Seasons, methods: pd.Index, chance: float
) -> Iterator[dict[str, object]]:
    """One row for each method."""
    fit, seen = tried.fit, tried.histories
    shared: dict[str, object] = {
        "species": name,
        "year": tried.year,
        "season": season.name_of(tried.visits),
        "units": seen.units,
        "units_found": seen.units_found,
    }
    if fit is not None:
        shared["estimator"] = PENALISED if fit.penalised else LIKELIHOOD
        shared |= {"model": tried.model, "aicc": fit.aicc if np.isfinite(fit.aicc) else np.nan}
        shared |= _spelled("occupancy", fit.occupancy)
        if fit.chance_missed is not None:
            shared |= _spelled("chance_missed", fit.chance_missed)
            del shared["chance_missed_se"]
    for j, method in enumerate(tried.methods):
        own = tried.column == j
        row = shared | {
            "method": methods[method],
            "visits": int(own.sum()),
            "visits_found": int(tried.found[own].sum()),
            "placements": int(season.placements[tried.visits[own]].sum()),
            "usual_effort": season.usual[method],
            "effort_unit": season.effort_unit[method],
        }
        said = [tried.problem]
        if fit is not None:
            row |= _spelled("detection", fit.detection[tried.kinds[j]])
            share = season.usual_placement[method] / season.usual[method]
            if not tried.found[tried.kinds[tried.column] == tried.kinds[j]].any():
                # What the penalty makes of it is no estimate.
                row["detection"] = row["detection_se"] = np.nan
            elif fit.chance_missed is not None and share == share:
                row["more_placements"] = visits_until(
                    np.repeat(seen.presence(fit.theta), seen.empty_count.astype(np.int64)),
                    -np.log1p(-fit.detection[tried.kinds[j]].value) * share,
                    chance=chance,
                    together=False,
                )
            said += _remarks(tried, j, own, season, methods)
        yield row | {"problem": "; ".join(filter(None, said))}


def _remarks(
    tried: _Tried, j: int, own: Bools, season: Seasons, methods: pd.Index
) -> Iterator[str]:
    """Say what to know before reading the figures of one method."""
    assert tried.fit is not None  # noqa: S101 - rows without a fit have no figures
    if tried.fit.occupancy.high == 1:
        yield _OPEN
    others = [m for i, m in enumerate(tried.methods) if i != j and tried.kinds[i] == tried.kinds[j]]
    visits = int(own.sum())
    if not tried.found[tried.kinds[tried.column] == tried.kinds[j]].any():
        yield _NO_FIND
    if others:
        names = ", ".join(str(methods[m]) for m in others)
        yield f"fewer than {_LEAST_VISITS} visits: chance taken together with {names}"
    elif visits < _LEAST_VISITS:
        yield f"{counted(visits, 'visit')} only: its chance is hardly known"
    if unknown := int((~season.known[tried.visits[own]]).sum()):
        yield f"effort of {counted(unknown, 'visit')} not known, taken as usual"
    if season.effort_unit[tried.methods[j]] == PER_PLACEMENT:
        yield "effort not known: all placements taken as alike"


def _spelled(name: str, estimate: Estimate) -> dict[str, object]:
    return {
        name: estimate.value,
        f"{name}_se": estimate.se,
        f"{name}_low": estimate.low,
        f"{name}_high": estimate.high,
    }


def _chance_of(tried: list[_Tried], members: Ints, season: Seasons) -> dict[str, object]:
    """Row of one catchment and species, from its latest season with an estimate."""
    chosen, inside = None, np.zeros(0, dtype=bool)
    for one in sorted(tried, key=lambda each: (each.fit is not None, each.year)):
        here = np.isin(one.visits, members, assume_unique=True)
        if here.any():
            chosen, inside = one, here
    if chosen is None:
        return {"problem": NOBODY}
    visits, found = chosen.visits[inside], chosen.found[inside]
    visited, at = np.unique(season.unit[visits], return_inverse=True)
    seen = np.zeros(visited.size, dtype=bool)
    seen[at[found]] = True
    row: dict[str, object] = {
        "year": chosen.year,
        "units": visited.size,
        "units_found": int(seen.sum()),
        "visits": visits.size,
    }
    if seen.any():
        return row | {"problem": "found"}
    if chosen.fit is None:
        return row | {"problem": f"over all catchments: {chosen.problem}"}
    w = chosen.histories.detection_design
    spent = np.zeros((visited.size, len(w)))
    np.add.at(spent, (at, chosen.kinds[chosen.column[inside]]), season.effort[visits])
    present = anywhere(chosen.fit, np.ones((visited.size, 1)), w, spent)
    return row | {
        "chance_present": present.value,
        "chance_present_low": present.low,
        "chance_present_high": present.high,
    }


def _looking(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    effort: pd.DataFrame,
    units: pd.Series,
    *,
    unit: Unit,
    years: Collection[int] | None,
    days: Days | None,
) -> _Looking:
    season = seasons(placements, units, methods, effort, unit=unit, years=years, days=days)
    at = codes_within(catches["placement_id"], placements.index)
    kinds = codes_of(catches["species"], species.index, "Species")
    number, _ = catch_numbers(catches)
    keep = (at >= 0) & (number > 0)
    keep[keep] = season.visit_of[at[keep]] >= 0
    pairs = np.unique(np.column_stack([season.visit_of[at[keep]], kinds[keep]]), axis=0)
    can = detectable(species, methods).to_numpy(dtype=bool)
    return _Looking(season, can, pairs[:, 0], pairs[:, 1])


def _each_species(
    looking: _Looking, species: pd.DataFrame, values: pd.DataFrame | None = None
) -> Iterator[tuple[str, list[_Tried]]]:
    """Fit each species in each season in which somebody looked for it."""
    season = looking.seasons
    full = (species["rank"].fillna("species") == "species").to_numpy(dtype=bool)
    for number in np.flatnonzero(full):
        caught = looking.caught(int(number))
        mine = np.flatnonzero(looking.can[number, season.method])
        years = season.year[mine]
        yield (
            str(species.index[int(number)]),
            [
                _fitted(season, int(year), mine[years == year], caught, values)
                for year in np.unique(years)
            ],
        )


def _by_visit(covariates: pd.DataFrame, season: Seasons) -> pd.DataFrame:
    """Mean of each covariate over the placements of a visit."""
    in_visit = season.visit_of >= 0
    means = covariates[in_visit].groupby(season.visit_of[in_visit]).mean()
    return means.reindex(range(season.unit.size))


def _fitted(
    season: Seasons, year: int, visits: Ints, caught: Bools, values: pd.DataFrame | None
) -> _Tried:
    methods, column = np.unique(season.method[visits], return_inverse=True)
    kinds = _kinds(np.bincount(column))
    found = caught[visits]
    seen = histories(season.unit[visits], kinds[column], season.effort[visits], found)
    fit, model, problem = None, "", ""
    try:
        refuse_thin(seen)
        model = CONSTANT
        if values is not None:
            own = values.iloc[visits]
            model, seen = choose_model(
                season.unit[visits], kinds[column], season.effort[visits], found, own, seen
            )
        fit = fit_occupancy(seen)
    except ThinDataError as thin:
        problem = str(thin)
    return _Tried(year, visits, methods, column, kinds, found, seen, fit, model, problem)


def _kinds(visits: Ints) -> Ints:
    """Give each method the number of its chance of detection; those with few visits share one."""
    rare = visits < _LEAST_VISITS
    own = np.cumsum(~rare) - 1
    kinds: Ints = np.where(rare, int((~rare).sum()), own)
    return kinds


def _with_inputs(
    frame: pd.DataFrame, placements: pd.DataFrame, season: Seasons, *, unit: Unit
) -> None:
    frame.attrs["inputs"] = inputs_of(
        placements,
        season.visit_of >= 0,
        season.left_out,
        unit=unit,
        season=[int(year) for year in np.unique(season.year)],
        interval="profile likelihood, 95 %",
        assumes=_ASSUMES,
    )


def _typed(rows: list[dict[str, object]], columns: tuple[str, ...]) -> pd.DataFrame:
    texts = {"catchment", "species", "method", "estimator", "problem", "season", "effort_unit"}
    texts |= {"model"}
    whole = {"units", "units_found", "visits", "visits_found", "placements"}
    maybe = {"more_placements", "year"}
    frame = pd.DataFrame(rows, columns=list(columns))
    for column in columns:
        if column in texts:
            frame[column] = frame[column].astype("object").fillna("").astype("str")
        elif column in whole:
            frame[column] = frame[column].astype("float64").fillna(0).astype("int64")
        else:
            frame[column] = frame[column].astype("Int64" if column in maybe else "float64")
    return frame
