"""Cutting a picture with a place (a GeoTIFF, or tiles on another grid) into tiles.

rasterio (GDAL) brings it onto the grid; each coarser level is made of the finer one, two by two
pixels into one, weighed by how opaque they are.
"""

from __future__ import annotations

import io
import math
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from layers.drawing.tile_grid import HALF_M, TILE_PX, Tile, degrees, metres, span_m, zoom_of
from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    # Rows, columns, and red, green, blue, alpha.
    Picture = NDArray[np.uint8]

__all__ = ["MOST_TILES", "cut_picture"]

MOST_TILES: Final = 250_000
# Pixels of a picture to one of its tiles: as where it is cut two levels too coarse. All are read,
# and a file of a few bytes may say that it has as many as it likes.
_MOST_TO_ONE: Final = 16
_QUALITY: Final = 85  # of JPEG
_EDGE: Final = 1e-6  # of a tile: a picture that ends with a tile does not reach the next
_FEW_COLOURS: Final = 256  # a drawing, not a photograph


@dataclass(frozen=True)
class CutPicture:
    """A picture as it will be cut: `count` tiles.

    `bounds` are west, south, east, north in degrees; `words` say what it is, for people;
    `copyright` is as the file says, else empty.
    """

    name: str
    bounds: tuple[float, float, float, float]
    count: int
    words: str
    copyright: str
    _warped: Any
    _bands: tuple[int, ...]
    _palette: Picture | None
    _ranges: dict[int, tuple[range, range]]  # columns and rows of each level

    def tiles(self) -> Iterator[Tile]:
        """Yield the tiles, each after those it is made of; where nothing shows, no content."""
        first = min(self._ranges)
        columns, rows = self._ranges[first]
        for column in columns:
            for row in rows:
                yield from self._branch(first, column, row)

    def _branch(self, zoom: int, column: int, row: int) -> Generator[Tile, None, Picture | None]:
        """Yield a tile after all that it is made of; returns its picture, None if it is empty."""
        if zoom == max(self._ranges):
            picture = self._read(zoom, column, row)
        else:
            columns, rows = self._ranges[zoom + 1]
            four = np.zeros((2 * TILE_PX, 2 * TILE_PX, 4), np.uint8)
            for right, down in ((0, 0), (1, 0), (0, 1), (1, 1)):
                if 2 * column + right in columns and 2 * row + down in rows:
                    part = yield from self._branch(zoom + 1, 2 * column + right, 2 * row + down)
                    if part is not None:
                        x, y = right * TILE_PX, down * TILE_PX
                        four[y : y + TILE_PX, x : x + TILE_PX] = part
            picture = _halved(four)
        if not picture[..., 3].any():
            yield Tile(zoom, column, row, b"")
            return None
        yield Tile(zoom, column, row, _encoded(picture))
        return picture

    def _read(self, zoom: int, column: int, row: int) -> Picture:
        from rasterio.errors import RasterioError
        from rasterio.windows import Window

        columns, rows = self._ranges[zoom]
        window = Window(
            (column - columns.start) * TILE_PX, (row - rows.start) * TILE_PX, TILE_PX, TILE_PX
        )
        try:
            *colours, alpha = self._warped.read(self._bands, window=window)
        except RasterioError as problem:
            raise RequestError(
                f"{self.name} cannot be read to its end; it was cut short, fetch it again."
            ) from problem
        if self._palette is not None:
            picture: Picture = self._palette[colours[0]]
            picture[..., 3] = np.minimum(picture[..., 3], alpha)
            return picture
        three = colours if len(colours) == 3 else colours * 3
        stacked: Picture = np.stack([*three, alpha], axis=-1)
        return stacked


def _halved(picture: Picture) -> Picture:
    """Picture of half the side."""
    rows, columns, _ = picture.shape
    blocks = picture.reshape(rows // 2, 2, columns // 2, 2, 4).astype(np.float32)
    alpha = blocks[..., 3:]
    weight = alpha.sum(axis=(1, 3))
    colour = (blocks[..., :3] * alpha).sum(axis=(1, 3)) / np.maximum(weight, 1)
    halved: Picture = np.concatenate([colour, weight / 4], axis=-1).round().astype(np.uint8)
    return halved


def _encoded(picture: Picture) -> bytes:
    """JPEG of a photograph without gaps; PNG of drawings and where something shows through."""
    from PIL import Image

    image = Image.fromarray(picture)
    if (picture[..., 3] == 255).all():
        image = image.convert("RGB")
    file = io.BytesIO()
    if image.mode == "RGB" and image.getcolors(_FEW_COLOURS) is None:
        image.save(file, "JPEG", quality=_QUALITY)
    else:
        image.save(file, "PNG")
    return file.getvalue()


@contextmanager
def cut_picture(
    path: Path, *, table: str = "", max_zoom: int | None = None, most_tiles: int = MOST_TILES
) -> Iterator[CutPicture]:
    """Open a picture to be cut: a GeoTIFF, or a GeoPackage where `table` names its tiles.

    The finest level is by default the one nearest to its resolution. Raises RequestError where it
    has no place, no colours that can be shown, or would give more than `most_tiles`.
    """
    import rasterio
    from rasterio.errors import RasterioError

    options = {"driver": "GPKG", "table": table} if table else {"driver": "GTiff"}
    try:
        with (
            rasterio.open(path, **options) as source,
            _warped(path, source, max_zoom, most_tiles) as cut,
        ):
            yield cut
    except RasterioError as problem:
        raise RequestError(f"{path.name} cannot be read as a picture: {problem}") from problem


@contextmanager
def _warped(
    path: Path,
    source: Any,  # noqa: ANN401 - rasterio has no types
    max_zoom: int | None,
    most_tiles: int,
) -> Iterator[CutPicture]:
    from rasterio.enums import Resampling
    from rasterio.transform import from_origin
    from rasterio.vrt import WarpedVRT
    from rasterio.warp import calculate_default_transform, transform_bounds

    bands, palette = _colours(path, source)
    most_px = most_tiles * TILE_PX**2 * _MOST_TO_ONE
    if source.width * source.height > most_px:
        raise RequestError(
            f"{path.name} has {source.width} by {source.height} pixels, more than the {most_px} "
            "that can be read; save it from a GIS with larger pixels, or load a part of it."
        )
    if source.crs is None or source.transform.is_identity:
        raise RequestError(
            f"{path.name} does not say where it lies; save it from a GIS as a GeoTIFF with its CRS."
        )
    west, south, east, north = transform_bounds(source.crs, "EPSG:4326", *source.bounds)
    if not -180 <= west < east <= 180:
        raise RequestError(f"{path.name} reaches across 180 degrees; cut it there, load both.")
    (left, bottom), (right, top) = metres(west, south), metres(east, north)
    grid, _, _ = calculate_default_transform(
        source.crs, "EPSG:3857", source.width, source.height, *source.bounds
    )
    last = zoom_of(grid.a) if max_zoom is None else min(max_zoom, zoom_of(grid.a))
    fits = math.log2(2 * HALF_M / max(right - left, top - bottom))  # the level of one tile
    first = min(last, max(0, int(fits + _EDGE)))
    ranges = {
        zoom: (
            range(_cell(left, zoom), _cell(right, zoom, end=True)),
            range(_cell(-top, zoom), _cell(-bottom, zoom, end=True)),
        )
        for zoom in range(first, last + 1)
    }
    count = sum(len(columns) * len(rows) for columns, rows in ranges.values())
    if count > most_tiles:
        raise RequestError(
            f"{path.name} would be cut into {count} tiles; {most_tiles} are the most. Choose level "
            f"{last - 1} or less as the finest (--max-zoom), or load a part of it."
        )
    columns, rows = ranges[last]
    pixel = span_m(last) / TILE_PX
    with WarpedVRT(
        source,
        crs="EPSG:3857",
        transform=from_origin(
            columns.start * span_m(last) - HALF_M, HALF_M - rows.start * span_m(last), pixel, pixel
        ),
        width=len(columns) * TILE_PX,
        height=len(rows) * TILE_PX,
        resampling=Resampling.bilinear if palette is None else Resampling.nearest,
        add_alpha=bands[-1] > source.count,
    ) as warped:
        yield CutPicture(
            name=path.name,
            bounds=(*degrees(left, bottom), *degrees(right, top)),
            count=count,
            words=f"Cut from {source.width} by {source.height} pixels in {source.crs}.",
            copyright=str(source.tags().get("TIFFTAG_COPYRIGHT", "")),
            _warped=warped,
            _bands=bands,
            _palette=palette,
            _ranges=ranges,
        )


def _cell(metres_from_middle: float, zoom: int, *, end: bool = False) -> int:
    """Column of an easting, or row of a southing; with `end` the one after it."""
    place = (metres_from_middle + HALF_M) / span_m(zoom)
    most: int = 2**zoom
    return min(math.ceil(place - _EDGE), most) if end else min(int(place + _EDGE), most - 1)


def _colours(path: Path, source: Any) -> tuple[tuple[int, ...], Picture | None]:  # noqa: ANN401
    """Bands to read, the last of them alpha, which is added where there is none; the palette."""
    from rasterio.enums import ColorInterp

    kinds = dict(zip(source.colorinterp, source.indexes, strict=True))
    if set(source.dtypes) != {"uint8"}:
        raise RequestError(
            f"{path.name} has values of {', '.join(sorted(set(source.dtypes)))}, not colours; save "
            "it from a GIS as a rendered picture with 8 bits in each band."
        )
    alpha = kinds.get(ColorInterp.alpha, source.count + 1)
    plain = source.count - (ColorInterp.alpha in kinds)
    three = [kinds.get(each) for each in (ColorInterp.red, ColorInterp.green, ColorInterp.blue)]
    if ColorInterp.palette in kinds:
        palette = np.zeros((256, 4), np.uint8)
        for value, colour in source.colormap(kinds[ColorInterp.palette]).items():
            palette[value] = colour
        return (kinds[ColorInterp.palette], alpha), palette
    if None not in three:
        return (*three, alpha), None
    if plain in (1, 3):
        own = [index for index in source.indexes if index != alpha]
        return (*own, alpha), None
    raise RequestError(
        f"{path.name} has {source.count} bands and does not say which are red, green and blue; "
        "save it from a GIS with three bands."
    )
