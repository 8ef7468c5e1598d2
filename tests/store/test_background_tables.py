"""Tables of tiles are those of the OGC GeoPackage standard, 12-128r19, and nobody else's to write.

Clauses: 2.2.6 tile matrix set (table 9), 2.2.7 tile matrix (table 10), 2.2.8 tiles (table 11).
Outside reference beside it: a GeoPackage of tiles that GDAL wrote (through rasterio).
"""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import rasterio.shutil

from layers.drawing.tile_grid import Tile
from service.records import Background
from service.store import open_store
from tests.store.test_migrations import OLD
from tests.store_records import small_store
from tests.tile_pictures import RED, png, quarters, write_picture

BACKGROUND = Background(
    name="reaches", attribution="Owner", zooms=(0, 1), bounds=(-180.0, -60.0, 180.0, 75.0),
    tiles=2, size_bytes=0, digest="d",
)  # fmt: skip


@pytest.fixture
def path(tmp_path):
    store = small_store(tmp_path / "fork.gpkg")
    contents = [png(RED), png(RED, form="WEBP")]
    about = BACKGROUND.__class__(**vars(BACKGROUND) | {"size_bytes": sum(map(len, contents))})
    tiles = [Tile(0, 0, 0, contents[0]), Tile(1, 1, 0, contents[1])]
    store.put_background(about, tiles, {0: 256, 1: 256}, who="ann")
    store.close()
    return store.path


def columns(file, table):
    """Name, type, whether NULL is refused, place in the key."""
    rows = file.execute(f'PRAGMA table_info("{table}")').fetchall()
    return [(row[1], row[2], row[3], row[5]) for row in rows]


def test_tables_are_those_that_gdal_writes(path, tmp_path):
    peer = write_picture(tmp_path / "peer.gpkg", quarters(), driver="GPKG")
    with closing(sqlite3.connect(path)) as ours, closing(sqlite3.connect(peer)) as theirs:
        for table in ("gpkg_tile_matrix_set", "gpkg_tile_matrix"):
            assert columns(ours, table) == columns(theirs, table)
        assert columns(ours, "background_1") == columns(theirs, "peer")


def test_requirements_of_tile_pyramids(path):
    """Of clause 2.2: contents, a tile matrix set, matrices that fill its extent, tiles in them."""
    with closing(sqlite3.connect(path)) as file:
        one = file.execute(
            "SELECT table_name, data_type, srs_id, max_x FROM gpkg_contents"
            " WHERE data_type = 'tiles'"
        ).fetchall()
        assert [row[:3] for row in one] == [("background_1", "tiles", 3857)]
        assert one[0][3] == pytest.approx(20_037_508.3427892)
        sets = file.execute("SELECT * FROM gpkg_tile_matrix_set").fetchall()
        assert [row[:2] for row in sets] == [("background_1", 3857)]
        _, _, west, south, east, north = sets[0]
        organization = file.execute(
            "SELECT organization, organization_coordsys_id FROM gpkg_spatial_ref_sys"
            " WHERE srs_id = 3857"
        ).fetchone()
        assert organization == ("EPSG", 3857)
        matrices = file.execute(
            "SELECT zoom_level, matrix_width, matrix_height, tile_width, tile_height, pixel_x_size,"
            " pixel_y_size FROM gpkg_tile_matrix ORDER BY zoom_level"
        ).fetchall()
        for _, width, height, px, py, size_x, size_y in matrices:
            assert width * px * size_x == pytest.approx(east - west, rel=1e-12)
            assert height * py * size_y == pytest.approx(north - south, rel=1e-12)
        sizes = [row[5] for row in matrices]
        assert sizes == sorted(sizes, reverse=True)
        levels = {row[0]: row[1:3] for row in matrices}
        for zoom, column, row in file.execute(
            "SELECT zoom_level, tile_column, tile_row FROM background_1"
        ):
            assert 0 <= column < levels[zoom][0]
            assert 0 <= row < levels[zoom][1]
        # Annex F.7: tiles in WebP are an extension of their column.
        extensions = file.execute(
            "SELECT column_name, extension_name, scope FROM gpkg_extensions"
            " WHERE table_name = 'background_1'"
        ).fetchall()
        assert extensions == [("tile_data", "gpkg_webp", "read-write")]
        assert file.execute("PRAGMA foreign_key_check").fetchall() == []


def test_no_other_program_writes_tiles(path):
    with closing(sqlite3.connect(path)) as file:
        for statement in (
            "INSERT INTO background_1 VALUES (9, 1, 0, 0, x'00')",
            "UPDATE background_1 SET tile_row = 5",
            "DELETE FROM background_1",
        ):
            with pytest.raises(sqlite3.OperationalError, match="only Rifflebook writes"):
                file.execute(statement)


def test_tiles_that_a_gis_added_stay_its_own(path, tmp_path):
    """GDAL adds a layer of tiles to a store of the schema before; both live beside each other."""
    old = Path(shutil.copy(OLD[10], tmp_path / "old.gpkg"))
    picture = write_picture(tmp_path / "p.tif", quarters())
    options = {"driver": "GPKG", "APPEND_SUBDATASET": "YES", "RASTER_TABLE": "theirs"}
    rasterio.shutil.copy(picture, old, **options)
    store = open_store(old)
    store.put_background(BACKGROUND, [Tile(0, 0, 0, png(RED))], {0: 256}, who="ann")
    store.close()
    with closing(sqlite3.connect(old)) as file, file:
        assert file.execute("UPDATE theirs SET tile_data = tile_data").rowcount > 0
        assert file.execute("SELECT count(*) FROM gpkg_tile_matrix_set").fetchone() == (2,)


def test_verify_finds_tiles_that_are_gone(path):
    def faults():
        store = open_store(path)
        found = store.faults()
        store.close()
        return found

    assert faults() == []
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("DROP TRIGGER guard_background_1_delete")
        file.execute("DELETE FROM background_1 WHERE zoom_level = 1")
    found = " ".join(faults())
    assert "background 'reaches': 1 tiles" in found
    assert "other programs can change these tables" in found
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("DROP TABLE background_1")
    assert "its table of tiles is missing" in " ".join(faults())
