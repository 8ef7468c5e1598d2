"""Snapping against hand work, open data, brute force, and its own rules."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import Point

from layers.errors import CrsError, FrameError, NetworkError
from layers.network import snapping
from layers.network.graph import build_network
from layers.network.lines import Lines
from layers.network.segment_grid import TIE_M, Nearest, SegmentGrid, Vertices
from layers.network.snapping import plain_name, snap_to_reaches
from tests.benchmarks.bench_snapping import field_points
from tests.benchmarks.synthetic import river_network
from tests.conftest import REFERENCES

CRS = "EPSG:25830"


def points_of(xy, **columns):
    """Positions in metres, named P0, P1 …"""
    index = pd.Index([f"P{k}" for k in range(len(xy))], name="placement_id")
    shapes = [None if place is None else Point(place) for place in xy]
    return gpd.GeoDataFrame(columns, geometry=shapes, index=index, crs=CRS)


def reaches_of(names=None, **lines):
    """Reaches of WKT lines by id."""
    frame = gpd.GeoDataFrame(
        geometry=[shapely.from_wkt(line) for line in lines.values()],
        index=pd.Index(lines, name="reach_id"),
        crs=CRS,
    )
    return frame if names is None else frame.assign(stream_name=names)


def plain_loop(positions, reaches, tolerance_m):
    """Nearest reach by looking at every one: (reach, measure, offset), lowest id on a tie."""
    reaches = reaches.sort_index()
    lines, answers = np.asarray(reaches.geometry), []
    for point in positions.geometry:
        distance = shapely.distance(lines, point)
        row = int(np.flatnonzero(distance <= distance.min() + 1e-6)[0])
        if distance[row] > tolerance_m:
            answers.append((None, np.nan, np.nan))
        else:
            answers.append((reaches.index[row], lines[row].project(point), distance[row]))
    return pd.DataFrame(answers, columns=["reach_id", "measure_m", "offset_m"])


def assert_same(snaps, twin):
    """Same reach; measure and offset to a micrometre."""
    assert snaps["reach_id"].fillna("-").tolist() == twin["reach_id"].fillna("-").tolist()
    for column in ("measure_m", "offset_m"):
        np.testing.assert_allclose(
            snaps[column].to_numpy(float), twin[column].to_numpy(float), atol=1e-6
        )


def places_of(snaps):
    """Points on the reaches; missing ones have no coordinates."""
    return shapely.points(snaps[["snapped_x", "snapped_y"]].to_numpy(float))


def test_drawn_network_agrees_with_hand_work(drawn_reaches):
    """network_snaps.csv: a tie, a bend, a point past the outlet, a confluence."""
    answers = pd.read_csv(REFERENCES / "network_snaps.csv").set_index("point")
    xy = answers[["x", "y"]].to_numpy(float) + np.array([500_000, 6_000_000])
    points = gpd.GeoDataFrame(geometry=shapely.points(xy), index=answers.index, crs=CRS)
    snaps = snap_to_reaches(points, drawn_reaches, tolerance_m=300)
    for name, row in answers.iterrows():
        reaches = row["nearest_reach"].split("|")
        measures = dict(
            zip(reaches, map(float, str(row["measure_from_upstream_m"]).split("|")), strict=True)
        )
        snap = snaps.loc[name]
        assert snap["reach_id"] == min(reaches)
        assert snap["measure_m"] == pytest.approx(measures[snap["reach_id"]], abs=1e-6)
        assert snap["offset_m"] == pytest.approx(row["offset_m"], abs=1e-4)
        if len(reaches) > 1:
            assert snap["ambiguous"]
            assert snap["ambiguous_with"] in reaches[1:]


def test_newhope_agrees_with_its_figures(newhope, newhope_network):
    """figures_snap.csv: 15 points, computed apart from this code (0.05 m)."""
    answers = pd.read_csv(newhope / "figures_snap.csv", dtype={"reach_id": str})
    points = gpd.GeoDataFrame(
        geometry=gpd.points_from_xy(answers["x"], answers["y"]), crs="EPSG:26917"
    )
    snaps = snap_to_reaches(points, newhope_network, tolerance_m=500)
    assert snaps["reach_id"].tolist() == answers["reach_id"].tolist()
    for ours, theirs in (
        ("offset_m", "offset_m"), ("measure_m", "measure_m"),
        ("snapped_x", "snap_x"), ("snapped_y", "snap_y"),
    ):  # fmt: skip
        assert snaps[ours].to_numpy() == pytest.approx(answers[theirs].to_numpy(), abs=0.05)


@pytest.mark.parametrize("few", [0, 10**9], ids=["grid", "tree"])
def test_both_searches_agree_with_a_plain_loop_on_newhope(newhope_network, few, monkeypatch):
    """800 points around real channels, also outside their box: grid and tree are the loop."""
    monkeypatch.setattr(snapping, "_FEW", few)
    points = field_points(newhope_network.reaches, 600, seed=5)
    box = newhope_network.reaches.total_bounds
    rng = np.random.default_rng(6)
    far = rng.uniform(box[:2] - 300, box[2:] + 300, (200, 2))
    shapes = np.concatenate([np.asarray(points.geometry), shapely.points(far)])
    points = gpd.GeoDataFrame(geometry=shapes, crs=newhope_network.crs)
    for tolerance in (5.0, 100.0, 2500.0):
        snaps = snap_to_reaches(points, newhope_network, tolerance_m=tolerance)
        assert_same(snaps, plain_loop(points, newhope_network.reaches, tolerance))
        gap = shapely.distance(places_of(snaps), np.asarray(points.geometry))
        np.testing.assert_allclose(gap, snaps["offset_m"], atol=1e-6)


def test_grid_and_tree_find_the_same_rivals():
    """3,000 points on an invented network with uncertainties: every column is the same."""
    network = build_network(river_network(400, seed=3))
    points = field_points(network.reaches, 3000, seed=4)
    rng = np.random.default_rng(5)
    points["uncertainty_m"] = np.where(rng.random(3000) < 0.5, np.nan, rng.uniform(0, 160, 3000))
    by_grid = snap_to_reaches(points, network)
    by_tree = pd.concat(
        [snap_to_reaches(points.iloc[k : k + 1000], network) for k in range(0, 3000, 1000)]
    )
    assert by_grid["ambiguous"].sum() > 100
    for column in ("reach_id", "ambiguous", "ambiguous_with"):
        assert by_grid[column].fillna("-").tolist() == by_tree[column].fillna("-").tolist()
    np.testing.assert_allclose(by_grid["measure_m"], by_tree["measure_m"], atol=1e-6)


@pytest.mark.parametrize("cell", [3.0, 47.0])
def test_segments_longer_than_a_cell_are_found(cell):
    """Straight lines over a thousand cells, and doubled vertices."""
    line = shapely.from_wkt("LINESTRING (0 0, 1000 700, 1000 700, 1500 -20)")
    # Cells go by the mean of all segments: many short ones elsewhere make them small.
    short = shapely.LineString(np.column_stack([np.arange(1500) * 4, np.full(1500, -400)]))
    lines = np.array([line, short])
    grid = SegmentGrid.of_vertices(Vertices.of_lines(Lines.of(lines)), cell)
    assert grid.cell < 20
    # Each cell that the line passes lists its segment, one of these being doubled vertices.
    along = np.linspace(0, line.length, 5000)[:-1]
    column, row = ((shapely.get_coordinates(shapely.line_interpolate_point(line, along))
                    - (grid.origin.real, grid.origin.imag)) // grid.cell).astype(int).T  # fmt: skip
    begin, end = (grid.entry(row * grid.shape[1] + column + more) for more in (0, 1))
    segment = np.searchsorted(grid.vertices.along[:4], along, side="right") - 1
    for first, last, number in zip(begin, end, segment, strict=True):
        assert number in grid.listed[first:last]
    xy = np.random.default_rng(1).uniform([-60, -60], [1560, 760], (20_000, 2))
    parts = grid.nearest(xy, np.zeros(len(xy)), np.arange(len(xy)))
    found = Nearest.of_parts(len(xy), parts)
    distance = shapely.distance(lines[0], shapely.points(xy))
    within = distance <= cell
    assert (found.line >= 0).tolist() == within.tolist()
    np.testing.assert_allclose(found.distance[within], distance[within], atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_the_grid_finds_what_shapely_finds_among_all_lines(data):
    """Ties, doubled vertices, segments of many cells, far points, coordinates of ten million.

    Distances are those of `shapely.distance` to every line; of lines equally near the first is
    taken, and rivals are all others within margin and tolerance.
    """
    whole = st.integers(-60, 60)
    place = st.tuples(whole, whole)
    drawn = data.draw(st.lists(st.lists(place, min_size=2, max_size=6), min_size=1, max_size=8))
    stretch = data.draw(st.sampled_from([0.01, 1.0, 7.0]))
    at = data.draw(st.sampled_from([(0.0, 0.0), (5e5, 6e6), (-1e7, 1e7)]))
    lines = np.array([shapely.LineString(np.array(line) * stretch + at) for line in drawn])
    lines = lines[shapely.length(lines) > 0]
    assume(len(lines))
    far = st.integers(-200, 200)
    points = st.tuples(far | st.floats(-200, 200), far | st.floats(-200, 200))
    xy = np.array(data.draw(st.lists(points, min_size=1, max_size=30))) * stretch + at
    within = data.draw(st.sampled_from([0.0, 0.5, 3.0, 40.0, 500.0]))
    margin = np.full(len(xy), data.draw(st.sampled_from([0.0, 1.0, 10.0, 100.0])))
    grid = SegmentGrid.of_vertices(Vertices.of_lines(Lines.of(lines)), within)
    parts = grid.nearest(xy, margin, np.arange(len(xy)))
    found = Nearest.of_parts(len(xy), parts)
    apart = shapely.distance(shapely.points(xy)[:, None], lines[None])
    least = apart.min(axis=1)
    sure = abs(least - within) > 1e-6  # at the tolerance itself, rounding says which side
    assert ((found.line >= 0) == (least <= within))[sure].all()
    near = found.line >= 0
    first = np.argmax(apart <= least[:, None] + TIE_M, axis=1)
    clear = ((apart <= least[:, None] + TIE_M / 2) == (apart <= least[:, None] + 2 * TIE_M)).all(1)
    assert (found.line == first)[near & clear & sure].all()
    np.testing.assert_allclose(found.distance[near], least[near], atol=2e-6, rtol=0)
    located = shapely.line_interpolate_point(lines[found.line[near]], found.measure[near])
    np.testing.assert_allclose(
        shapely.distance(located, shapely.points(found.foot.real, found.foot.imag)[near]),
        0, atol=1e-6,
    )  # fmt: skip
    limit = np.minimum(least + np.maximum(margin, TIE_M), within)
    pairs = set(zip(found.rivals.point.tolist(), found.rivals.line.tolist(), strict=True))
    assert len(pairs) == len(found.rivals.point)
    for point, line in np.argwhere((abs(apart - limit[:, None]) > 3e-6) & near[:, None]).tolist():
        rival = apart[point, line] <= limit[point] and line != found.line[point]
        assert ((point, line) in pairs) == rival


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(-200, 200), st.integers(-200, 200)),
        min_size=2,
        max_size=7,
        unique=True,
    ),
    st.tuples(st.floats(-250, 250), st.floats(-250, 250)),
)
def test_reversing_a_reach_turns_the_measure_round(vertices, place):
    """measure becomes length − measure, unless two places on the reach are equally near."""
    line = shapely.LineString(vertices)
    points = points_of([place])
    one = snap_to_reaches(points, reaches_of(R=line.wkt), tolerance_m=1000).iloc[0]
    two = snap_to_reaches(points, reaches_of(R=line.reverse().wkt), tolerance_m=1000).iloc[0]
    assert one["offset_m"] == pytest.approx(two["offset_m"], abs=1e-9)
    one_place, two_place = places_of(pd.DataFrame([one, two]))
    if one_place.distance(two_place) < 1e-9 and line.is_simple:
        assert one["measure_m"] == pytest.approx(line.length - two["measure_m"], abs=1e-6)
    for snap, place, drawn in ((one, one_place, line), (two, two_place, line.reverse())):
        assert drawn.interpolate(snap["measure_m"]).distance(place) < 1e-6


def test_order_of_rows_and_reaches_does_not_matter():
    """Shuffled input gives the same answer for each placement."""
    reaches = river_network(300, seed=8)
    points = field_points(reaches, 2500, seed=9)
    first = snap_to_reaches(points, reaches)
    second = snap_to_reaches(points.sample(frac=1, random_state=1), reaches.sample(frac=1))
    pd.testing.assert_frame_equal(first, second.loc[points.index])


def test_uncertainty_widens_the_tolerance_of_its_row():
    """150 m off: taken only where the position itself is that uncertain."""
    reaches = reaches_of(R="LINESTRING (0 0, 1000 0)")
    points = points_of([(500, 150)] * 3, position_uncertainty_m=[np.nan, 20.0, 200.0])
    assert snap_to_reaches(points, reaches)["reach_id"].isna().tolist() == [True, True, False]


FORK = {"A": "LINESTRING (-300 300, 0 0)", "B": "LINESTRING (300 300, 0 0)",
        "C": "LINESTRING (0 0, 0 -300)"}  # fmt: skip


def test_reaches_that_meet_at_a_confluence_are_rivals():
    """Near the meeting all three are; 100 m up one arm none is."""
    points = points_of([(-4, 5), (-100, 102), (0, -150)])
    snaps = snap_to_reaches(points, reaches_of(**FORK))
    assert snaps["ambiguous"].tolist() == [True, False, False]
    assert snaps["ambiguous_with"].tolist()[0] in ("B", "C")


def test_the_direct_continuation_is_no_rival():
    """Where one reach only leads into the next, either is right and nothing is ambiguous."""
    points = points_of([(1, 3), (-1, 3)])
    chain = reaches_of(A="LINESTRING (-300 0, 0 0)", B="LINESTRING (0 0, 300 0)")
    snaps = snap_to_reaches(points, chain)
    assert snaps["reach_id"].tolist() == ["B", "A"]
    assert not snaps["ambiguous"].any()
    assert not snap_to_reaches(points, build_network(chain))["ambiguous"].any()


def test_a_reach_of_a_few_metres_between_makes_no_rivals():
    """A bridge is often a reach of its own; one as long as the place is uncertain is not passed.

    Beyond it the stream comes back 12 m off, 500 m on: that is another place and stays a rival.
    """
    chain = reaches_of(
        A="LINESTRING (-300 0, 0 0)",
        B="LINESTRING (0 0, 4 0)",
        C="LINESTRING (4 0, 254 0, 254 12, 4 12)",
        D="LINESTRING (4 12, -300 12)",
    )
    points = points_of([(1, 3), (-1, 3), (-100, 5)])
    for network in (chain, build_network(chain)):
        snaps = snap_to_reaches(points, network)
        assert snaps["reach_id"].tolist() == ["B", "A", "A"]
        assert snaps["ambiguous_with"].tolist() == ["D", "D", "D"]
        near = snap_to_reaches(points.assign(position_uncertainty_m=5.0), network)
        assert near["ambiguous"].tolist() == [False, False, True]
        sure = snap_to_reaches(points.assign(position_uncertainty_m=1.9), network)
        assert not sure["ambiguous"].any()
    # A hairpin of 33 m: its arms are two places to a position good to 10 m, one to one of 17 m.
    hairpin = reaches_of(
        A="LINESTRING (-300 0, 0 0)",
        B="LINESTRING (0 0, 15 0, 15 3, 0 3)",
        C="LINESTRING (0 3, -300 3)",
    )
    arms = points_of([(-1, 1.2), (-1, 1.2)], position_uncertainty_m=[10.0, 17.0])
    assert snap_to_reaches(arms, hairpin)["ambiguous"].tolist() == [True, False]


def test_a_stream_name_settles_an_ambiguity():
    """Case, accents and spacing aside; a name that none bears leaves it open."""
    reaches = reaches_of(names=["Rìver  Óna", "Brook", "Rìver Óna"], **FORK)
    points = points_of(
        [(-4, 6), (-4, 6), (-4, 6), (-4, 6)], stream_name=["brook", "RIVER ONA", "Moss", None]
    )
    snaps = snap_to_reaches(points, reaches)
    assert snaps["reach_id"].tolist() == ["B", "A", "A", "A"]
    # The main stem goes on below: two reaches of the name meet there, so it stays open.
    assert snaps["ambiguous"].tolist() == [False, True, True, True]
    assert snaps["ambiguous_with"].tolist()[1] == "C"
    settled = snaps.iloc[0]
    assert settled["offset_m"] == pytest.approx(10 / np.sqrt(2))
    assert plain_name(pd.Series(["Ｓtraße"])).tolist() == ["strasse"]


def test_missing_and_empty_positions_stay_missing():
    """Kept in place with nothing invented; an empty frame comes back empty."""
    reaches = reaches_of(R="LINESTRING (0 0, 1000 0)")
    points = points_of([(1, 1), None, (2, 2)])
    points.loc["P2", "geometry"] = Point()
    snaps = snap_to_reaches(points, reaches)
    assert snaps["reach_id"].isna().tolist() == [False, True, True]
    assert snaps.index.tolist() == ["P0", "P1", "P2"]
    assert not snaps["ambiguous"].any()
    assert snap_to_reaches(points.iloc[:0], reaches).shape == (0, 7)
    none = snap_to_reaches(points, build_network(reaches.iloc[:0]))
    assert none["reach_id"].isna().all()


def test_bad_input_is_refused_by_name():
    """CRS mismatch, degrees, shapes that are no points, negative uncertainty, twins."""
    reaches = reaches_of(R="LINESTRING (0 0, 1000 0)")
    points = points_of([(1, 1)])
    with pytest.raises(CrsError, match="25830"):
        snap_to_reaches(points.set_crs("EPSG:25829", allow_override=True), reaches)
    with pytest.raises(CrsError, match="degrees"):
        snap_to_reaches(points, reaches.set_crs("EPSG:4326", allow_override=True))
    with pytest.raises(FrameError, match=r"'P0' is -3"):
        snap_to_reaches(points.assign(uncertainty_m=-3.0), reaches)
    with pytest.raises(FrameError, match="tolerance_m"):
        snap_to_reaches(points, reaches, tolerance_m=np.nan)
    lines = points.set_geometry([shapely.LineString([(0, 0), (1, 1)])], crs=CRS)
    with pytest.raises(FrameError, match="'P0' is a LineString"):
        snap_to_reaches(lines, reaches)
    with pytest.raises(NetworkError, match="'R'"):
        snap_to_reaches(points, pd.concat([reaches, reaches]))
