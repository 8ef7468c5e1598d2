"""Catchments: made ready, nested, and laid over reaches and positions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from layers.arrays import rows_of_runs
from layers.crs import (
    CrsLike,
    Operation,
    choose_operation,
    read_crs,
    require_metres,
    require_same_crs,
    transform_frame,
)
from layers.errors import CrsError, FrameError
from layers.plurals import counted
from layers.totals import ALL_IS_TOTALS, is_all

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Floats, Ints, Objects
    from layers.network.graph import Network

__all__ = ["ancestors", "catchment_of", "part_reaches", "prepare_catchments"]

# Pieces shorter than this are rounding at a boundary, not stream.
_SLIVER_M = 1e-6
# A boundary is searched in bits, so that a long one is not walked for every reach.
_BIT_VERTICES = 32
# Neighbouring layers are seldom drawn from the same vertices.
_NESTED_SHARE = 0.99


def prepare_catchments(
    raw: gpd.GeoDataFrame, crs: CrsLike, *, nest: bool = False, way: Operation | None = None
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Turn polygons as a file holds them into catchments, and say what was done.

    Parameters
    ----------
    raw
        Polygons or MultiPolygons with a column (or index) `catchment_id`; optional `name` and
        `parent_id`; other columns are kept. In longitude and latitude they may cross 180°.
    crs
        The projected CRS, in metres, that the catchments shall have.
    nest
        Where `parent_id` is missing, take the smallest larger catchment that holds at least
        99 % of the area.
    way
        The operation from the CRS of the polygons; see `layers.crs.choose_operation`.

    Returns
    -------
    catchments
        By `catchment_id`, in `crs`, valid, with `name` and `parent_id`.
    notes
        What was changed, in words.

    Raises
    ------
    CrsError
        The polygons state no CRS, or `crs` is not in metres.
    FrameError
        An id is missing or doubled, a shape is no polygon, or a parent is unknown or circular.
    """
    target = require_metres(crs, what="store")
    if raw.crs is None:
        raise CrsError("The catchments state no CRS; state one for the file, say EPSG:4326.")
    notes: list[str] = []
    frame = _by_id(raw)
    shapes = np.asarray(frame.geometry)
    _refuse_other_shapes(frame.index, shapes)
    if shapely.has_z(shapes).any():
        notes.append("Heights were dropped.")
        shapes = shapely.force_2d(shapes)
    if read_crs(frame.crs).is_geographic:
        shapes = _unwrapped(shapes, frame.index, notes)
    frame = frame.set_geometry(shapes, crs=frame.crs)
    if frame.crs != target:
        name = read_crs(frame.crs).name
        operation = way or choose_operation(frame.crs, target)
        frame = transform_frame(frame, target, operation=operation)
        notes.append(
            f"The polygons were in {name}; they were transformed to {target.name} by {operation}."
        )
    frame = frame.set_geometry(_valid(frame, notes), crs=target)
    for column in ("name", "parent_id"):
        given = frame[column] if column in frame else pd.Series(None, index=frame.index)
        frame[column] = given.astype("str").str.strip().replace("", None).astype("str")
    if nest:
        _nest(frame, notes)
    ancestors(frame)  # refuses unknown and circular parents
    return frame, notes


def ancestors(catchments: gpd.GeoDataFrame) -> pd.DataFrame:
    """List every catchment with itself and all catchments that hold it.

    Returns
    -------
    DataFrame
        `catchment_id`, `ancestor_id`, `steps` (0 for itself); sorted by these.

    Raises
    ------
    FrameError
        A parent is unknown, or a catchment would hold itself.

    Examples
    --------
    >>> import geopandas as gpd
    >>> frame = gpd.GeoDataFrame({"parent_id": [None, "A", "B"]}, index=["A", "B", "C"])
    >>> ancestors(frame).query("catchment_id == 'C'")["ancestor_id"].tolist()
    ['C', 'B', 'A']
    """
    ids = catchments.index.astype("str")
    parent = pd.Series(catchments["parent_id"].to_numpy(object), index=ids)
    unknown = parent[parent.notna() & ~parent.isin(ids)]
    if len(unknown):
        raise FrameError(
            f"The parent {unknown.iloc[0]!r} of catchment {unknown.index[0]!r} is not among the "
            "catchments; load it too, or leave parent_id empty."
        )
    up = np.append(ids.get_indexer(pd.Index(parent)), -1)
    rows = np.arange(len(ids))
    holder, parts, steps = rows.copy(), [], 0
    while len(rows):
        if steps > len(ids):
            raise FrameError(
                f"Catchment {ids[rows[0]]!r} would hold itself through parent_id; break the circle."
            )
        parts.append(pd.DataFrame({"row": rows, "holder": holder, "steps": steps}))
        holder = up[holder]
        rows, holder = rows[holder >= 0], holder[holder >= 0]
        steps += 1
    table = pd.concat(parts) if parts else pd.DataFrame({"row": [], "holder": [], "steps": []})
    table = table.astype("int64").sort_values(["row", "steps"], ignore_index=True)
    return pd.DataFrame(
        {
            "catchment_id": ids[table["row"]],
            "ancestor_id": ids[table["holder"]],
            "steps": table["steps"],
        }
    )


def catchment_of(
    positions: gpd.GeoDataFrame | gpd.GeoSeries, catchments: gpd.GeoDataFrame
) -> pd.Series:
    """Smallest catchment that holds each position; missing outside all and for missing positions.

    Of equally large ones the deeper nested, then the lower id is taken.

    Parameters
    ----------
    positions
        n points, or polygons that have to lie in it whole, in the CRS of `catchments`; a point
        on a boundary lies in both sides.

    Raises
    ------
    CrsError
        A CRS is missing, or the two differ.
    """
    require_same_crs(positions.crs, catchments.crs, what="positions and catchments")
    ids = _ids(catchments, _smallest(np.asarray(positions.geometry), catchments))
    return pd.Series(ids, index=positions.index, name="catchment_id", dtype="str")


def _ids(catchments: gpd.GeoDataFrame, rows: Ints) -> Objects:
    ids = np.full(len(catchments) + 1, None, dtype=object)
    ids[:-1] = catchments.index.to_numpy(object)
    return ids[rows]  # row -1 is the missing one


def _smallest(points: Objects, catchments: gpd.GeoDataFrame) -> Ints:
    """Row of the smallest catchment that holds each point or square; −1 outside all."""
    best = np.full(len(points), -1, np.int64)
    if len(catchments) == 0 or len(points) == 0:
        return best
    shapes = np.asarray(catchments.geometry)
    depth = np.zeros(len(shapes))
    if "parent_id" in catchments:
        levels = ancestors(catchments).groupby("catchment_id")["steps"].max()
        depth = levels.reindex(catchments.index.astype("str")).to_numpy(np.float64)
    ids = catchments.index.astype("str").to_numpy(object)
    by_id = np.argsort(np.argsort(ids))
    smallest_first = np.lexsort((by_id, -depth, shapely.area(shapes)))
    rank = np.argsort(smallest_first)
    # The polygons ask for the points: GEOS then prepares each polygon once.
    polygon, point = shapely.STRtree(points).query(shapes, predicate="covers")
    lowest = np.full(len(points), len(shapes), np.int64)
    np.minimum.at(lowest, point, rank[polygon])
    inside = lowest < len(shapes)
    best[inside] = smallest_first[lowest[inside]]
    return best


def part_reaches(network: Network, catchments: gpd.GeoDataFrame) -> pd.DataFrame:
    """Cut reaches at boundaries of catchments, which may nest, by measure.

    Returns
    -------
    DataFrame
        `reach_id`, `from_m`, `to_m` [m], `catchment_id`: the smallest catchment that holds the
        part, missing outside all. The parts of a reach follow one another from 0 to its length.

    Raises
    ------
    CrsError
        A CRS is missing, or the two differ.

    Notes
    -----
    Each reach is cut where it meets a boundary, and the middle of each piece decides which
    catchment it lies in; a piece along a boundary goes to the smaller side.
    """
    require_same_crs(network.crs, catchments.crs, what="network and catchments")
    lines = np.asarray(network.reaches.geometry)
    row, measure = _crossings(lines, catchments)
    m = len(lines)
    row = np.concatenate([np.arange(m), row, np.arange(m)])
    measure = np.concatenate([np.zeros(m), measure, network.length_m])
    order = np.lexsort((measure, row))
    row, measure = row[order], measure[order]
    piece = np.flatnonzero((row[1:] == row[:-1]) & (np.diff(measure) > _SLIVER_M))
    reach, start, end = row[piece], measure[piece].copy(), measure[piece + 1].copy()
    first = np.ones(len(reach), bool)
    first[1:] = reach[1:] != reach[:-1]
    last = np.append(first[1:], True) if len(reach) else first
    # Dropped slivers leave no gap: pieces begin where the one before ends.
    start[first] = 0.0
    end[last] = network.length_m[reach[last]]
    start[~first] = end[:-1][~first[1:]]
    middle = shapely.line_interpolate_point(lines[reach], (start + end) / 2)
    within = _smallest(middle, catchments)
    new = first.copy()
    new[1:] |= within[1:] != within[:-1]
    keep = np.flatnonzero(new)
    closing = np.append(keep[1:] - 1, len(reach) - 1) if len(reach) else keep
    return pd.DataFrame(
        {
            "reach_id": network.reaches.index[reach[keep]],
            "from_m": start[keep],
            "to_m": end[closing],
            "catchment_id": pd.array(_ids(catchments, within[keep]), dtype="str"),
        }
    )


def _crossings(lines: Objects, catchments: gpd.GeoDataFrame) -> tuple[Ints, Floats]:
    """Where reaches meet boundaries: row of the reach, measure."""
    bits = _boundary_bits(np.asarray(catchments.geometry))
    if len(bits) == 0 or len(lines) == 0:
        return np.empty(0, np.int64), np.empty(0)
    bit, row = shapely.STRtree(lines).query(bits, predicate="intersects")
    met = shapely.intersection(lines[row], bits[bit])
    xy, pair = shapely.get_coordinates(met, return_index=True)
    at = row[pair]
    return at, shapely.line_locate_point(lines[at], shapely.points(xy))


def _boundary_bits(shapes: Objects) -> Objects:
    """Cut the rings of polygons into short open lines, end to end."""
    rings = shapely.get_rings(shapely.get_parts(shapes))
    if len(rings) == 0:
        return np.empty(0, dtype=object)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    count = np.bincount(ring)
    number = np.arange(len(xy)) - np.repeat(np.cumsum(count) - count, count)
    # Each bit takes the first vertex of the next one along, so that nothing is left between.
    segment = np.flatnonzero(np.append(ring[1:] == ring[:-1], False))
    key = ring[segment] * (int(count.max()) // _BIT_VERTICES + 1) + number[segment] // _BIT_VERTICES
    start = np.flatnonzero(np.append(True, key[1:] != key[:-1]))
    size = np.diff(np.append(start, len(segment))) + 1
    which = np.repeat(np.arange(len(start)), size)
    bits: Objects = shapely.linestrings(xy[rows_of_runs(segment[start], size)], indices=which)
    return bits


def _by_id(raw: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if "catchment_id" in raw.columns:
        frame = raw.reset_index(drop=True).set_index("catchment_id")
    elif raw.index.name == "catchment_id":
        frame = raw.copy()
    else:
        raise FrameError(
            f"No column catchment_id among {', '.join(map(str, raw.columns[:20]))}; "
            "say which column holds it."
        )
    if frame.index.hasnans:
        raise FrameError("A catchment has no catchment_id; give every one an id of its own.")
    frame.index = pd.Index(frame.index.astype("str").str.strip(), name="catchment_id")
    totals = np.flatnonzero(frame.index.map(is_all))
    if len(totals):
        at = totals[0]
        raise FrameError(
            f"Feature {at + 1}, catchment_id {frame.index[at]!r}: {ALL_IS_TOTALS}, for example "
            "the name of the water."
        )
    doubled = frame.index[frame.index.duplicated()]
    if len(doubled):
        raise FrameError(
            f"{counted(doubled.nunique(), 'catchment id is', 'catchment ids are')} used "
            f"more than once, first {doubled[0]!r}; "
            "give every catchment an id of its own."
        )
    return frame.sort_index()


def _refuse_other_shapes(ids: pd.Index, shapes: Objects) -> None:
    kind = shapely.get_type_id(shapes)
    polygon = np.isin(kind, (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    wrong = ~polygon | shapely.is_empty(shapes)
    if wrong.any():
        found = shapes[wrong][0]
        what = "nothing" if found is None or found.is_empty else f"a {found.geom_type}"
        raise FrameError(
            f"Catchment {ids[wrong][0]!r} is {what}, not a polygon "
            f"({int(wrong.sum())} such catchments); mend it or leave it out."
        )


def _unwrapped(shapes: Objects, ids: pd.Index, notes: list[str]) -> Objects:
    """Carry polygons that cross 180° on past 180, where a projection follows them."""
    bounds = shapely.bounds(shapes)
    crossing = np.flatnonzero(bounds[:, 2] - bounds[:, 0] > 180)
    if len(crossing) == 0:
        return shapes
    out = shapes.copy()
    out[crossing] = shapely.transform(
        shapes[crossing], lambda xy: np.column_stack([np.mod(xy[:, 0], 360.0), xy[:, 1]])
    )
    notes.append(
        f"{counted(len(crossing), 'polygon crosses', 'polygons cross')} 180° of longitude, first "
        f"{ids[crossing[0]]!r}; taken as going across it, not round the earth."
    )
    return out


def _valid(frame: gpd.GeoDataFrame, notes: list[str]) -> Objects:
    shapes = np.asarray(frame.geometry).copy()
    wrong = np.flatnonzero(~shapely.is_valid(shapes))
    if len(wrong):
        reason = shapely.is_valid_reason(shapes[wrong[0]])
        mended = shapely.make_valid(shapes[wrong], method="structure", keep_collapsed=False)
        shapes[wrong] = mended
        notes.append(
            f"{counted(len(wrong), 'polygon was', 'polygons were')} not valid, first "
            f"{frame.index[wrong[0]]!r} "
            f"({reason}); mended, total area kept by the structure of their rings."
        )
        _refuse_other_shapes(frame.index[wrong], mended)
    # Halves on both sides of 180° are one polygon once projected.
    many = np.flatnonzero(shapely.get_num_geometries(shapes) > 1)
    shapes[many] = [shapely.union_all(shapely.get_parts(shape)) for shape in shapes[many]]
    return shapes


def _nest(frame: gpd.GeoDataFrame, notes: list[str]) -> None:
    shapes = np.asarray(frame.geometry)
    area = shapely.area(shapes)
    one, two = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    larger = (area[two] > area[one]) | ((area[two] == area[one]) & (two < one))
    one, two = one[larger & (one != two)], two[larger & (one != two)]
    share = shapely.area(shapely.intersection(shapes[one], shapes[two])) / area[one]
    nested = share >= _NESTED_SHARE
    one, two = one[nested], two[nested]
    order = np.lexsort((two, area[two], one))
    rows, first = np.unique(one[order], return_index=True)
    parents = frame.index.to_numpy(object)[two[order][first]]
    open_rows = frame["parent_id"].isna().to_numpy()[rows]
    column = frame["parent_id"].to_numpy(object).copy()
    column[rows[open_rows]] = parents[open_rows]
    frame["parent_id"] = pd.Series(column, index=frame.index, dtype="str")
    notes.append(
        f"{counted(open_rows.sum(), 'catchment was', 'catchments were')} found to lie "
        "within a larger one."
    )
