"""Projections, transformations, geodesics and areas against published worked examples."""

import json
import math

import numpy as np
import pyproj
import pytest
import shapely

from layers.crs import (
    choose_operation,
    looks_swapped,
    outside_area_of_use,
    read_crs,
    require_metres,
    require_same_crs,
)
from layers.drawing.geojson import to_wgs84
from layers.drawing.record_features import _degrees
from layers.errors import CrsError
from service.web.feed.reference_systems import ReferenceSystem
from tests.conftest import REFERENCES

# Each entry names its source: Ordnance Survey, IOGP Guidance Note 7-2 and GIGS, LINZ, ICSM,
# Vincenty (1975), Karney (2013).
CHECKS = json.loads((REFERENCES / "coordinates.json").read_text())["checks"]


def of(method):
    """Worked examples of one method, named for the test report."""
    return [pytest.param(c, id=c["id"]) for c in CHECKS if c["method"] == method]


@pytest.mark.parametrize("check", of("project"))
def test_projecting_agrees_with_worked_examples(check):
    """Projecting alone gives the published easting and northing."""
    given, expected = check["inputs"], check["expected"]
    way = choose_operation(given["geographic_crs"], given["projected_crs"])
    x, y = way.move([given["lon"]], [given["lat"]])
    assert x[0] == pytest.approx(expected["easting"], abs=check["tolerance"]["abs"])
    assert y[0] == pytest.approx(expected["northing"], abs=check["tolerance"]["abs"])
    assert way.accuracy_m == 0 or np.isnan(way.accuracy_m)


@pytest.mark.parametrize("check", of("transform"))
def test_datum_shift_agrees_and_states_its_accuracy(check):
    """The seven-parameter shift of the national grid is good to a few metres, and says so."""
    given, expected = check["inputs"], check["expected"]
    way = choose_operation(given["source_crs"], given["target_crs"])
    lon, lat = way.move([given["easting"]], [given["northing"]])
    # Where the agency's shift grid is installed, the better answer differs by up to 5 m.
    grid = "ostn" in way.name.lower()
    tolerance = 6e-5 if grid else check["tolerance"]["abs_deg"]
    assert lon[0] == pytest.approx(expected["lon"], abs=tolerance)
    assert lat[0] == pytest.approx(expected["lat"], abs=tolerance)
    assert "OSGB" in way.name
    assert 0 < way.accuracy_m <= 5


@pytest.mark.parametrize("check", of("geodesic_inverse"))
def test_geodesic_lengths_agree(check):
    """The library whose ellipsoid we measure on gives the published lines."""
    given, expected = check["inputs"], check["expected"]
    geod = pyproj.Geod(ellps=given["ellipsoid"])
    azimuth, _, distance = geod.inv(given["lon1"], given["lat1"], given["lon2"], given["lat2"])
    assert distance == pytest.approx(expected["distance_m"], abs=check["tolerance"]["distance_m"])
    if "azimuth1_deg" in expected:
        assert azimuth % 360 == pytest.approx(
            expected["azimuth1_deg"], abs=check["tolerance"]["azimuth_deg"]
        )


@pytest.mark.parametrize("check", of("geodesic_polygon"))
def test_ellipsoidal_areas_agree(check):
    """Areas on the ellipsoid are Karney's to the square metre, whichever way a ring runs."""
    import shapely

    from layers.areas import ellipsoidal_area_m2

    given = check["inputs"]
    ring = list(zip(given["lon"], given["lat"], strict=True))
    both = [shapely.Polygon(ring), shapely.Polygon(ring[::-1])]
    areas = ellipsoidal_area_m2(both, "EPSG:4326")
    assert areas == pytest.approx(
        [check["expected"]["area_m2"]] * 2, abs=check["tolerance"]["area_m2"]
    )


@pytest.mark.parametrize(
    ("crs", "words"),
    [
        (None, "No CRS"),
        ("EPSG:4326", "in degrees"),
        ("EPSG:4979", "in degrees"),
        ("EPSG:4978", "not projected"),
        ("EPSG:3857", "cos"),
        ("EPSG:3395", "cos"),
        ("EPSG:32040", "foot"),
        ("EPSG:999999", "unknown"),
        ("nonsense", "unknown"),
    ],
)
def test_lengths_are_refused_where_they_would_not_be_metres(crs, words):
    """Degrees, feet and web Mercator are refused, with what to do."""
    with pytest.raises(CrsError, match=words):
        require_metres(crs)


@pytest.mark.parametrize("crs", ["EPSG:25830", 2193, "EPSG:3035", "EPSG:27700", "EPSG:7405"])
def test_metre_grids_are_taken(crs):
    """National grids, also with heights attached, serve for lengths."""
    assert require_metres(crs) == read_crs(crs)


def test_two_crs_must_agree():
    """The message names both and the remedy."""
    require_same_crs("EPSG:25830", 25830, what="traps and reaches")
    with pytest.raises(CrsError, match=r"traps and reaches: EPSG:25830 .* EPSG:25829 .*transform"):
        require_same_crs("EPSG:25830", "EPSG:25829", what="traps and reaches")


def test_missing_and_infinite_positions_stay_missing():
    """A position without numbers comes back without, and the others are unharmed."""
    way = choose_operation("EPSG:4326", "EPSG:32629")
    x, y = way.move([-11.2, np.nan, np.inf], [52.6, 52.6, 52.6])
    assert np.isfinite(x).tolist() == [True, False, False]
    assert np.isnan(y[1:]).all()
    assert way.name
    back_x, back_y = choose_operation("EPSG:32629", "EPSG:4326").move(x, y)
    assert (back_x[0], back_y[0]) == pytest.approx((-11.2, 52.6), abs=1e-9)
    same = choose_operation("EPSG:32629", "EPSG:32629")
    (same_x,), (same_y,) = same.move([1.0], [2.0])
    assert (same_x, same_y, same.accuracy_m) == (1.0, 2.0, 0.0)
    assert way.move([], [])[0].size == 0
    assert way.accuracy_m == 0


def test_area_of_use_and_swapped_positions():
    """A swapped position is told from one that is merely far away; areas may cross 180°."""
    assert outside_area_of_use([-11, 30, np.nan], [52, 52, 52], "EPSG:32629").tolist() == [
        False,
        True,
        True,
    ]
    assert looks_swapped([52.6, -11.2, 100], [-11.2, 52.6, 45], "EPSG:32629").tolist() == [
        True,
        False,
        False,
    ]
    area = read_crs("EPSG:3460").area_of_use  # Fiji map grid, both sides of 180 degrees
    assert area.west > area.east
    assert outside_area_of_use([178, -179, 0], [-17, -17, -17], "EPSG:3460").tolist() == [
        False,
        False,
        True,
    ]


def test_a_known_shift_over_wgs84_goes_before_a_ballpark_one():
    """Without OSTN15's grid, as PROJ's own choice for the place; ballpark is 98 m away."""
    x, y = 500_000.0, 5_800_000.0
    way = choose_operation(25830, 27700)
    (east,), (north,) = way.move(x, y)
    expected = pyproj.Transformer.from_crs(25830, 27700, always_xy=True).transform(x, y)
    assert math.dist((east, north), expected) < 5
    assert "Ballpark" not in way.name
    assert way.accuracy_m <= 5


def test_places_are_rounded_in_one_way_wherever_they_are_written():
    """A place on the zero meridian has no sign: -0.0 reads as west of it in a text.

    RFC 7946, section 11.2, on precision; GeoJSON geometry, its properties and the feed agree.
    """
    place = shapely.points([[-1e-9, 51.123456789]])
    wanted = [0.0, 51.1234568]
    wgs84 = pyproj.CRS.from_epsg(4326)
    columns = np.column_stack(_degrees(np.array([-1e-9]), np.array([51.123456789]), wgs84))
    feed = ReferenceSystem("", pyproj.CRS.from_epsg(4258), swapped=False)
    written = [
        shapely.get_coordinates(to_wgs84(place, wgs84)), columns,
        shapely.get_coordinates(feed.place(place, wgs84)),
        np.column_stack(feed.positions(place, wgs84)),
    ]  # fmt: skip
    for one in written:
        assert one.tolist() == [wanted]
        assert not np.signbit(one).any()
