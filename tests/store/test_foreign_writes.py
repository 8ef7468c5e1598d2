"""No other program changes records: it is refused in words, and reading goes on.

Outside references: SQLite without this program's own function (Python's sqlite3), and GDAL (through
pyogrio), which opens a store for reading and for update as it opens any GeoPackage.
"""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

from service.store import open_store, schema
from service.store.geometry_blobs import register_functions
from tests.store.test_migrations import OLD
from tests.store_records import CRS, X0, Y0, add, field_records, small_store, whole

TABLES = sorted(schema.metadata.tables)
REFUSED = "only Rifflebook writes records into its store"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    store = small_store(tmp_path_factory.mktemp("made") / "fork.gpkg")
    add(store, field_records(store, 6))
    store.close()
    return store.path


@pytest.fixture
def path(made, tmp_path):
    return shutil.copy(made, tmp_path / "fork.gpkg")


def _refused(path, table):
    """Try each way of writing, as another program would; how many were refused in our words."""
    key = next(iter(schema.metadata.tables[table].primary_key)).name
    count = 0
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        register_functions(file)  # those of the standard, which any GIS brings
        for statement in (
            f'INSERT INTO "{table}" DEFAULT VALUES',
            f'REPLACE INTO "{table}" DEFAULT VALUES',
            f'UPDATE "{table}" SET "{key}" = "{key}" + 1000',
            f'DELETE FROM "{table}"',
        ):
            with pytest.raises(sqlite3.OperationalError, match=REFUSED):
                file.execute(statement)
            count += 1
    return count


@pytest.mark.parametrize("table", TABLES)
def test_sqlite_elsewhere_writes_to_no_table(path, table):
    assert _refused(path, table) == 4
    with closing(sqlite3.connect(path)) as file:
        assert file.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0] >= 0
    store = open_store(path)
    assert store.faults() == []
    assert len(whole(store).placements) == 6
    store.close()


@pytest.mark.parametrize("old", OLD, ids=lambda path: path.stem)
def test_stores_of_every_version_are_guarded_once_moved_forward(old, tmp_path):
    path = Path(shutil.copy(old, tmp_path / old.name))
    open_store(path).close()
    for table in TABLES:
        assert _refused(path, table) == 4


def test_tables_are_guarded_after_many_rows(path):
    """A large import sets triggers aside; afterwards they stand again."""
    store = open_store(path)
    add(store, field_records(store, 600, start=100), digest="many")
    assert store.faults() == []
    store.close()
    for table in TABLES:
        assert _refused(path, table) == 4


def _appended(path, layer):
    """The first row of a layer under other names, as a GIS pastes a feature."""
    row = pyogrio.read_dataframe(path, layer=layer).head(1).copy()
    for name in ("placement_id", "reach_id", "catchment_id", "species"):
        if name in row and layer != "catches":
            row[name] = "new"
    return row


@pytest.mark.parametrize("layer", ["placements", "reaches", "stretches", "catches", "species"])
def test_gdal_appends_to_no_layer(path, layer):
    """GDAL passes the words on, and reads what was there before."""
    before = pyogrio.read_dataframe(path, layer=layer)
    with pytest.raises(Exception, match=REFUSED):
        pyogrio.write_dataframe(_appended(path, layer), path, layer=layer, append=True)
    pd.testing.assert_frame_equal(pyogrio.read_dataframe(path, layer=layer), before)
    store = open_store(path)
    assert store.faults() == []
    store.close()


def test_gdal_may_open_for_update_and_add_a_layer_of_its_own(path):
    """A GIS keeps its own layers and styles beside ours; nothing of ours changes by it."""
    own = gpd.GeoDataFrame({"note": ["weir"]}, geometry=[shapely.Point(X0, Y0)], crs=CRS)
    pyogrio.write_dataframe(own, path, layer="weirs", append=True)
    pyogrio.write_dataframe(own, path, layer="weirs", append=True)
    assert len(pyogrio.read_dataframe(path, layer="weirs")) == 2
    assert len(pyogrio.read_dataframe(path, layer="placements")) == 6
    store = open_store(path)
    assert store.faults() == []
    add(store, field_records(store, 3, start=50), digest="after")
    assert len(whole(store).placements) == 9
    assert store.faults() == []
    store.close()


def test_a_layer_that_gdal_overwrites_is_found(path):
    """SQLite fires no trigger when a table is dropped; `verify` is the second line."""
    lengths = pyogrio.read_dataframe(path, layer="lengths")
    lengths["length_mm"] += 1
    pyogrio.write_dataframe(lengths, path, layer="lengths")
    store = open_store(path)
    faults = store.faults()
    store.close()
    assert any("can change these tables" in fault and "lengths" in fault for fault in faults)
    assert any("differs from its last entry" in fault for fault in faults)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE catches SET species = 'Salmo trutta'", "placement 'P000000' differs from its"),
        ("UPDATE placements SET geom = (SELECT geom FROM placements WHERE fid = 1) WHERE fid = 2",
         "placement 'P000001' differs from its"),
        ("UPDATE reaches SET geom = (SELECT geom FROM reaches WHERE fid = 1) WHERE fid = 2",
         "reaches differ from their last entry"),
    ],
)  # fmt: skip
def test_what_was_changed_without_the_triggers_is_found(path, statement, said):
    """A program that drops all triggers changes a catch or geometry, and makes them again."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        standing = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        triggers = file.execute(standing).fetchall()
        for name, _ in triggers:
            file.execute(f'DROP TRIGGER "{name}"')
        file.execute(statement)
        for _, made_by in triggers:
            file.execute(made_by)
    store = open_store(path)
    faults = store.faults()
    store.close()
    assert any(said in fault for fault in faults), faults
    assert not any("can change these tables" in fault for fault in faults)
