"""Stretches by all four rules, on networks small enough to draw."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.ops import substring

from layers.errors import FrameError
from layers.fieldwork.stretches import stretch_lines, stretches_of
from layers.network.graph import build_network
from layers.network.snapping import snap_to_reaches
from tests.random_networks import SHARED, hand_drawn, new_hope, random_network, reaches_of

open_data = pytest.mark.skipif(not SHARED.exists(), reason="open data not present")

METHODS = pd.DataFrame(
    {"stretch_rule": ["along", "along", "none"]},
    index=pd.Index(["kick_net", "electric_fishing", "minnow_trap"], name="method"),
)

# Three reaches meet at (0, 500): B (order 1, 400 m) and C (order 1, 500 m) into A.
FORK = reaches_of(
    ["LINESTRING (0 500, 0 0)", "LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)"],
    ["A", "B", "C"],
)


def placement(shape=None, at=None, kind="point", method="kick_net", length=np.nan, anchor=None):
    if shape is not None:
        shape = shapely.from_wkt(shape)
        at = at or shape.coords[0]
    return {
        "method": method,
        "shape_kind": kind,
        "shape": shape,
        "stretch_length_m": length,
        "stretch_anchor": anchor,
        "geometry": shapely.Point(at),
    }


def cut(network, *rows, tolerance_m=100.0):
    frame = gpd.GeoDataFrame(
        list(rows),
        index=pd.Index([f"P{k}" for k in range(len(rows))], name="placement_id"),
        crs=network.crs,
    )
    snaps = snap_to_reaches(frame, network, tolerance_m=tolerance_m)
    return stretches_of(frame, snaps, network, METHODS, tolerance_m=tolerance_m)


def as_rows(stretches):
    """(reach, from, to) to a millimetre."""
    return [
        (reach, round(a, 3), round(b, 3))
        for reach, a, b in stretches[["reach_id", "from_m", "to_m"]].itertuples(index=False)
    ]


def test_a_track_is_joined_along_the_network():
    """From 100 m below the fork to 200 m up B: part of A and part of B, no flag."""
    stretches, flags = cut(
        build_network(FORK), placement("LINESTRING (3 400, 3 500, 3 700)", kind="track")
    )
    assert as_rows(stretches) == [("A", 0, 100), ("B", 200, 400)]
    assert flags.empty


@pytest.mark.parametrize(("length", "used"), [(300, True), (240, True), (239, False), (401, False)])
def test_a_way_that_differs_by_more_than_a_quarter_is_not_used(length, used):
    """Two ends 300 m apart along the network, with the length as stated on the sheet."""
    row = placement("LINESTRING (0 400, 0 700)", kind="ends", length=length)
    stretches, flags = cut(build_network(FORK), row)
    assert stretches.empty is not used
    assert flags["code"].tolist() == ([] if used else ["stretch_way_differs"])


def test_a_track_over_the_ridge_is_flagged():
    """From B to C over land it is 240 m, along the network more: left out, and flagged."""
    row = placement("LINESTRING (0 820, 240 820)", kind="track")
    stretches, flags = cut(build_network(FORK), row, tolerance_m=20)
    assert stretches.empty
    assert flags["code"].tolist() == ["stretch_way_differs"]
    assert "the track is 720 m long, itself 240 m" in flags["message"][0]


def test_ends_without_stated_length_are_joined():
    """Nothing to compare with, so the way stands."""
    stretches, flags = cut(
        build_network(FORK), placement("LINESTRING (0 800, 240 820)", kind="ends")
    )
    assert as_rows(stretches) == [("B", 100, 400), ("C", 100, 500)]
    assert flags.empty


def test_ends_that_no_short_way_joins_are_flagged():
    """The arms of a 9 km bend come within 10 m of each other; nobody sampled all of it."""
    bend = reaches_of(["LINESTRING (0 4500, 0 0, 10 0, 10 4500)"])
    row = placement("LINESTRING (0 4400, 10 4400)", kind="ends")
    stretches, flags = cut(build_network(bend), row)
    assert stretches.empty
    assert flags["code"].tolist() == ["stretch_way_differs"]


def test_unconnected_unsnapped_and_missing_ends_are_flagged():
    """Each reason has its own code."""
    apart = build_network(
        reaches_of(["LINESTRING (0 100, 0 0)", "LINESTRING (500 100, 500 0)"], ["A", "B"])
    )
    stretches, flags = cut(
        apart,
        placement("LINESTRING (0 50, 500 50)", kind="ends"),
        placement("LINESTRING (0 50, 0 400)", kind="track"),
        placement("LINESTRING (0 400, 0 50)", kind="track"),
        placement(at=(0, 50), kind="track"),
        placement("LINESTRING (-5 50, 5 50)", kind="ends"),
        placement(at=(0, 400), length=50),
    )
    assert stretches.empty
    assert dict(zip(flags["placement_id"], flags["code"], strict=True)) == {
        "P0": "stretch_not_connected",
        "P1": "stretch_end_unsnapped",
        "P2": "stretch_start_unsnapped",
        "P3": "stretch_no_shape",
        "P4": "stretch_without_length",
        "P5": "stretch_start_unsnapped",
    }
    assert flags["code"].str.startswith("stretch_").all()


@pytest.mark.parametrize(
    ("anchor", "expected"),
    [
        (None, [("A", 150, 250)]),
        ("downstream_end", [("A", 150, 250)]),
        ("centre", [("A", 200, 300)]),
        ("upstream_end", [("A", 250, 350)]),
    ],
)
def test_a_stated_length_is_walked_by_its_anchor(anchor, expected):
    """100 m at measure 250: upstream by default, half each way, or downstream."""
    row = placement(at=(0, 250), length=100, anchor=anchor)
    stretches, flags = cut(build_network(FORK), row)
    assert as_rows(stretches) == expected
    assert flags.empty


def test_at_a_confluence_the_walk_follows_the_longer_branch_and_says_so():
    """Equal order: C drains 500 m, B 400 m; the walk takes C."""
    stretches, flags = cut(build_network(FORK), placement(at=(0, 400), length=300))
    assert as_rows(stretches) == [("A", 0, 100), ("C", 300, 500)]
    assert flags["code"].tolist() == ["stretch_confluence"]
    assert "follows C (order 1), not B (order 1)" in flags["message"][0]


def test_stream_order_goes_before_upstream_length():
    """An order given with the reaches decides before length does."""
    orders = FORK.assign(strahler=[2, 2, 1])
    stretches, _ = cut(build_network(orders), placement(at=(0, 400), length=300))
    assert as_rows(stretches) == [("A", 0, 100), ("B", 200, 400)]


def test_equal_branches_are_settled_by_reach_id():
    """Same order and length: the lower id."""
    even = reaches_of(
        ["LINESTRING (0 500, 0 0)", "LINESTRING (0 1000, 0 500)", "LINESTRING (500 500, 0 500)"],
        ["A", "C", "B"],
    )
    stretches, _ = cut(build_network(even), placement(at=(0, 400), length=150))
    assert as_rows(stretches) == [("A", 0, 100), ("B", 450, 500)]


def test_a_walk_stops_at_source_and_outlet_and_says_what_was_lost():
    """Up B only 100 m are left; down A only 200 m."""
    stretches, flags = cut(
        build_network(FORK),
        placement(at=(0, 800), length=150),
        placement(at=(0, 200), length=250, anchor="upstream_end"),
    )
    assert as_rows(stretches) == [("B", 0, 100), ("A", 300, 500)]
    assert flags["code"].tolist() == ["stretch_cut_short"] * 2
    assert "after 100.0 m; 50.0 m" in flags["message"][0]
    assert "after 200.0 m; 50.0 m" in flags["message"][1]


def test_a_walk_down_past_a_division_follows_one_channel():
    """The channels are of one order; with C the longer length has flowed to its foot."""
    split = reaches_of(
        ["LINESTRING (0 900, 0 500)", "LINESTRING (0 500, 0 0)", "LINESTRING (0 500, 90 300, 0 0)"],
        ["A", "B", "C"],
    )
    stretches, flags = cut(
        build_network(split), placement(at=(0, 600), length=200, anchor="upstream_end")
    )
    assert as_rows(stretches) == [("A", 300, 400), ("C", 0, 100)]
    assert "division" in flags["message"][0]


def test_a_directed_loop_ends_the_walk():
    """Round a loop of 400 m the walk ends where it began; nothing is counted twice."""
    loop = reaches_of(["LINESTRING (0 0, 100 0, 100 100, 0 100, 0 0)"], ["L"])
    stretches, flags = cut(build_network(loop), placement(at=(50, 0), length=900))
    total = (stretches["to_m"] - stretches["from_m"]).sum()
    assert total <= 400
    assert flags["code"].tolist()[-1] == "stretch_cut_short"


def test_points_areas_and_other_gear_have_no_stretch():
    """One trap, a seine's polygon, a trap with a stated length: effort, never length."""
    square = "POLYGON ((0 200, 20 200, 20 220, 0 220, 0 200))"
    stretches, flags = cut(
        build_network(FORK),
        placement(at=(0, 250)),
        placement(square, at=(10, 210), kind="area", length=30),
        placement(at=(0, 250), method="minnow_trap", length=100),
    )
    assert stretches.empty
    assert flags.empty
    assert stretches.columns.tolist() == ["placement_id", "method", "reach_id", "from_m", "to_m"]
    assert flags.columns.tolist() == ["placement_id", "code", "message"]


def test_no_placements():
    """An empty frame gives empty frames with their columns."""
    network = build_network(FORK)
    frame = gpd.GeoDataFrame([placement(at=(0, 0))], crs=network.crs).iloc[:0]
    snaps = pd.DataFrame({"reach_id": [], "measure_m": []})
    stretches, flags = stretches_of(frame, snaps, network, METHODS)
    assert stretches.empty
    assert flags.empty


def test_unknown_methods_and_reaches_are_named():
    """A method or a reach that is in no list is refused."""
    network = build_network(FORK)
    with pytest.raises(FrameError, match="rod"):
        cut(network, placement(at=(0, 250), method="rod"))
    frame = gpd.GeoDataFrame([placement(at=(0, 250), length=9)], index=["P0"], crs=network.crs)
    snaps = pd.DataFrame({"reach_id": ["Z"], "measure_m": [1.0]}, index=["P0"])
    with pytest.raises(FrameError, match="Z"):
        stretches_of(frame, snaps, network, METHODS)


@pytest.mark.parametrize("at", [(0, 400), (0, 480)])
def test_splitting_a_reach_changes_no_length(at):
    """A new node at (0, 450) moves measures, not lengths, and adds no flag."""
    pieces = reaches_of(
        [
            "LINESTRING (0 500, 0 450)",
            "LINESTRING (0 450, 0 0)",
            *FORK.geometry.iloc[1:].to_wkt(),
        ],
        ["A1", "A2", "B", "C"],
    )
    for row in (
        placement(at=at, length=300),
        placement(f"LINESTRING (0 {at[1]}, 0 500, 0 700)", kind="track"),
    ):
        whole, flags = cut(build_network(FORK), row)
        parts, other_flags = cut(build_network(pieces), row)
        assert (whole["to_m"] - whole["from_m"]).sum() == pytest.approx(
            (parts["to_m"] - parts["from_m"]).sum()
        )
        assert flags["code"].tolist() == other_flags["code"].tolist()


def test_order_of_placements_changes_nothing():
    """Each placement's stretch depends on itself alone."""
    rows = [
        placement(at=(0, 400), length=300),
        placement("LINESTRING (0 400, 0 700)", kind="ends"),
        placement(at=(0, 100), length=50, anchor="centre"),
    ]
    network = build_network(FORK)
    one, _ = cut(network, *rows)
    other, _ = cut(network, *rows[::-1])
    for k, name in enumerate(["P0", "P1", "P2"]):
        assert as_rows(one[one["placement_id"] == name]) == as_rows(
            other[other["placement_id"] == f"P{2 - k}"]
        )


def plain_walk(network, row, at, left):
    """Walk upstream one reach at a time, choosing by the rule spelled out."""
    parts, start = [], row
    while left > 0:
        step = min(left, at)
        parts.append((row, at - step, at))
        left -= step
        above = np.flatnonzero(network.to_node == network.from_node[row])
        if left <= 0 or not len(above):
            break
        row = max(above, key=lambda r: (network.strahler[r], network.upstream_length_m[r], -r))
        if row == start:
            break
        at = network.length_m[row]
    return parts


@open_data
@pytest.mark.parametrize("length", [50.0, 2_000.0, 20_000.0])
def test_walks_on_a_real_network_are_the_plain_loops(length):
    """NHDPlus Version 2.1 sample (USGS and US EPA): 300 walks, past side channels and lakes."""
    network = new_hope()
    rng = np.random.default_rng(3)
    rows = rng.integers(0, 746, 300)
    at = rng.uniform(0, 1, 300) * network.length_m[rows]
    names = [f"P{k}" for k in range(300)]
    frame = gpd.GeoDataFrame(
        [placement(at=(0, 0), length=length) for _ in names], index=names, crs=network.crs
    )
    snaps = pd.DataFrame({"reach_id": network.reaches.index[rows], "measure_m": at}, index=names)
    stretches, _ = stretches_of(frame, snaps, network, METHODS)
    walked = (stretches["to_m"] - stretches["from_m"]).groupby(stretches["placement_id"]).sum()
    reaches = stretches.groupby("placement_id")["reach_id"].agg(set)
    for name, row, measure in zip(names, rows, at, strict=True):
        parts = plain_walk(network, row, measure, length)
        assert walked[name] == pytest.approx(sum(b - a for _, a, b in parts))
        assert reaches[name] == {network.reaches.index[r] for r, a, b in parts if b > a}


@open_data
def test_a_walk_up_the_hand_drawn_network():
    """From R1@250, 900 m upstream: 250 of R1, then R3 (250) and R2 (150), then R5 (250 of 500).

    R3 is order 3 and R11 order 1; R5 drains 1600 m and R4 1400 m at equal order.
    """
    network = hand_drawn()
    frame = gpd.GeoDataFrame([placement(at=(0, 0), length=900)], index=["P0"], crs=network.crs)
    snaps = pd.DataFrame({"reach_id": ["R1"], "measure_m": [250.0]}, index=["P0"])
    stretches, flags = stretches_of(frame, snaps, network, METHODS)
    assert set(as_rows(stretches)) == {
        ("R1", 0, 250),
        ("R2", 0, 150),
        ("R3", 0, 250),
        ("R5", 250, 500),
    }
    assert len(flags) == 2  # at A, and at B


@pytest.mark.parametrize("seed", range(4))
def test_cut_lines_are_shapelys_substrings(seed):
    """Every vertex of every stretch, on bent reaches."""
    network = random_network(seed)
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, len(network.length_m), 80)
    ends = np.sort(rng.uniform(0, 1, (2, 80)), axis=0)
    ends[:, :10] = [[0.0], [1.0]]
    stretches = pd.DataFrame(
        {
            "reach_id": network.reaches.index[rows],
            "from_m": ends[0] * network.length_m[rows],
            "to_m": ends[1] * network.length_m[rows],
        }
    )
    cut_out = stretch_lines(stretches, network)
    for line, row in zip(cut_out.geometry, stretches.itertuples(), strict=True):
        expected = substring(network.reaches.geometry[row.reach_id], row.from_m, row.to_m)
        assert shapely.equals_exact(line, expected, tolerance=1e-6)
    assert stretch_lines(stretches.iloc[:0], network).empty
