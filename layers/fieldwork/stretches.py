"""The stretch of stream that a placement sampled, by what its record says of its extent.

A track is followed along the network fix by fix; two ends are joined by the shortest way; a
position with a stated length is walked from there; a position alone has no stretch; an area has
an area and no stretch. What cannot be trusted is flagged and left out, never silently used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.frames import codes_of, reads
from layers.network.cutting import cut_lines
from layers.network.intervals import passes, union_intervals
from layers.network.snapping import DEFAULT_UNCERTAINTY_M, plain_name, snap_to_reaches
from layers.network.tracks import track_ways
from layers.network.walks import walk
from layers.network.ways import shortest_ways

if TYPE_CHECKING:
    from collections.abc import Sequence

    from layers.arrays import Floats, Ints, Objects
    from layers.network.graph import Network
    from layers.network.walks import Walks
    from layers.network.ways import Ways

__all__ = ["stretch_lengths", "stretch_lines", "stretches_of"]

# Share of the recorded length by which the way along the network may differ from it.
GREATEST_DIFFERENCE: Final = 0.25

# Two ends without a stated length: how far to look for a way between them, as a multiple of
# the straight distance and a margin for bends. Common practice, no source.
_WINDING: Final = 5.0
_MARGIN_M: Final = 1_000.0


class _Flags:
    """Flags as they are found, by position of the placement."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, str, str]] = []

    def add(self, which: Ints, code: str, messages: Sequence[str] | str) -> None:
        """Note one flag for each placement number in `which`."""
        texts = [messages] * len(which) if isinstance(messages, str) else messages
        self.rows += [(k, code, text) for k, text in zip(which.tolist(), texts, strict=True)]

    def frame(self, index: pd.Index) -> pd.DataFrame:
        """Put the flags in the order of the placements."""
        rows = sorted(self.rows)
        return pd.DataFrame(
            {
                "placement_id": index[[row[0] for row in rows]].astype("str"),
                "code": pd.Series([row[1] for row in rows], dtype="str"),
                "message": pd.Series([row[2] for row in rows], dtype="str"),
            }
        )


@reads(
    placements="placement_id method shape_kind shape stretch_length_m stretch_anchor",
    methods="method stretch_rule",
    snaps="placement_id reach_id measure_m",
)
def stretches_of(
    placements: gpd.GeoDataFrame,
    snaps: pd.DataFrame,
    network: Network,
    methods: pd.DataFrame,
    *,
    tolerance_m: float = 100.0,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cut the stretches that placements sampled.

    Only methods whose `stretch_rule` is `along` have stretches. A stated length is walked
    upstream from the position, since teams start at the lower end and work up, unless
    `stretch_anchor` is `upstream_end` (downstream) or `centre` (half each way).

    Parameters
    ----------
    placements
        n placements in the CRS of the network; `position_uncertainty_m`, `stream_name`, if there,
        are used to snap the far end.
    tolerance_m
        Greatest distance of a far end from its reach. [m]

    Returns
    -------
    stretches
        `placement_id`, `method`, `reach_id`, `from_m`, `to_m` [m]; in the order of the
        placements, then by reach. What a track passed again is there again: the rows of a
        placement add up to the way it went, their union is what it sampled.
    flags
        `placement_id`, `code` (begins with `stretch_`), `message`. All but
        `stretch_confluence` and `stretch_cut_short` mean that no stretch was cut.

    Raises
    ------
    FrameError
        A column is missing, or a method or reach is unknown.

    Notes
    -----
    A way along the network is refused where it differs from the track's own length, or from
    the length stated with two ends, by more than a quarter of it. Two ends without a stated
    length are joined if the way is at most five times the straight distance and 1 km longer.
    """
    method = codes_of(placements["method"], methods.index, "Method")
    along = (methods["stretch_rule"] == "along").to_numpy(bool)[method]
    kind = placements["shape_kind"].fillna("point")
    stated = pd.to_numeric(placements["stretch_length_m"]).to_numpy(float, na_value=np.nan)
    own = snaps.reindex(placements.index)
    row = network.rows(own["reach_id"])
    unknown = (row < 0) & own["reach_id"].notna().to_numpy()
    if unknown.any():
        codes_of(own.loc[unknown, "reach_id"], network.reaches.index, "Reach")
    measure = own["measure_m"].to_numpy(float, na_value=np.nan)
    flags = _Flags()

    joined = along & kind.isin(["ends", "track"]).to_numpy(bool)
    walked = along & (kind == "point").to_numpy(bool) & (stated > 0)
    lost = np.flatnonzero((joined | walked) & (row < 0))
    flags.add(
        lost, "stretch_start_unsnapped", "The position lies on no reach, so no stretch was cut."
    )
    on_reach = row >= 0
    both, start = np.flatnonzero(joined & on_reach), np.flatnonzero(walked & on_reach)
    parts = [
        _join(placements, both, row, measure, stated, network, tolerance_m, flags),
        _walk(placements, start, row, measure, stated, network, flags),
    ]
    number, on, from_m, to_m = (np.concatenate(column) for column in zip(*parts, strict=True))
    rows_total = max(len(network.length_m), 1)
    whole = passes(number * rows_total + on, from_m, to_m)
    number, on = np.divmod(whole.group, rows_total)
    stretches = pd.DataFrame(
        {
            "placement_id": placements.index[number].astype("str"),
            "method": placements["method"].to_numpy()[number],
            "reach_id": network.reaches.index[on],
            "from_m": whole.from_m,
            "to_m": whole.to_m,
        }
    ).astype({"method": "str", "reach_id": "str"})
    return stretches, flags.frame(placements.index)


def _join(
    placements: gpd.GeoDataFrame,
    which: Ints,
    row: Ints,
    measure: Floats,
    stated: Floats,
    network: Network,
    tolerance_m: float,
    flags: _Flags,
) -> tuple[Ints, Ints, Floats, Floats]:
    """Follow tracks along the network, and join two ends by the shortest way."""
    shape = placements["shape"].to_numpy(object)[which]
    is_line = shapely.get_type_id(shape) == shapely.GeometryType.LINESTRING
    is_line &= ~shapely.is_empty(shape)
    flags.add(
        which[~is_line],
        "stretch_no_shape",
        "A track or two ends are declared, but there is no line; give its two ends.",
    )
    which, shape = which[is_line], shape[is_line]
    wanted = [
        column
        for column in ("position_uncertainty_m", "stream_name")
        if column in placements.columns
    ]
    ends = gpd.GeoDataFrame(
        placements.iloc[which][wanted], geometry=shapely.get_point(shape, -1), crs=network.crs
    )
    far = snap_to_reaches(ends, network, tolerance_m=tolerance_m)
    far_row = network.rows(far["reach_id"])
    off = far_row < 0
    flags.add(
        which[off], "stretch_end_unsnapped", "The far end lies on no reach, so no stretch was cut."
    )
    which, shape, far_row = which[~off], shape[~off], far_row[~off]
    far_m = far["measure_m"].to_numpy(float, na_value=np.nan)[~off]

    track = (placements["shape_kind"] == "track").to_numpy(bool)[which]
    tracks, ends = np.flatnonzero(track), np.flatnonzero(~track)
    followed, track_m = _follow(
        placements.iloc[which[tracks]], shape[tracks], row[which[tracks]], network, tolerance_m
    )
    recorded = stated[which]
    recorded[tracks] = track_m
    known = track | (recorded > 0)
    straight = shapely.distance(shapely.get_point(shape, 0), shapely.get_point(shape, -1))
    limit = np.where(known, (1 + GREATEST_DIFFERENCE) * recorded, _WINDING * straight + _MARGIN_M)
    limit *= 1 + 1e-9
    joined = shortest_ways(
        network, row[which[ends]], measure[which[ends]], far_row[ends], far_m[ends],
        limit_m=limit[ends],
    )  # fmt: skip
    way_m = np.empty(len(which))
    way_m[tracks], way_m[ends] = followed.length_m, joined.length_m
    apart = network.component[row[which]] != network.component[far_row]
    nowhere = (way_m == 0) & (track | ~known)
    least = (1 - GREATEST_DIFFERENCE) * recorded * (1 - 1e-9)
    differs = ((way_m > limit) | (known & (way_m < least))) & ~apart & ~nowhere
    flags.add(
        which[apart],
        "stretch_not_connected",
        "The two ends lie on parts of the network that are not connected.",
    )
    flags.add(
        which[differs],
        "stretch_way_differs",
        [
            _difference(*facts)
            for facts in zip(
                track[differs],
                way_m[differs],
                limit[differs],
                np.where(known, recorded, np.nan)[differs],
                straight[differs],
                strict=True,
            )
        ],
    )
    flags.add(
        which[nowhere],
        "stretch_without_length",
        "All of it falls on one place of the network, so there is no stretch.",
    )
    kept = ~(apart | differs | nowhere)
    parts = [
        (number[ways.way], ways.row, ways.from_m, ways.to_m)
        for number, ways in ((tracks, followed), (ends, joined))
    ]
    number, on, from_m, to_m = (np.concatenate(column) for column in zip(*parts, strict=True))
    used = kept[number]
    return which[number[used]], on[used], from_m[used], to_m[used]


def _follow(
    placements: gpd.GeoDataFrame,
    shape: Objects,
    row: Ints,
    network: Network,
    tolerance_m: float,
) -> tuple[Ways, Floats]:
    """Ways of tracks; one begins on its snapped reach where that bears the stream's name."""
    blank = pd.Series(np.nan, index=placements.index)
    stated = pd.to_numeric(placements.get("position_uncertainty_m", blank))
    uncertainty = stated.fillna(DEFAULT_UNCERTAINTY_M).to_numpy(float)
    own = plain_name(network.reaches["stream_name"].iloc[row]).to_numpy(object)
    said = plain_name(placements.get("stream_name", blank).astype("str")).to_numpy(object)
    named = pd.notna(said) & (own == said)
    return track_ways(
        network,
        shape,
        uncertainty_m=uncertainty,
        tolerance_m=np.maximum(tolerance_m, uncertainty),
        start_row=np.where(named, row, -1),
    )


def _difference(track: bool, way_m: float, limit_m: float, recorded_m: float, line_m: float) -> str:
    """Say how the way along the network differs from what was recorded."""
    if track and np.isinf(way_m):
        said = (
            "Between two fixes of the track the way along the network is far longer than the "
            "straight line, or there is none"
        )
    elif track:
        said = f"Along the network the track is {way_m:.0f} m long, itself {recorded_m:.0f} m"
    else:
        far = f"more than {limit_m:.0f}" if np.isinf(way_m) else f"{way_m:.0f}"
        said = f"Along the network the two ends are {far} m apart, " + (
            f"in a straight line {line_m:.0f} m"
            if np.isnan(recorded_m)
            else f"recorded are {recorded_m:.0f} m"
        )
    return said + "; no stretch was cut. Check the positions."


def _walk(
    placements: gpd.GeoDataFrame,
    which: Ints,
    row: Ints,
    measure: Floats,
    stated: Floats,
    network: Network,
    flags: _Flags,
) -> tuple[Ints, Ints, Floats, Floats]:
    """Walk stated lengths up, down or half each way."""
    anchor = placements["stretch_anchor"].fillna("downstream_end").to_numpy(object)[which]
    share_up = np.select([anchor == "centre", anchor == "upstream_end"], [0.5, 0.0], 1.0)
    parts: list[tuple[Ints, Ints, Floats, Floats]] = []
    for upstream, share in ((True, share_up), (False, 1.0 - share_up)):
        own = which[share > 0]
        length = (stated[which] * share)[share > 0]
        walks = walk(network, row[own], measure[own], length, upstream=upstream)
        parts.append((own[walks.walk], walks.row, walks.from_m, walks.to_m))
        walked = np.bincount(walks.walk, weights=walks.to_m - walks.from_m, minlength=len(own))
        cut = walked < length - 1e-6
        flags.add(
            own[cut],
            "stretch_cut_short",
            [
                f"{'Upstream' if upstream else 'Downstream'} the network ends after {done:.1f} m; "
                f"{goal - done:.1f} m of the stated length were lost."
                for done, goal in zip(walked[cut], length[cut], strict=True)
            ],
        )
        flags.add(own[walks.chooser], "stretch_confluence", _choices(walks, network, upstream))
    number, on, from_m, to_m = (np.concatenate(column) for column in zip(*parts, strict=True))
    return number, on, from_m, to_m


def _choices(walks: Walks, network: Network, upstream: bool) -> list[str]:
    """Say at each confluence which reach was followed, and which were not."""
    ids = network.reaches.index
    end = network.to_node if upstream else network.from_node
    nodes = np.unique(walks.node)
    near = np.flatnonzero(np.isin(end, nodes))
    meeting = pd.Series(near).groupby(end[near]).agg(list).to_dict()
    place = "confluence" if upstream else "division"
    return [
        f"At a {place} the stretch follows {ids[chosen]} (order {network.strahler[chosen]}), not "
        + ", ".join(
            f"{ids[other]} (order {network.strahler[other]})"
            for other in meeting[node]
            if other != chosen
        )
        + "; rule: higher stream order, then longer upstream length, then reach id."
        for node, chosen in zip(walks.node.tolist(), walks.chosen.tolist(), strict=True)
    ]


@reads("stretches")
def stretch_lengths(stretches: pd.DataFrame) -> pd.DataFrame:
    """Length of each placement's stretch, as cut from the reaches.

    Returns
    -------
    DataFrame
        Index `placement_id`, only those with a stretch, sorted: `way_m`, the way that the team
        went, every pass counted; `sampled_m`, the stream along it, counted once. [m]
    """
    owner, names = pd.factorize(stretches["placement_id"], sort=True)
    reach, reaches = pd.factorize(stretches["reach_id"])
    from_m, to_m = stretches["from_m"].to_numpy(float), stretches["to_m"].to_numpy(float)
    parts = union_intervals(owner * max(len(reaches), 1) + reach, from_m, to_m)
    owners = parts.group // max(len(reaches), 1)
    return pd.DataFrame(
        {
            "way_m": np.bincount(owner, weights=to_m - from_m, minlength=len(names)),
            "sampled_m": np.bincount(owners, weights=parts.length_m, minlength=len(names)),
        },
        index=pd.Index(names, name="placement_id", dtype="str"),
        dtype="float64",
    )


@reads(stretches="reach_id from_m to_m")
def stretch_lines(stretches: pd.DataFrame, network: Network) -> gpd.GeoDataFrame:
    """Cut the lines of stretches out of their reaches: rows as given, in the network's CRS.

    Examples
    --------
    >>> from layers.network.graph import build_network
    >>> line = gpd.GeoSeries.from_wkt(["LINESTRING (0 0, 100 0, 100 50)"], index=["A"], crs=25830)
    >>> network = build_network(line.to_frame("geometry"))
    >>> cut = pd.DataFrame({"reach_id": ["A"], "from_m": [40.0], "to_m": [110.0]})
    >>> stretch_lines(cut, network).geometry.iloc[0].wkt
    'LINESTRING (40 0, 100 0, 100 10)'
    """
    rows = codes_of(stretches["reach_id"], network.reaches.index, "Reach")
    lines = cut_lines(
        network, rows, stretches["from_m"].to_numpy(float), stretches["to_m"].to_numpy(float)
    )
    return gpd.GeoDataFrame(stretches.copy(), geometry=lines, crs=network.crs)
