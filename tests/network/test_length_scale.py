"""Whether a CRS keeps the lengths of a network true.

Outside reference: Snyder, Map Projections - A Working Manual (USGS Professional Paper 1395,
1987), equations 10-7, 14-15 and 4-22 for the scales of the cylindrical equal-area projection;
the scale of UTM on its central meridian, 0.9996, is part of its definition.
"""

import sqlite3
from contextlib import closing

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from click.testing import CliRunner

from layers.network.checks import prepare_reaches
from layers.network.length_scale import crs_length_error, length_error, unfitting_crs
from service.program import main
from service.records import StoreSettings
from service.store import create_store
from tests.store_records import reaches

EQUAL_AREA = "EPSG:6933"  # cylindrical, true at 30 degrees north and south


def moved(lines, source, target):
    """Lines in another CRS, past the program's own way."""
    return gpd.GeoSeries(list(lines), crs=source).to_crs(target).to_numpy()


def test_on_the_central_meridian_of_utm_lengths_are_four_in_ten_thousand_short():
    line = shapely.LineString([(500_000, 6_000_000), (500_000, 6_002_000)])
    error = length_error([line], "EPSG:25830")
    assert (error.whole, error.single) == pytest.approx((-0.0004, 0.0004), abs=1e-6)
    assert unfitting_crs([line], "EPSG:25830") is None


def test_scales_of_an_equal_area_projection_are_those_of_the_manual():
    """East and west lines come out too long, north and south ones too short, at 52 degrees."""
    latitude, true_at = np.radians(52.0), np.radians(30.0)
    squared = pyproj.CRS(EQUAL_AREA).get_geod().es
    east = (
        np.cos(true_at) / np.sqrt(1 - squared * np.sin(true_at) ** 2)
        * np.sqrt(1 - squared * np.sin(latitude) ** 2) / np.cos(latitude)
    )  # fmt: skip
    for line, scale in (
        (shapely.LineString([(8.0, 52.0), (8.0005, 52.0)]), east),
        (shapely.LineString([(8.0, 51.9998), (8.0, 52.0002)]), 1 / east),
    ):
        error = length_error(moved([line], 4326, EQUAL_AREA), EQUAL_AREA)
        assert error.whole == pytest.approx(scale - 1, abs=2e-6)
    assert crs_length_error(EQUAL_AREA) > east - 1


def test_errors_that_cancel_over_the_network_are_found_in_single_reaches():
    """As long east as north, about true together; each is far off, and that counts."""
    pair = [
        shapely.LineString([(8.0, 52.0), (8.0100, 52.0)]),
        shapely.LineString([(8.0, 52.0), (8.0, 52.0088)]),
    ]
    error, words = unfitting_crs(moved(pair, 4326, EQUAL_AREA), EQUAL_AREA, source=4258)
    assert error.single > 0.25 > abs(error.whole)
    assert "up to 40" in words
    assert "EPSG:25832 (ETRS89 / UTM zone 32N)" in words  # the file's own datum


@pytest.mark.parametrize(
    ("crs", "severity"),
    [
        ("EPSG:32629", None),
        ("EPSG:3035", "look"),
        ("EPSG:32634", "refused"),
        (EQUAL_AREA, "refused"),
    ],
)  # fmt: skip
def test_what_a_network_is_loaded_into(crs, severity):
    """Silence up to 0.2 %, a word up to 1 %, refused above; the file's own CRS is offered."""
    source = reaches()
    prepared, report = prepare_reaches(source, crs)
    found = {finding.code: finding for finding in report.findings}.get("unfitting_crs")
    assert (found.severity if found else None) == severity
    if found:
        assert "EPSG:32629 (WGS 84 / UTM zone 29N) would keep them true" in found.message
    # The limits themselves, by a line of known length: geodesics are those of Karney (2013).
    geod = pyproj.CRS(crs).get_geod()
    true = sum(geod.geometry_length(line) for line in source.to_crs(4326).geometry)
    off = abs(prepared.length.sum() / true - 1)
    assert (off > 0.002, off > 0.01) == (severity is not None, severity == "refused") or (
        crs == EQUAL_AREA
    )


def test_load_refuses_and_stores_nothing(tmp_path):
    """The command says by how much and what would fit; the store stays without a network."""
    store, file = tmp_path / "s.gpkg", tmp_path / "reaches.gpkg"
    create_store(store, StoreSettings("EPSG:32634", "Europe/Dublin")).close()
    reaches().reset_index().to_file(file, layer="reaches")
    done = CliRunner().invoke(main, ["load", "reaches", str(store), str(file)])
    assert done.exit_code == 1
    assert "% too long over the whole network" in done.output
    assert "EPSG:32629" in done.output
    with closing(sqlite3.connect(store)) as held:
        assert held.execute("SELECT count(*) FROM reaches").fetchone() == (0,)


def test_verify_does_not_call_such_a_store_sound(tmp_path, monkeypatch):
    """A store filled before lengths were compared is found out afterwards."""
    path, file = tmp_path / "s.gpkg", tmp_path / "reaches.gpkg"
    create_store(path, StoreSettings("EPSG:32634", "Europe/Dublin")).close()
    reaches().reset_index().to_file(file, layer="reaches")
    with monkeypatch.context() as earlier:
        earlier.setattr("layers.network.checks.unfitting_crs", lambda *_, **__: None)
        done = CliRunner().invoke(main, ["load", "reaches", str(path), str(file)])
    assert done.exit_code == 0, done.output
    done = CliRunner().invoke(main, ["verify", str(path)])
    assert done.exit_code == 1
    assert "Fault: length: Lengths in EPSG:32634" in done.output


def test_init_warns_of_a_crs_made_for_the_whole_earth(tmp_path):
    """It cannot know the place yet, so it says how far lengths may be off; a zone is silent."""
    for crs, warned in ((EQUAL_AREA, True), ("EPSG:32629", False)):
        store = tmp_path / f"{crs[5:]}.gpkg"
        done = CliRunner().invoke(
            main, ["init", str(store), "--crs", crs, "--timezone", "Europe/Dublin"]
        )
        assert done.exit_code == 0
        assert ("lengths are off by more than 1 %" in done.stderr) == warned
