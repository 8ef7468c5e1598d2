"""Lengths and weights, against statsmodels and figures worked on paper."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from layers.estimates.fish_lengths import (
    condition_of_fish,
    fit_length_weight,
    length_classes,
    lengths_by_species,
)
from tests.sampling_frames import catches_of, placements_of

LOACH = "Barbatula barbatula"
PIKE = "Esox lucius"


def lengths_of(rows):
    columns = ["placement_id", "species", "length_mm", "weight_g", "length_type"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.astype({"placement_id": "str", "species": "str", "length_type": "str"}).assign(
        pass_no=np.nan, length_mm=frame["length_mm"].astype(float)
    )


def caught(placement, count, species=LOACH):
    return {"placement_id": placement, "species": species, "count": count}


def test_fit_equals_least_squares_of_statsmodels():
    """Exponent, interval, factor and spread as statsmodels 0.14 OLS gives them on log scale."""
    random = np.random.default_rng(14)
    length = random.uniform(40, 180, 30)
    weight = 9e-6 * length**3.05 * np.exp(random.normal(0, 0.12, 30))
    fit = fit_length_weight(length, weight)
    ols = sm.OLS(np.log(weight), sm.add_constant(np.log(length))).fit()
    assert fit.exponent == pytest.approx(ols.params[1])
    assert (fit.low, fit.high) == pytest.approx(tuple(ols.conf_int()[1]))
    assert fit.factor == pytest.approx(np.exp(ols.params[0]))
    assert fit.residual_sd == pytest.approx(np.sqrt(ols.mse_resid))


def test_interval_of_the_exponent_covers():
    """At least 92 % of 400 seeded samples of 8 fish; 95 % is promised."""
    random = np.random.default_rng(7)
    hits = 0
    for _ in range(400):
        length = random.uniform(40, 180, 8)
        fit = fit_length_weight(length, 1e-5 * length**3 * np.exp(random.normal(0, 0.2, 8)))
        hits += fit.low <= 3 <= fit.high
    assert hits / 400 >= 0.92


def test_a_species_that_was_never_measured_is_said():
    """7 pike and no length beside 1 loach measured; a placement of 0 pike alone has no row."""
    placements = placements_of([{"placement_id": "a", "method": "kick_net"}])
    fish = catches_of([caught("a", 1), caught("a", 7, PIKE), caught("a", 0, "Tinca tinca")])
    table = lengths_by_species(placements, fish, lengths_of([("a", LOACH, 60, None, "total")]))
    assert table["species"].tolist() == [LOACH, PIKE]
    pike = table.set_index("species").loc[PIKE]
    assert pike[["measured", "caught", "unmeasured_share"]].tolist() == [0, 7, 1.0]
    assert pike["problem"] == "none measured"
    assert pd.isna(pike["median_mm"])


def test_kinds_of_length_are_never_mixed_and_unmeasured_fish_are_said():
    """6 of 10 loach measured: 5 in total length with median 70, one of which nobody said how."""
    rows = [("a", LOACH, mm, None, "total") for mm in (50, 60, 70, 80, 90)]
    rows.append(("a", LOACH, 66, None, None))
    table = lengths_by_species(
        placements_of([{"placement_id": "a"}]), catches_of([caught("a", 10)]), lengths_of(rows)
    ).set_index("length_type")
    assert table["measured"].to_dict() == {"not_stated": 1, "total": 5}
    assert table["unmeasured_share"].tolist() == [pytest.approx(0.4)] * 2
    assert table.loc["total", ["shortest_mm", "p25_mm", "median_mm", "longest_mm"]].tolist() == [
        50, 60, 70, 90,
    ]  # fmt: skip
    assert table.loc["total", "problem"] == "no fit: none weighed"
    assert "kind of length not stated" in table.loc["not_stated", "problem"]
    assert np.isnan(table["weight_exponent"]).all()


def test_a_catch_that_was_not_all_counted_is_said():
    """At least 9 loach and 7 pike, counted, with five of each measured; some tench, unmeasured."""
    rows = [("a", name, mm, None, "total") for name in (LOACH, PIKE) for mm in range(50, 100, 10)]
    catches = catches_of(
        [caught("a", 9) | {"count_kind": "at_least"}, caught("a", 7, PIKE),
         caught("a", np.nan, "Tinca tinca") | {"count_kind": "present"}]
    )  # fmt: skip
    placements = placements_of([{"placement_id": "a"}])
    for table, names in (
        (lengths_by_species(placements, catches, lengths_of(rows)), {LOACH, "Tinca tinca"}),
        (length_classes(placements, catches, lengths_of(rows)), {LOACH}),
    ):
        assert PIKE in set(table["species"])
        said = table["problem"].str.contains("fish not all counted: at least")
        assert set(table.loc[said, "species"]) == names


def test_fish_measured_beyond_the_catch_count_as_caught():
    """2 were measured where 1 was counted, 1 where 4 were: 2 + 4 caught, 3 not measured."""
    rows = [(place, LOACH, mm, None, "total") for place, mm in (("a", 52), ("a", 71), ("b", 60))]
    table = lengths_by_species(
        placements_of([{"placement_id": "a"}, {"placement_id": "b"}]),
        catches_of([caught("a", 1), caught("b", 4)]),
        lengths_of(rows),
    )
    assert table["caught"].tolist() == [6]
    assert table["unmeasured_share"].tolist() == [pytest.approx(0.5)]


def test_measured_fish_stand_for_the_catch_of_their_placement():
    """In a, 2 of 10 were measured: each stands for 5; in b all 3; in c none of 7."""
    rows = [("a", LOACH, mm, None, "total") for mm in (52, 71)]
    rows += [("b", LOACH, mm, None, "total") for mm in (55, 59, 70)]
    placements = placements_of([{"placement_id": name} for name in "abc"])
    catches = catches_of([caught("a", 10), caught("b", 3), caught("c", 7)])
    table = length_classes(placements, catches, lengths_of(rows))
    assert table["class_low_mm"].tolist() == [50, 60, 70]
    assert table["measured"].tolist() == [3, 0, 2]
    assert table["raised"].tolist() == [5 + 2, 0, 5 + 1]
    assert table["problem"].str.contains("7 fish of placements where none was measured").all()
    assert "fewer than" not in table["problem"].iloc[0]
    few = length_classes(placements, catches, lengths_of(rows[:4]))
    assert few[["measured", "raised"]].to_numpy().tolist() == [[4, 2 * 5 + 2 * 1.5]]
    assert few[["class_low_mm", "class_high_mm"]].isna().all(axis=None)
    assert few["problem"].iloc[0].startswith("fewer than 5 fish measured: in no class")
    other = length_classes(placements, catches, lengths_of([*rows, ("b", LOACH, 66, None, "fork")]))
    assert other["length_type"].tolist() == ["fork", *["total"] * 3]
    assert other["class_low_mm"].isna().tolist() == [True, *[False] * 3]
    assert other["measured"].sum() == 6


def test_condition_is_weight_over_that_of_the_fit():
    """Fish on the line have condition 1; figures as the fit of numpy's polyfit gives them."""
    length = np.array([50.0, 60, 80, 100, 140, 180])
    weight = 1e-5 * length**3 * np.array([1, 1.1, 0.9, 1, 1.2, 0.8])
    rows = [("a", PIKE, mm, g, "fork") for mm, g in zip(length, weight, strict=True)]
    placements = placements_of([{"placement_id": "a"}])
    none = catches_of([caught("a", 6, PIKE)])
    table = condition_of_fish(placements, none, lengths_of(rows))
    slope, level = np.polyfit(np.log(length), np.log(weight), 1)
    expected = weight / np.exp(level + slope * np.log(length))
    assert table["condition"].to_numpy() == pytest.approx(expected)
    four = condition_of_fish(placements, none, lengths_of(rows[:4]))
    assert four["condition"].isna().all()
    assert four["problem"].str.contains("fewer than 5").all()


def test_coded_words_change_neither_rows_nor_their_order():
    """Frames of the picture have codes in the order of the store; B was entered before A."""
    fish = lengths_of(
        [
            {"placement_id": name, "species": LOACH, "length_mm": 50.0 + k, "weight_g": 1.0 + k}
            for k, name in enumerate("BBABAA")
        ]
    )
    coded = fish.assign(placement_id=pd.Categorical(fish["placement_id"], ["B", "A"]))
    placements = placements_of([{"placement_id": name} for name in "BA"])
    none = catches_of([])
    plain = condition_of_fish(placements, none, fish)
    assert plain["placement_id"].tolist() == [*"AAABBB"]
    pd.testing.assert_frame_equal(condition_of_fish(placements, none, coded), plain)
