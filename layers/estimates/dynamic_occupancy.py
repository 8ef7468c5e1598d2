"""Occupancy over years: which share of units a species lives in, and how that changes.

Unit i is occupied in the first year with chance ψ; from year to year an empty unit is colonised
with chance γ and an occupied one lost with chance ε. A visit of method m finds a present species
with chance p_m: MacKenzie et al. (2003), Ecology 84:2200-2207 (from memory). γ, ε and p are taken
as the same in all years and units; within a year a unit stays occupied or empty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy

from layers.errors import ThinDataError

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

__all__ = ["LEAST_UNITS", "DynamicFit", "fit_dynamic"]

LEAST_UNITS: Final = 10  # as for one season; common practice, no source
_LEAST_FOUND: Final = 3
_Z95: Final = 1.959963984540054
_EDGE: Final = 5.0  # on the logit scale: beyond 0.007 and 0.993 lies the boundary


@dataclass(frozen=True)
class DynamicFit:
    """Estimates of one species.

    Attributes
    ----------
    occupancy, low, high
        ψ of each year, and its 95 % interval (delta method on the logit scale).
    growth, growth_low, growth_high
        Ratio of ψ from one year to the next, mean over the years; interval on the log scale.
    growth_se
        Standard error of its logarithm.
    detection
        p by method, in the order of the columns that were fitted.
    estimator
        `likelihood` where its maximum lies inside, else `penalised`.
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
    estimator: Literal["likelihood", "penalised"]
    log_likelihood: float


def _log_likelihood(theta: Floats, found: Floats, tried: Floats) -> float:
    """Sum over units of the log-chance of their histories, by the forward algorithm."""
    first, gained, lost = scipy.special.expit(theta[:3])
    log_p, log_q = -np.logaddexp(0, -theta[3:]), -np.logaddexp(0, theta[3:])
    seen = np.exp(found @ log_p + (tried - found) @ log_q)  # units by years
    none = found.sum(axis=2) == 0
    total = 0.0
    here = np.full(len(found), first)
    for year in range(found.shape[1]):
        present, absent = here * seen[:, year], (1 - here) * none[:, year]
        both = present + absent
        total += float(np.log(np.maximum(both, 1e-300)).sum())
        now = present / np.maximum(both, 1e-300)
        here = now * (1 - lost) + (1 - now) * gained
    return total


def _occupancies(theta: Floats, years: int) -> Floats:
    first, gained, lost = scipy.special.expit(theta[:3])
    path = [first]
    for _ in range(years - 1):
        path.append(path[-1] * (1 - lost) + (1 - path[-1]) * gained)
    return np.array(path)


def _second_derivatives(function: Callable[[Floats], float], at: Floats) -> Floats:
    step, k = 1e-3, at.size
    unit = np.eye(k) * step
    values = np.empty((k, k))
    for i in range(k):
        for j in range(i, k):
            values[i, j] = values[j, i] = (
                function(at + unit[i] + unit[j])
                - function(at + unit[i] - unit[j])
                - function(at - unit[i] + unit[j])
                + function(at - unit[i] - unit[j])
            ) / (4 * step**2)
    return values


def fit_dynamic(found: npt.ArrayLike, tried: npt.ArrayLike) -> DynamicFit:
    """Fit occupancy over years, or refuse with the reason.

    Parameters
    ----------
    found, tried
        Units by years by methods: visits that found the species, and all. Years follow one
        another; one in which nobody looked has no visits.

    Returns
    -------
    DynamicFit
        By maximum likelihood where that lies inside; else each chance is drawn off 0 and 1 by
        half a success and half a failure (log-F(1,1) prior: Greenland & Mansournia 2015,
        Stat. Med. 34:3133-3143, from memory).

    Raises
    ------
    ThinDataError
        Fewer than ten units looked at in two years, fewer than three with a find, or no unit
        visited twice in a year.

    Examples
    --------
    >>> tried = np.full((20, 2, 1), 3.0)
    >>> found = np.zeros((20, 2, 1))
    >>> found[:12, 0], found[4:14, 1] = 2, 2
    >>> fit = fit_dynamic(found, tried)
    >>> fit.occupancy.round(2).tolist(), fit.estimator
    ([0.63, 0.53], 'likelihood')
    """
    y, n = (np.asarray(a, dtype=np.float64) for a in (found, tried))
    looked = n.sum(axis=2) > 0
    if (looked.sum(axis=1) > 1).sum() < LEAST_UNITS:
        raise ThinDataError(f"fewer than {LEAST_UNITS} units looked at in two years")
    if (y.sum(axis=(1, 2)) > 0).sum() < _LEAST_FOUND:
        raise ThinDataError(f"fewer than {_LEAST_FOUND} units with a find")
    if (n.sum(axis=2) < 2).all():
        raise ThinDataError("no unit was visited twice in a year, so a miss looks like an absence")
    share = np.clip((y.sum(axis=2) > 0).sum() / looked.sum(), 0.05, 0.9)
    per_visit = np.clip(y.sum(axis=(0, 1)) / np.maximum(n.sum(axis=(0, 1)), 1) / share, 0.05, 0.9)
    start = scipy.special.logit(np.concatenate([[share, 0.2, 0.2], per_visit]))

    def plain(theta: Floats) -> float:
        return -_log_likelihood(theta, y, n)

    def penalised(theta: Floats) -> float:
        return plain(theta) + float((np.logaddexp(0, theta) - theta / 2).sum())

    estimator: Literal["likelihood", "penalised"] = "likelihood"
    best = scipy.optimize.minimize(plain, start, method="BFGS")
    information = _second_derivatives(plain, best.x)
    if (np.abs(best.x) > _EDGE).any() or (np.linalg.eigvalsh(information) <= 1e-6).any():
        estimator = "penalised"
        best = scipy.optimize.minimize(penalised, start, method="BFGS")
        information = _second_derivatives(penalised, best.x)
    theta = best.x
    spread = np.linalg.pinv(information, hermitian=True)
    years = y.shape[1]

    def figures(at: Floats) -> Floats:
        path = _occupancies(at, years)
        return np.append(scipy.special.logit(path), np.log(path[-1] / path[0]) / (years - 1))

    slope = np.array(
        [(figures(theta + h) - figures(theta - h)) / 2e-4 for h in np.eye(theta.size) * 1e-4]
    )
    at = figures(theta)
    se = np.sqrt(np.maximum(np.einsum("ij,ik,kj->j", slope, spread, slope), 0.0))
    low, high = at - _Z95 * se, at + _Z95 * se
    chances = scipy.special.expit(theta)
    return DynamicFit(
        occupancy=scipy.special.expit(at[:-1]),
        low=scipy.special.expit(low[:-1]),
        high=scipy.special.expit(high[:-1]),
        growth=float(np.exp(at[-1])),
        growth_low=float(np.exp(low[-1])),
        growth_high=float(np.exp(high[-1])),
        growth_se=float(se[-1]),
        colonised=float(chances[1]),
        lost=float(chances[2]),
        detection=chances[3:],
        estimator=estimator,
        log_likelihood=-plain(theta),
    )
