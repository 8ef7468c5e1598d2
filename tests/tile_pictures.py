"""Pictures and files of tiles for tests, written by Pillow, rasterio (GDAL) and plain SQL."""

import io
import sqlite3
from contextlib import closing

import numpy as np
import rasterio
from PIL import Image
from rasterio.transform import from_origin

RED, GREEN, BLUE, SAND = (220, 30, 30), (30, 160, 60), (30, 60, 220), (200, 180, 120)
CRS = "EPSG:32629"
WEST, NORTH, SIDE_M = 350_000, 5_830_000, 2_000  # a square of four colours on the island


def png(colour, px=256, form="PNG"):
    file = io.BytesIO()
    Image.new("RGB", (px, px), colour).save(file, form)
    return file.getvalue()


def quarters(px=400):
    """Red, green above; blue, sand below: bands, rows, columns."""
    half = px // 2
    picture = np.zeros((3, px, px), np.uint8)
    picture[:, :half, :half] = np.reshape(RED, (3, 1, 1))
    picture[:, :half, half:] = np.reshape(GREEN, (3, 1, 1))
    picture[:, half:, :half] = np.reshape(BLUE, (3, 1, 1))
    picture[:, half:, half:] = np.reshape(SAND, (3, 1, 1))
    return picture


def write_picture(path, bands, crs=CRS, west=WEST, north=NORTH, side=SIDE_M, tags=None, **options):
    """A raster of GDAL's, from bands, rows and columns."""
    count, rows, columns = bands.shape
    with rasterio.open(
        path, "w", **{"driver": "GTiff"} | options, width=columns, height=rows, count=count,
        dtype=bands.dtype, crs=crs, transform=from_origin(west, north, side / columns, side / rows),
    ) as file:  # fmt: skip
        file.write(bands)
        file.update_tags(**tags or {})
    return path


def write_mbtiles(path, tiles, **said):
    """MBTiles 1.3; `tiles` has content by zoom, column and row as the standard counts them."""
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("CREATE TABLE metadata (name text, value text)")
        file.execute(
            "CREATE TABLE tiles (zoom_level integer, tile_column integer, tile_row integer, "
            "tile_data blob)"
        )
        file.executemany("INSERT INTO metadata VALUES (?, ?)", list(said.items()))
        file.executemany(
            "INSERT INTO tiles VALUES (?, ?, ?, ?)",
            [(*place, content) for place, content in tiles.items()],
        )
    return path
