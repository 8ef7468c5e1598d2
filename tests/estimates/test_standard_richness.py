"""Richness at equal coverage, against published worked examples.

Ants of Costa Rica: Longino & Colwell (2011), Ecosphere 2:art29; soil ciliates: Foissner et al.
(2002). Values as published with the method of Chao & Jost (2012), Ecology 93:2533-2547, and Chao
et al. (2014), Ecol. Monogr. 84:45-67, printed to three decimals.
"""

import numpy as np
import pytest

from layers.estimates.richness import chao2
from layers.estimates.standard_richness import (
    _species_in,
    _standard,
    at_coverage,
    coverage_of,
    standard_richness,
)
from tests.sampling_frames import SPECIES, ancestors_of, catches_of, placements_of

ANTS_1500_M = {
    1: 13, 2: 4, 3: 2, 4: 2, 5: 4, 6: 2, 9: 4, 11: 2, 17: 2, 18: 1, 19: 1, 23: 2, 24: 1, 25: 3,
    29: 1, 30: 1, 32: 1, 33: 1, 43: 1, 50: 1, 53: 1, 73: 1, 74: 1, 76: 1, 79: 1, 113: 1, 144: 1,
}  # fmt: skip
ANTS_2000_M = {1: 1, 2: 2, 3: 1, 4: 1, 8: 2, 13: 1, 15: 1, 19: 1, 23: 1, 34: 1, 59: 1, 80: 1}
ANTS_500_M = {
    1: 71, 2: 34, 3: 12, 4: 14, 5: 9, 6: 11, 7: 8, 8: 4, 9: 7, 10: 5, 11: 2, 12: 3, 13: 4, 14: 2,
    15: 1, 16: 2, 17: 4, 18: 1, 19: 1, 20: 1, 21: 2, 23: 1, 24: 1, 25: 3, 26: 1, 27: 1, 30: 1,
    31: 2, 32: 2, 33: 1, 34: 1, 36: 1, 37: 1, 38: 4, 39: 2, 41: 1, 42: 1, 43: 1, 44: 1, 45: 1,
    46: 1, 47: 1, 49: 1, 52: 2, 53: 1, 54: 1, 56: 1, 60: 2, 65: 1, 73: 1, 78: 1, 123: 1, 131: 1,
    133: 1,
}  # fmt: skip
CILIATES = {
    1: 107, 2: 44, 3: 26, 4: 14, 5: 6, 6: 5, 7: 4, 8: 3, 9: 2, 10: 2, 11: 1, 12: 1, 14: 1,
}  # fmt: skip


def incidence(frequencies):
    return np.repeat(list(frequencies), list(frequencies.values()))


@pytest.mark.parametrize(
    ("ants", "samples", "t", "species", "kind"),
    [
        (ANTS_500_M, 230, 342.859, 268.726, "extrapolation"),
        (ANTS_1500_M, 200, 125.959, 50.479, "rarefaction"),
        (ANTS_2000_M, 200, 104.631, 12.910, "rarefaction"),
    ],
)
def test_species_at_a_coverage_of_0_985(ants, samples, t, species, kind):
    at = at_coverage(incidence(ants), samples, 0.985, runs=0)
    assert at.samples == pytest.approx(t, abs=0.005)
    assert at.species == pytest.approx(species, abs=0.002)
    assert at.estimator == kind


@pytest.mark.parametrize(
    ("t", "species", "coverage"),
    [
        (1, 27.158, 0.1901402),
        (10, 153.260, 0.6799226),
        (20, 221.386, 0.810361),
        (88, 333.606, 0.9909111),
        (150, 338.901, 0.9994305),
    ],
)
def test_species_and_coverage_by_size(t, species, coverage):
    counts = incidence(CILIATES)
    assert coverage_of(counts, 19, t) == pytest.approx(coverage, abs=5e-6)
    assert _species_in(counts, 19, t) == pytest.approx(species, abs=6e-4)
    assert chao2(counts, 19).estimate == pytest.approx(339.255, abs=6e-4)


def test_intervals_cover_where_species_are_alike():
    """Of 60 seeded surveys of 20 like species, 90 % of intervals hold the number expected.

    Extrapolated samples keep the species that they hold, be there by luck more than expected.
    """
    random = np.random.default_rng(5)
    chance, samples, coverage = 0.12, 20, 0.9
    t = np.log(1 - coverage) / np.log(1 - chance)
    true = 20 * (1 - (1 - chance) ** t)
    hits = 0
    for _ in range(60):
        counts = random.binomial(samples, np.full(20, chance))
        at = at_coverage(counts[counts > 0], samples, coverage, runs=100)
        kept = np.count_nonzero(counts) if at.estimator == "extrapolation" else 0
        hits += at.low <= max(true, kept) <= at.high
        assert at.low >= kept
    assert hits / 60 >= 0.9


def test_a_lower_limit_is_never_below_what_was_found():
    """Eight species, most of them once: the normal interval would begin at 0."""
    at = at_coverage([1, 1, 1, 1, 1, 2, 2, 3], 10, 0.83)
    assert at.estimator == "extrapolation"
    assert at.low >= 8
    assert at.high > at.species
    # Rarefied: fewer samples than there are, with fewer species.
    few = at_coverage([1, 1, 1, 1, 1, 2, 2, 3], 10, 0.2)
    assert few.estimator == "rarefaction"
    assert 1 <= few.low < few.species < 8


def test_gears_and_groups_stay_apart():
    """Each gear and each group has rows of its own, and thin ones say so."""
    rows, caught = [], []
    for k in range(12):
        for method in ("kick_net", "minnow_trap")[: 1 + (k < 3)]:
            rows.append({"placement_id": f"{method}{k}", "method": method})
            names = ["Cottus perifretum"] * (k % 2 == 0) + ["Anguilla anguilla"] * (k % 3 == 0)
            caught += [
                {"placement_id": f"{method}{k}", "species": n, "count": 1}
                for n in [*names, "Perca fluviatilis"][: 3 if k == 5 else 2]
            ]
    placements = placements_of(rows)
    species = SPECIES.assign(group=["fish", "fish", "fish", "amphibian", "fish"])
    table = standard_richness(
        placements,
        catches_of(caught),
        species,
        catchment_of=placements["site"].fillna("brook"),
        ancestors=ancestors_of({"brook": None}),
    )
    kick = table[table["method"] == "kick_net"].set_index("group")
    assert set(kick.index) == {"amphibian", "fish"}
    assert kick["placements"].tolist() == [12, 12]
    trap = table[table["method"] == "minnow_trap"]
    assert trap["problem"].str.contains("fewer than 5 placements").all()
    assert trap["species_standard"].isna().all()


def gear_table(visits, coverage):
    """Bullhead in every placement of a kick net in one brook, and perch in half of them."""
    names = [f"p{k}" for k in range(visits)]
    catches = [{"placement_id": name, "species": "Cottus perifretum", "count": 1} for name in names]
    catches += [{"placement_id": n, "species": "Perca fluviatilis", "count": 1} for n in names[::2]]
    placements = placements_of([{"placement_id": name, "method": "kick_net"} for name in names])
    return standard_richness(
        placements,
        catches_of(catches),
        SPECIES,
        catchment_of=placements["site"].fillna("brook"),
        ancestors=ancestors_of({"brook": None}),
        coverage=coverage,
    ).iloc[0]


def test_one_placement_and_less_than_one_have_no_figure():
    """A coverage of one placement is not 1; half of the finds are in 0.6 placements or so."""
    single = gear_table(1, None)
    assert np.isnan(single["sample_coverage"])
    assert single["problem"].startswith("one placement")
    half = gear_table(12, 0.4)
    assert np.isnan([half["species_standard"], half["placements_standard"]]).all()
    assert half["problem"].startswith("less than one placement")


def test_fewer_placements_than_there_are_is_rarefaction():
    """The coverage of all, 1, is reached before all: by combinations 7 of 12 hold both species."""
    row = gear_table(12, None)
    assert row["placements_standard"] == pytest.approx(7)
    assert (row["estimator"], row["species_standard"]) == ("rarefaction", pytest.approx(2))
    assert row["problem"].startswith("12 placements, none or one species found once")
    assert at_coverage([1, 2, 3, 5], 10, coverage_of([1, 2, 3, 5], 10, 10)).estimator == "observed"


def test_twice_the_placements_is_not_more_than_twice():
    """At the coverage reached with twice as many, rounding gives a hair more or less than that."""
    random = np.random.default_rng(1)
    above = 0
    for _ in range(40):
        counts = random.integers(1, 8, 12)
        coverage = coverage_of(counts, 10, 20)
        above += at_coverage(counts, 10, coverage).samples > 20
        assert "more than twice" not in _standard(counts, 10, coverage)["problem"]
    assert above > 0
    counts = np.array([1, 1, 1, 1, 2, 5])
    further = coverage_of(counts, 10, 21)
    assert _standard(counts, 10, further)["problem"].startswith("more than twice the placements")
