"""Shortest way along the network, either way, between two places."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike
    from scipy.sparse import csr_array

    from layers.arrays import Floats, Ints
    from layers.network.graph import Network

__all__ = ["SEARCHED_AT_ONCE", "Ways", "near_nodes", "shortest_ways"]

# Places whose surroundings are searched together: SciPy gives a whole matrix of distances.
SEARCHED_AT_ONCE: Final = 32

# By which end (0 upper, 1 lower) the first reach of a way is left and the second entered.
_LEAVE: Final = np.array([0, 0, 1, 1])
_ENTER: Final = np.array([0, 1, 0, 1])


@dataclass(frozen=True, eq=False)
class Ways:
    """Shortest ways between p pairs of places.

    Attributes
    ----------
    length_m
        Length of each way; infinite where none is as short as its limit, (p,). [m]
    way, row, from_m, to_m
        The parts of reaches that the ways run along, from the first place to the second:
        number of the way, row of the reach, lower and higher measure, (q,). Ways without
        length have none.
    """

    length_m: Floats
    way: Ints
    row: Ints
    from_m: Floats
    to_m: Floats


def shortest_ways(
    network: Network,
    first_row: ArrayLike,
    first_m: ArrayLike,
    second_row: ArrayLike,
    second_m: ArrayLike,
    *,
    limit_m: ArrayLike = np.inf,
) -> Ways:
    """Find the shortest way along the network, up and down, between p pairs of places.

    Places are given by reach rows and measures, (p,) [m]; ways longer than `limit_m` are not looked
    for, one value or (p,). [m]

    Notes
    -----
    Most pairs lie on one reach, or on two that meet, and no way round can be shorter: these
    are settled for all pairs at once. The rest are searched by SciPy's Dijkstra within their
    limit, some pairs at a time.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from layers.network.graph import build_network
    >>> lines = ["LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)",
    ...          "LINESTRING (0 500, 0 0)"]
    >>> lines = gpd.GeoSeries.from_wkt(lines, index=["A", "B", "C"], crs="EPSG:25830")
    >>> network = build_network(lines.to_frame("geometry"))
    >>> ways = shortest_ways(network, [0], [300], [1], [450])
    >>> ways.length_m.tolist(), ways.row.tolist(), ways.from_m.tolist(), ways.to_m.tolist()
    ([150.0], [0, 1], [300.0, 450.0], [400.0, 500.0])
    """
    row_a, row_b = np.asarray(first_row, np.int64), np.asarray(second_row, np.int64)
    at_a, at_b = np.asarray(first_m, np.float64), np.asarray(second_m, np.float64)
    limit = np.broadcast_to(np.asarray(limit_m, np.float64), row_a.shape)
    node = np.stack([network.from_node, network.to_node])
    edge = np.stack([np.zeros(len(network.length_m)), network.length_m])
    node_a, node_b = node[_LEAVE][:, row_a], node[_ENTER][:, row_b]
    edge_a, edge_b = edge[_LEAVE][:, row_a], edge[_ENTER][:, row_b]
    off = np.abs(at_a - edge_a) + np.abs(at_b - edge_b)
    total = np.where(node_a == node_b, off, np.inf)
    direct = np.where(row_a == row_b, np.abs(at_a - at_b), np.inf)

    best = np.minimum(direct, total.min(axis=0, initial=np.inf))
    no_shorter = np.where(node_a == node_b, np.inf, off).min(axis=0, initial=np.inf)
    apart = network.component[row_a] != network.component[row_b]
    searched = np.flatnonzero((no_shorter < best) & (no_shorter <= limit) & ~apart)
    searched = searched[np.argsort(limit[searched], kind="stable")]
    whole_way, whole_row = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for start in range(0, len(searched), SEARCHED_AT_ONCE):
        some = searched[start : start + SEARCHED_AT_ONCE]
        total[:, some], pair, row = _search(
            network, node_a[:, some], node_b[:, some], off[:, some], limit[some]
        )
        whole_way.append(some[pair])
        whole_row.append(row)

    each = np.arange(len(row_a), dtype=np.int64)
    end = total.argmin(axis=0) if len(each) else each
    length = np.minimum(direct, total[end, each])
    length[length > limit] = np.inf
    found, on_one = np.isfinite(length), direct <= total[end, each]
    here, by_ends = each[found & on_one], each[found & ~on_one]
    middle, middle_row = np.concatenate(whole_way), np.concatenate(whole_row)
    kept = (found & ~on_one)[middle]
    middle, middle_row = middle[kept], middle_row[kept]
    way = np.concatenate([here, by_ends, middle, by_ends])
    row = np.concatenate([row_a[here], row_a[by_ends], middle_row, row_b[by_ends]])
    one = [at_a[here], at_a[by_ends], np.zeros(len(middle)), at_b[by_ends]]
    other = [at_b[here], edge_a[end, each][by_ends], network.length_m[middle_row]]
    ones, others = np.concatenate(one), np.concatenate([*other, edge_b[end, each][by_ends]])
    order = np.flatnonzero(ones != others)
    order = order[np.argsort(way[order], kind="stable")]
    ones, others = ones[order], others[order]
    return Ways(length, way[order], row[order], np.minimum(ones, others), np.maximum(ones, others))


def near_nodes(network: Network, nodes: Ints, limit_m: float) -> tuple[Ints, csr_array]:
    """List the nodes at most `limit_m` from any of some nodes, and the reaches among them.

    Returned are node numbers, ascending, (q,), and those rows and columns of the network's own
    `adjacency`, (q, q). [m]
    """
    least = scipy.sparse.csgraph.dijkstra(
        network.adjacency, indices=np.unique(nodes), limit=limit_m, min_only=True
    )
    near: Ints = np.flatnonzero(np.isfinite(least))
    return near, network.adjacency[near][:, near]


def _search(
    network: Network, node_a: Ints, node_b: Ints, off: Floats, limit: Floats
) -> tuple[Floats, Ints, Ints]:
    """Search k pairs; ends and what lies off them are (4, k).

    Lengths by each pair of ends, (4, k), and along the shortest: pair and row of each reach
    that is passed whole, in order.
    """
    pair, most = np.arange(len(limit)), float(limit.max())
    starts = node_a[[0, 2]]
    near, adjacency = near_nodes(network, starts, most)
    place = np.full(network.n_nodes, -1, np.int64)
    place[near] = np.arange(len(near))
    length, came = scipy.sparse.csgraph.dijkstra(
        adjacency, indices=place[starts].ravel(), limit=most, return_predecessors=True
    )
    length = np.column_stack([length, np.full(len(length), np.inf)])  # place −1: too far
    source, target = _LEAVE[:, None] * len(pair) + pair, place[node_b]
    total = off + length[source, target]
    end = total.argmin(axis=0)
    source, at = source[end, pair], target[end, pair]
    pair = pair[total[end, pair] <= limit]
    at = at[pair]
    backwards = [(pair[:0], pair[:0])]
    while (on := came[source[pair], at] >= 0).any():
        pair, at = pair[on], at[on]
        before = came[source[pair], at]
        backwards.append((pair, network.reach_between[near[before], near[at]] - 1))
        at = before
    pairs, rows = zip(*backwards[::-1], strict=True)
    return total, np.concatenate(pairs), np.concatenate(rows)
