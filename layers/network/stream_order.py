"""Stream order and upstream length of a directed network, loops and side channels included.

Every rule works on node numbers alone. Nodes joined by a directed loop are treated as one
block, so that a wrongly digitised loop can neither hang nor crash a computation. The walks
are plain loops, since each step needs the one before. Their arrays are those of the standard
library: NumPy's are slow to read one by one, and lists take ten times as much.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Ints

__all__ = ["FlowGraph", "connected_parts", "flow_graph", "strahler_order", "upstream_sum"]


@dataclass(frozen=True)
class FlowGraph:
    """Blocks of nodes (one node, or all nodes of a directed loop) and the reaches between.

    `tail` and `head` give each reach's blocks, equal for a reach within a loop; `upstream_of` and
    `downstream_of` have, per block, the blocks one reach away. `downward` lists all blocks so that
    water only flows forward.
    """

    tail: Ints
    head: Ints
    upstream_of: _Links
    downstream_of: _Links
    downward: array[int]

    @property
    def in_loop(self) -> Bools:
        """Reaches whose two ends lie in one directed loop, (n_reaches,)."""
        return np.equal(self.tail, self.head)


class _Links:
    """Values of each key 0 … n − 1, ascending."""

    def __init__(self, keys: Ints, values: Ints, n: int) -> None:
        self._values = _plain(values[np.lexsort((values, keys))])
        self._begin = _plain(np.append(0, np.cumsum(np.bincount(keys, minlength=n))))

    def __getitem__(self, key: int) -> array[int]:
        return self._values[self._begin[key] : self._begin[key + 1]]


def _plain(numbers: Ints) -> array[int]:
    return array("i", numbers.astype(np.intc).tobytes())


def connected_parts(one: Ints, other: Ints, size: int, *, loops: bool = False) -> tuple[int, Ints]:
    """Count the parts that links between `size` things make, and give each thing its part.

    Those of `loops` are only joined that lead to one another both ways.
    """
    links = scipy.sparse.coo_array((np.ones(len(one), np.int8), (one, other)), (size, size))
    count, part = scipy.sparse.csgraph.connected_components(
        links.tocsr(), directed=loops, connection="strong"
    )
    return count, part.astype(np.int64)


def flow_graph(from_node: Ints, to_node: Ints, n_nodes: int) -> FlowGraph:
    """Arrange the nodes of a directed network in the order in which water passes them.

    `from_node`, `to_node` are at the upstream and downstream end of each reach, 0 … `n_nodes` − 1.
    """
    n_blocks, block = connected_parts(from_node, to_node, n_nodes, loops=True)
    tail, head = block[from_node], block[to_node]
    between = tail != head
    upstream_of = _Links(head[between], tail[between], n_blocks)
    downstream_of = _Links(tail[between], head[between], n_blocks)
    arriving = np.bincount(head[between], minlength=n_blocks)
    waiting, downward = _plain(arriving), _plain(np.flatnonzero(arriving == 0))
    for number in downward:  # grows while it is walked
        for below in downstream_of[number]:
            waiting[below] -= 1
            if waiting[below] == 0:
                downward.append(below)
    return FlowGraph(tail, head, upstream_of, downstream_of, downward)


def strahler_order(graph: FlowGraph) -> Ints:
    """Strahler order of every reach.

    Reaches at a source have order 1. Where reaches meet, the highest arriving order m goes
    on, and m + 1 if at least two streams of order m arrive (Strahler 1957). Below a node
    where the channel divides, every branch keeps the order, and branches of one and the same
    stream that rejoin do not raise it: a stream of order m is followed from where it reached
    that order, and only two different ones count as two. Reaches within a directed loop
    share the order that the loop as one node would send on.

    Notes
    -----
    A. N. Strahler, Quantitative analysis of watershed geomorphology, Transactions of the
    American Geophysical Union 38 (1957) 913-920. The rule for divided channels is this
    project's, since the paper treats trees only.

    Examples
    --------
    Two sources meet (0 and 1 at node 2), then the stream divides and rejoins:

    >>> ends = np.array([0, 1, 2, 3, 3, 4]), np.array([2, 2, 3, 4, 4, 5])
    >>> strahler_order(flow_graph(*ends, 6)).tolist()
    [1, 1, 2, 2, 2, 2]
    """
    n_blocks = len(graph.downward)
    order, stem = array("i", [1]) * n_blocks, array("i", range(n_blocks))
    for number in graph.downward:
        above = graph.upstream_of[number]
        if not above:
            continue
        highest = max(order[k] for k in above)
        stems = {stem[k] for k in above if order[k] == highest}
        if len(stems) == 1:
            order[number] = highest
            stem[number] = stems.pop()
        else:
            order[number] = highest + 1
    return np.asarray(order).astype(np.int64)[graph.tail]


def upstream_sum(graph: FlowGraph, at_reach: Floats) -> Floats:
    """Sum what lies upstream of every reach, itself included, each reach once.

    Where a channel divides and rejoins, all that lies above the division is still counted
    once. With lengths `at_reach` this is the upstream length. Every reach of a directed loop has
    the whole loop upstream.

    Notes
    -----
    Block v *gathers* block u when every way down from u passes v. What a block gathers forms
    a tree (the post-dominator tree), hence two blocks' gatherings are nested or disjoint. All
    that is upstream of v is what v gathers plus the gatherings of a few *open* blocks, from
    which water can reach v but also pass it by.

    Examples
    --------
    >>> ends = np.array([0, 1, 1, 2]), np.array([1, 2, 2, 3])
    >>> upstream_sum(flow_graph(*ends, 4), np.array([10.0, 5.0, 7.0, 1.0])).tolist()
    [10.0, 15.0, 17.0, 23.0]
    """
    n_blocks = len(graph.downward)
    if n_blocks == 0:
        return np.empty(0, np.float64)
    amount = np.bincount(graph.head, weights=at_reach, minlength=n_blocks)
    gatherer = _gatherers(graph)
    gathered = array("d", amount.tobytes())
    for number in graph.downward:
        if gatherer[number] < n_blocks:
            gathered[gatherer[number]] += gathered[number]
    first, last = _nesting(graph.downward, gatherer)
    total = gathered[:]
    open_blocks: dict[int, list[int]] = {}
    for number in graph.downward:
        found: set[int] = set()
        for above in graph.upstream_of[number]:
            if gatherer[above] != number:
                found.add(above)
            found.update(open_blocks.get(above, ()))
        if found:
            low, high = first[number], last[number]
            outside = sorted((first[k], k) for k in found if not low <= first[k] < high)
            kept: list[int] = []
            reached = -1
            for begin, k in outside:  # nested gatherings: keep only the widest
                if begin >= reached:
                    kept.append(k)
                    reached = last[k]
            if kept:
                open_blocks[number] = kept
                total[number] += sum(gathered[k] for k in kept)
    whole = np.asarray(total)[graph.tail]
    return np.where(graph.in_loop, whole, whole + at_reach)


def _gatherers(graph: FlowGraph) -> array[int]:
    """Nearest block below that every way down passes; `n_blocks` where there is none."""
    n_blocks = len(graph.downward)
    gatherer = array("i", [n_blocks]) * (n_blocks + 1)
    depth = array("i", [0]) * (n_blocks + 1)
    for number in reversed(graph.downward):
        below = graph.downstream_of[number]
        if not below:
            depth[number] = 1
            continue
        meeting = below[0]
        for other in below[1:]:
            step = other
            while meeting != step:
                if depth[meeting] >= depth[step]:
                    meeting = gatherer[meeting]
                else:
                    step = gatherer[step]
        gatherer[number] = meeting
        depth[number] = depth[meeting] + 1
    return gatherer


def _nesting(downward: array[int], gatherer: array[int]) -> tuple[array[int], array[int]]:
    """Run numbers such that what a block gathers is one run first … last − 1."""
    n_blocks = len(downward)
    size = array("i", [1]) * (n_blocks + 1)
    for number in downward:
        size[gatherer[number]] += size[number]
    taken = array("i", [0]) * (n_blocks + 1)
    first = taken[:]
    for number in reversed(downward):
        holder = gatherer[number]
        first[number] = first[holder] + 1 + taken[holder]
        taken[holder] += size[number]
    return first, _plain(np.add(first, size))
