"""Species richness against published bird blocks and forest plots."""

import json
from itertools import combinations
from math import isnan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.estimates.richness import (
    accumulation,
    chao2,
    few_say_complete,
    jackknife1,
    richness,
    sample_coverage,
    species_incidence,
)
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
    for form, key in (
        ("classic", "chao2"),
        ("no_factor", "chao2_no_factor"),
        ("bias_corrected", "chao2_bias_corrected"),
    ):
        assert chao2(counts, m, form=form).estimate == pytest.approx(expected[key], abs=by)
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
    s_est = chao2(counts, 4).estimate
    assert accumulation(counts, 4)["species_sd"].iloc[-1] ** 2 == pytest.approx(5 - 25 / s_est)


def counts_of(by_incidence: dict[int, int]) -> np.ndarray:
    return np.repeat(list(by_incidence), list(by_incidence.values()))


BIRDS = {1: 6, 2: 5, 3: 1, 4: 6, 6: 1, 7: 2, 8: 3, 9: 7}
# Oakwood birds of Killarney (Batten 1976, in Magurran 2004, Measuring Biological Diversity):
# estimate, standard deviation and interval as a reference program prints
# them, seen second hand. The third has the counts of a published example with one factor (n-1)/n
# and 168 samples (Chao 1987), 12 species in one and 4 in two of them; from memory.
INTERVALS = [
    (BIRDS, 9, "no_factor", (34.6, 3.85, 31.65, 50.94), 0.006),
    (BIRDS, 9, "bias_corrected", (33.22, 2.63, 31.36, 44.88), 0.006),
    ({1: 12, 2: 4, 9: 10}, 168, "classic", (43.893, 14.306, 30.511, 96.971), 0.0006),
]


@pytest.mark.parametrize(("found", "m", "form", "printed", "by"), INTERVALS)
def test_interval_of_chao2_agrees_with_published_ones(found, m, form, printed, by):
    assert chao2(counts_of(found), m, form=form)[:4] == pytest.approx(printed, abs=by)


def test_bias_corrected_form_stands_in_without_doubletons():
    fit = chao2([1, 1, 1, 5], 6)
    assert fit.form == "bias_corrected"
    assert fit.estimate == pytest.approx(4 + (5 / 6) * 3)
    assert 4 < fit.low < fit.estimate < fit.high
    assert chao2([1, 1, 2], 6).form == "classic"


def test_interval_where_every_species_was_found_often():
    """Twenty finds of two species: one unseen would be a wonder."""
    fit = chao2([10, 10], 10)
    assert (fit.estimate, fit.low) == (2, 2)
    assert 2 < fit.high < 2.1


# Soil ciliates of Etosha Pan (Foissner et al. 2002), incidence in 19 samples, as tabulated with
# the estimates of Chao & Jost (2012) and Chao et al. (2014); seen second hand.
CILIATES = {1: 107, 2: 44, 3: 26, 4: 14, 5: 6, 6: 5, 7: 4, 8: 3, 9: 2, 10: 2, 11: 1, 12: 1, 14: 1}


def test_coverage_and_rarefaction_of_etosha_ciliates():
    counts = counts_of(CILIATES)
    assert (counts.size, counts.sum()) == (216, 516)
    assert sample_coverage(counts, 19) == pytest.approx(0.8017, abs=6e-5)
    assert chao2(counts, 19).estimate == pytest.approx(339.255, abs=6e-4)
    curve = accumulation(counts, 19).set_index("placements")["species"]
    assert curve[1] == pytest.approx(27.158, abs=6e-4)
    assert curve[10] == pytest.approx(153.26, abs=6e-4)


def test_coverage_without_doubletons_and_without_singletons():
    assert sample_coverage([1, 4], 5) == 1.0  # Q1 - 1 is 0
    assert sample_coverage([1, 1, 3], 5) == pytest.approx(1 - (2 / 5) * 4 / (4 + 2))
    assert sample_coverage([2, 4], 5) == 1.0
    assert isnan(sample_coverage([], 5))


def test_a_sample_is_counted_in_no_more_than_all():
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
    # Bullhead in two, eel in one, and a lamprey not taken further in one.
    assert frame.loc["basin", ["placements", "species_found", "found_once"]].tolist() == [3, 3, 2]
    assert frame.loc["basin", "jackknife1"] == pytest.approx(3 + 2 * 2 / 3)
    assert frame.loc["basin", "chao2_form"] == "classic"
    assert frame.loc["basin", ["methods", "problem"]].tolist() == ["kick_net", ""]
    assert frame.loc["mere", "problem"].startswith("one placement")
    assert frame.loc["dry", "problem"] == "nobody looked"
    assert np.isnan(frame.loc["dry", "chao2"])
    assert frame.attrs["inputs"]["left_out"] == {"gear lost": 1}


def test_wider_entries_count_only_beside_nothing_nearer():
    """In the mere only lampreys not taken further; in the brook a planeri beside them."""
    species = pd.DataFrame(
        {"rank": ["species", "genus", "family", "species"]}
        | {"family": ["Petromyzontidae", "Petromyzontidae", "Petromyzontidae", "Cottidae"]},
        index=pd.Index(["Lampetra planeri", "Lampetra", "Petromyzontidae", "Cottus gobio"]),
    )
    placements = placements_of([{"placement_id": "a"}, {"placement_id": "b"}])
    caught = [
        ("a", "Lampetra planeri"),
        ("a", "Lampetra"),
        ("b", "Lampetra"),
        ("b", "Cottus gobio"),
    ]
    caught += [("b", "Petromyzontidae")]
    catches = catches_of([{"placement_id": p, "species": s, "count": 1} for p, s in caught])
    incidence, _ = species_incidence(
        placements,
        catches,
        species.rename_axis("species"),
        catchment_of=pd.Series({"a": "brook", "b": "mere"}),
        ancestors=NESTED,
    )
    found = incidence.groupby("catchment")["species"].agg(set)
    assert found["brook"] == {"Lampetra planeri"}
    assert found["mere"] == {"Lampetra", "Cottus gobio"}
    assert found["basin"] == {"Lampetra planeri", "Cottus gobio"}


def test_groups_are_counted_apart():
    """Each group of a catchment is estimated as it is alone; figures are those of `chao2`."""
    group = {"Cottus perifretum": "fish", "Anguilla anguilla": "fish", "Lampetra": "crustaceans"}
    listed = SPECIES.assign(group=SPECIES.index.map(group))
    placements = placements_of([{"placement_id": name} for name in "abcd"])
    caught = [("a", "Cottus perifretum"), ("b", "Cottus perifretum"), ("b", "Lampetra"),
              ("c", "Anguilla anguilla")]  # fmt: skip
    catches = catches_of([{"placement_id": p, "species": s, "count": 1} for p, s in caught])
    where = pd.Series(dict.fromkeys("abcd", "brook"))
    frame = richness(placements, catches, listed, catchment_of=where, ancestors=NESTED)
    own = frame[frame["catchment"] == "brook"].set_index("group")
    assert own["species_found"].to_dict() == {"crustaceans": 1, "fish": 2}
    assert own["placements"].tolist() == [4, 4]
    assert own.loc["fish", "chao2"] == chao2([2, 1], 4).estimate
    assert own.loc["crustaceans", "chao2"] == chao2([1], 4).estimate
    dry = frame[frame["catchment"] == "dry"]
    assert dry[["group", "species_found"]].to_numpy().tolist() == [["", 0]]


def test_gears_that_are_pooled_are_named():
    placements = placements_of(
        [{"placement_id": "a"}, {"placement_id": "b", "method": "minnow_trap"}]
    )
    catches = catches_of([{"placement_id": "a", "species": "Cottus perifretum", "count": 1}])
    where = pd.Series({"a": "brook", "b": "brook"})
    frame = richness(placements, catches, SPECIES, catchment_of=where, ancestors=NESTED)
    row = frame.set_index("catchment").loc["brook"]
    assert row["methods"] == "kick_net;minnow_trap"
    assert row["problem"].startswith("2 gears pooled")


def test_without_placements_every_catchment_says_so():
    frames = {"catchment_of": pd.Series({}, dtype="str"), "ancestors": NESTED}
    frame = richness(placements_of([]), catches_of([]), SPECIES, **frames)
    assert set(frame["problem"]) == {"nobody looked"}
    assert frame["chao2"].dtype == np.float64
    incidence, samples = species_incidence(placements_of([]), catches_of([]), SPECIES, **frames)
    assert incidence.empty
    assert samples.sum() == 0


@pytest.mark.parametrize(("visits", "warned"), [(2, True), (3, True), (39, True), (40, False)])
def test_a_coverage_of_1_from_next_to_nothing_is_said(visits, warned):
    """One species in every placement: three of them do not show that it is the only one."""
    names = [f"p{k}" for k in range(visits)]
    catches = catches_of(
        [{"placement_id": name, "species": "Cottus perifretum", "count": 1} for name in names]
    )
    frame = richness(
        placements_of([{"placement_id": name} for name in names]),
        catches,
        SPECIES,
        catchment_of=pd.Series(dict.fromkeys(names, "brook")),
        ancestors=NESTED,
    )
    row = frame.set_index("catchment").loc["brook"]
    assert row["sample_coverage"] == 1
    assert ("too little to say" in row["problem"]) == warned


@pytest.mark.parametrize(
    ("counts", "samples", "warned"),
    [([2] * 5, 2, True), ([2, 3, 4], 5, True), ([1, 3, 4], 5, True), ([2, 3, 4], 40, False),
     ([1, 2, 4], 5, False), ([1, 1, 4], 5, False), ([0, 2, 2], 2, True)],
)  # fmt: skip
def test_completeness_of_few_placements_is_doubted_whatever_was_found_twice(
    counts, samples, warned
):
    """A coverage of 1, as `sample_coverage` has it, from fewer than forty placements."""
    own = np.array(counts)
    assert (few_say_complete(own[own > 0], samples) != "") == warned
    assert warned == (samples < 40 and sample_coverage(counts, samples) == 1)
