"""How often each method finds a species that is there, and what a nil is worth.

`layers.estimates.seasons` gathers placements into visits of units; `layers.estimates.occupancy` has
the model. Each year's season is estimated by itself. Two chances of having missed a species bear
two names: `chance_missed`, that a visited unit holds it unseen, and `chance_present`, that any
visited unit of a catchment does. Where the records cannot carry it the figures are missing and
`problem` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.estimates.covariates import CONSTANT
from layers.estimates.fitted_seasons import LEAST_VISITS, each_species, looking_of
from layers.estimates.occupancy import NOBODY, anywhere, doubts, empty_by_luck, visits_until
from layers.estimates.seasons import PER_PLACEMENT, SEGMENT_M, seasons, units_of
from layers.fieldwork.looking import inputs_of, nested_catchments, rolled_up
from layers.frames import codes_within, reads, typed
from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from layers.arrays import Ints
    from layers.estimates.fitted_seasons import Looking, Tried, Visits
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
_ASSUMES: Final = (
    "closed seasons: a unit stays occupied or empty through one; visits independent; chance of "
    "detection rises with effort as that of independent tries; all units alike; "
    "no misidentification"
)
_AS_ELSEWHERE: Final = "a catchment without a find is as occupied as the others"
_RARER: Final = 0.05  # no find is less likely than this where it is as common as elsewhere
_SURE: Final = 0.9995  # an upper limit of a chance that rules nothing out
_BELOW_ONE: Final = 0.999_999  # no chance is certainty, nor printed as such
_NO_FIND: Final = "without a find: only an upper limit of its chance is known"
_NOTHING_KNOWN: Final = "without a find: nothing is known of its chance"


@dataclass(frozen=True)
class Detection:
    """How often methods find species, and the chance that catchments hold what was not found.

    A season's model of a species is fitted once, when the first of both tables needs it.
    """

    _looking: Looking
    _methods: pd.Index
    _places: _Places | None
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
        return self._finished(pd.DataFrame(rows, columns=[*DETECTION_COLUMNS]))

    @property
    def by_catchment(self) -> pd.DataFrame:
        """One row for each catchment and species."""
        tables = [pd.DataFrame(columns=[*CHANCE_COLUMNS])]
        if self._places is not None:
            for name, tried in each_species(self._looking):
                chances = pd.DataFrame(_chances(tried, self._places, self._looking.seasons))
                tables.append(chances.assign(species=name, catchment=self._places.names))
        whole = pd.concat(tables[1:] or tables, ignore_index=True)
        finished = self._finished(
            whole[[*CHANCE_COLUMNS]].sort_values(
                ["species", "catchment"], kind="stable", ignore_index=True
            )
        )
        finished.attrs["inputs"]["assumes"] = f"{_ASSUMES}; {_AS_ELSEWHERE}"
        return finished

    def _finished(self, frame: pd.DataFrame) -> pd.DataFrame:
        finished = typed(
            frame,
            [*frame.columns],
            texts="catchment species method estimator problem season effort_unit model",
            whole="units units_found visits visits_found placements",
            unsure="more_placements year",
        )
        finished.attrs["inputs"] = dict(self._inputs)
        return finished


@dataclass(frozen=True)
class _Places:
    """Which visits were made in which catchment, nested ones included; by year."""

    names: pd.Index
    visits: dict[int, tuple[Ints, Ints, Ints]]  # visit; unit in a catchment; its catchment


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
        places = _places(placements, looking, catchment_of, ancestors)
    inputs = _inputs(placements, season, unit=unit)
    if covariates is not None:
        inputs["candidates"] = [CONSTANT, *covariates.columns]
    return Detection(looking, methods.index, places, chance, inputs)


def _places(
    placements: pd.DataFrame, looking: Looking, catchment_of: pd.Series, ancestors: pd.DataFrame
) -> _Places:
    season = looking.seasons
    names, *nesting = nested_catchments(ancestors)
    home = codes_within(catchment_of.reindex(placements.index), names)
    inside = (season.visit_of >= 0) & (home >= 0)
    n, units = len(names), int(season.unit.max(initial=-1)) + 1
    row, holder = rolled_up(home[inside], (nesting[0], nesting[1]), n)
    in_holder = season.visit_of[inside][row] * n + holder
    visit, holder = np.divmod(distinct(in_holder), max(n, 1))
    visits = {}
    for year, of_year in looking.of_year.items():
        mine = np.isin(visit, of_year)
        keys, at = np.unique(holder[mine] * units + season.unit[visit[mine]], return_inverse=True)
        visits[year] = (visit[mine], at, keys // units)
    return _Places(names, visits)


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


def _chances(tried: list[Tried], places: _Places, season: Seasons) -> dict[str, Any]:
    """Columns of one species by catchment, each from its latest season with an estimate."""
    n = len(places.names)
    row: dict[str, Any] = {"year": np.full(n, np.nan), "problem": np.full(n, NOBODY, object)}
    row |= {name: np.zeros(n, np.int64) for name in ("units", "units_found", "visits")}
    ends = ("chance_present", "chance_present_low", "chance_present_high")
    row |= {name: np.full(n, np.nan) for name in ends}
    estimated = np.zeros(n, dtype=bool)
    for one in sorted(tried, key=lambda each: -each.year):
        visit, at, holder = places.visits[one.year]
        looked = one.looking.can[one.species, season.method[visit]]
        visit, at = visit[looked], at[looked]
        visits = np.bincount(holder[at], minlength=n)
        here = (visits > 0) & ~estimated
        if not here.any():
            continue
        own = one.visits()
        seen, fit, _, problem = one.modelled(own)
        if fit is None:  # unless an earlier season has an estimate
            here &= np.isnan(row["year"])
        estimated |= here & (fit is not None)
        visited = np.zeros(holder.size, dtype=bool)
        visited[at] = True
        found = np.zeros(holder.size, dtype=bool)
        found[at[one.looking.caught(one.species)[visit]]] = True
        units_found = np.bincount(holder[found], minlength=n)
        row["year"][here] = one.year
        row["visits"][here] = visits[here]
        row["units"][here] = np.bincount(holder[visited], minlength=n)[here]
        row["units_found"][here] = units_found[here]
        said = "" if fit is not None else f"over all catchments: {problem}"
        row["problem"][here] = np.where(units_found[here] > 0, "found", said)
        wanted = here & (units_found == 0)
        if fit is None or not wanted.any():
            continue
        kinds = np.zeros(one.looking.can.shape[1], dtype=np.int64)
        kinds[own.methods] = own.kinds
        w = np.eye(int(own.kinds.max()) + 1)
        spent = np.bincount(
            at * len(w) + kinds[season.method[visit]],
            season.effort[visit],
            minlength=holder.size * len(w),
        ).reshape(-1, len(w))
        some = visited & wanted[holder]
        first = np.flatnonzero(np.diff(holder[some], prepend=-1))
        chances = anywhere(fit, np.ones((int(some.sum()), 1)), w, spent[some], first=first)
        luck = np.array(
            [empty_by_luck(theta, spent[some], first) for theta in (fit.theta, *fit.edge)]
        )
        rarer = luck[0, 0] < _RARER
        doubted = [*doubts(seen, fit)]
        chances = np.minimum(chances, _BELOW_ONE)
        chances[:, rarer | bool(doubted)] = np.nan
        for name, values in zip(ends, chances, strict=True):
            row[name][wanted] = values
        missed = luck[:, 1]
        row["problem"][wanted] = [
            "; ".join(_words_of_none(not_alike, low, high, doubted))
            for not_alike, low, high in zip(
                rarer, missed.min(axis=0), missed.max(axis=0), strict=True
            )
        ]
    return row


def _words_of_none(not_alike: bool, low: float, high: float, doubted: list[str]) -> Iterator[str]:
    """Say what no find in a catchment is worth."""
    if doubted:
        yield "no chance, which would be borrowed from other catchments"
        yield from doubted
    elif not_alike:
        yield "rarer here than in other catchments, so that these do not tell its chance"
    else:
        yield f"assumes that {_AS_ELSEWHERE}"
    chances = " to ".join(
        "less than 0.001" if x < 0.001 else f"{x:.2g}" if x < 0.995 else "more than 0.99"
        for x in (low, high)
    )
    yield (
        "did it live in one of these units, the visits would have missed it there with a chance of "
        f"{chances} (95 %)"
    )


def _inputs(placements: pd.DataFrame, season: Seasons, *, unit: Unit) -> dict[str, object]:
    return inputs_of(
        placements,
        season.visit_of >= 0,
        season.left_out,
        unit=unit,
        season=distinct(season.year).tolist(),
        interval="profile likelihood, 95 %",
        assumes=_ASSUMES,
    )
