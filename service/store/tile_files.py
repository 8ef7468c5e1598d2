"""Tiles in files of others: MBTiles 1.3, and tile pyramids of OGC GeoPackages (12-128r19).

Tiles are taken as they are where their grid is the usual one (`layers.drawing.tile_grid`): what a
map maker drew for each level stays so. Rows of MBTiles count from the south.
"""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass
from math import log2
from typing import TYPE_CHECKING, Final

from layers.drawing.tile_grid import FINEST_ZOOM, HALF_M, Tile, degrees, span_m
from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["SQLITE_BEGINS", "TileFile", "foreign_database", "quoted", "tile_file"]

SQLITE_BEGINS: Final = b"SQLite format 3\0"

_WEB_MERCATOR: Final = (3857, 900_913)
_LONGEST: Final = 5_000_000  # bytes of a tile or text; one of 1024 pixels is less, unpacked
_STEPS: Final = 10_000  # of SQLite's machine between two looks at the clock
_NEAR: Final = 0.01  # of a tile
_RASTER: Final = ("png", "jpg", "jpeg", "webp")


@dataclass(frozen=True)
class TileFile:
    """Tiles of one file: MBTiles or GeoPackage.

    `name` and `attribution` are as the file has them, else empty; `bounds` are west, south, east,
    north in degrees, where it says so. Where the grid is not the `usual` one there are no `tiles`.
    """

    kind: str
    table: str
    name: str
    attribution: str
    bounds: tuple[float, float, float, float] | None
    usual: bool
    count: int
    _base: sqlite3.Connection
    _levels: dict[int, tuple[int, int, int]]

    def tiles(self) -> Iterator[Tile]:
        """Yield the tiles by level, column and row of the file.

        Raises RequestError where one lies outside the grid, is there twice, or is no bytes.
        """
        before = None
        rows = self._base.execute(
            f"SELECT zoom_level, tile_column, tile_row, tile_data FROM {quoted(self.table)}"  # noqa: S608
            " ORDER BY zoom_level, tile_column, tile_row"
        )
        for level, column, row, content in rows:
            place = f"{self.table}, level {level}, column {column}, row {row}"
            if not (isinstance(level, int) and isinstance(column, int) and isinstance(row, int)):
                raise RequestError(f"{place}: not three whole numbers; write the file anew.")
            if (level, column, row) == before:
                raise RequestError(
                    f"{place}: the file has this tile twice. Delete one of the two in a copy of "
                    "the file, or export it anew."
                )
            before = level, column, row
            if not isinstance(content, bytes):
                raise RequestError(f"{place}: there is no picture; write the file anew.")
            if self.kind == "MBTiles":
                zoom, right, down = level, column, 2 ** min(max(level, 0), 99) - 1 - row
            elif level in self._levels:
                zoom, first, top = self._levels[level]
                right, down = column + first, row + top
            else:
                raise RequestError(f"{place}: gpkg_tile_matrix lacks this level.")
            if not 0 <= zoom <= FINEST_ZOOM or not (0 <= right < 2**zoom and 0 <= down < 2**zoom):
                raise RequestError(f"{place}: outside the grid of its level.")
            yield Tile(zoom, right, down, content)


@contextmanager
def tile_file(path: Path, table: str = "", *, seconds: float | None = None) -> Iterator[TileFile]:
    """Open a file of tiles for reading.

    `table` is that of a GeoPackage that has several; queries may take `seconds` together. Raises
    RequestError where it is no such file, has no raster tiles, or several sets and none is named.
    """
    try:
        with foreign_database(path, seconds) as base:
            base.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST)
            kinds = {row[1]: row[2] for row in base.execute("PRAGMA table_list")}
            if "gpkg_contents" in kinds:
                yield _geopackage(path, base, table, kinds)
            elif "metadata" in kinds and kinds.get("tiles") in ("table", "view"):
                yield _mbtiles(path, base)
            else:
                raise RequestError(
                    f"{path.name} has neither the tables of MBTiles (metadata, tiles) nor those of "
                    "a GeoPackage."
                )
    except sqlite3.Error as problem:
        raise RequestError(
            f"{path.name} cannot be read as a file of tiles: {problem}. Write or fetch it anew."
        ) from problem


@contextmanager
def foreign_database(path: Path, seconds: float | None = None) -> Iterator[sqlite3.Connection]:
    """Open a SQLite file of others for reading; all its queries may take `seconds` together."""
    # Immutable: no lock, and no files put beside it. Another program's log is read where there is.
    fixed = "" if path.with_name(f"{path.name}-wal").exists() else "&immutable=1"
    address = f"{path.absolute().as_uri()}?mode=ro{fixed}"
    with closing(sqlite3.connect(address, uri=True)) as base:
        base.execute("PRAGMA trusted_schema = OFF")
        if seconds is not None:
            until = time.monotonic() + seconds
            base.set_progress_handler(lambda: time.monotonic() > until, _STEPS)
        yield base


def quoted(name: str) -> str:
    """Write a name that anybody chose as SQL takes it."""
    return '"' + name.replace('"', '""') + '"'


def _count(base: sqlite3.Connection, table: str) -> int:
    return int(base.execute(f"SELECT count(*) FROM {quoted(table)}").fetchone()[0])  # noqa: S608


def _mbtiles(path: Path, base: sqlite3.Connection) -> TileFile:
    said = {
        str(name): str(value) for name, value in base.execute("SELECT name, value FROM metadata")
    }
    form = said.get("format", "png").lower()
    if form not in _RASTER:
        raise RequestError(
            f"{path.name} holds tiles of the form {form!r}; backgrounds are pictures "
            f"({', '.join(_RASTER)}). Export it as raster tiles."
        )
    try:
        west, south, east, north = (float(part) for part in said.get("bounds", "").split(","))
    except ValueError:
        bounds = None
    else:
        real = -180 <= west < east <= 180 and -90 <= south < north <= 90
        bounds = (west, south, east, north) if real else None
    return TileFile(
        "MBTiles",
        "tiles",
        said.get("name", ""),
        said.get("attribution", ""),
        bounds,
        True,
        _count(base, "tiles"),
        base,
        {},
    )


def _geopackage(
    path: Path, base: sqlite3.Connection, table: str, kinds: dict[str, str]
) -> TileFile:
    # GDAL reads these too, and nothing ends it where one is computed without end.
    for name, kind in kinds.items():
        if name.casefold().startswith("gpkg_") and kind != "table":
            raise RequestError(f"{path.name}: {name!r} is no stored table; write the file anew.")
    listed = {
        str(row[0]): row[1:]
        for row in base.execute(
            "SELECT table_name, identifier, min_x, min_y, max_x, max_y FROM gpkg_contents"
            " WHERE data_type = 'tiles'"
        )
    }
    if not listed:
        raise RequestError(f"{path.name} holds no tiles; its layers are loaded by other commands.")
    if table and table not in listed:
        raise RequestError(f"{path.name} has no tiles {table!r}; it has {', '.join(listed)}.")
    if not table and len(listed) > 1:
        raise RequestError(
            f"{path.name} holds several sets of tiles; name one with --layer: {', '.join(listed)}."
        )
    table = table or next(iter(listed))
    if kinds.get(table) != "table":
        raise RequestError(f"{path.name}: {table!r} is no stored table; write the file anew.")
    levels = _levels(base, table)
    identifier, *edges = listed[table]
    bounds = None
    if levels and all(isinstance(edge, (int, float)) for edge in edges):
        clipped = [min(max(edge, -HALF_M), HALF_M) for edge in edges]
        if clipped[0] < clipped[2] and clipped[1] < clipped[3]:
            bounds = (*degrees(*clipped[:2]), *degrees(*clipped[2:]))
    count = _count(base, table)
    return TileFile(
        "GeoPackage", table, str(identifier or ""), "", bounds, bool(levels), count, base, levels
    )


def _levels(base: sqlite3.Connection, table: str) -> dict[int, tuple[int, int, int]]:
    """Zoom, first column and first row of each level on the usual grid; empty if it is another."""
    levels = {}
    rows = base.execute(
        "SELECT m.zoom_level, m.matrix_width, m.matrix_height, s.min_x, s.min_y, s.max_x, s.max_y,"
        " r.organization_coordsys_id, upper(r.organization)"
        " FROM gpkg_tile_matrix AS m JOIN gpkg_tile_matrix_set AS s USING (table_name)"
        " JOIN gpkg_spatial_ref_sys AS r ON r.srs_id = s.srs_id WHERE m.table_name = ?",
        (table,),
    )
    for *numbers, code, authority in rows:
        if authority != "EPSG" or code not in _WEB_MERCATOR:
            return {}
        if not all(isinstance(number, (int, float)) for number in numbers):
            return {}
        level, columns, down, west, south, east, north = numbers
        if not (columns > 0 and down > 0 and west < east and south < north):
            return {}
        width, height = (east - west) / columns, (north - south) / down
        zoom = round(log2(2 * HALF_M / width))
        if not 0 <= zoom <= FINEST_ZOOM:
            return {}
        first, top = (west + HALF_M) / span_m(zoom), (HALF_M - north) / span_m(zoom)
        off = [  # tiles by which the far corner lies off, and the near one
            abs(width / span_m(zoom) - 1) * columns,
            abs(height / span_m(zoom) - 1) * down,
            abs(first - round(first)),
            abs(top - round(top)),
        ]
        if max(off) > _NEAR:
            return {}
        levels[int(level)] = (zoom, round(first), round(top))
    return levels
