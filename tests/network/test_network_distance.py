"""Distance along the network against NetworkX."""

import networkx as nx
import numpy as np
import pytest

from layers.network.distance import distance_to_sampled, node_distance
from layers.network.graph import build_network
from tests.random_networks import (
    SHARED,
    hand_drawn,
    new_hope,
    random_intervals,
    random_network,
    reaches_of,
    split_graph,
)

open_data = pytest.mark.skipif(not SHARED.exists(), reason="open data not present")


def reference_distances(network, rows, from_m, to_m, places):
    """NetworkX distance of every node and of every ("at", row, measure) in `places`."""
    stops = {row: set(measures) for row, measures in places.items()}
    low, high = np.minimum(from_m, to_m), np.maximum(from_m, to_m)
    for row, a, b in zip(rows.tolist(), low.tolist(), high.tolist(), strict=True):
        stops.setdefault(row, set()).update((a, b))
    graph = split_graph(network, stops)
    sources = set()
    for row, a, b in zip(rows.tolist(), low.tolist(), high.tolist(), strict=True):
        sources |= {("at", row, m) for m in stops[row] if a <= m <= b}
    return nx.multi_source_dijkstra_path_length(graph, sources)


def check_against_networkx(network, rows, from_m, to_m, seed):
    """Nodes, random places, and farthest points of the unsampled pieces."""
    rng = np.random.default_rng(seed)
    distance = distance_to_sampled(network, rows, from_m, to_m)
    place_row = rng.integers(0, len(network.length_m), 200)
    place_m = rng.uniform(0, 1, 200) * network.length_m[place_row]
    known = np.isfinite(distance.farthest_m)
    piece_row = distance.unsampled.group[known]
    piece_m = distance.farthest_measure_m[known]
    places: dict[int, set[float]] = {}
    for row, measure in zip(place_row.tolist(), place_m.tolist(), strict=True):
        places.setdefault(row, set()).add(measure)
    for row, measure in zip(piece_row.tolist(), piece_m.tolist(), strict=True):
        places.setdefault(row, set()).add(measure)
    expected = reference_distances(network, rows, from_m, to_m, places)
    nodes = [expected.get(node, np.inf) for node in range(network.n_nodes)]
    assert distance.node_m == pytest.approx(nodes, abs=1e-6)
    at = np.array(
        [
            expected.get(("at", r, m), np.inf)
            for r, m in zip(place_row.tolist(), place_m.tolist(), strict=True)
        ]
    )
    farthest = [
        expected[("at", r, m)] for r, m in zip(piece_row.tolist(), piece_m.tolist(), strict=True)
    ]
    assert distance.farthest_m[known] == pytest.approx(farthest, abs=1e-6)
    # No place drawn at random lies farther than its reach's farthest point.
    worst = np.zeros(len(network.length_m))
    np.maximum.at(worst, distance.unsampled.group, distance.farthest_m)
    assert (at <= worst[place_row] + 1e-6).all()


@pytest.mark.parametrize("seed", range(25))
def test_random_networks_agree_with_networkx(seed):
    """Side channels, loops and parts without any sample included."""
    network = random_network(seed)
    check_against_networkx(network, *random_intervals(network, seed, 1 + seed % 7), seed)


@open_data
@pytest.mark.parametrize("count", [1, 10, 200])
def test_new_hope_agrees_with_networkx(count):
    """A real network with 84 side branches."""
    network = new_hope()
    check_against_networkx(network, *random_intervals(network, count, count), count)


# Computed by hand on the project's drawn network: R1@250 to R4@250 is 900 m, R4@250 to
# R11@220 is 930 m, R6@100 to R10@50 is 1750 m.
@open_data
@pytest.mark.parametrize(
    ("one", "other", "metres"),
    [
        (("R1", 250), ("R4", 250), 900),
        (("R4", 250), ("R11", 220), 930),
        (("R6", 100), ("R10", 50), 1750),
    ],
)
def test_hand_computed_river_distances(one, other, metres):
    """From a stretch one millimetre long, to within that millimetre."""
    network = hand_drawn()
    row, far = network.rows([one[0], other[0]])
    distance = distance_to_sampled(network, [row], [one[1]], [one[1] + 0.001])
    piece = np.flatnonzero(distance.unsampled.group == far)
    assert distance.unsampled.length_m[piece].tolist() == [network.length_m[far]]
    above = distance.node_m[network.from_node[far]] + other[1]
    below = distance.node_m[network.to_node[far]] + network.length_m[far] - other[1]
    assert min(above, below) == pytest.approx(metres, abs=0.002)


def test_a_loop_is_left_by_either_way_round():
    """From the far side of a loop of 400 m the nearest sample is 200 m away."""
    loop = "LINESTRING (0 100, 100 100, 100 200, 0 200, 0 100)"
    network = build_network(reaches_of(["LINESTRING (0 100, 0 0)", loop]))
    distance = distance_to_sampled(network, [0], [0], [100])
    assert distance.farthest_m.tolist() == [200.0]
    assert distance.farthest_measure_m.tolist() == [200.0]


def test_a_part_without_sample_is_infinitely_far_not_zero():
    """Here the number says infinite; the summaries put it into words."""
    network = build_network(reaches_of(["LINESTRING (0 100, 0 0)", "LINESTRING (900 100, 900 0)"]))
    distance = distance_to_sampled(network, [0], [0], [50])
    assert distance.farthest_m.tolist() == [50.0, np.inf]
    assert np.isnan(distance.farthest_measure_m[1])
    nothing = distance_to_sampled(network, [], [], [])
    assert np.isinf(nothing.farthest_m).all()


def test_everything_sampled_leaves_no_piece():
    """No unsampled piece, and both nodes lie at distance 0."""
    network = build_network(reaches_of(["LINESTRING (0 100, 0 0)"]))
    distance = distance_to_sampled(network, [0], [0], [100])
    assert len(distance.farthest_m) == 0
    assert distance.node_m.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("seed", range(5))
def test_drawing_lines_the_other_way_changes_no_distance(seed):
    """Reversing a reach turns measure into length minus measure, and nothing else."""
    network = random_network(seed)
    rows, from_m, to_m = random_intervals(network, seed, 6)
    lines = list(network.reaches.geometry.reverse())
    back = build_network(reaches_of(lines, network.reaches.index), tolerance_m=0.01)
    length = network.length_m[rows]
    one = distance_to_sampled(network, rows, from_m, to_m)
    other = distance_to_sampled(back, rows, length - from_m, length - to_m)
    assert np.sort(one.farthest_m) == pytest.approx(np.sort(other.farthest_m), abs=1e-6)
    assert one.node_m[network.from_node] == pytest.approx(other.node_m[back.to_node], abs=1e-6)


def test_seeds_spread_to_the_nearest():
    """A node keeps its own seed unless a neighbour's is nearer."""
    network = build_network(reaches_of(["LINESTRING (0 0, 10 0)", "LINESTRING (10 0, 30 0)"]))
    assert node_distance(network, np.array([5.0, np.inf, 0.0])).tolist() == [5.0, 15.0, 0.0]
