"""The store is an OGC GeoPackage 1.4 that GDAL reads and asks by its index.

Outside reference: GDAL (through pyogrio), version printed by pyogrio.__gdal_version__; the
comparison of triggers and of geometry bytes is with files that GDAL itself writes.
"""

import shutil
import sqlite3

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from service.records import Selection
from service.store import open_store
from service.store.geometry_blobs import (
    blobs_from_geometries,
    geometries_from_blobs,
    register_functions,
)
from service.store.guards import register_guard
from tests.store_records import CRS, X0, Y0, add, field_records, small_store, whole


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    store = small_store(tmp_path_factory.mktemp("made") / "fork.gpkg")
    add(store, field_records(store, 40))
    store.close()
    return store.path


@pytest.fixture
def path(made, tmp_path):
    return shutil.copy(made, tmp_path / "fork.gpkg")


def test_file_is_marked_as_geopackage_1_4(path):
    """OGC 12-128r19, requirement 2: application id GPKG, user version 10400."""
    raw = path.read_bytes()
    assert raw[:16] == b"SQLite format 3\0"
    assert raw[68:72] == b"GPKG"
    assert int.from_bytes(raw[60:64], "big") == 10400


def test_gdal_opens_every_layer_with_crs_and_index(path):
    """GDAL finds all five layers with type, CRS and a spatial index."""
    kinds = dict(pyogrio.list_layers(path))
    wanted = {
        "reaches": "LineString", "catchments": "MultiPolygon", "placements": "Point",
        "placement_shapes": "Unknown", "stretches": "LineString",
    }  # fmt: skip
    assert {name: kinds[name] for name in wanted} == wanted
    for name in wanted:
        assert pyogrio.read_info(path, layer=name)["crs"] == CRS
        said = pyogrio.read_dataframe(path, sql=f"SELECT HasSpatialIndex('{name}', 'geom') AS has")
        assert said.iloc[0, 0] == 1, name


def test_plain_tables_are_attributes_and_accounts_are_not_shown(path):
    layers = dict(pyogrio.list_layers(path))
    for name in ("species", "methods", "surveys", "catches", "lengths", "history"):
        assert layers[name] is None
    assert not {"accounts", "sessions", "api_tokens"} & set(layers)


def test_gdal_reads_what_was_stored(path):
    """Counts, coordinates and times agree with the store's own answer."""
    store = open_store(path, read_only=True)
    own = whole(store).placements
    store.close()
    read = pyogrio.read_dataframe(path, layer="placements").set_index("placement_id")
    assert len(read) == 40
    read = read.loc[own.index]
    assert read.geometry.geom_equals(own.geometry).all()
    assert (read["set_at"].dt.tz_convert("UTC") == own["set_at"]).all()
    assert read["notes"].tolist() == own["notes"].tolist()
    assert read["operator_certificate"].isna().sum() == own["operator_certificate"].isna().sum()


@pytest.mark.parametrize("side", [50.0, 300.0, 900.0, 5000.0])
def test_gdal_asks_by_box_through_our_index(path, side):
    """What GDAL finds by box equals looking at every point, and equals our own answer."""
    box = (X0 + 100.0, Y0 + 300.0, X0 + 100.0 + side, Y0 + 300.0 + side)
    store = open_store(path, read_only=True)
    own = whole(store).placements
    ours = store.records(Selection(bbox=box)).placements.index
    store.close()
    inside = own.index[own.geometry.intersects(shapely.box(*box))]
    read = pyogrio.read_dataframe(path, layer="placements", bbox=box)
    assert sorted(read["placement_id"]) == sorted(inside) == sorted(ours)


def test_extent_in_contents_is_that_of_the_features(path):
    store = open_store(path, read_only=True)
    bounds = whole(store).placements.total_bounds
    store.close()
    said = pyogrio.read_info(path, layer="placements", force_total_bounds=True)["total_bounds"]
    assert np.allclose(said, bounds)


def test_extent_in_contents_grows_with_an_edit(path):
    """A placement moved far out by an edit lies inside the extent that GDAL reads."""
    store = open_store(path)
    one = field_records(store, 1)
    name = one.placements.index[0]
    digest = store.known_placements([name])[name]
    one.placements.geometry = [shapely.Point(X0 - 7_000, Y0 + 9_000)]
    store.put_placement(one, who="ann", digest="moved", replaces=digest)
    bounds = whole(store).placements.total_bounds
    assert (bounds[0], bounds[3]) == (X0 - 7_000, Y0 + 9_000)
    assert store.faults() == []
    store.close()
    said = pyogrio.read_info(path, layer="placements", force_total_bounds=True)["total_bounds"]
    assert (said[:2] <= bounds[:2]).all()
    assert (said[2:] >= bounds[2:]).all()


def _triggers(path, table):
    connection = sqlite3.connect(path)
    rows = connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE ?",
        (f"rtree_{table}_geom_%",),
    ).fetchall()
    connection.close()
    drop = str.maketrans("", "", '" \n\t;()')
    return {name: sql.replace("NOTNULL", "NOT NULL").translate(drop).lower() for name, sql in rows}


def test_triggers_are_those_that_gdal_writes(path, tmp_path):
    """Annex F.3, version 1.4: same names and, spacing apart, same text as GDAL's."""
    peer = gpd.GeoDataFrame(geometry=[shapely.Point(1, 2)], crs=CRS)
    other = tmp_path / "peer.gpkg"
    pyogrio.write_dataframe(peer, other, layer="placements", driver="GPKG",
                            dataset_options={"VERSION": "1.4"})  # fmt: skip
    theirs = _triggers(other, "placements")
    assert len(theirs) == 7
    assert _triggers(path, "placements") == theirs


GEOMETRIES = [
    shapely.Point(500_000.5, 5_800_000.25),
    shapely.LineString([(0, 0), (3, 4), (-1, 9)]),
    shapely.MultiPolygon([shapely.box(0, 0, 2, 1), shapely.box(5, 5, 6, 7)]),
]


@pytest.mark.parametrize("shape", GEOMETRIES, ids=lambda shape: shape.geom_type)
def test_bytes_are_those_that_gdal_writes(shape, tmp_path):
    """Clause 2.1.3: header, envelope and WKB are byte for byte what GDAL writes."""
    file = tmp_path / "one.gpkg"
    pyogrio.write_dataframe(gpd.GeoDataFrame(geometry=[shape], crs=CRS), file, layer="one")
    connection = sqlite3.connect(file)
    theirs = connection.execute("SELECT geom FROM one").fetchone()[0]
    connection.close()
    assert blobs_from_geometries(np.array([shape]), 32629) == [theirs]


def test_bytes_of_missing_empty_high_and_foreign_geometry():
    """None stays None, empty is marked, heights go, and big-endian WKB is read."""
    shapes = np.array([None, shapely.LineString(), shapely.LineString([(0, 0, 5), (1, 1, 6)])])
    none, empty, flat = blobs_from_geometries(shapes, 1)
    assert none is None
    assert empty[3] & 0x10
    back = geometries_from_blobs([none, empty, flat])
    assert back[0] is None
    assert back[1].is_empty
    assert back[2].wkt == "LINESTRING (0 0, 1 1)"
    big = b"GP\0\0" + b"\0\0\0\1" + shapely.to_wkb(GEOMETRIES[1], byte_order=0)
    assert geometries_from_blobs([big])[0].equals(GEOMETRIES[1])
    connection = sqlite3.connect(":memory:")
    register_functions(connection)
    asked = "SELECT ST_MinX(?1), ST_MaxX(?1), ST_MinY(?1), ST_MaxY(?1), ST_IsEmpty(?1)"
    assert connection.execute(asked, (big,)).fetchone() == (-1, 3, 0, 9, 0)
    assert connection.execute(asked, (None,)).fetchone() == (None,) * 5
    assert connection.execute("SELECT ST_IsEmpty(?)", (empty,)).fetchone() == (1,)
    connection.close()


def _index(connection):
    return connection.execute("SELECT id, minx, maxy FROM rtree_placements_geom").fetchall()


def test_triggers_follow_every_kind_of_change(path):
    """Insert, change, emptying, renumbering and deletion leave the index as it should be."""
    connection = sqlite3.connect(path)
    register_functions(connection)
    register_guard(connection)
    before = len(_index(connection))
    (point,) = blobs_from_geometries(np.array([shapely.Point(7, 8)]), 32629)
    (moved,) = blobs_from_geometries(np.array([shapely.Point(9, 10)]), 32629)
    connection.execute(
        "INSERT INTO placements (fid, geom, placement_id, method, timezone, outcome,"
        " content_digest) VALUES (900, ?, 'X', 'seine', 'UTC', 'nil', 'd')",
        (point,),
    )
    assert (900, 7.0, 8.0) in _index(connection)
    connection.execute("UPDATE placements SET geom = ? WHERE fid = 900", (moved,))
    assert (900, 9.0, 10.0) in _index(connection)
    connection.execute("UPDATE placements SET fid = 901 WHERE fid = 900")
    assert [row[0] for row in _index(connection) if row[0] >= 900] == [901]
    connection.execute("UPDATE placements SET geom = NULL WHERE fid = 901")
    assert len(_index(connection)) == before
    connection.execute("UPDATE placements SET geom = ? WHERE fid = 901", (point,))
    connection.execute("DELETE FROM placements WHERE fid = 901")
    assert len(_index(connection)) == before
    connection.close()


def test_many_rows_are_indexed_as_few_are(tmp_path):
    """Filling the index in one go gives the same entries as the trigger, row by row."""
    few, many = small_store(tmp_path / "few.gpkg"), small_store(tmp_path / "many.gpkg")
    records = field_records(many, 700)
    add(many, records)
    for start in range(0, 700, 100):
        part = records.placements.iloc[start : start + 100]
        rows = {
            name: frame[frame["placement_id"].isin(part.index)]
            for name, frame in (
                ("catches", records.catches), ("lengths", records.lengths),
                ("stretches", records.stretches), ("flags", records.flags),
            )
        }  # fmt: skip
        add(few, type(records)(records.surveys, records.sites, part, snaps=records.snaps.loc[
            part.index], **rows), digest=str(start))  # fmt: skip
    assert few.faults() == many.faults() == []
    found = []
    for store in (few, many):
        store.close()
        connection = sqlite3.connect(store.path)
        found.append(
            connection.execute("SELECT * FROM rtree_placements_geom ORDER BY id").fetchall()
        )
        assert len(_triggers(store.path, "placements")) == 7
        connection.close()
    assert found[0] == found[1]
    assert len(found[0]) == 700
