# ruff: noqa: S608  (names in statements come from schema.py alone)
"""What makes the SQLite file an OGC GeoPackage 1.4: its own tables, and an R-tree per layer.

And what is special about it: bulk rows, features, queries by box and by many ids.

OGC 12-128r19. Tables of clauses 1.1.2 (reference systems), 1.1.3 (contents), 2.1.5 (geometry
columns), 2.2.6 and 2.2.7 (tile matrices), 2.3.2 (extensions); R-tree of annex F.3 with its
triggers of version 1.4.
"""

from __future__ import annotations

from contextlib import nullcontext
from functools import cache
from itertools import chain, islice
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
import shapely
import sqlalchemy as sa

from layers.crs import read_crs
from service.errors import StoreError
from service.store import schema
from service.store.geometry_blobs import blobs_from_geometries
from service.store.guards import insert_guard_aside
from service.store.packed_rtree import packed_tables
from service.store.secondary_indexes import PRESENT_SHARE, indexes_aside

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyproj

    from layers.arrays import Floats, Ints, Objects

    Box = tuple[float, float, float, float]

__all__ = [
    "APPLICATION_ID",
    "TILE_TABLES",
    "USER_VERSION",
    "among",
    "any_of",
    "clear_layer",
    "create_geopackage_tables",
    "in_box",
    "index_name",
    "index_of",
    "insert",
    "insert_layer",
    "narrows",
    "near_box",
    "next_rows",
    "note_extents",
    "noted_extent",
    "occupied_cells",
    "register_layers",
    "store_crs",
    "system_row",
    "touch",
    "update_layer",
]

APPLICATION_ID = 0x47504B47  # "GPKG"
USER_VERSION = 10400
# Values bound to one statement that inserts many rows.
STATEMENT_VALUES = 2_000
# From here on rows go in without the trigger of each, and their index entries after them.
BULK_ROWS = 500

# A GIS that added tiles of its own to a store has made these already.
TILE_TABLES = (
    """CREATE TABLE IF NOT EXISTS gpkg_tile_matrix_set (
    table_name TEXT NOT NULL PRIMARY KEY,
    srs_id INTEGER NOT NULL,
    min_x DOUBLE NOT NULL, min_y DOUBLE NOT NULL, max_x DOUBLE NOT NULL, max_y DOUBLE NOT NULL,
    CONSTRAINT fk_gtms_table_name FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
    CONSTRAINT fk_gtms_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))""",
    """CREATE TABLE IF NOT EXISTS gpkg_tile_matrix (
    table_name TEXT NOT NULL,
    zoom_level INTEGER NOT NULL,
    matrix_width INTEGER NOT NULL, matrix_height INTEGER NOT NULL,
    tile_width INTEGER NOT NULL, tile_height INTEGER NOT NULL,
    pixel_x_size DOUBLE NOT NULL, pixel_y_size DOUBLE NOT NULL,
    CONSTRAINT pk_ttm PRIMARY KEY (table_name, zoom_level),
    CONSTRAINT fk_tmm_table_name FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name))""",
)
_TABLES = (
    """CREATE TABLE gpkg_spatial_ref_sys (
    srs_name TEXT NOT NULL,
    srs_id INTEGER PRIMARY KEY,
    organization TEXT NOT NULL,
    organization_coordsys_id INTEGER NOT NULL,
    definition TEXT NOT NULL,
    description TEXT)""",
    """CREATE TABLE gpkg_contents (
    table_name TEXT NOT NULL PRIMARY KEY,
    data_type TEXT NOT NULL,
    identifier TEXT UNIQUE,
    description TEXT DEFAULT '',
    last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
    min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
    srs_id INTEGER,
    CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))""",
    """CREATE TABLE gpkg_geometry_columns (
    table_name TEXT NOT NULL UNIQUE,
    column_name TEXT NOT NULL,
    geometry_type_name TEXT NOT NULL,
    srs_id INTEGER NOT NULL,
    z TINYINT NOT NULL,
    m TINYINT NOT NULL,
    CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
    CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
    CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))""",
    """CREATE TABLE gpkg_extensions (
    table_name TEXT,
    column_name TEXT,
    extension_name TEXT NOT NULL,
    definition TEXT NOT NULL,
    scope TEXT NOT NULL,
    CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))""",
    *TILE_TABLES,
)
_FIXED_SYSTEMS = (
    ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined", "undefined Cartesian"),
    ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic"),
)
_RTREE_DEFINITION = "http://www.geopackage.org/spec120/#extension_rtree"

_FILLED = "(NEW.{g} NOT NULL AND NOT ST_IsEmpty(NEW.{g}))"
_BARE = "(NEW.{g} ISNULL OR ST_IsEmpty(NEW.{g}))"
_NEW_ROW = "NEW.{i}, ST_MinX(NEW.{g}), ST_MaxX(NEW.{g}), ST_MinY(NEW.{g}), ST_MaxY(NEW.{g})"
_TRIGGERS = {
    "insert": f"AFTER INSERT ON {{t}} WHEN {_FILLED} BEGIN "
    f"INSERT OR REPLACE INTO {{r}} VALUES ({_NEW_ROW}); END",
    "update2": f"AFTER UPDATE OF {{g}} ON {{t}} WHEN OLD.{{i}} = NEW.{{i}} AND {_BARE} BEGIN "
    "DELETE FROM {r} WHERE id = OLD.{i}; END",
    "update4": f"AFTER UPDATE ON {{t}} WHEN OLD.{{i}} != NEW.{{i}} AND {_BARE} BEGIN "
    "DELETE FROM {r} WHERE id IN (OLD.{i}, NEW.{i}); END",
    "update5": f"AFTER UPDATE ON {{t}} WHEN OLD.{{i}} != NEW.{{i}} AND {_FILLED} BEGIN "
    "DELETE FROM {r} WHERE id = OLD.{i}; "
    f"INSERT OR REPLACE INTO {{r}} VALUES ({_NEW_ROW}); END",
    "update6": f"AFTER UPDATE OF {{g}} ON {{t}} WHEN OLD.{{i}} = NEW.{{i}} AND {_FILLED} "
    "AND (OLD.{g} NOT NULL AND NOT ST_IsEmpty(OLD.{g})) BEGIN "
    "UPDATE {r} SET minx = ST_MinX(NEW.{g}), maxx = ST_MaxX(NEW.{g}), "
    "miny = ST_MinY(NEW.{g}), maxy = ST_MaxY(NEW.{g}) WHERE id = NEW.{i}; END",
    "update7": f"AFTER UPDATE OF {{g}} ON {{t}} WHEN OLD.{{i}} = NEW.{{i}} AND {_FILLED} "
    "AND (OLD.{g} ISNULL OR ST_IsEmpty(OLD.{g})) BEGIN "
    f"INSERT INTO {{r}} VALUES ({_NEW_ROW}); END",
    "delete": "AFTER DELETE ON {t} WHEN OLD.{g} NOT NULL BEGIN "
    "DELETE FROM {r} WHERE id = OLD.{i}; END",
}


def index_name(table: str) -> str:
    """Name of the R-tree of a layer, as the standard composes it."""
    return f"rtree_{table}_geom"


def _trigger(table: str, name: str) -> str:
    names = {"t": f'"{table}"', "r": f'"{index_name(table)}"', "g": '"geom"', "i": '"fid"'}
    return f'CREATE TRIGGER "{index_name(table)}_{name}" {_TRIGGERS[name].format(**names)}'


def create_geopackage_tables(connection: sa.Connection, crs: str) -> int:
    """Make the standard's own tables and enter the reference systems; return the store's number.

    Raises as :func:`system_row`.
    """
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.exec_driver_sql(f"PRAGMA user_version = {USER_VERSION}")
    for statement in _TABLES:
        connection.exec_driver_sql(statement)
    own = system_row(read_crs(crs))
    world = system_row(read_crs("EPSG:4326"))
    systems = {row[1]: row for row in (*_FIXED_SYSTEMS, world, own)}
    connection.exec_driver_sql(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", list(systems.values())
    )
    return int(own[1])


def system_row(crs: pyproj.CRS) -> tuple[str, int, str, int, str, str | None]:
    """Row of a CRS in `gpkg_spatial_ref_sys`; StoreError where it cannot be written there."""
    definition = crs.to_wkt("WKT1_GDAL")
    if not definition:
        raise StoreError(
            f"The CRS {crs.name} cannot be written in a GeoPackage; choose a plain projected CRS."
        )
    authority = crs.to_authority()
    if authority and authority[1].isdigit():
        return crs.name, int(authority[1]), authority[0], int(authority[1]), definition, None
    return crs.name, 100_000, "NONE", 100_000, definition, None


def register_layers(connection: sa.Connection, srs_id: int) -> None:
    """Enter all tables in the contents, and give each layer its R-tree."""
    for table, kind in _layer_kinds().items():
        connection.exec_driver_sql(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)"
            " VALUES (?, 'features', ?, ?, ?)",
            (table, table, schema.SPATIAL[table], srs_id),
        )
        connection.exec_driver_sql(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)",
            (table, kind, srs_id),
        )
        connection.exec_driver_sql(
            "INSERT INTO gpkg_extensions VALUES (?, 'geom', 'gpkg_rtree_index', ?, 'write-only')",
            (table, _RTREE_DEFINITION),
        )
        connection.exec_driver_sql(
            f'CREATE VIRTUAL TABLE "{index_name(table)}" USING rtree(id, minx, maxx, miny, maxy)'
        )
        for name in _TRIGGERS:
            connection.exec_driver_sql(_trigger(table, name))
    for table, description in schema.ATTRIBUTES.items():
        connection.exec_driver_sql(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description)"
            " VALUES (?, 'attributes', ?, ?)",
            (table, table, description),
        )


def note_extents(connection: sa.Connection) -> None:
    """Note the extent of every layer anew, from all its features."""
    for table in set(schema.SPATIAL) & set(sa.inspect(connection).get_table_names()):
        connection.exec_driver_sql(
            "UPDATE gpkg_contents SET (min_x, min_y, max_x, max_y) = (SELECT min(ST_MinX(geom)),"
            f' min(ST_MinY(geom)), max(ST_MaxX(geom)), max(ST_MaxY(geom)) FROM "{table}")'
            " WHERE table_name = ?",
            (table,),
        )


def noted_extent(connection: sa.Connection, table: str) -> Box | None:
    """Box of a layer in the store's CRS [m], as noted; None of an empty one."""
    low_x, low_y, high_x, high_y = connection.exec_driver_sql(
        "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = ?", (table,)
    ).one()
    return None if low_x is None else (low_x, low_y, high_x, high_y)


def _widen_extent(connection: sa.Connection, table: str, bounds: Floats) -> None:
    """Widen the noted extent of a layer by the bounds of new features, n times x, y, x, y [m]."""
    filled = bounds[np.isfinite(bounds).all(axis=1)]
    if len(filled):
        box = (*filled[:, :2].min(axis=0).tolist(), *filled[:, 2:].max(axis=0).tolist())
        connection.exec_driver_sql(
            "UPDATE gpkg_contents SET"
            " min_x = min(coalesce(min_x, ?1), ?1), min_y = min(coalesce(min_y, ?2), ?2),"
            " max_x = max(coalesce(max_x, ?3), ?3), max_y = max(coalesce(max_y, ?4), ?4)"
            " WHERE table_name = ?5",
            (*box, table),
        )


def _insert_rows(
    connection: sa.Connection, into: str, values: Sequence[Sequence[Any]], count: int
) -> None:
    """Insert columns, many rows to a statement: each looks up and counts on row numbers anew."""
    one = f"({', '.join('?' * len(values))})"
    rows = zip(*values, strict=True)
    many = max(1, STATEMENT_VALUES // len(values))
    packs = [tuple(chain.from_iterable(islice(rows, many))) for _ in range(count // many)]
    if packs:
        connection.exec_driver_sql(f"{into} VALUES {', '.join([one] * many)}", packs)
    if rest := list(rows):
        connection.exec_driver_sql(f"{into} VALUES {one}", rest)


def _insert_entries(connection: sa.Connection, index: str, fids: Ints, boxes: Floats) -> None:
    """Add entries to an R-tree: all of it is packed anew unless it has many others."""
    stored = connection.exec_driver_sql(f'SELECT count(*) FROM "{index}_rowid"').scalar_one()
    if stored > PRESENT_SHARE * len(fids) or not _may_write_nodes(connection, index):
        edges = [fids.tolist(), *boxes.T.tolist()]
        _insert_rows(connection, f'INSERT INTO "{index}"', edges, len(fids))
        return
    if stored:
        rows = connection.exec_driver_sql(f'SELECT id, minx, maxx, miny, maxy FROM "{index}"')
        there = np.array(rows.fetchall(), np.float64)
        fids = np.concatenate([there[:, 0].astype(np.int64), fids])
        boxes = np.vstack([there[:, 1:], boxes])
    node_bytes = connection.exec_driver_sql(
        f'SELECT length(data) FROM "{index}_node" WHERE nodeno = 1'
    ).scalar_one()
    for table, columns in packed_tables(fids, boxes, int(node_bytes)).items():
        connection.exec_driver_sql(f'DELETE FROM "{index}_{table}"')
        _insert_rows(connection, f'INSERT INTO "{index}_{table}"', columns, len(columns[0]))


def _may_write_nodes(connection: sa.Connection, index: str) -> bool:
    """Whether SQLite lets its tables of an R-tree be written; some systems build it defensive."""
    try:
        connection.exec_driver_sql(f'DELETE FROM "{index}_node" WHERE nodeno = 0')
    except sa.exc.DatabaseError:
        return False
    return True


def _layer_kinds() -> dict[str, str]:
    kinds = {}
    for name in schema.SPATIAL:
        kind = schema.metadata.tables[name].c.geom.type
        assert isinstance(kind, schema.Geometry)  # noqa: S101  declared so in schema.py
        kinds[name] = kind.kind
    return kinds


def store_crs(connection: sa.Connection) -> str:
    """CRS of the store, as it was made with."""
    return str(connection.scalar(sa.select(schema.store_settings.c.crs)))


def _encoded(connection: sa.Connection, geometries: Objects) -> list[Any]:
    """Turn geometries in the store's CRS into what the driver takes."""
    srs_id = connection.scalar(sa.select(schema.store_settings.c.srs_id))
    return blobs_from_geometries(geometries, int(srs_id or 0))


def next_rows(connection: sa.Connection, table: sa.Table, count: int) -> range:
    """Row numbers never used before, for `count` new rows; call inside a write."""
    key = next(iter(table.primary_key)).name
    used = connection.exec_driver_sql(
        f"SELECT max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = ?), 0),"
        f' coalesce((SELECT max("{key}") FROM "{table.name}"), 0))',
        (table.name,),
    ).scalar_one()
    return range(int(used) + 1, int(used) + 1 + count)


def insert(connection: sa.Connection, table: sa.Table, values: dict[str, list[Any]]) -> None:
    """Insert whole columns of encoded values."""
    count = len(next(iter(values.values()), []))
    if not count:
        return
    # A column without a value takes as long to bind as one that has some.
    filled = {
        name: column
        for name, column in values.items()
        if table.c[name].server_default is not None or column.count(None) < count
    }
    names = ", ".join(f'"{name}"' for name in filled)
    many = count >= BULK_ROWS
    with (
        indexes_aside(connection, table.name, count),
        insert_guard_aside(connection, table.name) if many else nullcontext(),
    ):
        into = f'INSERT INTO "{table.name}" ({names})'
        _insert_rows(connection, into, list(filled.values()), count)


def insert_layer(
    connection: sa.Connection, table: sa.Table, values: dict[str, list[Any]], geometries: Objects
) -> range:
    """Insert features with their index entries; returns their row numbers."""
    fids = next_rows(connection, table, len(geometries))
    if len(fids) == 0:
        return fids
    rows = {"fid": list(fids), "geom": _encoded(connection, geometries), **values}
    bounds = shapely.bounds(geometries)
    bulk = len(fids) >= BULK_ROWS
    if bulk:  # the trigger would call back into Python five times a row
        connection.exec_driver_sql(f'DROP TRIGGER "{index_name(table.name)}_insert"')
    insert(connection, table, rows)
    if bulk:
        filled = np.isfinite(bounds).all(axis=1)
        boxes = bounds[filled][:, [0, 2, 1, 3]]
        _insert_entries(connection, index_name(table.name), np.asarray(fids)[filled], boxes)
        connection.exec_driver_sql(_trigger(table.name, "insert"))
    _widen_extent(connection, table.name, bounds)
    return fids


def update_layer(
    connection: sa.Connection,
    table: sa.Table,
    fid: int,
    values: dict[str, Any],
    geometry: shapely.Geometry | None,
) -> None:
    """Write one feature over what is there; the index follows by its triggers."""
    geometries = np.array([geometry], object)
    change = {**values, "geom": _encoded(connection, geometries)[0]}
    connection.execute(table.update().where(table.c.fid == fid).values(change))
    _widen_extent(connection, table.name, shapely.bounds(geometries))


def clear_layer(connection: sa.Connection, table: sa.Table) -> None:
    """Delete all features of a layer and its index entries."""
    connection.exec_driver_sql(f'DROP TRIGGER "{index_name(table.name)}_delete"')
    connection.execute(table.delete())
    connection.exec_driver_sql(f'DELETE FROM "{index_name(table.name)}"')
    connection.exec_driver_sql(_trigger(table.name, "delete"))
    connection.exec_driver_sql(
        "UPDATE gpkg_contents SET min_x = NULL, min_y = NULL, max_x = NULL, max_y = NULL"
        " WHERE table_name = ?",
        (table.name,),
    )


def touch(connection: sa.Connection, tables: Sequence[str]) -> None:
    """Note the time of change of these tables in the contents."""
    connection.exec_driver_sql(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now')"
        " WHERE table_name = ?",
        [(table,) for table in tables],
    )


@cache
def index_of(table: sa.Table) -> sa.TableClause:
    """R-tree of a layer: `id`, and an envelope rounded outward to single precision."""
    names = ("id", "minx", "maxx", "miny", "maxy")
    return sa.table(index_name(table.name), *(sa.column(name, sa.Double) for name in names))


def near_box(table: sa.Table, box: Box, but: Box | None = None) -> sa.Select[tuple[int]]:
    """Rows whose envelope in the index meets a box; without what surely lies in `but`."""
    index = index_of(table)
    low_x, low_y, high_x, high_y = box
    near = sa.select(index.c.id).where(
        index.c.minx <= high_x,
        index.c.maxx >= low_x,
        index.c.miny <= high_y,
        index.c.maxy >= low_y,
    )
    return near if but is None else near.where(sa.not_(_inside(index, but)))


def _inside(index: sa.TableClause, box: Box) -> sa.ColumnElement[bool]:
    low_x, low_y, high_x, high_y = box
    return sa.and_(
        index.c.minx >= low_x,
        index.c.maxx <= high_x,
        index.c.miny >= low_y,
        index.c.maxy <= high_y,
    )


def narrows(connection: sa.Connection, table: sa.Table, box: Box) -> bool:
    """Whether a box meets so few features, one in twenty, that it pays to look for them first."""
    entries = sa.table(f"{index_name(table.name)}_rowid")
    most = int(connection.scalar(sa.select(sa.func.count()).select_from(entries)) or 0) // 20
    return len(connection.scalars(near_box(table, box).offset(most).limit(1)).all()) == 0


def in_box(table: sa.Table, box: Box, but: Box | None = None) -> sa.ColumnElement[bool]:
    """Condition that a feature's envelope meets a box in the store's CRS; `but` as above."""
    near, inside = near_box(table, box, but), _inside(index_of(table), box)
    low_x, low_y, high_x, high_y = box
    # The R-tree has single-precision numbers rounded outward: what it has inside is
    # inside; of what it has across the edge the envelope itself decides.
    geom = table.c.geom
    return sa.or_(
        table.c.fid.in_(near.where(inside)),
        sa.and_(
            table.c.fid.in_(near.where(sa.not_(inside))),
            sa.func.ST_MinX(geom) <= high_x,
            sa.func.ST_MaxX(geom) >= low_x,
            sa.func.ST_MinY(geom) <= high_y,
            sa.func.ST_MaxY(geom) >= low_y,
        ),
    )


def occupied_cells(
    connection: sa.Connection, table: sa.Table, side_m: float
) -> list[tuple[int, int, int, int]]:
    """Cells of a square grid that features lie in, by the index: first and last x and y.

    The index rounds outward, so a cell may be named that nothing lies in.
    """
    # SQLite casts toward zero: the offset keeps cells below the origin apart.
    numbers = [
        f"CAST({edge} / {side_m} + 1000000 AS INTEGER) - 1000000"
        for edge in ("minx", "miny", "maxx", "maxy")
    ]
    rows = connection.exec_driver_sql(
        f'SELECT DISTINCT {", ".join(numbers)} FROM "{index_name(table.name)}"'
    )
    return [(int(row[0]), int(row[1]), int(row[2]), int(row[3])) for row in rows]


def among(column: sa.ColumnElement[Any], ids: Sequence[Any]) -> sa.ColumnElement[bool]:
    """Condition that a column has one of any number of ids."""
    text = orjson.dumps(list(ids)).decode()
    values = sa.func.json_each(sa.bindparam(None, text, sa.Text)).table_valued("value")
    return column.in_(sa.select(values.c.value))


def any_of(
    *wanted: tuple[sa.ColumnElement[Any], Sequence[Any]],
) -> list[sa.ColumnElement[bool]]:
    """Conditions that columns have one of some ids each; none for a column without ids."""
    return [among(column, ids) for column, ids in wanted if ids]
