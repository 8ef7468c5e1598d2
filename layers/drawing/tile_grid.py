"""The usual numbering of map tiles: zoom level, column from the west, row from the north.

OGC 17-083r4, Two Dimensional Tile Matrix Set and Tile Set Metadata 2.0, annex D.1, tile matrix set
WebMercatorQuad: EPSG:3857, one tile of 256 pixels at zoom 0, each level twice as fine.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

__all__ = ["FINEST_ZOOM", "HALF_M", "TILE_PX", "Tile", "degrees", "metres", "span_m", "zoom_of"]

HALF_M: Final = 20_037_508.342789244  # half the side of the square, pi times 6,378,137 m
TILE_PX: Final = 256
FINEST_ZOOM: Final = 24  # annex D.1
_RADIUS_M: Final = 6_378_137.0


class Tile(NamedTuple):
    """One picture: PNG, JPEG or WebP."""

    zoom: int
    column: int
    row: int
    content: bytes


def span_m(zoom: int) -> float:
    """Side of a tile in EPSG:3857 [m]."""
    return float(2 * HALF_M / 2**zoom)


def zoom_of(resolution_m: float) -> int:
    """Zoom level whose pixels come nearest, by ratio, to a resolution [m in EPSG:3857].

    Examples
    --------
    >>> zoom_of(156_543.034), zoom_of(0.6), zoom_of(0.5)
    (0, 18, 18)
    """
    zoom = round(math.log2(2 * HALF_M / TILE_PX / resolution_m))
    return min(max(zoom, 0), FINEST_ZOOM)


def metres(longitude: float, latitude: float) -> tuple[float, float]:
    """Position in EPSG:3857 [m] of one in degrees; latitudes end where the square does."""
    sine = math.sin(math.radians(latitude))
    y = HALF_M if sine >= 1 else -HALF_M if sine <= -1 else _RADIUS_M * math.atanh(sine)
    return math.radians(longitude) * _RADIUS_M, min(max(y, -HALF_M), HALF_M)


def degrees(x_m: float, y_m: float) -> tuple[float, float]:
    """Longitude and latitude of a position in EPSG:3857."""
    latitude = math.degrees(math.atan(math.sinh(y_m / _RADIUS_M)))
    return math.degrees(x_m / _RADIUS_M), latitude
