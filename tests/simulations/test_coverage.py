"""Intervals called 95 % contain the truth often enough: a small part of the table, seeded.

At least 90 %, and 88 % for three to five placements: what the users of these figures asked for.
"""

import numpy as np
import pytest

from tests.simulations import catch_rates, change, detection, removal, richness

RUNS = 300


@pytest.mark.parametrize(
    ("fish", "chance", "k"),
    [(30, 0.3, 2), (60, 0.5, 2), (100, 0.3, 3), (60, 0.7, 3), (200, 0.5, 4)],
)
def test_removal_intervals_cover(fish, chance, k):
    row = removal.setting(np.random.default_rng(1), fish, chance, k, "none", RUNS)
    assert row["covered"] >= 0.90


@pytest.mark.parametrize(("fish", "chance", "k"), [(60, 0.5, 2), (100, 0.7, 3), (200, 0.5, 4)])
def test_a_fall_in_catchability_is_covered_or_warned_of(fish, chance, k):
    row = removal.setting(np.random.default_rng(2), fish, chance, k, "a third", RUNS)
    assert row["covered_or_warned"] >= 0.90
    assert row["covered"] < 0.80  # without the warning nobody would know


def test_joint_removal_intervals_cover():
    row = removal.joint_setting(np.random.default_rng(6), 60, 0.5, 3, 3, 40)
    assert row["covered"] >= 0.90


@pytest.mark.parametrize("efforts", ["equal", "unequal"])
@pytest.mark.parametrize(
    ("size", "mean", "n"),
    [
        (0.5, 10.0, 3),
        (0.5, 1.0, 5),
        (2.0, 3.0, 3),
        (0.5, 3.0, 10),
        (5.0, 0.3, 10),
        (1.0, 3.0, 30),
        (0.2, 3.0, 3),
        (0.2, 3.0, 5),
        (0.2, 3.0, 10),
        (0.2, 10.0, 30),
    ],
)
def test_intervals_of_catch_rates_cover(size, mean, n, efforts):
    """Also with very unequal effort, and clumping that does not go with it."""
    row = catch_rates.setting(np.random.default_rng(3), size, mean, n, efforts, RUNS)
    assert row["covered"] >= (0.88 if n <= 5 else 0.90)


@pytest.mark.parametrize(("samples", "mean"), [(10, 0.1), (30, 0.05), (100, 0.1)])
def test_intervals_of_richness_cover_where_species_are_alike(samples, mean):
    assert richness.setting(np.random.default_rng(4), samples, mean, 0.0, RUNS)["covered"] >= 0.90


def test_chao2_stays_a_lower_bound_where_species_differ():
    """The guide says so: half of the intervals lie below the number."""
    row = richness.setting(np.random.default_rng(5), 100, 0.3, 1.0, RUNS)
    assert row["below"] > 0.3
    assert row["estimate"] < richness.SPECIES


@pytest.mark.parametrize(
    ("units", "psi", "gears", "visits"),
    [
        (20, 0.8, "0.1", 3),
        (20, 0.5, "0.6", 2),
        (40, 0.2, "0.3", 3),
        (40, 0.5, "0.2 and 0.5", 3),
        (40, 0.8, "0.9", 2),
        (80, 0.5, "0.3, rare 1", 5),
    ],
)
def test_intervals_of_occupancy_cover(units, psi, gears, visits):
    """And 85 % of species or more have an estimate: three finds on these units are enough."""
    row = detection.setting(np.random.default_rng(7), units, psi, gears, visits, 100)
    assert row["estimated"] >= 0.85
    for interval in ("occupancy", "detection", "missed", "anywhere"):
        assert row[interval] >= 0.90
    assert row.get("rare", 1) >= 0.90


@pytest.mark.parametrize(
    ("units", "psi", "gears", "visits"),
    [(20, 0.5, "0.6", 5), (40, 0.8, "0.6", 3), (80, 0.2, "0.9", 2), (80, 0.5, "0.3", 5)],
)
def test_occupancy_is_not_biased_where_visits_tell(units, psi, gears, visits):
    row = detection.setting(np.random.default_rng(8), units, psi, gears, visits, 60)
    assert abs(row["bias"]) < 0.05
    assert row["doubted"] < 0.35
    assert abs(row["bias_else"]) < 0.05


@pytest.mark.parametrize(
    ("units", "psi", "gears", "visits", "below"),
    [
        (20, 0.8, "0.1", 2, True), (20, 0.2, "0.3", 3, False), (40, 0.5, "0.1", 3, True),
        (80, 0.8, "0.1", 3, True),
    ],
)  # fmt: skip
def test_where_occupancy_is_biased_the_problem_says_so(units, psi, gears, visits, below):
    row = detection.setting(np.random.default_rng(9), units, psi, gears, visits, 40)
    assert (row["bias"] < -0.05) if below else (row["bias"] > 0.05)
    assert row["doubted"] > 0.9


@pytest.mark.parametrize(
    ("sites", "mean", "clumping"), [(6, 2.0, 2.0), (10, 0.3, 5.0), (10, 2.0, 0.5), (30, 10.0, 2.0)]
)
def test_intervals_of_yearly_ratios_cover(sites, mean, clumping):
    row = change.rate_setting(np.random.default_rng(7), sites, mean, clumping, RUNS)
    assert row["covered"] >= 0.90


@pytest.mark.parametrize(("units", "path", "chance"), [(20, 0, 0.6), (40, 1, 0.3), (40, 2, 0.9)])
def test_intervals_of_occupancy_over_years_cover(units, path, chance):
    random = np.random.default_rng(8)
    row = change.occupancy_setting(random, units, change.PATHS[path], chance, 3, 60)
    assert row["fitted"] >= 0.9
    assert min(row["covered_last"], row["covered"]) >= 0.90


@pytest.mark.parametrize("lost", [0.0, 0.2])
def test_a_moving_crew_is_told_from_a_fall(lost):
    """Twelve units a year are new, ever emptier, looked at twice; a fifth a year is lost, or none.

    Before, 76 of 100 intervals had the ratio where a fifth was lost.
    """
    row = change.crew_setting(np.random.default_rng(5), "to emptier waters", 2, lost, 0.0, 10)
    assert lost or row["by_all"] < 0.5
    assert row["covered"] >= 0.9
