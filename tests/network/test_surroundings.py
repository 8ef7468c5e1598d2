"""Water around places, upstream and downstream sets and streams, against NetworkX."""

import networkx as nx
import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.network.directions import downstream_of, upstream_of
from layers.network.intervals import union_length
from layers.network.streams import NO_NAME, streams
from layers.network.surroundings import surroundings
from tests.random_networks import hand_drawn, new_hope, random_network, reaches_of

STEP_M = 7.0


def along(network, step=STEP_M):
    """Points on every reach, `step` apart: row and measure."""
    rows, measures = [], []
    for row, length in enumerate(network.length_m):
        points = np.append(np.arange(step / 2, length, step), [])
        rows += [row] * len(points)
        measures += points.tolist()
    return np.array(rows), np.array(measures)


def graph_with(network, row, measure):
    """The network as NetworkX sees it, with the place as a node of its own."""
    graph = nx.MultiGraph()
    for r, (a, b, length) in enumerate(
        zip(network.from_node, network.to_node, network.length_m, strict=True)
    ):
        if r == row:
            graph.add_edge(int(a), "place", weight=measure)
            graph.add_edge("place", int(b), weight=length - measure)
        else:
            graph.add_edge(int(a), int(b), weight=length)
    return graph


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("within_m", [40.0, 700.0, 2_500.0])
def test_surroundings_are_the_points_that_networkx_finds_near(seed, within_m):
    network = random_network(seed)
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, len(network.length_m), 12)
    measures = rng.uniform(0, 1, 12) * network.length_m[rows]
    place, water = surroundings(network, rows, measures, within_m)
    on, at = along(network)
    for k in range(len(rows)):
        far = nx.single_source_dijkstra_path_length(
            graph_with(network, int(rows[k]), float(measures[k])), "place"
        )
        way = np.minimum(
            np.array([far.get(int(n), np.inf) for n in network.from_node[on]]) + at,
            np.array([far.get(int(n), np.inf) for n in network.to_node[on]])
            + network.length_m[on]
            - at,
        )
        same = on == rows[k]
        way[same] = np.minimum(way[same], np.abs(at[same] - measures[k]))
        mine = place == k
        inside = np.zeros(len(on), bool)
        for g, a, b in zip(water.group[mine], water.from_m[mine], water.to_m[mine], strict=True):
            inside |= (on == g) & (at > a) & (at < b)
        clear = np.abs(way - within_m) > 1e-6
        assert (inside == (way < within_m))[clear].all()


def test_surroundings_of_one_place_never_overlap():
    network = random_network(3)
    rows = np.arange(len(network.length_m))
    place, water = surroundings(network, rows, network.length_m / 3, 900.0)
    total = np.bincount(place, weights=water.length_m)
    pair = pd.factorize(pd.Series(list(zip(place, water.group, strict=True))))[0]
    alone = union_length(pair, water.from_m, water.to_m, groups=int(pair.max()) + 1)
    assert np.bincount(place[np.unique(pair, return_index=True)[1]], weights=alone) == (
        pytest.approx(total)
    )


def test_each_place_may_have_a_distance_of_its_own():
    network = hand_drawn()
    rows, measures = np.array([0, 0]), network.length_m[[0, 0]] / 2
    place, water = surroundings(network, rows, measures, [10.0, 0.0])
    assert place.tolist() == [0]
    assert water.length_m.tolist() == pytest.approx([20.0])


def flow(network):
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(network.n_nodes))
    for r, (a, b) in enumerate(zip(network.from_node, network.to_node, strict=True)):
        graph.add_edge(int(a), int(b), key=r)
    return graph


@pytest.mark.parametrize("seed", range(8))
def test_upstream_and_downstream_are_what_networkx_reaches(seed):
    network = random_network(seed)
    graph = flow(network)
    for row in range(len(network.length_m)):
        tail, head = int(network.from_node[row]), int(network.to_node[row])
        for found, against, start, end in (
            (upstream_of(network, row, network.length_m[row] * 0.25), True, tail, head),
            (downstream_of(network, row, network.length_m[row] * 0.25), False, head, tail),
        ):
            near = nx.ancestors(graph, start) if against else nx.descendants(graph, start)
            near = near | {start}
            feet = network.to_node if against else network.from_node
            whole = {r for r, foot in enumerate(feet.tolist()) if foot in near}
            expected = {r: network.length_m[r] for r in whole}
            if end not in near:
                expected[row] = network.length_m[row] * (0.25 if against else 0.75)
            got = dict(zip(found.group.tolist(), found.length_m.tolist(), strict=True))
            assert got.keys() == expected.keys()
            assert got == pytest.approx(expected)


def test_upstream_length_is_the_one_the_network_states():
    network = new_hope_or_hand_drawn()
    plain = ~network.in_loop
    for row in np.flatnonzero(plain)[::7]:
        assert upstream_of(network, int(row)).length_m.sum() == (
            pytest.approx(network.upstream_length_m[row])
        )


def new_hope_or_hand_drawn():
    """The open data set where it lies beside the project, the drawn network elsewhere."""
    try:
        return new_hope()
    except Exception:  # noqa: BLE001 - pyogrio raises its own kinds
        return hand_drawn()


def test_a_point_beyond_its_reach_is_refused():
    network = hand_drawn()
    with pytest.raises(FrameError, match="lies outside reach"):
        upstream_of(network, 0, network.length_m[0] + 1)


@pytest.mark.parametrize("seed", range(6))
def test_streams_are_the_parts_of_one_name_that_networkx_joins(seed):
    reaches = random_network(seed).reaches.copy()
    rng = np.random.default_rng(seed)
    reaches["stream_name"] = rng.choice(["Alder Burn", "Mill Brook"], len(reaches))
    from layers.network.graph import build_network

    network = build_network(reaches[["stream_name", "geometry"]], tolerance_m=0.01)
    stream, table = streams(network)
    names = network.reaches["stream_name"].to_numpy(object)
    expected = 0
    for name in set(names):
        graph = nx.Graph()
        for row in np.flatnonzero(names == name):
            graph.add_edge(int(network.from_node[row]), int(network.to_node[row]))
        for nodes in nx.connected_components(graph):
            own = [
                row for row in np.flatnonzero(names == name)
                if int(network.from_node[row]) in nodes
            ]  # fmt: skip
            expected += 1
            assert len(set(stream[own])) == 1
            entry = table.iloc[stream[own[0]]]
            assert entry["stream"] == name
            assert entry["reaches"] == len(own)
            assert entry["length_m"] == pytest.approx(network.length_m[own].sum())
    assert len(table) == expected
    assert table["length_m"].sum() == pytest.approx(network.total_length_m)


def test_unnamed_water_is_named_by_what_it_flows_to():
    lines = [
        "LINESTRING (0 900, 0 500)",  # Alder Burn
        "LINESTRING (300 1300, 300 900)",  # two unnamed, one after the other
        "LINESTRING (300 900, 0 500)",
        "LINESTRING (-300 900, 0 500)",  # another unnamed that ends at the same place
        "LINESTRING (0 500, 0 0)",  # Alder Burn
        "LINESTRING (9000 900, 9000 0)",  # reaches no name
    ]
    names = ["Alder Burn", None, "", None, " Alder Burn", None]
    from layers.network.graph import build_network

    network = build_network(reaches_of(lines, stream_name=names))
    stream, table = streams(network)
    words = table["stream"].to_numpy(object)[stream].tolist()
    assert words == [
        "Alder Burn", *["tributary of Alder Burn"] * 3, "Alder Burn", NO_NAME,
    ]  # fmt: skip
    assert stream[1] == stream[2] != stream[3]
    assert table["stream_id"].to_numpy(object)[stream].tolist() == [
        "R004", "R002", "R002", "R003", "R004", "R005",
    ]  # fmt: skip


def test_a_network_without_names_still_has_streams():
    network = random_network(1)
    stream, table = streams(network)
    assert set(table["stream"]) == {NO_NAME}
    assert len(stream) == len(network.length_m)
