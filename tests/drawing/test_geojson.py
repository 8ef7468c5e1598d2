"""GeoJSON as written by `layers.drawing.geojson`, held against RFC 7946 (2016) section by section.

The rules are those of the standard's text; examples are its own where it gives one.
"""

from __future__ import annotations

import io
import json
import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.crs import choose_operation
from layers.drawing import geojson
from layers.drawing.geojson import (
    bounding_box,
    feature_collection,
    feature_stream,
    to_wgs84,
)
from layers.errors import CrsError, FrameError
from layers.network.cutting import ReachLines
from layers.network.intervals import Intervals
from tests.random_networks import random_network

UTM29 = "EPSG:32629"


def frame_of(geometries, crs="EPSG:4326", **columns):
    ids = [f"T{n}" for n in range(1, len(geometries) + 1)]
    return gpd.GeoDataFrame(columns, geometry=geometries, index=pd.Index(ids), crs=crs)


def written(frame, **options):
    return json.loads(feature_collection(frame, **options), parse_constant=_refuse_constant)


def _refuse_constant(name):
    msg = f"{name} is not JSON"
    raise AssertionError(msg)


def all_kinds():
    """One geometry of each kind near the demo island, in metres."""
    hole = [(500_200, 5_830_200), (500_200, 5_830_400), (500_400, 5_830_400), (500_400, 5_830_200)]
    ring = [(500_000, 5_830_000), (500_000, 5_831_000), (501_000, 5_831_000), (501_000, 5_830_000)]
    polygon = shapely.Polygon(ring, [hole])
    line = shapely.LineString([(500_000, 5_830_000), (500_500, 5_830_900)])
    return [
        shapely.Point(500_000, 5_830_000),
        line,
        polygon,
        shapely.MultiPoint([(500_000, 5_830_000), (500_009, 5_830_000)]),
        shapely.MultiLineString([line, shapely.affinity.translate(line, 50)]),
        shapely.MultiPolygon([polygon, shapely.affinity.translate(polygon, 2_000)]),
    ]


def test_section_3_every_object_has_a_type_and_only_known_ones():
    """Section 3: each object has `type`; section 7: no new types are made up."""
    text = written(frame_of(all_kinds(), UTM29, n=range(6)))
    assert text["type"] == "FeatureCollection"
    assert {feature["type"] for feature in text["features"]} == {"Feature"}
    assert [feature["geometry"]["type"] for feature in text["features"]] == [
        "Point",
        "LineString",
        "Polygon",
        "MultiPoint",
        "MultiLineString",
        "MultiPolygon",
    ]


def test_section_3_1_1_longitude_first_and_no_third_number():
    """Section 3.1.1: longitude, latitude; a measure or an unknown height is no third number."""
    raised = [shapely.Point(-11.2, 52.6, 140.0), shapely.from_wkt("POINT M (-11.2 52.6 77)")]
    for feature in written(frame_of(raised))["features"]:
        assert feature["geometry"]["coordinates"] == [-11.2, 52.6]


def test_section_3_1_6_rings_are_closed_and_wound_right_handed():
    """Section 3.1.6: outer rings counter-clockwise, holes clockwise, first position = last."""
    for feature in written(frame_of(all_kinds(), UTM29))["features"]:
        shape = feature["geometry"]
        polygons = {"Polygon": [shape["coordinates"]], "MultiPolygon": shape["coordinates"]}
        for rings in polygons.get(shape["type"], []):
            for number, ring in enumerate(rings):
                assert len(ring) >= 4
                assert ring[0] == ring[-1]
                assert shapely.LinearRing(ring).is_ccw == (number == 0)


def test_section_3_1_9_line_over_180_degrees_is_cut():
    """Section 3.1.9 gives this line and what it becomes."""
    shape = written(frame_of([shapely.LineString([(170, 45), (-170, 45)])]))["features"][0]
    assert shape["geometry"] == {
        "type": "MultiLineString",
        "coordinates": [[[170, 45], [180, 45]], [[-180, 45], [-170, 45]]],
    }


@pytest.mark.parametrize("reverse", [False, True])
def test_section_3_1_9_polygon_over_180_degrees_is_cut(reverse):
    """Section 3.1.9: the same for a polygon, in its own words two rectangles, either winding."""
    ring = [(170, 40), (-170, 40), (-170, 50), (170, 50)]
    shape = written(frame_of([shapely.Polygon(ring[::-1] if reverse else ring)]))["features"][0]
    parts = shapely.geometry.shape(shape["geometry"])
    assert shape["geometry"]["type"] == "MultiPolygon"
    east, west = sorted(parts.geoms, key=lambda part: -part.bounds[0])
    assert east.equals(shapely.box(170, 40, 180, 50))
    assert west.equals(shapely.box(-180, 40, -170, 50))
    assert all(part.exterior.is_ccw for part in parts.geoms)


def test_section_3_1_9_projected_catchment_over_180_degrees():
    """A catchment in metres on UTM zone 60 south that crosses 180 degrees keeps its area."""
    to_metres = pyproj.Transformer.from_crs(4326, 32760, always_xy=True)
    x, y = to_metres.transform([179.9, 180.1, 180.1, 179.9], [-17.0, -17.0, -16.8, -16.8])
    square = shapely.Polygon(np.column_stack([x, y]))
    cut = to_wgs84(np.array([square]), "EPSG:32760")[0]
    assert cut.geom_type == "MultiPolygon"
    assert cut.bounds == pytest.approx((-180, -17.0, 180, -16.8), abs=1e-6)
    # Geodesic area by GeographicLib through pyproj: cutting must not change it. The cut runs
    # along a meridian, the uncut sides are geodesics between the same corners.
    geod = pyproj.Geod(ellps="WGS84")
    whole = abs(
        geod.polygon_area_perimeter([179.9, 180.1, 180.1, 179.9], [-17.0, -17.0, -16.8, -16.8])[0]
    )
    parts = sum(geod.geometry_area_perimeter(part)[0] for part in cut.geoms)
    assert parts == pytest.approx(whole, rel=1e-5)


def test_parts_that_do_not_cross_stay_as_they_are():
    """Of a multi-part geometry only the crossing part is cut; one over 0 degrees is left alone."""
    crossing = shapely.Polygon([(177, -20), (177, -16), (-178, -16), (-178, -20)])
    greenwich = shapely.box(-5, 10, 20, 20)
    cut = to_wgs84(np.array([shapely.MultiPolygon([crossing, greenwich])]), "EPSG:4326")[0]
    assert len(cut.geoms) == 3
    assert any(part.equals(greenwich) for part in cut.geoms)


def test_section_3_1_9_longitudes_beyond_180_come_round():
    """Section 4 counts longitudes from -180 to 180: what lies beyond keeps place and kind."""
    line = shapely.LineString([(181, 10), (183.5, 12)])
    here, far, both = to_wgs84(
        np.array([shapely.Point(181.5, -17), line, shapely.MultiPoint([(-190, 1), (179, 2)])]),
        "EPSG:4326",
    )
    assert here.equals(shapely.Point(-178.5, -17))
    assert far.geom_type == "LineString"
    assert far.equals(shapely.LineString([(-179, 10), (-176.5, 12)]))
    assert both.equals(shapely.MultiPoint([(170, 1), (179, 2)]))


def test_section_3_1_9_each_part_is_cut_whatever_stands_before_it():
    """The crossing part comes last; the way round by less than 180 degrees is the way meant."""
    crossing = shapely.Polygon([(177, -20), (177, -16), (-178, -16), (-178, -20)])
    cut = to_wgs84(np.array([shapely.MultiPolygon([shapely.box(-5, 10, 20, 20), crossing])]), 4326)
    assert sorted(part.bounds for part in cut[0].geoms) == [
        (-180, -20, -178, -16),
        (-5, 10, 20, 20),
        (177, -20, 180, -16),
    ]
    narrow = to_wgs84(np.array([shapely.LineString([(90.2, 5), (-90.3, 5)])]), 4326)[0]
    assert [part.bounds for part in narrow.geoms] == [(90.2, 5, 180, 5), (-180, 5, -90.3, 5)]


def test_section_3_2_feature_without_place_has_null_geometry():
    """Section 3.2: an unlocated feature keeps its `geometry` member, as null."""
    nowhere = [None, shapely.Point(), shapely.Point(math.nan, 5), shapely.Point(math.inf, 5)]
    text = written(frame_of(nowhere, UTM29))
    assert [feature["geometry"] for feature in text["features"]] == [None] * 4
    assert "bbox" not in text


def test_section_3_2_id_is_text_or_number_and_beside_properties():
    """Section 3.2: the index becomes `id`, a string or number, not a property."""
    frame = frame_of([shapely.Point(1, 2)], n=[7])
    (feature,) = written(frame)["features"]
    assert feature["id"] == "T1"
    assert feature["properties"] == {"n": 7}
    numbered = frame.set_axis(pd.Index([42]))
    assert written(numbered)["features"][0]["id"] == 42


def test_section_3_3_empty_collection():
    """Section 3.3: `features` may be empty, and is there all the same."""
    text = written(frame_of([], UTM29))
    assert text == {"type": "FeatureCollection", "features": []}


def test_section_4_wgs84_and_no_crs_member():
    """Section 4: WGS 84 degrees, no `crs` member.

    Expected position: IOGP GIGS test 5101, 60 N 2 W in EPSG:32631 is 221288.770, 6661953.041.
    """
    text = written(frame_of([shapely.Point(221_288.770, 6_661_953.041)], "EPSG:32631"))
    assert "crs" not in text
    assert text["features"][0]["geometry"]["coordinates"] == pytest.approx([-2, 60], abs=2e-8 * 5)


def test_section_4_axis_order_whatever_the_crs_says():
    """EPSG:4326 and EPSG:2193 state latitude or northing first; GeoJSON never does.

    Expected position: LINZ self-test point 1, EPSG:4167 to 2193.
    """
    point = [shapely.Point(1_576_041.150, 6_188_574.240)]
    lon, lat = written(frame_of(point, "EPSG:2193"))["features"][0]["geometry"]["coordinates"]
    assert (lon, lat) == pytest.approx((172.739193967, -34.444065991), abs=1e-7)


def test_section_5_bbox_is_lows_then_highs():
    """Section 5: west, south, east, north around everything."""
    assert written(frame_of([shapely.Point(3, 40), shapely.box(-2, 50, 1, 51)]))["bbox"] == [
        -2,
        40,
        3,
        51,
    ]


def test_section_5_2_bbox_over_180_degrees():
    """Section 5.2: around the archipelago of its example west is greater than east."""
    isles = frame_of([shapely.Point(177, -20), shapely.Point(-178, -16)])
    assert written(isles)["bbox"] == [177, -20, -178, -16]
    streamed = b"".join(feature_stream([isles.iloc[:1], isles.iloc[1:]]))
    assert json.loads(streamed)["bbox"] == [177, -20, -178, -16]


def test_section_5_3_latitudes_stay_within_90():
    """Section 5.3: what a CRS cannot place on the globe has no geometry rather than a false one."""
    assert bounding_box(to_wgs84(np.array([shapely.Point(0, 95)]), "EPSG:4326")) is None


def test_section_6_1_foreign_members_and_7_1_no_borrowed_names():
    """Section 6.1 allows foreign members; 7.1 keeps the standard's own names for themselves."""
    text = written(frame_of([shapely.Point(1, 2)]), members={"timeStamp": "2024-05-01T00:00:00Z"})
    assert text["timeStamp"] == "2024-05-01T00:00:00Z"
    for name in (
        "type", "features", "bbox", "geometry", "geometries", "coordinates", "properties", "crs",
    ):  # fmt: skip
        with pytest.raises(FrameError, match=name):
            written(frame_of([]), members={name: 1})


def test_section_11_1_no_nan_in_properties():
    """Section 11.1 (I-JSON): NaN and infinity are not JSON; missing values are null."""
    text = written(
        frame_of(
            [shapely.Point(1, 2)] * 3,
            number=[1.5, math.nan, -math.inf],
            whole=pd.array([1, None, 3], dtype="Int64"),
            text=["a", None, "c"],
            mixed=[math.nan, [1.0, math.nan], {"deep": math.inf}],
            yes=pd.array([True, None, False], dtype="boolean"),
            at=pd.to_datetime(
                ["2024-05-01T21:00:00+02:00", None, "2024-05-02"], utc=True, format="ISO8601"
            ),
        )
    )
    rows = [feature["properties"] for feature in text["features"]]
    assert rows[0] == {
        "number": 1.5,
        "whole": 1,
        "text": "a",
        "mixed": None,
        "yes": True,
        "at": "2024-05-01T19:00:00Z",
    }
    assert rows[1] == {
        "number": None,
        "whole": None,
        "text": None,
        "mixed": [1.0, None],
        "yes": None,
        "at": None,
    }
    assert rows[2]["number"] is None
    assert rows[2]["mixed"] == {"deep": None}


def test_section_11_2_seven_decimals_at_most():
    """Section 11.2: more digits than a position has meaning only make the file larger."""
    text = feature_collection(frame_of([shapely.Point(1 / 3, 2 / 3)])).decode()
    assert "[0.3333333,0.6666667]" in text


def test_another_gis_reads_the_same(tmp_path):
    """GDAL reads back every feature, its CRS, and the positions to the written digits."""
    frame = frame_of(all_kinds(), UTM29, n=range(6), name=["é", "ł", "<b>", '"', "\\", "\n"])
    path = tmp_path / "records.geojson"
    path.write_bytes(feature_collection(frame))
    read = gpd.read_file(path)
    assert read.crs == "EPSG:4326"
    assert read["name"].tolist() == frame["name"].tolist()
    moved = frame.to_crs(4326)
    assert shapely.hausdorff_distance(
        read.geometry.to_numpy(), moved.geometry.to_numpy()
    ) == pytest.approx(0, abs=1e-7)


def test_streaming_equals_writing_at_once():
    """A collection written in chunks holds the same features as one written whole."""
    points = shapely.points(np.random.default_rng(3).uniform(0, 1_000, (1_203, 2)) + 500_000)
    frame = frame_of(list(points), UTM29, n=np.arange(1_203))
    chunks = [frame.iloc[start : start + 100] for start in range(0, 1_203, 100)]
    whole, streamed = written(frame), json.load(io.BytesIO(b"".join(feature_stream(chunks))))
    assert streamed == whole


def test_long_lines_are_drawn_some_reaches_at_a_time(monkeypatch):
    """A line of many reaches is written as if it had been drawn whole, and never is."""
    network = random_network(5)
    rows = np.arange(len(network.length_m))
    whole = Intervals(rows, 0.0 * network.length_m, network.length_m)
    first = np.array([0, 2, 13, 17, 17])
    lines = ReachLines(network, whole, rows[::-1], first, np.diff(first, append=len(rows)))
    drawn, at_once, draw = frame_of(list(np.asarray(lines)), network.crs), [], ReachLines._draw

    def noted(self):
        at_once.append(self.count.max())
        return draw(self)

    monkeypatch.setattr(ReachLines, "_draw", noted)
    monkeypatch.setattr(geojson, "_MANY_REACHES", 4)
    frame = gpd.GeoDataFrame(drawn.drop(columns="geometry"), geometry=lines.copy())
    frame.geometry.array._drawn = None
    assert b"".join(feature_stream([frame])) == feature_collection(drawn)
    assert lines.count.max() > 11
    assert max(at_once) == 4


def test_places_are_moved_by_the_operation_that_summaries_state():
    """PROJ alone would choose another shift of EPSG's list for this place in ED50, 4 m away."""
    x, y = 430_000.0, 4_600_000.0
    (longitude,), (latitude,) = choose_operation("EPSG:23031", 4326).move(x, y)
    by_place = pyproj.Transformer.from_crs("EPSG:23031", 4326, always_xy=True).transform(x, y)
    away = pyproj.Geod(ellps="WGS84").inv(longitude, latitude, *by_place)[2]
    assert away > 1
    point = to_wgs84(np.array([shapely.Point(x, y)]), "EPSG:23031")[0]
    assert (point.x, point.y) == pytest.approx((longitude, latitude), abs=1e-7)


def test_geometry_without_crs_is_refused():
    """Coordinates of unknown meaning are not passed off as degrees."""
    with pytest.raises(CrsError, match="No CRS"):
        feature_collection(frame_of([shapely.Point(1, 2)], crs=None))


def test_what_json_has_no_word_for_is_refused():
    """A value of another kind is named, not turned into something it was not."""
    with pytest.raises(FrameError, match="column odd"):
        feature_collection(frame_of([shapely.Point(1, 2)], odd=[object()]))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-180, 180, width=32), st.floats(-89, 89, width=32)),
        min_size=2,
        max_size=8,
    )
)
def test_no_written_line_crosses_180_degrees(path):
    """Whatever the line, no segment written jumps half the globe, and its ends stay."""
    shape = to_wgs84(np.array([shapely.LineString(path)]), "EPSG:4326")[0]
    for part in shapely.get_parts(shape):
        assert (np.abs(np.diff(shapely.get_coordinates(part)[:, 0])) <= 180).all()
    if path[0] == path[-1]:
        return  # a closed line that crosses may begin elsewhere on itself
    ends = shapely.get_coordinates(shape)[[0, -1]]
    for end, given_end in zip(ends, (path[0], path[-1]), strict=True):
        turn = (end[0] - given_end[0] + 180) % 360 - 180
        assert abs(turn) < 1e-6
        assert abs(end[1] - given_end[1]) < 1e-6
