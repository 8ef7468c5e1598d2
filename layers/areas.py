"""Areas on the ellipsoid, so that no projection stretches them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from layers.crs import read_crs, transform_frame
from layers.errors import CrsError

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["ellipsoidal_area_m2"]


def ellipsoidal_area_m2(polygons: gpd.GeoSeries) -> pd.Series:
    """Area in m² of polygons on the ellipsoid of their CRS, edges as geodesics.

    Parameters
    ----------
    polygons
        n Polygons or MultiPolygons in any CRS, any ring direction; holes are taken off.

    Returns
    -------
    Series of float64
        n areas [m²], index of `polygons`, named `area_m2`. Missing where there is no polygon;
        0 for an empty one.

    Raises
    ------
    CrsError
        The CRS is missing, or has no ellipsoid.

    Notes
    -----
    C. F. F. Karney, Algorithms for geodesics, Journal of Geodesy 87 (2013) 43-55, as
    implemented in PROJ. Each polygon is summed by itself, so the loop is over polygons.

    Examples
    --------
    >>> import geopandas as gpd
    >>> haul = gpd.GeoSeries([shapely.box(0, 0, 0.001, 0.001)], crs="EPSG:4326")
    >>> ellipsoidal_area_m2(haul).round(0).tolist()
    [12309.0]
    """
    crs = read_crs(polygons.crs)
    geod = crs.get_geod()
    geodetic = crs.geodetic_crs
    if geod is None or geodetic is None:
        raise CrsError(f"The CRS {crs.name} has no ellipsoid; give one of the earth.")
    frame = polygons.to_frame("geometry")
    if not crs.is_geographic:
        flat = geodetic if len(geodetic.axis_info) == 2 else geodetic.to_2d()
        frame, _, _ = transform_frame(frame, flat)
    shapes = shapely.orient_polygons(shapely.force_2d(np.asarray(frame.geometry)))
    areas = [
        np.nan if shape is None else abs(geod.geometry_area_perimeter(shape)[0]) for shape in shapes
    ]
    return pd.Series(areas, index=polygons.index, name="area_m2", dtype=np.float64)
