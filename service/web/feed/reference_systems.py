"""Coordinate reference systems by reference: OGC 18-058r1, "Features - Part 2".

Coordinates travel in the axis order that the definition of a CRS gives (latitude first for
EPSG:4326), boxes too. CRS84 is WGS 84 with longitude first, and what is meant where no CRS is
named.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pyproj
import shapely

from layers.crs import choose_operation, outside_area_of_use, read_crs, rounded
from layers.drawing.geojson import box_shapes, to_wgs84
from service.answers.features import BOX_MARGIN_M, Box, store_box
from service.answers.map_views import network_bounds
from service.errors import RequestError

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Objects
    from service.settings import Settings
    from service.store import Store

__all__ = [
    "CRS84",
    "Area",
    "ReferenceSystem",
    "accuracy_words",
    "offered",
    "read_area",
    "read_system",
    "storage_uri",
]

CRS84: Final = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
_EPSG: Final = "http://www.opengis.net/def/crs/{}/0/{}"
# A side of a box is a curve in another CRS: followed closely, and a tenth added all around.
_DENSIFY: Final = 21
_FOLLOWED: Final = 100  # points on each side, where its curve is to be known closely


@dataclass(frozen=True)
class ReferenceSystem:
    """One CRS that the feed speaks."""

    uri: str
    crs: pyproj.CRS
    swapped: bool  # whether the northing or latitude comes first

    @property
    def geographic(self) -> bool:
        """Whether coordinates are degrees."""
        return bool(self.crs.is_geographic)

    def place(self, geometries: Objects, source: pyproj.CRS) -> Objects:
        """Transform geometries and round them, easting or longitude first.

        What cannot be transformed is missing, as are empty geometries. On WGS 84 geometries
        are cut at 180 degrees.
        """
        if self.geographic and self.crs.equals(_WGS84, ignore_axis_order=True):
            return to_wgs84(geometries, source)
        flat = shapely.force_2d(np.asarray(geometries, dtype=object))
        xy = shapely.get_coordinates(flat)
        if len(xy) and not source.equals(self.crs, ignore_axis_order=True):
            xy = np.column_stack(choose_operation(source, self.crs).move(xy[:, 0], xy[:, 1]))
        good = np.isfinite(xy).all(axis=1)
        count = shapely.get_num_coordinates(flat)
        owner = np.repeat(np.arange(len(flat)), count)
        bad = np.bincount(owner[~good], minlength=len(flat)) > 0
        placed = shapely.set_coordinates(
            flat.copy(), rounded(np.where(good[:, None], xy, 0), self.crs)
        )
        placed[(count == 0) | bad] = None
        return np.asarray(shapely.orient_polygons(placed), dtype=object)

    def positions(self, points: Objects, source: pyproj.CRS) -> tuple[Floats, Floats]:
        """Transform points and round them as :meth:`place` does; missing where that fails."""
        x, y = shapely.get_x(points), shapely.get_y(points)
        if len(x) and not source.equals(self.crs, ignore_axis_order=True):
            x, y = choose_operation(source, self.crs).move(x, y)
        return rounded(x, self.crs), rounded(y, self.crs)

    def written(self, placed: Objects) -> Objects:
        """Turn placed geometries into the axis order of the definition."""
        if not self.swapped:
            return placed
        return np.asarray(shapely.transform(placed, lambda at: at[:, ::-1]), dtype=object)


_WGS84: Final = pyproj.CRS.from_epsg(4326)


@lru_cache(maxsize=32)
def _system(code: str) -> ReferenceSystem | None:
    crs = read_crs(code)
    authority = crs.to_authority(min_confidence=100)
    if authority is None:
        return None
    first = crs.axis_info[0].direction if crs.axis_info else "east"
    return ReferenceSystem(_EPSG.format(*authority), crs, first in ("north", "south"))


def offered(store: Store, settings: Settings) -> tuple[ReferenceSystem, ...]:
    """CRS that a feed offers: CRS84, EPSG:4326, the store's own, and what `feed_crs` names."""
    codes = ["EPSG:4326", store.settings.crs]
    codes += [code.strip() for code in settings.feed_crs.split(",") if code.strip()]
    systems = {CRS84: ReferenceSystem(CRS84, _WGS84, swapped=False)}
    for code in codes:
        system = _system(code)
        if system is not None:
            systems.setdefault(system.uri, system)
    return tuple(systems.values())


def storage_uri(store: Store) -> str | None:
    """URI of the CRS in which places are kept; None where it has no code."""
    system = _system(store.settings.crs)
    return None if system is None else system.uri


def accuracy_words(store: Store, system: ReferenceSystem) -> str:
    """How places get from the store's CRS into another, and how exact that is said to be."""
    if read_crs(store.settings.crs).area_of_use is None:
        return ""
    way = choose_operation(store.settings.crs, system.crs)
    exact = np.isfinite(way.accuracy_m)
    stated = f"stated accuracy {way.accuracy_m:g} m" if exact else "no stated accuracy"
    return f"{way.name}; {stated}"


def read_system(
    text: str, name: str, systems: tuple[ReferenceSystem, ...], store: Store
) -> ReferenceSystem:
    """Find the CRS that a parameter names by its URI.

    Raises RequestError where the feed does not offer it (requirements /req/crs/fc-crs-valid-value
    and /req/crs/fc-bbox-crs-valid-value), or the network lies far outside its area of use.
    """
    for system in systems:
        if system.uri == text:
            if meant := _area_missed(system, store):
                raise RequestError(
                    f"{name} {text!r} is meant for this area: {meant}. The streams of this store "
                    "lie far outside, where its coordinates would be wrong or missing; name "
                    f"another CRS, such as {CRS84}."
                )
            return system
    raise RequestError(
        f"{name} {text!r} is not offered; there are {', '.join(known.uri for known in systems)}."
    )


def _area_missed(system: ReferenceSystem, store: Store) -> str:
    """Name of the area that a CRS is meant for, where all of the network lies far outside it.

    A projection stays good for some way beyond its area, and officers use their own for waters
    next to it: far is farther than the area is wide and high (common practice, no source).
    """
    area = system.crs.area_of_use
    if (
        area is None
        or system.crs.equals(_WGS84, ignore_axis_order=True)
        or system.uri == storage_uri(store)
    ):
        return ""
    bounds = network_bounds(store)
    if bounds is None:
        return ""
    west, south, east, north = bounds
    wide, high = (area.east - area.west) % 360 or 360, area.north - area.south
    lon, lat = np.meshgrid(
        np.linspace(west - wide, east + wide, 21), np.linspace(south - high, north + high, 21)
    )
    around = (lon.ravel() + 180) % 360 - 180
    missed = outside_area_of_use(around, lat.ravel(), system.crs).all()
    return area.name.rstrip(".") if missed else ""


@dataclass(frozen=True)
class Area:
    """A box in one of the offered CRS, easting or longitude first; west > east crosses 180°."""

    system: ReferenceSystem
    box: Box

    def meets(self, geometries: Objects, source: pyproj.CRS) -> Bools:
        """Which geometries meet the box, as they are shown in its CRS; without place: all do."""
        known = ~shapely.is_missing(geometries)
        if (shapely.get_type_id(geometries[known]) == shapely.GeometryType.POINT).all():
            return self._holds(geometries, source)
        placed = self.system.place(geometries, source)
        drawn = shapely.union_all(box_shapes(*self.box))
        shapely.prepare(drawn)
        met = shapely.intersects(drawn, placed) | shapely.is_missing(placed)
        return np.asarray(met, dtype=bool)

    def _holds(self, points: Objects, source: pyproj.CRS) -> Bools:
        """Do the same for points alone, by their numbers, which is much faster."""
        west, south, east, north = self.box
        nowhere = np.asarray(shapely.is_missing(points) | shapely.is_empty(points), dtype=bool)
        x, y = self.system.positions(points[~nowhere], source)
        if self.system.geographic:
            x = np.where(np.abs(x) > 180, (x + 180) % 360 - 180, x)
        across = (x >= west) | (x <= east) if west > east else (x >= west) & (x <= east)
        met = nowhere.copy()
        # What cannot be transformed is shown without a place, and meets every box.
        met[~nowhere] = (across & (y >= south) & (y <= north)) | ~np.isfinite(x + y)
        return met

    def near(self, store: Store) -> Box | None:
        """Box in the store's CRS [m] that surely holds this one; None where none is known."""
        if self.system.geographic:
            return store_box(store, self.box)
        crs = read_crs(store.settings.crs)
        if self.system.crs.equals(crs, ignore_axis_order=True):
            # Places are shown rounded to the millimetre.
            return (self.box[0] - 0.01, self.box[1] - 0.01, self.box[2] + 0.01, self.box[3] + 0.01)
        try:
            around = pyproj.Transformer.from_crs(self.system.crs, crs, always_xy=True)
            edges = around.transform_bounds(*self.box, densify_pts=_DENSIFY)
        except pyproj.exceptions.ProjError:
            return None
        west, south, east, north = edges
        if not np.isfinite(edges).all() or max(east - west, north - south) > 2_000_000:
            return None
        margin = 0.1 * max(east - west, north - south) + BOX_MARGIN_M
        return (west - margin, south - margin, east + margin, north + margin)

    def bounds(self, store: Store) -> tuple[Box, Box] | None:
        """Boxes in the store's CRS [m] around this one and within it; None where none are known.

        A point outside the first does not meet this one, a point in the second does.
        """
        crs = read_crs(store.settings.crs)
        way = choose_operation(crs, self.system.crs)
        west, south, east, north = self.box
        x, y = np.linspace((west, south), (east, north), _FOLLOWED).T
        left, right = (way.move(0 * y + edge, y, inverse=True)[0] for edge in (west, east))
        low, high = (way.move(x, 0 * x + edge, inverse=True)[1] for edge in (south, north))
        outer = np.array([left.min(), low.min(), right.max(), high.max()])
        inner = np.array([left.max(), low.max(), right.min(), high.min()])
        longest = np.max(outer[2:] - outer[:2])
        margin = np.array([1, 1, -1, -1]) * (0.001 * longest + BOX_MARGIN_M)
        outer, inner = outer - margin, inner + margin
        if not np.isfinite([outer, inner]).all() or (inner[:2] >= inner[2:]).any():
            return None
        rings = shapely.segmentize(shapely.box(*np.array([outer, inner]).T), longest / _FOLLOWED)
        around, within = (shapely.points(shapely.get_coordinates(ring)) for ring in rings)
        if self._holds(around, crs).any() or not self._holds(within, crs).all():
            return None  # as where a meridian or a pole comes between
        return tuple(outer.tolist()), tuple(inner.tolist())


def read_area(text: str, system: ReferenceSystem) -> Area:
    """Read a box of four or six numbers in the axis order of a CRS.

    Heights, third and sixth of six numbers, do not matter: features have none. RequestError for
    other numbers, off the globe, or with the corners exchanged.
    """
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) == 6:
        numbers = [numbers[0], numbers[1], numbers[3], numbers[4]]
    if len(numbers) != 4 or not np.isfinite(numbers).all():
        raise RequestError(
            f"bbox {text[:80]!r} is not four or six numbers; write the lower corner, then the "
            "upper one, with commas."
        )
    if system.swapped:
        numbers = [numbers[1], numbers[0], numbers[3], numbers[2]]
    west, south, east, north = numbers
    if south > north or (west > east and not system.geographic):
        raise RequestError(
            f"bbox {text[:80]!r} has its corners exchanged; give the lower one first."
        )
    if system.geographic and not (
        -180 <= west <= 180 and -180 <= east <= 180 and -90 <= south <= north <= 90
    ):
        raise RequestError(
            f"bbox {text[:80]!r} does not lie on the globe; longitudes run from -180 to 180, "
            "latitudes from -90 to 90."
        )
    return Area(system, (west, south, east, north))
