"""Depletion per placement: estimates, densities, and reasons where there is none."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import chdtrc
from scipy.stats import binom, t

from layers.estimates.depletion import DEPLETION_COLUMNS, depletion, fished_area_m2
from layers.estimates.removal import equal_chance_test, likelihood
from tests.sampling_frames import catches_of, placements_of

ALL = ("likelihood", "weighted", "two_pass")
TROUT = "Cottus perifretum"
NEONFISH = Path(__file__).parents[2].parent / "shared" / "data" / "neonfish"


def passes_of(placement: str, counts: list[int], species: str = TROUT) -> list[dict]:
    return [
        {"placement_id": placement, "species": species, "count": count, "pass_no": i}
        for i, count in enumerate(counts, start=1)
        if count
    ]


def electric(placement: str, **more: object) -> dict:
    return {"placement_id": placement, "method": "electric_fishing", "passes": 3, **more}


def one(frame: pd.DataFrame, estimator: str, species: str = TROUT) -> pd.Series:
    rows = frame[(frame["estimator"] == estimator) & (frame["species"] == species)]
    assert len(rows) == 1
    return rows.iloc[0]


def test_published_example_through_the_table():
    """Carle & Strub (1978) example 1, 38, 26, 12, fished on 200 m²."""
    frame = depletion(
        placements_of([electric("e", site="S9")]),
        catches_of(passes_of("e", [38, 26, 12])),
        pd.Series({"e": 200.0}),
        estimators=("likelihood", "weighted"),
    )
    row = one(frame, "weighted")
    assert (row["n_hat"], row["catches"], row["passes"]) == (91, "38;26;12", 3)
    assert row["n_se"] == pytest.approx(9.7, abs=0.05)
    assert row["density_per_100_m2"] == pytest.approx(45.5)
    assert np.isnan([row["density_low"], row["density_high"]]).all()  # as those of the number
    number = one(frame, "likelihood")
    assert number["n_low"] < number["n_hat"] < number["n_high"]
    for density, of in (("per_100_m2", "n_hat"), ("low", "n_low"), ("high", "n_high")):
        assert number[f"density_{density}"] == pytest.approx(number[of] / 2)
    assert row["problem"] == "no interval: this form is for comparison"
    assert list(frame.columns) == list(DEPLETION_COLUMNS)
    assert frame["estimator"].tolist() == ["likelihood", "weighted"] * 2  # the species, and all
    assert (one(frame, "likelihood")["site"], one(frame, "likelihood")["date"]) == (
        "S9",
        pd.Timestamp(2025, 6, 10),
    )
    assert frame.attrs["inputs"]["placements_used"] == 1


def test_first_pass_by_its_own_minutes():
    """38 fish in 19 minutes; passes of unequal minutes are warned of, those of like ones not."""
    minutes = {"minutes_pass_1": 19.0, "minutes_pass_2": 16.0, "minutes_pass_3": 15.3}
    rows = [electric("e", **minutes), electric("f", **minutes | {"minutes_pass_3": 15.1})]
    catches = passes_of("e", [38, 26, 12]) + passes_of("f", [38, 26, 12])
    frame = depletion(placements_of(rows), catches_of(catches), estimators=("weighted",))
    assert frame["first_pass_per_minute"].tolist() == [2.0] * 4
    warned = frame["problem"].str.contains("minutes differ between passes")
    assert frame.loc[warned, "placement_id"].tolist() == ["f", "f"]


def test_no_figure_is_empty_without_a_reason():
    """Each form of 38, 26, 12 and of 30, 10 says why its error or its interval is missing."""
    placements = placements_of([electric("e"), electric("f", passes=2)])
    catches = catches_of(passes_of("e", [38, 26, 12]) + passes_of("f", [30, 10]))
    frame = depletion(placements, catches, estimators=(*ALL, "joint"))
    lacking = frame[["n_hat", "n_se", "n_low", "n_high"]].isna().any(axis=1)
    assert set(frame.loc[lacking, "estimator"]) == {"weighted", "two_pass", "joint"}
    assert (frame.loc[lacking, "problem"] != "").all()


def test_pools_species_beside_each_alone():
    """Seber (2002) example 7.4, 79 and 28, split over two species."""
    catches = catches_of(
        passes_of("e", [50, 20]) + passes_of("e", [29, 8], "Gasterosteus aculeatus")
    )
    frame = depletion(placements_of([electric("e", passes=2)]), catches, estimators=ALL)
    assert one(frame, "two_pass", "all")["n_hat"] == pytest.approx(122.37, abs=0.01)
    assert one(frame, "two_pass")["n_hat"] == pytest.approx(50**2 / 30)
    assert frame["species"].tolist()[-1] == "all"
    assert frame["density_per_100_m2"].isna().all()


def test_pass_without_catch_rows_is_a_zero_where_passes_are_stated():
    row = one(
        depletion(placements_of([electric("e")]), catches_of(passes_of("e", [12, 0, 0]))),
        "likelihood",
    )
    assert (row["catches"], row["n_hat"], row["p_hat"]) == ("12;0;0", 12, 1)
    assert np.isnan(row["n_se"])  # that of a chance of 1 is no measure of doubt
    assert "no standard error" in row["problem"]


REASONS = [
    ({"passes": 1}, passes_of("e", [9]), "likelihood", "one pass"),
    ({}, passes_of("e", [5, 7, 8]), "likelihood", "rise from pass to pass"),
    ({}, passes_of("e", [5, 7, 8]), "weighted", "the form's own weights"),
    ({}, passes_of("e", [4, 2, 1]), "likelihood", "fewer than 10 fish"),
    ({"passes": 2}, passes_of("e", [10, 10]), "two_pass", "did not fall"),
    ({}, [{"placement_id": "e", "species": TROUT, "count": 9}], "weighted", "without a pass"),
    (
        {},
        [{"placement_id": "e", "species": TROUT, "count_kind": "present", "pass_no": 1}],
        "weighted",
        "presence without a count",
    ),
    ({"passes": np.nan}, passes_of("e", [30, 20, 10]), "weighted", "not stated"),
    ({"passes": 2}, passes_of("e", [30, 20, 10]), "weighted", "pass 3 where 2"),
    (
        {},
        [{"placement_id": "e", "species": TROUT, "count": 3, "pass_no": 0}],
        "weighted",
        "below 1",
    ),
]


@pytest.mark.parametrize(("stated", "rows", "estimator", "reason"), REASONS)
def test_problems_are_named(stated, rows, estimator, reason):
    frame = depletion(placements_of([electric("e", **stated)]), catches_of(rows), estimators=ALL)
    assert reason in one(frame, estimator)["problem"]


# 45, 11, 18, 8 rejects equal chances (Schnute 1983, table 2: chi-square 4.74). By hand, with
# p and 2p/3 in two passes: p = 1 - 1.5 c2/c1, N = c1/p; so 60, 20 gives 120, 60, 36 gives 600.
FALLS = [
    ({"passes": 4}, [45, 11, 18, 8], "likelihood-ratio test, p = 0.03", True),
    ({}, [38, 26, 12], "likelihood-ratio test", False),
    ({}, [38, 26, 12], "not rule out: about 132 fish", True),
    ({"passes": 2}, [60, 20], "not rule out: about 120 fish", True),
    ({"passes": 2}, [60, 36], "not rule out: about 600 fish", True),
    ({"passes": 2}, [300, 210], "not rule out: no finite number", True),
    ({"passes": 2}, [10, 8], "rule out", False),
    ({}, [5000, 2500, 1250], "rule out", False),
]


@pytest.mark.parametrize(("stated", "counts", "words", "said"), FALLS)
def test_what_unequal_catchability_would_do_is_said(stated, counts, words, said):
    frame = depletion(placements_of([electric("e", **stated)]), catches_of(passes_of("e", counts)))
    assert (words in one(frame, "likelihood")["problem"]) == said


def test_level_catches_have_no_upper_limit_and_say_why():
    """5, 7, 5: the likelihood peaks at 51, but rules no larger number out."""
    row = one(
        depletion(placements_of([electric("e")]), catches_of(passes_of("e", [5, 7, 5]))),
        "likelihood",
    )
    assert row["n_hat"] == pytest.approx(51, abs=1)
    assert row["p_hat"] == pytest.approx(17 / (3 * row["n_hat"] - 17), abs=1e-9)
    assert 17 <= row["n_low"] < row["n_hat"]
    assert np.isnan(row["n_high"])
    said = "no upper limit: the catches do not fall, and exclude no larger number at 95 %"
    assert row["problem"].startswith(said)
    assert "weights" not in row["problem"]


TWO_PASSES = [(12, 6), (11, 9), (30, 18), (48, 31), (60, 20), (20, 20), (20, 21), (20, 23)]


@pytest.mark.parametrize("counts", TWO_PASSES)
def test_no_estimate_is_withheld_for_want_of_an_upper_limit(counts):
    """Those with a limit alone would be a chosen, low set. Where catches rise, none is best.

    Two binomial passes, each N with its best p, by scipy.stats over a fine grid of whole numbers.
    """
    placements = placements_of([electric("e", passes=2)])
    row = one(depletion(placements, catches_of(passes_of("e", list(counts)))), "likelihood")
    first, second = counts
    total = first + second
    n = np.arange(total, 200 * total)
    p = total / (2 * n - first)
    likely = binom.logpmf(first, n, p) + binom.logpmf(second, n - first, p)
    if likely.argmax() == n.size - 1:
        assert np.isnan(row[["n_hat", "n_low", "n_high"]].astype(float)).all()
        return
    assert row["n_hat"] == pytest.approx(n[likely.argmax()], abs=1.5)
    within = likely > likely.max() - t.ppf(0.975, total - 1) ** 2 / 2
    assert row["n_low"] == pytest.approx(n[within][0], abs=1)
    open_ended = bool(within[-1])
    assert np.isnan(row["n_high"]) == open_ended
    if first > second:
        words = "no upper limit: too few fish, or too small a fall, to exclude any larger number"
        assert row["problem"].startswith(words) == open_ended


def test_counts_that_are_lower_bounds_give_no_figure():
    rows = passes_of("e", [30, 20, 10])
    rows[0]["count_kind"] = "at_least"
    row = one(depletion(placements_of([electric("e")]), catches_of(rows)), "likelihood")
    assert np.isnan(row["n_hat"])
    assert "at least" in row["problem"]
    assert row["catches"] == ""


def test_nil_lost_and_unpassed_placements():
    """A nil with passes says that nothing was caught; lost gear and nets are left out."""
    placements = placements_of(
        [
            electric("nil", outcome="nil"),
            electric("lost", outcome="lost"),
            {"placement_id": "net", "method": "fyke_net", "outcome": "caught"},
        ]
    )
    frame = depletion(placements, catches_of([]))
    assert set(frame["placement_id"]) == {"nil"}
    assert frame["problem"].str.contains("nothing was caught").all()
    assert frame["n_hat"].isna().all()
    assert frame.attrs["inputs"]["left_out"] == {"gear lost": 1, "no passes stated": 1}


def test_no_placements():
    frame = depletion(placements_of([]), catches_of([]), pd.Series(dtype="float64"))
    assert frame.empty
    assert list(frame.columns) == list(DEPLETION_COLUMNS)
    assert frame["n_hat"].dtype == np.float64


def test_area_as_stated_or_width_times_length():
    placements = placements_of(
        [
            electric("stated", area_m2=120.0, wetted_width_m=4.0, stretch_length_m=50.0),
            electric("sides", wetted_width_m=4.0, stretch_length_m=50.0),
            electric("cut", wetted_width_m=4.0),
            electric("unknown"),
        ]
    )
    area = fished_area_m2(placements, pd.Series({"cut": 48.0, "sides": 30.0}))
    assert area.drop("unknown").to_dict() == {"stated": 120.0, "sides": 200.0, "cut": 192.0}
    assert np.isnan(area["unknown"])


@pytest.mark.skipif(not NEONFISH.exists(), reason="open data are not beside the project")
def test_on_real_multipass_electric_fishing():
    """NEON fish (DP1.20107.001, RELEASE-2024, CC0): hundreds of three-pass stations."""
    passes = pd.read_csv(NEONFISH / "placements.csv")
    passes = passes[passes["pass_no"].notna() & ~passes["placement_id"].str.contains(r"\.v\d")]
    caught = pd.read_csv(NEONFISH / "catches.csv").merge(
        passes[["placement_id", "bout_id", "pass_no"]], on="placement_id"
    )
    bouts = passes.groupby("bout_id").agg(passes=("pass_no", "max"), n=("pass_no", "nunique"))
    bouts = bouts[(bouts["passes"] == 3) & (bouts["n"] == 3)]
    placements = placements_of([electric(bout) for bout in bouts.index])
    catches = catches_of(
        caught.assign(placement_id=caught["bout_id"], species=caught["taxon_name"])[
            ["placement_id", "species", "count", "pass_no"]
        ].to_dict("records")
    )
    frame = depletion(placements, catches, estimators=("likelihood", "weighted"))
    assert len(bouts) > 200
    per_bout = caught.groupby("bout_id")["count"].sum()
    fine = frame[frame["n_hat"].notna() & (frame["species"] == "all")]
    assert len(fine) > 300
    assert (fine["n_hat"] >= fine["placement_id"].map(per_bout) - 1e-9).all()
    assert (frame.loc[frame["n_hat"].isna(), "problem"] != "").all()
    # Two rules on the same catches: where many were caught and falls are clear they agree.
    wide = frame[frame["p_hat"] > 0.5].pivot_table(
        index=["placement_id", "species"], columns="estimator", values="n_hat"
    )
    wide = wide[wide["likelihood"] > 100].dropna()
    assert (abs(wide["likelihood"] / wide["weighted"] - 1) < 0.02).all()
    assert len(wide) > 10


def test_joint_rows_are_those_of_one_species_gear_and_year():
    """Two placements of 2025 share p; the one of 2024 stands alone; the nil adds nothing."""
    placements = placements_of(
        [
            electric("a"),
            electric("b"),
            electric("old", set_at="2024-06-10T10:00Z"),
            electric("nil", outcome="nil"),
        ]
    )
    catches = catches_of(
        passes_of("a", [5, 3, 2]) + passes_of("b", [5, 3, 1]) + passes_of("old", [9, 3, 1])
    )
    frame = depletion(
        placements, catches, pd.Series({"a": 200.0}), estimators=("likelihood", "joint")
    )
    rows = frame[frame["estimator"] == "joint"].set_index("placement_id")
    assert rows.index.tolist() == ["a", "b"]
    assert rows["n_hat"].tolist() == pytest.approx([12.1022, 0.9 * 12.1022], abs=1e-3)
    assert rows.loc["a", "density_per_100_m2"] == pytest.approx(12.1022 / 2, abs=1e-3)
    shared = "one chance of capture for 2 placements of the year"
    assert rows["problem"].str.startswith(f"{shared}; no standard error").all()
    assert (rows["problem"].str.endswith("no upper limit") == rows["n_high"].isna()).all()
    assert rows["problem"].str.contains("fewer than 10 fish").tolist() == [False, True]
    assert not rows["problem"].str.contains("differs between placements").any()
    assert frame["estimator"].tolist().index("joint") > frame["estimator"].tolist().index(
        "likelihood"
    )


def test_a_joint_estimate_says_where_placements_refute_one_chance():
    """80, 16, 4 and 40, 32, 26: chances of about 0.8 and 0.2.

    Chi-square by a grid over q of Σ cᵢ log(qⁱ⁻¹ / (1 + q + q²)) for each and for both.
    """
    caught = [[80, 16, 4], [40, 32, 26]]
    q = np.linspace(1e-4, 2, 200_001)
    logs = np.log(q)[:, None] * np.arange(3) - np.log(1 + q + q**2)[:, None]
    each = [(logs @ np.array(one)).max() for one in caught]
    chi_square = 2 * (sum(each) - (logs @ np.sum(caught, axis=0)).max())
    assert equal_chance_test(caught) == pytest.approx(chdtrc(1, chi_square), rel=1e-3)
    placements = placements_of([electric("a"), electric("b")])
    catches = catches_of(passes_of("a", caught[0]) + passes_of("b", caught[1]))
    frame = depletion(placements, catches, estimators=("likelihood", "joint"))
    joint = frame.loc[frame["estimator"] == "joint", "problem"]
    assert joint.str.contains("the chance of capture differs between placements").all()


def test_rows_without_a_pass_refuse_their_species_and_all_but_no_other():
    """A hand-netted bullhead without a pass says nothing of the trout of 38, 26, 12."""
    rows = [
        *passes_of("e", [38, 26, 12]),
        {"placement_id": "e", "species": "Gasterosteus aculeatus", "count": 2},
    ]
    frame = depletion(placements_of([electric("e")]), catches_of(rows))
    assert one(frame, "likelihood")["n_hat"] == pytest.approx(likelihood([38, 26, 12]).n_hat)
    for species in ("Gasterosteus aculeatus", "all"):
        row = one(frame, "likelihood", species)
        assert np.isnan(row["n_hat"])
        assert "without a pass number" in row["problem"]
