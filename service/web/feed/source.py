"""What a collection hands to the routes: pages of features, and its extent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["Extent", "Page"]


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
