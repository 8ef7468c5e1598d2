"""Areas on the ellipsoid against GeographicLib's figures and an equal-area projection."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from layers.areas import ellipsoidal_area_m2
from layers.errors import CrsError


# Surface of the WGS 84 ellipsoid, 510 065 621.724 km2 (NIMA TR8350.2, 1997; from memory).
def test_an_eighth_of_the_globe():
    """Equator to pole over a quarter turn."""
    eighth = shapely.Polygon([(0, 0), (90, 0), (90, 90), (0, 90)])
    assert ellipsoidal_area_m2([eighth], 4326)[0] * 8 == pytest.approx(510_065_621.724e6, rel=1e-9)


@pytest.mark.parametrize("easting", [500_000, 250_000])
def test_a_haul_agrees_with_an_equal_area_projection(easting):
    """To 1 cm2 in 0.4 ha, where the planar area is off by several m2 (EPSG:3035 by PROJ)."""
    haul = (
        shapely.Point(easting, 5_700_000)
        .buffer(40)
        .difference(shapely.Point(easting, 5_700_000).buffer(10))
    )
    equal = gpd.GeoSeries([haul], crs=25832).to_crs(3035).area[0]
    area = ellipsoidal_area_m2([haul], 25832)[0]
    assert area == pytest.approx(equal, abs=0.01)
    assert abs(area - haul.area) > 1


def test_holes_winding_and_parts():
    """Winding does not matter, holes are taken out, parts are added."""
    outer = shapely.box(500_000, 6_000_000, 500_100, 6_000_100)
    inner = shapely.box(500_020, 6_000_020, 500_060, 6_000_060)
    ring = outer.difference(inner)
    one, hole, rest, both, back = ellipsoidal_area_m2(
        [outer, inner, ring, shapely.MultiPolygon([ring, inner]), outer.reverse()], 25830
    )
    assert rest == pytest.approx(one - hole, abs=1e-6)
    assert both == pytest.approx(one, abs=1e-6)
    assert back == pytest.approx(one, abs=1e-9)


def test_what_has_no_area():
    """Lines, missing and empty shapes are missing, not 0; a CRS must be known."""
    shapes = [shapely.LineString([(0, 0), (1, 1)]), None, shapely.Polygon()]
    assert np.isnan(ellipsoidal_area_m2(shapes, 25830)).all()
    with pytest.raises(CrsError):
        ellipsoidal_area_m2(shapes, None)
