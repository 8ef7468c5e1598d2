"""Catch per unit effort: by hand, against SciPy, and against published rates."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import bootstrap

from layers.errors import FrameError
from layers.estimates import catch_rate, rate_interval
from layers.estimates.catch_rate import catch_per_unit_effort
from layers.fieldwork.effort import effort_of
from tests.sampling_frames import METHODS, SPECIES, ancestors_of, catches_of, placements_of

COLUMNS = [
    "method",
    "catchment",
    "species",
    "placements",
    "effort",
    "effort_unit",
    "individuals",
    "individuals_lower_bound",
    "cpue",
    "cpue_low",
    "cpue_high",
    "cpue_unit",
    "problem",
    "passes_counted",
]

NEONFISH = Path(__file__).parents[2].parent / "shared" / "data" / "neonfish"
NESTED = ancestors_of({"basin": None, "brook": "basin"})
BULLHEAD, STICKLEBACK = "Cottus perifretum", "Gasterosteus aculeatus"


def rates(placements, catches, where=None, **more) -> pd.DataFrame:
    where = where or dict.fromkeys(placements.index, "brook")
    return catch_per_unit_effort(
        placements,
        catches_of(catches),
        effort_of(placements, METHODS),
        SPECIES,
        METHODS,
        catchment_of=pd.Series(where, dtype="str"),
        ancestors=NESTED,
        **more,
    )


def one(frame, species, catchment="brook") -> pd.Series:
    rows = frame[(frame["species"] == species) & (frame["catchment"] == catchment)]
    assert len(rows) == 1
    return rows.iloc[0]


def caught(placement: str, count: float, species: str = BULLHEAD, **more: object) -> dict:
    return {"placement_id": placement, "species": species, "count": count, **more}


def test_ratio_of_sums_with_nil_catches():
    """Eight fish in 5 + 10 + 5 lifts, one of them a nil: 0.4 fish per lift."""
    placements = placements_of(
        [
            {"placement_id": "a", "lifts": 5},
            {"placement_id": "b", "lifts": 10},
            {"placement_id": "c", "lifts": 5, "outcome": "nil"},
            {"placement_id": "d", "lifts": 5, "outcome": "lost"},
            {"placement_id": "e"},
        ]
    )
    frame = rates(placements, [caught("a", 6), caught("b", 2)])
    row = one(frame, BULLHEAD)
    assert (row["placements"], row["effort"], row["individuals"]) == (3, 20, 8)
    assert row["cpue"] == pytest.approx(0.4)
    assert row["cpue_low"] < 0.4 < row["cpue_high"]
    assert not row["individuals_lower_bound"]
    assert row["cpue_unit"] == "fish per lift"
    # No eel in three placements, which says next to nothing of eels that lie together.
    eel = one(frame, "Anguilla anguilla")
    assert (eel["cpue"], eel["cpue_low"]) == (0, 0)
    assert np.isnan(eel["cpue_high"])
    assert eel["problem"].startswith("none caught: too few placements")
    # A kick net cannot detect a stickleback here: no row claims a rate of nought.
    assert STICKLEBACK not in set(frame["species"])
    assert frame.attrs["inputs"]["left_out"] == {"gear lost": 1, "effort unknown": 1}
    assert list(frame.columns) == COLUMNS


def test_counts_of_at_least_leave_a_lower_limit_only():
    placements = placements_of([{"placement_id": p, "lifts": 5} for p in "abc"])
    counted, least = (
        one(rates(placements, [caught("a", 6), caught("b", 2, count_kind=kind)]), BULLHEAD)
        for kind in ("exact", "at_least")
    )
    assert least["individuals_lower_bound"]
    assert least["cpue_low"] == counted["cpue_low"] > 0
    assert np.isnan(least["cpue_high"])
    assert least["problem"].startswith("counts of 'at least'")


def test_fish_of_placements_without_effort_are_named():
    """Three of known effort, and a fourth, with ten fish, whose lifts nobody wrote down."""
    placements = placements_of([{"placement_id": p, "lifts": 5} for p in "abc"])
    more = placements_of([*({"placement_id": p, "lifts": 5} for p in "abc"), {"placement_id": "d"}])
    catches = [caught(p, 4) for p in "abc"]
    row = one(rates(more, [*catches, caught("d", 10)]), BULLHEAD)
    assert (row["placements"], row["individuals"]) == (3, 12)
    assert row["problem"] == "1 placement left out, with 10 fish: effort unknown"
    assert one(rates(placements, catches), BULLHEAD)["problem"] == ""


def test_an_upper_limit_of_no_use_says_so():
    """All fish in one short placement of three: nothing bounds the rate from above."""
    placements = placements_of(
        [{"placement_id": p, "lifts": n} for p, n in (("a", 600), ("b", 1), ("c", 1))]
    )
    row = one(rates(placements, [caught("b", 5), caught("c", 5)]), BULLHEAD)
    assert row["cpue_high"] > 20 * row["cpue"]
    assert row["problem"].startswith("upper limit more than 20 times the rate")
    even = one(rates(placements.assign(lifts=5), [caught(p, 4) for p in "abc"]), BULLHEAD)
    assert even["cpue_high"] < 20 * even["cpue"]
    assert even["problem"] == ""


def test_gear_without_known_effort_keeps_its_row():
    """Two kick nets whose lifts nobody wrote down caught three; beside them a trap that works."""
    placements = placements_of(
        [
            {"placement_id": "a"},
            {"placement_id": "b", "outcome": "nil"},
            {"placement_id": "lost", "outcome": "lost"},
        ]
    )
    row = one(rates(placements, [caught("a", 3), caught("lost", 9)]), BULLHEAD)
    assert (row["placements"], row["individuals"]) == (2, 3)
    assert row[["effort", "cpue", "cpue_low", "cpue_high"]].isna().all()
    assert row["problem"] == "no rate: effort unknown"


def test_catch_of_placements_that_were_not_chosen_counts_nowhere():
    """Three fish of `gone`, which is not among the placements, are not those of the last row."""
    placements = placements_of([{"placement_id": p, "lifts": 2} for p in "ab"])
    row = one(rates(placements, [caught("a", 4), caught("gone", 3)]), BULLHEAD)
    assert (row["individuals"], row["cpue"]) == (4, 1)


def test_nested_and_all_catchments():
    placements = placements_of([{"placement_id": p, "lifts": 1} for p in "abc"])
    frame = rates(
        placements, [caught("a", 1), caught("b", 2), caught("c", 4)], {"a": "brook", "b": "basin"}
    )
    found = {c: one(frame, BULLHEAD, c)["individuals"] for c in ("brook", "basin", "all")}
    assert found == {"brook": 1, "basin": 3, "all": 7}
    assert one(frame, BULLHEAD)["problem"].startswith("fewer than three placements")
    placed = {c: one(frame, BULLHEAD, c) for c in ("brook", "basin", "all")}
    assert np.isnan([placed["brook"]["cpue_low"], placed["basin"]["cpue_low"]]).all()
    assert 0 < placed["all"]["cpue_low"] < 7 / 3 < placed["all"]["cpue_high"]


def test_first_pass_by_area_and_all_passes_by_minute():
    """Three passes: 10 of 16 fish on the whole area; how long the first took is not known.

    Dividing 45 minutes by 3 passes would say 10 fish in 15 minutes.
    """
    electric = {"method": "electric_fishing", "passes": 3, "minutes": 45.0, "area_m2": 200.0}
    placements = placements_of(
        [{"placement_id": "a", **electric}, {"placement_id": "b", **electric}]
    )
    catches = [caught("a", n, pass_no=i) for i, n in enumerate([10, 4, 2], 1)]
    by_area = one(rates(placements, catches), BULLHEAD)
    assert (by_area["individuals"], by_area["effort"]) == (10, 400)
    assert by_area["cpue"] == pytest.approx(2.5)  # per 100 m²
    assert by_area["passes_counted"] == "first"
    by_minute = one(rates(placements, catches, units={"electric_fishing": "minute"}), BULLHEAD)
    assert (by_minute["individuals"], by_minute["effort"]) == (16, 90)
    assert by_minute["cpue"] == pytest.approx(16 / 90)
    assert by_minute["passes_counted"] == "all"
    by_pass = one(rates(placements, catches, units={"electric_fishing": "pass"}), BULLHEAD)
    assert (by_pass["individuals"], by_pass["effort"]) == (10, 2)
    assert by_pass["passes_counted"] == "first"


def test_first_pass_by_its_own_minutes_where_every_placement_states_them():
    """10 and 6 fish in 20 and 10 minutes of first passes, and 3 in 10 minutes fished once.

    With one placement whose minutes are those of both passes, all passes of all count again.
    """
    timed = {"method": "electric_fishing", "passes": 2, "minutes": 45.0}
    rows = [
        {"placement_id": "a", **timed, "minutes_pass_1": 20.0, "minutes_pass_2": 25.0},
        {"placement_id": "b", **timed, "minutes_pass_1": 10.0, "minutes_pass_2": 35.0},
        {"placement_id": "c", "method": "electric_fishing", "passes": 1, "minutes": 10.0},
    ]
    catches = [
        *(caught("a", n, pass_no=i) for i, n in enumerate([10, 4], 1)),
        *(caught("b", n, pass_no=i) for i, n in enumerate([6, 2], 1)),
        caught("c", 3),
    ]
    units = {"electric_fishing": "minute"}
    row = one(rates(placements_of(rows), catches, units=units), BULLHEAD)
    assert (row["individuals"], row["effort"], row["passes_counted"]) == (19, 40, "first")
    assert row["cpue"] == pytest.approx(19 / 40)
    rows.append({"placement_id": "d", **timed})
    row = one(rates(placements_of(rows), catches, units=units), BULLHEAD)
    assert (row["individuals"], row["effort"], row["passes_counted"]) == (25, 145, "all")


def test_catch_per_minute_needs_no_pass_numbers():
    """All passes count, so a catch that nobody told apart by pass does too."""
    placements = placements_of(
        [{"placement_id": "a", "method": "electric_fishing", "passes": 3, "minutes": 30.0}]
    )
    frame = rates(placements, [caught("a", 9)])
    row = one(frame, BULLHEAD)
    assert (row["effort_unit"], row["cpue"]) == ("minute", pytest.approx(0.3))
    assert frame.attrs["inputs"]["left_out"] == {}


@pytest.mark.skipif(not NEONFISH.exists(), reason="open data are not beside the project")
def test_catch_per_minute_of_really_timed_passes():
    """NEON fish (DP1.20107.001, RELEASE-2024, CC0): stations of three passes, each timed.

    With the minutes of a station's passes together, the rate is all fish over all seconds.
    First passes took 15 % longer than a third, so nothing may be told of them alone.
    """
    passes = pd.read_csv(NEONFISH / "placements.csv")
    passes = passes[~passes["placement_id"].str.contains(r"\.v\d")]
    passes = passes[passes["pass_no"].notna() & (passes["gear"] == "electrofishing")]
    bouts = passes.groupby("bout_id")["pass_no"].agg(["max", "nunique", "size"])
    passes = passes[passes["bout_id"].isin(bouts.index[(bouts == 3).all(axis=1)])]
    seconds = passes.groupby("bout_id")["effort_value"].sum()
    first = passes.loc[passes["pass_no"] == 1, "effort_value"].sum()
    assert first / (seconds.sum() / 3) == pytest.approx(1.155, abs=0.001)
    fish = pd.read_csv(NEONFISH / "catches.csv").merge(
        passes[["placement_id", "bout_id", "pass_no"]], on="placement_id"
    )
    electric = {"method": "electric_fishing", "passes": 3}
    frame = rates(
        placements_of(
            [{"placement_id": bout, "minutes": s / 60, **electric} for bout, s in seconds.items()]
        ),
        [
            caught(bout, count, pass_no=number)
            for bout, count, number in zip(
                fish["bout_id"], fish["count"], fish["pass_no"], strict=True
            )
        ],
    )
    row = one(frame, BULLHEAD, "all")
    assert row["passes_counted"] == "all"
    assert row["cpue"] == pytest.approx(60 * fish["count"].sum() / seconds.sum())


def test_traps_set_and_lifted_by_day_count_in_hours():
    """By day alone: 6 fish in 2 x 12 trap-hours. Beside as many by night: per trap-night."""
    day = {"method": "minnow_trap", "set_at": "2025-06-10T06:00Z", "lifted_at": "2025-06-10T18:00Z"}
    night = day | {"set_at": "2025-06-09T18:00Z", "lifted_at": "2025-06-10T06:00Z"}
    by_day = [{"placement_id": p, **day} for p in "ab"]
    by_night = [{"placement_id": p, **night} for p in "cd"]
    catches = [caught(p, 3, STICKLEBACK) for p in "abcd"]
    frame = rates(placements_of(by_day), catches)
    row = one(frame, STICKLEBACK)
    assert (row["effort_unit"], row["effort"], row["cpue"]) == ("soak_hour", 24, 0.25)
    assert frame.attrs["inputs"]["left_out"] == {}
    frame = rates(placements_of(by_day + by_night), catches)
    row = one(frame, STICKLEBACK)
    assert (row["effort_unit"], row["effort"], row["cpue"]) == ("trap_night", 2, 3)
    assert frame.attrs["inputs"]["left_out"] == {"no night between set and lift": 2}


def test_catch_not_told_apart_by_pass_is_left_out():
    electric = {"method": "electric_fishing", "area_m2": 100.0}
    placements = placements_of(
        [
            {"placement_id": "three", "passes": 3, **electric},
            {"placement_id": "once", "passes": 1, **electric},
        ]
    )
    frame = rates(placements, [caught("three", 9), caught("once", 2)])
    assert one(frame, BULLHEAD)["individuals"] == 2
    assert frame.attrs["inputs"]["left_out"] == {"catch not told apart by pass": 1}


def records(n: int, seed: int) -> tuple:
    random = np.random.default_rng(seed)
    lifts = random.integers(1, 9, n)
    counts = random.poisson(0.3 * lifts)
    placements = placements_of(
        [{"placement_id": f"p{i}", "lifts": float(k)} for i, k in enumerate(lifts)]
    )
    catches = [caught(f"p{i}", float(c)) for i, c in enumerate(counts) if c]
    return placements, catches, counts, lifts


@pytest.mark.parametrize("n", [400, 1200])
def test_many_placements_agree_with_the_bootstrap(n):
    """scipy.stats.bootstrap, paired, percentile method, on the same ratio of sums.

    1,200 placements use the large-sample formula.
    """
    placements, catches, counts, lifts = records(n, 3)
    row = one(rates(placements, catches), BULLHEAD)
    theirs = bootstrap(
        (counts, lifts),
        lambda c, e, axis: c.sum(axis=axis) / e.sum(axis=axis),
        paired=True,
        vectorized=True,
        n_resamples=2000,
        method="percentile",
        rng=np.random.default_rng(9),
    ).confidence_interval
    spread = theirs.high - theirs.low
    assert row["cpue_low"] == pytest.approx(theirs.low, abs=0.08 * spread)
    assert row["cpue_high"] == pytest.approx(theirs.high, abs=0.08 * spread)


@pytest.mark.parametrize("rows", [[], [{"placement_id": "a", "outcome": "lost", "lifts": 2}]])
def test_nothing_to_rate(rows):
    frame = rates(placements_of(rows), [])
    assert frame.empty
    assert frame["cpue"].dtype == frame["individuals"].dtype == np.float64
    assert frame["individuals_lower_bound"].dtype == bool


def test_present_without_a_count_is_a_lower_bound_of_one():
    placements = placements_of([{"placement_id": p, "lifts": 4} for p in "ab"])
    row = one(rates(placements, [caught("a", np.nan, count_kind="present")]), BULLHEAD)
    assert (row["individuals"], row["individuals_lower_bound"]) == (1, True)


def test_a_unit_the_method_does_not_have_is_refused():
    placements = placements_of([{"placement_id": "a", "lifts": 4}])
    with pytest.raises(FrameError, match="kick_net is not counted in trap_night"):
        rates(placements, [], units={"kick_net": "trap_night"})


def fished(pid: str, **columns: object) -> dict:
    """One electric fishing, one pass."""
    return {"placement_id": pid, "method": "electric_fishing", "passes": 1, **columns}


@pytest.mark.parametrize(
    ("rows", "unit", "rate"),
    [
        # The first unit that half of the placements are known in: 6 fish on 200 m², per 100.
        ([{"area_m2": 100.0, "minutes": 10.0}] * 2 + [{"minutes": 10.0}] * 2, "square_metre", 3.0),
        # One of three is too few; none has a length; all have minutes: 9 fish in 30 min.
        ([{"area_m2": 100.0, "minutes": 10.0}] + [{"minutes": 10.0}] * 2, "minute", 0.3),
        # Two of nine have an area, three a length; passes are known in all.
        (
            [{"area_m2": 100.0}] * 2 + [{"stretch_length_m": 100.0}] * 3 + [{}] * 4,
            "pass", 3.0,
        ),
        # Lost gear does not vote: of what fished, one of one has an area.
        ([{"area_m2": 50.0}, {"outcome": "lost", "minutes": 5.0}], "square_metre", 6.0),
    ],
)  # fmt: skip
def test_the_first_unit_that_serves_half_of_the_placements(rows, unit, rate):
    """Three bullheads in each; the unit is one per method, and stated."""
    placements = placements_of([fished(f"e{k}", **row) for k, row in enumerate(rows)])
    frame = rates(placements, [caught(f"e{k}", 3, pass_no=1) for k in range(len(rows))])
    row = one(frame, BULLHEAD)
    assert row["effort_unit"] == unit
    assert row["cpue"] == pytest.approx(rate)
    assert frame.attrs["inputs"]["effort_units"]["electric_fishing"] == unit


def test_a_unit_known_in_too_few_is_the_best_of_several():
    """Nothing serves half of nine placements: length, known in three, goes before area."""
    rows = [{"area_m2": 100.0}] * 2 + [{"stretch_length_m": 50.0}] * 3 + [{}] * 4
    placements = placements_of(
        [fished(f"e{k}", **row) | {"passes": np.nan} for k, row in enumerate(rows)]
    )
    frame = rates(placements, [caught(f"e{k}", 1) for k in range(9)])
    row = one(frame, BULLHEAD)
    assert (row["effort_unit"], row["placements"], row["effort"]) == ("metre", 3, 150)
    assert row["cpue"] == pytest.approx(2)  # three fish on 150 m, per 100 m
    assert frame.attrs["inputs"]["left_out"]["effort unknown"] == 6
    asked = rates(placements, [caught("e0", 1)], units={"electric_fishing": "square_metre"})
    assert one(asked, BULLHEAD)["effort_unit"] == "square_metre"


def test_many_groups_at_once_are_each_alone(monkeypatch):
    """One search for all limits; each catchment's rows equal those of its placements by themselves.

    Also where the limits are searched a few at a time.
    """
    random = np.random.default_rng(4)
    rows = [
        {"placement_id": f"p{k}", "lifts": int(lifts), "outcome": "caught" if fish else "nil"}
        for k, (lifts, fish) in enumerate(random.integers(0, [9, 3], (60, 2)))
    ]
    placements = placements_of(rows)
    where = {row["placement_id"]: f"C{k % 7}" for k, row in enumerate(rows)}
    catches = [
        caught(row["placement_id"], int(random.integers(1, 20)), species)
        for row in rows
        for species in (BULLHEAD, "Anguilla anguilla")
        if row["outcome"] == "caught" and random.random() < 0.6
    ]
    searches = []
    search = catch_rate.rate_interval

    def counted(*arrays):
        searches.append(len(arrays[3]))
        return search(*arrays)

    monkeypatch.setattr(catch_rate, "rate_interval", counted)
    monkeypatch.setattr(rate_interval, "_AT_ONCE", 5)

    def of(names):
        chosen = [row for row in rows if where[row["placement_id"]] in names]
        ids = [row["placement_id"] for row in chosen]
        return catch_per_unit_effort(
            placements.loc[ids],
            catches_of(catches),
            effort_of(placements.loc[ids], METHODS),
            SPECIES,
            METHODS,
            catchment_of=pd.Series(where, dtype="str"),
            ancestors=ancestors_of(dict.fromkeys(sorted(set(where.values())))),
        )

    whole = of(set(where.values()))
    assert len(searches) == 1
    assert searches[0] > 10
    for name in sorted(set(where.values())):
        own = whole[whole["catchment"] == name].reset_index(drop=True)
        alone = of({name})
        alone = alone[alone["catchment"] == name].reset_index(drop=True)
        pd.testing.assert_frame_equal(own, alone, rtol=1e-9)
