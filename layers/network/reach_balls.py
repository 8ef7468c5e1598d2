"""Unsampled length within a distance along the network: exactly for one place, bounded for all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

from layers.arrays import narrow, rows_of_runs
from layers.coded import distinct
from layers.network.intervals import Intervals, overlay, union_intervals
from layers.network.stream_order import connected_parts
from layers.network.ways import near_nodes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Floats, Ints
    from layers.network.graph import Network

__all__ = ["unsampled_within", "upper_bounds"]

# Levels into which a distance is cut: more for far ones, where rounding adds up over reaches.
_LEVELS_A_REACH: Final = 8
_FEWEST_LEVELS: Final = 32
_MOST_LEVELS: Final = 96


def unsampled_within(
    network: Network, unsampled: Intervals, within_m: float, rows: Ints, measure_m: Floats
) -> tuple[Ints, Intervals]:
    """List the unsampled parts of reaches within a distance [m] of each of a few places.

    Parameters
    ----------
    unsampled
        The network's unsampled pieces, which do not overlap, by reach and measure.
    rows, measure_m
        The places, (p,). [m]

    Returns
    -------
    place, parts
        Number of the place and the part, whose group is the reach's row; sorted by place, row
        and measure. Parts of one place do not overlap, (k,).
    """
    ends = np.stack([network.from_node[rows], network.to_node[rows]])
    off = np.stack([measure_m, network.length_m[rows] - measure_m])
    near, adjacency = near_nodes(network, ends, within_m)
    number = np.full(network.n_nodes, -1, np.int64)
    number[near] = np.arange(len(near))
    way = scipy.sparse.csgraph.dijkstra(adjacency, indices=number[ends].ravel(), limit=within_m)
    left = within_m - (way.reshape(2, len(rows), -1) + off[:, :, None]).min(axis=0)
    left = np.column_stack([left, np.full(len(left), -np.inf)])  # number −1: too far
    upper, lower = number[network.from_node], number[network.to_node]
    reach = np.flatnonzero((upper >= 0) | (lower >= 0))
    from_upper, from_lower = left[:, upper[reach]], left[:, lower[reach]]
    (down, k_down), (up, k_up) = np.nonzero(from_upper > 0), np.nonzero(from_lower > 0)
    length, m = network.length_m[reach], len(network.length_m)
    around = union_intervals(
        np.concatenate(
            [np.arange(len(rows)) * m + rows, down * m + reach[k_down], up * m + reach[k_up]]
        ),
        np.concatenate(
            [
                np.maximum(measure_m - within_m, 0.0),
                np.zeros(len(down)),
                np.maximum(length[k_up] - from_lower[up, k_up], 0.0),
            ]
        ),
        np.concatenate(
            [
                np.minimum(measure_m + within_m, network.length_m[rows]),
                np.minimum(from_upper[down, k_down], length[k_down]),
                length[k_up],
            ]
        ),
    )
    place, row = np.divmod(around.group, m)
    touched = narrow(distinct(row))
    first, end = (np.searchsorted(unsampled.group, touched, side) for side in ("left", "right"))
    pieces = unsampled.at(rows_of_runs(first, end - first))
    cut = overlay(Intervals(row, around.from_m, around.to_m), pieces)
    return place[cut.interval], Intervals(row[cut.interval], cut.from_m, cut.to_m)


def upper_bounds(
    network: Network,
    unsampled: Intervals,
    within_m: float,
    rows: Ints,
    measure_m: Floats,
    weight: Floats | None = None,
) -> Floats:
    """Bound from above the unsampled length within a distance of each of many places, (p,). [m].

    At least the length of the parts that :func:`unsampled_within` lists, weighed by how much a
    metre of each reach counts, 0 to 1; 1 each where no `weight` is given, (m,).

    Notes
    -----
    The distance is cut into 32 to 96 levels. What a walk can still reach with k levels left is
    added up over the ways on, except straight back, from k = 1 upwards, for all ways of the
    network at once. Lengths are rounded down to levels, nodes joined by less than a level
    are taken as one, and in loops length is counted once per way, so it can only be too much.
    """
    if not len(rows):
        return np.empty(0)
    m = len(network.length_m)
    reaches_far = within_m / network.length_m.mean()
    levels = int(np.clip(_LEVELS_A_REACH * reaches_far, _FEWEST_LEVELS, _MOST_LEVELS))
    level = within_m / levels
    counts = unsampled.length_m if weight is None else unsampled.length_m * weight[unsampled.group]
    left = np.bincount(unsampled.group, weights=counts, minlength=m)
    short = network.length_m < level
    count, place = connected_parts(
        network.from_node[short], network.to_node[short], network.n_nodes
    )
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
