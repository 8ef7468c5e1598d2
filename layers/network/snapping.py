"""Refer positions to the stream network: reach, measure, offset.

In ISO 19148 terms a reach is the linear element, `measure_m` the distance along and `offset_m`
the lateral offset, here without a sign.
"""

from __future__ import annotations

import unicodedata
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from layers.crs import require_metres, require_same_crs
from layers.errors import FrameError
from layers.network.graph import Network, nodes_of_lines, sorted_by_id, usable_lines
from layers.network.segment_grid import Nearest, Pairs, SegmentGrid, Vertices, nearest_of_pairs

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Bools, Floats, Ints, Objects
    from layers.network.lines import Lines

__all__ = ["DEFAULT_UNCERTAINTY_M", "plain_name", "snap_to_reaches"]

# A handheld satellite receiver under trees; common practice, no source.
DEFAULT_UNCERTAINTY_M = 10.0

_JOIN_M = 0.5
_FEW = 2_000
_UNCERTAINTY_COLUMNS = ("position_uncertainty_m", "uncertainty_m")


def snap_to_reaches(
    positions: gpd.GeoDataFrame,
    reaches: gpd.GeoDataFrame | Network,
    *,
    tolerance_m: float = 100.0,
) -> pd.DataFrame:
    """Refer each position to its nearest reach.

    Distance is planar, in the CRS of `reaches`. Of equally near reaches (to a micrometre) the
    lowest `reach_id` is taken, so a run repeats exactly.

    Parameters
    ----------
    positions
        n points in the CRS of `reaches`, any index. Optional columns:
        `position_uncertainty_m` or `uncertainty_m` [m] widens the tolerance of its row where
        larger, and is the margin for ambiguity (10 m where missing); `stream_name` settles an
        ambiguity.
    reaches
        m LineStrings indexed by `reach_id`, drawn downstream, projected CRS in metres; or the
        network made of them, which is faster when used again.
    tolerance_m
        Greatest distance at which a position still belongs to a reach. [m]

    Returns
    -------
    DataFrame
        n rows, index and order of `positions`. `reach_id`; `measure_m`, distance along from the
        upstream end [m]; `offset_m`, distance from the reach, unsigned [m]; `ambiguous` (bool)
        and `ambiguous_with`, the nearest rival reach; `snapped_x` and `snapped_y`, the point on
        the reach in the CRS of `reaches` [m]. Beyond tolerance, and for a missing or empty
        position: missing, never dropped.

    Raises
    ------
    CrsError
        A CRS is missing, geographic or not in metres, or the two differ.
    NetworkError
        A reach is not one LineString, has zero length, or shares its id.
    FrameError
        A position is not a point, or an uncertainty is negative.

    Notes
    -----
    Linear referencing after ISO 19148:2021, absolute method. Nearest reach by a grid of
    segments, or the boxes of reaches for few positions and for wide tolerances; both give the
    same.

    A reach within tolerance is a rival when it lies at most the position's uncertainty farther
    than the nearest one and is not its direct continuation: the reach next up or down at a node
    where nothing else joins or leaves, or the one after it where no more lies between than the
    position is uncertain either way. All reaches that meet at a confluence are rivals there.
    A stream name (compared without case, accents and spacing) takes the nearest of the rivals
    that bears it, and leaves the position ambiguous only if another of that name lies as near.
    The default tolerance is common practice, no source.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import LineString, Point
    >>> line = LineString([(500_000, 6_000_000), (501_000, 6_000_000)])
    >>> reaches = gpd.GeoDataFrame(geometry=[line], index=["R1"], crs="EPSG:25830")
    >>> points = [Point(500_250, 6_000_012), Point(500_400, 6_000_180)]
    >>> traps = gpd.GeoDataFrame(geometry=points, index=["T1", "T2"], crs="EPSG:25830")
    >>> snap_to_reaches(traps, reaches)[["measure_m", "offset_m"]].to_numpy().tolist()
    [[250.0, 12.0], [nan, nan]]
    """
    if not np.isfinite(tolerance_m) or tolerance_m < 0:
        raise FrameError(f"tolerance_m is {tolerance_m}; give a distance of 0 m or more.")
    require_metres(reaches.crs, what="reaches")
    require_same_crs(positions.crs, reaches.crs, what="positions and reaches")
    network = reaches if isinstance(reaches, Network) else None
    if network is None:
        frame = sorted_by_id(reaches)
        lines, length = usable_lines(frame)
    else:
        frame, lines, length = network.reaches, network.lines, network.length_m
    points = np.asarray(positions.geometry)
    usable, xy = _coordinates(points, positions.index)
    uncertainty = _uncertainty(positions)
    margin = np.where(np.isnan(uncertainty), DEFAULT_UNCERTAINTY_M, uncertainty)
    search_m = np.maximum(tolerance_m, np.nan_to_num(uncertainty))
    with ThreadPoolExecutor(1) as pool:
        # Only rivals need how reaches join, but many points nearly always have some: the joining
        # of bare reaches then goes on beside the search, which is not busy on all processors.
        following = pool.submit(_following, network, lines) if len(points) >= _FEW else None
        nearest = _nearest(points, xy, usable, lines, margin, search_m, tolerance_m)
        if len(nearest.rivals.point):
            joined = following.result() if following else _following(network, lines)
            chosen, rival = _settle(nearest, joined, frame, length, positions, margin)
        else:
            chosen, rival = nearest, np.full(len(points), -1, np.int64)
    return pd.DataFrame(
        {
            "reach_id": _ids(frame.index, chosen.line),
            "measure_m": chosen.measure,
            "offset_m": chosen.distance,
            "ambiguous": rival >= 0,
            "ambiguous_with": _ids(frame.index, rival),
            "snapped_x": chosen.foot.real,
            "snapped_y": chosen.foot.imag,
        },
        index=positions.index,
    )


def plain_name(names: pd.Series) -> pd.Series:
    """Fold stream names for comparison: no case, accents or doubled spaces; missing stays.

    Examples
    --------
    >>> plain_name(pd.Series(["  Río  Ákra ", None])).tolist()
    ['rio akra', nan]
    """
    codes, known = pd.factorize(names)
    folded = [_fold(str(name)) for name in known]
    table = np.array([*folded, None], dtype=object)
    return pd.Series(table[codes], index=names.index, dtype="str")


def _fold(name: str) -> str:
    spelled = unicodedata.normalize("NFKD", name)
    bare = "".join(letter for letter in spelled if not unicodedata.combining(letter))
    return " ".join(bare.casefold().split())


def _coordinates(points: Objects, index: pd.Index) -> tuple[Bools, Floats]:
    kind = shapely.get_type_id(points)
    plain = kind == shapely.GeometryType.POINT
    xy = shapely.get_coordinates(points) if plain.all() else np.empty((0, 2))
    if len(xy) < len(points):  # some are missing, empty, or no points
        empty = shapely.is_empty(points)
        wrong = ~plain & ~shapely.is_missing(points) & ~empty
        if wrong.any():
            raise FrameError(
                f"Position {index[wrong][0]!r} is a {points[wrong][0].geom_type}, not a point; "
                "give its start or its centre."
            )
        points = points.copy()
        points[empty] = None  # an empty point has no x
        xy = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
    return np.isfinite(xy[:, 0]) & np.isfinite(xy[:, 1]), xy


def _uncertainty(positions: gpd.GeoDataFrame) -> Floats:
    column = next((name for name in _UNCERTAINTY_COLUMNS if name in positions), None)
    if column is None:
        return np.full(len(positions), np.nan)
    given: Floats = pd.to_numeric(positions[column]).to_numpy(np.float64, na_value=np.nan)
    wrong = (given < 0) | np.isinf(given)
    if wrong.any():
        raise FrameError(
            f"{column} of {positions.index[wrong][0]!r} is {given[wrong][0]}; "
            "give metres of 0 or more, or leave it empty."
        )
    return given


def _nearest(
    points: Objects,
    xy: Floats,
    usable: Bools,
    lines: Lines,
    margin: Floats,
    search_m: Floats,
    tolerance_m: float,
) -> Nearest:
    """Nearest reaches of all points: a grid for the many, boxes for few and for wide ones."""
    common = np.flatnonzero(usable & (search_m <= tolerance_m))
    wide = np.flatnonzero(usable & (search_m > tolerance_m))
    if len(common) < _FEW:
        common, wide = common[:0], np.flatnonzero(usable)
    parts = []
    if len(lines) and len(common):
        grid = SegmentGrid.of_vertices(Vertices.of_lines(lines), tolerance_m)
        parts += grid.nearest(xy, margin, common)
    if len(lines) and len(wide):
        parts.append(_nearest_by_boxes(points, lines, margin, search_m, wide))
    return Nearest.of_parts(len(points), parts)


def _nearest_by_boxes(
    points: Objects, lines: Lines, margin: Floats, search_m: Floats, wide: Ints
) -> tuple[Pairs, Pairs]:
    some, line, distance = lines.within(points[wide], search_m[wide])
    point = wide[some]
    nearest, rivals = nearest_of_pairs(point, line, line, distance, margin)

    def placed(pair: Ints) -> Pairs:
        own, at = lines.drawn(line[pair]), points[point[pair]]
        measure = shapely.line_locate_point(own, at)
        foot = shapely.get_coordinates(shapely.line_interpolate_point(own, measure))
        return Pairs(
            point[pair], line[pair], distance[pair], measure, foot.view(np.complex128)[:, 0]
        )

    return placed(nearest[nearest >= 0]), placed(rivals)


def _settle(
    nearest: Nearest,
    following: Ints,
    frame: gpd.GeoDataFrame,
    length: Floats,
    positions: gpd.GeoDataFrame,
    margin: Floats,
) -> tuple[Nearest, Ints]:
    """Choose among rivals: the nearest of those named, and the nearest rival left."""
    n = len(positions)
    line = nearest.line
    rival = np.full(n, -1, np.int64)
    point, other = nearest.rivals.point, nearest.rivals.line
    apart = ~_continues(line[point], other, following, length, margin[point])
    named = np.zeros(len(point), bool)
    if "stream_name" in positions and "stream_name" in frame:
        touched = np.unique(point)
        wanted = plain_name(positions["stream_name"].iloc[touched])
        near = np.unique(np.concatenate([other, line[touched]]))
        borne = plain_name(frame["stream_name"].iloc[near])
        codes, _ = pd.factorize(pd.concat([borne, wanted]).to_numpy(object))
        of_line, of_point = np.full(len(length), -1, np.int64), np.full(n, -1, np.int64)
        of_line[near] = codes[: len(near)]
        of_point[touched] = codes[len(near) :]
        named = (of_line[other] == of_point[point]) & (of_point[point] >= 0)
        own_named = (of_line[line] == of_point) & (of_point >= 0) & (line >= 0)
        switch = named & ~own_named[point]
        switched, first = np.unique(point[switch], return_index=True)
        nearest = nearest.with_rivals(np.flatnonzero(switch)[first])
        line = nearest.line
        settled = own_named.copy()
        settled[switched] = True
        # Once a name has settled it, only further reaches of that name are rivals.
        named_rival = named & (other != line[point])
        apart = np.where(
            settled[point],
            named_rival & ~_continues(line[point], other, following, length, margin[point]),
            apart,
        )
    left, first_rival = np.unique(point[apart], return_index=True)
    rival[left] = other[apart][first_rival]
    return nearest, rival


def _following(network: Network | None, lines: Lines) -> Ints:
    """Row of the reach that goes on alone where each one ends, nothing else joining; -1 if none."""
    if network is not None:
        from_node, to_node, n_nodes = network.from_node, network.to_node, network.n_nodes
    else:
        from_node, to_node, places = nodes_of_lines(lines, _JOIN_M)
        n_nodes = len(places)
    arriving = np.bincount(to_node, minlength=n_nodes)
    leaving = np.bincount(from_node, minlength=n_nodes)
    onward = np.full(n_nodes, -1, np.int64)
    onward[from_node] = np.arange(len(lines))
    onward[(arriving != 1) | (leaving != 1)] = -1
    following: Ints = onward[to_node]
    return following


def _continues(one: Ints, two: Ints, following: Ints, length: Floats, margin: Floats) -> Bools:
    """Where two reaches follow each other, nothing joining and hardly a metre between.

    Digitised streams hold reaches of a few metres, at bridges and lake ends; those on either
    side of one are a single place to whoever stood there. What lies between may be as long as
    the place is uncertain either way.
    """
    return _flows_into(one, two, following, length, 2 * margin) | _flows_into(
        two, one, following, length, 2 * margin
    )


def _flows_into(upper: Ints, lower: Ints, following: Ints, length: Floats, most: Floats) -> Bools:
    """Whether `lower` follows `upper` with no more than `most` metres between."""
    reached = np.zeros(len(upper), bool)
    pair, at, between = np.arange(len(upper)), following[upper], np.zeros(len(upper))
    while True:  # every step adds a length above 0, so a ring ends it too
        on = at >= 0
        pair, at, between = pair[on], at[on], between[on]
        if not len(pair):
            return reached
        reached[pair[at == lower[pair]]] = True
        between = between + length[at]
        on = (between <= most[pair]) & ~reached[pair]
        pair, at, between = pair[on], following[at[on]], between[on]


def _ids(index: pd.Index, rows: Ints) -> pd.api.extensions.ExtensionArray:
    taken: pd.api.extensions.ExtensionArray = index.array.take(
        rows, allow_fill=True, fill_value=index.array.dtype.na_value
    )
    return taken
