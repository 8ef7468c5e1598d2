"""The water within a distance of places, along the network either way, many places at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy

from layers.network.intervals import Intervals, as_intervals, union_intervals

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Floats, Ints
    from layers.network.graph import Network

__all__ = ["surroundings"]


def surroundings(
    network: Network, rows: ArrayLike, measure_m: ArrayLike, within_m: ArrayLike
) -> tuple[Ints, Intervals]:
    """Cut out what lies within a distance of each place along the network, up and down.

    Parameters
    ----------
    rows, measure_m, within_m
        Reach row and measure of each place, (p,), and the distance, one for all or (p,). [m]

    Returns
    -------
    place, intervals
        Number of the place that each interval belongs to, and the intervals, (k,); those of one
        place neither overlap nor touch within a reach. A place with a distance of 0 has none.

    Notes
    -----
    All places advance from node to node at once. At each node the greatest distance left
    counts, so a loop or a side channel is taken from both of its ends.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from layers.network.graph import build_network
    >>> lines = ["LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)",
    ...          "LINESTRING (0 500, 0 0)"]
    >>> lines = gpd.GeoSeries.from_wkt(lines, index=["A", "B", "C"], crs="EPSG:25830")
    >>> network = build_network(lines.to_frame("geometry"))
    >>> place, water = surroundings(network, [2, 0], [30.0, 200.0], 50.0)
    >>> place.tolist(), water.group.tolist()
    ([0, 0, 0, 1], [0, 1, 2, 0])
    >>> water.from_m.tolist(), water.to_m.tolist()
    ([380.0, 480.0, 0.0, 150.0], [400.0, 500.0, 80.0, 250.0])
    """
    row = np.asarray(rows, np.int64)
    at = np.asarray(measure_m, np.float64)
    most = np.broadcast_to(np.asarray(within_m, np.float64), at.shape)
    length = network.length_m
    first, half = _ways_out(network)
    number = np.arange(len(row), dtype=np.int64)
    own = as_intervals(row, np.maximum(at - most, 0.0), np.minimum(at + most, length[row]))
    parts = [(number, own)]
    # Fronts: places and nodes, with the distance that is left on arrival there.
    place = np.concatenate([number, number])
    node = np.concatenate([network.from_node[row], network.to_node[row]])
    left = np.concatenate([most - at, most - (length[row] - at)])
    known_key, known_left = np.empty(0, np.int64), np.empty(0)
    while True:
        on = left > 0
        place, node, left = place[on], node[on], left[on]
        if not len(place):
            break
        # Of several arrivals at a node by one place the one with most left goes on, and only
        # if it has more left than an earlier one had.
        key = place * network.n_nodes + node
        order = np.lexsort((-left, key))
        order = order[np.unique(key[order], return_index=True)[1]]
        key, place, node, left = key[order], place[order], node[order], left[order]
        if len(known_key):
            where = np.minimum(np.searchsorted(known_key, key), len(known_key) - 1)
            again = known_key[where] == key
            better = ~again | (left > known_left[where])
            known_left[where[again & better]] = left[again & better]
            key, place, node, left = key[better], place[better], node[better], left[better]
            known_key, known_left = _with_new(known_key, known_left, key, left)
        else:
            known_key, known_left = key, left.copy()
        ways = first[node + 1] - first[node]
        stop = np.cumsum(ways)
        if not len(stop):
            break
        way = half[np.arange(stop[-1]) + np.repeat(first[node] - (stop - ways), ways)]
        place, left = np.repeat(place, ways), np.repeat(left, ways)
        down = way < len(length)
        reach = np.where(down, way, way - len(length))
        extent = np.minimum(left, length[reach])
        parts.append(
            (
                place,
                as_intervals(
                    reach,
                    np.where(down, 0.0, length[reach] - extent),
                    np.where(down, extent, length[reach]),
                ),
            )
        )
        node = np.where(down, network.to_node[reach], network.from_node[reach])
        left = left - length[reach]
    owner = np.concatenate([part[0] for part in parts])
    water = [np.concatenate(column) for column in zip(*(part[1] for part in parts), strict=True)]
    # One number for each place and reach, so that one union serves all.
    m = max(len(length), 1)
    joined = union_intervals(owner * m + water[0], water[1], water[2])
    place, reach = np.divmod(joined.group, m)
    return place, Intervals(reach, joined.from_m, joined.to_m)


def _ways_out(network: Network) -> tuple[Ints, Ints]:
    """Ways out of each node: k down reach k, m + k up it; node i has those from first[i] on."""
    m = len(network.length_m)
    tail = np.concatenate([network.from_node, network.to_node])
    # Transposing a sparse matrix is a counting sort.
    by_tail = scipy.sparse.csr_array(
        (np.ones(2 * m, np.int8), tail, np.arange(2 * m + 1)), shape=(2 * m, network.n_nodes)
    ).tocsc()
    return by_tail.indptr.astype(np.int64), by_tail.indices.astype(np.int64)


def _with_new(known: Ints, value: Floats, key: Ints, left: Floats) -> tuple[Ints, Floats]:
    """Merge keys that are not known yet into the sorted ones."""
    fresh = ~np.isin(key, known, assume_unique=True)
    keys, values = np.concatenate([known, key[fresh]]), np.concatenate([value, left[fresh]])
    order = np.argsort(keys)
    return keys[order], values[order]
