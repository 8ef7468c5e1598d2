"""Gaps: connected parts of the network that no placement sampled, longest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
import shapely

from layers.crs import transform_positions
from layers.estimates.coverage import NOTHING_SAMPLED
from layers.fieldwork.sampled_stretches import sampled_stretches
from layers.frames import reads
from layers.network.cutting import cut_lines, place_on_reach
from layers.network.distance import SHORTEST_PIECE_M, distance_to_sampled
from layers.network.intervals import Intervals
from layers.network.reach_parts import cover_with_parts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.network.graph import Network

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

__all__ = ["GAP_COLUMNS", "gaps"]

GAP_COLUMNS: Final = (
    "gap",
    "length_m",
    "reaches",
    "catchment",
    "highest_strahler",
    "farthest_m",
    "farthest_longitude",
    "farthest_latitude",
    "note",
    "geometry",
)


@reads("stretches", "placements", "reach_parts")
def gaps(
    network: Network,
    stretches: pd.DataFrame,
    placements: pd.DataFrame,
    reach_parts: pd.DataFrame,
    *,
    min_order: int = 1,
) -> gpd.GeoDataFrame:
    """List the connected unsampled parts of the network, longest first.

    An unsampled piece of a reach joins another when both touch the same node of the network.

    Parameters
    ----------
    network
        The network.
    stretches, placements, reach_parts
        Frames of these kinds (`layers.frames`). Only placements that caught something or
        stated a nil catch sampled.
    min_order
        Reaches of a lower Strahler order are left out, as if they were not there; distances
        still run along them.

    Returns
    -------
    GeoDataFrame
        `gap`, 1 … by length; `length_m` [m]; `reaches`, how many it touches; `catchment`, the
        smallest one that most of its length lies in (missing = outside all);
        `highest_strahler`; `farthest_m`, the greatest distance along the network from a point
        of the gap to the nearest sampled stretch [m], and where that is, in degrees on
        WGS 84; `note`; geometry, a MultiLineString in the network's CRS. Where nothing in the
        connected part is sampled there is no farthest point, and `note` says so.
        `attrs["inputs"]` says what was used and left out.

    Raises
    ------
    FrameError
        A column is missing or a reach is unknown.
    """
    sampled = sampled_stretches(network, stretches, placements)
    parts = cover_with_parts(network, reach_parts)
    distance = distance_to_sampled(network, *sampled.intervals)
    wanted = network.strahler[distance.unsampled.group] >= min_order
    left = distance.unsampled
    pieces = Intervals(left.group[wanted], left.from_m[wanted], left.to_m[wanted])
    gap, lengths = _by_length(_joined(network, pieces), pieces)
    count = len(lengths)

    reaches = pd.Series(pieces.group).groupby(gap).nunique()
    highest = np.zeros(count, np.int64)
    np.maximum.at(highest, gap, network.strahler[pieces.group])
    far = distance.farthest_m[wanted]
    # The first of equally far pieces, by reach and measure.
    farthest = np.lexsort((np.arange(len(far)), -far, gap))
    farthest = farthest[np.unique(gap[farthest], return_index=True)[1]]
    known = np.isfinite(far[farthest])
    longitude, latitude = np.full(count, np.nan), np.full(count, np.nan)
    at = farthest[known]
    place = place_on_reach(network, pieces.group[at], distance.farthest_measure_m[wanted][at])
    longitude[known], latitude[known], _, _ = transform_positions(
        place[:, 0], place[:, 1], network.crs, "EPSG:4326"
    )
    by_gap = np.argsort(gap, kind="stable")
    lines = cut_lines(network, pieces.group, pieces.from_m, pieces.to_m)
    frame = gpd.GeoDataFrame(
        {
            "gap": np.arange(1, count + 1),
            "length_m": lengths,
            "reaches": reaches.to_numpy(np.int64),
            "catchment": parts.main_catchment(pieces, gap, count),
            "highest_strahler": highest,
            "farthest_m": np.where(known, far[farthest], np.nan),
            "farthest_longitude": longitude,
            "farthest_latitude": latitude,
            "note": pd.Series(NOTHING_SAMPLED, index=range(count), dtype="str").mask(known),
        },
        geometry=shapely.multilinestrings(lines[by_gap], indices=gap[by_gap]),
        crs=network.crs,
    )
    frame.attrs["inputs"] = sampled.inputs | {"min_order": min_order}
    return frame


def _joined(network: Network, pieces: Intervals) -> Ints:
    """Label the connected part that each piece belongs to."""
    count = len(pieces.group)
    number = np.arange(count)
    upper = pieces.from_m <= SHORTEST_PIECE_M
    lower = pieces.to_m >= network.length_m[pieces.group] - SHORTEST_PIECE_M
    piece = np.concatenate([number[upper], number[lower]])
    node = np.concatenate(
        [network.from_node[pieces.group[upper]], network.to_node[pieces.group[lower]]]
    )
    size = count + network.n_nodes
    links = scipy.sparse.coo_array(
        (np.ones(len(piece), np.int8), (piece, count + node)), shape=(size, size)
    )
    label: Ints = scipy.sparse.csgraph.connected_components(links.tocsr(), directed=False)[1][
        :count
    ].astype(np.int64)
    return label


def _by_length(label: Ints, pieces: Intervals) -> tuple[Ints, Floats]:
    """Rank gaps by falling length, equal ones by their first piece; and give their lengths."""
    _, first, gap = np.unique(label, return_index=True, return_inverse=True)
    length: Floats = np.bincount(gap, weights=pieces.length_m, minlength=len(first)).astype(float)
    order = np.lexsort((first, -length.round(6)))
    rank = np.empty(len(first), np.int64)
    rank[order] = np.arange(len(first))
    return rank[gap], length[order]
