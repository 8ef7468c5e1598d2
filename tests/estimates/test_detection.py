"""Detection through the frames: the published examples as placements, and reasons."""

import re

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import expit

from layers.errors import FrameError
from layers.estimates import detection as computing
from layers.estimates import fitted_seasons
from layers.estimates.catchment_chances import CHANCE_COLUMNS
from layers.estimates.covariates import choose_model, covariates_of
from layers.estimates.detection import DETECTION_COLUMNS
from layers.estimates.histories import histories
from layers.estimates.occupancy import fit_occupancy
from layers.fieldwork.effort import effort_of
from layers.network.graph import build_network
from tests.estimates.test_occupancy import CHECKS
from tests.sampling_frames import METHODS, SPECIES, ancestors_of, catches_of, placements_of

BULLHEAD = "Cottus perifretum"
NESTED = ancestors_of({"basin": None, "brook": "basin", "mere": "basin", "dry": None})


def detection(*args, **options):
    return computing.detection(*args, **options).by_method


def chance_present_by_catchment(*args, **options):
    return computing.detection(*args, **options).by_catchment


def salamander() -> tuple:
    """The 39 sites and 5 visits of MacKenzie et al. (2006) p. 99, as kick-net placements."""
    rows, catches, reaches, number = [], [], {}, 0
    for history, sites in CHECKS["occupancy-salamander"]["inputs"]["histories"].items():
        for _ in range(sites):
            number += 1
            for visit, seen in enumerate(history):
                pid = f"s{number}v{visit}"
                reaches[pid] = f"R{number}"
                outcome = "caught" if seen == "1" else "nil"
                rows.append(
                    {"placement_id": pid, "site": f"S{number}", "outcome": outcome,
                     "set_at": f"2025-06-{visit + 10}T10:00Z"}
                )  # fmt: skip
                if seen == "1":
                    catches.append({"placement_id": pid, "species": BULLHEAD, "count": 1})
    return rows, catches, reaches


def frames(rows, catches, reaches) -> tuple:
    snaps = pd.DataFrame({"reach_id": pd.Series(reaches, dtype="str")})
    placements = placements_of(rows)
    return (
        placements, catches_of(catches), snaps, SPECIES, METHODS, effort_of(placements, METHODS),
    )  # fmt: skip


def one(frame, method="kick_net", species=BULLHEAD) -> pd.Series:
    rows = frame[(frame["species"] == species) & (frame["method"] == method)]
    assert len(rows) == 1
    return rows.iloc[0]


@pytest.mark.parametrize("unit", ["reach", "site"])
def test_published_example_through_the_frames(unit):
    frame = detection(*frames(*salamander()), unit=unit)
    row, expected = one(frame), CHECKS["occupancy-salamander"]["expected"]
    assert (row["units"], row["visits"], row["placements"]) == (39, 195, 195)
    assert (row["units_found"], row["visits_found"]) == (18, 30)
    assert (row["estimator"], row["season"]) == ("maximum_likelihood", "2025-06")
    assert row["occupancy"] == pytest.approx(expected["psi"], abs=2e-4)
    assert row["occupancy_se"] == pytest.approx(expected["se_psi"], abs=5e-4)
    assert row["detection"] == pytest.approx(expected["p"], abs=2e-4)
    assert row["detection_se"] == pytest.approx(expected["se_p"], abs=5e-4)
    # Bayes' rule on the published figures: all 21 empty sites were visited five times.
    psi, missed = expected["psi"], (1 - expected["p"]) ** 5
    assert row["chance_missed"] == pytest.approx(psi * missed / (1 - psi + psi * missed), abs=1e-3)
    more = row["more_placements"]
    still = [psi * missed * (1 - expected["p"]) ** k for k in (more - 1, more)]
    assert still[0] / (1 - psi + still[0]) > 0.05 >= still[1] / (1 - psi + still[1])
    assert list(frame.columns) == list(DETECTION_COLUMNS)
    assert frame.attrs["inputs"]["season"] == [2025]
    assert "closed seasons" in frame.attrs["inputs"]["assumes"]
    for name in ("occupancy", "detection", "chance_missed"):
        assert row[f"{name}_low"] < row[name] < row[f"{name}_high"]


def test_species_never_found_and_methods_without_a_find_say_so():
    rows, catches, reaches = salamander()
    for i in range(6):
        rows.append({"placement_id": f"e{i}", "method": "electric_fishing", "outcome": "nil"})
        reaches[f"e{i}"] = f"R{39 - i}"  # where the kick net found it
    frame = detection(*frames(rows, catches, reaches))
    assert "never found" in one(frame, species="Anguilla anguilla")["problem"]
    assert pd.isna(one(frame, species="Anguilla anguilla")["more_placements"])
    nil = one(frame, "electric_fishing")
    assert nil["estimator"] == "penalised_likelihood"
    # The penalty alone would give a figure, and a number of placements to rule it out with.
    assert nil[["detection", "detection_se", "more_placements"]].isna().all()
    assert nil["detection_low"] == 0 < nil["detection_high"] < 1
    assert "without a find: only an upper limit" in nil["problem"]
    assert "without a find" not in one(frame)["problem"]
    # A method that cannot detect the stickleback has no row for it.
    sticklebacks = frame.loc[frame["species"] == "Gasterosteus aculeatus", "method"]
    assert sticklebacks.tolist() == ["electric_fishing"]
    assert "Lampetra" not in set(frame["species"])


def test_what_is_common_is_not_called_rare():
    """26 of 30 reaches with a find: occupancy may be 1, but the species is not rare."""
    rows = visits(2025, 30, 2)
    hits = [f"2025r{r}v0" for r in range(26)] + [f"2025r{r}v1" for r in range(8)]
    for row in rows:
        row["outcome"] = "caught" if row["placement_id"] in hits else "nil"
    catches = [{"placement_id": pid, "species": BULLHEAD, "count": 1} for pid in hits]
    reaches = {row["placement_id"]: row["placement_id"].split("v")[0] for row in rows}
    for r in (26,):
        rows.append({"placement_id": f"e{r}", "method": "electric_fishing", "outcome": "nil"})
        reaches[f"e{r}"] = f"2025r{r}"
    frame = detection(*frames(rows, catches, reaches))
    row, nil = one(frame), one(frame, "electric_fishing")
    assert (row["occupancy_low"] > 0.4, row["occupancy_high"]) == (True, 1)
    assert row["problem"].startswith("occupancy may be up to 1")
    assert "rare species" not in row["problem"]
    assert nil["detection_high"] == pytest.approx(1, abs=5e-4)
    assert "without a find: nothing is known of its chance" in nil["problem"]


def test_methods_with_few_visits_share_one_chance_and_say_so():
    rows, catches, reaches = salamander()
    for method, number in (("electric_fishing", 2), ("spotlight", 3)):
        for i in range(number):
            pid = f"{method}{i}"
            rows.append({"placement_id": pid, "method": method, "outcome": "nil"})
            reaches[pid] = f"R{i + 1}"
    frame = detection(*frames(rows, catches, reaches))
    few = [one(frame, method) for method in ("electric_fishing", "spotlight")]
    assert few[0]["detection_high"] == few[1]["detection_high"] != one(frame)["detection_high"]
    assert few[0][["detection", "more_placements"]].isna().all()
    assert "fewer than 5 visits: chance taken together with spotlight" in few[0]["problem"]
    rows[-1]["outcome"] = "caught"
    caught = [*catches, {"placement_id": rows[-1]["placement_id"], "species": BULLHEAD, "count": 1}]
    once = detection(*frames(rows, caught, reaches))
    assert 0 < one(once, "electric_fishing")["detection"] == one(once, "spotlight")["detection"] < 1
    alone = detection(
        *frames([r for r in rows if "spot" not in r["placement_id"]], catches, reaches)
    )
    assert "2 visits only: its chance is hardly known" in one(alone, "electric_fishing")["problem"]


def test_traps_of_one_night_are_one_visit():
    """Each trap repeated beside the first, in the same catch: visits stay, placements double."""
    rows, catches, reaches = salamander()
    twins = [row | {"placement_id": row["placement_id"] + "b"} for row in rows]
    both = detection(
        *frames([*rows, *twins], catches, reaches | {f"{k}b": v for k, v in reaches.items()})
    )
    own, plain = one(both), one(detection(*frames(rows, catches, reaches)))
    assert (own["visits"], own["placements"]) == (195, 390)
    assert own["occupancy"] == plain["occupancy"]
    assert own["detection"] == plain["detection"]
    # The same number of visits is needed, of two placements each, less what rounding spares.
    assert 2 * plain["more_placements"] - own["more_placements"] in (0, 1)
    assert own["usual_effort"] == 2


def test_effort_tells_a_long_visit_from_a_short_one():
    """Kick nets of 1 lift find it half as often as those of more: rate per lift is one."""
    random = np.random.default_rng(3)
    rows, catches, reaches = [], [], {}
    for r in range(300):
        there = random.random() < 0.6
        for v in range(3):
            pid, lifts = f"r{r}v{v}", int(random.choice([1, 4]))
            hit = there and random.random() < 1 - np.exp(-0.3 * lifts)
            rows.append({"placement_id": pid, "lifts": lifts, "outcome": "caught" if hit else "nil",
                         "set_at": f"2025-06-{v + 10}T10:00Z"})  # fmt: skip
            reaches[pid] = f"R{r}"
            if hit:
                catches.append({"placement_id": pid, "species": BULLHEAD, "count": 1})
    row = one(detection(*frames(rows, catches, reaches)))
    assert row["effort_unit"] == "lift"
    rate = -np.log(1 - row["detection"]) / row["usual_effort"]
    assert rate == pytest.approx(0.3, abs=0.05)
    for row_of in rows[:30]:
        row_of["lifts"] = np.nan
    said = one(detection(*frames(rows, catches, reaches)))["problem"]
    assert "effort of 30 visits not known, taken as usual" in said


def test_too_few_units_say_so():
    """Nine reaches, each visited twice."""
    rows = visits(2025, 9, 2)
    for row in rows[:8]:
        row["outcome"] = "caught"
    catches = [
        {"placement_id": r["placement_id"], "species": BULLHEAD, "count": 1} for r in rows[:8]
    ]
    reaches = {row["placement_id"]: row["placement_id"].split("v")[0] for row in rows}
    args = frames(rows, catches, reaches)
    assert one(detection(*args))["problem"] == "9 units are too few; at least 10"
    home = pd.Series("brook", index=args[0].index)
    home[args[0].index.str.startswith("2025r8")] = "mere"
    frame = chance_present_by_catchment(*args, catchment_of=home, ancestors=NESTED)
    mere = frame[(frame["catchment"] == "mere") & (frame["species"] == BULLHEAD)].iloc[0]
    assert mere["problem"] == "over all catchments: 9 units are too few; at least 10"


def test_lost_gear_is_no_look():
    """Lost and disturbed gear at every site changes no figure of the published example."""
    rows, catches, reaches = salamander()
    plain = detection(*frames(rows, catches, reaches))
    for k in range(1, 40):
        rows.append({"placement_id": f"l{k}", "outcome": ["lost", "disturbed"][k % 2]})
        reaches[f"l{k}"] = f"R{k}"
    frame = detection(*frames(rows, catches, reaches))
    pd.testing.assert_frame_equal(frame, plain)
    assert frame.attrs["inputs"]["left_out"] == {"gear lost": 19, "gear disturbed": 20}


def test_each_year_has_its_own_rows():
    """Years are never taken together: an old nil changes nothing of the later season."""
    rows, catches, reaches = salamander()
    plain = detection(*frames(rows, catches, reaches))
    old = {"placement_id": "old", "set_at": "2019-06-01T10:00Z", "outcome": "nil"}
    unsnapped = {"placement_id": "loose", "outcome": "nil"}
    args = frames([*rows, old, unsnapped], catches, reaches | {"old": "R1"})
    frame = detection(*args)
    own = frame[(frame["species"] == BULLHEAD) & (frame["method"] == "kick_net")]
    assert own["year"].tolist() == [2019, 2025]
    assert own["visits"].tolist() == [1, 195]
    assert own["problem"].iloc[0].startswith("never found")
    assert own["occupancy"].iloc[1] == one(plain)["occupancy"]
    assert frame.attrs["inputs"]["left_out"] == {"no reach": 1}
    later = detection(*args, years=[2025])
    assert one(later)["visits"] == 195
    assert later.attrs["inputs"]["left_out"] == {"another season": 1, "no reach": 1}


def test_a_season_has_usual_efforts_of_its_own():
    """Kick nets of ten lifts in another year change nothing of this one, chosen or not."""
    rows, catches, reaches = salamander()
    for r in rows:
        r["lifts"] = 2
    more = [r | {"lifts": 10} for r in visits(2024, 39, 8)]
    reaches |= {r["placement_id"]: r["placement_id"].split("v")[0] for r in more}
    args = frames([*rows, *more], catches, reaches)
    whole, alone = detection(*args), one(detection(*args, years=[2025]))
    own = whole[(whole["species"] == BULLHEAD) & (whole["year"] == 2025)].iloc[0]
    assert own["usual_effort"] == alone["usual_effort"] == 2
    pd.testing.assert_series_equal(own, alone, check_names=False)


@pytest.mark.parametrize(
    ("days", "years"),
    [
        (None, {"2024": 1, "2025": 3}),
        (((3, 1), (10, 31)), {"2025": 2}),
        # A southern summer bears the year in which it began.
        (((11, 1), (2, 28)), {"2024": 2}),
    ],
)
def test_a_season_between_two_days(days, years):
    dates = ["2024-12-30", "2025-01-02", "2025-03-01", "2025-10-31"]
    rows = [
        {"placement_id": d, "outcome": "nil", "set_at": f"{d}T10:00Z", "timezone": "UTC"}
        for d in dates
    ]
    frame = detection(*frames(rows, [], dict.fromkeys(dates, "R1")), days=days)
    own = frame[frame["species"] == BULLHEAD]
    assert dict(zip(own["year"].astype(str), own["visits"], strict=True)) == years


def test_the_published_example_over_new_year_and_in_segments():
    """The same visits in November to February, 39 pieces of one reach: the same figures."""
    rows, catches, reaches = salamander()
    figures = ["units", "units_found", "visits", "occupancy", "occupancy_high", "detection_low"]
    expected = one(detection(*frames(rows, catches, reaches)))[figures]
    dates = ["2024-11-01", "2024-12-31", "2025-01-01", "2025-02-10", "2025-02-29"]
    for row in rows:
        visit = int(row["placement_id"].rpartition("v")[2])
        row |= {"set_at": f"{min(dates[visit], '2025-02-28')}T10:00Z", "timezone": "UTC"}
    args = list(frames(rows, catches, reaches))
    number = args[2]["reach_id"].str[1:].astype(int)
    args[2] = args[2].assign(reach_id="L", measure_m=200.0 * number - 100.0)
    found = one(detection(*args, unit="segment", days=((11, 1), (2, 29)),
                          reach_length_m=pd.Series({"L": 39 * 200.0})))  # fmt: skip
    assert found[figures].tolist() == pytest.approx(expected.tolist())
    assert (found["year"], found["season"]) == (2024, "2024-11 to 2025-02")


def test_segments_are_pieces_of_like_length():
    """A reach of 950 m in five pieces of 190 m, one of 90 m in one; an unknown place is in none."""
    rows = [{"placement_id": f"p{i}", "outcome": "nil"} for i in range(5)]
    args = list(frames(rows, [], {}))
    args[2] = pd.DataFrame(
        {"reach_id": ["L", "L", "L", "S", None], "measure_m": [0.0, 189.0, 191.0, 90.0, np.nan]},
        index=args[0].index,
    ).astype({"reach_id": "str"})
    lengths = pd.Series({"L": 950.0, "S": 90.0})
    frame = detection(*args, unit="segment", reach_length_m=lengths, segment_m=200.0)
    assert one(frame)["units"] == 3
    assert frame.attrs["inputs"]["left_out"] == {"no segment": 1}
    short = detection(*args, unit="segment", reach_length_m=lengths, segment_m=2000.0)
    assert one(short)["units"] == 2


def test_a_catch_of_what_did_not_look_is_no_find():
    """Fish in disturbed gear and of another season; the first row, S1, found nothing itself."""
    rows, catches, reaches = salamander()
    empty = [r for r in rows if r["outcome"] == "nil"]
    rows = [empty[0], *(r for r in rows if r is not empty[0])]
    plain = detection(*frames(rows, catches, reaches), years=[2025])
    rows += [
        {"placement_id": "spilt", "outcome": "disturbed"},
        {"placement_id": "old", "set_at": "2019-06-01T10:00Z", "outcome": "caught"},
    ]
    catches += [{"placement_id": p, "species": BULLHEAD, "count": 2} for p in ("spilt", "old")]
    args = frames(rows, catches, reaches | {"spilt": "R1", "old": "R1"})
    frame = detection(*args, years=[2025])
    pd.testing.assert_frame_equal(frame, plain)


def visits(year: int, reaches: int, each: int) -> list[dict]:
    """So many nil visits to each of so many reaches in one year."""
    return [
        {"placement_id": f"{year}r{r}v{v}", "outcome": "nil",
         "set_at": f"{year}-06-{v + 1:02d}T10:00Z"}
        for r in range(reaches) for v in range(each)
    ]  # fmt: skip


def test_chance_by_catchment():
    """Two unfound reaches in the mere: any of them may hold it; found in the brook."""
    rows, catches, reaches = salamander()
    found = {c["placement_id"].split("v")[0] for c in catches}
    empty = sorted({r["placement_id"].split("v")[0] for r in rows} - found)[:2]
    where = {
        r["placement_id"]: "mere" if r["placement_id"].split("v")[0] in empty else "brook"
        for r in rows
    }
    args = frames(rows, catches, reaches)
    frame = chance_present_by_catchment(*args, catchment_of=pd.Series(where), ancestors=NESTED)
    mine = frame[frame["species"] == BULLHEAD].set_index("catchment")
    each = one(detection(*args))
    mere = mine.loc["mere"]
    for end in ("", "_low", "_high"):
        alone = each[f"chance_missed{end}"]
        assert mere[f"chance_present{end}"] == pytest.approx(1 - (1 - alone) ** 2, abs=1e-6)
    assert (mere["units"], mere["visits"], mere["year"]) == (2, 10, 2025)
    assert mere["problem"].startswith("assumes that a catchment without a find is as occupied")
    assert "as occupied as the others" in frame.attrs["inputs"]["assumes"]
    assert mine.loc["brook", "problem"] == mine.loc["basin", "problem"] == "found"
    assert mine.loc["dry", "problem"] == "nobody looked"
    assert np.isnan(mine.loc["dry", "chance_present"])
    assert list(frame.columns) == list(CHANCE_COLUMNS)


def test_no_chance_is_borrowed_from_catchments_that_are_not_alike():
    """All 21 unfound sites in the mere: by hand, no find there has a chance below 5 %.

    From the published figures: (1 - ψ + ψ (1 - p)^5)^21. A site missed there is missed with a
    chance of (1 - p)^5, whose interval is that of p, of all visits.
    """
    rows, catches, reaches = salamander()
    found = {c["placement_id"].split("v")[0] for c in catches}
    where = {r["placement_id"]: "brook" if r["placement_id"].split("v")[0] in found else "mere"
             for r in rows}  # fmt: skip
    expected = CHECKS["occupancy-salamander"]["expected"]
    psi, missed = expected["psi"], (1 - expected["p"]) ** 5
    assert (1 - psi + psi * missed) ** 21 < 0.05 < (1 - psi + psi * missed) ** 2
    args = frames(rows, catches, reaches)
    frame = chance_present_by_catchment(*args, catchment_of=pd.Series(where), ancestors=NESTED)
    mere = frame[(frame["species"] == BULLHEAD) & (frame["catchment"] == "mere")].iloc[0]
    ends = ["chance_present", "chance_present_low", "chance_present_high"]
    assert mere[ends].isna().all()
    assert mere["problem"].startswith("rarer here than in other catchments")
    said = [
        float(x) for x in re.search(r"a chance of (\S+) to (\S+) \(95", mere["problem"]).groups()
    ]
    p = one(detection(*args))
    assert said == pytest.approx(
        [(1 - p["detection_high"]) ** 5, (1 - p["detection_low"]) ** 5], rel=0.05
    )


def test_no_chance_from_a_fit_that_is_not_to_be_read():
    """Visited twice, found again nowhere: the fit's own warning takes the chance away."""
    rows = visits(2025, 30, 2)
    hits = [f"2025r{r}v0" for r in range(8)]
    for row in rows:
        row["outcome"] = "caught" if row["placement_id"] in hits else "nil"
    catches = [{"placement_id": pid, "species": BULLHEAD, "count": 1} for pid in hits]
    reaches = {row["placement_id"]: row["placement_id"].split("v")[0] for row in rows}
    args = frames(rows, catches, reaches)
    home = pd.Series("brook", index=args[0].index)
    home[args[0].index.str.match("2025r2[78]v")] = "mere"
    warned = one(detection(*args))["problem"]
    assert "read the interval of occupancy, not the estimate" in warned
    frame = chance_present_by_catchment(*args, catchment_of=home, ancestors=NESTED)
    mere = frame[(frame["species"] == BULLHEAD) & (frame["catchment"] == "mere")].iloc[0]
    assert (mere["units"], mere["visits"]) == (2, 4)
    assert mere[["chance_present", "chance_present_low", "chance_present_high"]].isna().all()
    assert "; ".join(warned.split("; ")[:2]) in mere["problem"], mere["problem"]


def test_a_catchment_takes_its_latest_season_that_can_be_estimated():
    """A single later visit elsewhere, or there, takes no answer away."""
    rows, catches, reaches = salamander()
    found = {c["placement_id"].split("v")[0] for c in catches}
    empty = sorted({r["placement_id"].split("v")[0] for r in rows} - found)[:2]
    where = {r["placement_id"]: "mere" if r["placement_id"].split("v")[0] in empty else "brook"
             for r in rows}  # fmt: skip
    later = {"placement_id": "n", "outcome": "nil", "set_at": "2026-06-01T10:00Z"}
    args = frames([*rows, later], catches, reaches | {"n": "R1"})
    frame = chance_present_by_catchment(
        *args, catchment_of=pd.Series(where | {"n": "mere"}), ancestors=NESTED
    )
    mere = frame[(frame["species"] == BULLHEAD) & (frame["catchment"] == "mere")].iloc[0]
    assert mere["year"] == 2025
    assert 0 < mere["chance_present_low"] < mere["chance_present"] < 1


def test_chances_fit_only_seasons_that_they_need_and_no_season_twice(monkeypatch):
    """Of two seasons that can be estimated the later is enough where all catchments were visited;
    the table by method fits the other one besides, whichever table comes first."""
    rows, catches, reaches = salamander()
    earlier = [
        r | {"placement_id": f"e{r['placement_id']}", "set_at": f"2024{r['set_at'][4:]}"}
        for r in rows
    ]
    catches += [c | {"placement_id": f"e{c['placement_id']}"} for c in catches]
    reaches |= {f"e{name}": reach for name, reach in reaches.items()}
    where = {r["placement_id"]: "brook" for r in [*rows, *earlier]}
    args = frames([*rows, *earlier], catches, reaches)
    fit, fitted = fitted_seasons.fit_occupancy, []
    monkeypatch.setattr(
        fitted_seasons, "fit_occupancy", lambda seen: fitted.append(seen) or fit(seen)
    )
    tables = {}
    for order, made in (
        (("by_catchment", "by_method"), [1, 2]),
        (("by_method", "by_catchment"), [2, 2]),
    ):
        fitted.clear()
        both = computing.detection(*args, catchment_of=pd.Series(where), ancestors=NESTED)
        for table, count in zip(order, made, strict=True):
            frame = getattr(both, table)
            pd.testing.assert_frame_equal(frame, tables.setdefault(table, frame))
            assert len(fitted) == count


@pytest.mark.parametrize("rows", [[], [{"placement_id": "a", "outcome": "lost"}]])
def test_nobody_looked(rows):
    frame = detection(*frames(rows, [], {"a": "R1"}))
    assert set(frame["problem"]) == {"nobody looked"}
    assert (frame[["units", "placements"]] == 0).all(axis=None)
    assert frame["occupancy"].dtype == np.float64
    by = chance_present_by_catchment(
        *frames(rows, [], {"a": "R1"}), catchment_of=pd.Series(dtype="str"), ancestors=NESTED
    )
    assert set(by["problem"]) == {"nobody looked"}


def test_one_placement_is_refused_in_words():
    frame = detection(
        *frames(
            [{"placement_id": "a"}],
            [{"placement_id": "a", "species": BULLHEAD, "count_kind": "present"}],
            {"a": "R1"},
        )
    )
    assert one(frame)["problem"] == "1 unit is too few; at least 10"


def test_unknown_unit_is_refused():
    with pytest.raises(FrameError, match="reach, site or segment"):
        detection(*frames([], [], {}), unit="parish")


def test_covariates_are_chosen_by_aicc_where_they_matter():
    """Simulated: lives in large streams, found by night. Both are named, and ψ is their mean."""
    random = np.random.default_rng(12)
    rows, catches, reaches, values = [], [], {}, {}
    here = 0
    for r in range(200):
        order = float(random.integers(1, 5))
        there = random.random() < expit(2.0 * (order - 2.5))
        here += there
        for v in range(4):
            pid, night = f"r{r}v{v}", float(random.random() < 0.5)
            hit = there and random.random() < (0.7 if night else 0.15)
            rows.append({"placement_id": pid, "outcome": "caught" if hit else "nil",
                         "set_at": f"2025-06-{v + 10}T10:00Z"})  # fmt: skip
            reaches[pid] = f"R{r}"
            values[pid] = {"stream_order": order, "night": night, "water_temperature": 10 + v}
            if hit:
                catches.append({"placement_id": pid, "species": BULLHEAD, "count": 1})
    args, covariates = frames(rows, catches, reaches), pd.DataFrame(values).T
    frame = detection(*args, covariates=covariates)
    row, plain = one(frame), one(detection(*args))
    assert row["model"] == "occupancy by stream_order; detection by night"
    assert plain["model"] == "constant"
    assert row["aicc"] < plain["aicc"] - 50
    assert row["occupancy_low"] < here / 200 < row["occupancy_high"]
    assert row["occupancy_high"] < 1
    assert frame.attrs["inputs"]["candidates"] == ["constant", *covariates.columns]
    # What says nothing of it is not chosen, nor what is known of too few visits.
    noise = pd.DataFrame({"water_temperature": random.normal(size=800)}, index=covariates.index)
    assert one(detection(*args, covariates=noise))["model"] == "constant"
    covariates.iloc[200:] = np.nan
    assert one(detection(*args, covariates=covariates))["model"] == "constant"


def covariate_survey(sure=False):
    """Seventy units with an order, three visits by two kinds of gear of unequal effort.

    With `sure` six more visits by a gear that always finds a present species.
    """
    random = np.random.default_rng(1)
    order, unit = random.integers(1, 5, 70).astype(float), np.repeat(np.arange(70), 3)
    kind, effort = random.integers(0, 2, 210), random.lognormal(0, 0.5, 210)
    there = random.random(70) < expit(1.2 * (order - 2.5))
    if sure:
        unit, kind = np.append(unit, range(6)), np.append(kind, [2] * 6)
        effort = np.append(effort, np.ones(6))
    temperature = random.normal(12, 3, unit.size)
    rate = np.exp(np.array([-1.0, 0.0, 9.0])[kind] + 0.25 * (temperature - 12))
    found = there[unit] & (random.random(unit.size) < 1 - np.exp(-rate * effort))
    values = pd.DataFrame({"stream_order": order[unit], "water_temperature": temperature})
    return (unit, kind, effort, found), values, order


def test_aicc_and_occupancy_with_covariates_are_those_of_the_likelihood_itself():
    """Visit by visit, maximised by SciPy's BFGS; AICc with units as samples (from memory)."""
    visits, values, order = covariate_survey()
    unit, kind, effort, found = visits
    model, seen = choose_model(*visits, values, histories(*visits))
    fit = fit_occupancy(seen, intervals=False)
    assert model == "occupancy by stream_order; detection by water_temperature"
    empty = ~np.isin(np.arange(70), unit[found])

    def unlikely(theta):
        psi, slope = expit(theta[0] + theta[1] * (order - 2.5)), theta[4]
        warm = values["water_temperature"].to_numpy() - 12
        log_missed = -np.exp(theta[2:4][kind] + slope * warm) * effort
        each = np.where(found, np.log(-np.expm1(log_missed)), log_missed)
        all_visits = np.exp(np.bincount(unit, each))
        return -np.log(psi * all_visits + (1 - psi) * empty).sum()

    best = minimize(unlikely, [0.0, 0.0, -1.0, -1.0, 0.0], method="BFGS")
    assert fit.aicc == pytest.approx(2 * best.fun + 2 * 5 + 2 * 5 * 6 / (70 - 5 - 1), abs=1e-4)
    psi = expit(best.x[0] + best.x[1] * (order - 2.5)).mean()
    assert fit.occupancy.value == pytest.approx(psi, abs=1e-4)


def test_a_gear_that_always_finds_it_hides_no_covariate():
    """Its chance is at a boundary in all candidates, also in the constant one."""
    visits, values, _ = covariate_survey(sure=True)
    plain = histories(*visits)
    assert fit_occupancy(plain, intervals=False).penalised
    model = choose_model(*visits, values, plain)[0]
    assert model == "occupancy by stream_order; detection by water_temperature"


def test_covariates_of_the_network_and_the_field_sheet(drawn_reaches):
    """Distances, orders and lengths of `network_reaches.csv`, by hand in its README."""
    network = build_network(drawn_reaches)
    rows = [
        {"placement_id": "a", "set_at": "2025-06-10T12:00Z"},
        {"placement_id": "b", "set_at": "2025-06-10T23:59Z"},
        {"placement_id": "c"},
    ]
    placements = placements_of(rows)
    placements["water_temperature_c"] = [12.5, np.nan, 9.0]
    methods = METHODS.assign(hours="any")
    snaps = pd.DataFrame({"reach_id": ["R1", "R4", None]}, index=placements.index).astype("str")
    snaps["reach_id"] = snaps["reach_id"].where(snaps["reach_id"] != "None")
    found = covariates_of(placements, snaps, methods, network)
    assert found.loc["a", "stream_order"] == 3
    assert np.exp(found.loc["b", "upstream_length"]) == pytest.approx(1400)
    assert found.loc["a", "outlet_distance"] == 0
    assert found.loc["b", "outlet_distance"] > 0
    assert found.loc["c", ["stream_order", "outlet_distance"]].isna().all()
    assert found["night"].tolist()[:2] == [0, 1]
    assert found.loc["a", "water_temperature"] == 12.5


@pytest.mark.parametrize("seed", range(3))
def test_one_more_placement_never_turns_an_answer_into_a_refusal(seed):
    """Any gear, outcome, reach and day of three years is added to random surveys."""
    random = np.random.default_rng(seed)
    there = random.random(14) < 0.5
    rows, catches, reaches = [], [], {}

    def add(number: int) -> None:
        pid, reach = f"p{number}", int(random.integers(0, 14))
        method = str(random.choice(["kick_net", "electric_fishing", "spotlight"]))
        hit = there[reach] and random.random() < 0.5
        rows.append({
            "placement_id": pid, "method": method, "lifts": random.choice([np.nan, 1, 3]),
            "outcome": "caught" if hit else str(random.choice(["nil", "nil", "lost"])),
            "set_at": f"{random.choice([2023, 2024, 2025])}-06-{random.integers(1, 29):02d}T10:00Z",
        })  # fmt: skip
        reaches[pid] = f"R{reach}"
        if hit:
            catches.append({"placement_id": pid, "species": BULLHEAD, "count": 1})

    def answered() -> set:
        frame = detection(*frames(rows, catches, reaches))
        own = frame[frame["occupancy"].notna()]
        return set(zip(own["species"], own["year"], strict=True))

    for number in range(60):
        add(number)
    before, ever = answered(), False
    for number in range(60, 72):
        add(number)
        now = answered()
        assert before <= now
        before, ever = now, ever or bool(now)
    assert ever
