"""Lines as bare vertices are the shapes that they were made of, and are found as these are."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from layers.network.cutting import place_on_reach, reaches_inside
from layers.network.graph import build_network
from layers.network.lines import Lines

CRS = 25830
ORIGIN = np.array([500_000.0, 6_000_000.0])


@pytest.fixture
def shapes(rng):
    """Crooked lines of 2 to 30 vertices over 20 km, some with a vertex twice."""
    drawn = []
    for size in rng.integers(2, 31, 700):
        start = rng.uniform(0.0, 20_000.0, 2) + ORIGIN
        line = np.cumsum(np.vstack([start, rng.normal(0.0, 40.0, (size - 1, 2))]), axis=0)
        if size > 5:
            line[2] = line[3]
        drawn.append(shapely.LineString(line))
    return np.array(drawn, object)


@pytest.fixture
def rng():
    """The same numbers in every run."""
    return np.random.default_rng(7)


def test_lines_are_the_shapes_they_were_made_of(shapes, rng):
    """Whatever is taken of them, whole or in part, in any order, with missing ones."""
    lines = Lines.of(np.append(shapes, None), CRS)
    assert lines.isna().tolist() == [False] * 700 + [True]
    assert shapely.equals_exact(np.asarray(lines)[:-1], shapes).all()
    assert np.array_equal(lines.bounds, shapely.bounds(np.append(shapes, None)), equal_nan=True)
    rows = rng.integers(-1, 700, 50)
    taken = np.asarray(lines.take(rows, allow_fill=True), object)
    assert (shapely.is_missing(taken) == (rows < 0)).all()
    assert shapely.equals_exact(taken[rows >= 0], shapes[rows[rows >= 0]]).all()
    assert shapely.equals_exact(lines.drawn(np.array([5, 2, 5])), shapes[[5, 2, 5]]).all()


def test_lines_below_one_another_stay_bare(shapes, rng):
    """Also some of them in another order; and what is no line is given back as it is."""
    rows = rng.permutation(700)[:40]
    frames = [
        gpd.GeoDataFrame(geometry=Lines.where_all_are(some), crs=CRS)
        for some in (shapes[:300], shapes[300:], shapes[:0])
    ]
    frames.insert(1, frames[0].take(rows[rows < 300]))
    whole = pd.concat(frames, ignore_index=True).geometry.array
    expected = np.concatenate([shapes[:300], shapes[rows[rows < 300]], shapes[300:]])
    assert isinstance(whole, Lines)
    assert whole.crs == CRS
    assert shapely.equals_exact(np.asarray(whole), expected).all()
    for other in (None, shapely.Point(1, 2), shapely.LineString(), shapely.MultiLineString()):
        given = np.append(shapes[:2], other)
        assert Lines.where_all_are(given) is given


def test_lines_are_found_as_a_tree_finds_them(shapes, rng):
    """GEOS, as in shapely's STRtree: by box, and within a distance of each point."""
    lines, tree = Lines.of(shapes, CRS), shapely.STRtree(shapes)
    points = shapely.points(rng.uniform(0.0, 20_000.0, (400, 2)) + ORIGIN)
    most = rng.uniform(0.0, 900.0, 400)
    expected = tree.query(points, predicate="dwithin", distance=most)
    point, line, distance = lines.within(points, most)
    assert len(point) > 400
    assert np.array_equal([point, line], expected[:, np.lexsort(expected[::-1])])
    assert distance.tolist() == shapely.distance(points[point], shapes[line]).tolist()
    boxes = shapely.buffer(points, most, cap_style="square")
    expected = tree.query(boxes)
    assert np.array_equal(
        lines.near(shapely.bounds(boxes)), expected[:, np.lexsort(expected[::-1])]
    )
    assert Lines.of(np.empty(0, object)).near(np.zeros((1, 4)))[0].tolist() == []


def test_a_network_keeps_no_shapes_and_measures_as_geos_does(shapes, rng):
    """Places and parts of reaches, digit by digit, and no shape stays in memory."""
    ids = [f"R{k:03}" for k in range(len(shapes))]
    network = build_network(gpd.GeoDataFrame(geometry=shapes, index=ids, crs=CRS))
    rows = rng.integers(0, 700, 60_000)
    measure_m = rng.uniform(0.0, 1.0, 60_000) * network.length_m[rows]
    measure_m[:500], measure_m[500:900] = 0.0, network.length_m[rows[500:900]]
    expected = shapely.line_interpolate_point(shapes[rows], measure_m)
    places = place_on_reach(network, rows, measure_m)
    assert np.array_equal(places, shapely.get_coordinates(expected))
    hauls = np.append(shapely.buffer(shapely.points(places[:30]), 90.0), [None, shapely.Polygon()])
    owner, parts = reaches_inside(network, hauls)
    inside = shapely.intersection(hauls[owner], shapes[parts.group])
    assert set(owner.tolist()) == set(range(30))
    assert (parts.length_m <= shapely.length(inside) + 1e-6).all()
    assert network.lines is network.reaches.geometry.array
    some = network.reaches[["length_m", "geometry"]].geometry.array
    assert some.bounds is network.lines.bounds
    assert network.lines._drawn is None
