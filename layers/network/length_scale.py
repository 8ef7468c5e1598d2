"""How true the lengths of a network are in its CRS: planar against geodesic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pyproj
import shapely
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from layers.crs import CrsLike, crs_label, metre_fault, read_crs
from layers.errors import CrsError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Objects

__all__ = ["REFUSED_SHARE", "crs_length_error", "length_error", "unfitting_crs"]

# No source: a UTM zone is true to 0.1 % within its bounds, most national grids to 0.2 %. An
# error of 1 % is as much as careful digitising of a stream differs by.
NAMED_SHARE: Final = 0.002
REFUSED_SHARE: Final = 0.01
_SHORTEST_M: Final = 10.0  # of shorter lines rounding makes a good part of the length
_OF_LINES: Final = 0.99
_GRID: Final = 9


@dataclass(frozen=True)
class LengthError:
    """By which share planar lengths differ from geodesic ones; 0.01 is 1 % too long.

    Attributes
    ----------
    whole
        Of all lines together, negative where too short.
    single
        Unsigned; 99 of 100 lines of 10 m and more are at most so far off.
    """

    whole: float
    single: float

    @property
    def share(self) -> float:
        """The greater of the two, unsigned."""
        return max(abs(self.whole), self.single)


def length_error(lines: ArrayLike, crs: CrsLike) -> LengthError:
    """Compare the planar lengths of lines with those on the ellipsoid of their projected CRS.

    Infinite where lines lie where the projection is not defined.

    Raises
    ------
    CrsError
        The CRS is missing, unknown or without an ellipsoid.

    Notes
    -----
    Geodesics between successive vertices after Karney (2013), doi:10.1007/s00190-012-0578-z,
    as in `pyproj.Geod.inv`. Both lengths come from the same vertices, so their rounding cancels.

    Examples
    --------
    >>> line = shapely.LineString([(500_000, 6_000_000), (501_000, 6_000_000)])
    >>> round(length_error([line], "EPSG:25830").whole, 5)  # 0.9996 on the central meridian
    -0.0004
    """
    known = read_crs(crs)
    geographic, geod = known.geodetic_crs, known.get_geod()
    if geographic is None or geod is None:
        raise CrsError(f"The CRS {known.name} has no ellipsoid to measure lengths on.")
    parts, line = shapely.get_parts(np.asarray(lines, dtype=object), return_index=True)
    xy, part = shapely.get_coordinates(parts, return_index=True)
    lon, lat = pyproj.Transformer.from_crs(known, geographic, always_xy=True).transform(*xy.T)
    within = part[1:] == part[:-1]
    planar = np.hypot(*np.diff(xy, axis=0).T)[within]
    true = geod.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[2][within]
    count, owner = int(line.max()) + 1, line[part[1:][within]]
    planar_m = np.bincount(owner, weights=planar, minlength=count)
    true_m = np.bincount(owner, weights=np.where(np.isfinite(true), true, 0), minlength=count)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = planar_m / true_m
        off = np.abs(ratio - 1)[planar_m >= _SHORTEST_M]
        whole = float(planar_m.sum() / true_m.sum() - 1)
    single = float(np.quantile(off, _OF_LINES, method="higher")) if len(off) else 0.0
    return LengthError(whole, single)


def crs_length_error(crs: CrsLike) -> float:
    """Greatest error of lengths that a CRS makes anywhere in its area of use, as a share.

    By Tissot's indicatrix at a grid of 9 by 9 places; NaN where no area of use is stated.

    Examples
    --------
    >>> crs_length_error("EPSG:32629") < 0.002 < crs_length_error("EPSG:6933")
    True
    """
    known = read_crs(crs)
    area = known.area_of_use
    if area is None:
        return float("nan")
    east = area.east + (360 if area.east < area.west else 0)
    lon, lat = np.meshgrid(
        np.linspace(area.west, east, _GRID), np.linspace(area.south, area.north, _GRID)
    )
    factors = pyproj.Proj(known).get_factors(lon.ravel(), lat.ravel(), errcheck=False)
    scales = np.array([factors.tissot_semimajor, factors.tissot_semiminor])
    usable = np.isfinite(scales).all(axis=0)
    return float(np.abs(scales[:, usable] - 1).max()) if usable.any() else float("nan")


def unfitting_crs(
    lines: ArrayLike, crs: CrsLike, *, source: CrsLike = None
) -> tuple[LengthError, str] | None:
    """Say how far the lengths of a network are off in its projected CRS, and which CRS would fit.

    Parameters
    ----------
    source
        CRS of the file that the lines came from: the first to be offered where it fits, and its
        datum goes before WGS 84.

    Returns
    -------
    tuple or None
        The error and a sentence; None where no more than 0.2 % are off. Above
        `REFUSED_SHARE` lengths are not fit to be used.
    """
    known = read_crs(crs)
    given = np.asarray(lines, dtype=object)
    error = length_error(given, known)
    if error.share <= NAMED_SHARE:
        return None
    if np.isfinite(error.whole):
        error_words = (
            f"Lengths in {crs_label(known)} are {100 * abs(error.whole):.2f} % too "
            f"{'long' if error.whole > 0 else 'short'} over the whole network and up to "
            f"{100 * error.single:.2f} % off in single reaches, measured against the ellipsoid"
        )
    else:
        error_words = f"The reaches lie where {crs_label(known)} is not defined"
    fitting = _fitting(given, known, source)
    if fitting is None:
        return error, f"{error_words}; a CRS made for the area would keep them true."
    return error, f"{error_words}; a store in {crs_label(fitting)} would keep them true."


def _fitting(lines: Objects, crs: pyproj.CRS, source: CrsLike) -> pyproj.CRS | None:
    """Find a CRS in metres that keeps lengths true: the file's own, else the UTM zone."""
    origin = crs if source is None else read_crs(source)
    geographic = crs.geodetic_crs
    assert geographic is not None  # length_error refused it  # noqa: S101
    xy = shapely.get_coordinates(lines)
    to_degrees = pyproj.Transformer.from_crs(crs, geographic, always_xy=True)
    lon, lat = (float(np.median(degrees)) for degrees in to_degrees.transform(*xy.T))
    if not (np.isfinite(lon) and np.isfinite(lat)):
        return None
    candidates = [] if metre_fault(origin) else [origin]
    place = AreaOfInterest(lon, lat, lon, lat)
    datums = [known.geodetic_crs.name for known in (origin, crs) if known.geodetic_crs is not None]
    for datum in (*datums, "WGS 84"):
        zones = query_utm_crs_info(datum, area_of_interest=place, contains=True)
        # Not those of later realizations, nor of northing before easting.
        own = [zone for zone in zones if zone.name.startswith(f"{datum} / UTM")]
        plain = sorted({int(zone.code) for zone in own if "(" not in zone.name})
        candidates += [pyproj.CRS.from_epsg(code) for code in plain]
    for candidate in candidates:
        mover = pyproj.Transformer.from_crs(crs, candidate, always_xy=True)
        moved = shapely.set_coordinates(lines.copy(), np.column_stack(mover.transform(*xy.T)))
        if length_error(moved, candidate).share <= NAMED_SHARE:
            return candidate
    return None
