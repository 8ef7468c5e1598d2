"""Occupancy against the salamander and weta examples, brute force, and by simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import approx_fprime, minimize_scalar
from scipy.special import expit, logit, stdtrit

from layers.errors import ThinDataError
from layers.estimates.histories import histories, order_by_effort
from layers.estimates.occupancy import (
    anywhere,
    at_least_one,
    doubts,
    fit_occupancy,
    presence,
    refuse_thin,
    visits_until,
)

CHECKS = {
    check["id"]: check
    for check in json.loads(
        (Path(__file__).parents[1] / "references" / "occupancy_richness.json").read_text(
            encoding="utf-8"
        )
    )["checks"]
}


def of_counts(found, tried):
    """Histories of units x methods: visits with a find, and all, of like effort."""
    found, tried = np.array(found, dtype=int), np.array(tried, dtype=int)
    unit, kind = (np.repeat(part.ravel(), tried.ravel()) for part in np.indices(found.shape))
    order = np.concatenate([np.arange(n) for n in tried.ravel()] or [[]])
    hit = order < np.repeat(found.ravel(), tried.ravel())
    return histories(unit, kind, np.ones(unit.size), hit, detection_design=np.eye(found.shape[1]))


def counts(check: dict) -> tuple[np.ndarray, np.ndarray]:
    """Finds and visits per site, from detection histories or from counts of sites."""
    inputs = check["inputs"]
    if "histories" in inputs:
        rows = [
            (history.count("1"), len(history), sites)
            for history, sites in inputs["histories"].items()
        ]
    else:
        rows = inputs["detections_visits_sites"]
    found, tried, sites = np.array(rows, dtype=int).T
    return np.repeat(found, sites)[:, None], np.repeat(tried, sites)[:, None]


@pytest.mark.parametrize("name", ["occupancy-salamander", "occupancy-weta"])
def test_published_occupancy_examples(name):
    """MacKenzie et al. (2006), Occupancy Estimation and Modeling, pp. 99 and 116."""
    check = CHECKS[name]
    found, tried = counts(check)
    fit = fit_occupancy(of_counts(found, tried))
    expected, by = check["expected"], check["tolerance"]
    assert (found.sum(axis=1) > 0).mean() == pytest.approx(expected["naive"], abs=5e-5)
    assert not fit.penalised
    assert 4 - 2 * fit.log_likelihood == pytest.approx(expected["aic"], abs=by["aic"])
    for own, letter in ((fit.occupancy, "psi"), (fit.detection[0], "p")):
        assert own.value == pytest.approx(expected[letter], abs=by[letter])
        if f"se_{letter}" in expected:
            assert own.se == pytest.approx(expected[f"se_{letter}"], abs=by[f"se_{letter}"])
        # The published intervals are Wald's on the logit scale, and so test the standard error.
        half = 1.959964 * own.se / (own.value * (1 - own.value))
        wald = expit(logit(own.value) + np.array([-half, half]))
        assert wald == pytest.approx(expected[f"{letter}_ci95"], abs=by[f"{letter}_ci95"])


def profile(found, tried, psi: float) -> float:
    """Log-likelihood of ψ with the best p, written out by the formula of MacKenzie et al."""

    def minus(p):
        here = psi * p**found * (1 - p) ** (tried - found)
        return -np.log(here + (1 - psi) * (found == 0)).sum()

    return -minimize_scalar(minus, bounds=(1e-6, 1 - 1e-6), method="bounded",
                            options={"xatol": 1e-10}).fun  # fmt: skip


@pytest.mark.parametrize("name", ["occupancy-salamander", "occupancy-weta"])
def test_ends_of_the_interval_lie_on_the_profile(name):
    """At both ends the profile is t²/2 below its maximum, t with units - 2 degrees of freedom."""
    found, tried = counts(CHECKS[name])
    fit = fit_occupancy(of_counts(found, tried))
    top = profile(found, tried, fit.occupancy.value)
    for end in (fit.occupancy.low, fit.occupancy.high):
        limit = stdtrit(len(found) - 2, 0.975) ** 2 / 2
        assert top - profile(found, tried, end) == pytest.approx(limit, abs=2e-3)


def test_interval_of_chance_missed_against_a_search_over_all_chances():
    """Every ψ and p on a fine grid whose likelihood is less than t²/2 below the maximum."""
    found, tried = counts(CHECKS["occupancy-salamander"])
    fit = fit_occupancy(of_counts(found, tried))
    psi, p = np.meshgrid(np.linspace(0.2, 0.9999, 900), np.linspace(0.05, 0.6, 900))
    value = np.zeros_like(psi)
    for y, n in zip(found[:, 0], tried[:, 0], strict=True):
        value += np.log(psi * p**y * (1 - p) ** (n - y) + (1 - psi) * (y == 0))
    near = value >= value.max() - stdtrit(len(found) - 2, 0.975) ** 2 / 2
    missed = (psi * (1 - p) ** 5 / (1 - psi + psi * (1 - p) ** 5))[near]
    own = fit.chance_missed
    assert (own.low, own.high) == pytest.approx((missed.min(), missed.max()), abs=5e-3)


def simulated(units: int, psi: float, p: list[float], seed: int) -> tuple:
    random = np.random.default_rng(seed)
    there = random.random(units) < psi
    tried = random.integers(0, 5, (units, len(p)))
    return random.binomial(tried, np.array(p) * there[:, None]), tried


def test_two_methods_are_told_apart():
    """1,500 simulated units, ψ 0.4, p 0.6 and 0.15: every truth within 3 standard errors."""
    fit = fit_occupancy(of_counts(*simulated(1500, 0.4, [0.6, 0.15], 11)))
    for own, truth in zip((fit.occupancy, *fit.detection), (0.4, 0.6, 0.15), strict=True):
        assert abs(own.value - truth) < 3 * own.se
        assert own.low < truth < own.high
        assert own.se < 0.05


def test_derivatives_equal_numerical_ones():
    """SciPy's finite differences, with covariates, unequal efforts and two methods."""
    random = np.random.default_rng(4)
    unit, kind = random.integers(0, 40, 150), random.integers(0, 6, 150)
    there = random.random(40) < 0.5
    found = (random.random(150) < 0.4) & there[unit]
    w = np.column_stack([np.repeat(np.eye(2), 3, axis=0), random.normal(size=6)])
    x = np.column_stack([np.ones(40), random.integers(0, 3, 40)])
    seen = histories(
        unit, kind, random.lognormal(size=150), found, detection_design=w, occupancy_design=x
    )
    theta = np.array([-0.2, 0.3, -1.0, -0.5, 0.4])
    at = seen.log_likelihood(theta, curve=True)
    numeric = approx_fprime(theta, lambda t: seen.log_likelihood(t).value, 1e-6)
    np.testing.assert_allclose(at.gradient, numeric, rtol=1e-4, atol=1e-4)
    bent = approx_fprime(theta, lambda t: seen.log_likelihood(t).gradient, 1e-6)
    np.testing.assert_allclose(at.curve, bent, rtol=1e-4, atol=1e-3)
    for figure in (seen.mean_presence, seen.mean_occupancy):
        slope = approx_fprime(theta, lambda t, figure=figure: figure(t)[0], 1e-7)
        np.testing.assert_allclose(figure(theta)[1], slope, rtol=1e-4, atol=1e-6)


def test_likelihood_is_that_of_each_visit_by_itself():
    """MacKenzie et al. (2002), equation of one unit, visit by visit, with p = 1 - exp(-r e)."""
    random = np.random.default_rng(5)
    unit, kind, effort = random.integers(0, 9, 40), random.integers(0, 2, 40), random.random(40)
    found = (random.random(40) < 0.5) & (unit > 3)
    psi, rate = 0.37, np.array([0.8, 2.5])
    p = 1 - np.exp(-rate[kind] * effort)
    each = np.where(found, p, 1 - p)
    total = sum(
        np.log(psi * each[unit == u].prod() + (1 - psi) * (not found[unit == u].any()))
        for u in np.unique(unit)
    )
    theta = np.append(logit(psi), np.log(rate))
    assert histories(unit, kind, effort, found).log_likelihood(theta).value == pytest.approx(total)


def test_effort_of_two_traps_is_two_tries():
    """Each visit of effort 2 put in place of two without a find changes nothing."""
    unit = np.repeat(np.arange(30), 4)
    found = np.zeros(120, dtype=bool)
    found[[0, 4, 9, 12, 16, 17, 21]] = True
    single = histories(unit, np.zeros(120, dtype=int), np.ones(120), found)
    last = np.arange(120) % 4 == 3  # never a find; the third try neither
    both = histories(
        unit[~last], np.zeros(90, dtype=int), np.where(np.arange(120) % 4 == 2, 2.0, 1.0)[~last],
        found[~last],
    )  # fmt: skip
    first, second = fit_occupancy(single), fit_occupancy(both)
    assert first.occupancy.value == pytest.approx(second.occupancy.value, abs=1e-6)
    assert first.detection[0].value == pytest.approx(second.detection[0].value, abs=1e-6)


THIN = [
    ([[0, 0]], [[0, 0]], "nobody looked"),
    ([[0]] * 20, [[3]] * 20, "never found"),
    ([[1]] * 10 + [[0]] * 10, [[1]] * 20, "no repeats"),
    ([[1]] * 4 + [[0]] * 5, [[3]] * 9, "units are too few"),
    ([[1]] * 2 + [[0]] * 18, [[3]] * 20, "found on 2 visits; needs 3"),
]


@pytest.mark.parametrize(("found", "tried", "reason"), THIN, ids=[t[2] for t in THIN])
def test_thin_records_are_refused_with_the_reason(found, tried, reason):
    with pytest.raises(ThinDataError, match=reason):
        refuse_thin(of_counts(found, tried))


BOUNDARY = {
    "found everywhere": ([[2]] * 20, [[3]] * 20),
    "found on each visit": ([[3]] * 8 + [[0]] * 12, [[3]] * 20),
    "once in each of many": ([[1]] * 9 + [[0]] * 11, [[2]] * 20),
    "one method never": ([[1, 0]] * 5 + [[2, 0]] * 3 + [[0, 0]] * 12, [[3, 1]] * 20),
    "a rare method always": ([[1, 0]] * 8 + [[0, 1]] + [[0, 0]] * 11, [[3, 0]] * 8 + [[3, 1]] * 12),
}


@pytest.mark.parametrize("name", BOUNDARY)
def test_estimates_do_not_break_at_a_boundary(name):
    """Moreno and Lele (2010): penalised estimates lie within, and their intervals around them."""
    fit = fit_occupancy(of_counts(*BOUNDARY[name]))
    assert fit.penalised
    for own in (fit.occupancy, *fit.detection, fit.chance_missed):
        if own is not None:
            assert 0 <= own.low <= own.value <= own.high <= 1
            assert 0 < own.value < 1
            assert own.low < own.high


def test_occupancy_goes_up_to_one_where_rare_and_hard_to_find_look_alike():
    fit = fit_occupancy(of_counts(*BOUNDARY["once in each of many"]))
    assert fit.occupancy.high == 1
    assert fit.occupancy.low > 0.2


@pytest.mark.parametrize(
    ("found", "tried", "words"),
    [
        # Found in half of 20 units on three visits of four: again twice in each.
        ([[3]] * 10 + [[0]] * 10, [[4]] * 20, []),
        ([[2]] * 5 + [[1]] * 5 + [[0]] * 30, [[2]] * 40, ["15 of 80 visits", "up to 0.43"]),
        # As seldom missed, or less often, by fewer than fifty visits.
        ([[2]] * 4 + [[1]] * 3 + [[0]] * 13, [[2]] * 20, ["11 of 40 visits"]),
        # Found on thirty visits: a chance of one half is seen through.
        ([[2]] * 9 + [[1]] * 12 + [[0]] * 39, [[3]] * 60, []),
        ([[2]] * 9 + [[1]] * 11 + [[0]] * 40, [[3]] * 60, ["29 of 180 visits"]),
        ([[2]] * 6 + [[1]] * 4 + [[0]] * 30, [[2]] * 40, []),
        # Two visits of two each: the lower limit of p, 0.69 for ten of ten, misses one in ten.
        ([[2]] * 5 + [[0]] * 35, [[2]] * 40, []),
        ([[2]] * 6 + [[1]] * 14 + [[0]] * 40, [[2]] * 60, ["wider than 0.55"]),
    ],
)
def test_what_makes_an_estimate_doubtful(found, tried, words):
    seen = of_counts(found, tried)
    said = " ".join(doubts(seen, fit_occupancy(seen)))
    assert all(word in said for word in words), said
    assert ("not the estimate" in said) == bool(words), said


def test_penalised_estimate_is_the_summit_of_the_penalised_likelihood():
    """Search over ψ and p of the log-likelihood plus a quarter of log ψ(1-ψ), and log p(1-p)."""
    found, tried = (np.array(part)[:, 0] for part in BOUNDARY["found on each visit"])
    psi, p = np.meshgrid(np.linspace(0.3, 0.5, 401), np.linspace(0.9, 0.9999, 800))
    value = 0.25 * (np.log(psi) + np.log1p(-psi)) + np.log(p) + np.log1p(-p)
    for y, n in zip(found, tried, strict=True):
        value += np.log(psi * p**y * (1 - p) ** (n - y) + (1 - psi) * (y == 0))
    best = np.unravel_index(value.argmax(), value.shape)
    fit = fit_occupancy(of_counts(found[:, None], tried[:, None]))
    assert fit.occupancy.value == pytest.approx(psi[best], abs=1e-3)
    assert fit.detection[0].value == pytest.approx(p[best], abs=1e-3)


@pytest.mark.parametrize("seed", range(8))
def test_one_more_visit_never_turns_an_answer_into_a_refusal(seed):
    """Random surveys grown visit by visit: once there is an estimate, it stays."""
    random = np.random.default_rng(seed)
    there = random.random(14) < 0.5
    unit, kind = random.integers(0, 14, 60), random.integers(0, 3, 60)
    found = (random.random(60) < np.array([0.3, 0.6, 1.0])[kind]) & there[unit]
    answered = False
    for n in range(10, 61):
        w = np.eye(3)
        seen = histories(unit[:n], kind[:n], np.ones(n), found[:n], detection_design=w)
        try:
            refuse_thin(seen)
        except ThinDataError:
            assert not answered
            continue
        answered = True
        if n % 7 == 0:
            assert np.isfinite(fit_occupancy(seen).occupancy.value)
    assert answered


def test_ten_units_with_three_finds_are_enough():
    """The guide's least record: common practice, no source."""
    seen = of_counts([[1]] * 2 + [[2]] + [[0]] * 7, [[3]] * 10)
    refuse_thin(seen)
    assert 0.3 < fit_occupancy(seen).occupancy.value < 1


def test_visits_until_presence_is_unlikely():
    """Bayes' rule solved by hand: ψ 0.5 and p 0.3 need 9 nil visits (0.7^9 odds)."""
    rate = -np.log(0.7)
    k = visits_until(np.array([0.5]), rate, chance=0.05)
    odds = [0.7**n for n in (k - 1, k)]
    assert odds[0] / (1 + odds[0]) > 0.05 >= odds[1] / (1 + odds[1])
    # At exactly the border one more would be wrong: ψ 0.5, p 0.9, two visits leave 1/101.
    border = visits_until(np.array([0.5]), -np.log(0.1), chance=1 / 101)
    assert border == 2
    assert visits_until(np.array([1e-9]), rate, chance=0.05) == 0
    assert visits_until(np.array([0.5]), 1e-7, chance=0.05) is None
    # Odds of 1 come down to 1/19 after ln 19 / rate visits; 10,000 are the most that are said.
    for needed, said in ((9_999.5, 10_000), (10_000.5, None)):
        assert visits_until(np.array([0.5]), np.log(19) / needed, chance=0.05) == said


def test_chance_that_any_unit_holds_it():
    """Two units, ψ 0.5, all visits miss with chance 0.5: each 1/3 by Bayes, either 5/9."""
    theta = np.array([0.0, np.log(np.log(2))])
    here = presence(theta, np.ones((2, 1)), np.eye(1), np.ones((2, 1)))
    assert here == pytest.approx([1 / 3, 1 / 3])
    assert at_least_one(here, np.array([0])) == pytest.approx([5 / 9])


def test_chance_anywhere_keeps_the_interval_of_the_estimates():
    """Of one unit it is the chance missed of that unit, with nearly the same interval."""
    found, tried = counts(CHECKS["occupancy-salamander"])
    fit = fit_occupancy(of_counts(found, tried))
    units = np.ones((4, 1)), np.eye(1), np.full((4, 1), 5.0)
    ends = anywhere(fit, *units, first=np.array([0, 1]))  # of one unit, and of three
    own = np.array([getattr(fit.chance_missed, end) for end in ("value", "low", "high")])
    assert ends[:, 0] == pytest.approx(own)
    assert ends[:, 1] == pytest.approx(1 - (1 - own) ** 3)


def test_a_species_found_at_every_visit_of_one_unit_alone_has_intervals():
    """Of twenty units, five visits each, by two gears: a step to an end of theirs had no length."""
    second = [2, 3, 1, 3, 3, 2, 2, 5, 3, 0, 3, 2, 1, 2, 1, 3, 4, 4, 3, 3]  # of five, by unit
    unit = np.repeat(np.arange(20), 5)
    kind = np.concatenate([np.arange(5) < n for n in second]).astype(np.int64)
    fit = fit_occupancy(histories(unit, kind, np.ones(100), unit == 1))
    for own in (fit.occupancy, *fit.detection, fit.chance_missed):
        assert 0 <= own.low <= own.value <= own.high <= 1
    assert fit.occupancy.low < 1 / 20 < fit.occupancy.high < 0.5


@pytest.mark.parametrize("seed", range(5))
def test_units_ordered_by_effort_beforehand_give_the_same_histories(seed):
    """What all species that are looked for alike share is what each would find for itself."""
    rng = np.random.default_rng(seed)
    unit, kind = rng.integers(0, 40, 120), rng.integers(0, 4, 120)
    effort = rng.choice([0.5, 1.0, 2.0], 120)
    order = order_by_effort(unit, kind, effort)
    for share in (0.0, 0.1, 0.6):
        found = rng.random(120) < share
        own, given = (histories(unit, kind, effort, found, order=each) for each in (None, order))
        counted = np.unique(
            np.column_stack([own.empty_rows, own.empty_effort]), axis=0, return_counts=True
        )[1]
        assert (counted == 1).all()
        assert own.empty_count.sum() == own.units - own.units_found
        for name in ("empty_rows", "empty_effort", "empty_count", "hit_effort", "hit_count"):
            np.testing.assert_array_equal(getattr(own, name), getattr(given, name))
