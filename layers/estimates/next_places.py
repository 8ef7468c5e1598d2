"""Where to sample next: places that cover the most still-unsampled length, one after another."""

from __future__ import annotations

from heapq import heappop, heappush
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.crs import transform_positions
from layers.errors import FrameError
from layers.fieldwork.sampled_stretches import sampled_stretches
from layers.frames import reads
from layers.network.cutting import place_on_reach
from layers.network.distance import SHORTEST_PIECE_M, SampledDistance, distance_to_sampled
from layers.network.intervals import Intervals, overlay, union_intervals
from layers.network.reach_balls import unsampled_within, upper_bounds
from layers.network.ways import SEARCHED_AT_ONCE
from layers.plurals import counted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.network.graph import Network

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

__all__ = ["NEXT_PLACES_COLUMNS", "candidate_places", "next_places"]

NEXT_PLACES_COLUMNS: Final = (
    "rank",
    "reach_id",
    "measure_m",
    "longitude",
    "latitude",
    "adds_m",
    "remaining_share",
    "geometry",
)
_MOST_A_PIECE: Final = 20


@reads("stretches", "placements")
def next_places(
    network: Network,
    stretches: pd.DataFrame,
    placements: pd.DataFrame,
    *,
    count: int = 10,
    within_m: float = 1_000.0,
) -> gpd.GeoDataFrame:
    """Choose the places to sample next, one after another.

    Each is the candidate with the most length within `within_m` along the network that is
    neither sampled nor within `within_m` of a place chosen before. Of equal candidates the
    lower `reach_id`, then the lower measure, is taken.

    Parameters
    ----------
    network
        The network.
    stretches, placements
        Frames of these kinds (`layers.frames`). Only placements that caught something or
        stated a nil catch sampled.
    count
        How many places at most.
    within_m
        Distance along the network, either way, that a place stands for. [m]

    Returns
    -------
    GeoDataFrame
        `rank`, 1 …; `reach_id`; `measure_m` [m]; `longitude`, `latitude`, degrees on WGS 84;
        `adds_m`, the unsampled length that this place adds [m]; `remaining_share`, share of
        the network's length that is still neither sampled nor near a chosen place after it;
        geometry, the point in the network's CRS. Fewer rows than `count` where nothing is left;
        `attrs["inputs"]` then says so, with what was used and left out.

    Raises
    ------
    FrameError
        A column is missing, or `count` or `within_m` is not above 0.

    Notes
    -----
    Greedy choice, which covers at least 63 % of what the best choice of as many candidates
    can (G. L. Nemhauser, L. A. Wolsey and M. L. Fisher, Mathematical Programming 14 (1978)
    265-294; from memory). What a place adds can only fall as others are chosen, so an older
    figure bounds a newer one and few have to be computed anew (M. Minoux 1978; from memory).
    """
    if count < 1 or not within_m > 0 or not np.isfinite(within_m):
        msg = f"count {count}, within_m {within_m}: give a count and a distance above 0."
        raise FrameError(msg)
    sampled = sampled_stretches(network, stretches, placements)
    distance = distance_to_sampled(network, *sampled.intervals)
    rows, measure = candidate_places(network, distance, within_m)
    chosen, adds = _choose(network, distance, rows, measure, count, within_m)
    xy = place_on_reach(network, rows[chosen], measure[chosen])
    longitude, latitude, _, _ = transform_positions(xy[:, 0], xy[:, 1], network.crs, "EPSG:4326")
    left = distance.unsampled.length_m.sum() - np.cumsum(adds)
    total = network.total_length_m
    frame = gpd.GeoDataFrame(
        {
            "rank": np.arange(1, len(chosen) + 1),
            "reach_id": pd.Series(network.reaches.index[rows[chosen]], dtype="str"),
            "measure_m": measure[chosen],
            "longitude": longitude,
            "latitude": latitude,
            "adds_m": adds,
            "remaining_share": np.clip(left / total if total else left, 0.0, 1.0),
        },
        geometry=shapely.points(xy),
        crs=network.crs,
    )
    frame.attrs["inputs"] = sampled.inputs | {"within_m": within_m}
    if len(chosen) < count:
        frame.attrs["inputs"]["note"] = (
            f"after {counted(len(chosen), 'place')} nothing is left that a place would add"
            if total
            else "the network has no reaches"
        )
    return frame


def candidate_places(
    network: Network, distance: SampledDistance, within_m: float
) -> tuple[Ints, Floats]:
    """List the places to choose from, sorted by reach row and measure.

    These are the nodes that no sampled stretch touches, each named by the reach that begins
    there, or that ends there at an outlet, the first by `reach_id`; and places along every
    unsampled piece: the middles of equal parts no longer than `within_m`, 20 at most.

    Returns
    -------
    rows, measure_m
        Reach row and measure of each candidate. [m]
    """
    pieces = distance.unsampled
    parts = np.clip(np.ceil(pieces.length_m / within_m), 1, _MOST_A_PIECE).astype(np.int64)
    piece = np.repeat(np.arange(len(parts)), parts)
    number = np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts)
    along = pieces.from_m[piece] + pieces.length_m[piece] * (number + 0.5) / parts[piece]
    node = np.concatenate([network.from_node, network.to_node])
    rows = np.tile(np.arange(len(network.length_m), dtype=np.int64), 2)
    measure = np.concatenate([np.zeros(len(network.length_m)), network.length_m])
    nodes, first = np.unique(node, return_index=True)
    first = first[distance.node_m[nodes] > 0]
    rows = np.concatenate([pieces.group[piece], rows[first]])
    measure = np.concatenate([along, measure[first]])
    order = np.lexsort((measure, rows))
    return rows[order], measure[order]


def _choose(
    network: Network,
    distance: SampledDistance,
    rows: Ints,
    measure: Floats,
    count: int,
    within_m: float,
) -> tuple[Ints, Floats]:
    """Take the best candidate `count` times; their positions and what each adds."""
    if not len(rows):
        return np.empty(0, np.int64), np.empty(0)
    bound = upper_bounds(network, distance.unsampled, within_m, rows, measure)
    waiting = np.argsort(-bound, kind="stable")
    bounds = bound[waiting].tolist()
    parts: dict[int, Intervals] = {}  # unsampled at first, around each candidate searched
    taken = Intervals(rows[:0], measure[:0], measure[:0])
    chosen: list[int] = []
    adds: list[float] = []
    heap: list[tuple[float, int, int]] = []

    def push(k: int) -> None:
        gone = overlay(parts[k], taken.at(np.isin(taken.group, parts[k].group)))
        gain = parts[k].length_m.sum() - (gone.to_m - gone.from_m).sum()
        # Micrometres are rounding; without them ties are ties.
        heappush(heap, (-round(float(gain), 6), k, len(chosen)))

    following = 0
    while len(chosen) < count:
        while following < len(bounds) and (not heap or bounds[following] >= -heap[0][0]):
            some = waiting[following : following + SEARCHED_AT_ONCE]
            following += len(some)
            place, near = unsampled_within(
                network, distance.unsampled, within_m, rows[some], measure[some]
            )
            cuts = np.searchsorted(place, np.arange(len(some) + 1))
            for number, k in enumerate(some.tolist()):
                parts[k] = near.at(slice(cuts[number], cuts[number + 1]))
                push(k)
        gain, k, known_at = heappop(heap)
        if known_at < len(chosen):
            push(k)
            continue
        if -gain <= SHORTEST_PIECE_M:
            break
        chosen.append(k)
        adds.append(-gain)
        taken = union_intervals(
            *(np.concatenate(both) for both in zip(taken, parts[k], strict=True))
        )
    return np.array(chosen, np.int64), np.array(adds, np.float64)
