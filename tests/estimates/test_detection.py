"""Detection through the frames: the published examples as placements, and reasons."""

import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.estimates.detection import (
    CHANCE_COLUMNS,
    DETECTION_COLUMNS,
    chance_missed_by_catchment,
    detection,
)
from tests.estimates.test_occupancy import CHECKS
from tests.sampling_frames import METHODS, SPECIES, ancestors_of, catches_of, placements_of

BULLHEAD = "Cottus perifretum"
NESTED = ancestors_of({"basin": None, "brook": "basin", "mere": "basin", "dry": None})


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
                rows.append({"placement_id": pid, "site": f"S{number}", "outcome": outcome})
                if seen == "1":
                    catches.append({"placement_id": pid, "species": BULLHEAD, "count": 1})
    return rows, catches, reaches


def frames(rows, catches, reaches) -> tuple:
    snaps = pd.DataFrame({"reach_id": pd.Series(reaches, dtype="str")})
    return placements_of(rows), catches_of(catches), snaps, SPECIES, METHODS


def one(frame, method="kick_net", species=BULLHEAD) -> pd.Series:
    rows = frame[(frame["species"] == species) & (frame["method"] == method)]
    assert len(rows) == 1
    return rows.iloc[0]


@pytest.mark.parametrize("unit", ["reach", "site"])
def test_published_example_through_the_frames(unit):
    frame = detection(*frames(*salamander()), unit=unit)
    row, expected = one(frame), CHECKS["occupancy-salamander"]["expected"]
    assert (row["units"], row["placements"]) == (39, 195)
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
    assert "one season" in frame.attrs["inputs"]["assumes"]


def test_species_never_found_and_methods_without_a_find_say_so():
    rows, catches, reaches = salamander()
    for i in range(6):
        rows.append({"placement_id": f"e{i}", "method": "electric_fishing", "outcome": "nil"})
        reaches[f"e{i}"] = f"R{i + 1}"
    frame = detection(*frames(rows, catches, reaches))
    assert "never found" in one(frame, species="Anguilla anguilla")["problem"]
    assert pd.isna(one(frame, species="Anguilla anguilla")["more_placements"])
    nil = one(frame, "electric_fishing")
    assert "never found it" in nil["problem"]
    assert np.isnan(nil["detection"])
    assert nil["occupancy"] == pytest.approx(one(frame)["occupancy"])
    # A method that cannot detect the stickleback has no row for it.
    sticklebacks = frame.loc[frame["species"] == "Gasterosteus aculeatus", "method"]
    assert sticklebacks.tolist() == ["electric_fishing"]
    assert "Lampetra" not in set(frame["species"])


def test_too_few_units_are_counted_as_the_column_counts_them():
    """Nine reaches kick-netted and eight electric-fished without a find: 17 units, 9 of use."""
    rows = [row | {"placement_id": f"k{row['placement_id']}"} for row in visits(2025, 9, 2)]
    for row in rows[:8]:
        row["outcome"] = "caught"
    catches = [
        {"placement_id": r["placement_id"], "species": BULLHEAD, "count": 1} for r in rows[:8]
    ]
    rows += [
        {"placement_id": f"e{r}", "method": "electric_fishing", "outcome": "nil"} for r in range(8)
    ]
    reaches = {row["placement_id"]: row["placement_id"].split("v")[0] for row in rows}
    args = frames(rows, catches, reaches)
    row = one(detection(*args))
    assert row["units"] == 17
    assert row["problem"] == (
        "9 units are too few; at least 10 "
        "(of 17 units only the 9 count that a method visited which found it)"
    )
    where = pd.Series("mere", index=args[0].index).where(args[0]["outcome"] == "nil", "brook")
    mere = chance_missed_by_catchment(*args, catchment_of=where, ancestors=NESTED)
    mere = mere[(mere["catchment"] == "mere") & (mere["species"] == BULLHEAD)].iloc[0]
    assert mere["units"] == 13
    assert mere["problem"].startswith("over all catchments: 9 units are too few")


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


def test_latest_season_is_used_unless_chosen():
    rows, catches, reaches = salamander()
    old = {"placement_id": "old", "set_at": "2019-06-01T10:00Z", "outcome": "nil"}
    unsnapped = {"placement_id": "loose", "outcome": "nil"}
    frame = detection(*frames([*rows, old, unsnapped], catches, reaches | {"old": "R1"}))
    assert one(frame)["placements"] == 195
    assert frame.attrs["inputs"]["left_out"] == {"another season": 1, "no reach": 1}
    both = detection(*frames([*rows, old], catches, reaches | {"old": "R1"}), years=[2019, 2025])
    assert one(both)["placements"] == 196


def test_a_catch_of_what_did_not_look_is_no_find():
    """Fish in disturbed gear and of another season; the first row, S1, found nothing itself."""
    rows, catches, reaches = salamander()
    empty = [r for r in rows if r["outcome"] == "nil"]
    rows = [empty[0], *(r for r in rows if r is not empty[0])]
    plain = detection(*frames(rows, catches, reaches))
    rows += [
        {"placement_id": "spilt", "outcome": "disturbed"},
        {"placement_id": "old", "set_at": "2019-06-01T10:00Z", "outcome": "caught"},
    ]
    catches += [{"placement_id": p, "species": BULLHEAD, "count": 2} for p in ("spilt", "old")]
    frame = detection(*frames(rows, catches, reaches | {"spilt": "R1", "old": "R1"}))
    pd.testing.assert_frame_equal(frame, plain)


def visits(year: int, reaches: int, each: int) -> list[dict]:
    """So many nil visits to each of so many reaches in one year."""
    return [
        {"placement_id": f"{year}r{r}v{v}", "outcome": "nil",
         "set_at": f"{year}-06-{v + 1:02d}T10:00Z"}
        for r in range(reaches) for v in range(each)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "season"),
    [
        # Ten reaches visited twice are enough; a later year of single visits is not a season.
        (visits(2021, 10, 2) + visits(2023, 40, 1), 2021),
        # Nine are too few, so the latest year of all it is.
        (visits(2021, 9, 2) + visits(2023, 40, 1), 2023),
        # Of two years that would do, the later.
        (visits(2021, 12, 3) + visits(2022, 10, 2) + visits(2024, 1, 1), 2022),
        # New Year's Eve is a matter of the local clock: 2024 in Auckland.
        ([{"placement_id": "a", "outcome": "nil", "set_at": "2023-12-31T12:00Z",
           "timezone": "Pacific/Auckland"}], 2024),
        # Visits whose gear was lost are none.
        (visits(2021, 10, 2) + [row | {"outcome": "lost"} for row in visits(2022, 10, 2)], 2021),
    ],
)  # fmt: skip
def test_the_season_is_the_latest_with_repeats(rows, season):
    """Ten units visited twice make a season that can be fitted."""
    reaches = {row["placement_id"]: row["placement_id"].split("v")[0][4:] or "r0" for row in rows}
    frame = detection(*frames(rows, [], reaches))
    assert frame.attrs["inputs"]["season"] == [season]


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
    frame = chance_missed_by_catchment(*args, catchment_of=pd.Series(where), ancestors=NESTED)
    mine = frame[frame["species"] == BULLHEAD].set_index("catchment")
    each = one(detection(*args))["chance_missed"]
    assert mine.loc["mere", "chance_missed"] == pytest.approx(1 - (1 - each) ** 2)
    assert mine.loc["mere", "units"] == 2
    assert mine.loc["mere", "more_placements"] % 2 == 0
    assert mine.loc["mere", "more_placements"] > 2 * one(detection(*args))["more_placements"]
    assert mine.loc["brook", "problem"] == mine.loc["basin", "problem"] == "found"
    assert mine.loc["dry", "problem"] == "nobody looked"
    assert np.isnan(mine.loc["dry", "chance_missed"])
    assert list(frame.columns) == list(CHANCE_COLUMNS)


@pytest.mark.parametrize("rows", [[], [{"placement_id": "a", "outcome": "lost"}]])
def test_nobody_looked(rows):
    frame = detection(*frames(rows, [], {"a": "R1"}))
    assert set(frame["problem"]) == {"nobody looked"}
    assert (frame[["units", "placements"]] == 0).all(axis=None)
    assert frame["occupancy"].dtype == np.float64
    by = chance_missed_by_catchment(
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
    assert "no repeats" in one(frame)["problem"]


def test_unknown_unit_is_refused():
    with pytest.raises(FrameError, match="reach or site"):
        detection(*frames([], [], {}), unit="parish")
