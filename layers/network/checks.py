"""Checks of a stream network at loading; every change is put in words.

A finding is `refused` (the network cannot be used so), `changed` (what was done to a line, or
that it was left out) or `look` (odd, kept as it is).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.crs import (
    CrsLike,
    Operation,
    choose_operation,
    read_crs,
    require_metres,
    transform_frame,
)
from layers.errors import CrsError, NetworkError
from layers.network.length_scale import REFUSED_SHARE, unfitting_crs
from layers.plurals import counted

if TYPE_CHECKING:
    from layers.arrays import Objects
    from layers.network.graph import Network

__all__ = ["NetworkReport", "check_network", "prepare_reaches"]

PLACE_COLUMNS = ["code", "severity", "message", "reach_id", "geometry"]


@dataclass(frozen=True)
class Finding:
    """One kind of finding: `severity` is refused, changed or look; `count` places have it."""

    code: str
    severity: str
    message: str
    count: int


@dataclass
class NetworkReport:
    """Findings in words, and where they are.

    `places` has one row per place: `code`, `severity`, `message`, `reach_id`, geometry in the
    CRS of the reaches (missing where a line has none).
    """

    crs: CrsLike
    findings: list[Finding] = field(default_factory=list)
    parts: list[gpd.GeoDataFrame] = field(default_factory=list)

    @property
    def refused(self) -> bool:
        """Whether the reaches cannot be used as they are."""
        return any(finding.severity == "refused" for finding in self.findings)

    @property
    def sentences(self) -> list[str]:
        """The findings as lines to print."""
        return [f"{finding.severity}: {finding.message}" for finding in self.findings]

    @property
    def places(self) -> gpd.GeoDataFrame:
        """All problem places."""
        if not self.parts:
            return gpd.GeoDataFrame({name: [] for name in PLACE_COLUMNS}, crs=self.crs)
        joined = pd.concat(self.parts, ignore_index=True)
        return gpd.GeoDataFrame(joined, geometry="geometry", crs=self.crs)

    def add(
        self,
        code: str,
        severity: str,
        message: str,
        reach_ids: Objects | None = None,
        places: Objects | None = None,
        words: list[str] | None = None,
    ) -> None:
        """Note a finding; with places, one row for each (`words` where they differ)."""
        count = 0 if reach_ids is None else len(reach_ids)
        self.findings.append(Finding(code, severity, message, count))
        if reach_ids is not None and places is not None:
            self.parts.append(
                gpd.GeoDataFrame(
                    {
                        "code": code,
                        "severity": severity,
                        "message": message if words is None else words,
                        "reach_id": np.asarray(reach_ids, dtype=object),
                    },
                    geometry=gpd.GeoSeries(list(places), crs=self.crs),
                )
            )

    def mark(
        self,
        code: str,
        severity: str,
        lines: Objects,
        ids: Objects,
        counts: tuple[str, str],
        rest: str,
    ) -> None:
        """Note lines, if any: how many, by the words for one and for several, and the first."""
        if len(ids):
            said = f"{counted(len(ids), *counts)}, first {ids[0]!r}{rest}"
            self.add(code, severity, said, ids, lines)

    def joined(self, other: NetworkReport) -> NetworkReport:
        """Both reports in one; the CRS is the other's."""
        moved = [
            part if part.crs == read_crs(other.crs) else transform_frame(part, other.crs)
            for part in self.parts
        ]
        return NetworkReport(other.crs, self.findings + other.findings, moved + other.parts)


def prepare_reaches(
    raw: gpd.GeoDataFrame,
    crs: CrsLike,
    *,
    reverse_flow: bool = False,
    split_parts: bool = False,
    way: Operation | None = None,
) -> tuple[gpd.GeoDataFrame, NetworkReport]:
    """Turn lines as a file holds them into reaches, and say what was done.

    Parameters
    ----------
    raw
        Lines of any kind with a column (or index) `reach_id`; other columns are kept.
    crs
        The projected CRS, in metres, that the reaches shall have.
    reverse_flow
        Turn every line round, for networks drawn upstream.
    split_parts
        Make each part of a true multi-part line a reach of its own, `ID.1`, `ID.2` …;
        otherwise such lines are refused.
    way
        The operation from the CRS of the lines; see `layers.crs.choose_operation`.

    Returns
    -------
    reaches
        Usable lines by `reach_id`, in `crs`, two-dimensional. To be stored only if nothing
        in the report is `refused`.
    report
        What was refused, changed, or left out.

    Raises
    ------
    CrsError
        The lines state no CRS, or `crs` is not in metres.
    NetworkError
        There is no `reach_id`.
    """
    target = require_metres(crs, what="store")
    if raw.crs is None:
        raise CrsError("The reaches state no CRS; state one for the file, for example EPSG:25830.")
    frame = _with_ids(raw)
    report = NetworkReport(target)
    if frame.crs != target:
        name = read_crs(frame.crs).name
        kind = "degrees" if read_crs(frame.crs).is_geographic else "another CRS"
        operation = way or choose_operation(frame.crs, target)
        frame = transform_frame(_flat(frame, report), target, operation=operation)
        report.add(
            "transformed",
            "changed",
            f"The lines were in {kind} ({name}); they were transformed to {target.name} "
            f"by {operation}.",
        )
    else:
        frame = _flat(frame, report)
    frame = _one_part(frame, report, split_parts=split_parts)
    frame = _named_once(frame, report)
    frame = _with_length(frame, report)
    _true_lengths(frame, report, raw.crs)
    if reverse_flow and len(frame):
        frame = frame.set_geometry(shapely.reverse(np.asarray(frame.geometry)), crs=target)
        report.add(
            "reversed",
            "changed",
            f"{counted(len(frame), 'line was', 'lines were')} turned round, as asked.",
        )
    return frame.set_index("reach_id").sort_index(), report


def _with_ids(raw: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if "reach_id" not in raw.columns:
        if raw.index.name != "reach_id":
            raise NetworkError(
                f"No column reach_id among {', '.join(map(str, raw.columns[:20]))}; "
                "say which column holds it."
            )
        raw = raw.reset_index()
    frame = raw.reset_index(drop=True)
    ids = frame["reach_id"]
    if pd.api.types.is_float_dtype(ids) and bool((ids.dropna() % 1 == 0).all()):
        ids = ids.astype("Int64")  # a missing value turned whole numbers into floats
    frame["reach_id"] = ids.astype("str").str.strip().replace("", None)
    return frame


def _flat(frame: gpd.GeoDataFrame, report: NetworkReport) -> gpd.GeoDataFrame:
    lines = np.asarray(frame.geometry)
    high = shapely.has_z(lines) | shapely.has_m(lines)
    if not high.any():
        return frame
    report.add(
        "heights_dropped",
        "changed",
        f"{counted(high.sum(), 'line carries', 'lines carry')} heights or M values; "
        "these were dropped.",
    )
    return frame.set_geometry(shapely.force_2d(lines), crs=frame.crs)


def _one_part(
    frame: gpd.GeoDataFrame, report: NetworkReport, *, split_parts: bool
) -> gpd.GeoDataFrame:
    lines = np.asarray(frame.geometry)
    ids = frame["reach_id"].to_numpy(object)
    kind = shapely.get_type_id(lines)
    nothing = shapely.is_missing(lines) | shapely.is_empty(lines)
    none = np.full(int(nothing.sum()), None, dtype=object)
    words = "row has no geometry", "rows have no geometry"
    report.mark("no_geometry", "changed", none, ids[nothing], words, "; left out.")
    multi = ~nothing & (kind == shapely.GeometryType.MULTILINESTRING)
    single = multi & (shapely.get_num_geometries(lines) == 1)
    if single.any():
        report.add(
            "one_part_multi",
            "changed",
            f"{int(single.sum())} multi-part lines have one part only; taken as plain lines.",
        )
        lines = np.where(single, shapely.get_geometry(lines, 0), lines)
    many = multi & ~single
    other = ~nothing & ~multi & (kind != shapely.GeometryType.LINESTRING)
    rest = "".join(f", a {line.geom_type}; take them out of the file." for line in lines[other][:1])
    words = "row is not a line", "rows are not lines"
    report.mark("not_a_line", "refused", lines[other], ids[other], words, rest)
    frame = frame.set_geometry(lines, crs=frame.crs)
    if many.any() and split_parts:
        words = "multi-part line", "multi-part lines"
        rest = ", split; their parts are numbered ID.1, ID.2 and so on."
        report.mark("parts_split", "changed", lines[many], ids[many], words, rest)
        pieces = frame[many].explode(ignore_index=True)
        number = pieces.groupby("reach_id", dropna=False).cumcount() + 1
        pieces["reach_id"] = pieces["reach_id"] + "." + number.astype("str")
        kept = frame[~(many | nothing | other)]
        joined = pd.concat([kept, pieces], ignore_index=True)
        return gpd.GeoDataFrame(joined, geometry=joined.geometry, crs=frame.crs)
    words = "line has several parts", "lines have several parts"
    rest = "; join or split them, or ask for the parts to be split."
    report.mark("multi_part", "refused", lines[many], ids[many], words, rest)
    return frame[~(many | nothing | other)]


def _named_once(frame: gpd.GeoDataFrame, report: NetworkReport) -> gpd.GeoDataFrame:
    ids, lines = frame["reach_id"], np.asarray(frame.geometry)
    missing = ids.isna().to_numpy()
    if missing.any():
        report.add(
            "missing_id",
            "refused",
            f"{counted(missing.sum(), 'line has', 'lines have')} no reach_id; give each "
            "an id of its own.",
            ids[missing].to_numpy(object),
            lines[missing],
        )
    doubled = (ids.duplicated(keep=False) & ids.notna()).to_numpy()
    if doubled.any():
        report.add(
            "duplicate_id",
            "refused",
            f"{counted(ids[doubled].nunique(), 'reach id is', 'reach ids are')} used by "
            "more than one line, first "
            f"{ids[doubled].iloc[0]!r}; give each line an id of its own.",
            ids[doubled].to_numpy(object),
            lines[doubled],
        )
    return frame[~missing & ~doubled]


def _with_length(frame: gpd.GeoDataFrame, report: NetworkReport) -> gpd.GeoDataFrame:
    lines = np.asarray(frame.geometry)
    ids = frame["reach_id"].to_numpy(object)
    length = shapely.length(lines)
    broken = ~np.isfinite(length)
    none = np.full(int(broken.sum()), None, dtype=object)
    holds = "coordinates that are not finite numbers"
    words = f"line holds {holds}", f"lines hold {holds}"
    report.mark("not_finite", "refused", none, ids[broken], words, "; mend them in the file.")
    without = length == 0
    words, points = ("line has zero length", "lines have zero length"), shapely.get_point(lines, 0)
    report.mark("zero_length", "changed", points[without], ids[without], words, "; left out.")
    return frame[~broken & ~without]


def _true_lengths(frame: gpd.GeoDataFrame, report: NetworkReport, source: CrsLike) -> None:
    if frame.empty or report.refused:
        return
    found = unfitting_crs(frame.geometry, frame.crs, source=source)
    if found is not None:
        error, words = found
        severity = "refused" if error.share > REFUSED_SHARE else "look"
        report.add("unfitting_crs", severity, words)


def check_network(network: Network, *, near_m: float = 10.0) -> NetworkReport:
    """Look over the topology of reaches, as :func:`prepare_reaches` gave them; nothing is changed.

    Reported are loose ends that are not joined to another reach but lie at most `near_m` [m] from
    it, loops, disconnected parts, further outlets, and nodes where the flow looks wrong.
    """
    report = NetworkReport(network.crs)
    if len(network.reaches) == 0:
        report.add("empty", "refused", "There is no reach; load a file that holds lines.")
        return report
    _loose_ends(network, report, near_m)
    _loops(network, report)
    _components(network, report)
    _directions(network, report)
    return report


def _loose_ends(network: Network, report: NetworkReport, near_m: float) -> None:
    degree = network.in_degree + network.out_degree
    loose = np.flatnonzero(degree == 1)
    owner = np.full(network.n_nodes, -1, np.int64)
    owner[network.from_node] = np.arange(len(network.from_node))
    owner[network.to_node] = np.arange(len(network.to_node))
    ends = shapely.points(network.node_xy[loose])
    end, line, distance = network.lines.within(ends, near_m)
    others = line != owner[loose[end]]
    end, line, distance = end[others], line[others], distance[others]
    order = np.lexsort((line, distance, end))
    _, first = np.unique(end[order], return_index=True)
    near = order[first]
    if len(near) == 0:
        return
    ids = network.reaches.index.to_numpy(object)
    own, other = ids[owner[loose[end[near]]]], ids[line[near]]
    words = [
        f"{one} ends {gap:.2f} m from {two} without meeting it"
        for one, two, gap in zip(own, other, distance[near], strict=True)
    ]
    report.add(
        "nearly_meets",
        "look",
        f"{len(near)} loose ends lie within {near_m:g} m of another reach without being joined "
        f"to it (first: {words[0]}); not joined. Mend them, or raise the joining tolerance "
        f"of {network.tolerance_m:g} m.",
        own,
        ends[end[near]],
        words,
    )


def _loops(network: Network, report: NetworkReport) -> None:
    ids = network.reaches.index.to_numpy(object)
    returns = network.from_node == network.to_node
    tiny = returns & (network.length_m <= 2 * network.tolerance_m)
    for code, which, words in (
        ("very_short", tiny, "are no longer than the joining tolerance, so both ends are one node"),
        ("returns_to_start", returns & ~tiny, "end where they begin"),
        ("directed_loop", network.in_loop & ~returns, "lie on a loop that water could circle"),
    ):
        if which.any():
            report.add(
                code,
                "look",
                f"Reaches that {words}: {which.sum()}, first {ids[which][0]!r}; kept. A loop "
                "counts as one place for stream order and upstream length.",
                ids[which],
                network.lines.drawn(np.flatnonzero(which)),
            )


def _components(network: Network, report: NetworkReport) -> None:
    component = network.component
    parts = int(component.max()) + 1
    if parts == 1:
        return
    length = np.bincount(component, weights=network.length_m)
    lengths = network.length_m
    longest_first = np.lexsort((np.arange(len(lengths)), -lengths, component))
    _, first = np.unique(component[longest_first], return_index=True)
    row = longest_first[first][1:]
    words = [
        f"a part of {metres / 1000:.2f} km apart from the main network" for metres in length[1:]
    ]
    report.add(
        "disconnected",
        "look",
        f"The network has {parts} parts that do not touch; the main one holds "
        f"{100 * length[0] / length.sum():.1f} % of its length. Kept; no way along the network "
        "leads from one to another.",
        network.reaches.index.to_numpy(object)[row],
        network.lines.drawn(row),
        words,
    )


def _directions(network: Network, report: NetworkReport) -> None:
    ids = network.reaches.index.to_numpy(object)
    outlets, sources = network.outlets, network.sources
    at_end = np.flatnonzero(np.isin(network.to_node, outlets))
    # A true outlet is the foot of one reach; where several meet and none leaves, one of them
    # most likely runs the wrong way, however much drains there.
    several = network.in_degree[network.to_node[at_end]] > 1
    best_first = at_end[np.lexsort((at_end, -network.upstream_length_m[at_end], several))]
    _, first = np.unique(network.component[best_first], return_index=True)
    main = network.to_node[best_first[first]]
    arriving = np.full(network.n_nodes, -1, np.int64)
    arriving[network.to_node[::-1]] = np.arange(len(ids))[::-1]
    leaving = np.full(network.n_nodes, -1, np.int64)
    leaving[network.from_node[::-1]] = np.arange(len(ids))[::-1]
    further = np.setdiff1d(outlets, main)
    sinks = further[network.in_degree[further] > 1]
    springs = sources[network.out_degree[sources] > 1]
    for code, nodes, reach, words in (
        ("only_inflows", sinks, arriving, "receive several reaches and let none leave"),
        ("further_outlet", np.setdiff1d(further, sinks), arriving, "end a part as further outlets"),
        ("only_outflows", springs, leaving, "let several reaches leave and receive none"),
    ):
        if len(nodes):
            report.add(
                code,
                "look",
                f"Nodes that {words}: {len(nodes)}, first at {ids[reach[nodes[0]]]!r}; "
                "check that these lines run downstream. Kept.",
                ids[reach[nodes]],
                shapely.points(network.node_xy[nodes]),
            )
    if len(outlets) > len(sources):
        report.add(
            "drawn_upstream",
            "look",
            f"There are more outlets ({len(outlets)}) than sources ({len(sources)}): the lines "
            "seem to be drawn upstream. Load them again with the flow reversed.",
        )
    if len(outlets) == 0:
        report.add("no_outlet", "look", "Water leaves the network nowhere; it only circles.")
