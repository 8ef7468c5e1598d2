"""Positions in many CRS, against published worked examples."""

import json
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from layers.crs import choose_operation
from service.intake.coordinates import read_positions
from service.intake.findings import Cells, Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from tests.intake_sheets import NOW, PLACEMENTS, checked, files, placements

# Projections worked out in print; each entry names its source (Ordnance Survey, IOGP Guidance
# Note 7-2 and GIGS, LINZ, ICSM). See "source" and "status" there.
EXAMPLES = json.loads((Path(__file__).parents[1] / "references" / "coordinates.json").read_text())
# In feet, for web tiles, and far north of the area of use: no store is measured in these.
OTHERS = ("EPSG:32040", "EPSG:3857")
OUTSIDE = "gigs-lcc1sp-5-58"
METRES = [
    case
    for case in EXAMPLES["checks"]
    if case["method"] == "project"
    and case["inputs"]["projected_crs"] not in OTHERS
    and case["id"] != OUTSIDE
]
NUMBERS = [
    *("longitude", "latitude", "easting", "northing"),
    *("end_longitude", "end_latitude", "end_easting", "end_northing", "position_uncertainty_m"),
]


def positions(store_crs, survey_crs="", **columns):
    frame = pd.DataFrame({name: [text] for name, text in columns.items()}, dtype="str")
    cells = Cells("placements", "f", frame, Findings())
    numbers = {name: np.array([float(columns.get(name) or "nan")]) for name in NUMBERS}
    survey = pd.Series(survey_crs, index=frame.index)
    way = partial(choose_operation, target=store_crs)
    read = read_positions(cells, numbers, survey, store_crs, into_store=way)
    return read, cells.findings.refused


@pytest.mark.parametrize("case", METRES, ids=lambda case: case["id"])
def test_degrees_come_out_as_published_metres(case):
    inputs, expected = case["inputs"], case["expected"]
    read, refused = positions(
        inputs["projected_crs"],
        longitude=repr(inputs["lon"]),
        latitude=repr(inputs["lat"]),
        crs=inputs["geographic_crs"],
    )
    assert refused == []
    point = read.point[0]
    assert [point.x, point.y] == pytest.approx(
        [expected["easting"], expected["northing"]], abs=case["tolerance"]["abs"]
    )
    assert read.accuracy_m[0] == 0  # projecting alone
    assert (read.original_x[0], read.original_y[0]) == (inputs["lon"], inputs["lat"])


def test_a_datum_shift_states_its_name_and_accuracy():
    """National Grid to WGS 84 by seven parameters is good to metres only; that is said."""
    read, refused = positions(
        "EPSG:32631", easting="651409.903", northing="313177.270", crs="EPSG:27700"
    )
    assert refused == []
    assert read.accuracy_m[0] >= 1
    assert len(read.transformation[0]) > 10
    lon, lat = pyproj.Transformer.from_crs("EPSG:32631", 4326, always_xy=True).transform(
        read.point[0].x, read.point[0].y
    )
    # EPSG:1314 as printed (see references, bng-to-wgs84-helmert); 5 m covers other operations.
    assert [lon, lat] == pytest.approx([1.71605194, 52.65797861], abs=8e-5)


def test_exchanged_easting_and_northing_are_named():
    _, refused = positions("EPSG:32629", easting="5830464", northing="350151", crs="EPSG:32629")
    assert "exchanged" in refused[0].remedy


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("POINT (1", "give well-known text"),
        ("MULTIPOINT (-11.2 52.6, -11.3 52.6)", "one POINT"),
        ("GEOMETRYCOLLECTION EMPTY", "one POINT"),
        ("POLYGON ((-11.2 52.6, -11.1 52.7, -11.1 52.6, -11.2 52.7, -11.2 52.6))", "not a valid"),
    ],
)
def test_geometries_that_cannot_be_used_say_why(text, said):
    _, refused = positions("EPSG:32629", geometry=text, crs="EPSG:4326")
    assert said in refused[0].remedy


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("POINT Z (-11.2 52.6 12)", "point"),
        ("MULTILINESTRING ((-11.2 52.6, -11.201 52.601))", "track"),
        ("POLYGON ((-11.2 52.6, -11.199 52.6, -11.199 52.601, -11.2 52.6))", "area"),
    ],
)
def test_shapes_become_flat_and_single(text, kind):
    read, refused = positions("EPSG:32629", geometry=text, crs="EPSG:4326")
    assert refused == []
    assert read.kind[0] == kind
    assert not shapely.has_z(read.point[0])
    assert (read.shape[0] is None) == (kind == "point")


def test_two_ends_make_a_line_from_the_position():
    read, refused = positions(
        "EPSG:32629",
        longitude="-11.2",
        latitude="52.6",
        end_longitude="-11.2",
        end_latitude="52.601",
    )
    assert refused == []
    assert read.kind[0] == "ends"
    # One thousandth of a degree of latitude there: 111.3 m on the ellipsoid (WGS 84), grid scale
    # within 0.04 %.
    assert read.shape[0].length == pytest.approx(111.27, abs=0.1)
    assert shapely.get_point(read.shape[0], 0).equals(read.point[0])


def test_a_position_given_twice_must_agree():
    same = {"longitude": "-11.2", "latitude": "52.6", "crs": "EPSG:4326"}
    _, refused = positions("EPSG:32629", geometry="POINT (-11.20003 52.6)", **same)
    assert refused == []
    _, refused = positions("EPSG:32629", geometry="POINT (-11.2003 52.6)", **same)
    assert "keep one of the two" in refused[0].remedy


def test_the_surveys_grid_is_used_where_a_row_names_none():
    read, refused = positions(
        "EPSG:32629", survey_crs="EPSG:32629", easting="350151", northing="5830464"
    )
    assert refused == []
    assert (read.point[0].x, read.point[0].y) == (350151, 5830464)
    _, refused = positions("EPSG:32629", easting="350151", northing="5830464")
    assert "name the CRS" in refused[0].remedy


GPX = """<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="52.6035" lon="-11.2128"><name>W1</name></wpt>
<wpt lat="52.6" lon="-11.2"><name>W2</name></wpt><wpt lat="52.61" lon="-11.2"><name>W2</name></wpt>
<trk><name>T1</name><trkseg><trkpt lat="52.6000" lon="-11.2128"/>
<trkpt lat="52.6010" lon="-11.2128"/></trkseg></trk></gpx>"""


def gpx_check(store, folder, frame, gpx=GPX):
    path = folder / "tracks.gpx"
    path.write_text(gpx)
    one, _ = files(folder, frame.to_csv(index=False))
    return check(read_sheets(one, waypoints=path), store, now=NOW)


def test_waypoints_and_tracks_give_positions_by_name(store, tmp_path):
    frame = placements(longitude="", latitude="", waypoint=["W1", "T1"])
    result = gpx_check(store, tmp_path, frame)
    assert result.refused == []
    plain = checked(store, placements(longitude="-11.2128", latitude="52.6035"))
    placed = result.records.placements
    assert placed.geometry.iloc[0].equals(plain.records.placements.geometry.iloc[0])
    assert placed["shape_kind"].tolist() == ["point", "track"]
    assert set(placed["original_crs"]) == {"EPSG:4326"}


@pytest.mark.parametrize(
    ("name", "more", "said"),
    [
        ("W2", {}, "several"),
        ("Wx1", {}, "did you mean W1"),
        ("W11", {}, "no waypoint, route or track of this name"),
        ("W1", {"longitude": "-11.2", "latitude": "52.6"}, "keep one of the two"),
    ],
)
def test_waypoints_that_settle_nothing_are_refused(store, tmp_path, name, more, said):
    frame = placements(**({"longitude": "", "latitude": ""} | more), waypoint=name)
    result = gpx_check(store, tmp_path, frame)
    assert said in result.refused[0].remedy


def test_a_broken_gpx_is_refused(store, tmp_path):
    frame = placements(longitude="", latitude="", waypoint="W1")
    result = gpx_check(store, tmp_path, frame, GPX[:150])
    assert any("cannot be read as GPX" in fault.remedy for fault in result.refused)


def test_original_positions_are_kept_beside_the_transformed(store, tmp_path):
    one, two = files(tmp_path)
    result = check(read_sheets(one, two), store, now=NOW)
    kept = result.records.placements[["original_x", "original_y"]].to_numpy().tolist()
    assert kept == [[-11.2128, 52.6035], [-11.2127, 52.6]]
    assert PLACEMENTS.count("-11.2128") == 1


MESSY = """<?xml version="1.0"?>
<gpx version="1.1" creator="a receiver" xmlns="http://www.topografix.com/GPX/1/1">
  <wpt lat="52.600000" lon="-11.212700"><name>001</name></wpt>
  <wpt lat="52.600000" lon="-11.212700"><name>001</name></wpt>
  <wpt lat="52.603500" lon="-11.212800"><name>WP12</name></wpt>
  <wpt lat="52.603500" lon="-11.212800"><name>07</name></wpt>
  <wpt lat="52.600000" lon="-11.212700"><name>7.0</name></wpt>
  <wpt lat="52.600000" lon="-11.212700"><name>007</name></wpt>
  <trk><name>begun</name><trkseg><trkpt lat="52.6" lon="-11.2127"/></trkseg></trk>
  <trk><name>walk</name>
    <trkseg><trkpt lat="0" lon="0"/><trkpt lat="52.600000" lon="-11.212700"/></trkseg>
    <trkseg></trkseg>
    <trkseg><trkpt lat="52.603500" lon="-11.212800"/></trkseg>
  </trk>
</gpx>
"""


@pytest.mark.parametrize(
    ("name", "shape", "code"),
    [
        ("1", "point", "waypoint_name"),  # a spreadsheet takes zeros off
        ("001", "point", ""),  # twice the same
        ("wp12", "point", "waypoint_name"),
        ("walk", "track", "no_fix"),  # no receiver is at 0, 0
        ("begun", "", "one fix"),
        ("7", "", "no waypoint"),  # 07 or 007
    ],
)
def test_a_messy_gpx_file_is_read_where_it_is_clear(store, tmp_path, name, shape, code):
    (tmp_path / "m.gpx").write_text(MESSY)
    frame = placements(longitude="", latitude="", waypoint=name)
    one, _ = files(tmp_path, frame.to_csv(index=False))
    result = check(read_sheets(one, waypoints=tmp_path / "m.gpx"), store, now=NOW)
    if not shape:
        assert code in result.refused[0].remedy
        return
    assert result.refused == []
    own = result.records.placements
    assert set(own["shape_kind"]) == {shape}
    if shape == "track":
        assert set(map(len, (line.coords for line in own["shape"]))) == {2}
    said = {one.code for one in result.readings} & {"waypoint_name", "no_fix"}
    assert said == {code, "no_fix"} - {""}
