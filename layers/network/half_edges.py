"""Every reach seen from both of its ends, in the order of the nodes it is seen from."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.network.graph import Network

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

__all__ = ["HalfEdges", "half_edges"]


class HalfEdges(NamedTuple):
    """Ways out of each node: those of node k are the entries `first[k]` to `first[k + 1]`.

    `head` is the node at the other end, `row` the reach, `down` whether it is left
    downstream. A reach that returns to its own node appears there twice.
    """

    first: Ints
    head: Ints
    row: Ints
    down: NDArray[np.bool_]


def half_edges(network: Network) -> HalfEdges:
    """List the ways out of each node, by reach row, downstream before upstream."""
    m, n = len(network.length_m), network.n_nodes
    tail = np.concatenate([network.from_node, network.to_node])
    head = np.concatenate([network.to_node, network.from_node])
    # Transposing a sparse matrix is a counting sort, faster than sorting the tails.
    by_tail = scipy.sparse.csr_array(
        (np.ones(2 * m, np.int8), tail, np.arange(2 * m + 1)), shape=(2 * m, n)
    ).tocsc()
    half = by_tail.indices.astype(np.int64)
    down = half < m
    return HalfEdges(by_tail.indptr.astype(np.int64), head[half], half - m * ~down, down)
