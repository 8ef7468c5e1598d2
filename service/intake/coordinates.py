"""Positions as recorded, and where they lie in the store's CRS.

A row gives its position once: longitude and latitude, easting and northing, or a geometry. Where
it gives two, they must agree. What was recorded is kept beside what it was transformed to, with
the name of the transformation and its stated accuracy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from layers.crs import (
    choose_operation,
    looks_swapped,
    outside_area_of_use,
    read_crs,
)
from layers.errors import CrsError
from service.intake.wording import say

if TYPE_CHECKING:
    from collections.abc import Callable

    import pyproj
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Objects
    from layers.crs import Operation
    from service.intake.findings import Cells
    from service.intake.wording import Wording

__all__ = ["read_positions"]

WGS84: Final = "EPSG:4326"
# Two positions of one row may differ by this, or by the stated uncertainty where that is larger.
# Common practice, no source: five decimals of a degree are about one metre. [m]
_AGREE_M: Final = 10.0
# A projected CRS still serves half a zone beyond its area of use, where a network goes on over its
# edge. Common practice, no source. [deg]
_MARGIN_DEG: Final = 3.0
_MADE_OF_SHAPES: Final = "(?i)collection|curve|surface"
_DEGREES_END: Final = 360.0  # [deg]


@dataclass
class Positions:
    """Positions of n placements.

    Attributes
    ----------
    point, shape
        In the store's CRS; None where there is none or it was refused.
    kind
        `point`, `ends`, `track`, `area`.
    original_x, original_y, original_crs
        The position as recorded (of a line its first vertex, of a polygon its centroid).
    original_shape
        Line or polygon as recorded.
    transformation, accuracy_m
        Name and stated accuracy of the transformation.
    """

    point: Objects
    shape: Objects
    kind: Objects
    original_x: Floats
    original_y: Floats
    original_crs: Objects
    original_shape: Objects
    transformation: Objects
    accuracy_m: Floats


@dataclass
class _Given:
    """Which kind of position each row gives."""

    lonlat: Bools
    grid: Bools
    geometry: Bools


def read_positions(
    cells: Cells,
    numbers: dict[str, Floats],
    survey_crs: pd.Series,
    store_crs: str,
    *,
    default_crs: str = "",
    into_store: Callable[[str], Operation],
) -> Positions:
    """Read the positions of a placement sheet.

    Parameters
    ----------
    numbers
        Columns of numbers of the sheet, read.
    survey_crs
        CRS of each row's survey, '' where it has none.
    store_crs
        CRS of the store, projected, in metres.
    default_crs
        CRS of rows that name none; goes before that of the survey.
    into_store
        Gives the operation from a CRS to the store's.
    """
    n = len(cells.frame)
    shapes = _read_geometries(cells)
    given = _given(cells, numbers, shapes)
    stated = cells.column("crs").to_numpy(object)
    fallback = survey_crs.to_numpy(object)
    crs = np.where(stated != "", stated, default_crs or fallback).astype(object)
    known, geographic = _understand(cells, crs)
    # Degrees beside a CRS in metres that the row did not name itself: WGS 84, as handhelds give.
    plain = given.lonlat & (stated == "") & known & ~geographic
    crs[plain | (given.lonlat & (crs == ""))] = WGS84
    known[crs == WGS84], geographic[crs == WGS84] = True, True
    _refuse_unfitting(cells, given, crs, stated, known, geographic)

    degrees, metres = given.lonlat & geographic, given.grid & ~geographic & ~given.lonlat
    lone_x, lone_y = (
        np.select([degrees, metres], [numbers[name], numbers[other]], np.nan)
        for name, other in (("longitude", "easting"), ("latitude", "northing"))
    )
    end_x, end_y = _ends(cells, numbers, given)
    at, corner = given.geometry & known, _corner(shapes)
    x = np.where(at, shapely.get_x(corner), lone_x)
    y = np.where(at, shapely.get_y(corner), lone_y)

    positions = Positions(
        point=np.full(n, None, dtype=object),
        shape=np.full(n, None, dtype=object),
        kind=_kinds(shapes, given, end_x),
        original_x=x,
        original_y=y,
        original_crs=_only(crs, known & np.isfinite(x)),
        original_shape=_original_shapes(shapes, x, y, end_x, end_y),
        transformation=np.full(n, None, dtype=object),
        accuracy_m=np.full(n, np.nan),
    )
    _transform(cells, positions, store_crs, into_store)
    _refuse_disagreeing(cells, numbers, positions, at & degrees, lone_x, lone_y, crs, into_store)
    return positions


def _read_geometries(cells: Cells) -> Objects:
    """Parse well-known text; only single points, lines and polygons that are valid remain."""
    text = cells.column("geometry")
    shapes = np.full(len(text), None, dtype=object)
    filled = (text != "").to_numpy(bool)
    if not filled.any():
        return shapes
    # The reader calls itself for each shape inside a shape, until the program falls over.
    read = filled & (text.str.count(_MADE_OF_SHAPES) < 2).to_numpy(bool)
    shapes[read] = shapely.force_2d(
        shapely.from_wkt(text.to_numpy(object)[read], on_invalid="ignore")
    )
    unread = filled & shapely.is_missing(shapes)
    cells.refuse(unread, "geometry", "geometry_unclear.text")
    single = shapely.get_num_geometries(shapes) == 1
    multi = single & (shapely.get_type_id(shapes) > 3)
    shapes[multi] = shapely.get_geometry(shapes[multi], 0)
    kind = shapely.get_type_id(shapes)
    empty = shapely.is_empty(shapes)
    odd = filled & ~unread & (empty | ~np.isin(kind, (0, 1, 3)))
    cells.refuse(odd, "geometry", "geometry_unclear.parts")
    wrong = filled & ~unread & ~odd & ~shapely.is_valid(shapes)
    if wrong.any():
        why = shapely.is_valid_reason(shapes[wrong])
        reasons = dict(zip(text.to_numpy(object)[wrong], why, strict=True))
        cells.refuse(
            wrong, "geometry", lambda value: say("geometry_unclear.invalid", reason=reasons[value])
        )
    shapes[odd | wrong] = None
    return shapes


def _given(cells: Cells, numbers: dict[str, Floats], shapes: Objects) -> _Given:
    written = {
        name: (cells.column(name) != "").to_numpy(bool)
        for name in ("longitude", "latitude", "easting", "northing", "geometry")
    }
    for first, second in (
        ("longitude", "latitude"),
        ("easting", "northing"),
        ("end_longitude", "end_latitude"),
        ("end_easting", "end_northing"),
    ):
        for one, other in ((first, second), (second, first)):
            half = (cells.column(one) != "") & (cells.column(other) == "")
            said = say("position_missing.half", given=one, lacking=other)
            cells.refuse(half, other, said)
    nothing = np.logical_and.reduce([~filled for filled in written.values()])
    nothing &= ~(cells.column("waypoint") != "").to_numpy(bool)
    cells.refuse(nothing, "longitude", "position_missing.any")
    return _Given(
        lonlat=np.isfinite(numbers["longitude"]) & np.isfinite(numbers["latitude"]),
        grid=np.isfinite(numbers["easting"]) & np.isfinite(numbers["northing"]),
        geometry=~shapely.is_missing(shapes),
    )


def _understand(cells: Cells, crs: Objects) -> tuple[Bools, Bools]:
    """Whether each row's CRS is known, and whether it is in degrees."""
    known = np.zeros(len(crs), dtype=bool)
    geographic = np.zeros(len(crs), dtype=bool)
    codes, uniques = pd.factorize(crs)
    for code, text in enumerate(uniques):
        if not text:
            continue
        rows = codes == code
        try:
            read = read_crs(text)
        except CrsError as problem:
            said = _with_its_colon(text) or say("crs_unknown.other", problem=problem)
            cells.refuse(rows, "crs", said, values=crs.tolist())
            continue
        known[rows], geographic[rows] = True, bool(read.is_geographic)
    return known, geographic


def _with_its_colon(text: str) -> Wording | None:
    """Say how EPSG 4326 is written; None where it is no such code."""
    fit = re.fullmatch(r"epsg[\s.:_\-]*(\d{4,5})", text, re.IGNORECASE | re.ASCII)
    try:
        known = fit and read_crs(f"EPSG:{fit[1]}")
    except CrsError:
        return None
    return say("crs_unknown.code", number=fit[1]) if fit and known else None


def _refuse_unfitting(
    cells: Cells, given: _Given, crs: Objects, stated: Objects, known: Bools, geographic: Bools
) -> None:
    metres_for_degrees = given.lonlat & known & ~geographic & (stated != "") & ~given.grid
    metres_for_degrees &= ~given.geometry
    cells.refuse(metres_for_degrees, "crs", "crs_unfitting.metres")
    degrees_for_metres = given.grid & known & geographic & ~given.lonlat & ~given.geometry
    cells.refuse(degrees_for_metres, "crs", "crs_unfitting.degrees", values=crs.tolist())
    nameless = (given.grid | given.geometry) & (crs == "")
    cells.refuse(nameless, "crs", "crs_unknown.missing")


def _ends(cells: Cells, numbers: dict[str, Floats], given: _Given) -> tuple[Floats, Floats]:
    """Take the far end, in the CRS of the position."""
    lon, lat = numbers["end_longitude"], numbers["end_latitude"]
    east, north = numbers["end_easting"], numbers["end_northing"]
    degrees = np.isfinite(lon) & np.isfinite(lat)
    metres = np.isfinite(east) & np.isfinite(north)
    astray = (degrees & ~given.lonlat) | (metres & ~(given.grid & ~given.lonlat))
    cells.refuse(
        astray,
        "end_longitude" if (degrees & ~given.lonlat).any() else "end_easting",
        "geometry_unclear.end",
    )
    x = np.where(degrees & given.lonlat, lon, np.where(metres & ~given.lonlat, east, np.nan))
    y = np.where(degrees & given.lonlat, lat, np.where(metres & ~given.lonlat, north, np.nan))
    return x, y


def _corner(shapes: Objects) -> Objects:
    """Find the position of a shape: the point, a line's start, a polygon's centroid."""
    kind = shapely.get_type_id(shapes)
    corner = shapes.copy()
    line, area = kind == 1, kind == 3
    corner[line] = shapely.get_point(shapes[line], 0)
    corner[area] = shapely.centroid(shapes[area])
    return corner


def _kinds(shapes: Objects, given: _Given, end_x: Floats) -> Objects:
    kind = np.full(len(shapes), "point", dtype=object)
    kind[np.isfinite(end_x) & ~given.geometry] = "ends"
    types = shapely.get_type_id(shapes)
    kind[types == 1], kind[types == 3] = "track", "area"
    return kind


def _only(values: Objects, which: Bools) -> Objects:
    kept = np.full(len(values), None, dtype=object)
    kept[which] = values[which]
    return kept


def _original_shapes(
    shapes: Objects, x: Floats, y: Floats, end_x: Floats, end_y: Floats
) -> Objects:
    drawn = _only(shapes, np.isin(shapely.get_type_id(shapes), (1, 3)))
    two = np.isfinite(end_x) & np.isfinite(x) & shapely.is_missing(shapes)
    if two.any():
        pairs = np.stack(
            [np.column_stack([x[two], y[two]]), np.column_stack([end_x[two], end_y[two]])], axis=1
        )
        drawn[two] = shapely.linestrings(pairs)
    return drawn


def _transform(
    cells: Cells, positions: Positions, store_crs: str, into_store: Callable[[str], Operation]
) -> None:
    """Transform every position and shape, one CRS at a time."""
    target = read_crs(store_crs)
    codes, uniques = pd.factorize(positions.original_crs)
    for code, text in enumerate(uniques):
        rows = np.flatnonzero(codes == code)
        source = read_crs(text)
        good = _refuse_outside(cells, rows, source, target, positions)
        rows = rows[good]
        if not len(rows):
            continue
        way = into_store(text)
        x, y = way.move(positions.original_x[rows], positions.original_y[rows])
        points = np.full(len(rows), None, dtype=object)
        fine = np.isfinite(x) & np.isfinite(y)
        points[fine] = shapely.points(x[fine], y[fine])
        positions.point[rows] = points
        positions.transformation[rows] = way.name
        positions.accuracy_m[rows] = way.accuracy_m
        drawn = rows[~shapely.is_missing(positions.original_shape[rows])]
        if len(drawn):
            own = positions.original_shape[drawn]
            xy = shapely.get_coordinates(own)
            new_x, new_y = way.move(xy[:, 0], xy[:, 1])
            fits = np.isfinite(new_x) & np.isfinite(new_y)
            if not fits.all():
                of_vertex = np.repeat(drawn, shapely.get_num_coordinates(own))
                broken = np.isin(np.arange(len(cells.frame)), of_vertex[~fits])
                cells.refuse(broken, "geometry", "position_outside.vertex")
                new_x, new_y = np.nan_to_num(new_x), np.nan_to_num(new_y)
            positions.shape[drawn] = shapely.set_coordinates(
                own.copy(), np.column_stack([new_x, new_y])
            )
    area = positions.kind == "area"
    area &= ~shapely.is_missing(positions.shape)
    positions.point[area] = shapely.centroid(positions.shape[area])


def _refuse_outside(
    cells: Cells,
    rows: NDArray[np.intp],
    source: pyproj.CRS,
    target: pyproj.CRS,
    positions: Positions,
) -> Bools:
    """Refuse positions outside the area of use of their CRS or of the store's."""
    x, y = positions.original_x[rows], positions.original_y[rows]
    lon, lat = _degrees(x, y, source)
    outside = outside_area_of_use(lon, lat, source)
    far = _far_outside(lon, lat, target)
    bad = outside | far
    if not bad.any():
        return ~bad
    if source.is_geographic:
        swapped = bad & looks_swapped(lon, lat, target)
    else:
        other_lon, other_lat = _degrees(y, x, source)
        swapped = bad & ~outside_area_of_use(other_lon, other_lat, source)
        swapped &= ~_far_outside(other_lon, other_lat, target)
    first, second = ("longitude", "latitude") if source.is_geographic else ("easting", "northing")
    column = first if (cells.column(first) != "").any() else "geometry"
    shown = np.full(len(cells.frame), "", dtype=object)
    shown[rows[bad]] = [f"{a:.10g} {b:.10g}" for a, b in zip(x[bad], y[bad], strict=True)]
    metres = mirrored = np.zeros(len(rows), dtype=bool)
    if source.is_geographic:
        metres = bad & ~swapped & (np.abs(x) > _DEGREES_END) & (np.abs(y) > _DEGREES_END)
        mirrored = bad & ~swapped & ~metres & ~_far_outside(-lon, lat, target)
    known = swapped | metres | mirrored
    # Only the second number can be wrong where any other in its place would do.
    stands = (cells.column(second) != "").to_numpy(bool)[rows]
    area = target.area_of_use
    middle = 0.0 if area is None else (area.south + area.north) / 2
    alone = far & ~known & stands & ~_far_outside(lon, np.full_like(lat, middle), target)
    everywhere = np.arange(len(cells.frame))
    said = say("position_outside.second", first=first, second=second, crs=target.name)
    cells.refuse(np.isin(everywhere, rows[alone]), second, said)
    known |= alone
    for which, said in (
        (swapped, say("position_outside.exchanged", first=first, second=second)),
        (metres, say("position_outside.metres")),
        (mirrored, say("position_outside.mirrored")),
        (outside & ~known, say("position_outside.own_crs", crs=source.name)),
        (far & ~outside & ~known, say("position_outside.store_crs", crs=target.name)),
    ):
        marked = np.isin(everywhere, rows[which])
        cells.refuse(marked, column, said, values=shown.tolist())
    return ~bad


def _far_outside(lon: Floats, lat: Floats, target: pyproj.CRS) -> Bools:
    """Outside by more than the margin: of the moves within it, none leads inside."""
    outside = outside_area_of_use(lon, lat, target)
    for east in (-_MARGIN_DEG, 0.0, _MARGIN_DEG):
        for north in (-_MARGIN_DEG, 0.0, _MARGIN_DEG):
            if not outside.any():
                return outside
            at = np.flatnonzero(outside)
            outside[at] = outside_area_of_use(lon[at] + east, lat[at] + north, target)
    return outside


def _degrees(x: Floats, y: Floats, source: pyproj.CRS) -> tuple[Floats, Floats]:
    if source.is_geographic:
        return x, y
    lon, lat = choose_operation(source, WGS84).move(x, y)
    return lon, lat


def _refuse_disagreeing(
    cells: Cells,
    numbers: dict[str, Floats],
    positions: Positions,
    both: Bools,
    lon: Floats,
    lat: Floats,
    crs: Objects,
    into_store: Callable[[str], Operation],
) -> None:
    """Refuse rows that give their position twice and mean two places."""
    rows = np.flatnonzero(both & ~shapely.is_missing(positions.point))
    if not len(rows):
        return
    apart = np.zeros(len(cells.frame), dtype=bool)
    allowed = np.fmax(np.nan_to_num(numbers["position_uncertainty_m"][rows]), _AGREE_M)
    for text in pd.unique(crs[rows]):
        own = rows[crs[rows] == text]
        x, y = into_store(text).move(lon[own], lat[own])
        point = positions.point[own]
        gone = np.hypot(x - shapely.get_x(point), y - shapely.get_y(point))
        apart[own] = gone > allowed[np.isin(rows, own)]
    cells.refuse(apart, "geometry", "position_twice.geometry")
