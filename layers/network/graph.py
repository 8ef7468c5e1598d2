"""Reaches as one directed stream network: nodes, stream order, upstream length."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import scipy
import shapely

from layers.arrays import narrow
from layers.crs import require_metres
from layers.errors import NetworkError
from layers.network.lines import Lines
from layers.network.stream_order import (
    FlowGraph,
    connected_parts,
    flow_graph,
    strahler_order,
    upstream_sum,
)
from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Iterable

    import geopandas as gpd
    import pyproj

    from layers.arrays import Bools, Floats, Ints


_MOST_IN_A_STRIP = 24
_AT_ONCE = 50_000  # shapes that are drawn; as vertices they take a fifth

__all__ = [
    "Network",
    "build_network",
    "join_ends",
    "nodes_of_lines",
    "sorted_by_id",
    "usable_lines",
]


@dataclass(frozen=True, eq=False)
class Network:
    """A stream network; arrays follow the rows of `reaches`, which are sorted by `reach_id`.

    Attributes
    ----------
    reaches
        m LineStrings drawn downstream, indexed by `reach_id` (text), with `stream_name`,
        `strahler`, `kind`, `length_m` and whatever else was given.
    from_node, to_node
        Node numbers 0 … n − 1 at the upstream and downstream end, (m,).
    length_m
        Planar length in `crs`, (m,). [m]
    node_xy
        Place of each node, the mean of the ends joined there, (n, 2). [m]
    crs
        Projected CRS in metres.
    tolerance_m
        Distance within which ends were joined. [m]
    strahler
        Stream order as given with the reaches, computed where missing, (m,).
    upstream_length_m
        Length of all reaches upstream, itself included, each counted once, (m,). [m]
    in_loop
        Reaches that are part of a directed loop, (m,).
    """

    reaches: gpd.GeoDataFrame
    from_node: Ints
    to_node: Ints
    length_m: Floats
    node_xy: Floats
    crs: pyproj.CRS
    tolerance_m: float
    strahler: Ints
    upstream_length_m: Floats
    in_loop: Bools

    @property
    def n_nodes(self) -> int:
        """Number of nodes."""
        return len(self.node_xy)

    @property
    def total_length_m(self) -> float:
        """Length of all reaches together, in metres."""
        return float(self.length_m.sum())

    def rows(self, reach_ids: Iterable[Any]) -> Ints:
        """Row number of each reach id; −1 where the id is missing or unknown."""
        wanted = pd.Index(reach_ids)
        found: Ints = self.reaches.index.get_indexer(wanted).astype(np.int64)
        return found

    @property
    def lines(self) -> Lines:
        """Lines of the reaches."""
        lines: Lines = self.reaches.geometry.array
        return lines

    @cached_property
    def streams(self) -> tuple[Ints, pd.DataFrame]:
        """Streams, as :func:`layers.network.streams.streams` gathers them."""
        from layers.network.streams import streams  # it reads networks itself

        return streams(self)

    @cached_property
    def in_degree(self) -> Ints:
        """Number of reaches that end at each node, (n,)."""
        return np.bincount(self.to_node, minlength=self.n_nodes).astype(np.int64)

    @cached_property
    def out_degree(self) -> Ints:
        """Number of reaches that begin at each node, (n,)."""
        return np.bincount(self.from_node, minlength=self.n_nodes).astype(np.int64)

    @cached_property
    def sources(self) -> Ints:
        """Nodes where water only leaves, ascending."""
        return np.flatnonzero((self.in_degree == 0) & (self.out_degree > 0))

    @cached_property
    def outlets(self) -> Ints:
        """Nodes where water only arrives, ascending."""
        return np.flatnonzero((self.out_degree == 0) & (self.in_degree > 0))

    @cached_property
    def component(self) -> Ints:
        """Connected part of each reach regardless of flow, (m,); 0 is the longest part."""
        of_node = connected_parts(self.from_node, self.to_node, self.n_nodes)[1]
        of_reach = of_node[self.from_node]
        length = np.bincount(of_reach, weights=self.length_m, minlength=len(of_reach) and 1)
        rank: Ints = np.argsort(np.argsort(-length, kind="stable"))
        return rank[of_reach]

    @cached_property
    def upstream_next(self) -> Ints:
        """Row of the reach that a walk upstream takes at the head of each reach, (m,).

        Of the reaches that end where this one begins: the highest Strahler order, then the
        greatest upstream length, then the lowest `reach_id`. −1 at a source. In a directed
        loop such a walk returns to where it began, so a walk has to end by its length.
        """
        return self._greatest_at(self.to_node)[self.from_node]

    @cached_property
    def downstream_next(self) -> Ints:
        """Row of the reach that a walk downstream takes at the foot of each reach, (m,).

        The only reach that begins there, or where the channel divides the highest Strahler
        order, then the greatest upstream length, then the lowest `reach_id`. −1 at an outlet.
        """
        return self._greatest_at(self.from_node)[self.to_node]

    def _greatest_at(self, node: Ints) -> Ints:
        """Greatest of the reaches with an end at each node; −1 where none has, (n,)."""
        # A stable sort: of equals the lowest `reach_id` comes first.
        greatest_first = np.lexsort((-self.upstream_length_m, -self.strahler))
        nodes, first = np.unique(node[greatest_first], return_index=True)
        greatest = np.full(self.n_nodes, -1, np.int64)
        greatest[nodes] = greatest_first[first]
        return narrow(greatest)

    @cached_property
    def adjacency(self) -> scipy.sparse.csr_array:
        """Node-to-node distances along single reaches, both directions, (n, n) [m].

        For `scipy.sparse.csgraph`. Of several reaches between the same two nodes the
        shortest counts; a place on one of the longer ones is reached through the ends of its
        own reach, whose own length is in `length_m`. A reach that returns to its own node
        joins nothing and has no entry.
        """
        rows = self.reach_between
        return scipy.sparse.csr_array(
            (self.length_m[rows.data - 1], rows.indices, rows.indptr), shape=rows.shape
        )

    @cached_property
    def reach_between(self) -> scipy.sparse.csr_array:
        """Row + 1 of the shortest reach between two nodes, for each entry of `adjacency`.

        In int32, as SciPy's searches take it; they would copy wider numbers every time.
        """
        low = np.minimum(self.from_node, self.to_node)
        high = np.maximum(self.from_node, self.to_node)
        order = np.lexsort((self.length_m, high, low))
        low, high = low[order], high[order]
        first = np.ones(len(low), bool)
        first[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
        keep = first & (low != high)
        a, b, row = (each[keep].astype(np.int32) for each in (low, high, order + 1))
        matrix = scipy.sparse.coo_array(
            (np.tile(row, 2), (np.concatenate([a, b]), np.concatenate([b, a]))),
            shape=(self.n_nodes, self.n_nodes),
        )
        return scipy.sparse.csr_array(matrix)


def build_network(reaches: gpd.GeoDataFrame, *, tolerance_m: float = 0.5) -> Network:
    """Join reaches at their shared ends.

    Parameters
    ----------
    reaches
        m LineStrings indexed by `reach_id`, drawn downstream, projected CRS in metres. Optional
        columns: `strahler` (kept where 1 or more, computed where missing), `stream_name`,
        `kind` (`stream` where missing). A copy is kept, sorted by `reach_id` as text.
    tolerance_m
        Ends at most this far apart are one node, also through a chain of ends. [m]

    Raises
    ------
    CrsError
        The CRS is missing, geographic or not in metres.
    NetworkError
        A reach is not one LineString, has zero length, or shares its id.

    Examples
    --------
    >>> lines = ["LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)",
    ...          "LINESTRING (0 500, 0 0)"]
    >>> import geopandas as gpd
    >>> lines = gpd.GeoSeries.from_wkt(lines, index=["A", "B", "C"], crs="EPSG:25830")
    >>> reaches = lines.to_frame("geometry")
    >>> network = build_network(reaches)
    >>> network.strahler.tolist(), network.upstream_length_m.tolist()
    ([1, 1, 2], [400.0, 500.0, 1400.0])
    """
    require_metres(reaches.crs, what="reaches")
    if not np.isfinite(tolerance_m) or tolerance_m < 0:
        raise NetworkError(f"tolerance_m is {tolerance_m}; give a distance of 0 m or more.")
    frame = sorted_by_id(reaches)
    lines, length = usable_lines(frame)
    frame[frame.geometry.name] = lines
    from_node, to_node, node_xy = nodes_of_lines(lines, tolerance_m)
    graph = flow_graph(from_node, to_node, len(node_xy))
    strahler = _orders(frame, graph)
    missing = pd.Series(None, index=frame.index, dtype="str")
    # With the index of the frame they are not copied: the network and its reaches share them.
    frame["length_m"] = pd.Series(length, index=frame.index, copy=False)
    frame["strahler"] = pd.Series(strahler, index=frame.index, copy=False)
    frame["stream_name"] = frame["stream_name"].astype("str") if "stream_name" in frame else missing
    frame["kind"] = frame["kind"].astype("str").fillna("stream") if "kind" in frame else "stream"
    return Network(
        reaches=frame,
        from_node=from_node,
        to_node=to_node,
        length_m=length,
        node_xy=node_xy,
        crs=frame.crs,
        tolerance_m=float(tolerance_m),
        strahler=strahler,
        upstream_length_m=upstream_sum(graph, length),
        in_loop=graph.in_loop,
    )


def nodes_of_lines(lines: Lines, tolerance_m: float) -> tuple[Ints, Ints, Floats]:
    """Join LineStrings, none empty, at ends at most `tolerance_m` apart, as :func:`join_ends` does.

    Returns
    -------
    from_node, to_node
        Node at the first and the last vertex of each line, (m,).
    node_xy
        Place of each node, (n, 2). [m]
    """
    ends = np.concatenate([lines.first, lines.first + lines.count - 1])
    node, node_xy = join_ends(lines.xy[ends], tolerance_m)
    return node[: len(lines)], node[len(lines) :], node_xy


def join_ends(ends: Floats, tolerance_m: float) -> tuple[Ints, Floats]:
    """Give a number to each place where line ends, (k, 2) [m], meet.

    Ends at most `tolerance_m` apart meet, also through a chain of ends.

    Returns
    -------
    node
        Node number of each end, (k,). Numbers run by x, then y.
    node_xy
        Mean of the distinct places joined in each node, (n, 2). [m]

    Examples
    --------
    >>> join_ends(np.array([[0.0, 0.0], [5.0, 0.0], [0.3, 0.0]]), 0.5)[0].tolist()
    [0, 1, 0]
    """
    if len(ends) == 0:
        return np.empty(0, np.int64), np.empty((0, 2))
    # As complex numbers they sort by x, then y, in half the time of np.lexsort.
    order = np.argsort(np.ascontiguousarray(ends).view(np.complex128)[:, 0])
    ordered = ends[order]
    new = np.ones(len(ends), bool)
    new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    place_of_end = np.empty(len(ends), np.int64)
    place_of_end[order] = np.cumsum(new) - 1
    places = ordered[new]
    if tolerance_m == 0:
        return place_of_end, places
    pairs = _close_pairs(places, tolerance_m)
    if len(pairs) == 0:
        return place_of_end, places
    n_nodes, labels = connected_parts(pairs[:, 0], pairs[:, 1], len(places))
    # Number nodes by their first place, so that numbering follows coordinates alone.
    _, first = np.unique(labels, return_index=True)
    node_of_place = np.argsort(np.argsort(first))[labels]
    count = np.bincount(node_of_place, minlength=n_nodes)
    node_xy = np.column_stack(
        [np.bincount(node_of_place, weights=places[:, k], minlength=n_nodes) for k in (0, 1)]
    )
    return node_of_place[place_of_end], node_xy / count[:, None]


def _close_pairs(places: Floats, most_m: float) -> Ints:
    """Pairs of places at most `most_m` apart, (p, 2); places run by x.

    Where few others are as close in x, comparing each place with the next few is all there is
    to do; where many are, as on a grid, a tree is faster.
    """
    x = places[:, 0]
    reached = np.searchsorted(x, x + most_m, side="right") - np.arange(len(x))
    if int(reached.max()) > _MOST_IN_A_STRIP:
        pairs: Ints = scipy.spatial.KDTree(places).query_pairs(most_m, output_type="ndarray")
        return pairs
    found = []
    for step in range(1, int(reached.max())):
        one = np.flatnonzero(reached > step)
        away = places[one + step] - places[one]
        close = one[np.hypot(away[:, 0], away[:, 1]) <= most_m]
        found.append(np.column_stack([close, close + step]))
    return np.concatenate([np.empty((0, 2), np.int64), *found])


def sorted_by_id(reaches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Copy reaches, with text ids, in ascending order; NetworkError for a missing or doubled id."""
    if reaches.index.hasnans:
        raise NetworkError("A reach has no reach_id; give every reach an id of its own.")
    frame = reaches.copy()
    frame.index = pd.Index(frame.index.astype("str"), name="reach_id")
    doubled = frame.index[frame.index.duplicated()].unique()
    if len(doubled):
        raise NetworkError(
            f"{counted(len(doubled), 'reach id is', 'reach ids are')} used more than "
            f"once, first {doubled[0]!r}; "
            "give every reach an id of its own."
        )
    return frame.sort_index()


def usable_lines(frame: gpd.GeoDataFrame) -> tuple[Lines, Floats]:
    """Give the lines of reaches and their lengths, (m,) [m].

    Lines that cannot be reaches are refused by a NetworkError that names the first.
    """
    given, parts = frame.geometry.array, []
    for begin in range(0, max(len(frame), 1), _AT_ONCE):
        shapes = np.asarray(given[begin : begin + _AT_ONCE], object)
        kind, length = shapely.get_type_id(shapes), shapely.length(shapes)
        parts.append((shapely.is_missing(shapes), kind, length))
    missing, kind, length = map(np.concatenate, zip(*parts, strict=True))
    faults = (
        (missing, "has no geometry"),
        (kind != shapely.GeometryType.LINESTRING, "is not one LineString"),
        (~np.isfinite(length), "has a coordinate that is not a finite number"),
        (length <= 0, "has zero length"),
    )
    for wrong, words in faults:
        if wrong.any():
            raise NetworkError(
                f"Reach {frame.index[wrong][0]!r} {words} ({int(wrong.sum())} such reaches); "
                "run the network checks and mend or leave out what they list."
            )
    if isinstance(given, Lines):
        return given, length
    return Lines.of(np.asarray(given, object), frame.crs), length


def _orders(frame: gpd.GeoDataFrame, graph: FlowGraph) -> Ints:
    computed = strahler_order(graph)
    if "strahler" not in frame:
        return computed
    given = pd.to_numeric(frame["strahler"], errors="coerce").to_numpy(float, na_value=np.nan)
    return np.where(given >= 1, np.nan_to_num(given), computed).astype(np.int64)
