"""Next places against a plain greedy choice over NetworkX distances."""

import networkx as nx
import numpy as np
import pytest
import shapely

from layers.errors import FrameError
from layers.estimates.next_places import candidate_places, next_places
from layers.network.distance import distance_to_sampled
from layers.network.graph import build_network
from layers.network.intervals import complement, union_intervals
from layers.network.reach_balls import unsampled_within, upper_bounds
from tests.estimates.counted import both
from tests.estimates.test_sampled_length import placements_of, random_case, stretches_at
from tests.random_networks import SHARED, new_hope, random_intervals, reaches_of, split_graph

COLUMNS = [
    "rank",
    "reach_id",
    "stream",
    "measure_m",
    "longitude",
    "latitude",
    "adds_m",
    "remaining_share",
    "done_before",
    "stream_id",
    "geometry",
]

open_data = pytest.mark.skipif(not SHARED.exists(), reason="open data not present")

FORK = build_network(
    reaches_of(
        ["LINESTRING (0 500, 0 0)", "LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)"],
        ["A", "B", "C"],
    )
)
NOBODY = placements_of([])
NOTHING = stretches_at([])


def near_by_networkx(network, row, measure, within_m):
    """Rows and measures within a distance of a place, from NetworkX node distances."""
    graph = split_graph(network, {row: {measure}})
    way = nx.single_source_dijkstra_path_length(graph, ("at", row, measure), cutoff=within_m)
    far = np.full(network.n_nodes, np.inf)
    for node, length in way.items():
        if not isinstance(node, tuple):
            far[node] = length
    m = np.arange(len(network.length_m))
    upper = np.clip(within_m - far[network.from_node], 0, network.length_m)
    lower = np.clip(within_m - far[network.to_node], 0, network.length_m)
    own = [max(measure - within_m, 0), min(measure + within_m, network.length_m[row])]
    rows = np.concatenate([m, m, [row]])
    from_m = np.concatenate([np.zeros(len(m)), network.length_m - lower, own[:1]])
    to_m = np.concatenate([upper, network.length_m, own[1:]])
    return rows, from_m, to_m


def plain_greedy(network, sampled, candidates, count, within_m):
    """What each choice adds, computing every candidate anew at every step."""
    covered = sampled
    balls = [near_by_networkx(network, r, x, within_m) for r, x in candidates]
    adds = []
    for _ in range(count):
        before = complement(*covered, network.length_m).length_m.sum()
        unions = [
            union_intervals(*(np.concatenate(pair) for pair in zip(covered, ball, strict=True)))
            for ball in balls
        ]
        left = [complement(*union, network.length_m).length_m.sum() for union in unions]
        best = int(np.argmin(np.round(left, 6)))
        if before - left[best] < 1e-6:
            break
        adds.append(before - left[best])
        covered = unions[best]
    return adds


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("within_m", [700.0, 2_500.0])
def test_random_networks_agree_with_a_plain_greedy_choice(seed, within_m):
    """Loops, side channels and unconnected parts included."""
    network, stretches, placements, _, _ = random_case(seed, placements=6)
    frame = next_places(*both(network, stretches, placements), count=5, within_m=within_m)
    rows = network.rows(stretches["reach_id"])
    distance = distance_to_sampled(network, rows, stretches["from_m"], stretches["to_m"])
    candidates = list(
        zip(*(c.tolist() for c in candidate_places(network, distance, within_m)), strict=True)
    )
    expected = plain_greedy(network, distance.sampled, candidates, 5, within_m)
    assert frame["adds_m"].tolist() == pytest.approx(expected, abs=1e-4)


@open_data
@pytest.mark.parametrize("within_m", [50.0, 1_000.0, 20_000.0])
def test_bounds_bound_and_gains_agree_with_networkx_on_a_real_network(within_m):
    """NHDPlus Version 2.1 sample (USGS and US EPA), 80 sampled intervals, 200 candidates."""
    network = new_hope()
    distance = distance_to_sampled(network, *random_intervals(network, 5, 80))
    rows, measure = candidate_places(network, distance, within_m)
    some = np.random.default_rng(1).choice(len(rows), 200, replace=False)
    rows, measure = rows[some], measure[some]
    bound = upper_bounds(network, distance.unsampled, within_m, rows, measure)
    place, parts = unsampled_within(network, distance.unsampled, within_m, rows, measure)
    gains = np.bincount(place, weights=parts.length_m, minlength=200)
    before = distance.unsampled.length_m.sum()
    for k in range(200):
        gain = gains[k]
        assert gain <= bound[k]
        if k < 25:
            ball = near_by_networkx(network, int(rows[k]), float(measure[k]), within_m)
            union = (np.concatenate(p) for p in zip(distance.sampled, ball, strict=True))
            left = complement(*union, network.length_m).length_m.sum()
            assert gain == pytest.approx(before - left, abs=1e-4)


def test_a_fork_by_hand():
    """Within 200 m of the confluence lie 200 m of each reach."""
    frame = next_places(*both(FORK, NOTHING, NOBODY), count=2, within_m=200)
    assert frame.columns.tolist() == COLUMNS
    assert frame["reach_id"].tolist()[0] == "A"
    assert frame["measure_m"].tolist()[0] == 0
    assert frame["adds_m"].tolist()[0] == 600
    told = {"count": "visited", "within_m": 200, "clear_m": 0.0}  # what counts as done
    assert told.items() <= frame.attrs["inputs"].items()
    assert frame["remaining_share"].tolist()[0] == pytest.approx(800 / 1400)
    assert shapely.get_coordinates(frame.geometry.iloc[0]).tolist() == [[0, 500]]
    point = frame.to_crs(4326).geometry.iloc[0]
    assert (frame["longitude"][0], frame["latitude"][0]) == pytest.approx((point.x, point.y))


def test_sampled_places_are_no_candidates_and_count_for_nothing():
    """With A sampled whole the confluence is out; B and C are left."""
    placements = placements_of([("kick_net", 2024)])
    stretches = stretches_at([(0, "A", 0, 500)])
    frame = next_places(*both(FORK, stretches, placements), count=9, within_m=1_000)
    assert frame["adds_m"].tolist() == [900]
    assert frame["reach_id"].tolist()[0] in {"B", "C"}
    assert frame["remaining_share"].tolist() == [0]
    assert "after 1 place nothing is left" in frame.attrs["inputs"]["note"]


def test_the_only_place_that_is_clear_is_taken_and_no_other():
    """Of a reach of 500 m, sampled along its first 100 m, only the foot lies 390 m from there."""
    placements = placements_of([("kick_net", 2024)])
    line = build_network(reaches_of(["LINESTRING (0 500, 0 0)"], ["A"]))
    frame = next_places(
        *both(line, stretches_at([(0, "A", 0, 100)]), placements), count=3, within_m=100,
        clear_m=390,
    )  # fmt: skip
    assert frame["measure_m"].tolist() == [500]
    assert frame["adds_m"].tolist() == [100]
    assert frame["remaining_share"].tolist() == pytest.approx([300 / 500])


def test_everything_sampled_gives_no_place():
    """An empty table with its columns, and the reason in words."""
    placements = placements_of([("kick_net", 2024)])
    whole = stretches_at([(0, "A", 0, 500), (0, "B", 0, 400), (0, "C", 0, 500)])
    frame = next_places(*both(FORK, whole, placements), count=3, within_m=100)
    assert frame.empty
    assert frame.columns.tolist() == COLUMNS
    assert "after 0 places" in frame.attrs["inputs"]["note"]


def test_one_reach_a_loop_and_a_part_apart():
    """Round a loop of 400 m one place within 200 m covers it all, from wherever it stands."""
    loop = "LINESTRING (0 0, 100 0, 100 100, 0 100, 0 0)"
    network = build_network(reaches_of([loop, "LINESTRING (900 0, 900 50)"], ["L", "M"]))
    frame = next_places(*both(network, NOTHING, NOBODY), count=5, within_m=200)
    assert frame["adds_m"].tolist() == [400, 50]
    assert frame["remaining_share"].tolist()[-1] == 0


@pytest.mark.parametrize("within_m", [7.0, 90.0, 1e6])
def test_shares_fall_and_sums_close(within_m):
    """What places add and what remains is the network; each adds no more than the one before."""
    network, stretches, placements, _, _ = random_case(2, placements=6)
    frame = next_places(*both(network, stretches, placements), count=30, within_m=within_m)
    adds = frame["adds_m"].to_numpy()
    assert (np.diff(adds) <= 1e-6).all()
    distance = distance_to_sampled(
        network, network.rows(stretches["reach_id"]), stretches["from_m"], stretches["to_m"]
    )
    left = distance.unsampled.length_m.sum() - adds.cumsum()
    assert frame["remaining_share"].to_numpy() == pytest.approx(
        left / network.total_length_m, abs=1e-9
    )


def test_order_of_placements_changes_nothing():
    """The same places in the same order."""
    network, stretches, placements, _, _ = random_case(3, placements=6)
    one = next_places(*both(network, stretches, placements), count=6, within_m=500)
    other = next_places(
        *both(network, stretches.iloc[::-1], placements.iloc[::-1]), count=6, within_m=500
    )
    assert one["reach_id"].tolist() == other["reach_id"].tolist()
    assert one["measure_m"].tolist() == pytest.approx(other["measure_m"].tolist())


@pytest.mark.parametrize(("count", "within_m"), [(0, 100), (1, 0), (1, np.nan), (1, np.inf)])
def test_senseless_questions_are_refused(count, within_m):
    """A count and a distance above 0."""
    with pytest.raises(FrameError, match="above 0"):
        next_places(*both(FORK, NOTHING, NOBODY), count=count, within_m=within_m)


@pytest.mark.parametrize("heavy", ["A", "B", "C"])
def test_weights_draw_places_to_reaches_that_count_more(heavy):
    """Unweighed the confluence adds most, 300 m; where one reach alone counts, 200 m on it do."""
    plain = next_places(*both(FORK, NOTHING, NOBODY), count=1, within_m=100)
    assert plain["adds_m"].tolist() == pytest.approx([300])
    weight = (FORK.reaches.index == heavy).astype(float)
    frame = next_places(*both(FORK, NOTHING, NOBODY), count=1, within_m=100, weight=weight)
    assert frame["reach_id"].tolist() == [heavy]
    assert frame["adds_m"].tolist() == pytest.approx([200])
    with pytest.raises(FrameError, match="one number from 0 up for each reach"):
        next_places(*both(FORK, NOTHING, NOBODY), weight=[1.0])
