"""Coordinate reference systems: metres or not, transformation with its stated accuracy."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
import pyproj
import shapely
from pyproj.enums import TransformDirection
from pyproj.exceptions import CRSError as ProjCrsError
from pyproj.exceptions import ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from layers.errors import CrsError

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import ArrayLike

    from layers.arrays import Bools, Floats

__all__ = [
    "DEGREE_DECIMALS",
    "Box",
    "CrsLike",
    "Operation",
    "choose_operation",
    "crs_key",
    "crs_label",
    "degree_box",
    "looks_swapped",
    "metre_fault",
    "outside_area_of_use",
    "read_crs",
    "require_metres",
    "require_same_crs",
    "rounded",
    "transform_frame",
]

# What people write for a CRS: EPSG number, authority text, WKT or the object itself.
CrsLike: TypeAlias = pyproj.CRS | str | int | None
DEGREE_DECIMALS: Final = 7  # about a centimetre of latitude; RFC 7946, section 11.2
_METRE_DECIMALS: Final = 3


def read_crs(crs: CrsLike) -> pyproj.CRS:
    """Understand a CRS given as EPSG code, authority text, WKT or `pyproj.CRS`.

    Raises
    ------
    CrsError
        It is missing or unknown.

    Examples
    --------
    >>> read_crs("EPSG:25830").name
    'ETRS89 / UTM zone 30N'
    """
    if crs is None or (isinstance(crs, str) and not crs.strip()):
        raise CrsError("No CRS is stated; give one, for example EPSG:25830.")
    try:
        return pyproj.CRS.from_user_input(crs)
    except ProjCrsError as problem:
        raise CrsError(
            f"The CRS {str(crs)[:80]!r} is unknown; give an EPSG code such as EPSG:25830."
        ) from problem


def require_metres(crs: CrsLike, *, what: str = "frame") -> pyproj.CRS:
    """Make sure that lengths in a CRS are metres on the ground.

    Parameters
    ----------
    crs
        Anything that :func:`read_crs` understands.
    what
        What has this CRS, for the message.

    Returns
    -------
    pyproj.CRS

    Raises
    ------
    CrsError
        The CRS is missing, unknown, geographic, geocentric, in another unit than the metre,
        or a Mercator projection for web tiles, whose lengths grow by 1/cos(latitude).

    Examples
    --------
    >>> require_metres("EPSG:3857", what="reaches")
    Traceback (most recent call last):
    layers.errors.CrsError: The CRS of reaches, EPSG:3857 (WGS 84 / Pseudo-Mercator), stretches \
lengths by 1/cos(latitude); use a projected CRS of the area, for example its UTM zone.
    """
    known = read_crs(crs)
    fault = metre_fault(known)
    if fault:
        raise CrsError(
            f"The CRS of {what}, {crs_label(known)}, {fault}; "
            "use a projected CRS of the area, for example its UTM zone."
        )
    return known


def require_same_crs(first: CrsLike, second: CrsLike, *, what: str) -> None:
    """Make sure that two frames are in one CRS.

    Raises
    ------
    CrsError
        One is missing, or the two differ; the message names both.
    """
    one, two = read_crs(first), read_crs(second)
    if one != two and not one.equals(two, ignore_axis_order=True):
        raise CrsError(
            f"CRS mismatch, {what}: {crs_label(one)} and {crs_label(two)}; "
            "transform one of them to the other first."
        )


@lru_cache(maxsize=64)
def metre_fault(crs: pyproj.CRS) -> str | None:
    """Say why lengths in a CRS are not metres on the ground; None where they are."""
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if not flat.is_projected:
        return "is in degrees" if flat.is_geographic else "is not projected"
    units = {(axis.unit_name or "?") for axis in flat.axis_info}
    factors = [axis.unit_conversion_factor for axis in flat.axis_info]
    if any(abs(factor - 1.0) > 1e-12 for factor in factors):
        return f"is in {' and '.join(sorted(units))}, not metres"
    plain = flat.source_crs if flat.is_bound and flat.source_crs is not None else flat
    operation = plain.coordinate_operation
    name = operation.method_name.lower() if operation is not None else ""
    if "pseudo mercator" in name or name.startswith("mercator"):
        return "stretches lengths by 1/cos(latitude)"
    return None


def crs_key(crs: CrsLike) -> str:
    """Code of a CRS, or its WKT where it has none."""
    known = read_crs(crs)
    authority = known.to_authority()
    return ":".join(authority) if authority else known.to_wkt()


def crs_label(crs: pyproj.CRS) -> str:
    """Code and name of a CRS, as messages give it."""
    authority = crs.to_authority()
    return f"{':'.join(authority)} ({crs.name})" if authority else crs.name


Box: TypeAlias = tuple[float, float, float, float]  # west, south, east, north in degrees


@dataclass(frozen=True)
class Operation:
    """One way from one CRS to another.

    Attributes
    ----------
    name
        As registered; says so where a better one lacks its shift grid.
    accuracy_m
        As stated; NaN where none is stated. Projecting alone is exact: 0. [m]
    definition
        PROJ pipeline, easting or longitude first; empty where there is nothing to do.
    area
        For where it was chosen; missing where the CRS state none.
    """

    name: str
    accuracy_m: float
    definition: str
    area: Box | None = None

    def __str__(self) -> str:
        known = self.accuracy_m == self.accuracy_m
        stated = f"stated accuracy {self.accuracy_m:g} m" if known else "accuracy unknown"
        return f"{self.name!r}, {stated}"

    def move(self, x: ArrayLike, y: ArrayLike, *, inverse: bool = False) -> tuple[Floats, Floats]:
        """Transform coordinates, (n,), or take them back: easting or longitude first.

        Missing and infinite ones come out missing, as does what the operation is not defined for.

        Raises
        ------
        CrsError
            The operation needs a shift grid that is not installed here.
        """
        xs = np.atleast_1d(np.asarray(x, np.float64))
        ys = np.atleast_1d(np.asarray(y, np.float64))
        usable = np.isfinite(xs) & np.isfinite(ys)
        out_x, out_y = np.full(xs.shape, np.nan), np.full(ys.shape, np.nan)
        if not self.definition:
            out_x[usable], out_y[usable] = xs[usable], ys[usable]
            return out_x, out_y
        try:
            pipeline = _pipeline(self.definition)
        except ProjError as problem:
            raise CrsError(
                f"The operation {self.name!r}, by which places were transformed before, cannot be "
                "done here; install the shift grid that it needs."
            ) from problem
        direction = TransformDirection.INVERSE if inverse else TransformDirection.FORWARD
        new_x, new_y = pipeline.transform(xs[usable], ys[usable], direction=direction)
        if inverse:  # a datum shift leaves heights out and is back to a millimetre only
            there = pipeline.transform(new_x, new_y)
            again_x, again_y = pipeline.transform(*there, direction=direction)
            new_x, new_y = 2 * new_x - again_x, 2 * new_y - again_y
        good = np.isfinite(new_x) & np.isfinite(new_y)
        out_x[usable] = np.where(good, new_x, np.nan)
        out_y[usable] = np.where(good, new_y, np.nan)
        return out_x, out_y


@lru_cache(maxsize=64)
def _pipeline(definition: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_pipeline(definition)


def choose_operation(source: CrsLike, target: CrsLike, *, area: Box | None = None) -> Operation:
    """Choose the operation from one CRS to another, whatever is to be moved by it.

    Parameters
    ----------
    source, target
        The two CRS.
    area
        For where it is to be good; by default the smaller area of use of the two CRS, so that
        the way back is by the same operation.

    Raises
    ------
    CrsError
        A CRS is unknown, or no operation joins the two.

    Notes
    -----
    EPSG lists several datum shifts for most pairs, by area and accuracy. The best one that
    can be done here for the area is taken (PROJ's order: area, then accuracy).

    Examples
    --------
    >>> choose_operation("EPSG:4230", "EPSG:25831").name
    'axis order change (2D) + ED50 to ETRS89 (10) + UTM zone 31N'
    """
    return _chosen(read_crs(source), read_crs(target), area)


@lru_cache(maxsize=256)
def _chosen(source: pyproj.CRS, target: pyproj.CRS, area: Box | None) -> Operation:
    if source == target:
        return Operation("none needed", 0.0, "")
    box = area or _smaller_area(source, target)
    with warnings.catch_warnings():  # said in the operation's name instead
        warnings.filterwarnings("ignore", message="Best transformation is not available")
        group = TransformerGroup(
            source,
            target,
            always_xy=True,
            area_of_interest=None if box is None else AreaOfInterest(*box),
        )
    if not group.transformers:
        raise CrsError(
            f"No transformation from {crs_label(source)} to {crs_label(target)} can be done here; "
            "give the positions in another CRS."
        )
    best = group.transformers[0]
    if best.accuracy < 0:  # by the grids alone; perhaps a known shift leads over WGS 84
        best = _stepwise(source, target, box) or best
    name = best.description
    if not group.best_available:
        name += " (a better one needs a shift grid that is not installed)"
    accuracy = float(best.accuracy)
    return Operation(name, accuracy if accuracy >= 0 else float("nan"), best.definition, box)


def _stepwise(source: pyproj.CRS, target: pyproj.CRS, box: Box | None) -> pyproj.Transformer | None:
    """Find the operation that PROJ takes in the middle of an area; never a ballpark one."""
    if box is None or source.geodetic_crs is None:
        return None
    west, south, east, north = box
    middle = west + ((east - west) % 360) / 2, (south + north) / 2
    start = pyproj.Transformer.from_crs(source.geodetic_crs, source, always_xy=True)
    try:
        way = pyproj.Transformer.from_crs(
            source,
            target,
            always_xy=True,
            area_of_interest=AreaOfInterest(*box),
            allow_ballpark=False,
        )
        way.transform(*start.transform(*middle), errcheck=True)
        used = way.get_last_used_operation()
    except ProjError:
        return None
    return used if used.accuracy >= 0 else None


def _smaller_area(source: pyproj.CRS, target: pyproj.CRS) -> Box | None:
    boxes: list[tuple[float, Box]] = []
    for known in (source, target):
        area = known.area_of_use
        if area is not None:
            width = (area.east - area.west) % 360 or 360.0
            box = (area.west, area.south, area.east, area.north)
            boxes.append((width * (area.north - area.south), box))
    return min(boxes)[1] if boxes else None


def degree_box(frame: gpd.GeoDataFrame) -> Box | None:
    """Box of a frame's geometries in the degrees of its own datum; None where none is known."""
    known = read_crs(frame.crs)
    xy = shapely.get_coordinates(np.asarray(frame.geometry))
    geographic = known.geodetic_crs
    if not len(xy) or geographic is None or known.is_geocentric:
        return None
    lon, lat = pyproj.Transformer.from_crs(known, geographic, always_xy=True).transform(*xy.T)
    good = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90) & (np.abs(lon) <= 180)
    if not good.any():
        return None
    lon, lat = lon[good], lat[good]
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def transform_frame(
    frame: gpd.GeoDataFrame, target: CrsLike, *, operation: Operation | None = None
) -> gpd.GeoDataFrame:
    """Transform the geometries of a frame, by default as :func:`choose_operation` says.

    Returned is a copy in `target`; a third coordinate is dropped.

    Raises
    ------
    CrsError
        A CRS is missing or unknown, nothing joins the two, or a place cannot be transformed.
    """
    known = read_crs(target)
    shapes = shapely.force_2d(np.asarray(frame.geometry))
    xy = shapely.get_coordinates(shapes)
    way = operation or choose_operation(frame.crs, known)
    x, y = way.move(xy[:, 0], xy[:, 1])
    lost = np.isnan(x) & np.isfinite(xy).all(axis=1)
    if lost.any():
        raise CrsError(
            f"The place {xy[lost][0].tolist()} cannot be transformed from "
            f"{crs_label(read_crs(frame.crs))} to {crs_label(known)}; check the CRS of the file."
        )
    moved = shapely.set_coordinates(shapes.copy(), np.column_stack([x, y]))
    return frame.set_geometry(moved, crs=None).set_crs(known, allow_override=True)


def rounded(coordinates: ArrayLike, crs: CrsLike) -> Floats:
    """Round coordinates as files, the feed and pages give them.

    Parameters
    ----------
    coordinates
        Degrees or metres, of any shape.
    crs
        Their CRS: degrees keep 7 decimals, metres 3.

    Returns
    -------
    ndarray of float, of the same shape; never a negative zero

    Examples
    --------
    >>> rounded([-11.123456789, -1e-9], "EPSG:4326").tolist(), float(rounded(2.00051, 32629))
    ([-11.1234568, 0.0], 2.001)
    """
    decimals = DEGREE_DECIMALS if read_crs(crs).is_geographic else _METRE_DECIMALS
    degrees_or_metres = np.asarray(coordinates, np.float64)
    return np.asarray(np.round(degrees_or_metres, decimals) + 0.0, dtype=np.float64)


def outside_area_of_use(lon: ArrayLike, lat: ArrayLike, crs: CrsLike) -> Bools:
    """Tell which positions lie outside the area that a CRS is meant for.

    Parameters
    ----------
    lon, lat
        Degrees east and north, (n,). Missing values count as outside.
    crs
        A CRS; one that states no area of use is taken to be for the whole earth.

    Returns
    -------
    ndarray of bool, (n,)

    Examples
    --------
    >>> outside_area_of_use([-11.2, 3.0], [52.6, 52.6], "EPSG:32629").tolist()
    [False, True]
    """
    known = read_crs(crs)
    lons = np.atleast_1d(np.asarray(lon, np.float64))
    lats = np.atleast_1d(np.asarray(lat, np.float64))
    inside = (np.abs(lats) <= 90) & (np.abs(lons) <= 180)
    area = known.area_of_use
    if area is not None:
        inside &= (lats >= area.south) & (lats <= area.north)
        if area.west <= area.east:
            inside &= (lons >= area.west) & (lons <= area.east)
        else:  # the area crosses 180 degrees
            inside &= (lons >= area.west) | (lons <= area.east)
    return ~inside


def looks_swapped(lon: ArrayLike, lat: ArrayLike, crs: CrsLike) -> Bools:
    """Tell which positions fall into a CRS's area of use only with lon and lat exchanged.

    Examples
    --------
    >>> looks_swapped([52.6, -11.2], [-11.2, 52.6], "EPSG:32629").tolist()
    [True, False]
    """
    return outside_area_of_use(lon, lat, crs) & ~outside_area_of_use(lat, lon, crs)
