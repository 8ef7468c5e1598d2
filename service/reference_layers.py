"""Loading reference layers and lists: file → prepared frame → store, and what was found."""

from __future__ import annotations

import zoneinfo
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.catchments import part_reaches, prepare_catchments
from layers.crs import read_crs
from layers.network import build_network
from layers.network_checks import NetworkReport, check_network, prepare_reaches
from service.column_names import named_as_ours
from service.errors import RequestError, ServiceError
from service.placing import place_on_network
from service.records import Selection

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd

    from layers.network import Network
    from service.store import Store

__all__ = [
    "LISTS",
    "LayerRefusedError",
    "Loaded",
    "load_catchments",
    "load_list",
    "load_reaches",
]

# Plain lists: key, columns, and which of them may not be empty.
LISTS: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "species": (
        "species",
        (
            "vernacular_name", "rank", "family", "habitats", "detected_by", "min_length_mm",
            "max_length_mm", "sensitivity", "sensitive_from", "sensitive_until", "taxon_id",
        ),
    ),
    "surveys": ("survey", ("name", "leader", "permit", "crs", "timezone", "note")),
    "sites": ("site", ("name", "survey", "stream_name", "note")),
}  # fmt: skip


@dataclass
class Loaded:
    """What a load did, in sentences, and where the problem places are."""

    sentences: list[str] = field(default_factory=list)
    places: gpd.GeoDataFrame | None = None


class LayerRefusedError(ServiceError):
    """A reference layer cannot be used as it is; nothing was stored."""

    def __init__(self, report: NetworkReport) -> None:
        super().__init__("The reaches cannot be used as they are; nothing was stored.")
        self.report = report


def load_reaches(
    store: Store,
    raw: gpd.GeoDataFrame,
    *,
    who: str,
    reverse_flow: bool = False,
    split_parts: bool = False,
    node_tolerance_m: float | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Loaded:
    """Check lines, join them to a network, and put it in place of the one that is stored.

    All placements are snapped anew and their stretches cut anew.

    Parameters
    ----------
    store
        Where to.
    raw
        Lines as read, with the columns named as ours.
    who
        Name for the history.
    reverse_flow, split_parts
        As in :func:`layers.network_checks.prepare_reaches`.
    node_tolerance_m
        Kept as the store's; by default the store's own is used. [m]
    progress
        Called with what is done next.

    Raises
    ------
    LayerRefusedError
        With its report, where lines cannot be used.
    """
    version = store.version
    tolerance = store.settings.node_tolerance_m if node_tolerance_m is None else node_tolerance_m
    progress("checking the lines")
    named, taken = named_as_ours(raw, "reaches")
    reaches, prepared = prepare_reaches(
        named, store.settings.crs, reverse_flow=reverse_flow, split_parts=split_parts
    )
    if prepared.refused:
        raise LayerRefusedError(prepared)
    if reaches.empty:
        raise RequestError("The file holds no usable line; nothing was stored.")
    progress("joining them to a network")
    orders = reaches["strahler"] if "strahler" in reaches else pd.Series(dtype=float)
    given = int((pd.to_numeric(orders, errors="coerce") >= 1).sum())
    network = build_network(reaches, tolerance_m=tolerance)
    progress("looking the network over")
    report = prepared.joined(check_network(network, tolerance_m=tolerance))
    if report.refused:
        raise LayerRefusedError(report)
    progress("cutting reaches at catchment boundaries")
    parts = part_reaches(network, store.catchments())
    progress("placing the records on it")
    records = store.records(Selection())
    placed = place_on_network(
        records.placements, network, store.methods(), tolerance_m=store.settings.snap_tolerance_m
    )
    progress("storing")
    frame = network.reaches.assign(
        from_node=network.from_node,
        to_node=network.to_node,
        upstream_length_m=network.upstream_length_m,
    )
    store.replace_network(
        frame, parts, placed.snaps, placed.stretches, placed.flags,
        who=who, node_tolerance_m=node_tolerance_m, version=version,
    )  # fmt: skip
    told = [
        (
            f"Reaches stored: {len(frame)}, {network.total_length_m / 1000:.3f} km, "
            f"{network.n_nodes} nodes joined within {tolerance:g} m, "
            f"{len(network.sources)} sources, {len(network.outlets)} outlets."
        ),
        f"Strahler order: {given} as given, {len(frame) - given} computed.",
        *_kinds_and_divisions(network),
        *taken,
        *report.sentences,
    ]
    if len(records.placements):
        on = int(placed.snaps["reach_id"].notna().sum())
        told.append(
            f"Placements snapped anew: {on} of {len(records.placements)} lie on a reach; "
            f"{len(placed.stretches)} stretches cut."
        )
    return Loaded(told, report.places)


def _kinds_and_divisions(network: Network) -> list[str]:
    """Say what kinds of reach there are, and where the stream parts into side channels."""
    told = []
    if "kind" in network.reaches:
        kinds = network.reaches["kind"].fillna("not said").value_counts()
        words = [f"{kind} {count}" for kind, count in kinds.items()]
        told.append(f"Kinds of reach: {', '.join(words)}.")
    parting = network.out_degree > 1
    if parting.any():
        more = int((network.out_degree[parting] - 1).sum())
        told.append(f"The stream parts at {int(parting.sum())} nodes into {more} side channels.")
    return told


def load_catchments(
    store: Store,
    raw: gpd.GeoDataFrame,
    *,
    who: str,
    nest: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Loaded:
    """Check polygons and put them in place of the catchments that are stored."""
    progress("checking the polygons")
    named, taken = named_as_ours(raw, "catchments")
    catchments, notes = prepare_catchments(named, store.settings.crs, nest=nest)
    if catchments.empty:
        raise RequestError("The file holds no polygon; nothing was stored.")
    reaches = store.reaches()
    progress("cutting reaches at catchment boundaries")
    network = build_network(reaches, tolerance_m=store.settings.node_tolerance_m)
    parts = part_reaches(network, catchments)
    progress("storing")
    store.replace_catchments(catchments, parts, who=who)
    told = [
        (
            f"Catchments stored: {len(catchments)}, "
            f"{int(catchments['parent_id'].notna().sum())} of them within another."
        )
    ]
    if len(reaches):
        inside = parts[parts["catchment_id"].notna()]
        length = float((inside["to_m"] - inside["from_m"]).sum())
        told.append(
            f"Of {network.total_length_m / 1000:.3f} km of reaches {length / 1000:.3f} km lie "
            "within them."
        )
    return Loaded([*told, *taken, *notes])


def load_list(store: Store, name: str, raw: pd.DataFrame, *, who: str) -> Loaded:
    """Add to, or change, the species list, the surveys or the sites.

    Raises
    ------
    RequestError
        The key column is missing, an entry of it is empty or doubled, or a value is none that
        the column may hold; the first such row is named.
    """
    key, columns = LISTS[name]
    taken: list[str] = []
    if name == "species":
        raw, taken = named_as_ours(raw, "species")
    if key not in raw:
        raise RequestError(
            f"There is no column {key} among {', '.join(map(str, raw.columns[:20]))}; "
            f"say which one it is with --map {key}=THEIRS."
        )
    frame = raw[[column for column in (key, *columns) if column in raw]].copy()
    for column in frame.columns:
        if column.startswith(("min_", "max_")):
            frame[column] = _numbers(frame[column], column)
        else:
            text = frame[column].astype("str").str.strip()
            frame[column] = text.where(text.ne(""), None)
    _refuse_keys(frame[key], key)
    if name == "species":
        _check_species(frame, store)
    put = {"species": store.put_species, "surveys": store.put_surveys, "sites": store.put_sites}
    if name == "surveys":
        _check_surveys(frame, store)
    added, changed = put[name](frame, who=who)
    same = len(frame) - added - changed
    told = [
        f"{name.capitalize()}: {added} added, {changed} changed, {same} the same as stored.",
        *taken,
    ]
    left = [str(column) for column in raw.columns if column not in (key, *columns, "geometry")]
    if left:
        told.append(f"Columns not used: {', '.join(left)}.")
    return Loaded(told)


def _row(frame_row: int) -> str:
    return f"row {frame_row + 2}"  # as a spreadsheet counts, header = 1


def _refuse_keys(names: pd.Series, key: str) -> None:
    empty = np.flatnonzero(names.isna())
    if len(empty):
        raise RequestError(f"{_row(int(empty[0]))}, column {key}: it is empty; give a name.")
    doubled = np.flatnonzero(names.duplicated())
    if len(doubled):
        first = int(doubled[0])
        raise RequestError(
            f"{_row(first)}, column {key}: {names.iloc[first]!r} stands there twice; keep one."
        )


def _numbers(column: pd.Series, name: str) -> pd.Series:
    text = column.astype("str").str.strip().str.replace(",", ".", regex=False)
    values = pd.to_numeric(text.where(text.ne(""), None), errors="coerce")
    wrong = np.flatnonzero((values.isna() & text.notna() & text.ne("")) | ~(values.fillna(1) > 0))
    if len(wrong):
        first = int(wrong[0])
        raise RequestError(
            f"{_row(first)}, column {name}: {column.iloc[first]!r} is not a length above 0 in mm."
        )
    return values.astype(float)


def _refuse_unknown(
    frame: pd.DataFrame, column: str, known: tuple[str, ...], *, many: bool
) -> None:
    if column not in frame:
        return
    for row, value in enumerate(frame[column].tolist()):
        if pd.isna(value):
            continue
        words = [word.strip() for word in str(value).split(";")] if many else [str(value)]
        for word in words:
            if word not in known:
                raise RequestError(
                    f"{_row(row)}, column {column}: {word!r} is not known; "
                    f"give {'one or more of ' if many else ''}{', '.join(known)}."
                )


def _check_species(frame: pd.DataFrame, store: Store) -> None:
    if "sensitivity" in frame:
        # Spreadsheets turn 1 into 1.0.
        frame["sensitivity"] = frame["sensitivity"].str.replace(r"\.0$", "", regex=True)
    _refuse_unknown(frame, "rank", ("species", "genus", "family"), many=False)
    _refuse_unknown(frame, "habitats", ("stream", "still", "brackish"), many=True)
    _refuse_unknown(frame, "sensitivity", ("none", "1", "10", "50", "withheld"), many=False)
    _refuse_unknown(frame, "detected_by", tuple(store.methods().index), many=True)
    for column in ("sensitive_from", "sensitive_until"):
        if column in frame:
            days = pd.to_datetime("2000-" + frame[column], format="%Y-%m-%d", errors="coerce")
            wrong = np.flatnonzero(frame[column].notna() & days.isna())
            if len(wrong):
                first = int(wrong[0])
                raise RequestError(
                    f"{_row(first)}, column {column}: {frame[column].iloc[first]!r} is not a day; "
                    "write month and day, such as 03-15."
                )
    if {"min_length_mm", "max_length_mm"} <= set(frame):
        wrong = np.flatnonzero(frame["min_length_mm"] > frame["max_length_mm"])
        if len(wrong):
            raise RequestError(
                f"{_row(int(wrong[0]))}: min_length_mm is above max_length_mm; exchange them."
            )


def _check_surveys(frame: pd.DataFrame, store: Store) -> None:
    frame["timezone"] = (
        frame["timezone"] if "timezone" in frame else pd.Series(None, frame.index, dtype="str")
    ).fillna(store.settings.timezone)
    for row, name in enumerate(frame["timezone"].tolist()):
        try:
            zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            raise RequestError(
                f"{_row(row)}, column timezone: there is no zone {name!r}; "
                "give an IANA name such as Europe/Dublin."
            ) from None
    if "crs" in frame:
        for code in frame["crs"].dropna().unique():
            read_crs(code)
