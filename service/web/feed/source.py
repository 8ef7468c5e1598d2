"""What a collection hands to the routes: pages of features, and its extent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj

if TYPE_CHECKING:
    import geopandas as gpd

    from service.store import Store

__all__ = ["Extent", "Page"]

_DECIMALS = 5  # of degrees, rounded outward


@dataclass(frozen=True)
class Page:
    """Features of one page, with the keys of its ends."""

    frame: gpd.GeoDataFrame  # index = feature ids, in the store's CRS
    first: tuple[Any, ...]  # empty when the page is
    last: tuple[Any, ...]
    has_previous: bool
    has_next: bool


@dataclass(frozen=True)
class Extent:
    """Where and when all features of a collection lie; None = unknown or open."""

    box: tuple[float, float, float, float] | None = None  # store's CRS [m]
    period: tuple[str | None, str | None] = (None, None)

    def degrees(self, store: Store) -> tuple[float, float, float, float] | None:
        """Box in degrees on WGS 84 that holds it; west > east crosses 180 degrees."""
        if self.box is None:
            return None
        transformer = pyproj.Transformer.from_crs(store.settings.crs, 4326, always_xy=True)
        edges = np.array(transformer.transform_bounds(*self.box, densify_pts=21))
        if not np.isfinite(edges).all():
            return None
        scale = 10.0**_DECIMALS
        low, high = np.floor(edges[:2] * scale) - 1, np.ceil(edges[2:] * scale) + 1
        west, south, east, north = (np.concatenate([low, high]) / scale).tolist()
        return (max(west, -180.0), max(south, -90.0), min(east, 180.0), min(north, 90.0))
