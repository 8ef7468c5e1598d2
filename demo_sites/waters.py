"""Draw the streams, lakes and ditches of the invented island from its terrain.

Streams begin where enough land drains together, are cut where they meet, and are rounded a
little (Chaikin's corner cutting) between their end points, which stay where they are.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, Point, Polygon, STRtree
from shapely.ops import substring

from demo_sites.names import stream_names

if TYPE_CHECKING:
    from demo_sites.terrain import Bools, Floats, Ints, Terrain

HEAD_M2 = 0.36e6
SHORTEST_HEAD_M = 300.0
SHORTEST_COAST_STREAM_M = 1_100.0
NAMED_FROM_M = 1_900.0


@dataclass(frozen=True)
class Reach:
    """One reach while the network is being drawn, from its upstream to its downstream end."""

    line: LineString
    kind: str
    stream_name: str | None
    height_m: float
    upstream_km2: float


@dataclass
class Waters:
    """Reaches and standing waters, before they are numbered."""

    reaches: list[Reach] = field(default_factory=list)
    waterbodies: dict[str, Polygon] = field(default_factory=dict)


def donors_of(terrain: Terrain, wet: Bools) -> dict[int, list[int]]:
    """List for each point the wet points that drain straight to it."""
    into: dict[int, list[int]] = {}
    for i in np.flatnonzero(wet & terrain.land).tolist():
        into.setdefault(int(terrain.receiver[i]), []).append(i)
    return into


def _step_m(terrain: Terrain) -> Floats:
    """Measure the way from each point to its receiver."""
    return np.asarray(np.hypot(*(terrain.xy - terrain.xy[terrain.receiver]).T))


def wet_points(terrain: Terrain, head_m2: Floats, still: Bools) -> Bools:
    """Choose the points that carry a stream.

    Parameters
    ----------
    terrain
        The ground, n points.
    head_m2
        Drained area from which each point carries a stream. [m²]
    still
        Points under a lake or lagoon, where no stream begins.

    Returns
    -------
    ndarray
        n flags; a point below a wet point is wet, whiskers and short coast streams are left out.
    """
    wet = terrain.land & (terrain.upstream_m2 >= head_m2)
    for i in terrain.order[::-1].tolist():
        if wet[i]:
            wet[terrain.receiver[i]] = terrain.land[terrain.receiver[i]]
    step = _step_m(terrain)
    for _ in range(4):
        into = donors_of(terrain, wet)
        for head in [i for i in np.flatnonzero(wet).tolist() if i not in into]:
            branch, length, i = [head], float(step[head]), int(terrain.receiver[head])
            while wet[i] and len(into[i]) == 1:
                branch.append(i)
                length += float(step[i])
                i = int(terrain.receiver[i])
            if wet[i] and (length < SHORTEST_HEAD_M or still[branch[len(branch) // 4]]):
                wet[branch] = False
                into[i].remove(branch[-1])
    above = np.where(wet, step, 0.0)
    for i in terrain.order[::-1].tolist():
        if wet[i] and terrain.land[terrain.receiver[i]]:
            above[terrain.receiver[i]] += above[i]
    short = wet & ~terrain.land[terrain.receiver] & (above < SHORTEST_COAST_STREAM_M)
    for i in terrain.order.tolist():
        if wet[i] and (short[i] or short[terrain.receiver[i]]):
            short[i] = True
    return np.asarray(wet & ~short)


def drowned(terrain: Terrain, into: dict[int, list[int]], outlet: int, depth_m: float) -> Ints:
    """Find the points that a dam of the given height at the outlet would put under water.

    `into` lists for each point the points that drain straight to it.
    """
    level = terrain.height_m[outlet] + depth_m
    under, queue = [], [outlet]
    while queue:
        i = queue.pop()
        under.append(i)
        queue += [j for j in into.get(i, []) if terrain.height_m[j] < level]
    return np.sort(np.asarray(under, dtype=np.int64))


def choose_basin(
    terrain: Terrain, wet: Bools, outlets: Ints, depth_m: float, wanted_m2: float, streams: int
) -> Ints:
    """Choose the drowned basin nearest to the wanted area with enough streams running in."""
    into = donors_of(terrain, terrain.land)
    carried = np.flatnonzero(wet)
    best, least = np.empty(0, dtype=np.int64), np.inf
    for outlet in outlets.tolist():
        basin = drowned(terrain, into, outlet, depth_m)
        enters = np.isin(terrain.receiver[carried], basin) & ~np.isin(carried, basin)
        misfit = abs(float(terrain.cell_m2[basin].sum()) - wanted_m2)
        if enters.sum() >= streams and misfit < least:
            best, least = basin, misfit
    return best


def cells(terrain: Terrain, points: Ints) -> npt.NDArray[np.object_]:
    """Return the Voronoi cells of points."""
    vor = terrain.voronoi
    regions = [vor.regions[vor.point_region[i]] for i in points.tolist()]
    closed = np.concatenate([[*region, region[0]] for region in regions])
    ring = np.repeat(np.arange(len(regions)), [len(region) + 1 for region in regions])
    return np.asarray(
        shapely.polygons(shapely.linearrings(vor.vertices[closed], indices=ring)), dtype=object
    )


def shore(terrain: Terrain, points: Ints) -> Polygon:
    """Draw a rounded shore round the cells of points, on their inner side."""
    raw = shapely.union_all(cells(terrain, points))
    return raw.buffer(45).buffer(-80).buffer(50).simplify(6)


def rounded(xy: Floats, rounds: int = 2) -> LineString:
    """Cut the corners of a line and keep its ends (Chaikin)."""
    for _ in range(rounds if len(xy) > 2 else 0):
        near = 0.75 * xy[:-1] + 0.25 * xy[1:]
        far = 0.25 * xy[:-1] + 0.75 * xy[1:]
        xy = np.vstack([xy[:1], np.stack([near, far], axis=1).reshape(-1, 2)[1:-1], xy[-1:]])
    return LineString(np.round(xy, 2)).simplify(1.5)


def trace_reaches(
    terrain: Terrain, wet: Bools, still: Bools, names_seed: int
) -> tuple[list[Reach], dict[int, str]]:
    """Cut the wet points into reaches at heads, meetings, shores and mouths."""
    into = donors_of(terrain, wet)
    rise = terrain.receiver
    ends_here = wet & ~wet[rise]
    cut = ends_here.copy()
    for i in np.flatnonzero(wet).tolist():
        up = into.get(i, [])
        enters = bool(still[i]) and any(not still[j] for j in up)
        leaves = bool(still[i]) and not still[rise[i]]
        cut[i] |= len(up) != 1 or enters or leaves
    name_of = _name_streams(terrain, wet, into, names_seed)
    main = np.zeros(len(wet), dtype=bool)  # wet points on the widest way through still water
    for i in terrain.order.tolist():
        if wet[i] and still[i]:
            below = int(rise[i])
            widest = max(into.get(below, [i]), key=lambda j: (terrain.upstream_m2[j], -j))
            main[i] = not still[below] or (main[below] and widest == i)
    reaches = []
    for start in np.flatnonzero(cut & ~ends_here).tolist():
        path = [start, int(rise[start])]
        while not cut[path[-1]]:
            path.append(int(rise[path[-1]]))
        kind = "stream"
        if still[path[0]] and still[path[-1]]:
            kind = "lake_path" if main[path[-2]] and main[path[0]] else "connector"
        middle = path[len(path) // 2]
        reaches.append(
            Reach(
                rounded(terrain.xy[path]),
                kind,
                name_of.get(start),
                float(terrain.height_m[middle]),
                float(terrain.upstream_m2[path[-2]] / 1e6),
            )
        )
    return reaches, name_of


def _name_streams(
    terrain: Terrain, wet: Bools, into: dict[int, list[int]], seed: int
) -> dict[int, str]:
    """Name each stream of some length from its mouth along its widest way up."""
    step = _step_m(terrain)
    stems: list[tuple[float, list[int]]] = []
    mouths = np.flatnonzero(wet & ~wet[terrain.receiver]).tolist()
    queue = sorted(mouths, key=lambda i: -terrain.upstream_m2[i])
    while queue:
        stem = [queue.pop(0)]
        while up := sorted(into.get(stem[-1], []), key=lambda j: -terrain.upstream_m2[j]):
            queue += up[1:]
            stem.append(up[0])
        stems.append((float(step[stem].sum()), stem))
    stems.sort(key=lambda pair: -pair[0])
    names = stream_names(seed)
    name_of: dict[int, str] = {}
    for length, stem in stems:
        if length >= NAMED_FROM_M:
            name = next(names)
            name_of |= dict.fromkeys(stem, name)
    return name_of


def split(waters: Waters, number: int, at_m: float) -> Point:
    """Cut one reach in two at a measure and return the new node."""
    reach = waters.reaches[number]
    node = Point(np.round(reach.line.interpolate(at_m).coords[0], 2))
    upper = [*substring(reach.line, 0, at_m).coords[:-1], node.coords[0]]
    lower = [node.coords[0], *substring(reach.line, at_m, reach.line.length).coords[1:]]
    waters.reaches[number] = replace(reach, line=LineString(upper))
    waters.reaches.append(replace(reach, line=LineString(lower)))
    return node


def add_side_channel(waters: Waters, number: int, bow_m: float) -> bool:
    """Let a reach part in two and meet again; say whether there was room for it."""
    reach = waters.reaches[number]
    length = reach.line.length
    begin, end = 0.22 * length, 0.74 * length
    along = np.linspace(begin, end, 22)
    here = shapely.get_coordinates(reach.line.interpolate(along))
    ahead = shapely.get_coordinates(
        reach.line.interpolate(np.clip(along + 150, 0, length))
    ) - shapely.get_coordinates(reach.line.interpolate(np.clip(along - 150, 0, length)))
    across = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    share = (along - begin) / (end - begin)
    bow = bow_m * np.sin(np.pi * share) ** 0.6 * (1 + 0.22 * np.sin(9.0 * share))
    line = rounded(np.round(here + across * bow[:, None], 2))
    others = [r.line for i, r in enumerate(waters.reaches) if i != number]
    inner = substring(line, 60, line.length - 60)
    crowded = STRtree([*others, reach.line]).query(inner.buffer(18), predicate="intersects")
    if len(crowded) or not line.is_simple:
        return False
    lower = split(waters, number, end)
    upper = split(waters, number, begin)
    xy = [upper.coords[0], *line.coords[1:-1], lower.coords[0]]
    waters.reaches.append(replace(reach, line=LineString(xy), stream_name=None))
    return True


def add_ditches(waters: Waters, ground: Polygon, number: int, bearing: float) -> bool:
    """Dig a main drain with side drains into a reach; say whether there was room for it."""
    reach = waters.reaches[number]
    at_m = reach.line.length / 2
    mouth = np.array(reach.line.interpolate(at_m).coords[0])
    way = np.array([np.sin(bearing), np.cos(bearing)])
    across = np.array([way[1], -way[0]])
    joins = [mouth + way * d + across * 9 * np.sin(d / 400) for d in np.arange(300.0, 1_560, 250)]
    drains = [
        np.vstack([join + across * side * 330 + way * 25 * side, join])
        for side, join in zip([1, -1, 1, -1, 1, -1], joins, strict=True)
    ]
    spine = np.vstack([joins[-1] + way * 180, *joins[::-1], mouth])
    field_of_drains = shapely.union_all([LineString(spine[:-1]), *map(LineString, drains)])
    if not ground.covers(field_of_drains.buffer(20)):
        return False
    crowded = STRtree([r.line for r in waters.reaches]).query(
        field_of_drains.buffer(60), predicate="intersects"
    )
    if len(crowded):
        return False
    node = split(waters, number, at_m)
    spine[-1] = node.coords[0]
    parts = [*(spine[i : i + 2] for i in range(len(spine) - 1)), *drains]
    name = "Ebbadrenn Ditch"
    for i, part in enumerate(parts):
        line = LineString(np.round(part, 2))
        low = Reach(line, "ditch", name if i < len(spine) - 1 else None, 3.0, 0.6)
        waters.reaches.append(low)
    return True
