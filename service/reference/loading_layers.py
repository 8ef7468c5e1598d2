"""Loading reference layers and lists: file → prepared frame → store, and what was found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.network.catchments import part_reaches, prepare_catchments
from layers.network.checks import NetworkReport, check_network, prepare_reaches
from layers.network.graph import build_network
from layers.plurals import counted, plural
from service.errors import RequestError, ServiceError
from service.records import Selection
from service.reference.column_names import named_as_ours
from service.reference.placing import place_on_network
from service.reference.transformations import Operations

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd

    from layers.network.graph import Network
    from service.store import Store

__all__ = ["LOADING_STEPS", "LayerRefusedError", "Loaded", "load_catchments", "load_reaches"]


LOADING_STEPS: Final = {"reaches": 7, "catchments": 4}
"""How many steps a load has: reading the file, and what `progress` is called with."""


@dataclass
class Loaded:
    """What a load did, in sentences, and where the problem places are; a background's name."""

    sentences: list[str] = field(default_factory=list)
    places: gpd.GeoDataFrame | None = None
    name: str = ""


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
    check_only: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Loaded:
    """Check lines, join them to a network, and put it in place of the one that is stored.

    All placements are snapped anew and their stretches cut anew. LayerRefusedError, with its
    report, where lines cannot be used.

    Parameters
    ----------
    raw
        Lines as read, with the columns named as ours.
    reverse_flow, split_parts
        As in :func:`layers.network.checks.prepare_reaches`.
    node_tolerance_m
        Kept as the store's; by default the store's own is used. [m]
    check_only
        Store nothing; say what would be stored.
    progress
        Called with what is done next.
    """
    version = store.version
    tolerance = store.settings.node_tolerance_m if node_tolerance_m is None else node_tolerance_m
    progress("checking the lines")
    named, taken = named_as_ours(raw, "reaches")
    operations = Operations(store, named)
    reaches, prepared = prepare_reaches(
        named,
        store.settings.crs,
        reverse_flow=reverse_flow,
        split_parts=split_parts,
        way=None if named.crs is None else operations.into_store(named.crs),
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
    report = prepared.joined(check_network(network))
    if report.refused:
        raise LayerRefusedError(report)
    progress("cutting reaches at catchment boundaries")
    parts = part_reaches(network, store.catchments())
    progress("placing the records on it")
    records = store.records(Selection())
    placed = place_on_network(
        records.placements, network, store.methods(), tolerance_m=store.settings.snap_tolerance_m
    )
    frame = network.reaches.assign(
        from_node=network.from_node,
        to_node=network.to_node,
        upstream_length_m=network.upstream_length_m,
    )
    if not check_only:
        progress("storing")
        store.keep_operations(operations.chosen)
        store.replace_network(
            frame, parts, placed.snaps, placed.stretches, placed.flags,
            who=who, node_tolerance_m=node_tolerance_m, version=version,
        )  # fmt: skip
    sentences = [
        (
            f"Reaches {_done(check_only)}: {len(frame)}, {network.total_length_m / 1000:.3f} km, "
            f"{counted(network.n_nodes, 'node')} joined within {tolerance:g} m, "
            f"{counted(len(network.sources), 'source')}, "
            f"{counted(len(network.outlets), 'outlet')}."
        ),
        f"Strahler order: {given} as given, {len(frame) - given} computed.",
        *_kinds_and_divisions(network),
        *taken,
        *report.sentences,
    ]
    if len(records.placements):
        on = int(placed.snaps["reach_id"].notna().sum())
        sentences.append(
            f"Placements snapped anew: {on} of {len(records.placements)} "
            f"{plural(on, 'lies', 'lie')} on a reach; "
            f"{counted(len(placed.stretches), 'stretch')} cut."
        )
    return Loaded(sentences, report.places)


def _done(check_only: bool) -> str:
    return "read, nothing stored" if check_only else "stored"


def _kinds_and_divisions(network: Network) -> list[str]:
    """Say what kinds of reach there are, and where the stream parts into side channels."""
    sentences = []
    if "kind" in network.reaches:
        kinds = network.reaches["kind"].fillna("not said").value_counts()
        words = [f"{kind} {count}" for kind, count in kinds.items()]
        sentences.append(f"Kinds of reach: {', '.join(words)}.")
    parting = network.out_degree > 1
    if parting.any():
        more = int((network.out_degree[parting] - 1).sum())
        nodes = counted(int(parting.sum()), "node")
        sentences.append(f"The stream parts at {nodes} into {counted(more, 'side channel')}.")
    return sentences


def load_catchments(
    store: Store,
    raw: gpd.GeoDataFrame,
    *,
    who: str,
    nest: bool = False,
    check_only: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Loaded:
    """Check polygons and put them in place of the catchments that are stored.

    With `check_only` nothing is stored, and what would be is said.
    """
    progress("checking the polygons")
    named, taken = named_as_ours(raw, "catchments")
    operations = Operations(store, named)
    way = None if named.crs is None else operations.into_store(named.crs)
    catchments, notes = prepare_catchments(named, store.settings.crs, nest=nest, way=way)
    if catchments.empty:
        raise RequestError("The file holds no polygon; nothing was stored.")
    reaches = store.reaches()
    progress("cutting reaches at catchment boundaries")
    network = build_network(reaches, tolerance_m=store.settings.node_tolerance_m)
    parts = part_reaches(network, catchments)
    if not check_only:
        progress("storing")
        store.keep_operations(operations.chosen)
        store.replace_catchments(catchments, parts, who=who)
    sentences = [
        (
            f"Catchments {_done(check_only)}: {len(catchments)}, "
            f"{int(catchments['parent_id'].notna().sum())} of them within another."
        )
    ]
    if len(reaches):
        inside = parts[parts["catchment_id"].notna()]
        length = float((inside["to_m"] - inside["from_m"]).sum())
        sentences.append(
            f"Of {network.total_length_m / 1000:.3f} km of reaches {length / 1000:.3f} km lie "
            "within them."
        )
    return Loaded([*sentences, *taken, *notes])
