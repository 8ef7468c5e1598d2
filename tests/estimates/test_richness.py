"""Species richness against published bird blocks and forest plots."""

import json
from itertools import combinations
from math import isnan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.estimates.richness import accumulation, chao2, jackknife1, richness, species_incidence
from tests.sampling_frames import SPECIES, ancestors_of, catches_of, placements_of

CHECKS = [
    check
    for check in json.loads(
        (Path(__file__).parents[1] / "references" / "occupancy_richness.json").read_text(
            encoding="utf-8"
        )
    )["checks"]
    if check["method"] == "richness_incidence"
]
NESTED = ancestors_of({"basin": None, "brook": "basin", "mere": "basin", "dry": None})


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check["id"])
def test_estimators_agree_with_published_values(check):
    """Batten (1976) birds in Magurran (2004) p. 237; Condit et al. (2002) trees, R vegan 2.6-4."""
    counts = np.repeat(
        [int(k) for k in check["inputs"]["species_by_number_of_samples"]],
        list(check["inputs"]["species_by_number_of_samples"].values()),
    )
    m, expected, by = check["inputs"]["samples"], check["expected"], check["tolerance"]["all"]
    assert counts.size == expected["S_obs"]
    assert chao2(counts, m, form="classic") == pytest.approx(expected["chao2"], abs=by)
    assert chao2(counts, m, form="no_factor") == pytest.approx(expected["chao2_no_factor"], abs=by)
    assert chao2(counts, m) == pytest.approx(expected["chao2_bias_corrected"], abs=by)
    assert jackknife1(counts, m) == pytest.approx(expected["jackknife1"], abs=by)
    curve = accumulation(counts, m).set_index("placements")["species"]
    for n, species in expected["rarefaction"].items():
        assert curve[int(n)] == pytest.approx(species, abs=by)
    assert curve[m] == pytest.approx(counts.size)


def test_curve_is_the_mean_over_all_subsets():
    """Five placements, four species: every subset counted one by one."""
    random = np.random.default_rng(3)
    matrix = random.random((5, 4)) < 0.4
    matrix[0] = True
    curve = accumulation(matrix.sum(axis=0), 5)
    for n in range(1, 6):
        subsets = [matrix[list(rows)].any(axis=0).sum() for rows in combinations(range(5), n)]
        assert curve["species"].iloc[n - 1] == pytest.approx(np.mean(subsets))


def test_spread_of_the_curve_at_all_samples():
    """Colwell, Mao & Chang (2004), eq. 6: at n = m the variance is S - S²/S_est."""
    counts = [1, 1, 1, 2, 3]
    s_est = chao2(counts, 4)
    assert accumulation(counts, 4)["species_sd"].iloc[-1] ** 2 == pytest.approx(5 - 25 / s_est)


def test_forms_that_need_doubletons_say_so():
    assert isnan(chao2([1, 1], 3, form="classic"))
    assert chao2([1, 1], 3) == pytest.approx(2 + (2 / 3) * 2 / 2)
    with pytest.raises(FrameError, match="samples"):
        chao2([4], 3)


def test_per_catchment_with_nested_ones_and_reasons():
    placements = placements_of(
        [
            {"placement_id": "a"},
            {"placement_id": "b"},
            {"placement_id": "c", "outcome": "nil"},
            {"placement_id": "d", "outcome": "lost"},
        ]
    )
    catches = catches_of(
        [
            {"placement_id": "a", "species": "Cottus perifretum", "count": 4},
            {"placement_id": "a", "species": "Lampetra", "count": 1},
            {"placement_id": "b", "species": "Cottus perifretum", "count_kind": "present"},
            {"placement_id": "b", "species": "Anguilla anguilla", "count": 1},
        ]
    )
    where = pd.Series({"a": "brook", "b": "mere", "c": "brook", "d": "dry"})
    frame = richness(placements, catches, SPECIES, catchment_of=where, ancestors=NESTED).set_index(
        "catchment"
    )
    assert frame.loc["basin", ["placements", "species_found", "found_once"]].tolist() == [3, 2, 1]
    assert frame.loc["basin", "jackknife1"] == pytest.approx(2 + 2 / 3)
    assert frame.loc["mere", "problem"].startswith("one placement")
    assert frame.loc["dry", "problem"] == "nobody looked"
    assert np.isnan(frame.loc["dry", "chao2"])
    assert frame.attrs["inputs"]["left_out"] == {"gear lost": 1}
    assert frame.attrs["inputs"]["chao2_form"] == "bias_corrected"


def test_without_placements_every_catchment_says_so():
    frames = {"catchment_of": pd.Series({}, dtype="str"), "ancestors": NESTED}
    frame = richness(placements_of([]), catches_of([]), SPECIES, **frames)
    assert set(frame["problem"]) == {"nobody looked"}
    assert frame["chao2"].dtype == np.float64
    incidence, samples = species_incidence(placements_of([]), catches_of([]), SPECIES, **frames)
    assert incidence.empty
    assert samples.sum() == 0
