# ruff: noqa: S608  (names of tables are made here, of numbers)
"""Backgrounds: one tile pyramid of the standard for each, and what is said of it.

OGC 12-128r19, clauses 2.2.6 (tile matrix set), 2.2.7 (tile matrix), 2.2.8 (tiles) and annex F.7
(WebP). All are in EPSG:3857 on the levels of `layers.drawing.tile_grid`, so columns and rows are
those of tile addresses.
"""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from layers.crs import read_crs
from layers.drawing.tile_grid import HALF_M, metres, span_m
from service.records import Background
from service.store import guards, history, schema
from service.store.geopackage import insert, next_rows, system_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from layers.drawing.tile_grid import Tile

__all__ = [
    "background_faults",
    "put_background",
    "read_backgrounds",
    "read_tile",
    "remove_background",
    "tiles_of_box",
]

TABLE = schema.backgrounds
_SRS: Final = 3857
_AT_ONCE: Final = 500
_WEBP: Final = "http://www.geopackage.org/spec120/#extension_tiles_webp"


def read_backgrounds(connection: sa.Connection) -> list[Background]:
    """Fetch what is said of each, in the order of loading."""
    return [
        Background(
            name=row.name,
            attribution=row.attribution,
            zooms=(row.first_zoom, row.last_zoom),
            bounds=(row.west, row.south, row.east, row.north),
            tiles=row.tiles,
            size_bytes=row.size_bytes,
            digest=row.digest,
        )
        for row in connection.execute(sa.select(TABLE).order_by(TABLE.c.fid))
    ]


def put_background(
    connection: sa.Connection,
    background: Background,
    tiles: Iterable[Tile],
    pixels: Mapping[int, int],
    *,
    who: str,
) -> None:
    """Store a background, in place of one of the same name; `pixels` is a tile's side by level."""
    before = _remove(connection, background.name)
    (fid,) = next_rows(connection, TABLE, 1)
    west, south, east, north = background.bounds
    row = {
        "fid": fid, "name": background.name, "attribution": background.attribution,
        "first_zoom": background.zooms[0], "last_zoom": background.zooms[1],
        "west": west, "south": south, "east": east, "north": north,
        "tiles": background.tiles, "size_bytes": background.size_bytes,
        "digest": background.digest,
    }  # fmt: skip
    insert(connection, TABLE, {name: [value] for name, value in row.items()})
    name = schema.tile_table(fid)
    connection.exec_driver_sql(
        f'CREATE TABLE "{name}" (id INTEGER PRIMARY KEY AUTOINCREMENT, zoom_level INTEGER NOT NULL,'
        " tile_column INTEGER NOT NULL, tile_row INTEGER NOT NULL, tile_data BLOB NOT NULL,"
        " UNIQUE (zoom_level, tile_column, tile_row))"
    )
    into = f'INSERT INTO "{name}" (zoom_level, tile_column, tile_row, tile_data) VALUES (?,?,?,?)'
    webp = False
    coming = iter(tiles)
    while some := list(islice(coming, _AT_ONCE)):
        connection.exec_driver_sql(into, [tuple(tile) for tile in some])
        webp = webp or any(tile.content[8:12] == b"WEBP" for tile in some)
    _register(connection, name, background, pixels, webp=webp)
    guards.guard_tables(connection)
    history.note(
        connection, who=who, entity="background", keys=[background.name],
        action="add" if before is None else "change",
        before=[before], after=[_document(background)],
    )  # fmt: skip


def _register(
    connection: sa.Connection,
    name: str,
    background: Background,
    pixels: Mapping[int, int],
    *,
    webp: bool,
) -> None:
    """Enter a table of tiles in the tables of the standard."""
    connection.exec_driver_sql(
        "INSERT OR IGNORE INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)",
        system_row(read_crs(f"EPSG:{_SRS}")),
    )
    west, south, east, north = background.bounds
    connection.exec_driver_sql(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, min_x, min_y,"
        " max_x, max_y, srs_id) VALUES (?, 'tiles', ?, ?, ?, ?, ?, ?, ?)",
        (
            name, f"Background {background.name}", background.attribution,
            *metres(west, south), *metres(east, north), _SRS,
        ),
    )  # fmt: skip
    connection.exec_driver_sql(
        "INSERT INTO gpkg_tile_matrix_set VALUES (?, ?, ?, ?, ?, ?)",
        (name, _SRS, -HALF_M, -HALF_M, HALF_M, HALF_M),
    )
    connection.exec_driver_sql(
        "INSERT INTO gpkg_tile_matrix VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (name, zoom, 2**zoom, 2**zoom, px, px, span_m(zoom) / px, span_m(zoom) / px)
            for zoom, px in sorted(pixels.items())
        ],
    )
    if webp:
        connection.exec_driver_sql(
            "INSERT INTO gpkg_extensions VALUES (?, 'tile_data', 'gpkg_webp', ?, 'read-write')",
            (name, _WEBP),
        )


def _document(background: Background) -> dict[str, Any]:
    return {
        "attribution": background.attribution,
        "tiles": background.tiles,
        "digest": background.digest,
    }


def _remove(connection: sa.Connection, name: str) -> dict[str, Any] | None:
    """Take a background out; what was said of it, None where there is none."""
    found = {one.name: one for one in read_backgrounds(connection)}.get(name)
    if found is None:
        return None
    own = TABLE.c.name == name
    table = schema.tile_table(connection.execute(sa.select(TABLE.c.fid).where(own)).scalar_one())
    connection.exec_driver_sql(f'DROP TABLE "{table}"')
    for listing in ("tile_matrix", "tile_matrix_set", "extensions", "contents"):
        connection.exec_driver_sql(f"DELETE FROM gpkg_{listing} WHERE table_name = ?", (table,))
    connection.execute(TABLE.delete().where(own))
    return _document(found)


def remove_background(connection: sa.Connection, name: str, *, who: str) -> bool:
    """Take a background out with its tiles; says whether there was one."""
    before = _remove(connection, name)
    if before is None:
        return False
    history.note(
        connection, who=who, entity="background", keys=[name], action="remove",
        before=[before],
    )  # fmt: skip
    return True


def _tiles(connection: sa.Connection, name: str) -> sa.TableClause | None:
    fid = connection.scalar(sa.select(TABLE.c.fid).where(TABLE.c.name == name))
    columns = ("zoom_level", "tile_column", "tile_row", "tile_data")
    return None if fid is None else sa.table(schema.tile_table(fid), *map(sa.column, columns))


def read_tile(
    connection: sa.Connection, name: str, zoom: int, column: int, row: int
) -> bytes | None:
    """Fetch one tile; None where the background has none there, or there is no such background."""
    tiles = _tiles(connection, name)
    if tiles is None:
        return None
    own = tiles.c
    found: bytes | None = connection.scalar(
        sa.select(own.tile_data).where(
            own.zoom_level == zoom, own.tile_column == column, own.tile_row == row
        )
    )
    return found


def tiles_of_box(
    connection: sa.Connection, name: str, box: tuple[float, float, float, float], zoom: int
) -> list[tuple[int, int, int]]:
    """Column, row and size in bytes of the tiles of one level that meet a box in degrees."""
    tiles = _tiles(connection, name)
    if tiles is None:
        return []
    own, span = tiles.c, span_m(zoom)
    (west, south), (east, north) = metres(*box[:2]), metres(*box[2:])
    first, last = (int((x + HALF_M) // span) for x in (west, east))
    top, bottom = (int((HALF_M - y) // span) for y in (north, south))
    rows = connection.execute(
        sa.select(own.tile_column, own.tile_row, sa.func.length(own.tile_data))
        .where(
            own.zoom_level == zoom,
            own.tile_column.between(first, last),
            own.tile_row.between(top, bottom),
        )
        .order_by(own.tile_column, own.tile_row)
    )
    return [(int(row[0]), int(row[1]), int(row[2])) for row in rows]


def background_faults(connection: sa.Connection) -> Iterator[str]:
    """Compare the tiles of each background with what is said of it."""
    for one in read_backgrounds(connection):
        tiles = _tiles(connection, one.name)
        if tiles is None or not sa.inspect(connection).has_table(tiles.name):
            yield f"background {one.name!r}: its table of tiles is missing; load it again"
            continue
        count, size = connection.execute(
            sa.select(
                sa.func.count(), sa.func.coalesce(sa.func.sum(sa.func.length(tiles.c.tile_data)), 0)
            )
        ).one()
        if (count, size) != (one.tiles, one.size_bytes):
            yield (
                f"background {one.name!r}: {count} tiles of {size} bytes are stored, "
                f"{one.tiles} of {one.size_bytes} were; load it again"
            )
