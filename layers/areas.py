"""Areas on the ellipsoid, in square metres whatever the projection."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyproj
import shapely

from layers.crs import CrsLike, read_crs
from layers.errors import CrsError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Floats

__all__ = ["ellipsoidal_area_m2"]


def ellipsoidal_area_m2(shapes: ArrayLike, crs: CrsLike) -> Floats:
    """Area of polygons on the ellipsoid of their CRS, in square metres.

    Parameters
    ----------
    shapes
        Polygons or multi-polygons in `crs`, (n,); holes do not count. Anything else, and
        missing shapes, have no area.
    crs
        Projected or geographic.

    Returns
    -------
    ndarray
        Areas, missing where there is none, (n,). [m2]

    Raises
    ------
    CrsError
        The CRS is missing, unknown or without an ellipsoid.

    Notes
    -----
    C. F. F. Karney, Algorithms for geodesics, Journal of Geodesy 87 (2013) 43-55, as in
    `pyproj.Geod.geometry_area_perimeter`. Edges are taken as geodesics; over a haul's or a
    pool's width that is the straight line drawn.

    Examples
    --------
    >>> square = shapely.box(500_000, 6_000_000, 500_100, 6_000_100)
    >>> float(ellipsoidal_area_m2([square], "EPSG:25830")[0].round(1))  # scale there is 0.9996
    10008.0
    """
    known = read_crs(crs)
    geographic, geod = known.geodetic_crs, known.get_geod()
    if geographic is None or geod is None:
        raise CrsError(f"The CRS {known.name} has no ellipsoid to measure areas on.")
    given = np.atleast_1d(np.asarray(shapes, dtype=object))
    area = np.full(len(given), np.nan)
    has = np.isin(
        shapely.get_type_id(given),
        (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON),
    ) & ~shapely.is_empty(given)
    to_degrees = pyproj.Transformer.from_crs(known, geographic, always_xy=True)
    on_globe = shapely.transform(
        shapely.force_2d(given[has]), to_degrees.transform, interleaved=False
    )
    # Rings wound alike, holes against their shell, so that the signed areas add up.
    wound = shapely.orient_polygons(on_globe)
    parts, owner = shapely.get_parts(wound, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    x, y = shapely.get_coordinates(rings).T
    stops = np.cumsum(shapely.get_num_coordinates(rings))
    starts = np.concatenate([[0], stops[:-1]])[: len(rings)]
    signed = [
        geod.polygon_area_perimeter(x[start:stop], y[start:stop])[0]
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
    ]
    area[has] = np.abs(np.bincount(owner[part], weights=signed, minlength=len(wound)))
    return area
