"""Gaps: connected parts of the network that nobody visited, or sampled, longest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.arrays import rows_of_runs
from layers.coded import coded_labels, distinct, numbered
from layers.crs import choose_operation
from layers.estimates.coverage import NOTHING
from layers.frames import reads
from layers.narrow_columns import narrowest
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
        point, and `note` says so. Texts are coded. `attrs["inputs"]` says what was used and left
        out.

    Raises
    ------
    FrameError
        A column is missing, a reach is unknown, or `count` is another word.
    """
    network = water.network
    distance = water.distance(count).within(region)
    wanted: Any = slice(None)  # the pieces themselves, which are in memory anyway
    if min_order > 1:
        wanted = network.strahler[distance.unsampled.group] >= min_order
    pieces, far = distance.unsampled.at(wanted), distance.farthest_m[wanted]
    made, earlier = before or (-1, None)
    lines, own, gap, row, lengths = _ranked(
        network, pieces, water.moved_since(count, made), earlier
    )
    table = _described(
        network,
        cover_with_parts(network, reach_parts),
        pieces.at(own),
        gap,
        far[own],
        distance.farthest_measure_m[wanted][own],
    )
    nowhere = table["farthest_m"].isna().to_numpy()
    table["note"] = coded_labels(nowhere - 1, pd.Index([NOTHING[count]]))
    # Gaps in unmoved water are what they were; columns one by one, as together they are large.
    said = [table] if earlier is None else [earlier, table]
    columns = {name: pd.concat([each[name] for each in said]).array[row] for name in table}
    columns |= {"gap": np.arange(1, len(row) + 1, dtype=np.int32), "length_m": lengths}
    frame = gpd.GeoDataFrame(columns, geometry=lines, copy=False)[[*GAP_COLUMNS]]
    frame.attrs["inputs"] = water.inputs(count) | {"count": count, "min_order": min_order}
    return frame


def _ranked(
    network: Network, pieces: Intervals, moved: Bools, earlier: gpd.GeoDataFrame | None
) -> tuple[ReachLines, Ints, Ints, Ints, Floats]:
    """Rank gaps by falling length, equal ones by their first piece; put new ones among the earlier.

    Returned are the lines of all; which pieces are in new gaps, and in which of these; the row of
    each gap among the earlier ones with the new ones below; and the lengths. [m]
    """
    none = np.empty(0, np.int32)
    old = ReachLines(network, pieces.at(none), none, none, none)
    lengths, label = np.empty(0), np.full(len(pieces.group), -1, np.int32)
    if earlier is not None:
        old, lengths = earlier.geometry.array, earlier["length_m"].to_numpy()
    # Pieces of unmoved reaches are what they were, and so is a gap that has no others.
    stays, stayed = ~moved[pieces.group], ~moved[old.parts.group]
    line = np.empty(len(stayed), np.int32)
    line[old.order] = np.repeat(np.arange(len(old), dtype=np.int32), old.count)
    keep = np.ones(len(old) + 1, bool)
    keep[line[~stayed]] = keep[-1] = False
    label[stays] = line[stayed]
    place = np.full(len(stayed), -1, np.int32)
    place[stayed] = np.flatnonzero(stays)
    own = np.flatnonzero(~keep[label]).astype(np.int32)
    _, first, gap = np.unique(
        _joined(network, pieces.at(own)), return_index=True, return_inverse=True
    )
    size = np.bincount(gap, minlength=len(first))
    lengths = np.append(
        lengths, np.bincount(gap, weights=pieces.length_m[own], minlength=len(first))
    )
    begin = np.append(place[old.order[old.first]], own[first])
    row, new = np.flatnonzero(keep[:-1]), len(old) + np.arange(len(first))
    key = np.empty(len(begin), np.complex128)  # these are sorted by both their parts
    key.real, key.imag = -lengths.round(6), begin
    new = new[np.argsort(key[new])]
    row = np.insert(row, np.searchsorted(key[row], key[new]), new)
    order = np.append(place[old.order], own[np.argsort(gap, kind="stable")])
    count = np.concatenate([old.count, size])[row]
    first = np.concatenate([old.first, len(old.order) + np.cumsum(size) - size])[row]
    order = order[rows_of_runs(first, count)]
    lines = ReachLines(network, pieces, order, np.cumsum(count) - count, count)
    return lines, own, gap, row, lengths[row]


def _described(
    network: Network, parts: Parts, pieces: Intervals, gap: Ints, far: Floats, farthest_at: Floats
) -> pd.DataFrame:
    """Say of each gap what its pieces say together."""
    number = int(gap.max(initial=-1)) + 1
    stream, named = network.streams
    own = main_part(stream[pieces.group], gap, pieces.length_m, number)
    pairs = distinct(gap * len(stream) + pieces.group)
    reaches = np.bincount(pairs // max(len(stream), 1), minlength=number)
    order = narrowest(network.strahler)
    highest = np.zeros(number, order.dtype)
    np.maximum.at(highest, gap, order[pieces.group])
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
            "stream": numbered(named["stream"]).array[own],
            "reaches": reaches.astype(np.int32),
            "catchment": parts.main_catchment(pieces, gap, number),
            "highest_strahler": highest,
            "farthest_m": np.where(known, most, np.nan),
            "farthest_longitude": degrees[0],
            "farthest_latitude": degrees[1],
            "stream_id": numbered(named["stream_id"]).array[own],
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
