"""Shortest ways between two places against NetworkX."""

import itertools

import networkx as nx
import numpy as np
import pytest

from layers.network.graph import build_network
from layers.network.ways import shortest_ways
from tests.random_networks import (
    SHARED,
    hand_drawn,
    new_hope,
    random_network,
    reaches_of,
    split_graph,
)

open_data = pytest.mark.skipif(not SHARED.exists(), reason="open data not present")


def check_against_networkx(network, count, seed, near=False):
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, len(network.length_m), (2, count))
    if near:  # half of the pairs on one reach
        rows[1, ::2] = rows[0, ::2]
    at = rng.uniform(0, 1, (2, count)) * network.length_m[rows]
    at[0, ::5] = 0.0
    ways = shortest_ways(network, rows[0], at[0], rows[1], at[1])
    places: dict[int, set[float]] = {}
    for row, measure in zip(rows.ravel().tolist(), at.ravel().tolist(), strict=True):
        places.setdefault(row, set()).add(measure)
    graph = split_graph(network, places)
    total = np.bincount(ways.way, weights=ways.to_m - ways.from_m, minlength=count)
    for k in range(count):
        one, other = (("at", int(rows[e, k]), float(at[e, k])) for e in (0, 1))
        try:
            expected = nx.dijkstra_path_length(graph, one, other)
        except nx.NetworkXNoPath:
            assert np.isinf(ways.length_m[k])
            assert not (ways.way == k).any()
            continue
        assert ways.length_m[k] == pytest.approx(expected, abs=1e-6)
        assert total[k] == pytest.approx(expected, abs=1e-6)
        check_joined(network, ways, k)
    return ways


def check_joined(network, ways, k):
    """The parts of a way follow one another from node to node."""
    own = np.flatnonzero(ways.way == k)
    for before, after in itertools.pairwise(own):
        touched = []
        for part in (before, after):
            row = ways.row[part]
            nodes = set()
            if ways.from_m[part] == 0:
                nodes.add(int(network.from_node[row]))
            if ways.to_m[part] == network.length_m[row]:
                nodes.add(int(network.to_node[row]))
            touched.append(nodes)
        assert touched[0] & touched[1]


@pytest.mark.parametrize("seed", range(12))
def test_random_networks_agree_with_networkx(seed):
    """Loops, side channels and unconnected parts included."""
    check_against_networkx(random_network(seed), 60, seed, near=seed % 2 == 0)


@open_data
def test_new_hope_agrees_with_networkx():
    """A real network with side channels."""
    check_against_networkx(new_hope(), 60, 1, near=True)


# Computed by hand on the project's drawn network.
@open_data
def test_hand_computed_ways():
    """R1@250 to R4@250 is 900 m, R4@250 to R11@220 is 930 m, R6@100 to R10@50 is 1750 m."""
    network = hand_drawn()
    ways = shortest_ways(
        network,
        network.rows(["R1", "R4", "R6"]),
        [250, 250, 100],
        network.rows(["R4", "R11", "R10"]),
        [250, 220, 50],
    )
    assert ways.length_m == pytest.approx([900, 930, 1750])
    names = network.reaches.index[ways.row[ways.way == 0]].tolist()
    assert names == ["R1", "R3", "R2", "R4"]


def test_a_way_round_may_be_shorter_than_the_reach_itself():
    """Two places near the ends of a long bend are joined by the short side channel."""
    bend = "LINESTRING (0 0, 0 500, 10 500, 10 0)"
    network = build_network(reaches_of([bend, "LINESTRING (0 0, 10 0)"]))
    ways = shortest_ways(network, [0], [5], [0], [1005])
    assert ways.length_m.tolist() == [20.0]
    assert ways.row.tolist() == [0, 1, 0]


def test_limit_and_unconnected_parts_give_no_way():
    """A way beyond the limit is not found, one exactly at the limit is."""
    network = build_network(reaches_of(["LINESTRING (0 0, 100 0)", "LINESTRING (500 0, 600 0)"]))
    ways = shortest_ways(
        network, [0, 0, 0], [10, 10, 0], [0, 0, 1], [60, 60, 0], limit_m=[50, 49, 1e9]
    )
    assert ways.length_m.tolist() == [50.0, np.inf, np.inf]
    assert ways.way.tolist() == [0]


def test_no_pairs():
    """Nothing asked, nothing found."""
    network = build_network(reaches_of(["LINESTRING (0 0, 100 0)"]))
    ways = shortest_ways(network, [], [], [], [])
    assert len(ways.length_m) == len(ways.row) == 0
