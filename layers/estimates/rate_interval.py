"""Interval of a catch rate: few counts, clumped more than chance, over unequal effort."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

from layers.estimates.profile_likelihood import CHI95

if TYPE_CHECKING:
    from layers.arrays import Floats, Ints

__all__ = ["MOST_CLUMPED", "rate_interval", "upper_limit_of_none"]

# Size of the negative binomial at mean effort: the smaller, the more clumped the fish.
_SIZES: Final = np.geomspace(0.02, 100.0, 60)
_USUAL_SIZE: Final = 0.25
MOST_CLUMPED: Final = 0.2  # that intervals were tried with: a variance of m + 5m²
_FEWEST_OF_NONE: Final = 5
_FARTHEST: Final = 60.0  # on the log scale, beyond any rate
_AT_ONCE: Final = 4_000  # rates and catches whose numbers by size lie in memory together


def rate_interval(
    fish: Floats,
    effort: Floats,
    of_rate: Ints,
    placements: Ints,
    all_effort: Floats,
    squares: Floats,
) -> tuple[Floats, Floats]:
    """95 % intervals of ratios of sums, by penalised profile likelihood.

    Parameters
    ----------
    fish, effort, of_rate
        Of each placement that caught any, (k,): how many, with what effort, and the number of
        the rate that it belongs to, 0 to m - 1. Each rate has at least one.
    placements, all_effort, squares
        Of each rate, (m,): how many placements looked, their effort, above 0, and the sum of its
        squares.

    Returns
    -------
    ndarray, ndarray
        Lower and upper limit of each rate, fish per unit effort; the upper one is infinite
        where the counts set none.

    Notes
    -----
    Counts are negative binomial with mean μe and size κe, e the effort: clumping as of e
    independent units, under which the ratio of sums is the maximum-likelihood μ. The interval
    holds every μ whose likelihood ratio, κ at its best for that μ, is not rejected at 5 %
    (profile likelihood: Venzon & Moolgavkar 1988, Appl. Stat. 37:87-94; negative binomial for
    counts of animals: White & Bennetts 1996, Ecology 77:2549-2557; both from memory).

    Three placements say next to nothing of κ, and its best value then makes the interval far
    too wide or too narrow. So the log-likelihood is penalised by (log(k/0.25))²/2, k = κ times
    the mean effort: a log-normal prior on k with median 0.25 and a standard deviation of one
    log unit. Chosen among 21 by simulation of 3 to 30 counts: with a median of 0.35, 89 % of
    intervals of six counts of variance m + 5m² held the mean, here 92 %. A standard deviation of
    two held it as often, but five fish in one of ten placements then had an upper limit 1,400
    times the rate (here 35); so had three placements with Student's t in place of chi-square.

    Where clumping does not depend on effort, unequal effort tells less: the part of the variance
    that is clumping is greater by n Σe²/(Σe)², as that of a mean with these weights is (Kish 1965,
    Survey Sampling, section 11.2C, from memory), and the limit is multiplied by what the whole
    variance is greater by, κ at its best. Without it 89 % of intervals of ten
    such counts held the mean where log effort has a standard deviation of 0.7.
    """
    mean = all_effort / placements
    unequal = squares / placements / mean**2
    order = np.argsort(of_rate, kind="stable")
    fish, of_rate = fish[order], of_rate[order]
    share = effort[order] / mean[of_rate]
    first = np.searchsorted(of_rate, np.arange(placements.size + 1))
    piece = (first[1:] + np.arange(placements.size)) // _AT_ONCE
    ends = np.flatnonzero(np.diff(piece, append=-1)) + 1
    low, high = np.empty(placements.size), np.empty(placements.size)
    for begin, end in zip([0, *ends.tolist()], ends.tolist(), strict=False):
        own, rates = slice(first[begin], first[end]), slice(begin, end)
        low[rates], high[rates] = _limits(
            fish[own], share[own], of_rate[own] - begin, placements[rates], unequal[rates]
        )
    return low / mean, high / mean


def _limits(
    fish: Floats, share: Floats, of_rate: Ints, placements: Ints, unequal: Floats
) -> tuple[Floats, Floats]:
    """Limits per mean effort; `share` is effort over it."""
    from scipy.optimize import elementwise

    every = np.arange(placements.size)
    total = np.bincount(of_rate, fish, placements.size)
    # Many placements have the same catch with the same share of the effort.
    pairs, which = np.unique(np.column_stack([fish, share]), axis=0, return_inverse=True)
    scaled = pairs[:, 1:] * _SIZES
    clumped = scipy.special.gammaln(pairs[:, :1] + scaled) - scipy.special.gammaln(scaled)
    of_pair = scipy.sparse.csr_array(
        (np.ones(fish.size), (of_rate, which.ravel())), shape=(placements.size, len(pairs))
    )
    weight = _SIZES * placements[:, None]
    fixed = of_pair @ clumped + weight * np.log(_SIZES) - np.log(_SIZES / _USUAL_SIZE) ** 2 / 2
    weight += total[:, None]

    def by_size(log_rate: Floats, rate: Ints) -> Floats:
        within: Floats = np.log(np.exp(log_rate)[..., None] + _SIZES)
        within *= -weight[rate]
        within += fixed[rate]
        return within

    def profile(log_rate: Floats, rate: Ints) -> Floats:
        return np.asarray(by_size(log_rate, rate).max(-1) + total[rate] * log_rate)

    best_at = np.log(total / placements)
    best = profile(best_at, every)
    clumping = total / placements / _SIZES[by_size(best_at, every).argmax(-1)]
    limit = CHI95 * (1 + clumping * unequal) / (1 + clumping)

    def beyond(log_rate: Floats, rate: Ints) -> Floats:
        return np.asarray(2 * (best[rate] - profile(log_rate, rate)) - limit[rate])

    limits = [
        elementwise.find_root(
            beyond, (best_at, best_at + far), args=(every,), tolerances={"xatol": 1e-9}
        )
        for far in (-_FARTHEST, _FARTHEST)
    ]
    low, high = (np.where(found.success, np.exp(found.x), np.nan) for found in limits)
    return np.nan_to_num(low), np.where(np.isnan(high), np.inf, high)


def upper_limit_of_none(
    placements: Floats | Ints, all_effort: Floats, squares: Floats, *, size: float
) -> Floats:
    """Rates above which no fish at all would be caught with a chance of 2.5 % or less.

    Exact for negative-binomial counts of this `size` where efforts are equal, and too high for
    counts that are clumped less. Unequal efforts count as (Σe)²/Σe² equal ones (Kish 1965): no
    other efforts with that sum and that sum of squares let so much go unseen, if the size of
    each count is the same, and none at all do where sizes go with effort.

    Parameters as of `rate_interval`; the variance is m + m²/`size`. With a great size it is the
    upper end of the interval of Garwood (1936), Biometrika 28:437-442 (from memory), at a count of
    0, that of fish spread at random. Infinite below five equal placements, where it would be of no
    use: ten times that of fish spread at random or more, a choice of this program.
    """
    equal = np.minimum(all_effort**2 / squares, placements)
    limit = size * equal * np.expm1(-np.log(0.025) / (size * equal)) / all_effort
    return np.where(equal > _FEWEST_OF_NONE - 1e-9, limit, np.inf)
