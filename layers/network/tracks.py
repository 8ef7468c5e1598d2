"""The way that a track took along the network, fix by fix."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from layers.network.segment_grid import Vertices
from layers.network.ways import Ways, shortest_ways

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Ints, Objects
    from layers.network.graph import Network

__all__ = ["track_ways"]

# Fixes nearer than this many times their uncertainty cannot be told apart.
_APART: Final = 2.0
# What it costs to leave a fix out, in times its uncertainty, beside the track left out with it;
# a place so much farther from the fix than the nearest reach is not considered.
_LEAVING_OUT: Final = 10.0
_LEFT_OUT_TOGETHER: Final = 2
# No receiver and no map is better than this under trees; common practice, no source. [m]
_LEAST_UNCERTAINTY_M: Final = 5.0
# Between two fixes a way is looked for up to so many times their distance and what it costs to
# leave both out; convention of this program.
_WINDING: Final = 3.0
_PLACES_OF_A_FIX: Final = 8
_FIXES_AT_ONCE: Final = 4_000
# Shorter segments have no direction, and no place of their own. [m]
_SHORTEST_M: Final = 0.01
_SAME_M: Final = 1e-6


@dataclass(frozen=True, eq=False)
class _Places:
    """Places on the network where fixes may lie: k for each of n fixes, row −1 where fewer."""

    row: Ints
    measure: Floats
    excess: Floats  # beyond the nearest place of the fix, infinite where there is none [m]


def track_ways(
    network: Network,
    lines: Objects,
    *,
    uncertainty_m: Floats,
    tolerance_m: Floats,
    start_row: Ints,
) -> tuple[Ways, Floats]:
    """Follow tracks along the network.

    Parameters
    ----------
    lines
        Tracks, t LineStrings in the CRS of the network; their vertices are the fixes.
    uncertainty_m
        Of the fixes of each track, (t,). [m]
    tolerance_m
        Greatest distance of a fix from its reach, (t,). [m]
    start_row
        Reach on which a track is known to begin; −1 where only its fixes say so, (t,).

    Returns
    -------
    ways
        One for each track; parts in the order walked, a part for each pass. The length is
        infinite where no way joins the first fix to the last.
    recorded_m
        Length of each track itself over the fixes used, (t,). [m]

    Notes
    -----
    Of fixes nearer to each other than twice their uncertainty only the farthest before a turn
    is used, so that standing still is no way. Each fix may lie at the nearest place of any reach
    and of any bend near it. Of all chains of places one is taken for which the metres that
    nothing explains are fewest: of offset beyond the nearest place, and of difference between
    the way from place to place and the straight line from fix to fix. So a track stays on its
    stream past a confluence though a fix lies nearer to the other one. Up to two fixes in a row
    are left out, at ten times the uncertainty each and the length of track that goes with them:
    they jumped. The first and the last fix always count. From one fix to the next a way may be
    three times their distance and twenty times the uncertainty long.

    This is the search for the likeliest path by Viterbi, with both penalties proportional to
    the difference, after P. Newson and J. Krumm, Hidden Markov map matching through noise and
    sparseness, ACM SIGSPATIAL GIS 2009, 336-343 (from memory); there the offset's is squared,
    and breaks are handled apart.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from layers.network.graph import build_network
    >>> lines = gpd.GeoSeries.from_wkt(["LINESTRING (0 500, 0 0)"], index=["A"], crs="EPSG:25830")
    >>> network = build_network(lines.to_frame("geometry"))
    >>> walk = shapely.from_wkt(["LINESTRING (4 100, 4 300, -4 150)"])
    >>> ways, recorded_m = track_ways(network, walk, uncertainty_m=np.array([5.0]),
    ...     tolerance_m=np.array([50.0]), start_row=np.array([0]))
    >>> ways.length_m.tolist(), ways.from_m.tolist(), ways.to_m.tolist()
    ([350.0], [200.0, 200.0], [400.0, 350.0])
    """
    xy, track = shapely.get_coordinates(lines, return_index=True)
    uncertainty = np.maximum(uncertainty_m, _LEAST_UNCERTAINTY_M)
    used = _thinned(xy, track, _APART * uncertainty)
    xy, track = xy[used], track[used].astype(np.int64)
    length, recorded = np.full(len(lines), np.inf), np.zeros(len(lines))
    none, nothing = np.empty(0, np.int64), np.empty(0)
    parts = [(none, none, nothing, nothing)]
    batch = np.cumsum(np.bincount(track, minlength=len(lines))) // _FIXES_AT_ONCE
    for number in np.unique(batch):
        mine = np.flatnonzero(batch[track] == number)
        here, own, unsure = xy[mine], track[mine], uncertainty[track[mine]]
        places = _places(network, here, tolerance_m[own], unsure)
        _begin_at(places, own, start_row)
        fix, place = _chain(network, here, own, places, unsure)
        row, measure = places.row[fix, place], places.measure[fix, place]
        step = np.flatnonzero(own[fix[1:]] == own[fix[:-1]])
        ways = shortest_ways(
            network,
            row[step],
            measure[step],
            row[step + 1],
            measure[step + 1],
            limit_m=_farthest(_apart(here, fix[step], fix[step + 1]), unsure[fix[step]]),
        )
        which = own[fix[step]]
        length[own[fix]] = 0.0
        np.add.at(length, which, ways.length_m)
        parts.append((which[ways.way], ways.row, ways.from_m, ways.to_m))
        followed = np.zeros(len(own), bool)
        followed[fix] = True
        recorded += _recorded(here, own, followed, len(lines))
    way, row, from_m, to_m = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Ways(length, way, row, from_m, to_m), recorded


def _begin_at(places: _Places, track: Ints, start_row: Ints) -> None:
    """Leave to first fixes only their places on the reach where the track is known to begin."""
    first = np.flatnonzero(np.diff(track, prepend=-1))
    known = start_row[track[first]]
    elsewhere = places.row[first] != known[:, None]
    elsewhere &= ((known >= 0) & ~elsewhere.all(axis=1))[:, None]
    places.excess[first] = np.where(elsewhere, np.inf, places.excess[first])


def _apart(xy: Floats, one: Ints, other: Ints) -> Floats:
    apart: Floats = np.hypot(*(xy[one] - xy[other]).T)
    return apart


def _farthest(straight: Floats, uncertainty: Floats) -> Floats:
    return _WINDING * straight + 2 * _LEAVING_OUT * uncertainty


def _thinned(xy: Floats, track: Ints, least_m: Floats) -> Bools:
    """First and last fixes, those `least_m` from the last used, and the farthest before turns."""
    used = np.zeros(len(xy), bool)
    first = np.flatnonzero(np.diff(track, prepend=-1))
    count = np.diff(np.append(first, len(xy)))
    used[first] = used[first + count - 1] = True
    least = least_m[track[first]]
    last, farthest = first.copy(), first.copy()
    for step in range(1, int(count.max(initial=0))):
        some = np.flatnonzero(count > step)
        fix = first[some] + step
        from_last = _apart(xy, fix, last[some])
        turned = _apart(xy, fix, farthest[some]) >= least[some]
        used[farthest[some[turned]]] = True
        use = turned | (from_last >= least[some])
        used[fix[use]] = True
        farther = use | (from_last > _apart(xy, farthest[some], last[some]))
        farthest[some[farther]] = fix[farther]
        last[some[use]] = fix[use]
    return used


def _places(network: Network, xy: Floats, tolerance: Floats, uncertainty: Floats) -> _Places:
    """Nearest place of each reach, and of each bend of it, to n fixes."""
    fix, line, _ = network.lines.within(shapely.points(xy), tolerance)
    near, own = np.unique(line, return_inverse=True)
    vertices = Vertices.of_lines(network.lines[near])
    long = np.diff(vertices.along, append=0.0) > _SHORTEST_M
    long[vertices.last] = False
    listed = np.flatnonzero(long)
    segments = np.bincount(vertices.line[listed], minlength=len(near))
    first = (np.cumsum(segments) - segments)[own]
    segments = segments[own]
    fix, line, first, segments = (part[segments > 0] for part in (fix, line, first, segments))
    pair = np.repeat(np.arange(len(fix)), segments)
    begin = np.cumsum(segments) - segments
    vertex = listed[np.arange(len(pair)) - begin[pair] + first[pair]]
    distance, along, _ = vertices.feet(vertex, xy[fix[pair]].view(np.complex128)[:, 0])
    upper, lower = begin, begin + segments - 1
    # Where the network goes on beyond the end of a reach, the end is no place of its own.
    goes_on = network.in_degree + network.out_degree == 2
    node = np.concatenate([network.from_node[line], network.to_node[line]])
    key = np.concatenate([fix, fix]) * network.n_nodes + node
    _, which = np.unique(key, return_inverse=True)
    at_node = np.full(len(which), np.inf)
    np.minimum.at(at_node, which, distance[np.concatenate([upper, lower])])
    beyond = np.where(goes_on[node], at_node[which], np.inf)
    before, after = np.roll(distance, 1), np.roll(distance, -1)
    before[upper], after[lower] = np.inf, np.inf
    kept = (distance < before) & (distance <= after) & (distance <= tolerance[fix[pair]] + _SAME_M)
    measure = np.minimum(along, network.length_m[line][pair])
    for end, other, at_end in (
        (upper, beyond[: len(fix)], measure[upper] <= _SHORTEST_M),
        (lower, beyond[len(fix) :], measure[lower] >= network.length_m[line] - _SHORTEST_M),
    ):
        kept[end] &= ~(at_end & (other < distance[end] - _SAME_M))
    fix, row = fix[pair[kept]], line[pair[kept]]
    distance, measure = distance[kept], measure[kept]
    nearest = np.full(len(xy), np.inf)
    np.minimum.at(nearest, fix, distance)
    excess = distance - nearest[fix]
    order = np.lexsort((measure, row, excess, fix))
    order = order[excess[order] <= _LEAVING_OUT * uncertainty[fix[order]]]
    fix, row, measure, excess = fix[order], row[order], measure[order], excess[order]
    rank = np.arange(len(fix)) - np.searchsorted(fix, fix)
    few = rank < _PLACES_OF_A_FIX
    fix, rank = fix[few], rank[few]
    shape = len(xy), int(rank.max(initial=0)) + 1
    places = _Places(np.full(shape, -1), np.zeros(shape), np.full(shape, np.inf))
    places.row[fix, rank] = row[few]
    places.measure[fix, rank] = measure[few]
    places.excess[fix, rank] = excess[few]
    return places


def _chain(
    network: Network, xy: Floats, track: Ints, places: _Places, uncertainty: Floats
) -> tuple[Ints, Ints]:
    """List the fixes and places along the cheapest chain of each track, in order."""
    ends = np.flatnonzero(np.diff(track, prepend=-1, append=-1))
    near = np.flatnonzero(places.row[:, 0] >= 0)  # fixes elsewhere jumped, or left the stream
    first, last = (np.searchsorted(near, at) for at in (ends[:-1], ends[1:] - 1))
    whole = np.isin(ends[:-1], near) & np.isin(ends[1:] - 1, near)
    first, last = first[whole], last[whole]
    lags = range(1, _LEFT_OUT_TOGETHER + 2)
    steps = [_step_costs(network, xy, track, near, places, uncertainty, lag) for lag in lags]
    cost = np.full((len(near), places.row.shape[1]), np.inf)
    came_lag, came_place = np.zeros(cost.shape, np.int64), np.zeros(cost.shape, np.int64)
    cost[first] = places.excess[near[first]]
    for step in range(1, int((last - first).max(initial=0)) + 1):
        fix = (first + step)[first + step <= last]
        for lag in lags[:step]:
            total = cost[fix - lag][:, :, None] + steps[lag - 1][fix]
            place = total.argmin(axis=1)
            least = np.take_along_axis(total, place[:, None], axis=1)[:, 0]
            better = least + places.excess[near[fix]] < cost[fix]
            cost[fix] = np.where(better, least + places.excess[near[fix]], cost[fix])
            came_lag[fix] = np.where(better, lag, came_lag[fix])
            came_place[fix] = np.where(better, place, came_place[fix])
    joined = np.isfinite(cost[last].min(axis=1, initial=np.inf))
    fix, stop = last[joined], first[joined]
    place = cost[fix].argmin(axis=1)
    chain, chosen = [fix], [place]
    while (on := fix > stop).any():
        fix, place, stop = fix[on], place[on], stop[on]
        fix, place = fix - came_lag[fix, place], came_place[fix, place]
        chain.append(fix)
        chosen.append(place)
    fixes, choices = np.concatenate(chain), np.concatenate(chosen)
    order = np.argsort(fixes)
    return near[fixes[order]], choices[order]


def _step_costs(
    network: Network, xy: Floats, track: Ints, near: Ints, places: _Places, uncertainty: Floats,
    lag: int,
) -> Floats:  # fmt: skip
    """Metres unexplained from each place of the fix `lag` before to each place of a fix."""
    width = places.row.shape[1]
    cost = np.full((len(near), width, width), np.inf)
    later = np.flatnonzero(track[near[lag:]] == track[near[:-lag]]) + lag
    earlier = later - lag
    straight = _apart(xy, near[earlier], near[later])
    between = np.concatenate([[0.0], np.cumsum(_apart(xy, near[1:], near[:-1]))])
    price = np.concatenate([[0.0], np.cumsum(_LEAVING_OUT * uncertainty[near])])
    left_out = between[later] - between[earlier] - straight + price[later] - price[earlier + 1]
    one, other = near[earlier], near[later]
    pair, here, there = np.nonzero(
        (places.row[one] >= 0)[:, :, None] & (places.row[other] >= 0)[:, None, :]
    )
    one, other, straight = one[pair], other[pair], straight[pair]
    ways = shortest_ways(
        network,
        places.row[one, here],
        places.measure[one, here],
        places.row[other, there],
        places.measure[other, there],
        limit_m=_farthest(straight, uncertainty[one]),
    )
    cost[later[pair], here, there] = np.abs(ways.length_m - straight) + left_out[pair]
    return cost


def _recorded(xy: Floats, track: Ints, used: Bools, tracks: int) -> Floats:
    """Length of each track over its fixes but for those that jumped: few in a row left out."""
    followed = np.bincount(track[used], minlength=tracks) > 0
    run = np.cumsum(used)
    together = np.bincount(run[~used], minlength=len(run) + 1)[run]
    kept = np.flatnonzero(used | (together > _LEFT_OUT_TOGETHER) | ~followed[track])
    same = track[kept[1:]] == track[kept[:-1]]
    apart = _apart(xy, kept[1:][same], kept[:-1][same])
    return np.bincount(track[kept[1:][same]], weights=apart, minlength=tracks).astype(np.float64)
