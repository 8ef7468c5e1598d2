"""Writing GeoJSON as RFC 7946 requires: WGS 84, right-hand rings, cut at 180 degrees.

Frames come in any CRS and leave as text in bytes. Whatever is not a number, a time or a
text of the frame is not written; geometry without a position is written as null.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from typing import TYPE_CHECKING, Any, Final

import antimeridian
import numpy as np
import orjson
import pandas as pd
import pyproj
import shapely

from layers.coded import uncoded
from layers.crs import choose_operation, read_crs, rounded
from layers.errors import FrameError
from layers.network.cutting import ReachLines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import geopandas as gpd

    from layers.arrays import Bools, Floats, Ints, Objects
    from layers.crs import CrsLike

__all__ = [
    "MEDIA_TYPE",
    "bounding_box",
    "box_around",
    "box_shapes",
    "feature_collection",
    "feature_stream",
    "feature_texts",
    "property_values",
    "to_wgs84",
]

MEDIA_TYPE: Final = "application/geo+json"  # RFC 7946, section 12
# Features written in one go: many are faster than one by one, more no faster still.
_AT_ONCE: Final = 200
_MANY_VERTICES: Final = 10_000  # of one feature, which is a piece of its own
_MANY_REACHES: Final = 4_000  # of one line: about a megabyte of text
_OPENED: Final = b'{"type":"MultiLineString","coordinates":['
# Types of geometries without rings, as Shapely numbers them; -1 is missing.
_WITHOUT_RINGS: Final = (-1, 0, 1, 2, 4, 5)
# Members that RFC 7946, section 7.1, keeps for itself.
_OWN_MEMBERS: Final = frozenset(
    ["type", "features", "bbox", "geometry", "geometries", "coordinates", "properties", "crs"]
)
# Times are written by us, as RFC 3339 text in UTC.
_JSON: Final = (
    orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS | orjson.OPT_PASSTHROUGH_DATETIME
)


def to_wgs84(geometries: Objects, crs: CrsLike) -> Objects:
    """Turn geometries into what RFC 7946 lets a GeoJSON text contain.

    Parameters
    ----------
    geometries
        n Shapely geometries in `crs`, missing ones allowed, (n,).

    Returns
    -------
    ndarray of object, (n,)
        Longitude and latitude on WGS 84 in degrees with 7 decimals, two dimensions, outer
        rings counter-clockwise, cut where they cross 180 degrees. Missing where the geometry
        is missing, empty or cannot be transformed.

    Notes
    -----
    RFC 7946 (2016), sections 3.1.1, 3.1.6, 3.1.9 and 4. Two neighbouring vertices more than
    180 degrees of longitude apart mean a line that crosses the antimeridian.

    Examples
    --------
    >>> line = shapely.LineString([(170, 45), (-170, 45)])
    >>> to_wgs84(np.array([line]), "EPSG:4326")[0].wkt
    'MULTILINESTRING ((170 45, 180 45), (-180 45, -170 45))'
    """
    source = read_crs(crs)
    flat: Objects = np.array(geometries, dtype=object)
    xy = shapely.get_coordinates(flat)
    if not source.equals(pyproj.CRS.from_epsg(4326), ignore_axis_order=True):
        xy = np.column_stack(choose_operation(source, 4326).move(xy[:, 0], xy[:, 1]))
    usable = _known(flat, xy)
    xy = np.where(np.isfinite(xy), xy, 0.0)
    owner = np.repeat(np.arange(len(flat)), shapely.get_num_coordinates(flat))
    cut = {row: flat[row] for row in _across(xy, owner) if usable[row]}
    placed: Objects = shapely.set_coordinates(flat, rounded(xy, 4326))
    placed[~usable] = None
    for row, geometry in cut.items():
        whole = shapely.set_coordinates(geometry, xy[owner == row])
        placed[row] = shapely.transform(_cut_one(whole), lambda at: rounded(at, 4326))
    if np.isin(shapely.get_type_id(placed), _WITHOUT_RINGS).all():
        return placed
    return np.asarray(shapely.orient_polygons(placed), dtype=object)


def _known(geometries: Objects, xy: Floats) -> Bools:
    """Tell which geometries exist, have a position, and have only finite ones on the globe."""
    count = shapely.get_num_coordinates(geometries)
    good = np.isfinite(xy).all(axis=1) & (np.abs(xy[:, 1]) <= 90)
    owner = np.repeat(np.arange(len(geometries)), count)
    bad = np.bincount(owner[~good], minlength=len(geometries)) > 0
    known: Bools = (count > 0) & ~bad
    return known


def _across(xy: Floats, owner: Ints) -> list[int]:
    """Rows with an edge across 180 degrees, or beyond -180 … 180."""
    jump = (owner[1:] == owner[:-1]) & (np.abs(np.diff(xy[:, 0])) > 180)
    beyond = np.abs(xy[:, 0]) > 180
    rows: list[int] = np.union1d(owner[1:][jump], owner[beyond]).tolist()
    return rows


def _cut_one(geometry: shapely.Geometry) -> shapely.Geometry:
    """Cut what crosses 180 degrees, part by part.

    Edges are straight in longitude and latitude, as section 3.1.1 draws a line between
    positions, not great circles.
    """
    if geometry.geom_type in ("Point", "MultiPoint"):
        return shapely.transform(
            geometry, lambda at: np.column_stack([(at[:, 0] + 180) % 360 - 180, at[:, 1]])
        )
    if geometry.geom_type == "GeometryCollection":
        return shapely.GeometryCollection([_cut_one(part) for part in geometry.geoms])
    parts: list[shapely.Geometry] = []
    for part in shapely.get_parts(geometry):
        west, _, east, _ = part.bounds
        turns = 360 * np.floor((west + 180) / 360)
        if turns:
            part = shapely.transform(part, lambda at, turns=turns: at - [turns, 0])  # noqa: PLW2901
            west, east = west - turns, east - turns
        if east - west <= 180 and east <= 180:
            parts.append(part)
            continue
        whole = shapely.orient_polygons(_run_on(part)) if part.geom_type == "Polygon" else part
        cut = antimeridian.fix_shape(whole, great_circle=False, fix_winding=False)
        parts.extend(shapely.get_parts(shapely.geometry.shape(cut)))
    if len(parts) == 1:
        return parts[0]
    many = shapely.MultiPolygon if "Polygon" in geometry.geom_type else shapely.MultiLineString
    return many(parts)


def _run_on(polygon: shapely.Geometry) -> shapely.Geometry:
    """Rings that run on past 180 degrees, so that their winding can be computed."""
    return shapely.transform(
        polygon,
        lambda at: np.column_stack([np.where(at[:, 0] < 0, at[:, 0] + 360, at[:, 0]), at[:, 1]]),
    )


def bounding_box(geometries: Objects) -> list[float] | None:
    """Box around geometries on WGS 84: west, south, east, north in degrees.

    The smallest such box; across 180 degrees its west is greater than its east
    (RFC 7946, section 5.2). None where nothing has a place.

    Examples
    --------
    >>> bounding_box(shapely.points([[177, -20], [-178, -16]]))
    [177.0, -20.0, -178.0, -16.0]
    """
    shapes = np.asarray(geometries, dtype=object)
    bounds = shapely.bounds(shapes)
    if np.nanmax(bounds[:, 2], initial=-180.0) - np.nanmin(bounds[:, 0], initial=180.0) > 180.0:
        bounds = shapely.bounds(shapely.get_parts(shapes))  # the widest gap may be within one
    return box_around(bounds)


def box_around(bounds: Floats) -> list[float] | None:
    """Give the same around boxes, (n, 4); those that are not finite have no place."""
    bounds = bounds[np.isfinite(bounds).all(axis=1)]
    if not len(bounds):
        return None
    south, north = float(bounds[:, 1].min()), float(bounds[:, 3].max())
    order = np.argsort(bounds[:, 0], kind="stable")
    west, east = bounds[order, 0], np.maximum.accumulate(bounds[order, 2])
    gaps = np.append(west[1:] - east[:-1], west[0] + 360.0 - east[-1])
    widest = int(np.argmax(gaps))
    if gaps[widest] <= gaps[-1]:  # the wide gap is the one over 180 degrees
        return [float(west[0]), south, float(east[-1]), north]
    return [float(west[widest + 1]), south, float(east[widest]), north]


def property_values(column: pd.Series) -> list[Any]:
    """Values of one column as JSON knows them.

    Missing, NaN and infinite become None, times become RFC 3339 text in UTC, dates ISO 8601
    text; what is coded, its words. FrameError for what JSON has no word for.

    Examples
    --------
    >>> property_values(pd.Series([1.0, float("nan")])), property_values(pd.Series([True, False]))
    ([1.0, None], [True, False])
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = uncoded(column)
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        zone = "" if column.dt.tz is None else "Z"
        moments = column.dt.tz_convert(None) if zone else column
        text = np.datetime_as_string(moments.to_numpy("datetime64[s]")).tolist()
        return [None if word == "NaT" else word + zone for word in text]
    if pd.api.types.is_float_dtype(column.dtype):
        numbers = column.to_numpy(dtype=np.float64, na_value=np.nan)
        plain: list[Any] = list(numbers.tolist())
        for row in np.flatnonzero(~np.isfinite(numbers)):
            plain[row] = None
        return plain
    values = _without_missing(column)
    if column.dtype == object:
        return [_plain(value, str(column.name)) for value in values]
    return values


def _plain(value: Any, column: str) -> Any:  # noqa: ANN401 - whatever a frame contains
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, pd.Timestamp):
        return value.tz_convert("UTC").isoformat().replace("+00:00", "Z")
    if isinstance(value, (dt.date, dt.datetime)):
        return value.isoformat()
    if isinstance(value, np.generic):
        return _plain(value.item(), column)
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(part, column) for part in value]
    if isinstance(value, dict):
        return {str(key): _plain(part, column) for key, part in value.items()}
    raise FrameError(f"column {column}: a {type(value).__name__} cannot be written as GeoJSON")


def feature_texts(
    frames: Iterable[gpd.GeoDataFrame],
    place: Callable[[Objects, CrsLike], Objects],
    extra: Mapping[str, Any] | None = None,
) -> Iterator[bytes]:
    """Write the rows of frames as Features, commas between them, in pieces of JSON text.

    A line of many reaches is drawn, placed and written some reaches at a time.

    Parameters
    ----------
    frames
        Their index is the features' `id`, columns other than geometry their properties.
    place
        Turns geometries in the CRS of a frame into those to be written, with coordinates in the
        order in which they are to be read, (n,). Missing is written as null.
    extra
        Foreign members of every feature.
    """
    between = b""
    for rows in itertools.chain.from_iterable(map(_apart, frames)):
        shapes = rows.geometry.array
        if _is_long(shapes).any():
            text = next(_texts(rows, np.array([shapely.MultiLineString()]), extra))
            start, opened, end = text.partition(_OPENED)
            yield between + start + opened
            yield from _lines(shapes, place)
            yield end
            between = b",\n"
            continue
        for text in _texts(rows, place(np.asarray(shapes, object), rows.crs), extra):
            yield between + text
            between = b",\n"


def _is_long(shapes: Any) -> Bools:  # noqa: ANN401 - any array of shapes
    """Mark lines of so many reaches that they are not drawn at once."""
    long = isinstance(shapes, ReachLines)
    return shapes.count > _MANY_REACHES if long else np.zeros(len(shapes), bool)


def _apart(frame: gpd.GeoDataFrame) -> Iterator[gpd.GeoDataFrame]:
    """Cut a frame before and after each long line."""
    long = np.flatnonzero(_is_long(frame.geometry.array))
    edges = np.unique([0, *long, *(long + 1), len(frame)])
    return (frame.iloc[begin:end] for begin, end in itertools.pairwise(edges))


def _lines(line: ReachLines, place: Callable[[Objects, CrsLike], Objects]) -> Iterator[bytes]:
    """Write what lies between the brackets of one long line; reaches without place are left out."""
    between = b""
    for run in line.runs(_MANY_REACHES):
        (placed,) = place(np.asarray(run, object), run.crs)
        if placed is not None:
            whole = (
                shapely.MultiLineString([placed]) if placed.geom_type == "LineString" else placed
            )
            yield between + shapely.to_geojson(whole).encode()[len(_OPENED) : -len("]}")]
            between = b","


def _texts(
    frame: gpd.GeoDataFrame, geometries: Objects, extra: Mapping[str, Any] | None
) -> Iterator[bytes]:
    """Write rows, some at a time, with geometries in place of their own; commas within pieces."""
    attributes = frame.drop(columns=frame.geometry.name)
    names = [str(name) for name in attributes.columns]
    columns = [_natural_values(attributes[name]) for name in attributes.columns]
    ids = property_values(frame.index.to_series(name="id"))
    more = dict(extra or {})
    large = shapely.get_num_coordinates(geometries).max(initial=0) > _MANY_VERTICES
    at_once = 1 if large else _AT_ONCE
    for start in range(0, len(frame), at_once):
        part = slice(start, start + at_once)
        texts = shapely.to_geojson(geometries[part])
        cells = [values[part] for values in columns]
        try:
            yield _written(ids[part], texts, names, cells, more)
        except orjson.JSONEncodeError:  # a kind that has to be turned, or refused by its column
            cells = [property_values(attributes[name].iloc[part]) for name in attributes.columns]
            yield _written(ids[part], texts, names, cells, more)


def _natural_values(column: pd.Series) -> list[Any]:
    """Values as JSON knows them; lists and dicts as they are, since orjson writes those."""
    if column.dtype == object:
        return _without_missing(column)
    return property_values(column)


def _without_missing(column: pd.Series) -> list[Any]:
    """Values as they are, missing ones as None."""
    cells = column.to_numpy(dtype=object, copy=True)
    cells[column.isna().to_numpy()] = None
    values: list[Any] = cells.tolist()
    return values


def _written(
    ids: list[Any],
    texts: Objects,
    names: list[str],
    columns: list[list[Any]],
    extra: dict[str, Any],
) -> bytes:
    rows = zip(*columns, strict=True) if columns else itertools.repeat((), len(ids))
    text = orjson.dumps(
        [
            {
                "type": "Feature",
                "id": key,
                "geometry": None if text is None else orjson.Fragment(text),
                "properties": dict(zip(names, row, strict=True)),
                **extra,
            }
            for key, text, row in zip(ids, texts, rows, strict=True)
        ],
        option=_JSON,
    )
    # Quotes within a text are written with a backslash, so that this stands between features.
    return text[1:-1].replace(b'},{"type":"Feature","id":', b'},\n{"type":"Feature","id":')


def feature_collection(
    frame: gpd.GeoDataFrame, *, members: Mapping[str, Any] | None = None
) -> bytes:
    """One frame in any CRS as a FeatureCollection with its bounding box, JSON text in UTF-8.

    Its index is the features' `id`, its columns their properties; `members` are foreign members of
    the collection (RFC 7946, section 6.1). Raises CrsError for geometry without a CRS, FrameError
    for what JSON has no word for.

    Examples
    --------
    >>> import geopandas as gpd
    >>> frame = gpd.GeoDataFrame({"n": [2]}, geometry=[None], index=["T1"], crs="EPSG:4326")
    >>> feature_collection(frame).decode()[40:].strip()
    '{"type":"Feature","id":"T1","geometry":null,"properties":{"n":2}}]}'
    """
    return b"".join(feature_stream([frame], members=members))


def feature_stream(
    frames: Iterable[gpd.GeoDataFrame], *, members: Mapping[str, Any] | None = None
) -> Iterator[bytes]:
    """Write one FeatureCollection from frames that come one after another, in pieces of JSON text.

    One frame at a time is in memory, each as for :func:`feature_collection`. The bounding box
    follows the features, since only then is it known; without any place it is left out. FrameError
    for a foreign member with a name that the standard keeps for itself (section 7.1).
    """
    foreign = dict(members or {})
    if clash := sorted(_OWN_MEMBERS & foreign.keys()):
        raise FrameError(
            f"members {', '.join(clash)} have another meaning in GeoJSON; choose other names"
        )
    yield b'{"type":"FeatureCollection",'
    for name, value in foreign.items():
        yield orjson.dumps(name) + b":" + orjson.dumps(_plain(value, name), option=_JSON) + b","
    yield b'"features":['
    boxes: list[shapely.Geometry] = []

    def place(shapes: Objects, crs: CrsLike) -> Objects:
        if crs is None and not shapely.is_missing(shapes).all():
            read_crs(None)
        placed = to_wgs84(shapes, crs or 4326)
        if around := bounding_box(placed):
            boxes.extend(box_shapes(*around))
        return placed

    yield from feature_texts(frames, place)
    box = bounding_box(np.array(boxes, dtype=object))
    yield b"]" + (b"" if box is None else b',"bbox":' + orjson.dumps(box)) + b"}\n"


def box_shapes(west: float, south: float, east: float, north: float) -> list[shapely.Geometry]:
    """Draw a box in degrees as one rectangle, or two where it crosses 180 degrees."""
    if west <= east:
        return [shapely.box(west, south, east, north)]
    return [shapely.box(west, south, 180, north), shapely.box(-180, south, east, north)]
