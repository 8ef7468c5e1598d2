"""Removal estimators against the worked examples of their papers (removal.json)."""

import json
from dataclasses import replace
from itertools import product
from math import isnan
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import gammaln

from layers.errors import ThinDataError
from layers.estimates.removal import (
    catchability_test,
    catches_fall,
    estimate_removal,
    joint,
    likelihood,
    number_if_catchability_falls,
    standard_error,
    two_pass,
    weighted,
)


def large_sample(catches):
    """Zippin (1956) for one placement: `joint` of it alone, with the errors of these figures."""
    fit = joint([catches])[0]
    return replace(fit, n_se=standard_error(fit.n_hat, fit.p_hat, len(catches)))


def printed_by_cowx(fit, passes, total):
    """Standard error by formula B, which the program does not use."""
    unseen = fit.n_hat * (fit.n_hat - total)
    spread = total**2 - unseen * (passes * fit.p_hat) ** 2 / (1 - fit.p_hat)
    return np.sqrt(unseen * total / spread)


CHECKS = json.loads(
    (Path(__file__).parents[1] / "references" / "removal.json").read_text(encoding="utf-8")
)["checks"]
ESTIMATORS = {
    "carle_strub": weighted,
    "seber_le_cren": two_pass,
    "three_pass_explicit": large_sample,
    "maximum_likelihood_continuous": likelihood,
}
WITH_ESTIMATE = [c for c in CHECKS if c["expected"].get("estimate", 0) is not None]
FIELDS = {"N": "n_hat", "p": "p_hat", "se_N": "n_se"} | {
    "ci95_low": "n_low",
    "ci95_high": "n_high",
}


@pytest.mark.parametrize("check", WITH_ESTIMATE, ids=lambda check: check["id"])
def test_estimates_agree_with_published_ones(check):
    """Carle & Strub 1978, Cowx 1983, Seber 2002, Bohlin et al. 1989, Schnute 1983."""
    catches = check["inputs"]["catches"]
    fit = ESTIMATORS[check["method"]](catches)
    for key, value in check["expected"].items():
        if key == "se_p":  # which the program does not state
            continue
        got = getattr(fit, FIELDS[key])
        if (check["id"], key) == ("cowx-five-pass", "se_N"):
            # Cowx printed formula B; ours is A, 24.853 by the note in removal.json.
            assert got == pytest.approx(24.853, abs=0.001)
            got = printed_by_cowx(fit, 5, sum(catches))
        assert got == pytest.approx(value, abs=check["tolerance"][key]), key


def test_every_published_check_is_used():
    assert len(WITH_ESTIMATE) == 18
    assert {c["method"] for c in WITH_ESTIMATE} == set(ESTIMATORS)


@pytest.mark.parametrize(
    "check", [c for c in CHECKS if c not in WITH_ESTIMATE], ids=lambda check: check["id"]
)
def test_no_estimate_where_none_exists(check):
    """Nothing caught, one pass, equal passes: a reason, not a number."""
    names = ["two_pass"] if check["method"] != "any" else ["likelihood", "weighted"]
    for name in names:
        with pytest.raises(ThinDataError):
            estimate_removal(check["inputs"]["catches"], name)


def test_rising_catches_have_no_likelihood_estimate():
    """Carle & Strub (1978) example 2: only the weighted form gives a figure for 5, 7, 8."""
    assert not catches_fall([5, 7, 8])
    with pytest.raises(ThinDataError, match="no finite estimate"):
        likelihood([5, 7, 8])
    with pytest.raises(ThinDataError, match="do not fall"):
        joint([[5, 7, 8]])


def test_four_rules_give_four_figures_for_one_sample():
    """38, 26, 12: 91 weighted, 92.15 likelihood, 94.93 large-sample (note in removal.json)."""
    catches = [38, 26, 12]
    assert weighted(catches).n_hat == 91
    assert likelihood(catches).n_hat == pytest.approx(92.15, abs=0.01)
    assert large_sample(catches).n_hat == pytest.approx(94.93, abs=0.01)


def log_likelihood(n: int, p: float, catches: list[int]) -> float:
    """Multinomial likelihood of whole N, written out pass by pass."""
    left, total = n, 0.0
    for c in catches:
        total += gammaln(left + 1) - gammaln(c + 1) - gammaln(left - c + 1)
        total += c * np.log(p) + (left - c) * np.log1p(-p)
        left -= c
    return total


def profile(n: int, catches: list[int]) -> float:
    """Greatest likelihood of N over p, searched numerically."""
    fit = minimize_scalar(
        lambda p: -log_likelihood(n, p, catches), bounds=(1e-9, 1 - 1e-9), method="bounded",
        options={"xatol": 1e-10},
    )  # fmt: skip
    return -float(fit.fun)


@pytest.mark.parametrize(
    ("catches", "top"), [([4, 5], 24), ([4, 2, 4], 20), ([5, 7, 5], 51), ([10, 10], 60)]
)
def test_level_catches_have_an_estimate_without_an_upper_limit(catches, top):
    """The profile over whole N, written out, peaks there and falls by less than 1.92 beyond."""
    curve = {n: profile(n, catches) for n in range(sum(catches), 200)}
    assert max(curve, key=curve.get) == top
    assert curve[top] - profile(100_000, catches) < 1.92
    fit = likelihood(catches)
    assert abs(fit.n_hat - top) < 1
    assert fit.n_high == float("inf")
    assert not catches_fall(catches)


def test_an_estimate_is_refused_only_where_the_likelihood_never_turns():
    """Every small sample of two and three passes: its profile rises to the end, or it peaks."""
    refused = peaked = 0
    for catches in [*product(range(7), repeat=2), *product(range(4), repeat=3)]:
        total = sum(catches)
        if total == 0:
            continue
        numbers = np.unique(np.geomspace(max(total, 1), 3_000, 60).astype(int))
        curve = [profile(int(n), list(catches)) for n in numbers]
        rises = np.diff(curve).min() > 0
        try:
            likelihood(catches)
        except ThinDataError:
            assert rises, catches
            refused += 1
        else:
            assert not rises, catches
            peaked += 1
    assert min(refused, peaked) > 20


def test_likelihood_estimate_is_the_top_of_the_likelihood():
    catches = [45, 11, 18, 8]
    grid = {
        (n, p): log_likelihood(n, p, catches)
        for n in range(82, 130)
        for p in np.arange(0.3, 0.6, 0.002)
    }
    best_n, best_p = max(grid, key=grid.get)
    fit = likelihood(catches)
    assert abs(fit.n_hat - best_n) <= 1
    assert fit.p_hat == pytest.approx(best_p, abs=0.005)


def test_intervals_never_go_below_the_catch_and_only_the_likelihood_has_one():
    random = np.random.default_rng(5)
    for _ in range(200):
        catches = random.integers(0, 30, random.integers(2, 6)).tolist()
        for name in ("two_pass", "likelihood", "weighted"):
            try:
                fit = estimate_removal(catches, name)
            except ThinDataError:
                continue
            assert 0 < fit.p_hat <= 1
            if name == "likelihood":
                assert sum(catches) <= fit.n_low <= fit.n_hat <= fit.n_high
            else:
                assert isnan(fit.n_low)
                assert isnan(fit.n_high)


# Likelihood ratio of a first pass that differs to equal catchability: J. T. Schnute, A new
# approach to estimating populations by the removal method, Can. J. Fish. Aquat. Sci. 40 (1983)
# 2153-2169, tables 1-3, brook trout; from memory of a tabulation, the article was not opened.
# The last two are p-values printed for worked examples of the same test, seen second hand.
SCHNUTE_RATIOS = [
    ([45, 11, 18, 8], 4.74),
    ([52, 31, 10, 12], 0.02),
    ([48, 10, 6, 6], 4.98),
    ([88, 22, 11, 2], 0.20),
    ([50, 10, 8, 6], 5.50),
    ([44, 12, 1, 0], 2.08),
    ([53, 22, 14, 4], 0.00),
    ([24, 13, 5, 3], 0.42),
    ([37, 4, 2, 3], 5.06),
    ([63, 9, 12, 4], 7.00),
]


@pytest.mark.parametrize(("catches", "chi_square"), SCHNUTE_RATIOS)
def test_equal_catchability_is_tested_as_schnute_did(catches, chi_square):
    assert catchability_test(catches)[0] == pytest.approx(chi_square, abs=0.025)


@pytest.mark.parametrize(
    ("catches", "p_value"), [([77, 50, 37], 0.8882765), ([45, 11, 18, 8], 0.02955309)]
)
def test_p_value_of_equal_catchability(catches, p_value):
    assert catchability_test(catches)[1] == pytest.approx(p_value, abs=0.001)


def test_two_passes_cannot_test_equal_catchability():
    assert isnan(catchability_test([79, 28])[1])


@pytest.mark.parametrize("k", [2, 3, 4])
@pytest.mark.parametrize("p", [0.4, 0.6])
def test_number_if_catchability_falls_is_the_true_one_where_it_does(k, p):
    """Expected catches of 1 million fish, p falling by a third from first to last pass."""
    fish, left, catches = 1_000_000, 1_000_000.0, []
    for i in range(k):
        catches.append(round(left * p * (2 / 3) ** (i / (k - 1))))
        left -= catches[-1]
    small = [round(c / 10_000) for c in catches]  # a hundred fish: the fall cannot be ruled out
    assert number_if_catchability_falls(small) == pytest.approx(100, rel=0.08)
    assert likelihood(catches).n_hat < 0.97 * fish
    if k == 2:  # two passes fit any two chances
        assert number_if_catchability_falls(catches) == pytest.approx(fish, rel=1e-4)


def test_a_fall_that_the_catches_rule_out_gives_no_number():
    """10,000 fish, p = 0.5 in each of three passes."""
    assert isnan(number_if_catchability_falls([5000, 2500, 1250]))


def test_weak_falls_have_no_upper_limit():
    fit = likelihood([20, 19, 19])
    assert fit.n_high == float("inf")
    assert fit.n_low > 58


def test_everything_in_the_first_pass():
    for estimator in (likelihood, weighted):
        fit = estimator([12, 0, 0])
        assert (fit.n_hat, fit.p_hat, fit.n_se) == (12, 1, 0)


def test_joint_estimate_of_five_sites():
    """Poisson-multinomial model of these and two empty sites: logit p = -0.2328092.

    A general program's published test of that model, seen second hand; N by hand from that p.
    """
    fits = joint([[5, 3, 2], [3, 3, 1], [2, 0, 0]])
    assert {fit.p_hat for fit in fits} == {fits[0].p_hat}
    assert fits[0].p_hat == pytest.approx(1 / (1 + np.exp(0.2328092)), abs=1e-4)
    assert [fit.n_hat for fit in fits] == pytest.approx([12.1022, 8.4715, 2.4204], abs=1e-3)


def test_joint_estimate_is_surer_than_one_placement_and_takes_unequal_passes():
    alone = likelihood([20, 12, 8])
    among = joint([[20, 12, 8], [60, 30], [40, 20, 10, 5]])[0]
    assert among.p_hat == pytest.approx(0.5, abs=0.03)
    assert alone.n_low <= among.n_low < among.n_hat < among.n_high < alone.n_high
    # One placement many times over leaves no doubt of p, only of how many escaped three passes.
    sure = joint([[20, 10, 5]] + [[2000, 1000, 500]] * 50)[0]
    curve = {n: log_likelihood(n, 0.5, [20, 10, 5]) for n in range(35, 80)}
    inside = [n for n in curve if max(curve.values()) - curve[n] < 3.8415 / 2]
    assert abs(sure.n_low - min(inside)) < 1
    assert abs(sure.n_high - max(inside)) < 1


def test_joint_estimate_needs_a_fall():
    with pytest.raises(ThinDataError, match="together do not fall"):
        joint([[5, 9], [4, 1]])
