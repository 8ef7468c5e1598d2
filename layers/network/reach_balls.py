"""Unsampled length within a distance along the network: exactly for one place, bounded for all."""

from __future__ import annotations

from heapq import heappop, heappush
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

from layers.network.half_edges import half_edges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.network.graph import Network
    from layers.network.intervals import Intervals

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

__all__ = ["UnsampledLength", "upper_bounds"]

# Levels into which a distance is cut: more for far ones, where rounding adds up over reaches.
_LEVELS_A_REACH: Final = 8
_FEWEST_LEVELS: Final = 32
_MOST_LEVELS: Final = 96


class UnsampledLength:
    """Unsampled pieces of a network, and how much of them lies near a place.

    Plain lists and dictionaries: a search touches a few dozen reaches, one at a time.
    """

    def __init__(self, network: Network, unsampled: Intervals, within_m: float) -> None:
        edges = half_edges(network)
        self.within_m = within_m
        self.first = edges.first.tolist()
        self.head = edges.head.tolist()
        self.row = edges.row.tolist()
        self.down = edges.down.tolist()
        self.from_node = network.from_node.tolist()
        self.to_node = network.to_node.tolist()
        self.length = network.length_m.tolist()
        self.pieces: dict[int, list[tuple[float, float]]] = {}
        # Reaches that are unsampled from end to end need no list.
        self.whole = np.zeros(len(network.length_m), bool)
        whole = unsampled.length_m >= network.length_m[unsampled.group]
        self.whole[unsampled.group[whole]] = True
        self.untouched: list[bool] = self.whole.tolist()
        part = ~whole
        for row, a, b in zip(
            unsampled.group[part].tolist(),
            unsampled.from_m[part].tolist(),
            unsampled.to_m[part].tolist(),
            strict=True,
        ):
            self.pieces.setdefault(row, []).append((a, b))

    def near(self, row: int, measure: float) -> dict[int, list[tuple[float, float]]]:
        """List the parts of reaches within the distance of a place; they may overlap."""
        radius, length = self.within_m, self.length[row]
        parts = {row: [(max(measure - radius, 0.0), min(measure + radius, length))]}
        above, below = self.from_node[row], self.to_node[row]
        distance = {above: measure}
        distance[below] = min(length - measure, distance.get(below, length))
        heap = sorted((way, node) for node, way in distance.items())
        while heap:
            way, node = heappop(heap)
            left = radius - way
            if left <= 0:
                break
            if way > distance[node]:
                continue
            for k in range(self.first[node], self.first[node + 1]):
                on, head = self.row[k], self.head[k]
                extent = self.length[on]
                if left >= extent:
                    part = (0.0, extent)
                elif self.down[k]:
                    part = (0.0, left)
                else:
                    part = (extent - left, extent)
                if on in parts:
                    parts[on].append(part)
                else:
                    parts[on] = [part]
                further = way + extent
                if further < radius and further < distance.get(head, radius):
                    distance[head] = further
                    heappush(heap, (further, head))
        return parts

    def gain(self, row: int, measure: float) -> float:
        """Measure the unsampled length within the distance of a place. [m]."""
        total = 0.0
        for on, parts in self.near(row, measure).items():
            untouched = self.untouched[on]
            if not untouched and on not in self.pieces:
                continue
            left = [(0.0, self.length[on])] if untouched else self.pieces[on]
            joined = _joined(parts) if len(parts) > 1 else parts
            for a, b in left:
                for c, d in joined:
                    low, high = max(a, c), min(b, d)
                    if low < high:
                        total += high - low
        return total

    def take(self, row: int, measure: float) -> None:
        """Count everything within the distance of a place as sampled from now on."""
        for on, parts in self.near(row, measure).items():
            left = [(0.0, self.length[on])] if self.untouched[on] else self.pieces.get(on, [])
            for c, d in _joined(parts):
                left = [
                    (low, high)
                    for a, b in left
                    for low, high in ((a, min(b, c)), (max(a, d), b))
                    if low < high
                ]
            self.untouched[on] = False
            if left:
                self.pieces[on] = left
            else:
                self.pieces.pop(on, None)


def _joined(parts: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join parts that overlap or touch."""
    joined: list[tuple[float, float]] = []
    for a, b in sorted(parts):
        if joined and a <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], b))
        else:
            joined.append((a, b))
    return joined


def upper_bounds(
    network: Network, unsampled: Intervals, within_m: float, rows: Ints, measure_m: Floats
) -> Floats:
    """Bound from above the unsampled length within a distance of each of many places.

    Parameters
    ----------
    network
        The network.
    unsampled
        Its unsampled pieces.
    within_m
        The distance along the network. [m]
    rows, measure_m
        The places, (p,). [m]

    Returns
    -------
    ndarray
        At least what :meth:`UnsampledLength.gain` gives, (p,). [m]

    Notes
    -----
    The distance is cut into 32 to 96 levels. What a walk can still reach with k levels left is
    added up over the ways on, except straight back, from k = 1 upwards, for all ways of the
    network at once. Lengths are rounded down to levels, nodes joined by less than a level
    are taken as one, and in loops length is counted once per way, so it can only be too much.
    """
    m = len(network.length_m)
    reaches_far = within_m / network.length_m.mean()
    levels = int(np.clip(_LEVELS_A_REACH * reaches_far, _FEWEST_LEVELS, _MOST_LEVELS))
    level = within_m / levels
    left = np.bincount(unsampled.group, weights=unsampled.length_m, minlength=m)
    short = network.length_m < level
    ends = (network.from_node[short], network.to_node[short])
    links = scipy.sparse.coo_array(
        (np.ones(len(ends[0]), np.int8), ends), shape=(network.n_nodes, network.n_nodes)
    )
    _, place = scipy.sparse.csgraph.connected_components(links.tocsr(), directed=False)
    count = int(place.max()) + 1
    inside = np.bincount(
        place[network.from_node[short]], weights=left[short], minlength=count
    ).astype(np.float32)
    long = np.flatnonzero(~short)
    h = len(long)
    # Way i < h goes down reach long[i], way h + i goes up it.
    tail = np.concatenate([place[network.from_node[long]], place[network.to_node[long]]])
    head = np.concatenate([tail[h:], tail[:h]])
    back = np.concatenate([np.arange(h, 2 * h), np.arange(h)])
    steps = np.tile(np.floor(network.length_m[long] / level).astype(np.int64), 2)
    own = np.tile(left[long], 2).astype(np.float32)
    # No walk finds more than all there is; without this cap loops would grow past any number.
    most = np.float32(left.sum() * 1.001 + 1.0)
    by_way = np.zeros((levels + 1, 2 * h + 1), np.float32)  # the last is no way
    by_place = np.zeros((levels + 1, count), np.float32)
    for k in range(1, levels + 1):
        by_way[k, :-1] = np.minimum(own, np.float32(k * level))
        on = np.flatnonzero(steps < k)
        rest = k - steps[on]
        beyond = _without(by_place[rest, head[on]], by_way[rest, back[on]], most)
        by_way[k, on] = np.minimum(by_way[k, on] + beyond, most)
        sums = np.bincount(tail, weights=by_way[k, :-1], minlength=count)
        by_place[k] = np.minimum(inside + sums, most)

    way = np.full(m, -1, np.int64)
    way[long] = np.arange(h)
    bound = np.minimum(left[rows], 2.0 * within_m)
    for node, off, turn in (
        (network.from_node, measure_m, 0),
        (network.to_node, network.length_m[rows] - measure_m, h),
    ):
        rest = np.clip(np.ceil((within_m - off) / level), 0, levels).astype(np.int64)
        straight_back = by_way[rest, np.where(way[rows] >= 0, way[rows] + turn, 2 * h)]
        bound += _without(by_place[rest, place[node[rows]]], straight_back, most)
    return bound * 1.0001 + 1e-3  # single precision above


def _without(
    there: NDArray[np.float32], back: NDArray[np.float32], most: np.float32
) -> NDArray[np.float32]:
    """Take off what lies straight back from a place; rounding may only raise the rest."""
    rest: NDArray[np.float32] = np.where(there >= most, most, there * np.float32(1 + 1e-6) - back)
    return rest
