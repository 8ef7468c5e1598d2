"""Occupancy against the salamander and weta examples, and by simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.special import logit

from layers.errors import ThinDataError
from layers.estimates.occupancy import (
    _information,
    _presence,
    chance_missed,
    fit_occupancy,
    placements_until,
)

CHECKS = {
    check["id"]: check
    for check in json.loads(
        (Path(__file__).parents[1] / "references" / "occupancy_richness.json").read_text(
            encoding="utf-8"
        )
    )["checks"]
}


def histories(check: dict) -> tuple[np.ndarray, np.ndarray]:
    """Finds and visits per site, from detection histories or from counts of sites."""
    inputs = check["inputs"]
    if "histories" in inputs:
        rows = [
            (history.count("1"), len(history), sites)
            for history, sites in inputs["histories"].items()
        ]
    else:
        rows = inputs["detections_visits_sites"]
    found, tried, sites = np.array(rows, dtype=float).T
    repeat = sites.astype(int)
    return np.repeat(found, repeat)[:, None], np.repeat(tried, repeat)[:, None]


@pytest.mark.parametrize("name", ["occupancy-salamander", "occupancy-weta"])
def test_published_occupancy_examples(name):
    """MacKenzie et al. (2006), Occupancy Estimation and Modeling, pp. 99 and 116."""
    check = CHECKS[name]
    found, tried = histories(check)
    fit = fit_occupancy(found, tried)
    expected, by = check["expected"], check["tolerance"]
    assert (found.sum(axis=1) > 0).mean() == pytest.approx(expected["naive"], abs=5e-5)
    assert fit.occupancy == pytest.approx(expected["psi"], abs=by["psi"])
    assert fit.detection[0] == pytest.approx(expected["p"], abs=by["p"])
    assert fit.occupancy_interval == pytest.approx(expected["psi_ci95"], abs=by["psi_ci95"])
    assert fit.detection_intervals[0] == pytest.approx(expected["p_ci95"], abs=by["p_ci95"])
    assert fit.aic == pytest.approx(expected["aic"], abs=by["aic"])
    if "se_psi" in expected:
        assert fit.occupancy_se == pytest.approx(expected["se_psi"], abs=by["se_psi"])
        assert fit.detection_se[0] == pytest.approx(expected["se_p"], abs=by["se_p"])


def simulated(units: int, psi: float, p: list[float], seed: int) -> tuple:
    random = np.random.default_rng(seed)
    there = random.random(units) < psi
    tried = random.integers(0, 5, (units, len(p))).astype(float)
    found = random.binomial(tried.astype(int), np.array(p) * there[:, None]).astype(float)
    keep = tried.sum(axis=1) > 0
    return found[keep], tried[keep]


def test_two_methods_are_told_apart():
    """1,500 simulated units, ψ 0.4, p 0.6 and 0.15: every truth within 3 standard errors."""
    fit = fit_occupancy(*simulated(1500, 0.4, [0.6, 0.15], 11))
    got = np.append(fit.occupancy, fit.detection)
    errors = np.append(fit.occupancy_se, fit.detection_se)
    assert (abs(got - [0.4, 0.6, 0.15]) < 3 * errors).all()
    assert (errors < 0.05).all()


def test_observed_information_equals_numerical_second_derivatives():
    """SciPy's finite differences of the log-likelihood, taken twice."""
    found, tried = simulated(60, 0.5, [0.4, 0.2], 4)
    theta = logit(np.array([0.45, 0.35, 0.25]))

    def slope(at):
        return approx_fprime(at, lambda t: -_presence(t, found, tried)[1].sum(), 1e-5)

    numeric = np.array(
        [(slope(theta + step) - slope(theta - step)) / 2e-3 for step in np.eye(3) * 1e-3]
    )
    np.testing.assert_allclose(_information(theta, found, tried), numeric, rtol=2e-3, atol=2e-3)


THIN = [
    ([[0, 0]], [[0, 0]], "nobody looked"),
    ([[0]] * 20, [[3]] * 20, "never found"),
    ([[1]] * 10 + [[0]] * 10, [[1]] * 20, "no repeats"),
    ([[1]] * 4 + [[0]] * 5, [[3]] * 9, "units are too few"),
    ([[1]] * 2 + [[0]] * 18, [[3]] * 20, "found in 2 units"),
    ([[2]] * 20, [[3]] * 20, "boundary estimate: occupancy"),
    ([[3]] * 8 + [[0]] * 12, [[3]] * 20, "boundary estimate: detection"),
]


@pytest.mark.parametrize(("found", "tried", "reason"), THIN, ids=[t[2] for t in THIN])
def test_thin_records_are_refused_with_the_reason(found, tried, reason):
    with pytest.raises(ThinDataError, match=reason):
        fit_occupancy(found, tried)


def test_ten_units_with_three_finds_are_enough():
    """The guide's least record: common practice, no source."""
    fit = fit_occupancy([[1]] * 2 + [[2]] + [[0]] * 7, [[3]] * 10)
    assert 0.3 < fit.occupancy < 1


def test_placements_until_presence_is_unlikely():
    """Bayes' rule solved by hand: ψ 0.5 and p 0.3 need 9 nil placements (0.3^9 odds)."""
    k = placements_until(0.5, np.array([1.0]), 0.3, chance=0.05, together=False)
    odds = [0.7**n for n in (k - 1, k)]
    assert odds[0] / (1 + odds[0]) > 0.05 >= odds[1] / (1 + odds[1])
    # At exactly the border one more would be wrong: ψ 0.5, p 0.9, two placements leave 1/101.
    border = placements_until(0.5, np.array([1.0]), 0.9, chance=1 / 101, together=False)
    assert border == 2
    assert placements_until(0.5, np.array([1e-9]), 0.3, chance=0.05, together=True) == 0
    assert placements_until(0.5, np.array([1.0]), 1e-7, chance=0.05, together=True) is None


def test_any_unit_is_likelier_than_the_mean_unit():
    missed = np.array([0.5, 0.5])
    each = 0.25 / 0.75
    assert chance_missed(0.5, missed, together=False) == pytest.approx(each)
    assert chance_missed(0.5, missed, together=True) == pytest.approx(1 - (1 - each) ** 2)
    assert chance_missed(0.5, np.array([]), together=True) == 0
