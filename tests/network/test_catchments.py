"""Catchments: mended, nested, laid over reaches and positions."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import box

from layers.errors import CrsError, FrameError
from layers.network.catchments import ancestors, catchment_of, part_reaches, prepare_catchments
from layers.network.graph import build_network
from tests.benchmarks.synthetic import river_network

CRS = "EPSG:25830"


def catchments_of(crs=CRS, **shapes):
    """Catchments by id, as a file holds them."""
    return gpd.GeoDataFrame({"catchment_id": list(shapes)}, geometry=list(shapes.values()), crs=crs)


@pytest.fixture(scope="module")
def basins(newhope):
    raw = gpd.read_file(newhope / "newhope.gpkg", layer="basins")
    return prepare_catchments(raw.rename(columns={"huc12": "catchment_id"}), "EPSG:26917")[0]


def test_newhope_lengths_per_basin_agree(newhope, newhope_network, basins):
    """NHDPlus V2.1 sample: stream length per basin, computed apart from this code."""
    figures = json.loads((newhope / "figures.json").read_text())
    parts = part_reaches(newhope_network, basins)
    length = (parts["to_m"] - parts["from_m"]).groupby(parts["catchment_id"]).sum() / 1000
    for basin, expected in figures["stream_length_km_by_basin"].items():
        assert length.get(basin, 0.0) == pytest.approx(expected, abs=1e-4)


def test_newhope_catchments_of_points_agree(newhope, basins):
    """figures_snap.csv: basin and local catchment of 15 points."""
    answers = pd.read_csv(
        newhope / "figures_snap.csv", dtype={"catchment_id": str, "basin_huc12": str}
    )
    points = gpd.GeoSeries(gpd.points_from_xy(answers["x"], answers["y"]), crs="EPSG:26917")
    assert catchment_of(points, basins).tolist() == answers["basin_huc12"].tolist()
    raw = gpd.read_file(newhope / "newhope.gpkg", layer="catchments")
    local, _ = prepare_catchments(raw, "EPSG:26917")
    assert catchment_of(points, local).tolist() == answers["catchment_id"].tolist()


def test_parts_agree_with_plain_intersection():
    """Random cells over an invented network: as Shapely's intersection, pair by pair."""
    network = build_network(river_network(300, seed=4))
    left, bottom, right, top = network.reaches.total_bounds
    rng = np.random.default_rng(2)
    seeds = shapely.multipoints(rng.uniform([left, bottom], [right, top], (40, 2)))
    cells = shapely.get_parts(shapely.voronoi_polygons(seeds))[:36]  # some ground lies outside
    raw = gpd.GeoDataFrame(
        {"catchment_id": [f"V{k:02d}" for k in range(len(cells))]}, geometry=cells, crs=network.crs
    )
    catchments, _ = prepare_catchments(raw, network.crs)
    parts = part_reaches(network, catchments)
    length = parts["to_m"] - parts["from_m"]
    assert (length > 0).all()
    whole = length.groupby(parts["reach_id"]).sum()
    np.testing.assert_allclose(whole.loc[network.reaches.index], network.length_m, rtol=1e-12)
    ours = length.groupby(parts["catchment_id"]).sum()
    union = shapely.union_all(np.asarray(network.reaches.geometry))
    for name, shape in catchments.geometry.items():
        theirs = shapely.length(shapely.intersection(union, shape))
        assert ours.get(name, 0.0) == pytest.approx(theirs, abs=1e-3)


def test_parts_follow_one_another_and_name_the_smallest():
    """A line through nested squares and out again, by hand."""
    line = shapely.LineString([(-50, 5), (150, 5)])
    network = build_network(gpd.GeoDataFrame(geometry=[line], index=["R"], crs=CRS))
    raw = catchments_of(big=box(0, 0, 100, 100), small=box(20, 0, 40, 50))
    catchments, _ = prepare_catchments(raw, CRS, nest=True)
    parts = part_reaches(network, catchments)
    assert parts[["from_m", "to_m"]].to_numpy().tolist() == [
        [0, 50], [50, 70], [70, 90], [90, 150], [150, 200],
    ]  # fmt: skip
    assert parts["catchment_id"].fillna("-").tolist() == ["-", "big", "small", "big", "-"]
    points = gpd.GeoSeries([shapely.Point(30, 30), shapely.Point(90, 9), None], crs=CRS)
    assert catchment_of(points, catchments).fillna("-").tolist() == ["small", "big", "-"]


def test_a_line_that_only_touches_a_boundary_is_not_cut():
    """A corner touched or a boundary followed leaves one part."""
    lines = [shapely.LineString([(-10, 10), (10, -10)]), shapely.LineString([(0, 5), (0, 50)])]
    network = build_network(gpd.GeoDataFrame(geometry=lines, index=["R", "S"], crs=CRS))
    catchments, _ = prepare_catchments(catchments_of(A=box(0, 0, 100, 100)), CRS)
    parts = part_reaches(network, catchments)
    assert len(parts) == 2
    assert parts["catchment_id"].fillna("-").tolist() == ["-", "A"]


def test_no_catchments_leave_whole_reaches_outside():
    """No polygon: each reach is one part that no catchment holds."""
    network = build_network(river_network(5))
    empty = gpd.GeoDataFrame({"parent_id": []}, geometry=[], crs=network.crs)
    parts = part_reaches(network, empty)
    assert parts["catchment_id"].isna().all()
    assert parts["to_m"].tolist() == network.length_m.tolist()


def test_nesting_is_found_or_taken_as_given():
    """Nested squares find their smallest holder; a given parent is not overruled."""
    raw = catchments_of(a=box(0, 0, 100, 100), b=box(0, 0, 50, 50), c=box(10, 10, 20, 20))
    found, notes = prepare_catchments(raw, CRS, nest=True)
    assert found["parent_id"].fillna("-").to_dict() == {"a": "-", "b": "a", "c": "b"}
    assert any("2 catchments" in note for note in notes)
    given, _ = prepare_catchments(raw.assign(parent_id=[None, None, "a"]), CRS, nest=True)
    assert given["parent_id"].fillna("-").to_dict() == {"a": "-", "b": "a", "c": "a"}
    plain, _ = prepare_catchments(raw, CRS)
    assert plain["parent_id"].isna().all()
    table = ancestors(found)
    assert table[table["catchment_id"] == "c"]["ancestor_id"].tolist() == ["c", "b", "a"]


def test_unknown_and_circular_parents_are_refused():
    """Both name the catchment."""
    raw = catchments_of(a=box(0, 0, 9, 9), b=box(0, 0, 5, 5))
    with pytest.raises(FrameError, match="'x' of catchment 'b'"):
        prepare_catchments(raw.assign(parent_id=[None, "x"]), CRS)
    with pytest.raises(FrameError, match="hold itself"):
        prepare_catchments(raw.assign(parent_id=["b", "a"]), CRS)


def test_invalid_polygons_are_mended_and_it_is_said():
    """A bow tie becomes its two triangles, 50 m² in all."""
    tie = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    found, notes = prepare_catchments(catchments_of(T=tie), CRS)
    assert found.is_valid.all()
    assert found.area.iloc[0] == pytest.approx(50)
    assert "'T'" in notes[0]


@pytest.mark.parametrize("form", ["one ring", "past 180", "two halves"])
def test_a_catchment_may_cross_180_degrees(form):
    """Three ways files draw it, one area: near Fiji, 0.2 by 0.1 degrees."""
    shapes = {
        "one ring": shapely.Polygon([(179.9, -17), (-179.9, -17), (-179.9, -16.9), (179.9, -16.9)]),
        "past 180": box(179.9, -17, 180.1, -16.9),
        "two halves": shapely.MultiPolygon(
            [box(179.9, -17, 180, -16.9), box(-180, -17, -179.9, -16.9)]
        ),
    }
    found, notes = prepare_catchments(catchments_of("EPSG:4326", F=shapes[form]), "EPSG:3460")
    # 0.2 degrees of longitude by 0.1 of latitude at 16.95 S on WGS 84: 21.30 km by 11.07 km.
    assert found.area.iloc[0] / 1e6 == pytest.approx(21.30 * 11.07, rel=2e-3)
    assert shapely.get_num_geometries(found.geometry.iloc[0]) == 1
    assert any("WGS 84" in note for note in notes)
    assert any("180°" in note for note in notes) == (form != "past 180")


def test_bad_catchments_are_refused_by_name():
    """No CRS, no id, doubled id, no polygon."""
    raw = catchments_of(A=box(0, 0, 9, 9), B=box(0, 0, 5, 5))
    with pytest.raises(CrsError, match="state no CRS"):
        prepare_catchments(raw.set_crs(None, allow_override=True), CRS)
    with pytest.raises(FrameError, match="catchment_id"):
        prepare_catchments(raw.drop(columns="catchment_id"), CRS)
    with pytest.raises(FrameError, match="'A'"):
        prepare_catchments(raw.assign(catchment_id=["A", "A"]), CRS)
    with pytest.raises(FrameError, match="no catchment_id"):
        prepare_catchments(raw.assign(catchment_id=["A", None]), CRS)
    with pytest.raises(FrameError, match="'B' is a Point"):
        prepare_catchments(catchments_of(A=box(0, 0, 9, 9), B=shapely.Point(1, 1)), CRS)
