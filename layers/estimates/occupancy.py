"""Occupancy and detection of one species in one season, with intervals that keep their level.

Estimates are those of maximum likelihood (`layers.estimates.histories`) where these lie between 0
and 1. Where one of them would be 0 or 1, as it often is with few visits, a quarter of the logarithm
of ψ (1 - ψ), and the logarithm of p (1 - p) of each method at its usual effort, are added to the
log-likelihood: penalised likelihood, as Moreno and Lele (2010), Ecology 91:341-346, and Hutchinson
et al. (2015), Methods in Ecology and Evolution 6:949-959, recommend for occupancy; the penalties
are log-F priors, (1/2, 1/2) and (2, 2), as in Greenland and Mansournia (2015), Statistics in
Medicine 34:3133-3143 (articles from memory).

The weights were chosen by simulation of 216 settings (ψ 0.2, 0.5 and 0.8; p 0.1 to 0.9; 20, 40 and
80 units; two to five visits; surveys with three finds or more): |bias| of ψ was above 0.05 in 50 of
them. Weights of a half each had 59; of 0 to 2, no fewer without more bias elsewhere; Jeffreys'
prior of the whole model at boundaries 45, but up to 0.04 farther off; the penalty in place of
maximum likelihood everywhere 64 to 77, normal and Cauchy priors on the logits 65 to 92, posterior
means and medians 69 to 94, maximum likelihood 65. None gets below where p is 0.1, or 0.2 with few
visits: such visits cannot tell ψ from p. Which they are is seen in the visits themselves: `doubts`
warns where the interval is wider than 0.55; and where at some end of the intervals all visits to a
unit miss the species with a chance above 0.35, above 0.6 where it was found on 30 visits or more,
and above 0.25 where all units together were visited less than fifty times. Numbers of finds alone,
of a species that is hardly ever missed, would be a choice of surveys that found many; and a limit
that depends on finds in units in which it had been found, one of surveys with a low estimate.
`tests/simulations/detection.py` prints for each setting how often it warns, and the bias of the
estimate where it does not.

An interval has the lowest and the highest figure among all coefficients whose likelihood, without
penalty, differs so little from the maximum that a likelihood-ratio test would not reject them: the
profile-likelihood interval of any function of the coefficients. Its limit is Student's t squared,
with units less coefficients as degrees of freedom, in place of chi-square, which it nears as units
grow: a choice of this program for few units. It is not stopped by a maximum at 0 or 1, and goes up
to 1 where the visits cannot tell a species that is hard to find from one that
is rare. It assumes that within the season a unit stays occupied or empty, that visits are
independent, and that no fish is taken for another species.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy
from cachetools import LRUCache, cached

from layers.errors import ThinDataError
from layers.estimates.profile_likelihood import (
    EDGE,
    LOG_RATE,
    LOGIT,
    climb,
    covariance,
    detected,
    farthest,
    limits,
    log_chances,
    near_edge,
    on_logit,
)
from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from layers.arrays import Floats, Ints
    from layers.estimates.histories import Histories
    from layers.estimates.profile_likelihood import Figure

__all__ = [
    "LEAST_FINDS",
    "LEAST_UNITS",
    "NOBODY",
    "Estimate",
    "OccupancyFit",
    "anywhere",
    "at_least_one",
    "doubts",
    "empty_by_luck",
    "fit_occupancy",
    "presence",
    "refuse_thin",
    "visits_until",
]

NOBODY: Final = "nobody looked"
MOST_VISITS: Final = 10_000
LEAST_UNITS: Final = 10
_OPEN: Final = "occupancy may be up to 1"
_RARE_OR_HARD: Final = ": these visits cannot tell a rare species from one hard to find"
_RARE_BELOW: Final = 0.2  # a choice of this program: as low a limit leaves it open to be rare
LEAST_FINDS: Final = 3
# Chosen by simulation, so that estimates without a doubt are off by less than 0.05 on average.
_WIDEST, _SELDOM_MISSED = 0.55, 0.35
_FEW_VISITS, _MISSED_BY_FEW, _MANY_FINDS, _MISSED_BY_MANY = 50, 0.25, 30, 0.6
_PENALTIES: Final = (0.25, 1.0)  # of ψ, and of each p
_MOST_FITS: Final = 2_000  # of a kilobyte each
_SLOPE: Final = (-12.0, 12.0)  # of a covariate


@dataclass(frozen=True)
class Estimate:
    """A figure, its standard error (delta method) and its 95 % interval."""

    value: float
    se: float
    low: float
    high: float


@dataclass(frozen=True)
class OccupancyFit:
    """Estimates of one species.

    Attributes
    ----------
    theta
        Coefficients of logit ψ, then those of the log rate of detection.
    slopes
        Those of them that belong to covariates.
    occupancy
        Mean of ψ over the units.
    detection
        p of one visit with the usual effort by kind of visit, the first kinds that have a
        coefficient of their own.
    chance_missed
        Mean over units without a find of the chance that they hold the species all the same;
        None where it was found in all.
    penalised
        Whether the estimates are those of the penalised likelihood.
    edge
        Coefficients at the ends of the intervals, (e, coefficients).
    log_likelihood, aicc
        Of the maximum, without penalty; Akaike's criterion corrected for few units (Hurvich
        and Tsai 1989, from memory).
    """

    theta: Floats
    slopes: Floats
    occupancy: Estimate
    detection: tuple[Estimate, ...]
    chance_missed: Estimate | None
    penalised: bool
    edge: Floats
    log_likelihood: float
    aicc: float


def refuse_thin(visits: Histories) -> None:
    """Refuse visits that say too little, with the reason.

    Whatever is added to visits that pass makes others that pass. The least numbers are common
    practice, no source.

    Raises
    ------
    ThinDataError
        Fewer units or finds than that, or no unit was visited twice.
    """
    if not visits.units:
        raise ThinDataError(NOBODY)
    if not visits.visits_found:
        raise ThinDataError("never found: presence and detection cannot be told apart")
    if visits.units < LEAST_UNITS:
        raise ThinDataError(
            f"{counted(visits.units, 'unit')} {'is' if visits.units == 1 else 'are'} too few; "
            f"at least {LEAST_UNITS}"
        )
    if visits.visits_found < LEAST_FINDS:
        raise ThinDataError(
            f"found on {counted(visits.visits_found, 'visit')}; needs {LEAST_FINDS}"
        )
    if not visits.repeated:
        raise ThinDataError("no repeats: each unit was visited once, so a miss looks like absence")


@cached(
    LRUCache(_MOST_FITS),
    key=lambda visits, *, intervals=True: (visits.digest, intervals),
    lock=Lock(),
)
def fit_occupancy(visits: Histories, *, intervals: bool = True) -> OccupancyFit:
    """Fit occupancy and detection; of visits that it fitted before it still has the answer.

    Parameters
    ----------
    visits
        Those of one species, see `layers.estimates.histories`; `refuse_thin` says which will do.
    intervals
        Without them the ends are missing, which is quicker.
    """
    a, b = visits.coefficients
    bounds = [LOGIT] + [_SLOPE] * (a - 1) + [LOG_RATE] * visits.own + [_SLOPE] * (b - visits.own)
    start = climb(visits, _starts(visits), bounds, _prior(visits))
    best = climb(visits, [start, _near_one(visits, start)], bounds)
    top = visits.log_likelihood(best).value
    floor = top - float(scipy.special.stdtrit(max(visits.units - a - b, 1), 0.975)) ** 2 / 2
    penalised = near_edge(best[:1], best[a : a + visits.own], EDGE)
    theta = start if penalised else best
    spread = covariance(visits, theta, _prior(visits) if penalised else None)
    edge: list[Floats] = []
    estimates = []
    for figure, back in _figures(visits):
        value, slope = figure(theta)
        shown = back(value)
        # The figure is on the scale of its coefficient; its own scale has another slope.
        scale = (back(value + 1e-5) - back(value - 1e-5)) / 2e-5
        low = high = np.nan
        if intervals:
            ends = [farthest(visits, start, bounds, floor, figure, sign) for sign in (-1.0, 1.0)]
            low, high = (back(figure(end)[0]) for end in ends)
            low, high = limits(low, high, shown)
            edge += ends
        se = abs(scale) * max(float(slope @ spread @ slope), 0.0) ** 0.5
        estimates.append(Estimate(shown, se, low, high))
    own = visits.own
    count, n = a + b, visits.units
    return OccupancyFit(
        theta=theta,
        slopes=np.append(theta[1:a], theta[a + own :]),
        occupancy=estimates[0],
        detection=tuple(estimates[1 : 1 + own]),
        chance_missed=estimates[1 + own] if len(estimates) > 1 + own else None,
        penalised=penalised,
        edge=np.array(edge).reshape(-1, count),
        log_likelihood=top,
        aicc=2 * count
        - 2 * top
        + (2 * count * (count + 1) / (n - count - 1) if n > count + 1 else np.inf),
    )


def doubts(visits: Histories, fit: OccupancyFit) -> Iterator[str]:
    """Say why the interval of occupancy is to be read, and not the estimate; nothing if it may be.

    The fit has intervals.
    """
    if fit.occupancy.high == 1:
        yield _OPEN + (_RARE_OR_HARD if fit.occupancy.low < _RARE_BELOW else "")
    reasons = []
    missed = max(map(visits.mean_missed, fit.edge)) if visits.units_found < visits.units else 0.0
    if fit.occupancy.high - fit.occupancy.low > _WIDEST:
        reasons.append(f"it is wider than {_WIDEST}")
    limit = _MISSED_BY_MANY if visits.visits_found >= _MANY_FINDS else _SELDOM_MISSED
    if missed > (_MISSED_BY_FEW if visits.visits < _FEW_VISITS else limit):
        reasons.append(
            f"found on {visits.visits_found} of {counted(visits.visits, 'visit')}, and all to a "
            f"unit may miss a species that is there with a chance of up to {missed:.2f}"
        )
    if reasons:
        yield f"read the interval of occupancy, not the estimate: {', '.join(reasons)}"


def _figures(visits: Histories) -> list[tuple[Figure, Callable[[float], float]]]:
    """List what is estimated: functions of the coefficients with slopes, and how they are shown."""
    a, b = visits.coefficients

    def coefficient(j: int) -> Figure:
        unit = np.eye(a + b)[j]
        return lambda theta: (float(theta[j]), unit)

    occupancy = coefficient(0) if a == 1 else on_logit(visits.mean_occupancy)
    figures: list[tuple[Figure, Callable[[float], float]]] = [(occupancy, _expit)]
    figures += [(coefficient(a + j), detected) for j in range(visits.own)]
    if visits.units_found < visits.units:
        figures.append((on_logit(visits.mean_presence), _expit))
    return figures


def _expit(logit: float) -> float:
    return float(scipy.special.expit(logit))


def _starts(visits: Histories) -> list[Floats]:
    """Where to begin: the naive figures, and a species that is common but hard to find."""
    a, b = visits.coefficients
    share = visits.units_found / visits.units
    each = max(visits.visits_found / max(visits.visits, 1), 0.01)
    starts = []
    for psi in (min(0.95, share + 0.05), min(0.95, 0.5 * (1 + share))):
        theta = np.zeros(a + b)
        theta[0] = scipy.special.logit(psi)
        theta[a : a + visits.own] = np.log(-np.log1p(-min(max(each / psi, 0.02), 0.95)))
        starts.append(theta)
    return starts


def _near_one(visits: Histories, theta: Floats) -> Floats:
    """Begin where the species is everywhere but hard to find, which may be a second summit."""
    other = theta.copy()
    a = visits.coefficients[0]
    other[a : a + visits.own] += np.log(scipy.special.expit(theta[0]) / 0.98)
    other[0] = scipy.special.logit(0.98)
    return other


def _prior(visits: Histories) -> Figure:
    """Penalty on ψ and on p of each kind; covariates have no part."""
    a, own = visits.coefficients[0], visits.own
    return lambda theta: log_chances(theta, slice(0, 1), slice(a, a + own), _PENALTIES)


def anywhere(
    fit: OccupancyFit,
    occupancy_design: Floats,
    detection_design: Floats,
    effort: Floats,
    first: Ints,
) -> Floats:
    """Chance that any of some units without a find holds the species all the same.

    Parameters
    ----------
    fit
        Of all units.
    occupancy_design, detection_design, effort
        Of the units, (n, a); of the kinds of visits, (k, b); and the effort of each kind spent
        at each unit, (n, k).
    first
        Units stand group by group, one group for each catchment: where each begins, (g,).

    Returns
    -------
    ndarray
        Chance of each group, and its interval, (3, g): the least and the greatest chance at the
        ends of the other intervals (`OccupancyFit.edge`), where likelihood is equal.
    """
    chances = np.array(
        [
            at_least_one(presence(theta, occupancy_design, detection_design, effort), first)
            for theta in (fit.theta, *fit.edge)
        ]
    )
    return np.stack([chances[0], chances.min(axis=0), chances.max(axis=0)])


def empty_by_luck(theta: Floats, effort: Floats, first: Ints) -> tuple[Floats, Floats]:
    """Chances of no find in groups of units that are alike in ψ, whatever lives there.

    Parameters
    ----------
    theta
        Logit ψ, then the log rate of each kind of visit.
    effort, first
        As for `anywhere`.

    Returns
    -------
    tuple
        Chance of no find in a group as occupied as all units, Π (1 - ψ + ψ q); and where the
        species lives in one unit of it, any of them, the mean of q, by which it is missed; (g,).
    """
    missed = np.exp(-effort @ np.exp(theta[1:]))
    psi = scipy.special.expit(theta[0])
    none = np.exp(np.add.reduceat(np.log1p(-psi * (1 - missed)), first))
    size = np.diff(np.append(first, missed.size))
    return none, np.add.reduceat(missed, first) / size


def presence(
    theta: Floats, occupancy_design: Floats, detection_design: Floats, effort: Floats
) -> Floats:
    """Chance that units hold the species though all visits, of this effort, missed it.

    By Bayes' rule ψ q / (1 - ψ + ψ q), where all visits miss a present species with chance q.
    """
    a = occupancy_design.shape[1]
    missed = effort @ np.exp(detection_design @ theta[a:])
    return scipy.special.expit(occupancy_design @ theta[:a] - missed)


def at_least_one(chances: Floats, first: Ints) -> Floats:
    """Chance of one or more of independent events; those of each group begin at `first`."""
    return -np.expm1(np.add.reduceat(np.log1p(-np.minimum(chances, 1 - 1e-15)), first))


def visits_until(here: Floats, rate: float, *, chance: float) -> int | None:
    """Further visits to each unit, all without a find, until presence is unlikely.

    Parameters
    ----------
    here
        Chance of presence in each unit without a find so far.
    rate
        Of detection of one more visit: p = 1 - exp(-rate).
    chance
        What the chance of presence is to come down to, as mean over the units.

    Returns
    -------
    int or None
        Smallest number for each unit; None if 10,000 are not enough.

    Examples
    --------
    >>> visits_until(np.array([0.5]), -np.log(0.7), chance=0.05)
    9
    """
    if not here.size:
        return 0
    odds = scipy.special.logit(here)

    def few(further: int) -> bool:
        # Boundary cases are decided in favour of the exact figure, not of its rounding.
        return bool(scipy.special.expit(odds - further * rate).mean() <= chance + 1e-12)

    needed = bisect.bisect_left(range(MOST_VISITS + 1), True, key=few)
    return needed if needed <= MOST_VISITS else None
