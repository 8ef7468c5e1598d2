"""Gaps against NetworkX, published figures and drawings; and what may not change them."""

import json

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest
import shapely

from layers.estimates.coverage import NOTHING
from layers.estimates.gaps import GAP_COLUMNS, gaps
from layers.network.distance import distance_to_sampled
from layers.network.graph import build_network
from layers.network.intervals import complement
from tests.estimates.counted import water_of
from tests.estimates.test_sampled_length import (
    NO_PARTS,
    parts_at,
    placements_of,
    random_case,
    stretches_at,
)
from tests.random_networks import SHARED, new_hope, random_network, reaches_of

open_data = pytest.mark.skipif(not SHARED.exists(), reason="open data not present")

FORK = build_network(
    reaches_of(
        ["LINESTRING (0 500, 0 0)", "LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)"],
        ["A", "B", "C"],
    )
)


def test_a_fork_by_hand():
    """A sampled from 100 to 200 m leaves all above (1000 m) and the foot of A (300 m)."""
    parts = parts_at([("A", 0, 500, "X"), ("B", 0, 400, "Y"), ("C", 0, 500, "Y")])
    placements = placements_of([("kick_net", 2024)])
    frame = gaps(water_of(FORK, stretches_at([(0, "A", 100, 200)]), placements), parts)
    assert frame.columns.tolist() == list(GAP_COLUMNS)
    assert frame["gap"].tolist() == [1, 2]
    assert frame["length_m"].tolist() == [1000, 300]
    assert frame["reaches"].tolist() == [3, 1]
    assert frame["catchment"].tolist() == ["Y", "X"]
    assert frame["highest_strahler"].tolist() == [2, 2]
    assert frame["farthest_m"].tolist() == [600, 300]
    # The farthest points are the head of C and the foot of A.
    places = gpd.GeoSeries([shapely.Point(300, 900), shapely.Point(0, 0)], crs=FORK.crs)
    assert frame["farthest_longitude"].tolist() == pytest.approx(places.to_crs(4326).x.tolist())
    assert frame["farthest_latitude"].tolist() == pytest.approx(places.to_crs(4326).y.tolist())
    assert frame.geometry.length.tolist() == pytest.approx([1000, 300])
    assert (frame.geometry.geom_type == "MultiLineString").all()
    assert frame.crs == FORK.crs


@pytest.mark.parametrize("more", [0.0, 1e-8])
def test_equally_long_gaps_stand_by_reach_and_measure(more):
    """B, C and A leave 200 m each, but for what rounding adds to the later ones."""
    placements = placements_of([("kick_net", 2024)])
    stretches = stretches_at(
        [(0, "C", 0, 100), (0, "C", 300 + 2 * more, 500), (0, "B", 0, 200 - more), (0, "A", 0, 300)]
    )
    frame = gaps(
        water_of(FORK, stretches, placements),
        parts_at([("A", 0, 500, "X"), ("B", 0, 400, "Y"), ("C", 0, 500, "Z")]),
    )
    assert frame["gap"].tolist() == [1, 2, 3]
    assert frame["length_m"].tolist() == pytest.approx([200, 200, 200], abs=1e-6)
    assert frame["catchment"].tolist() == ["X", "Y", "Z"]


def test_low_orders_can_be_left_out():
    """With order 2 and up only A is left, in two pieces."""
    placements = placements_of([("kick_net", 2024)])
    frame = gaps(
        water_of(FORK, stretches_at([(0, "A", 100, 200)]), placements), NO_PARTS, min_order=2
    )
    assert frame["length_m"].tolist() == [300, 100]
    assert frame["catchment"].isna().all()
    assert gaps(water_of(FORK, stretches_at([]), placements), NO_PARTS, min_order=9).empty


def test_a_node_with_two_samples_beside_it_still_joins_the_others():
    """B is sampled down to the confluence; A and C still touch it, and join."""
    placements = placements_of([("kick_net", 2024)])
    frame = gaps(water_of(FORK, stretches_at([(0, "B", 0, 400)]), placements), NO_PARTS)
    assert frame["length_m"].tolist() == [1000]


def test_everything_sampled_and_nothing_sampled():
    """No gap at all; or the whole network, without a farthest point, in words."""
    placements = placements_of([("kick_net", 2024)])
    whole = stretches_at([(0, "A", 0, 500), (0, "B", 0, 400), (0, "C", 0, 500)])
    none = gaps(water_of(FORK, whole, placements), NO_PARTS)
    assert none.empty
    assert none.columns.tolist() == list(GAP_COLUMNS)
    every = gaps(water_of(FORK, stretches_at([]), placements_of([])), NO_PARTS)
    assert every["length_m"].tolist() == [1400]
    assert every["farthest_m"].isna().all()
    assert every["note"].tolist() == [NOTHING["visited"]]
    assert every.attrs["inputs"]["note"] == "nothing was visited along the network"


def test_a_loop_and_a_part_apart():
    """A loop of 400 m with 100 m sampled leaves one gap through its node; D knows no sample."""
    loop = "LINESTRING (0 0, 100 0, 100 100, 0 100, 0 0)"
    network = build_network(reaches_of([loop, "LINESTRING (900 0, 900 50)"], ["L", "D"]))
    placements = placements_of([("kick_net", 2024)])
    frame = gaps(water_of(network, stretches_at([(0, "L", 100, 200)]), placements), NO_PARTS)
    assert frame["length_m"].tolist() == [300, 50]
    assert frame["farthest_m"].tolist()[0] == 150
    assert frame["note"].isna().tolist() == [True, False]


def networkx_gaps(network, stretches):
    """Lengths of connected unsampled pieces, by an explicit graph of pieces and nodes."""
    rows = network.rows(stretches["reach_id"])
    left = complement(rows, stretches["from_m"], stretches["to_m"], network.length_m)
    graph = nx.Graph()
    for k, (row, a, b) in enumerate(zip(*(c.tolist() for c in left), strict=True)):
        graph.add_node(("piece", k), length=b - a)
        if a == 0:
            graph.add_edge(("piece", k), int(network.from_node[row]))
        if b == network.length_m[row]:
            graph.add_edge(("piece", k), int(network.to_node[row]))
    lengths = [
        sum(graph.nodes[n].get("length", 0) for n in part)
        for part in nx.connected_components(graph)
    ]
    return sorted(lengths, reverse=True)


@pytest.mark.parametrize("seed", range(8))
def test_random_networks_agree_with_networkx(seed):
    """Connected pieces, and the farthest point of each gap."""
    network, stretches, placements, parts, _ = random_case(seed, placements=10)
    frame = gaps(water_of(network, stretches, placements), parts)
    assert frame["length_m"].tolist() == pytest.approx(networkx_gaps(network, stretches))
    assert frame.geometry.length.tolist() == pytest.approx(frame["length_m"].tolist())
    distance = distance_to_sampled(
        network, network.rows(stretches["reach_id"]), stretches["from_m"], stretches["to_m"]
    )
    finite = distance.farthest_m[np.isfinite(distance.farthest_m)]
    assert frame["farthest_m"].max() == pytest.approx(finite.max())


def split_in_two(reaches, stretches, rng):
    """Cut each reach at a place of its own, and its stretches with it."""
    lines, ids, rows = [], [], []
    for reach, line in reaches.geometry.items():
        at = rng.uniform(0.2, 0.8) * line.length
        lines += [shapely.ops.substring(line, 0, at), shapely.ops.substring(line, at, line.length)]
        ids += [f"{reach}a", f"{reach}b"]
        for own in stretches[stretches["reach_id"] == reach].itertuples():
            low, high = sorted((own.from_m, own.to_m))
            number = int(own.placement_id[1:])
            if low < at:
                rows.append((number, f"{reach}a", low, min(high, at)))
            if high > at:
                rows.append((number, f"{reach}b", max(low, at) - at, high - at))
    return build_network(reaches_of(lines, ids), tolerance_m=0.01), stretches_at(rows)


@pytest.mark.parametrize("seed", range(4))
def test_splitting_every_reach_changes_no_gap(seed):
    """A node more in every reach: the same lengths and the same farthest distances."""
    network, stretches, placements, _, _ = random_case(seed, placements=10)
    split, moved = split_in_two(network.reaches, stretches, np.random.default_rng(seed))
    one = gaps(water_of(network, stretches, placements), NO_PARTS)
    other = gaps(water_of(split, moved, placements), NO_PARTS)
    assert one["length_m"].tolist() == pytest.approx(other["length_m"].tolist(), abs=1e-4)
    assert one["farthest_m"].tolist() == pytest.approx(
        other["farthest_m"].tolist(), abs=1e-4, nan_ok=True
    )


@pytest.mark.parametrize("seed", range(4))
def test_reversed_lines_and_reordered_placements_change_no_gap(seed):
    """Lines drawn the other way, with measures turned round."""
    network, stretches, placements, _, _ = random_case(seed, placements=10)
    length = pd.Series(network.length_m, index=network.reaches.index)[stretches["reach_id"]]
    turned = stretches.assign(
        from_m=length.to_numpy() - stretches["to_m"], to_m=length.to_numpy() - stretches["from_m"]
    )
    back = build_network(
        reaches_of(list(network.reaches.geometry.reverse()), network.reaches.index),
        tolerance_m=0.01,
    )
    one = gaps(water_of(network, stretches, placements), NO_PARTS)
    other = gaps(water_of(back, turned.iloc[::-1], placements.iloc[::-1]), NO_PARTS)
    for column in ("length_m", "farthest_m", "reaches"):
        assert one[column].tolist() == pytest.approx(other[column].tolist(), abs=1e-6, nan_ok=True)


# NHDPlus Version 2.1 sample (USGS and US EPA, public domain); figures computed apart from
# this code. They come from the same rule: pieces join when both touch the same node.
@open_data
def test_gaps_of_new_hope_creek():
    """Four gaps after ten overlapping stretches; side channels keep the network in one piece."""
    network = new_hope()
    figures = json.loads((SHARED / "data/newhope/figures.json").read_text())
    rows = figures["ten_intervals"]["intervals"]
    placements = placements_of([(row["method"], 2024) for row in rows])
    stretches = stretches_at(
        [(k, str(row["reach_id"]), row["from_m"], row["to_m"]) for k, row in enumerate(rows)]
    )
    frame = gaps(water_of(network, stretches, placements), NO_PARTS)
    own = figures["gaps_after_ten_intervals"]
    assert len(frame) == own["gap_count"]
    assert frame["length_m"].sum() / 1000 == pytest.approx(own["total_gap_km"], abs=5e-5)
    kilometres = (frame["length_m"] / 1000).tolist()
    assert kilometres == pytest.approx(own["largest_km"], abs=5e-5)


@pytest.mark.parametrize("seed", range(2))
def test_gaps_and_samples_add_up_to_the_network(seed):
    """Every metre is in one gap or sampled."""
    network, stretches, placements, _, _ = random_case(seed, placements=20)
    frame = gaps(water_of(network, stretches, placements), NO_PARTS)
    distance = distance_to_sampled(
        network, network.rows(stretches["reach_id"]), stretches["from_m"], stretches["to_m"]
    )
    total = frame["length_m"].sum() + distance.sampled.length_m.sum()
    assert total == pytest.approx(network.total_length_m)
    assert random_network(seed).total_length_m == network.total_length_m
