"""Distance along the network, either way, from any place to the nearest sampled stretch."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy

from layers.arrays import narrow
from layers.network.intervals import (
    Intervals,
    as_intervals,
    overlay,
    remainder,
    union_intervals,
)
from layers.network.stream_order import connected_parts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from layers.arrays import Bools, Floats
    from layers.network.graph import Network

__all__ = [
    "SHORTEST_PIECE_M", "SampledDistance", "distance_to_sampled", "node_distance", "spliced",
    "spread",
]  # fmt: skip

# Measures come out of sums of coordinates; what is left between two of them below a
# micrometre is rounding, not stream.
SHORTEST_PIECE_M = 1e-6


@dataclass(frozen=True, eq=False)
class SampledDistance:
    """How far every place of a network is from the nearest sampled stretch.

    Attributes
    ----------
    network
        The network measured.
    sampled
        Joined sampled intervals; `group` is the reach's row.
    node_m
        Distance of each node; infinite where its connected part has no sample, (n,). [m]
    moved
        Reaches that may differ in any of this from what it was computed from, (m,).
    """

    network: Network
    sampled: Intervals
    node_m: Floats
    moved: Bools

    @cached_property
    def unsampled(self) -> Intervals:
        """The pieces between sampled intervals, k of them, sorted by reach and measure."""
        pieces = remainder(self.sampled, self.network.length_m, SHORTEST_PIECE_M)
        return pieces._replace(group=narrow(pieces.group))

    @cached_property
    def from_m(self) -> Floats:
        """Distance at the upper end of each unsampled piece, (k,). [m]."""
        own, at_head = self.unsampled.group, self.unsampled.from_m <= SHORTEST_PIECE_M
        return np.where(at_head, self.node_m[self.network.from_node[own]], 0.0)

    @cached_property
    def to_m(self) -> Floats:
        """Distance at the lower end of each unsampled piece, (k,). [m]."""
        own = self.unsampled.group
        at_foot = self.unsampled.to_m >= self.network.length_m[own] - SHORTEST_PIECE_M
        return np.where(at_foot, self.node_m[self.network.to_node[own]], 0.0)

    def within(self, region: Intervals | None) -> SampledDistance:
        """Leave only the unsampled pieces in a region, whose parts do not overlap."""
        if region is None:
            return self
        piece = self.unsampled
        cut = overlay(piece, region)
        k = cut.interval
        upper = np.minimum(
            self.from_m[k] + (cut.from_m - piece.from_m[k]),
            self.to_m[k] + (piece.to_m[k] - cut.from_m),
        )
        lower = np.minimum(
            self.from_m[k] + (cut.to_m - piece.from_m[k]),
            self.to_m[k] + (piece.to_m[k] - cut.to_m),
        )
        left, within = Intervals(piece.group[k], cut.from_m, cut.to_m), replace(self)
        vars(within).update(unsampled=left, from_m=upper, to_m=lower)
        return within

    @property
    def farthest_m(self) -> Floats:
        """Distance from the farthest point within each unsampled piece, (k,). [m].

        From a piece one leaves by either end. The two ways are equally long where the
        distance is greatest: half of both end distances and the piece's length together.
        """
        farthest: Floats = (self.from_m + self.to_m + self.unsampled.length_m) / 2.0
        return farthest

    @property
    def farthest_measure_m(self) -> Floats:
        """Measure of that point on its reach; missing where nothing is sampled, (k,). [m]."""
        known = np.isfinite(self.from_m) & np.isfinite(self.to_m)
        difference = np.where(known, self.to_m, np.nan) - np.where(known, self.from_m, np.nan)
        along = (difference + self.unsampled.length_m) / 2.0
        measure: Floats = np.clip(
            self.unsampled.from_m + along, self.unsampled.from_m, self.unsampled.to_m
        )
        return measure


def distance_to_sampled(
    network: Network,
    rows: ArrayLike,
    from_m: ArrayLike,
    to_m: ArrayLike,
    *,
    before: SampledDistance | None = None,
    changed: Bools | None = None,
) -> SampledDistance:
    """Measure how far every place of a network is from the nearest sampled stretch.

    Distance runs along the reaches, up or down: fish and field teams go both ways.

    Parameters
    ----------
    rows
        Row of the reach of each sampled interval, (s,).
    from_m, to_m
        Its measures, in any order, overlaps allowed; cut to the reach, (s,). [m]
    before, changed
        The same of an earlier time, and the reaches whose intervals are others since, (m,). Only
        what can differ is computed: a way from unsampled water ends where it meets sampled water,
        so a change reaches as far as reaches join on which nothing was or is sampled.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from layers.network.graph import build_network
    >>> lines = ["LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)",
    ...          "LINESTRING (0 500, 0 0)"]
    >>> lines = gpd.GeoSeries.from_wkt(lines, index=["A", "B", "C"], crs="EPSG:25830")
    >>> network = build_network(lines.to_frame("geometry"))
    >>> distance = distance_to_sampled(network, [2], [100], [200])
    >>> distance.farthest_m.tolist()
    [500.0, 600.0, 100.0, 300.0]
    """
    given = as_intervals(rows, from_m, to_m)
    if before is not None and changed is not None:
        given = given.at(changed[given.group])
    ceiling = network.length_m[given.group]
    sampled = union_intervals(
        given.group, np.clip(given.from_m, 0.0, ceiling), np.clip(given.to_m, 0.0, ceiling)
    )
    moved = np.ones(len(network.length_m), bool)
    near = np.ones(network.n_nodes, bool)
    if before is not None and changed is not None:
        sampled = spliced(before.sampled, sampled, changed)
        near = _joined_nodes(network, [before.sampled, sampled], changed)
        moved = near[network.from_node] | near[network.to_node]
    seeds = np.full(network.n_nodes, np.inf)
    group = sampled.group
    if len(group):
        first = np.flatnonzero(np.append(True, group[1:] != group[:-1]))
        last = np.append(first[1:], len(group)) - 1
        np.minimum.at(seeds, network.from_node[group[first]], sampled.from_m[first])
        np.minimum.at(
            seeds,
            network.to_node[group[last]],
            network.length_m[group[last]] - sampled.to_m[last],
        )
    if before is None or near.all():
        node_m = node_distance(network, seeds)
    else:
        nodes, node_m = np.flatnonzero(near), before.node_m.copy()
        node_m[nodes] = spread(network.adjacency[nodes][:, nodes], seeds[nodes])
    return SampledDistance(network, sampled, node_m, moved)


def spliced(old: Intervals, new: Intervals, changed: Bools) -> Intervals:
    """Put in the new intervals of changed groups; both are sorted by group and measure."""
    both = zip(old.at(~changed[old.group]), new.at(changed[new.group]), strict=True)
    joined = Intervals(*(np.concatenate(pair) for pair in both))
    return joined.at(np.argsort(joined.group, kind="stable"))


def _joined_nodes(network: Network, sampled: Sequence[Intervals], changed: Bools) -> Bools:
    """Mark the nodes at changed reaches, and those that they join to over reaches without any."""
    bare = np.zeros(len(changed), bool)
    for each in sampled:
        bare |= np.bincount(each.group, minlength=len(changed)) == 0
    ends = network.from_node[bare], network.to_node[bare]
    part = connected_parts(*ends, network.n_nodes)[1]
    marked = np.zeros(network.n_nodes, bool)
    marked[part[network.from_node[changed]]] = marked[part[network.to_node[changed]]] = True
    there: Bools = marked[part]
    return there


def node_distance(network: Network, seeds: Floats, *, limit_m: float = np.inf) -> Floats:
    """Spread known distances along the network, either way.

    `seeds` has the distance already known at each node, infinite where none is, (n,) [m]; distances
    above `limit_m` are not looked for, and stay infinite. [m]

    Returns
    -------
    ndarray
        Least over all nodes of their seed and the way from there, (n,) [m]: SciPy's Dijkstra
        search from one further node, joined to each known one by its seed.
    """
    return spread(network.adjacency, seeds, limit_m)


def spread(single: scipy.sparse.csr_array, seeds: Floats, limit_m: float = np.inf) -> Floats:
    """Spread known distances over the nodes of a part of a network, as :func:`node_distance`."""
    known, n = np.flatnonzero(np.isfinite(seeds)), len(seeds)
    graph = scipy.sparse.csr_array(
        (
            np.append(single.data, seeds[known]),
            np.append(single.indices, narrow(known)),
            np.append(single.indptr, np.int32(single.nnz + len(known))),
        ),
        shape=(n + 1, n + 1),
    )
    distance: Floats = scipy.sparse.csgraph.dijkstra(graph, indices=[n], limit=limit_m)[0, :n]
    return distance
