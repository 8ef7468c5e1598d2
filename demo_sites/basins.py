"""Outline the catchments of the invented island: river basins, their parts, and the coast."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from demo_sites.terrain import CENTRE
from demo_sites.waters import cells

if TYPE_CHECKING:
    from demo_sites.terrain import Bools, Ints, Terrain

RIVER_BASINS = 6
PART_SHARE = (0.14, 0.5)
SIMPLIFY_M = 75.0
COASTS = ("Eastern", "Northern", "Western", "Southern")


def _labels(terrain: Terrain, roots: dict[int, int]) -> Ints:
    """Give each land point the label of the first labelled point below it (-1: none)."""
    label = np.full(len(terrain.xy), -1, dtype=np.int64)
    for i in terrain.order.tolist():
        if terrain.land[i]:
            label[i] = roots.get(i, label[terrain.receiver[i]])
    return label


def _parts(terrain: Terrain, wet: Bools, mouth: int) -> list[int]:
    """Choose up to three tributary or headwater outlets inside a river basin."""
    total = terrain.upstream_m2[mouth]
    share = terrain.upstream_m2 / total
    grows = terrain.upstream_m2[terrain.receiver] > 1.12 * terrain.upstream_m2
    fits = wet & grows & (share > PART_SHARE[0]) & (share < PART_SHARE[1])
    inside = _labels(terrain, {mouth: 0}) == 0
    candidates = np.flatnonzero(fits & inside)
    chosen: list[int] = []
    for i in candidates[np.lexsort((candidates, -share[candidates]))].tolist():
        below, free = i, True
        while terrain.land[below] and free:
            free = below not in chosen
            below = int(terrain.receiver[below])
        nested = _labels(terrain, {i: 0})[chosen] if chosen else np.array([-1])
        if free and (nested < 0).all():
            chosen.append(i)
        if len(chosen) == 3:
            break
    return chosen


def outline_catchments(terrain: Terrain, wet: Bools, name_at: dict[int, str]) -> gpd.GeoDataFrame:
    """Outline nested catchments from the flow of the ground.

    Parameters
    ----------
    terrain
        The ground.
    wet
        Points that carry a stream.
    name_at
        Stream name at wet points.

    Returns
    -------
    GeoDataFrame
        Columns `catchment_id`, `name`, `parent_id` (missing: top). Children tile their parent;
        the top catchments tile the island.
    """
    mouths = np.flatnonzero(wet & ~terrain.land[terrain.receiver])
    mouths = mouths[np.argsort(-terrain.upstream_m2[mouths], kind="stable")][:RIVER_BASINS]
    rows: list[tuple[str, str, str | None]] = []
    roots: dict[int, int] = {}
    leaves: list[str] = []

    def add(code: str, name: str, parent: str | None, root: int) -> None:
        rows.append((code, name, parent))
        roots[root] = len(leaves)
        leaves.append(code)

    for number, mouth in enumerate(mouths.tolist(), start=1):
        code, river = f"C{number}", name_at.get(mouth) or f"River {number}"
        rows.append((code, river, None))
        add(f"{code}.1", f"{river}, lower part", code, mouth)
        for part, root in enumerate(_parts(terrain, wet, mouth), start=2):
            side = name_at.get(root) or f"Tributary {part}"
            add(f"{code}.{part}", side if side != river else f"{river}, upper part", code, root)
    label = _labels(terrain, roots)
    own_mouth = _labels(terrain, {i: i for i in np.flatnonzero(_at_coast(terrain)).tolist()})
    away = terrain.xy[own_mouth] - np.array(CENTRE)
    sector = np.round(np.arctan2(away[:, 1], away[:, 0]) / (np.pi / 2)).astype(np.int64) % 4
    coastal = terrain.land & (label < 0)
    label[coastal] = len(leaves) + sector[coastal]
    for coast in COASTS:
        rows.append((f"K{coast[0]}", f"{coast} coast streams", None))
        leaves.append(f"K{coast[0]}")
    land = np.flatnonzero(terrain.land)
    ground = cells(terrain, land)
    outlines = [
        shapely.coverage_union_all(ground[label[land] == number]) for number in range(len(leaves))
    ]
    smooth = dict(zip(leaves, shapely.coverage_simplify(outlines, SIMPLIFY_M), strict=True))
    frame = pd.DataFrame(rows, columns=["catchment_id", "name", "parent_id"])
    shapes = [
        smooth[code]
        if code in smooth
        else shapely.coverage_union_all(
            [s for leaf, s in smooth.items() if leaf.startswith(f"{code}.")]
        )
        for code in frame["catchment_id"]
    ]
    return gpd.GeoDataFrame(frame, geometry=shapes)


def _at_coast(terrain: Terrain) -> Bools:
    """Tell which land points drain straight into the sea."""
    return np.asarray(terrain.land & ~terrain.land[terrain.receiver])
