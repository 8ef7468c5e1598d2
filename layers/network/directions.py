"""What lies upstream or downstream of a point, branches and loops included."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy

from layers.errors import FrameError
from layers.network.intervals import Intervals

if TYPE_CHECKING:
    from layers.network.graph import Network

__all__ = ["downstream_of", "upstream_of"]


def upstream_of(network: Network, row: int, measure_m: float | None = None) -> Intervals:
    """Cut out all water that flows through a point on the reach of a row.

    Without a measure [m] the point is the downstream end of the reach. FrameError where the measure
    lies outside the reach.

    Returns
    -------
    Intervals
        One for each reach, by row: whole reaches, and the point's own reach down to the point.
        Where the reach lies in a directed loop, water from below the point comes back to it, so
        the whole reach is upstream.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from layers.network.graph import build_network
    >>> lines = ["LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)",
    ...          "LINESTRING (0 500, 0 0)"]
    >>> lines = gpd.GeoSeries.from_wkt(lines, index=["A", "B", "C"], crs="EPSG:25830")
    >>> network = build_network(lines.to_frame("geometry"))
    >>> upstream_of(network, 2, 120.0)
    Intervals(group=array([0, 1, 2]), from_m=array([0., 0., 0.]), to_m=array([400., 500., 120.]))
    >>> downstream_of(network, 1)
    Intervals(group=array([1, 2]), from_m=array([0., 0.]), to_m=array([500., 500.]))
    """
    return _beyond(network, row, measure_m, upstream=True)


def downstream_of(network: Network, row: int, measure_m: float | None = None) -> Intervals:
    """Cut out all water that a point's water flows on through; as :func:`upstream_of`.

    Without a measure the point is the upstream end of the reach. Where the channel divides,
    every arm counts.
    """
    return _beyond(network, row, measure_m, upstream=False)


def _beyond(network: Network, row: int, measure_m: float | None, *, upstream: bool) -> Intervals:
    length = float(network.length_m[row])
    measure = (length if upstream else 0.0) if measure_m is None else float(measure_m)
    if not 0.0 <= measure <= length:
        raise FrameError(
            f"measure {measure:g} m lies outside reach {network.reaches.index[row]!r} "
            f"of {length:.1f} m; give one from 0 to its length."
        )
    tail, head = network.from_node, network.to_node
    if not upstream:
        tail, head = head, tail
    n = network.n_nodes
    against = scipy.sparse.csr_array((np.ones(len(tail), np.int8), (head, tail)), shape=(n, n))
    nodes = scipy.sparse.csgraph.breadth_first_order(
        against, tail[row], directed=True, return_predecessors=False
    )
    passed = np.zeros(n, bool)
    passed[nodes] = True
    beyond = passed[head]
    rows = np.flatnonzero(beyond)
    from_m, to_m = np.zeros(len(rows)), network.length_m[rows].astype(np.float64)
    if not beyond[row]:
        own = (0.0, measure) if upstream else (measure, length)
        at = int(np.searchsorted(rows, row))
        rows = np.insert(rows, at, row)
        from_m, to_m = np.insert(from_m, at, own[0]), np.insert(to_m, at, own[1])
    some = from_m < to_m
    return Intervals(rows[some], from_m[some], to_m[some])
