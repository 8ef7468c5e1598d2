"""Summits of a likelihood, and the ends of profile-likelihood intervals of any figure.

An interval has the lowest and the highest figure among all coefficients whose log-likelihood lies
so little below the maximum that a likelihood-ratio test would not reject them (Venzon and
Moolgavkar 1988, Applied Statistics 37:87-94, from memory).
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol, TypeAlias

import numpy as np
import scipy

if TYPE_CHECKING:
    from collections.abc import Callable

    from layers.arrays import Bools, Floats

__all__ = [
    "CHI95",
    "EDGE",
    "LOGIT",
    "LOG_RATE",
    "Bounds",
    "Figure",
    "Slopes",
    "climb",
    "covariance",
    "detected",
    "farthest",
    "limits",
    "log_chances",
    "near_edge",
    "on_logit",
]

Figure: TypeAlias = "Callable[[Floats], tuple[float, Floats]]"  # of coefficients, with its slope
Bounds: TypeAlias = list[tuple[float, float]]
CHI95: Final = 3.841458820694124  # 95 % point of chi-square with one degree of freedom
EDGE: Final = 1e-3  # whatever comes nearer to 0 or 1 than this goes on to it
_MOST_STEPS: Final = 25
_LEAST_CURVE, _LEAST_SHARE = 0.05, 0.25
_LONGEST_STEP, _SHORT_STEP = 1.5, 1e-4
_MOST_TRIES: Final = 4
_NEAR: Final = 1e-5  # between slopes of a prior whose difference is taken
# Within these coefficients are sought:
LOGIT: Final = (-9.0, 9.0)  # of chances, 0.0001 to 0.9999
LOG_RATE: Final = (-12.0, 5.0)  # of detection, p at usual effort from 0.000006 to 1 - 3e-65


class Slopes(NamedTuple):
    """Log-likelihood and its derivatives at one place."""

    value: float
    gradient: Floats
    curve: Floats | None = None  # second derivatives


class Model(Protocol):
    """Has a log-likelihood of its coefficients."""

    def log_likelihood(self, theta: Floats, /, *, curve: bool = False) -> Slopes:
        """Compute it with its slope, on request with second derivatives."""


def detected(log_rate: float) -> float:
    """Chance that one visit of usual effort finds a present species."""
    return float(-np.expm1(-np.exp(log_rate)))


def near_edge(logits: Floats, log_rates: Floats, edge: float) -> bool:
    """Whether a coefficient stands for a chance nearer to 0 or 1 than that."""
    chances = np.append(scipy.special.expit(logits), -np.expm1(-np.exp(log_rates)))
    return bool(((chances < edge) | (chances > 1 - edge)).any())


def log_chances(
    theta: Floats, logits: slice, rates: slice, weights: tuple[float, float]
) -> tuple[float, Floats]:
    """Compute Σ w log(c (1 - c)) over chances c, and its slope.

    `weights` are those of chances given as logits, and as log rates of detection.
    """
    slope = np.zeros(theta.size)
    logit, rate = theta[logits], np.exp(theta[rates])
    slope[logits] = weights[0] * (1 - 2 * scipy.special.expit(logit))
    slope[rates] = weights[1] * (rate / np.expm1(np.minimum(rate, 600.0)) - rate)
    of_logits = -np.logaddexp(0, -logit) - np.logaddexp(0, logit)
    of_rates = np.log(-np.expm1(-rate)) - rate
    return float(weights[0] * of_logits.sum() + weights[1] * of_rates.sum()), slope


def on_logit(figure: Figure) -> Figure:
    """Put a chance, with its slope, on the scale of logits."""

    def turned(theta: Floats) -> tuple[float, Floats]:
        value, slope = figure(theta)
        value = min(max(value, 1e-12), 1 - 1e-12)
        return float(scipy.special.logit(value)), slope / (value * (1 - value))

    return turned


def climb(
    model: Model, starts: list[Floats], bounds: Bounds, prior: Figure | None = None
) -> Floats:
    """Find the coefficients of the highest likelihood, with a prior that of their sum."""
    low, high = np.array(bounds).T
    begin = [np.clip(start, low, high) for start in starts]
    # Of about 1 in all models, so that a relative tolerance is one of the likelihood.
    size = 1 + abs(model.log_likelihood(begin[0]).value)

    def cost(theta: Floats) -> tuple[float, Floats]:
        at = model.log_likelihood(theta)
        extra, change = (0.0, 0.0) if prior is None else prior(theta)
        return -(at.value + extra) / size, -(at.gradient + change) / size

    # Far quicker for a few coefficients than L-BFGS-B, whose steps wait for threads.
    fits = [
        scipy.optimize.minimize(
            cost,
            start,
            jac=True,
            method="SLSQP",
            bounds=bounds,
            options={"ftol": 1e-15, "maxiter": 200},
        )
        for start in begin
    ]
    # The first unless another is clearly higher: runs on other machines then agree.
    best = fits[0]
    for fit in fits[1:]:
        if fit.fun < best.fun - 1e-9:
            best = fit
    return np.asarray(best.x, dtype=np.float64)


def covariance(model: Model, theta: Floats, prior: Figure | None = None) -> Floats:
    """Give it by the observed information of what was maximised; a prior has no cross terms."""
    curve = model.log_likelihood(theta, curve=True).curve
    assert curve is not None  # noqa: S101 - it was asked for
    if prior is not None:
        above, below = (prior(theta + way)[1] for way in (_NEAR, -_NEAR))
        curve = curve + np.diag((above - below) / (2 * _NEAR))
    return np.asarray(np.linalg.pinv(-curve, hermitian=True), dtype=np.float64)


def farthest(
    model: Model, start: Floats, bounds: Bounds, floor: float, figure: Figure, sign: float
) -> Floats:
    """Coefficients with the highest (`sign` 1) or lowest figure whose log-likelihood is `floor`.

    `start` lies above it. Each step goes to the end by the likelihood's parabola about the last
    (Venzon and Moolgavkar's method); where that leads nowhere, as at the bounds of coefficients,
    the figure is improved under the constraint by sequential quadratic programming.
    """
    low, high = np.array(bounds).T
    theta, last, share, shown = start, np.zeros(start.size), 1.0, np.inf
    for _ in range(_MOST_STEPS):
        at = model.log_likelihood(theta, curve=True)
        value, slope = figure(theta)
        slope, before, shown = sign * slope, shown, value
        step = _step(at, slope, floor, np.ones(theta.size, dtype=bool))
        free = ~(((theta <= low) & (step < 0)) | ((theta >= high) & (step > 0)))
        if not free.all():
            step = _step(at, slope, floor, free)
        if not np.isfinite(step).all():  # the figure hardly changes with any coefficient
            break
        # A figure that bends makes steps swing to and fro: the part of one that would end that.
        if last.any():
            share /= max(1 - float(step @ last) / float(last @ last), 1e-9)
        longest = float(np.abs(step).max())
        share = min(max(share, _LEAST_SHARE), 1.0, _LONGEST_STEP / max(longest, 1e-12))
        theta = np.asarray(np.clip(theta + share * step, low, high), dtype=np.float64)
        last = step
        # Coefficients of which figure and likelihood say nothing may go on for ever.
        still = abs(shown - before) < _SHORT_STEP / 100 and abs(at.value - floor) < _SHORT_STEP * 10
        if still or longest < _SHORT_STEP:
            return theta
    return _improved(model, start, bounds, floor, figure, sign)


def _step(at: Slopes, slope: Floats, floor: float, free: Bools) -> Floats:
    """Step to the end by the parabola about a place, of the coefficients that are free."""
    assert at.curve is not None  # noqa: S101 - it was asked for
    step = np.zeros(slope.size)
    # Any curvature that is positive leads to the same end; that of the likelihood soonest.
    values, ways = np.linalg.eigh(-at.curve[np.ix_(free, free)])
    inverse = (ways / np.maximum(np.abs(values), _LEAST_CURVE)) @ ways.T
    to_top, along = inverse @ at.gradient[free], inverse @ slope[free]
    reach = max(2 * (at.value - floor) + float(at.gradient[free] @ to_top), 0.0)
    across = float(slope[free] @ along)
    step[free] = to_top + ((reach / across) ** 0.5 * along if across > 0 else 0.0)
    return step


def _improved(
    model: Model, start: Floats, bounds: Bounds, floor: float, figure: Figure, sign: float
) -> Floats:
    curve = model.log_likelihood(start, curve=True).curve
    spread = np.diag(np.linalg.pinv(-curve, hermitian=True)) if curve is not None else start
    scale = np.sqrt(np.clip(spread, 1e-4, 1.0))
    low, high = np.array(bounds).T
    theta = start

    @lru_cache(1)  # value and slope are wanted one after the other
    def at(step: bytes) -> Slopes:
        return model.log_likelihood(theta + scale * np.frombuffer(step))

    def goal(step: Floats) -> tuple[float, Floats]:
        value, slope = figure(theta + scale * step)
        return -sign * value, -sign * slope * scale

    above: Any = {
        "type": "ineq",
        "fun": lambda step: at(step.tobytes()).value - floor,
        "jac": lambda step: at(step.tobytes()).gradient * scale,
    }
    for _ in range(_MOST_TRIES):
        found = scipy.optimize.minimize(
            goal,
            np.zeros(start.size),
            jac=True,
            method="SLSQP",
            bounds=list(zip((low - theta) / scale, (high - theta) / scale, strict=True)),
            constraints=above,
            options={"maxiter": 100, "ftol": 1e-7},
        )
        better = sign * (figure(theta + scale * found.x)[0] - figure(theta)[0])
        theta = np.asarray(theta + scale * found.x, dtype=np.float64)
        at.cache_clear()
        if abs(better) < _SHORT_STEP:  # it may have stopped too early before
            break
    return theta


def limits(low: float, high: float, shown: float) -> tuple[float, float]:
    """Give the ends of the interval of a chance: where the search has to stop, 0 or 1."""
    return (
        0.0 if low < EDGE else min(low, shown),
        1.0 if high > 1 - EDGE else max(high, shown),
    )
