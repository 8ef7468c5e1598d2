"""Occupancy over years: which share of units a species lives in, and how that changes.

Unit i is occupied in the first year with chance ψ; from year to year an empty unit is colonised
with chance γ and an occupied one lost with chance ε. A visit of method m with effort e finds a
present species with chance p = 1 - exp(-rate_m × e), as in `layers.estimates.histories`:
MacKenzie et al. (2003), Ecology 84:2200-2207 (from memory). γ, ε and the rates are taken as the
same in all years and units; within a year a unit stays occupied or empty. Units first looked at in
different years may have a ψ of their own at that look each, so that a crew which moves to emptier
waters is no fall: what tells of change is what units became. Estimates and intervals are made as
in `layers.estimates.occupancy`.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b
from threading import Lock
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd
import scipy
from cachetools import LRUCache, cached

from layers.errors import ThinDataError
from layers.estimates.profile_likelihood import (
    LOG_RATE,
    LOGIT,
    Slopes,
    climb,
    covariance,
    farthest,
    limits,
    log_chances,
    near_edge,
    on_logit,
)

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy.typing as npt

    from layers.arrays import Bools, Floats, Ints
    from layers.estimates.profile_likelihood import Figure

__all__ = ["LEAST_UNITS", "DynamicFit", "fit_dynamic"]

LEAST_UNITS: Final = 10  # as for one season; common practice, no source
_LEAST_FOUND: Final = 3
_PENALTIES: Final = (0.5, 0.5)
_EDGE: Final = 0.007  # chances nearer to 0 or 1 than this lie on the boundary
_MOST_FITS: Final = 500  # of a kilobyte each
_STEP: Final = 1e-4  # between slopes whose difference is taken


@dataclass(frozen=True)
class DynamicFit:
    """Estimates of one species.

    Attributes
    ----------
    occupancy, low, high
        ψ of each year, of units first looked at in the first where those of others have their
        own, and its 95 % interval by profile likelihood.
    growth, growth_low, growth_high
        Ratio of ψ from one year to the next, mean over the years, and its interval: from 0
        where ψ of the last year may be 0, without an upper end (infinite) where that of the first
        may be.
    growth_se
        Standard error of its logarithm, by the observed information.
    detection
        p by kind of visit, with effort 1.
    estimator
        `maximum_likelihood` where its maximum lies inside, else `penalised_likelihood`.
    log_likelihood
        Without penalty.
    """

    occupancy: Floats
    low: Floats
    high: Floats
    growth: float
    growth_low: float
    growth_high: float
    growth_se: float
    colonised: float
    lost: float
    detection: Floats
    estimator: Literal["maximum_likelihood", "penalised_likelihood"]
    log_likelihood: float


@dataclass(frozen=True)
class _Histories:
    """What the likelihood needs: groups of like units by year, and the visits that found it."""

    count: Floats  # units of each group, (g,)
    first: Ints  # coefficient of its ψ in its first year, (g,)
    logits: int  # coefficients that are logits: ψ, γ, ε, then any ψ of units begun later
    missed: Floats  # effort without a find, (g, years, kinds)
    seen: Bools  # whether it was found, (g, years)
    hit_kind: Ints
    hit_effort: Floats
    hit_count: Floats

    def log_likelihood(self, theta: Floats, /, *, curve: bool = False) -> Slopes:
        """Compute it with its slope, and second derivatives by differences of slopes."""
        if not curve:
            value, gradient = self._at(theta[None])
            return Slopes(float(value[0]), gradient[0])
        ways = np.eye(theta.size) * _STEP
        value, gradient = self._at(np.vstack([theta, theta + ways, theta - ways]))
        above, below = np.split(gradient[1:], 2)
        bent = (above - below) / (2 * _STEP)
        return Slopes(float(value[0]), gradient[0], (bent + bent.T) / 2)

    def _at(self, theta: Floats) -> tuple[Floats, Floats]:
        """Value and slope at several coefficients, (c,) and (c, coefficients).

        By the forward algorithm; the slope by the expected states of the backward one.
        """
        chances = scipy.special.expit(theta[:, : self.logits])
        first, gained, lost = chances[:, self.first], chances[:, 1:2], chances[:, 2:3]
        rate = np.exp(theta[:, self.logits :])
        hazard = rate[:, self.hit_kind] * self.hit_effort
        # What a year's visits weigh for a unit that is occupied; the visits with a find apart.
        nothing = np.exp(-np.einsum("gtk,ck->tcg", self.missed, rate))
        present = np.where(self.seen.T[:, None], 1.0, nothing)
        absent = (~self.seen).T[:, None].astype(np.float64)
        now, total = np.empty_like(present), np.empty_like(present)
        here = first
        for t in range(len(present)):
            inside = here * present[t]
            total[t] = inside + (1 - here) * absent[t]
            now[t] = inside / total[t]
            here = now[t] * (1 - lost) + (1 - now[t]) * gained
        spent = np.einsum("g,gt,gtk->k", self.count, self.seen, self.missed)
        value = (
            np.log(total).sum(axis=0) @ self.count
            + np.log(-np.expm1(-hazard)) @ self.hit_count
            - rate @ spent
        )
        state = now.copy()  # chance of presence given all years
        later_in = later_out = np.ones(present.shape[1:])
        entered, left = np.zeros_like(later_in), np.zeros_like(later_in)
        for t in range(len(present) - 2, -1, -1):
            into = present[t + 1] * later_in / total[t + 1]
            out = absent[t + 1] * later_out / total[t + 1]
            later_in = (1 - lost) * into + lost * out
            later_out = gained * into + (1 - gained) * out
            state[t] = now[t] * later_in
            entered += (1 - now[t]) * gained * into
            left += now[t] * lost * out
        stayed = state[:-1].sum(axis=0)
        gain = hazard / np.expm1(np.minimum(hazard, 600.0)) * self.hit_count
        found = np.zeros((self.missed.shape[2], len(theta)))
        np.add.at(found, self.hit_kind, gain.T)
        effort = np.einsum("g,tcg,gtk->ck", self.count, state, self.missed)
        slope = ((state[0] - first) * self.count) @ np.eye(self.logits)[self.first]
        slope[:, 1] = (entered - gained * (len(present) - 1 - stayed)) @ self.count
        slope[:, 2] = (left - lost * stayed) @ self.count
        return value, np.column_stack([slope, found.T - effort * rate])


def _histories(
    unit: Ints,
    year: Ints,
    kind: Ints,
    effort: Floats,
    found: Bools,
    years: int,
    apart: bool = False,
) -> _Histories:
    """Add up visits; units with the same efforts and finds in the same years become one group.

    `apart` counts the years of each unit from its first look.
    """
    began = np.zeros(int(unit.max()) + 1, dtype=np.int64)
    if apart:
        looks = pd.Series(year).groupby(unit).min()
        began[looks.index] = looks
    year, began = year - began[unit], np.unique(began, return_inverse=True)[1]
    n, kinds = int(unit.max()) + 1, int(kind.max()) + 1
    missed, seen = np.zeros((n, years, kinds)), np.zeros((n, years), dtype=bool)
    np.add.at(missed, (unit[~found], year[~found], kind[~found]), effort[~found])
    seen[unit[found], year[found]] = True
    pairs, hits = np.unique(
        np.column_stack([kind[found], effort[found]]), axis=0, return_counts=True
    )
    signature = np.column_stack([missed.reshape(n, -1), seen, began])
    _, first, count = np.unique(signature, axis=0, return_index=True, return_counts=True)
    return _Histories(
        count=count.astype(np.float64),
        first=np.where(began > 0, began + 2, 0)[first],
        logits=3 + int(began.max()),
        missed=missed[first],
        seen=seen[first],
        hit_kind=pairs[:, 0].astype(np.int64),
        hit_effort=pairs[:, 1],
        hit_count=hits.astype(np.float64),
    )


def _path(theta: Floats, years: int) -> tuple[Floats, Floats]:
    """ψ of each year, and its slopes, (years, coefficients)."""
    first, gained, lost = scipy.special.expit(theta[:3])
    path, slopes = np.empty(years), np.zeros((years, theta.size))
    path[0], slopes[0, 0] = first, first * (1 - first)
    for t in range(1, years):
        before = path[t - 1]
        path[t] = before * (1 - lost) + (1 - before) * gained
        slopes[t] = slopes[t - 1] * (1 - lost - gained)
        slopes[t, 1] += (1 - before) * gained * (1 - gained)
        slopes[t, 2] -= before * lost * (1 - lost)
    return path, slopes


def _of_year(theta: Floats, t: int, years: int) -> tuple[float, Floats]:
    path, slopes = _path(theta, years)
    return float(path[t]), slopes[t]


def _log_growth(theta: Floats, years: int) -> tuple[float, Floats]:
    path, slopes = _path(theta, years)
    change = slopes[-1] / path[-1] - slopes[0] / path[0]
    return float(np.log(path[-1] / path[0])) / (years - 1), change / (years - 1)


def _refuse_thin(unit: Ints, year: Ints, found: Bools) -> None:
    units = int(unit.max(initial=-1)) + 1
    looked = np.unique(np.column_stack([unit, year]), axis=0)
    if (np.bincount(looked[:, 0], minlength=units) > 1).sum() < LEAST_UNITS:
        raise ThinDataError(f"fewer than {LEAST_UNITS} units looked at in two years")
    if np.unique(unit[found]).size < _LEAST_FOUND:
        raise ThinDataError(f"fewer than {_LEAST_FOUND} units with a find")
    if len(looked) == unit.size:
        raise ThinDataError("no unit was visited twice in a year, so a miss looks like an absence")


def _content(
    *visits: npt.ArrayLike, intervals_of: Collection[int] | None = None, apart: bool = False
) -> tuple[object, ...]:
    """Tell visits from others; equal ones were fitted before."""
    whole = blake2b(digest_size=16)
    for part in visits:
        whole.update(np.asarray(part, dtype=np.float64).tobytes() + b"|")
    return whole.digest(), None if intervals_of is None else (*intervals_of,), apart


@cached(LRUCache(_MOST_FITS), key=_content, lock=Lock())
def fit_dynamic(
    unit: npt.ArrayLike,
    year: npt.ArrayLike,
    kind: npt.ArrayLike,
    effort: npt.ArrayLike,
    found: npt.ArrayLike,
    /,
    *,
    intervals_of: Collection[int] | None = None,
    apart: bool = False,
) -> DynamicFit:
    """Fit occupancy over years, or refuse with the reason.

    Parameters
    ----------
    unit, year, kind, effort, found
        Of v visits: numbers of the unit, of the year and of the kind of visit (a gear, or gears
        taken together), each from 0; effort in multiples of the usual one, above 0; whether it
        found the species.
    intervals_of
        Years whose ψ gets an interval; all where not given.
    apart
        Whether units first looked at in different years have a ψ each at that look.

    Returns
    -------
    DynamicFit
        By maximum likelihood where that lies inside; else each chance is drawn off 0 and 1 by
        half a success and half a failure (log-F(1,1) prior: Greenland & Mansournia 2015,
        Stat. Med. 34:3133-3143, from memory). Intervals by profile likelihood, without penalty.

    Raises
    ------
    ThinDataError
        Fewer than ten units looked at in two years, fewer than three with a find, or no unit
        visited twice in a year.

    Examples
    --------
    >>> unit, year = np.repeat(np.arange(20), 6), np.tile([0, 0, 0, 1, 1, 1], 20)
    >>> found = (np.arange(120) % 3 < 2) & np.where(year == 0, unit < 12, (unit > 3) & (unit < 14))
    >>> fit = fit_dynamic(unit, year, np.zeros(120, int), np.ones(120), found)
    >>> fit.occupancy.round(2).tolist(), fit.estimator
    ([0.63, 0.53], 'maximum_likelihood')
    """
    units, at, kinds = (np.asarray(part, dtype=np.int64) for part in (unit, year, kind))
    worked, hit = np.asarray(effort, dtype=np.float64), np.asarray(found, dtype=bool)
    _refuse_thin(units, at, hit)
    span = int(at.max()) + 1
    seen = _histories(units, at, kinds, worked, hit, span, apart)
    start = _start(units, at, kinds, hit, seen.logits)
    bounds = [LOGIT] * seen.logits + [LOG_RATE] * (start.size - seen.logits)
    logits, rates = slice(seen.logits), slice(seen.logits, None)

    def prior(theta: Floats) -> tuple[float, Floats]:
        return log_chances(theta, logits, rates, _PENALTIES)

    inside = climb(seen, [start], bounds, prior)
    best = climb(seen, [inside], bounds)
    edge = near_edge(best[logits], best[rates], _EDGE)
    theta = inside if edge else best
    spread = covariance(seen, theta, prior if edge else None)
    freedom = max(np.unique(units).size - theta.size, 1)
    floor = seen.log_likelihood(best).value - float(scipy.special.stdtrit(freedom, 0.975)) ** 2 / 2

    last = {-1.0: inside, 1.0: inside}  # ends of one year are near those of the next

    def ends(figure: Figure) -> list[float]:
        for sign, begin in last.items():
            last[sign] = farthest(seen, begin, bounds, floor, figure, sign)
        return [figure(last[sign])[0] for sign in (-1.0, 1.0)]

    shown = _path(theta, span)[0]
    low, high = np.full((2, span), np.nan)
    for t in range(span) if intervals_of is None else intervals_of:
        edges = ends(on_logit(lambda theta, t=t: _of_year(theta, t, span)))  # type: ignore[misc]
        below, above = scipy.special.expit(edges).tolist()
        low[t], high[t] = limits(below, above, float(shown[t]))
    last |= {-1.0: inside, 1.0: inside}
    log_growth, slope = _log_growth(theta, span)
    growth = np.exp([log_growth, *ends(lambda theta: _log_growth(theta, span))])
    return DynamicFit(
        occupancy=shown,
        low=low,
        high=high,
        growth=float(growth[0]),
        growth_low=0.0 if low[-1] == 0 else float(growth.min()),
        growth_high=np.inf if low[0] == 0 else float(growth.max()),
        growth_se=max(float(slope @ spread @ slope), 0.0) ** 0.5,
        colonised=float(scipy.special.expit(theta[1])),
        lost=float(scipy.special.expit(theta[2])),
        detection=-np.expm1(-np.exp(theta[rates])),
        estimator="penalised_likelihood" if edge else "maximum_likelihood",
        log_likelihood=seen.log_likelihood(best).value,
    )


def _start(unit: Ints, year: Ints, kind: Ints, found: Bools, logits: int) -> Floats:
    """Where to begin: the naive figures."""
    pairs = np.column_stack([unit, year])
    share = len(np.unique(pairs[found], axis=0)) / len(np.unique(pairs, axis=0))
    share = min(max(share, 0.05), 0.9)
    each = np.bincount(kind[found], minlength=int(kind.max()) + 1) / np.bincount(kind)
    chance = np.clip(each / share, 0.05, 0.9)
    rates = np.log(-np.log1p(-chance))
    return np.append(scipy.special.logit([share, 0.2, 0.2, *[share] * (logits - 3)]), rates)
