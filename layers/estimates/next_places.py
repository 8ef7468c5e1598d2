"""Where to go next: places near the most length still open to a target, one after another."""

from __future__ import annotations

from heapq import heappop, heappush
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.arrays import narrow
from layers.coded import distinct
from layers.crs import choose_operation
from layers.errors import FrameError
from layers.fieldwork.counted_water import holds
from layers.frames import codes_within, reads
from layers.network.cutting import place_on_reach
from layers.network.distance import SHORTEST_PIECE_M, SampledDistance, spread
from layers.network.intervals import Intervals, overlay, union_intervals
from layers.network.reach_balls import unsampled_within, upper_bounds
from layers.network.ways import SEARCHED_AT_ONCE, near_nodes
from layers.plurals import counted

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Floats, Ints
    from layers.fieldwork.counted_water import Counted, CountedWater
    from layers.network.graph import Network

__all__ = ["candidate_places", "done_before", "next_places"]

_Around = dict[tuple[int, float], Intervals]  # by row and measure of a place

_MOST_A_PIECE: Final = 20
_SORTED_FIRST: Final = 4_096  # candidates by bound; the others when these do not suffice
_FEW: Final = 600  # candidates that are searched without a bound sooner than all are bounded


@reads(methods="method")
def next_places(
    water: CountedWater,
    before: CountedWater,
    methods: pd.DataFrame,
    *,
    count: int = 10,
    within_m: float = 1_000.0,
    counts: Counted = "visited",
    clear_m: float = 0.0,
    region: Intervals | None = None,
    weight: ArrayLike | None = None,
    earlier: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Choose the places to go to next, one after another.

    Each is the candidate with the most length within `within_m` along the network that neither
    counts for the target nor lies within `within_m` of a place chosen before. Of equal candidates
    the lower `reach_id`, then the lower measure, is taken.

    Parameters
    ----------
    water
        What the placements of the target visited and sampled.
    before
        What all placements did that are to be named in `done_before`.
    methods
        Index `method`; `label`.
    count
        How many places at most.
    within_m
        Distance along the network, either way, that a place stands for. [m]
    counts
        Which water counts for the target: `visited` or `sampled`.
    clear_m
        Places keep this distance along the network from water that counts. [m]
    region
        Parts of reaches that do not overlap: places lie there, and only length there counts.
    weight
        How much a metre of each reach counts in the choice, 0 or more; 1 each, (m,).
    earlier
        Places chosen by the same question when water of the region was as it is: only what was
        done near them is looked up.

    Returns
    -------
    GeoDataFrame
        `rank`, 1 …; `reach_id`; `stream`; `measure_m` [m]; `longitude`, `latitude`, degrees on
        WGS 84; `adds_m`, the length that this place adds, not weighed [m]; `remaining_share`,
        share of the length of network or region that after it neither counts nor is near a
        chosen place; `done_before`, what was done within `within_m` of it, latest first, and how
        far the nearest was; `stream_id`; geometry, the point in the network's CRS. Fewer rows
        than `count` where nothing is left; `attrs["inputs"]` then says so, with what was used
        and left out.

    Raises
    ------
    FrameError
        A column is missing, `count` or `within_m` is not above 0, `counts` is another word, or
        weights are not one for each reach from 0 up.

    Notes
    -----
    Greedy choice, which covers at least 63 % of what the best choice of as many candidates
    can (G. L. Nemhauser, L. A. Wolsey and M. L. Fisher, Mathematical Programming 14 (1978)
    265-294; from memory). What a place adds can only fall as others are chosen, so an older
    figure bounds a newer one and few have to be computed anew (M. Minoux 1978; from memory).
    """
    if count < 1 or not within_m > 0 or not np.isfinite(within_m):
        raise FrameError(
            f"count {count}, within_m {within_m}: give a count and a distance above 0."
        )
    network, frame = water.network, earlier
    if frame is None:
        frame = _chosen(water, count, within_m, counts, clear_m, region, weight)
    rows, measure = network.rows(frame["reach_id"]), frame["measure_m"].to_numpy(np.float64)
    frame = frame.assign(done_before=done_before(before, methods, rows, measure, within_m))
    frame.attrs["inputs"] = water.inputs(counts) | {
        "count": counts, "within_m": within_m, "clear_m": clear_m,
    }  # fmt: skip
    if len(frame) < count:
        frame.attrs["inputs"]["note"] = (
            f"after {counted(len(frame), 'place')} nothing is left that a place would add"
            if _total_m(network, region)
            else "the network has no reaches"
        )
    return frame


def _total_m(network: Network, region: Intervals | None) -> float:
    return network.total_length_m if region is None else float(region.length_m.sum())


def _chosen(
    water: CountedWater,
    count: int,
    within_m: float,
    counts: Counted,
    clear_m: float,
    region: Intervals | None,
    weight: ArrayLike | None,
) -> gpd.GeoDataFrame:
    """Places as :func:`next_places` gives them, before it is said what was done near them."""
    network = water.network
    distance = water.distance(counts).within(region)
    rows, measure = candidate_places(network, distance, within_m, clear_m, region)
    scale = _scale(network, weight)
    if weight is not None:
        bound = upper_bounds(network, distance.unsampled, within_m, rows, measure, scale)
    elif region is not None and len(rows) <= _FEW:
        bound = np.full(len(rows), np.inf)
    else:
        bound = _followed_bounds(water, (counts, within_m, clear_m), region, rows, measure)
    known = _known_around(water, (counts, within_m), region)
    chosen, adds, around = _choose(
        network, distance, rows, measure, bound, scale, count, within_m, known
    )
    if region is None:
        water.found["around"] = water.made, (counts, within_m), around
    rows, measure = rows[chosen], measure[chosen]
    xy = place_on_reach(network, rows, measure)
    longitude, latitude = choose_operation(network.crs, "EPSG:4326").move(xy[:, 0], xy[:, 1])
    left = distance.unsampled.length_m.sum() - np.cumsum(adds)
    total = _total_m(network, region)
    stream, named = network.streams
    own = named.iloc[stream[rows]]
    return gpd.GeoDataFrame(
        {
            "rank": np.arange(1, len(chosen) + 1),
            "reach_id": pd.Series(network.reaches.index[rows], dtype="str"),
            "stream": own["stream"].array,
            "measure_m": measure,
            "longitude": longitude,
            "latitude": latitude,
            "adds_m": adds,
            "remaining_share": np.clip(left / total if total else left, 0.0, 1.0),
            "done_before": "",
            "stream_id": own["stream_id"].array,
        },
        geometry=shapely.points(xy),
        crs=network.crs,
    )


def _known_around(
    water: CountedWater, options: tuple[Counted, float], region: Intervals | None
) -> _Around:
    """Give what is unsampled around places of the whole network where nothing changed since."""
    made, last, around = water.found.get("around", (-1, None, {}))
    if region is not None or last != options:
        return {}
    near = water.near_changes(made, options[1])
    return {place: own for place, own in around.items() if not near[place[0]]}


def _followed_bounds(
    water: CountedWater,
    options: tuple[Counted, float, float],
    region: Intervals | None,
    rows: Ints,
    own_m: Floats,
) -> Floats:
    """Bounds of candidates: infinite where something changed since all were bounded. [m].

    In a region no place finds more than in the whole network, of which alone bounds are kept.
    """
    counts, within_m, clear_m = options
    distance, network = water.distance(counts), water.network
    every, measure = rows, own_m
    if region is not None:
        every, measure = candidate_places(network, distance, within_m, clear_m)
    made, last, old_rows, bound = water.found.get("bounds", (-1, None, every, every))
    if last == options and made < water.made:
        near = water.near_changes(made, within_m)
        old, bound = bound, np.full(len(every), np.inf)
        bound[~near[every]] = old[~near[old_rows]]
    if last != options or np.isinf(bound).sum() > _FEW:
        bound = upper_bounds(network, distance.unsampled, within_m, every, measure)
    water.found["bounds"] = water.made, options, narrow(every), bound
    if region is None:
        return np.asarray(bound, dtype=np.float64)
    ends, own_ends = (_node_of(network, *those) for those in ((every, measure), (rows, own_m)))
    by_node = np.full(network.n_nodes + 1, np.inf)  # the last is no node
    by_node[ends[ends >= 0]] = bound[ends >= 0]
    own = by_node[own_ends]
    # Reaches that lie in it whole have the same candidates along them.
    same = np.zeros(len(network.length_m), bool)
    same[region.group[region.length_m == network.length_m[region.group]]] = True
    along, own_along = ends < 0, own_ends < 0
    size = [np.bincount(each, minlength=len(same)) for each in (every[along], rows[own_along])]
    same &= size[0] == size[1]
    own[own_along & same[rows]] = bound[along & same[every]]
    return own


def _node_of(network: Network, rows: Ints, measure_m: Floats) -> Ints:
    """Node at which each place lies; −1 between the ends of its reach."""
    lower = np.where(measure_m >= network.length_m[rows], network.to_node[rows], -1)
    return np.where(measure_m <= 0, network.from_node[rows], lower)


def _scale(network: Network, weight: ArrayLike | None) -> Floats:
    """Weights, the greatest of them 1."""
    m = len(network.length_m)
    scale = np.ones(m) if weight is None else np.asarray(weight, np.float64)
    if scale.shape != (m,) or not (np.isfinite(scale).all() and (scale >= 0).all()):
        raise FrameError("Weights must be one number from 0 up for each reach.")
    most = scale.max(initial=0.0)
    return scale / most if most else scale


def candidate_places(
    network: Network,
    distance: SampledDistance,
    within_m: float,
    clear_m: float = 0.0,
    region: Intervals | None = None,
) -> tuple[Ints, Floats]:
    """List the places to choose from, sorted by reach row and measure.

    These are the nodes that no water that counts touches, each named by the reach that begins
    there, or that ends there at an outlet, the first by `reach_id`; and places along every
    piece of what is left: the middles of equal parts no longer than `within_m`, 20 at most. All
    keep `clear_m` from water that counts, and lie in the region.

    Returns
    -------
    rows, measure_m
        Reach row and measure of each candidate. [m]
    """
    pieces = distance.unsampled
    parts = np.clip(np.ceil(pieces.length_m / within_m), 1, _MOST_A_PIECE).astype(np.int64)
    piece = np.repeat(np.arange(len(parts)), parts)
    number = np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts)
    off = pieces.length_m[piece] * (number + 0.5) / parts[piece]
    away = np.minimum(
        distance.from_m[piece] + off, distance.to_m[piece] + pieces.length_m[piece] - off
    )
    along = pieces.from_m[piece] + off
    free = away >= clear_m
    rows, measure = pieces.group[piece][free], along[free]
    node = np.column_stack([network.from_node, network.to_node]).ravel()
    first = np.full(network.n_nodes, -1)
    for lower in (1, 0):  # an upper end goes before lower ones, an earlier reach before later ones
        ends = np.arange(len(node) - 2 + lower, -1, -2)
        if region is not None:
            at = network.length_m[ends // 2] * lower
            ends = ends[holds(region, ends // 2, at)]
        first[node[ends]] = ends
    first = np.sort(first[first >= 0])
    at_node = distance.node_m[node[first]]
    row, lower = np.divmod(first[(at_node > 0) & (at_node >= clear_m)], 2)
    # Places along the pieces are sorted: nodes are put in where they belong.
    among = np.searchsorted(rows, row + lower)
    at = np.where(lower, network.length_m[row], 0.0)
    return np.insert(rows, among, row), np.insert(measure, among, at)


@reads(methods="method")
def done_before(
    before: CountedWater, methods: pd.DataFrame, rows: Ints, measure_m: Floats, within_m: float
) -> pd.Series:
    """Say in words what was done near each of a few places.

    Parameters
    ----------
    before
        The water of all placements that are to be named.
    methods
        Index `method`; `label`.
    rows, measure_m
        The places, (p,). [m]
    within_m
        How far along the network to look. [m]

    Returns
    -------
    Series of str
        Each method with the last year of its placements within the distance, latest first, and
        how far along the network the nearest visited water begins; `nothing within … m` else.
    """
    network, water = before.network, before.visited
    labels = [str(label) for label in methods.get("label", methods.index.to_series())]
    labels = [label[:1].lower() + label[1:] for label in labels]  # within a sentence
    ends = np.column_stack([network.from_node[rows], network.to_node[rows]])
    nodes, adjacency = near_nodes(network, ends, within_m)
    number = np.full(network.n_nodes, -1)
    number[nodes] = np.arange(len(nodes))
    reached = (number[network.from_node] >= 0) | (number[network.to_node] >= 0)
    close = np.flatnonzero(reached[water.intervals.group])
    own, owner = water.intervals.at(close), water.placement[close]
    by, code = np.unique(owner, return_inverse=True)
    code = codes_within(before.placements["method"].iloc[by], methods.index)[code]
    year = pd.Series(before.day[owner]).dt.year.to_numpy(np.float64)
    upper, lower = number[network.from_node[own.group]], number[network.to_node[own.group]]
    said = []
    for row, at, end in zip(rows.tolist(), measure_m.tolist(), number[ends], strict=True):
        seeds = np.full(len(nodes), np.inf)
        seeds[end[0]] = at
        seeds[end[1]] = min(seeds[end[1]], network.length_m[row] - at)
        node_m = np.append(spread(adjacency, seeds, within_m), np.inf)  # number −1: too far
        away = np.minimum(
            node_m[upper] + own.from_m, node_m[lower] + network.length_m[own.group] - own.to_m
        )
        direct = np.maximum(np.maximum(own.from_m - at, at - own.to_m), 0.0)
        away = np.where(own.group == row, np.minimum(away, direct), away)
        near = away <= within_m
        latest = np.full(len(labels) + 1, -np.inf)
        np.fmax.at(latest, code[near], year[near])
        used = distinct(code[near])
        used = used[np.argsort(-latest[used], kind="stable")]
        done = ", ".join(
            labels[k] + (f" {when:.0f}" if when > -np.inf else "")
            for k, when in zip(used.tolist(), latest[used].tolist(), strict=True)
        )
        said.append(
            f"{done}, {away.min():.0f} m off" if done else f"nothing within {within_m:.0f} m"
        )
    return pd.Series(said, dtype="str")


def _foremost(bound: Floats) -> Ints:
    """Candidates with the highest bounds, falling; most of all are looked at by nobody."""
    if len(bound) > _SORTED_FIRST:
        least = np.partition(bound, -_SORTED_FIRST)[-_SORTED_FIRST]
        some = np.flatnonzero(bound >= least)
        return some[np.argsort(-bound[some], kind="stable")]
    return np.argsort(-bound, kind="stable")


def _unsampled_around(
    network: Network,
    unsampled: Intervals,
    within_m: float,
    rows: Ints,
    measure: Floats,
    known: _Around,
) -> _Around:
    """List the unsampled parts within a distance of each of some places; search the unknown."""
    places = list(zip(rows.tolist(), measure.tolist(), strict=True))
    found = {place: known.get(place) for place in places}
    fresh = np.array([place not in known for place in places])
    if fresh.any():
        owner, near = unsampled_within(network, unsampled, within_m, rows[fresh], measure[fresh])
        ends = np.searchsorted(owner, np.arange(int(fresh.sum()) + 1)).tolist()
        cuts = pairwise(ends)
        found = {
            place: near.at(slice(*next(cuts))) if own is None else own
            for place, own in found.items()
        }
    return {place: own for place, own in found.items() if own is not None}


def _choose(
    network: Network,
    distance: SampledDistance,
    rows: Ints,
    measure: Floats,
    bound: Floats,
    scale: Floats,
    count: int,
    within_m: float,
    known: _Around,
) -> tuple[Ints, Floats, _Around]:
    """Take the best candidate `count` times; their positions, what each adds, and what was found.

    What is `known` to be unsampled around candidates is not searched.
    """
    if not len(rows):
        return np.empty(0, np.int64), np.empty(0), {}
    waiting = _foremost(bound)
    parts: dict[int, Intervals] = {}  # unsampled at first, around each candidate searched
    around: _Around = {}
    taken = Intervals(rows[:0], measure[:0], measure[:0])
    chosen: list[int] = []
    adds: list[float] = []
    heap: list[tuple[float, int, int]] = []

    def push(k: int) -> None:
        gain = (parts[k].length_m * scale[parts[k].group]).sum()
        if chosen:
            gone = overlay(parts[k], taken.at(np.isin(taken.group, parts[k].group)))
            gone_from = scale[parts[k].group[gone.interval]]
            gain -= ((gone.to_m - gone.from_m) * gone_from).sum()
        # Micrometres are rounding; without them ties are ties.
        heappush(heap, (-round(float(gain), 6), k, len(chosen)))

    following = 0
    # Each that is chosen leaves the heap, so that few candidates may all be chosen.
    while len(chosen) < count and (heap or following < len(bound)):
        while following < len(bound):
            if following == len(waiting):
                waiting = np.argsort(-bound, kind="stable")
            if heap and bound[waiting[following]] < -heap[0][0]:
                break
            some = waiting[following : following + SEARCHED_AT_ONCE]
            following += len(some)
            found = _unsampled_around(
                network, distance.unsampled, within_m, rows[some], measure[some], known
            )
            around |= found
            for k in some.tolist():
                parts[k] = found[int(rows[k]), float(measure[k])]
                push(k)
        gain, k, known_at = heappop(heap)
        if known_at < len(chosen):
            push(k)
            continue
        if -gain <= SHORTEST_PIECE_M:
            break
        gone = overlay(parts[k], taken.at(np.isin(taken.group, parts[k].group)))
        chosen.append(k)
        adds.append(parts[k].length_m.sum() - (gone.to_m - gone.from_m).sum())
        taken = union_intervals(
            *(np.concatenate(both) for both in zip(taken, parts[k], strict=True))
        )
    return np.array(chosen, np.int64), np.array(adds, np.float64), around
