"""The interval of a catch rate against the likelihood written out, and as simulated."""

import numpy as np
import pytest
import scipy

from layers.estimates.catch_rate import rates
from layers.estimates.rate_interval import rate_interval, upper_limit_of_none

# Ten lifts and ten fyke nets with unequal effort: clumped, even, and one fish alone.
CATCHES = [[0, 7, 0, 0, 1, 12, 0, 3, 0, 0], [2, 3, 1, 2, 4, 2, 3, 1, 2, 2], [0, 0, 0, 1] + [0] * 6]
EFFORTS = [[1.0] * 10, [1, 2, 1, 3, 1, 4, 2, 2, 1, 1]]


def interval(counts, effort):
    """Limits of one rate, between two others in the same call."""
    fish, effort = np.tile(np.asarray(counts, float), 3), np.tile(np.asarray(effort, float), 3)
    fish[: len(counts)] += 1
    of_rate, some = np.repeat(np.arange(3), len(counts)), np.flatnonzero(fish)
    low, high = rate_interval(
        fish[some], effort[some], of_rate[some], np.full(3, len(counts)),
        *(np.full(3, (effort[: len(counts)] ** power).sum()) for power in (1, 2)),
    )  # fmt: skip
    assert (low[1], high[1]) == (low[2], high[2])
    return float(low[1]), float(high[1])


@pytest.mark.parametrize("counts", CATCHES)
@pytest.mark.parametrize("effort", EFFORTS)
def test_interval_is_that_of_the_likelihood_written_out(counts, effort):
    """scipy.stats.nbinom placement by placement, κ and the limits searched by SciPy."""
    y, e = np.array(counts), np.array(effort, dtype=float)

    def poor(log_k, rate):
        size = np.exp(log_k) / e.mean()
        fit = scipy.stats.nbinom.logpmf(y, size * e, size / (size + rate)).sum()
        return (log_k - np.log(0.25)) ** 2 / 2 - fit

    def profile(rate):
        grid = np.linspace(-3.9, 4.6, 40)
        best = grid[np.argmin([poor(k, rate) for k in grid])]
        return -scipy.optimize.minimize_scalar(
            poor, args=(rate,), bounds=(best - 0.3, best + 0.3), method="bounded"
        ).fun

    ratio = y.sum() / e.sum()
    top = profile(ratio)
    assert top >= max(profile(ratio * f) for f in (0.9, 0.97, 1.03, 1.1))
    # The clumped part of the variance m + m²/k, by the best k, is greater as of Kish (1965).
    log_k = min(np.linspace(-3.9, 4.6, 2000), key=lambda k: poor(k, ratio))
    clumped = y.mean() / np.exp(log_k)
    limit = 3.8414588 * (1 + clumped * len(y) * (e**2).sum() / e.sum() ** 2) / (1 + clumped)
    expected = [
        scipy.optimize.brentq(lambda rate: 2 * (top - profile(rate)) - limit, *ends)
        for ends in ((ratio / 1000, ratio), (ratio, ratio * 1000))
    ]
    assert interval(counts, effort) == pytest.approx(expected, rel=0.01)


def test_even_counts_come_near_the_exact_interval_of_chance_alone():
    """Garwood (1936): 50 fish in 50 lifts, 37.11 to 65.92 (from memory); ours is no narrower."""
    low, high = interval([5] * 10, [5.0] * 10)
    assert 0.6 < low < 0.7422
    assert 1.3184 < high < 1.6


def test_rate_goes_with_the_unit_of_effort():
    low, high = interval(CATCHES[0], EFFORTS[1])
    per_hour = interval(CATCHES[0], np.array(EFFORTS[1]) * 24)
    assert np.array(per_hour) * 24 == pytest.approx([low, high])


@pytest.mark.parametrize("n", [5, 10, 30])
def test_upper_limit_of_none_is_exact(n):
    """SciPy's negative binomial of size 0.2: at the limit, no fish at all has a chance of 2.5 %."""
    number, effort = np.array([float(n)]), np.array([7.0])
    limit = upper_limit_of_none(number, effort, effort**2 / n, size=0.2)[0]
    mean = 7.0 / n * limit
    assert scipy.stats.nbinom.pmf(0, 0.2, 0.2 / (0.2 + mean)) ** n == pytest.approx(0.025)


def test_upper_limit_of_none_spread_at_random_is_that_of_garwood():
    """Garwood (1936) prints 3.689 for a count of 0 (from memory)."""
    limit = upper_limit_of_none(np.array([9.0]), np.ones(1), np.ones(1) / 9, size=1e9)[0]
    assert limit == pytest.approx(3.689, abs=5e-4)


@pytest.mark.parametrize("spread", [0.2, 0.7, 1.2])
def test_unequal_effort_leaves_the_upper_limit_of_none_no_lower_than_is_true(spread):
    """Sizes alike or as the effort, 30 log-normal efforts: no fish with a chance of 2.5 % or less.

    Equal efforts of that sum would have it too often where sizes are alike.
    """
    effort = np.random.default_rng(2).lognormal(0, spread, 30)
    sums = np.array([30.0]), np.array([effort.sum()]), np.array([(effort**2).sum()])
    limit = upper_limit_of_none(*sums, size=0.2)[0]

    def none_at(rate, sizes):
        return scipy.stats.nbinom.pmf(0, sizes, sizes / (sizes + rate * effort)).prod()

    assert none_at(limit, np.full(30, 0.2)) <= 0.025
    assert none_at(limit, 0.2 * effort / effort.mean()) <= 0.025
    as_equal = upper_limit_of_none(sums[0], sums[1], sums[1] ** 2 / 30, size=0.2)[0]
    assert none_at(as_equal, np.full(30, 0.2)) > 0.025


@pytest.mark.parametrize("n", [5, 6, 8, 10, 14, 30])
def test_one_fish_leaves_no_less_room_than_none(n):
    """The upper limit rises with the catch: of five placements it was 7.8 after none, then 6.6."""
    limits = []
    for fish in range(6):
        found = rates(
            np.full(min(fish, 1), float(fish)), np.ones(min(fish, 1)), np.zeros(min(fish, 1), int),
            np.array([n]), np.array([float(n)]), np.array([float(n)]), lowest=np.array([False]),
        )  # fmt: skip
        limits.append(found.high[0])
    assert np.isfinite(limits).all()
    assert (np.diff(limits) >= 0).all()


def test_few_placements_set_no_upper_limit_of_none():
    four, effort = np.array([4.0, 30.0]), np.array([4.0, 30.0])
    squares = np.array([4.0, 900 / 4.9])
    assert np.isposinf(upper_limit_of_none(four, effort, squares, size=0.2)).all()
