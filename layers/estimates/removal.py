"""Removal estimators: how many fish were there, from what successive passes took away.

Catches c1 … ck in k passes, T = Σ c, X = Σ (k-i) ci, q = 1 - p. All of them assume a closed
site, an equal chance for every fish and an equal chance in every pass (Bohlin et al. 1989,
Hydrobiologia 173:9-43). `layers.estimates.depletion` applies them to placements.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy

from layers.errors import ThinDataError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

__all__ = [
    "Estimator",
    "RemovalEstimate",
    "catches_fall",
    "estimate_removal",
    "large_sample",
    "likelihood",
    "standard_error",
    "two_pass",
    "weighted",
]

Estimator = Literal["two_pass", "likelihood", "weighted", "large_sample"]

_Z95: Final = NormalDist().inv_cdf(0.975)
_HALF_CHI95: Final = _Z95**2 / 2  # chi-square of one degree of freedom: a normal, squared


@dataclass(frozen=True)
class RemovalEstimate:
    """Fish present at the first pass, with what stands behind the figure.

    Attributes
    ----------
    n_hat, n_se
        Estimated number and its standard error (`se_formula` names the formula).
    n_low, n_high
        95 % interval, never below the total catch. `n_high` is infinite where the
        catches set no upper limit.
    p_hat, p_se
        Chance that a fish is caught in one pass, and its standard error.
    interval
        `normal`, n_hat ± 1.96 n_se; or `profile`, likelihood ratio.
    se_formula
        `Seber & Le Cren`, or `A` (large-sample, see `standard_error`).
    """

    n_hat: float
    n_se: float
    n_low: float
    n_high: float
    p_hat: float
    p_se: float
    interval: Literal["normal", "profile"]
    se_formula: Literal["Seber & Le Cren", "A"]


@dataclass(frozen=True)
class _Passes:
    k: int
    total: int
    x: int  # Σ (k-i) ci

    @property
    def late(self) -> int:
        """Σ (i-1) ci: 0 when the first pass took everything."""
        return (self.k - 1) * self.total - self.x

    @property
    def falls(self) -> bool:
        """Whether later passes caught less: Σ (i-1) ci / T < (k-1)/2."""
        return 2 * self.late < (self.k - 1) * self.total

    @property
    def peaks(self) -> bool:
        """Whether the likelihood has a finite maximum: Σ (i-1) ci < ((k-1)T + k)/2.

        For large N its slope is T (2 Σ (i-1) ci - (k-1)T - k) / (2k N²). Where that is 0 the
        next term, T (T² (1 - 1/k²) - 1) / (12 N³), is above 0.
        """
        return 2 * self.late < (self.k - 1) * self.total + self.k


def _passes(catches: Sequence[int]) -> _Passes:
    counts = np.asarray(catches, dtype=np.int64)
    if counts.size < 2:
        raise ThinDataError("one pass gives no estimate; fish at least two")
    if (counts < 0).any():
        raise ThinDataError("a pass cannot catch fewer than no fish")
    total = int(counts.sum())
    if total == 0:
        raise ThinDataError("nothing was caught: the number is unknown, not 0")
    k = int(counts.size)
    return _Passes(k, total, int((np.arange(k - 1, -1, -1) * counts).sum()))


def standard_error(
    n_hat: float, p_hat: float, passes: int, total: int, *, formula: Literal["A", "B"] = "A"
) -> float:
    """Compute the standard error of a removal estimate with k passes.

    Parameters
    ----------
    n_hat, p_hat
        Estimated number and chance of capture.
    passes
        k.
    total
        T, fish caught in all passes.
    formula
        `A`: √(N qᵏ(1-qᵏ) / ((1-qᵏ)² - (pk)² qᵏ⁻¹)), large-sample variance as printed by
        Carle & Strub (1978). `B`: √(N(N-T)T / (T² - N(N-T)(kp)²/q)), as printed by Cowx
        (1983). They differ; A is used here, and B is for comparing with figures made by it.

    Returns
    -------
    float
        0 where every fish was caught; missing where the formula has no real value.

    Examples
    --------
    >>> round(standard_error(298, 0.25, 5, 228), 2)
    24.85
    >>> round(standard_error(298, 0.25, 5, 228, formula="B"), 2)
    23.62
    """
    q = 1.0 - p_hat
    if q <= 0.0 or (n_hat <= total and formula == "B"):
        return 0.0
    if formula == "A":
        qk = q**passes
        variance = n_hat * qk * (1 - qk)
        spread = (1 - qk) ** 2 - (p_hat * passes) ** 2 * q ** (passes - 1)
    else:
        unseen = n_hat * (n_hat - total)
        variance = unseen * total
        spread = total**2 - unseen * (passes * p_hat) ** 2 / q
    return float(np.sqrt(variance / spread)) if spread > 0 else float("nan")


def _capture_standard_error(n_hat: float, p_hat: float, k: int) -> float:
    q = 1.0 - p_hat
    if q <= 0.0:
        return 0.0
    spread = n_hat * (q * (1 - q**k) ** 2 - (p_hat * k) ** 2 * q**k)
    return float(np.sqrt((q * p_hat) ** 2 * (1 - q**k) / spread)) if spread > 0 else float("nan")


def _normal(n_hat: float, n_se: float, total: int) -> tuple[float, float]:
    return max(float(total), n_hat - _Z95 * n_se), n_hat + _Z95 * n_se


def two_pass(catches: Sequence[int]) -> RemovalEstimate:
    """Two-pass estimate of Seber & Le Cren (1967), J. Anim. Ecol. 36:631-643.

    N = c1²/(c1-c2), p = 1 - c2/c1, SE(N) = c1 c2 √(c1+c2)/(c1-c2)².

    Raises
    ------
    ThinDataError
        Not two passes, nothing caught, or the second pass caught as many as the first.

    Examples
    --------
    >>> round(two_pass([79, 28]).n_hat, 2)
    122.37
    """
    passes = _passes(catches)
    if passes.k != 2:
        raise ThinDataError(f"the two-pass estimate needs two passes, not {passes.k}")
    c1, c2 = (int(c) for c in catches)
    if c1 <= c2:
        raise ThinDataError("the catch did not fall from the first pass to the second")
    n_hat = c1**2 / (c1 - c2)
    n_se = c1 * c2 * np.sqrt(c1 + c2) / (c1 - c2) ** 2
    low, high = _normal(n_hat, float(n_se), passes.total)
    return RemovalEstimate(
        n_hat=n_hat,
        n_se=float(n_se),
        n_low=low,
        n_high=high,
        p_hat=1 - c2 / c1,
        p_se=float(np.sqrt(c2 * (c1 + c2) / c1**3)),
        interval="normal",
        se_formula="Seber & Le Cren",
    )


def _log_likelihood(n: npt.ArrayLike, passes: _Passes) -> npt.NDArray[np.float64]:
    """Log-likelihood of N, with p at its best for that N (Moran 1951)."""
    number = np.asarray(n, dtype=np.float64)
    tries = passes.k * number - passes.x  # fish at risk, summed over the passes
    escapes = tries - passes.total
    with np.errstate(divide="ignore", invalid="ignore"):
        misses = np.where(escapes > 0, escapes * np.log(escapes / tries), 0.0)
    return np.asarray(
        scipy.special.gammaln(number + 1)
        - scipy.special.gammaln(number - passes.total + 1)
        + passes.total * np.log(passes.total / tries)
        + misses,
        dtype=np.float64,
    )


def likelihood(catches: Sequence[int]) -> RemovalEstimate:
    """Maximum likelihood estimate of Moran (1951) and Zippin (1956, 1958), N not rounded.

    The interval is the profile-likelihood one of Schnute (1983), Can. J. Fish. Aquat. Sci.
    40:2153-2169: every N whose likelihood ratio to the best is not rejected at 5 %. Where the
    catches are level, or rise by a fish or two, there is still a best N, but no upper limit.

    Raises
    ------
    ThinDataError
        One pass, nothing caught, or catches that rise so that there is no finite maximum.

    Examples
    --------
    >>> fit = likelihood([45, 11, 18, 8])
    >>> [round(value, 1) for value in (fit.n_hat, fit.n_low, fit.n_high)]
    [90.6, 83.4, 109.2]
    """
    passes = _passes(catches)
    if not passes.peaks:
        raise ThinDataError("the catches rise from pass to pass: no finite estimate")
    total = float(passes.total)

    def slope(n: float) -> float:
        tries = passes.k * n - passes.x
        escapes = tries - total
        return float(
            scipy.special.digamma(n + 1)
            - scipy.special.digamma(n - total + 1)
            + passes.k * np.log(escapes / tries)
        )

    n_hat = total
    if passes.late > 0 and slope(total) > 0:
        above = 2 * total
        while slope(above) > 0:
            above *= 2
        n_hat = float(scipy.optimize.brentq(slope, total, above, xtol=1e-9))
    best = float(_log_likelihood(n_hat, passes))

    def beyond(n: float) -> float:
        return best - float(_log_likelihood(n, passes)) - _HALF_CHI95

    low = total if beyond(total) <= 0 else float(scipy.optimize.brentq(beyond, total, n_hat))
    high = 2 * n_hat
    while beyond(high) < 0 and high < 1e6 * total:
        high *= 2
    high = float(scipy.optimize.brentq(beyond, n_hat, high)) if beyond(high) > 0 else float("inf")
    p_hat = total / (passes.k * n_hat - passes.x)
    return RemovalEstimate(
        n_hat=n_hat,
        n_se=standard_error(n_hat, p_hat, passes.k, passes.total),
        n_low=low,
        n_high=high,
        p_hat=p_hat,
        p_se=_capture_standard_error(n_hat, p_hat, passes.k),
        interval="profile",
        se_formula="A",
    )


def large_sample(catches: Sequence[int]) -> RemovalEstimate:
    """Large-sample form of Zippin (1956); with three passes Seber's (2002) equation 7.24.

    q/p - k qᵏ/(1-qᵏ) = Σ (i-1) ci / T, N = T/(1-qᵏ). It runs higher than `likelihood` for
    few fish; kept to compare with published figures.

    Raises
    ------
    ThinDataError
        As for `likelihood`.

    Examples
    --------
    >>> round(large_sample([244, 86, 43]).n_hat, 2)
    398.43
    """
    passes = _passes(catches)
    if not passes.falls:
        raise ThinDataError("the catches do not fall from pass to pass: no finite estimate")
    k, mean_late = passes.k, passes.late / passes.total

    def excess(q: float) -> float:
        # Mean number of passes a caught fish escaped first: Σ i qⁱ / Σ qⁱ over i = 0 … k-1.
        weights = q ** np.arange(k)
        return float((np.arange(k) * weights).sum() / weights.sum()) - mean_late

    q = float(scipy.optimize.brentq(excess, 0.0, 1.0, xtol=1e-14)) if mean_late > 0 else 0.0
    n_hat = passes.total / (1 - q**k)
    n_se = standard_error(n_hat, 1 - q, k, passes.total)
    low, high = _normal(n_hat, n_se, passes.total)
    return RemovalEstimate(
        n_hat=n_hat,
        n_se=n_se,
        n_low=low,
        n_high=high,
        p_hat=1 - q,
        p_se=_capture_standard_error(n_hat, 1 - q, k),
        interval="normal",
        se_formula="A",
    )


def weighted(catches: Sequence[int]) -> RemovalEstimate:
    """Weighted likelihood estimate of Carle & Strub (1978), Biometrics 34:621-630, α = β = 1.

    Smallest whole N ≥ T with (N+1)/(N-T+1) Π (kN-X-T+β+k-i)/(kN-X+α+β+k-i) ≤ 1. Always
    finite: where catches do not fall, the figure leans on the assumed even spread of p.

    Raises
    ------
    ThinDataError
        One pass, or nothing caught.

    Examples
    --------
    >>> weighted([38, 26, 12]).n_hat
    91.0
    """
    passes = _passes(catches)
    k, total, x = passes.k, passes.total, passes.x
    steps = np.arange(k - 1, -1, -1.0)  # k - i
    start, block = total, 256
    while True:
        n = np.arange(start, start + block, dtype=np.float64)
        tries = (k * n - x)[:, None] + steps
        ratio = (n + 1) / (n - total + 1) * ((tries - total + 1) / (tries + 2)).prod(axis=1)
        # A ratio of exactly 1 may come out a hair above it.
        enough = ratio <= 1 + 1e-12
        if enough.any():
            n_hat = float(n[int(np.argmax(enough))])
            break
        start, block = start + block, block * 2
    p_hat = total / (k * n_hat - x)
    n_se = standard_error(n_hat, p_hat, k, total)
    low, high = _normal(n_hat, n_se, total)
    return RemovalEstimate(
        n_hat=n_hat,
        n_se=n_se,
        n_low=low,
        n_high=high,
        p_hat=p_hat,
        p_se=_capture_standard_error(n_hat, p_hat, k),
        interval="normal",
        se_formula="A",
    )


_ESTIMATORS: Final = {
    "two_pass": two_pass,
    "likelihood": likelihood,
    "weighted": weighted,
    "large_sample": large_sample,
}


def estimate_removal(catches: Sequence[int], estimator: Estimator) -> RemovalEstimate:
    """Apply the named estimator to the catches of successive passes."""
    return _ESTIMATORS[estimator](catches)


def catches_fall(catches: Sequence[int]) -> bool:
    """Whether later passes caught less: Σ (i-1) ci / T < (k-1)/2."""
    return _passes(catches).falls
