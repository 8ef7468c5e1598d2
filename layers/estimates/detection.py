"""How often each method finds a species that is there, and what a nil is worth.

`layers.estimates.seasons` gathers placements into visits of units; `layers.estimates.occupancy` has
the model. Each year's season is estimated by itself. Two chances of having missed a species bear
two names: `chance_missed`, that a visited unit holds it unseen, and `chance_present`, that any
visited unit of a catchment does. Where the records cannot carry it the figures are missing and
`problem` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.estimates.catchment_chances import (
    AS_ELSEWHERE,
    CHANCE_COLUMNS,
    chances_by_catchment,
    places_of,
)
from layers.estimates.covariates import CONSTANT
from layers.estimates.fitted_seasons import LEAST_VISITS, each_species, looking_of
from layers.estimates.occupancy import NOBODY, doubts, visits_until
from layers.estimates.seasons import PER_PLACEMENT, SEGMENT_M, seasons, units_of
from layers.fieldwork.looking import inputs_of
from layers.frames import columns_of, reads, typed
from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from numpy.typing import NDArray

    from layers.arrays import Bools
    from layers.estimates.catchment_chances import Places
    from layers.estimates.fitted_seasons import Looking, Tried, Visits
    from layers.estimates.occupancy import Estimate
    from layers.estimates.seasons import Days, Seasons, Unit

__all__ = [
    "ASSUMED_OF_CHANCES",
    "DETECTION_COLUMNS",
    "Detection",
    "detection",
    "inputs_of_detection",
]

DETECTION_COLUMNS: Final = columns_of(
    (str, "species method"),
    (int, "units visits placements"),
    (str, "estimator"),
    (float, "occupancy occupancy_se occupancy_low occupancy_high"),
    (float, "detection detection_se detection_low detection_high"),
    (float, "chance_missed chance_missed_low chance_missed_high"),
    (pd.Int64Dtype, "more_placements"),
    (str, "problem"),
    (pd.Int64Dtype, "year"),
    (str, "season"),
    (int, "units_found visits_found"),
    (float, "usual_effort"),
    (str, "effort_unit model"),
    (float, "aicc"),
)
LIKELIHOOD, PENALISED = "maximum_likelihood", "penalised_likelihood"
_ASSUMES: Final = (
    "closed seasons: a unit stays occupied or empty through one; visits independent; chance of "
    "detection rises with effort as that of independent tries; all units alike; "
    "no misidentification"
)
ASSUMED_OF_CHANCES: Final = f"{_ASSUMES}; {AS_ELSEWHERE}"
_SURE: Final = 0.9995  # an upper limit of a chance that rules nothing out
_NO_FIND: Final = "without a find: only an upper limit of its chance is known"
_NOTHING_KNOWN: Final = "without a find: nothing is known of its chance"


@dataclass(frozen=True)
class Detection:
    """How often methods find species, and the chance that catchments hold what was not found.

    A season's model of a species is fitted once, when the first of both tables needs it.
    """

    _looking: Looking
    _methods: pd.Index
    _places: Places | None
    _chance: float
    _inputs: dict[str, object]

    @property
    def by_method(self) -> pd.DataFrame:
        """One row for each species, year and method."""
        rows: list[dict[str, object]] = []
        for name, tried in each_species(self._looking):
            if not tried:
                rows.append({"species": name, "problem": NOBODY})
            for one in tried:
                rows += _rows_of(name, one, self._methods, self._chance)
        found = typed(rows, DETECTION_COLUMNS)
        found.attrs["inputs"] = dict(self._inputs)
        return found

    @property
    def by_catchment(self) -> pd.DataFrame:
        """One row for each catchment and species."""
        looking, places = self._looking, self._places
        found = typed([], CHANCE_COLUMNS)
        if places is not None:
            found = chances_by_catchment(
                places.names,
                looking.names,
                looking.can,
                looking.of_year,
                lambda _: (looking, places),
            )
        found.attrs["inputs"] = self._inputs | {"assumes": ASSUMED_OF_CHANCES}
        return found


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
        chance that the species lived then in at least one of `units`, with its 95 % interval,
        takes the catchment to be as occupied as the others, which `problem` says. Both are
        missing where `layers.estimates.occupancy.doubts` has any; where no find in so many visits
        has a chance below 5 % at the estimates, so that the catchment is not as the others; and
        where the species was found or nobody looked. Units nobody visited are not spoken for.

    Raises
    ------
    FrameError
        A column is missing, `unit` is unknown, or a method or species is not in its list.
    """
    units = units_of(placements, snaps, unit, reach_length_m=reach_length_m, segment_m=segment_m)
    season = seasons(
        placements, units, methods, effort, unit=unit, years=years, days=days, apart=True
    )
    looking = looking_of(season, placements, catches, species, methods, covariates)
    places = None
    if catchment_of is not None and ancestors is not None and covariates is None:
        places = places_of(placements, looking, catchment_of, ancestors)
    used, years_used = season.visit_of >= 0, distinct(season.year).tolist()
    inputs = inputs_of_detection(placements, used, season.left_out, years_used, unit=unit)
    if covariates is not None:
        inputs["candidates"] = [CONSTANT, *covariates.columns]
    return Detection(looking, methods.index, places, chance, inputs)


def _rows_of(
    name: str, tried: Tried, methods: pd.Index, chance: float
) -> Iterator[dict[str, object]]:
    """One row for each method."""
    season, visits = tried.looking.seasons, tried.visits()
    seen, fit, model, problem = tried.modelled(visits)
    shared: dict[str, object] = {
        "species": name,
        "year": tried.year,
        "season": season.name_of(visits.rows),
        "units": seen.units,
        "units_found": seen.units_found,
    }
    if fit is not None:
        shared["estimator"] = PENALISED if fit.penalised else LIKELIHOOD
        shared |= {"model": model, "aicc": fit.aicc if np.isfinite(fit.aicc) else np.nan}
        shared |= _spelled("occupancy", fit.occupancy)
        if fit.chance_missed is not None:
            shared |= _spelled("chance_missed", fit.chance_missed)
            del shared["chance_missed_se"]
    for j, method in enumerate(visits.methods):
        own = visits.column == j
        usual = season.usual[visits.rows[own][0]]
        row = shared | {
            "method": methods[method],
            "visits": int(own.sum()),
            "visits_found": int(visits.found[own].sum()),
            "placements": int(season.placements[visits.rows[own]].sum()),
            "usual_effort": usual,
            "effort_unit": season.effort_unit[method],
        }
        said = [problem]
        if fit is not None:
            row |= _spelled("detection", fit.detection[visits.kinds[j]])
            share = season.usual_placement[visits.rows[own][0]] / usual
            if not visits.found[visits.kinds[visits.column] == visits.kinds[j]].any():
                # What the penalty makes of it is no estimate.
                row["detection"] = row["detection_se"] = np.nan
            elif fit.chance_missed is not None and share == share:
                row["more_placements"] = visits_until(
                    np.repeat(seen.presence(fit.theta), seen.empty_count.astype(np.int64)),
                    -np.log1p(-fit.detection[visits.kinds[j]].value) * share,
                    chance=chance,
                )
            high = fit.detection[visits.kinds[j]].high
            said += [*doubts(seen, fit), *_remarks(visits, j, season, methods, high)]
        yield row | {"problem": "; ".join(filter(None, said))}


def _remarks(
    tried: Visits, j: int, season: Seasons, methods: pd.Index, high: float
) -> Iterator[str]:
    """Say what to know before reading the figures of one method."""
    own = tried.column == j
    others = [m for i, m in enumerate(tried.methods) if i != j and tried.kinds[i] == tried.kinds[j]]
    visits = int(own.sum())
    if not tried.found[tried.kinds[tried.column] == tried.kinds[j]].any():
        yield _NO_FIND if high < _SURE else _NOTHING_KNOWN
    if others:
        names = ", ".join(str(methods[m]) for m in others)
        yield f"fewer than {LEAST_VISITS} visits: chance taken together with {names}"
    elif visits < LEAST_VISITS:
        yield f"{counted(visits, 'visit')} only: its chance is hardly known"
    if unknown := int((~season.known[tried.rows[own]]).sum()):
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


@reads("placements")
def inputs_of_detection(
    placements: pd.DataFrame,
    used: Bools,
    left_out: dict[str, int],
    years: list[int],
    *,
    unit: Unit,
    day: NDArray[np.datetime64] | None = None,
) -> dict[str, object]:
    """Say what was computed from, `years` those of the seasons; others as for `inputs_of`."""
    return inputs_of(
        placements,
        used,
        left_out,
        day=day,
        unit=unit,
        season=years,
        interval="profile likelihood, 95 %",
        assumes=_ASSUMES,
    )
