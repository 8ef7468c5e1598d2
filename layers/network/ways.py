"""Shortest way along the network, either way, between two places."""

from __future__ import annotations

from dataclasses import dataclass
from heapq import heappop, heappush
from math import inf
from typing import TYPE_CHECKING

import numpy as np

from layers.network.half_edges import half_edges

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from layers.network.graph import Network

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

__all__ = ["Ways", "shortest_ways"]

Piece = tuple[int, float, float]  # reach row, two measures


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
    """Find the shortest way along the network between pairs of places.

    Parameters
    ----------
    network
        The network; ways run up and down it.
    first_row, second_row
        Reach rows of the places, (p,).
    first_m, second_m
        Their measures, (p,). [m]
    limit_m
        Ways longer than this are not looked for, one value or (p,). [m]

    Returns
    -------
    Ways

    Notes
    -----
    Most pairs lie on one reach, or on two that meet, and no way round can be shorter: these
    are settled for all pairs at once. For the rest nodes are visited by distance from the
    first place (Dijkstra) until the second is reached or the limit passed, so a search
    stays near its placement however large the network is.

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
    same = row_a == row_b
    direct = np.where(same, np.abs(at_a - at_b), np.inf)
    # By which end (0 upper, 1 lower) the first reach is left and the second entered.
    ends = [(a, b) for a in (0, 1) for b in (0, 1)]
    off_a = np.stack([at_a, network.length_m[row_a] - at_a])
    off_b = np.stack([at_b, network.length_m[row_b] - at_b])
    node = np.stack([network.from_node, network.to_node])
    off = np.stack([off_a[a] + off_b[b] for a, b in ends])
    meet = np.stack([node[a, row_a] == node[b, row_b] for a, b in ends])
    by_meeting = np.where(meet, off, np.inf)
    at_least_round = np.where(meet, np.inf, off).min(axis=0, initial=np.inf)
    best = np.minimum(direct, by_meeting.min(axis=0, initial=np.inf))
    settled = (best <= at_least_round) | (at_least_round > limit)
    apart = network.component[row_a] != network.component[row_b]
    settled |= apart
    length = np.where(apart | (best > limit), np.inf, best)

    number = np.arange(len(row_a), dtype=np.int64)
    here = settled & np.isfinite(length) & (direct <= best)
    meeting = settled & np.isfinite(length) & ~here
    by = by_meeting.argmin(axis=0) if len(row_a) else np.empty(0, np.int64)
    edge_a = np.where(by >= 2, network.length_m[row_a], 0.0)
    edge_b = np.where(by % 2 == 1, network.length_m[row_b], 0.0)
    way = [number[here], number[meeting], number[meeting]]
    row = [row_a[here], row_a[meeting], row_b[meeting]]
    one = [at_a[here], at_a[meeting], edge_b[meeting]]
    other = [at_b[here], edge_a[meeting], at_b[meeting]]

    if not settled.all():
        search = _Search(network)
        for k in np.flatnonzero(~settled).tolist():
            length[k], pieces = search.between(
                (int(row_a[k]), float(at_a[k])), (int(row_b[k]), float(at_b[k])), float(limit[k])
            )
            way.append(np.full(len(pieces), k, np.int64))
            row.append(np.array([piece[0] for piece in pieces], np.int64))
            one.append(np.array([piece[1] for piece in pieces], np.float64))
            other.append(np.array([piece[2] for piece in pieces], np.float64))
    ways, rows = np.concatenate(way), np.concatenate(row)
    ones, others = np.concatenate(one), np.concatenate(other)
    order = np.flatnonzero(ones != others)
    order = order[np.argsort(ways[order], kind="stable")]
    ones, others = ones[order], others[order]
    return Ways(
        length, ways[order], rows[order], np.minimum(ones, others), np.maximum(ones, others)
    )


class _Search:
    """Dijkstra's search on plain lists, which beat arrays one element at a time."""

    def __init__(self, network: Network) -> None:
        edges = half_edges(network)
        self.first = edges.first.tolist()
        self.head = edges.head.tolist()
        self.row = edges.row.tolist()
        self.from_node = network.from_node.tolist()
        self.to_node = network.to_node.tolist()
        self.length = network.length_m.tolist()

    def between(
        self, start: tuple[int, float], stop: tuple[int, float], limit: float
    ) -> tuple[float, list[Piece]]:
        """Length and pieces of the shortest way; infinite and none beyond the limit."""
        (row_a, at_a), (row_b, at_b) = start, stop
        best = abs(at_a - at_b) if row_a == row_b else inf
        last: int | None = None  # node by which the second reach is entered
        seeds, goals = self._ends(*start), self._ends(*stop)
        distance = {node: off for node, (off, _) in seeds.items()}
        came: dict[int, tuple[int, int]] = {}  # node -> node before, reach between
        heap = sorted((off, node) for node, off in distance.items())
        while heap:
            way, node = heappop(heap)
            if way >= best or way > limit:
                break
            if way > distance[node]:
                continue
            if node in goals and way + goals[node][0] < best:
                best, last = way + goals[node][0], node
            for k in range(self.first[node], self.first[node + 1]):
                head, further = self.head[k], way + self.length[self.row[k]]
                if further < distance.get(head, inf):
                    distance[head] = further
                    came[head] = (node, self.row[k])
                    heappush(heap, (further, head))
        if best > limit or best == inf:
            return inf, []
        if last is None:
            return best, [(row_a, at_a, at_b)]
        pieces: list[Piece] = [(row_b, goals[last][1], at_b)]
        node = last
        while node in came:
            node, row = came[node]
            pieces.append((row, 0.0, self.length[row]))
        pieces.append((row_a, at_a, seeds[node][1]))
        return best, pieces[::-1]

    def _ends(self, row: int, at: float) -> dict[int, tuple[float, float]]:
        """Node at each end of a reach -> distance from the place, measure of the end."""
        ends = {self.from_node[row]: (at, 0.0)}
        below, rest = self.to_node[row], self.length[row] - at
        if below not in ends or rest < at:
            ends[below] = (rest, self.length[row])
        return ends
