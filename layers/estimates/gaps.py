"""Gaps: connected parts of the network that nobody visited, or sampled, longest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.crs import choose_operation
from layers.estimates.coverage import NOTHING
from layers.frames import reads
from layers.network.cutting import ReachLines, place_on_reach
from layers.network.distance import SHORTEST_PIECE_M
from layers.network.reach_parts import cover_with_parts, main_part
from layers.network.stream_order import connected_parts

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Ints
    from layers.fieldwork.counted_water import Counted, CountedWater
    from layers.network.graph import Network
    from layers.network.intervals import Intervals
    from layers.network.reach_parts import Parts

__all__ = ["GAP_COLUMNS", "gaps"]

GAP_COLUMNS: Final = (
    "gap",
    "stream",
    "length_m",
    "reaches",
    "catchment",
    "highest_strahler",
    "farthest_m",
    "farthest_longitude",
    "farthest_latitude",
    "stream_id",
    "note",
    "geometry",
)


@reads("reach_parts")
def gaps(
    water: CountedWater,
    reach_parts: pd.DataFrame,
    *,
    count: Counted = "visited",
    min_order: int = 1,
    region: Intervals | None = None,
    before: tuple[int, gpd.GeoDataFrame] | None = None,
) -> gpd.GeoDataFrame:
    """List the connected parts of the network that nobody visited, or sampled; longest first.

    A piece of a reach joins another when both touch the same node of the network.

    Parameters
    ----------
    water
        What the placements of the question visited and sampled.
    reach_parts
        A frame of this kind (`layers.frames`).
    count
        Which of both fills a gap: `visited` or `sampled`.
    min_order
        Reaches of a lower Strahler order are left out, as if they were not there; distances
        still run along them.
    region
        Parts of reaches that do not overlap; the rest is left out in the same way.
    before
        Number and gaps of an earlier water that this one was made of, else by the same question:
        only gaps in whose water something changed since are described anew.

    Returns
    -------
    GeoDataFrame
        `gap`, 1 … by length; `stream`, the one that most of its length belongs to; `length_m`
        [m]; `reaches`, how many it touches; `catchment`, the smallest one that most of its
        length lies in (missing = outside all); `highest_strahler`; `farthest_m`, the greatest
        distance along the network from a point of the gap to the nearest water that counts [m],
        and where that is, in degrees on WGS 84; `stream_id`; `note`; geometry, a MultiLineString
        in the network's CRS. Where nothing in the connected part counts there is no farthest
        point, and `note` says so. `attrs["inputs"]` says what was used and left out.

    Raises
    ------
    FrameError
        A column is missing, a reach is unknown, or `count` is another word.
    """
    network = water.network
    distance = water.distance(count).within(region)
    wanted = network.strahler[distance.unsampled.group] >= min_order
    pieces, far = distance.unsampled.at(wanted), distance.farthest_m[wanted]
    gap, lengths = _by_length(_joined(network, pieces), pieces)
    by_gap, size = np.argsort(gap, kind="stable"), np.bincount(gap, minlength=len(lengths))
    lines = ReachLines(network, pieces, by_gap, np.cumsum(size) - size, size)
    made, earlier = before or (-1, None)
    moved = water.moved_since(count, made)
    same = _of_water(lines, ~moved)
    fresh = np.ones(len(lengths), bool)
    fresh[same] = False
    own = fresh[gap]
    table = _described(
        network,
        cover_with_parts(network, reach_parts),
        pieces.at(own),
        (np.cumsum(fresh) - 1)[gap[own]],
        far[own],
        distance.farthest_measure_m[wanted][own],
    )
    nowhere = table["farthest_m"].isna()
    table["note"] = pd.Series(NOTHING[count], index=table.index, dtype="str").where(nowhere)
    if earlier is not None:  # gaps in unmoved water are what they were
        row = np.empty(len(lengths), np.int64)
        row[same] = _of_water(earlier.geometry.array, ~moved)
        row[fresh] = len(earlier) + np.arange(len(table))
        table = pd.concat([earlier[[*table]], table]).iloc[row]
    table = table.assign(gap=np.arange(1, len(lengths) + 1), length_m=lengths)
    frame = gpd.GeoDataFrame(table.reset_index(drop=True), geometry=lines)[[*GAP_COLUMNS]]
    frame.attrs["inputs"] = water.inputs(count) | {"count": count, "min_order": min_order}
    return frame


def _of_water(lines: ReachLines, reaches: Bools) -> Ints:
    """Lines with pieces of some reaches alone, by reach and measure of their first pieces.

    All pieces are sorted so.
    """
    line, pieces = lines.pieces
    inside = np.ones(len(lines), bool)
    inside[line[~reaches[pieces.group]]] = False
    chosen = np.flatnonzero(inside)
    return chosen[np.argsort(lines.first_piece[chosen])]


def _described(
    network: Network, parts: Parts, pieces: Intervals, gap: Ints, far: Floats, farthest_at: Floats
) -> pd.DataFrame:
    """Say of each gap what its pieces say together."""
    number = int(gap.max(initial=-1)) + 1
    stream, named = network.streams
    own = named.iloc[main_part(stream[pieces.group], gap, pieces.length_m, number)]
    pairs = distinct(gap * len(stream) + pieces.group)
    reaches = np.bincount(pairs // max(len(stream), 1), minlength=number)
    highest = np.zeros(number, np.int64)
    np.maximum.at(highest, gap, network.strahler[pieces.group])
    # The first of equally far pieces, by reach and measure.
    most = np.full(number, -np.inf)
    np.maximum.at(most, gap, far)
    farthest = np.flatnonzero(far == most[gap])
    farthest = farthest[np.unique(gap[farthest], return_index=True)[1]]
    known = np.isfinite(most)
    at = farthest[known]
    place = place_on_reach(network, pieces.group[at], farthest_at[at])
    degrees = np.full((2, number), np.nan)
    degrees[:, known] = choose_operation(network.crs, "EPSG:4326").move(place[:, 0], place[:, 1])
    return pd.DataFrame(
        {
            "stream": own["stream"].array,
            "reaches": reaches,
            "catchment": parts.main_catchment(pieces, gap, number),
            "highest_strahler": highest,
            "farthest_m": np.where(known, most, np.nan),
            "farthest_longitude": degrees[0],
            "farthest_latitude": degrees[1],
            "stream_id": own["stream_id"].array,
        }
    )


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
    return connected_parts(piece, count + node, count + network.n_nodes)[1][:count]


def _by_length(label: Ints, pieces: Intervals) -> tuple[Ints, Floats]:
    """Rank gaps by falling length, equal ones by their first piece; and give their lengths."""
    _, first, gap = np.unique(label, return_index=True, return_inverse=True)
    length: Floats = np.bincount(gap, weights=pieces.length_m, minlength=len(first)).astype(float)
    order = np.lexsort((first, -length.round(6)))
    return np.argsort(order)[gap], length[order]
