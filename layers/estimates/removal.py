"""Removal estimators: how many fish were there, from what successive passes took away.

Catches c1 … ck in k passes, T = Σ c, X = Σ (k-i) ci, q = 1 - p. All of them assume a closed
site, an equal chance for every fish and an equal chance in every pass (Bohlin et al. 1989,
Hydrobiologia 173:9-43). `layers.estimates.depletion` applies them to placements.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from math import exp, expm1, lgamma, log, log1p
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy

from layers.errors import ThinDataError
from layers.estimates.profile_likelihood import CHI95

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from layers.arrays import Floats

__all__ = [
    "Estimator",
    "RemovalEstimate",
    "catchability_test",
    "catches_fall",
    "equal_chance_test",
    "estimate_removal",
    "joint",
    "likelihood",
    "number_if_catchability_falls",
    "standard_error",
    "two_pass",
    "weighted",
]

Estimator = Literal["two_pass", "likelihood", "weighted", "joint"]

_FALL: Final = 1 / 3  # how far catchability may fall over the passes; a choice of this program
_BEYOND_COUNTING: Final = 1_000  # times the catch: a number as good as infinite


@dataclass(frozen=True)
class RemovalEstimate:
    """Fish present at the first pass, with what stands behind the figure.

    Attributes
    ----------
    n_hat, n_se
        Estimated number and its standard error (`se_formula` names the formula).
    n_low, n_high
        95 % interval of `likelihood` and `joint`, never below the total catch; the other forms
        have none and stand for comparison. `n_high` is infinite where the catches set no
        upper limit.
    p_hat
        Chance that a fish is caught in one pass.
    se_formula
        `Seber & Le Cren`, or `A` (large-sample, see `standard_error`).
    """

    n_hat: float
    n_se: float
    p_hat: float
    se_formula: Literal["Seber & Le Cren", "A"] = "A"
    n_low: float = float("nan")
    n_high: float = float("nan")


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


def standard_error(n_hat: float, p_hat: float, passes: int) -> float:
    """Compute the standard error of an estimated number, given the chance of capture.

    Formula A, √(N qᵏ(1-qᵏ) / ((1-qᵏ)² - (pk)² qᵏ⁻¹)) with k passes: the large-sample variance as
    Carle & Strub (1978) print it. That of Cowx (1983), √(N(N-T)T / (T² - N(N-T)(kp)²/q)), differs.
    0 where every fish was caught; missing where it has no real value.

    Examples
    --------
    >>> round(standard_error(298, 0.25, 5), 2)
    24.85
    """
    q = 1.0 - p_hat
    if q <= 0.0:
        return 0.0
    qk = q**passes
    spread = (1 - qk) ** 2 - (p_hat * passes) ** 2 * q ** (passes - 1)
    return float(np.sqrt(n_hat * qk * (1 - qk) / spread)) if spread > 0 else float("nan")


def _with_error(n_hat: float, passes: _Passes) -> RemovalEstimate:
    p_hat = passes.total / (passes.k * n_hat - passes.x)
    return RemovalEstimate(n_hat, standard_error(n_hat, p_hat, passes.k), p_hat)


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
    return RemovalEstimate(
        n_hat=c1**2 / (c1 - c2),
        n_se=float(c1 * c2 * np.sqrt(c1 + c2) / (c1 - c2) ** 2),
        p_hat=1 - c2 / c1,
        se_formula="Seber & Le Cren",
    )


def _binomial(caught: float, tries: float) -> float:
    """Log-likelihood of catches among tries, the chance at its best; without the constant."""
    missed = tries - caught
    return (caught * log(caught / tries) if caught else 0.0) + (
        missed * log(missed / tries) if missed > 0 else 0.0
    )


def _highest(function: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    """Tell where between bounds a function is highest, and how high."""
    fit = scipy.optimize.minimize_scalar(
        lambda x: -function(x), bounds=(low, high), method="bounded", options={"xatol": 1e-9}
    )
    return float(fit.x), -float(fit.fun)


def _orders(n: float, passes: _Passes) -> float:
    return lgamma(n + 1) - lgamma(n - passes.total + 1)


def _log_likelihood(n: float, passes: _Passes) -> float:
    """Log-likelihood of N, with p at its best for that N (Moran 1951)."""
    return _orders(n, passes) + _binomial(passes.total, passes.k * n - passes.x)


def likelihood(catches: Sequence[int]) -> RemovalEstimate:
    """Maximum likelihood estimate of Moran (1951) and Zippin (1956, 1958), N not rounded.

    The interval is the profile-likelihood one of Schnute (1983), Can. J. Fish. Aquat. Sci.
    40:2153-2169: every N whose likelihood ratio to the best is not rejected at 5 %. With two
    passes the limit is the square of Student's t with T-1 degrees of freedom in place of
    chi-square, as the plain one is too narrow for few fish (`tests.simulations`). Where the
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
    best = _log_likelihood(n_hat, passes)
    limit = CHI95
    if passes.k == 2:
        limit = float(scipy.special.stdtrit(max(passes.total - 1, 1), 0.975)) ** 2

    def beyond(n: float) -> float:
        return best - _log_likelihood(n, passes) - limit / 2

    low = total if beyond(total) <= 0 else float(scipy.optimize.brentq(beyond, total, n_hat))
    high = 2 * n_hat
    while beyond(high) < 0 and high < 1e6 * total:
        high *= 2
    high = float(scipy.optimize.brentq(beyond, n_hat, high)) if beyond(high) > 0 else float("inf")
    return replace(_with_error(n_hat, passes), n_low=low, n_high=high)


def catchability_test(catches: Sequence[int]) -> tuple[float, float]:
    """Likelihood-ratio test of equal catchability against a first pass that differs.

    Schnute (1983): N with one chance of capture, against N with one chance in the first pass
    and another in the later ones, on one degree of freedom.

    Returns
    -------
    float, float
        Chi-square and its p-value; missing with two passes, which fit any two chances.

    Raises
    ------
    ThinDataError
        As for `likelihood`.

    Examples
    --------
    >>> [round(value, 2) for value in catchability_test([45, 11, 18, 8])]
    [4.74, 0.03]
    """
    passes = _passes(catches)
    best = _log_likelihood(likelihood(catches).n_hat, passes)
    if passes.k == 2:
        return float("nan"), float("nan")
    total, first = passes.total, int(catches[0])

    def differing(above: float) -> float:
        n = total + expm1(above)
        later = _binomial(total - first, (passes.k - 1) * n - passes.x)
        return _orders(n, passes) + _binomial(first, n) + later

    top = log(_BEYOND_COUNTING * total)
    best_differing = max(_highest(differing, 0.0, top)[1], differing(0.0), differing(top))
    chi_square = max(0.0, 2 * (best_differing - best))
    return chi_square, float(scipy.special.chdtrc(1, chi_square))


def number_if_catchability_falls(catches: Sequence[int]) -> float:
    """Fish there would be, were p to fall by a third from the first pass to the last.

    By equal proportions from pass to pass, and by the likelihood of the passes given the total
    catch (Zippin 1956, with pᵢ in place of p). Removal estimates are too low where p falls
    (Bohlin et al. 1989, Hydrobiologia 173:9-43), and the catches seldom show that it does: with
    30 to 200 fish, `catchability_test` finds a fall by a third in about one sample in fifteen.

    Returns
    -------
    float
        Infinite where no number is the best; missing where the catches rule the fall out
        (likelihood ratio to equal chances, 5 %).

    Raises
    ------
    ThinDataError
        One pass, or nothing caught.

    Examples
    --------
    >>> round(number_if_catchability_falls([38, 26, 12]))
    132
    """
    passes = _passes(catches)
    counts = np.asarray(catches, dtype=np.float64)

    def best(last: float) -> tuple[float, float]:
        factors = last ** (np.arange(passes.k) / (passes.k - 1))

        def seen(p: float) -> Floats:
            chances = p * factors
            return np.asarray(chances * np.cumprod([1.0, *(1 - chances[:-1])]))

        def likely(p: float) -> float:
            shares = seen(p)
            return float(scipy.special.xlogy(counts, shares / shares.sum()).sum())

        p_hat, top = _highest(likely, 1e-6, 1.0)
        return float(passes.total / seen(p_hat).sum()), top

    n_hat, top = best(1 - _FALL)
    if 2 * (best(1.0)[1] - top) > CHI95:
        return float("nan")
    return n_hat if n_hat < _BEYOND_COUNTING * passes.total else float("inf")


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
    return _with_error(n_hat, passes)


def joint(samples: Sequence[Sequence[int]]) -> list[RemovalEstimate]:
    """Numbers at several placements whose fish have one chance of capture.

    p maximises the likelihood of the passes given the catch of each placement (Zippin 1956, over
    placements; the p of a Poisson-multinomial model is the same), and N = T/(1-qᵏ): of one
    placement the large-sample form of Zippin (1956), with three passes Seber's (2002) equation
    7.24. The interval of one N is by profile over p: its catch is binomial, and all placements
    tell of p.

    Parameters
    ----------
    samples
        Catches of each placement, two passes or more; of different numbers where need be.

    Returns
    -------
    list of RemovalEstimate
        In the order of `samples`, without standard errors.

    Raises
    ------
    ThinDataError
        As for `likelihood`; or the catches of all placements together do not fall.

    Examples
    --------
    >>> fits = joint([[5, 3, 2], [3, 3, 1], [2, 0, 0]])
    >>> round(fits[0].p_hat, 3), [round(fit.n_hat, 1) for fit in fits]
    (0.442, [12.1, 8.5, 2.4])
    """
    every = [_passes(catches) for catches in samples]
    caught = sum(passes.total for passes in every)
    late = sum(passes.late for passes in every)
    by_passes = Counter[int]()
    for passes in every:
        by_passes[passes.k] += passes.total
    if 2 * late >= sum((k - 1) * total for k, total in by_passes.items()):
        raise ThinDataError("the catches of all placements together do not fall")

    def of_passes(p: float) -> float:
        return (
            caught * log(p)
            + late * log1p(-p)
            - sum(total * log(-expm1(k * log1p(-p))) for k, total in by_passes.items())
        )

    p_hat = _highest(of_passes, 1e-6, 1 - 1e-9)[0]
    fits = []
    for passes in every:
        k, total = passes.k, passes.total

        def profile(log_unseen: float, passes: _Passes = passes) -> float:
            k, total, unseen = passes.k, passes.total, exp(log_unseen)

            def of_both(p: float) -> float:
                none = k * log1p(-p)
                return of_passes(p) + total * log(-expm1(none)) + unseen * none

            return _orders(total + unseen, passes) + _highest(of_both, 1e-6, 1 - 1e-9)[1]

        fewest, most = log(1e-6), log(_BEYOND_COUNTING * total)
        at, top = _highest(profile, fewest, most)

        def beyond(log_unseen: float, top: float = top) -> float:
            return top - profile(log_unseen) - CHI95 / 2

        low = 0.0 if beyond(fewest) <= 0 else exp(scipy.optimize.brentq(beyond, fewest, at))
        high = exp(scipy.optimize.brentq(beyond, at, most)) if beyond(most) > 0 else float("inf")
        fits.append(
            RemovalEstimate(
                n_hat=total / -expm1(k * log1p(-p_hat)),
                n_se=float("nan"),
                p_hat=p_hat,
                n_low=total + low,
                n_high=total + high,
            )
        )
    return fits


def equal_chance_test(samples: Sequence[Sequence[int]]) -> float:
    """p-value of one chance of capture at all placements against one at each.

    Likelihood-ratio test given the catch of each placement (as of `joint`), chi-square with a
    degree of freedom less than there are placements, two or more.

    Examples
    --------
    >>> equal_chance_test([[80, 16, 4], [40, 32, 26]]) < 0.001
    True
    >>> equal_chance_test([[40, 20, 10], [20, 10, 5]]) > 0.99
    True
    """
    every = [_passes(catches) for catches in samples]

    def best(own: Sequence[_Passes]) -> float:
        late = sum(one.late for one in own)

        def likely(q: float) -> float:
            whole = sum(one.total * log((1 - q**one.k) / (1 - q)) for one in own)
            return late * log(q) - whole

        return _highest(likely, 1e-9, 1 - 1e-6)[1] if late else 0.0

    ratio = 2 * (sum(best([one]) for one in every) - best(every))
    return float(scipy.special.chdtrc(len(every) - 1, max(ratio, 0.0)))


_ESTIMATORS: Final = {"two_pass": two_pass, "likelihood": likelihood, "weighted": weighted}


def estimate_removal(catches: Sequence[int], estimator: Estimator) -> RemovalEstimate:
    """Apply the named estimator of one placement to the catches of successive passes."""
    return _ESTIMATORS[estimator](catches)


def catches_fall(catches: Sequence[int]) -> bool:
    """Whether later passes caught less: Σ (i-1) ci / T < (k-1)/2."""
    passes = _passes(catches)
    return 2 * passes.late < (passes.k - 1) * passes.total
