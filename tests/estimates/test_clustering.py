"""Revisits as clusters, against statsmodels' cluster-robust variance, and by simulation."""

import numpy as np
import pytest
import scipy
import statsmodels.api as sm

from layers.estimates.clustering import independent_share
from layers.estimates.proportions import wilson_interval
from layers.estimates.visited_units import Sampling, unit_runs

ONE = np.zeros(1, dtype=int)


def share_of(unit, hit) -> float:
    zeros = np.zeros(unit.size, dtype=int)
    rows = np.flatnonzero(hit)
    return share_by_place(zeros, unit, zeros, np.array([[True]]), rows, zeros[: rows.size])[0, 0]


def share_by_place(place, unit, method, can, row, kind, nesting=(ONE, ONE)):
    sampling = Sampling(
        place, method, method >= 0, can, row, kind, np.zeros(row.size, bool), nesting,
        int(nesting[0].max()) + 1,
    )  # fmt: skip
    return independent_share(sampling, unit, unit_runs(sampling, unit))


def visited(random, units: int, psi: float, p: float):
    """Units visited 1 to 12 times, of which a share has the species."""
    unit = np.repeat(np.arange(units), random.integers(1, 13, units))
    return unit, (random.random(unit.size) < p) & (random.random(units) < psi)[unit]


def test_design_effect_is_that_of_cluster_robust_variance():
    """Mean of the placements by ordinary least squares, statsmodels, groups = units."""
    unit, hit = visited(np.random.default_rng(1), 25, 0.5, 0.7)
    fit = sm.OLS(hit.astype(float), np.ones(unit.size)).fit(
        cov_type="cluster", cov_kwds={"groups": unit, "use_correction": False}
    )
    p, n = hit.mean(), unit.size
    effect = fit.cov_params()[0, 0] * 25 / 24 / (p * (1 - p) / n)
    wider = (scipy.stats.t.ppf(0.975, 24) / scipy.stats.norm.ppf(0.975)) ** 2
    assert effect > 2
    assert share_of(unit, hit) == pytest.approx(1 / (effect * wider))


def test_nothing_is_said_where_nothing_shows_how_alike_revisits_are():
    unit = np.repeat([0, 1, 2], 4)
    assert share_of(unit, np.zeros(12, bool)) == share_of(unit, np.ones(12, bool)) == 1
    assert share_of(np.zeros(5, int), np.array([1, 0, 1, 0, 0], bool)) == 1


def test_interval_of_placements_covers_where_reaches_are_visited_unequally():
    """As if independent it contains the true share in 70 % of surveys, as clusters in 90."""
    random = np.random.default_rng(2)
    naive, clustered, runs = 0, 0, 300
    for _ in range(runs):
        unit, hit = visited(random, 30, 0.5, 0.7)
        for own in (1.0, share_of(unit, hit)):
            low, high = wilson_interval(hit.sum() * own, hit.size * own)
            inside = low <= 0.35 <= high
            naive, clustered = naive + (inside and own == 1), clustered + (inside and own < 1)
    assert naive / runs < 0.8
    assert clustered / runs >= 0.9


def test_methods_that_cannot_find_it_and_nested_places_are_kept_apart():
    """Two places in one: the outer's clusters are those of both, by the able method alone."""
    random = np.random.default_rng(3)
    place, unit = np.repeat([1, 2], 40), np.repeat(np.arange(16), 5)
    method = np.tile([0, 0, 0, 1, 1], 16)
    hit = (random.random(80) < 0.6) & (unit % 2 == 0) & (method == 0)
    nesting = (np.array([0, 1, 1, 2, 2]), np.array([0, 0, 1, 0, 2]))
    rows = np.flatnonzero(hit)
    can = np.array([[True, True], [True, False]])
    kinds = np.ones(rows.size, dtype=int)
    share = share_by_place(place, unit, method, can, rows, kinds, nesting)
    able = method == 0
    assert share[0, 1] == pytest.approx(share_of(unit[able], hit[able]))
    here = able & (place == 1)
    assert share[1, 1] == pytest.approx(share_of(unit[here], hit[here]))
    assert (share[:, 0] == 1).all()
