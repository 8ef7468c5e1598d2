"""Geometry as the bytes a GeoPackage keeps: a short header with the envelope, then WKB.

OGC 12-128r19 (GeoPackage 1.4), clause 2.1.3.1.1 "BLOB Format".
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Sequence

    from layers.arrays import Objects

__all__ = ["blobs_from_geometries", "geometries_from_blobs", "register_functions"]

# Bytes of envelope by the three-bit indicator in the flags.
ENVELOPE_BYTES = (0, 32, 48, 48, 64)
HEADER_BYTES = 8
LITTLE_ENDIAN, XY_ENVELOPE, EMPTY = 0x01, 0x02, 0x10

_HEADER = np.dtype([("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs_id", "<i4")])
_HEADER_XY = np.dtype([*_HEADER.descr, ("envelope", "<f8", (4,))])


def blobs_from_geometries(geometries: Objects, srs_id: int) -> list[bytes | None]:
    """Encode n geometries; points carry no envelope, as their two ordinates are one.

    Missing ones become None, a third dimension is dropped. `srs_id` is the number of their CRS in
    `gpkg_spatial_ref_sys`.
    """
    shapes = np.asarray(geometries, dtype=object)
    if (shapely.get_coordinate_dimension(shapes) > 2).any():  # costs as much as writing them
        shapes = shapely.force_2d(shapes)
    if len(shapes) == 0:
        return []
    known = ~shapely.is_missing(shapes)
    empty = shapely.is_empty(shapes)
    body = shapely.to_wkb(shapes, byte_order=1)
    plain = bool((shapely.get_type_id(shapes[known]) == shapely.GeometryType.POINT).all())
    head = np.zeros(len(shapes), _HEADER if plain else _HEADER_XY)
    head["magic"] = b"GP"
    head["srs_id"] = srs_id
    head["flags"] = np.where(empty, LITTLE_ENDIAN | EMPTY, LITTLE_ENDIAN)
    if not plain:
        head["flags"] |= np.where(empty, 0, XY_ENVELOPE).astype(np.uint8)
        # Shapely: minx, miny, maxx, maxy. GeoPackage: minx, maxx, miny, maxy.
        head["envelope"] = shapely.bounds(shapes)[:, [0, 2, 1, 3]]
    raw, step = head.tobytes(), head.dtype.itemsize
    starts = range(0, len(raw), step)
    sizes = np.where(empty, HEADER_BYTES, step).tolist()
    return [
        raw[start : start + size] + wkb if wkb is not None else None
        for start, size, wkb in zip(starts, sizes, body, strict=True)
    ]


def geometries_from_blobs(blobs: Sequence[bytes | None]) -> Objects:
    """Decode what :func:`blobs_from_geometries`, or another program, wrote."""
    wkb = np.empty(len(blobs), dtype=object)
    wkb[:] = [
        None if blob is None else blob[HEADER_BYTES + ENVELOPE_BYTES[(blob[3] >> 1) & 7] :]
        for blob in blobs
    ]
    shapes: Objects = shapely.from_wkb(wkb)
    return shapes


_XY = struct.Struct("<4d")
_POINT = struct.Struct("<2d")
_LITTLE_POINT = b"\x01\x01\x00\x00\x00"


def _bounds(blob: bytes) -> tuple[float, float, float, float]:
    """Return minx, maxx, miny, maxy without building the geometry where possible."""
    flags = blob[3]
    if flags & 0x0E and flags & LITTLE_ENDIAN:
        minx, maxx, miny, maxy = _XY.unpack_from(blob, HEADER_BYTES)
        return minx, maxx, miny, maxy
    if len(blob) == 29 and blob[8:13] == _LITTLE_POINT:
        x, y = _POINT.unpack_from(blob, 13)
        return x, x, y, y
    low_x, low_y, high_x, high_y = geometries_from_blobs([blob])[0].bounds
    return low_x, high_x, low_y, high_y


def _is_empty(blob: bytes | None) -> int | None:
    if blob is None:
        return None
    if blob[3] & EMPTY:
        return 1
    return 0 if blob[3] & 0x0E else int(geometries_from_blobs([blob])[0].is_empty)


def register_functions(connection: sqlite3.Connection) -> None:
    """Give a connection the functions that the standard's R-tree triggers call."""

    def bound(place: int) -> Callable[[bytes | None], float | None]:
        return lambda blob: None if blob is None else _bounds(blob)[place]

    for place, name in enumerate(("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY")):
        connection.create_function(name, 1, bound(place), deterministic=True)
    connection.create_function("ST_IsEmpty", 1, _is_empty, deterministic=True)
