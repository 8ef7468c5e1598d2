"""The network: nodes, stream order, magnitude, upstream length, walks."""

import json
import time
import tracemalloc

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest
import scipy
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.csgraph import dijkstra

from layers.errors import CrsError, NetworkError
from layers.network.graph import build_network, join_ends
from layers.network.stream_order import flow_graph, strahler_order, upstream_sum


def network_of(*lines, ids=None, **columns):
    """Network of WKT lines in metres."""
    ids = ids or [f"R{k}" for k in range(len(lines))]
    index = pd.Index(ids, name="reach_id")
    shapes = [shapely.from_wkt(line) for line in lines]
    return build_network(gpd.GeoDataFrame(columns, geometry=shapes, index=index, crs="EPSG:25830"))


def test_drawn_network_agrees_with_hand_work(drawn_reaches, drawn_answers):
    """Orders after Strahler (1957), lengths by hand."""
    network = build_network(drawn_reaches)
    answers = drawn_answers.loc[network.reaches.index]
    assert network.strahler.tolist() == answers["strahler"].tolist()
    assert network.length_m == pytest.approx(answers["length_m"].to_numpy())
    assert network.upstream_length_m == pytest.approx(answers["upstream_length_m"].to_numpy())
    assert network.total_length_m == pytest.approx(5100)
    assert (len(network.sources), len(network.outlets), network.component.max()) == (6, 1, 0)
    same_node = {}
    for end, node in (
        (answers["from_node"], network.from_node),
        (answers["to_node"], network.to_node),
    ):
        for letter, number in zip(end, node, strict=True):
            assert same_node.setdefault(letter, number) == number
    assert len(set(same_node.values())) == network.n_nodes


def test_walking_upstream_on_the_drawn_network(drawn_reaches):
    """Higher order, then greater upstream length: R1 R3 R2 R5 R10 (500 m beats 300 m)."""
    network = build_network(drawn_reaches)
    walked, row = [], network.rows(["R1"])[0]
    while row >= 0:
        walked.append(network.reaches.index[row])
        row = network.upstream_next[row]
    assert walked == ["R1", "R3", "R2", "R5", "R10"]
    down = network.downstream_next[network.rows(["R12", "R1"])]
    assert network.reaches.index[down[0]] == "R11"
    assert down[1] == -1


def test_a_dividing_channel_is_followed_by_the_higher_order():
    """Where a channel divides, order comes before upstream length and before `reach_id`."""
    frame = gpd.GeoDataFrame(
        {"strahler": [3, 1, 3]},
        geometry=shapely.from_wkt(
            ["LINESTRING (0 9, 0 6)", "LINESTRING (0 6, -3 0)", "LINESTRING (0 6, 3 0)"]
        ),
        index=pd.Index(["A", "B", "C"], name="reach_id"),
        crs="EPSG:25830",
    )
    network = build_network(frame)
    assert network.downstream_next.tolist() == [2, -1, -1]


def test_distances_on_the_drawn_network(drawn_reaches):
    """River distance between the heads of R4 and R11 by hand: 500+150+250+500 m."""
    network = build_network(drawn_reaches)
    heads = network.from_node[network.rows(["R4", "R11"])]
    assert dijkstra(network.adjacency, indices=heads[0])[heads[1]] == pytest.approx(1400)


def test_newhope_agrees_with_its_published_figures(newhope, newhope_network):
    """NHDPlus V2.1 sample: nodes, sources, upstream lengths across 84 side branches."""
    figures = json.loads((newhope / "figures.json").read_text())
    network, topology = newhope_network, figures["topology"]
    assert network.n_nodes == topology["node_ids"]
    assert len(network.sources) == topology["sources"]
    assert len(network.outlets) == topology["outlets"]
    assert network.component.max() == 0
    assert network.total_length_m / 1000 == pytest.approx(figures["total_length_km"], abs=5e-4)
    for row in figures["upstream_of"]:
        found = network.upstream_length_m[network.rows([str(row["reach_id"])])[0]]
        assert found / 1000 == pytest.approx(row["length_km_including_itself"], abs=5e-4)


def test_newhope_stream_order(newhope_network):
    """738 of 746 orders are NHDPlus's own; the rest follow its rule for minor paths.

    NHDPlus starts anew at order 1 on seven reaches of one side channel, and does not carry one
    further order; ours keeps the order of the stream that divides.
    """
    theirs = newhope_network.reaches["strahler_order"].to_numpy()
    differ = newhope_network.reaches.index[theirs != newhope_network.strahler]
    assert set(differ) == {
        "8893228", "8893794", "8893804", "8893808", "8894306", "8894316", "8894320", "8894322",
    }  # fmt: skip


def test_given_orders_are_kept_and_missing_ones_computed():
    """The source's own stream order stands; gaps are filled."""
    network = network_of(
        "LINESTRING (0 2, 0 1)", "LINESTRING (1 2, 0 1)", "LINESTRING (0 1, 0 0)",
        strahler=[4, None, None], kind=["ditch", None, None],
    )  # fmt: skip
    assert network.strahler.tolist() == [4, 1, 2]
    assert network.reaches["kind"].tolist() == ["ditch", "stream", "stream"]


random_networks = st.integers(2, 9).flatmap(
    lambda n: st.tuples(
        st.just(n),
        st.lists(st.tuples(st.integers(0, n - 1), st.integers(0, n - 1)), min_size=1, max_size=18),
        st.integers(0, 999),
    )
)


@settings(max_examples=300, deadline=None)
@given(random_networks)
def test_upstream_sum_counts_each_reach_once(drawn):
    """Any directed graph, with loops, doubled reaches and braids: as NetworkX's ancestors."""
    n, pairs, seed = drawn
    tail, head = np.array(pairs).T
    length = np.random.default_rng(seed).uniform(1, 9, len(pairs))
    found = upstream_sum(flow_graph(tail, head, n), length)
    whole = nx.MultiDiGraph()
    whole.add_nodes_from(range(n))
    whole.add_edges_from(pairs)
    for row, (above, _) in enumerate(pairs):
        upstream = nx.ancestors(whole, above) | {above}
        counted = np.isin(head, list(upstream)) & np.isin(tail, list(upstream))
        counted[row] = True
        assert found[row] == pytest.approx(length[counted].sum())


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=60))
def test_strahler_on_random_trees_agrees_with_the_rule_by_recursion(choices):
    """On trees, exactly Strahler (1957)."""
    below = np.array([choice % (k + 1) for k, choice in enumerate(choices)])
    above = np.arange(1, len(choices) + 1)
    found = strahler_order(flow_graph(above, below, len(choices) + 1))

    def order(node):
        arriving = sorted((order(k) for k in above[below == node]), reverse=True)
        if not arriving:
            return 1
        return arriving[0] + (len(arriving) > 1 and arriving[0] == arriving[1])

    assert found.tolist() == [order(k) for k in above]


def test_orders_of_a_large_network_are_found_in_little_memory():
    """At most 150 bytes a reach at once; lists of Python numbers took 430."""
    m = 20_000
    ends = np.arange(1, m + 1), np.arange(1, m + 1) // 2  # water of two meets, again and again
    tracemalloc.start()
    graph = flow_graph(*ends, m + 1)
    orders, lengths = strahler_order(graph), upstream_sum(graph, np.ones(m))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert orders.max() == 14
    assert lengths.max() == m
    assert peak < 150 * m


def test_channels_that_rejoin_do_not_raise_the_order():
    """A stream that divides and meets itself again is still one stream."""
    ends = np.array([0, 1, 2, 3, 3, 4]), np.array([2, 2, 3, 4, 4, 5])
    assert strahler_order(flow_graph(*ends, 6)).tolist() == [1, 1, 2, 2, 2, 2]
    # A side stream of the same order joining one branch does.
    ends = np.array([0, 1, 1, 2, 3, 5, 6, 6]), np.array([1, 2, 3, 4, 4, 3, 0, 7])
    assert strahler_order(flow_graph(*ends, 8)).max() == 2


def test_loops_neither_hang_nor_crash():
    """A directed ring with a way in and out; a network that only circles; a reach to itself."""
    network = network_of(
        "LINESTRING (0 2, 0 1)", "LINESTRING (0 1, 1 0)", "LINESTRING (1 0, -1 0)",
        "LINESTRING (-1 0, 0 1)", "LINESTRING (-1 0, -1 -5)",
        "LINESTRING (50 0, 60 0, 60 9, 50 0)",
    )  # fmt: skip
    assert network.in_loop.tolist() == [False, True, True, True, False, True]
    ring = network.length_m[:4].sum()
    assert network.upstream_length_m[1:5] == pytest.approx([ring, ring, ring, ring + 5])
    assert network.component.tolist() == [1, 1, 1, 1, 1, 0]
    assert network.strahler.tolist() == [1] * 6
    circle = network_of("LINESTRING (0 0, 9 0)", "LINESTRING (9 0, 0 0)")
    assert circle.sources.size == circle.outlets.size == 0
    assert circle.upstream_next.tolist() == [1, 0]


def test_parallel_reaches_give_the_shorter_distance():
    """Between two nodes the shorter channel counts; each keeps its own length."""
    network = network_of("LINESTRING (0 0, 100 0)", "LINESTRING (0 0, 50 50, 100 0)")
    assert network.adjacency.toarray()[0, 1] == 100
    assert network.length_m[1] == pytest.approx(2 * 50 * np.sqrt(2))


def test_ends_within_tolerance_are_one_node():
    """0.4 m apart joins, 0.6 m does not, a chain of near ends joins whole."""
    ends = np.array([[0, 0], [0.4, 0], [0.8, 0], [1.4, 0]], float)
    node, places = join_ends(ends, 0.5)
    assert node.tolist() == [0, 0, 0, 1]
    assert places.tolist() == [[pytest.approx(0.4), 0], [1.4, 0]]
    assert join_ends(ends, 0.0)[0].tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize(
    ("wkt", "words"),
    [
        ("MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))", "not one LineString"),
        ("LINESTRING (5 5, 5 5)", "zero length"),
        ("POINT (0 0)", "not one LineString"),
        ("LINESTRING EMPTY", "zero length"),
    ],
)
def test_unusable_lines_are_refused_by_name(wkt, words):
    """The first such reach is named."""
    with pytest.raises(NetworkError, match=f"'R1' .*{words}"):
        network_of("LINESTRING (0 0, 9 9)", wkt)


def test_doubled_and_missing_ids_and_degrees_are_refused():
    """Ids must be there and single; lengths need metres."""
    with pytest.raises(NetworkError, match="'A'"):
        network_of("LINESTRING (0 0, 9 9)", "LINESTRING (0 0, 9 8)", ids=["A", "A"])
    with pytest.raises(NetworkError, match="no reach_id"):
        network_of("LINESTRING (0 0, 9 9)", "LINESTRING (0 0, 9 8)", ids=["A", None])
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 1)])], crs="EPSG:4326")
    with pytest.raises(CrsError, match="degrees"):
        build_network(line)
    with pytest.raises(NetworkError, match="no geometry"):
        build_network(gpd.GeoDataFrame(geometry=[None], index=["A"], crs="EPSG:25830"))


def test_an_empty_network_is_a_network():
    """No reaches: no nodes, no length, no error."""
    network = build_network(gpd.GeoDataFrame(geometry=[], crs="EPSG:25830"))
    assert (network.n_nodes, network.total_length_m) == (0, 0)
    assert network.rows(["A"]).tolist() == [-1]
    assert network.adjacency.shape == (0, 0)
    assert network.component.size == network.upstream_next.size == 0


def test_a_long_chain_of_reaches_takes_seconds_at_most():
    """50,000 reaches in a row, the longest walk there is."""
    xy = np.column_stack([np.arange(50_001) * 10.0, np.zeros(50_001)])
    lines = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    frame = gpd.GeoDataFrame(geometry=lines, crs="EPSG:25830")
    frame.index = [f"{k:06d}" for k in range(50_000)]
    began = time.perf_counter()
    network = build_network(frame)
    assert time.perf_counter() - began < 10
    assert network.upstream_length_m[-1] == pytest.approx(500_000)


@pytest.mark.parametrize("grid", [False, True])
def test_ends_join_as_a_tree_of_all_places_says(grid):
    """Comparing neighbours along x finds what scipy's tree finds, on grids of whole metres too."""
    rng = np.random.default_rng(7)
    wide = (0.0, 40.0) if grid else (0.0, 400.0)
    ends = rng.uniform(*wide, (3000, 2))
    ends = np.round(ends) if grid else ends
    ends = np.concatenate([ends, ends[:500] + rng.normal(0, 0.3, (500, 2)), ends[:100]])
    node, places = join_ends(ends, 0.5)
    pairs = scipy.spatial.KDTree(ends).query_pairs(0.5, output_type="ndarray")
    links = scipy.sparse.coo_array((np.ones(len(pairs)), pairs.T), (len(ends), len(ends)))
    count, label = scipy.sparse.csgraph.connected_components(links, directed=False)
    assert len(places) == count
    assert len(np.unique(np.column_stack([node, label]), axis=0)) == count
