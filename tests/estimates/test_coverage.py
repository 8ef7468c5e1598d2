"""Coverage of reaches: fraction, date and distance, and what is said when there is none."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
import shapely

from layers.estimates.coverage import COVERAGE_COLUMNS, NOTHING, coverage
from layers.network.distance import distance_to_sampled
from layers.network.graph import build_network
from tests.estimates.counted import snaps_at, water_of
from tests.estimates.test_sampled_length import (
    NO_PARTS,
    parts_at,
    placements_of,
    random_case,
    stretches_at,
)
from tests.random_networks import reaches_of

AS_OF = date(2025, 7, 1)

# B (400 m) and C (500 m) into A (500 m), which runs to the outlet; D lies apart.
NETWORK = build_network(
    reaches_of(
        [
            "LINESTRING (0 500, 0 0)",
            "LINESTRING (0 900, 0 500)",
            "LINESTRING (300 900, 0 500)",
            "LINESTRING (5000 900, 5000 500)",
        ],
        ["A", "B", "C", "D"],
    )
)


def test_a_small_network_by_hand():
    """A sampled from 100 to 200 m in 2023 and 2024: B is 500 m away, C 600, A's foot 300."""
    placements = placements_of([("kick_net", 2023), ("spotlight", 2024)])
    stretches = stretches_at([(0, "A", 100, 180), (1, "A", 150, 200)])
    parts = parts_at([("A", 0, 500, "X"), ("B", 0, 150, "X"), ("B", 150, 400, "Y")])
    frame = coverage(water_of(NETWORK, stretches, placements), parts, as_of=AS_OF)
    assert frame.columns.tolist() == list(COVERAGE_COLUMNS)
    assert frame["reach_id"].tolist() == ["A", "B", "C", "D"]
    assert frame["sampled_fraction"].tolist() == [0.2, 0, 0, 0]
    assert frame["distance_to_sampled_m"].tolist()[:3] == [300, 500, 600]
    assert frame["last_date"].tolist()[0] == pd.Timestamp(2024, 7, 1)
    assert frame["last_date"].isna().tolist() == [False, True, True, True]
    assert frame["years_since"][0] == pytest.approx(365 / 365.2425)
    assert frame["catchment"].tolist()[:2] == ["X", "Y"]
    assert frame["catchment"].isna().tolist() == [False, False, True, True]
    assert np.isnan(frame["distance_to_sampled_m"][3])
    assert frame["note"].tolist()[3] == NOTHING["visited"]
    assert frame["note"].isna().tolist() == [True, True, True, False]


def test_a_polygon_visits_the_water_inside_it():
    """A haul over A from y = 350 to 150, snapped to measure 250: 200 m, and 50 m of B elsewhere.

    A second one snapped to nothing, with a polygon over B and C from y = 850 to 900, visits
    both; one that was lost visits nothing.
    """
    placements = placements_of([("seine", 2023)] * 3)
    placements["outcome"] = ["nil", "nil", "lost"]
    placements["shape"] = [
        shapely.box(-20, 150, 20, 350),
        shapely.box(-10, 850, 310, 950),
        shapely.box(4990, 0, 5010, 950),
    ]
    water = water_of(NETWORK, stretches_at([]), placements, snaps_at([(0, "A", 250.0)]))
    frame = coverage(water, NO_PARTS, as_of=AS_OF).set_index("reach_id")
    assert frame["state"].tolist() == ["visited", "visited", "visited", "no_visit"]
    assert frame["visited_fraction"]["A"] == pytest.approx(200 / 500)
    assert frame["visited_fraction"]["B"] == pytest.approx(50 / 400)
    assert frame["visited_fraction"]["C"] == pytest.approx(50 / 400)  # of 500 m by 400 in y
    assert frame["sampled_fraction"].max() == 0
    assert frame["placements"].tolist() == [1, 1, 1, 0]


def test_a_reach_sampled_whole_is_at_distance_0():
    """In two overlapping stretches, one of them beyond the reach by rounding."""
    placements = placements_of([("kick_net", 2023)] * 2)
    stretches = stretches_at([(0, "B", 0, 250), (1, "B", 200, 400.0000001)])
    frame = coverage(water_of(NETWORK, stretches, placements, as_of=AS_OF), NO_PARTS, as_of=AS_OF)
    own = frame[frame["reach_id"] == "B"].iloc[0]
    assert (own["sampled_fraction"], own["distance_to_sampled_m"]) == (1.0, 0.0)


def test_later_placements_are_left_out_and_counted():
    """A table as of a day knows nothing of what came after."""
    placements = placements_of([("kick_net", 2023), ("kick_net", 2026)])
    stretches = stretches_at([(0, "A", 0, 100), (1, "A", 0, 500)])
    frame = coverage(water_of(NETWORK, stretches, placements, as_of=AS_OF), NO_PARTS, as_of=AS_OF)
    assert frame["sampled_fraction"][0] == 0.2
    assert frame.attrs["inputs"]["left_out"] == {"set after 2025-07-01": 1}
    assert frame.attrs["inputs"]["as_of"] == "2025-07-01"


@pytest.mark.parametrize("hour", [0, 10, 23])
def test_the_very_day_counts_by_the_local_clock(hour):
    """What was set at any hour of the day that the table is for belongs to it."""
    placements = placements_of([("kick_net", 2025)]).assign(
        timezone="America/Halifax",
        set_at=pd.DatetimeIndex(
            [pd.Timestamp(2025, 7, 1, hour, 30, tz="America/Halifax")]
        ).tz_convert("UTC"),
    )
    frame = coverage(
        water_of(NETWORK, stretches_at([(0, "A", 0, 100)]), placements, as_of=AS_OF),
        NO_PARTS,
        as_of=AS_OF,
    )
    assert frame["sampled_fraction"][0] == 0.2
    assert frame["last_date"][0] == pd.Timestamp(AS_OF)
    assert frame["years_since"][0] == 0
    assert frame.attrs["inputs"]["left_out"] == {}
    before = AS_OF - timedelta(days=1)
    early = coverage(
        water_of(NETWORK, stretches_at([(0, "A", 0, 100)]), placements, as_of=before),
        NO_PARTS,
        as_of=before,
    )
    assert early["sampled_fraction"][0] == 0
    assert early.attrs["inputs"]["left_out"] == {"set after 2025-06-30": 1}


@pytest.mark.parametrize("outcome", [None, "lost"])
def test_nothing_sampled_is_put_into_words(outcome):
    """No placements, or only lost ones: no infinity and no zero."""
    placements = placements_of([("kick_net", 2023)] if outcome else [], outcome=outcome)
    stretches = stretches_at([(0, "A", 0, 100)] if outcome else [])
    frame = coverage(water_of(NETWORK, stretches, placements, as_of=AS_OF), NO_PARTS, as_of=AS_OF)
    assert frame["distance_to_sampled_m"].isna().all()
    assert (frame["note"] == NOTHING["visited"]).all()
    assert (frame["sampled_fraction"] == 0).all()
    assert frame.attrs["inputs"]["note"] == "nothing was visited along the network"


@pytest.mark.parametrize("seed", range(5))
def test_random_networks_hold_together(seed):
    """The fraction is that of the union; no point is farther than its reach's figure says."""
    network, stretches, placements, parts, _ = random_case(seed, placements=8)
    frame = coverage(water_of(network, stretches, placements), parts, as_of=AS_OF)
    rows = network.rows(stretches["reach_id"])
    distance = distance_to_sampled(network, rows, stretches["from_m"], stretches["to_m"])
    assert frame["sampled_fraction"].between(0, 1).all()
    total = (frame["sampled_fraction"] * frame["length_m"]).sum()
    assert total == pytest.approx(distance.sampled.length_m.sum())
    worst = frame["distance_to_sampled_m"].fillna(np.inf)
    for row, metres in zip(distance.unsampled.group, distance.farthest_m, strict=True):
        assert metres <= worst.iloc[row]
