"""Put the island together: terrain, streams, standing waters, ditches and catchments."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from demo_sites import ISLAND_CRS
from demo_sites.basins import outline_catchments
from demo_sites.terrain import Bools, Ints, Terrain, fractal_noise, raise_island
from demo_sites.waters import (
    HEAD_M2,
    Waters,
    add_ditches,
    add_side_channel,
    cells,
    choose_basin,
    donors_of,
    shore,
    trace_reaches,
    wet_points,
)

SEED = 52_6112


@dataclass(frozen=True)
class Island:
    """Reaches (with `height_m` and `upstream_km2` beside the public columns) and polygons."""

    reaches: gpd.GeoDataFrame
    catchments: gpd.GeoDataFrame
    waterbodies: gpd.GeoDataFrame


def build_island(seed: int = SEED) -> Island:
    """Build the island from a seed.

    Returns
    -------
    Island
        Reaches drawn downstream and cut where streams meet, nested catchments, standing waters,
        all in EPSG:32629.
    """
    rng = np.random.default_rng(seed)
    terrain = raise_island(rng)
    head_m2 = HEAD_M2 * np.exp(0.5 * fractal_noise(rng, terrain.xy, 1.6, 7_000.0))
    dry = np.zeros(len(terrain.xy), dtype=bool)
    wet = wet_points(terrain, head_m2, dry)
    lake, lagoon = _standing_waters(terrain, wet)
    still = dry.copy()
    still[np.concatenate([lake, lagoon])] = True
    wet = wet_points(terrain, head_m2, still)
    _sink_a_stream(terrain, wet, still)
    reaches, name_at = trace_reaches(terrain, wet, still, seed)
    catchments = outline_catchments(terrain, wet, name_at).set_crs(ISLAND_CRS)
    waters = Waters(reaches)
    waters.waterbodies = {
        "Mere Ozkalune": shore(terrain, lake),
        "Zhandry Lagoon": shore(terrain, lagoon),
    }
    _add_channels(waters)
    _dig_ditches(terrain, waters, catchments)
    frame = pd.DataFrame(
        {
            "stream_name": [r.stream_name for r in waters.reaches],
            "kind": [r.kind for r in waters.reaches],
            "height_m": [r.height_m for r in waters.reaches],
            "upstream_km2": [r.upstream_km2 for r in waters.reaches],
        }
    )
    drawn = gpd.GeoDataFrame(frame, geometry=[r.line for r in waters.reaches], crs=ISLAND_CRS)
    start = shapely.get_coordinates(shapely.get_point(drawn.geometry.array, 0))
    drawn = drawn.iloc[np.lexsort((start[:, 0], -start[:, 1]))].reset_index(drop=True)
    drawn.insert(0, "reach_id", [f"R{n:03d}" for n in range(1, len(drawn) + 1)])
    standing = gpd.GeoDataFrame(
        {"name": list(waters.waterbodies), "kind": ["lake", "lagoon"]},
        geometry=list(waters.waterbodies.values()),
        crs=ISLAND_CRS,
    )
    return Island(drawn, catchments, standing)


def _standing_waters(terrain: Terrain, wet: Bools) -> tuple[Ints, Ints]:
    """Drown a valley for the lake and a flat river mouth for the lagoon."""
    area = terrain.upstream_m2
    valley = wet & (area > 6e6) & (area < 24e6) & (terrain.height_m > 25)
    lake = choose_basin(terrain, wet, np.flatnonzero(valley), 24.0, 0.95e6, 2)
    to_sea, here = np.zeros(len(wet), dtype=np.int64), np.arange(len(wet))
    for _ in range(8):
        to_sea += terrain.land[here]
        here = terrain.receiver[here]
    mouth = wet & (to_sea >= 3) & (to_sea <= 5) & (area > 4e6)
    mouth[lake] = False
    lagoon = choose_basin(terrain, wet, np.flatnonzero(mouth), 2.5, 0.8e6, 1)
    return lake, lagoon


def _sink_a_stream(terrain: Terrain, wet: Bools, still: Bools) -> None:
    """Let one small tributary sink into the ground before it meets its river."""
    into = donors_of(terrain, wet)
    length = np.where(wet, np.hypot(*(terrain.xy - terrain.xy[terrain.receiver]).T), 0.0)
    for i in terrain.order[::-1].tolist():
        if wet[i] and terrain.land[terrain.receiver[i]]:
            length[terrain.receiver[i]] += length[i]
    for i in np.flatnonzero(wet & (length > 2_600) & (length < 4_500)).tolist():
        below = int(terrain.receiver[i])
        if wet[below] and len(into.get(below, [])) > 1 and not still[below]:
            lost = [i]
            while len(into.get(lost[-1], [])) == 1 and len(lost) < 9:
                lost.append(into[lost[-1]][0])
            if len(lost) >= 5 and len(into.get(lost[-1], [])) >= 1:
                wet[lost[: min(7, len(lost) - 1)]] = False
                return


def _add_channels(waters: Waters) -> None:
    """Part two wide reaches into two channels each."""
    order = sorted(
        (i for i, r in enumerate(waters.reaches) if r.kind == "stream" and r.line.length > 1_300),
        key=lambda i: -waters.reaches[i].upstream_km2,
    )
    made = 0
    for i in order:
        for bow in (130.0, -130.0, 95.0, -95.0):
            if add_side_channel(waters, i, bow):
                made += 1
                break
        if made == 2:
            return


def _dig_ditches(terrain: Terrain, waters: Waters, catchments: gpd.GeoDataFrame) -> None:
    """Dig the ditches where low flat ground leaves room for them."""
    parents = set(catchments["parent_id"].dropna())
    leaves = catchments[~catchments["catchment_id"].isin(parents)]
    low = np.flatnonzero(terrain.land & (terrain.height_m < 40.0))
    flat = shapely.union_all(cells(terrain, low))
    order = sorted(
        (i for i, r in enumerate(waters.reaches) if r.kind == "stream" and r.line.length > 500),
        key=lambda i: (waters.reaches[i].height_m, i),
    )
    for i in order:
        home = leaves.geometry[leaves.covers(waters.reaches[i].line)]
        if len(home):
            ground = home.iloc[0].intersection(flat.union(waters.reaches[i].line.buffer(80)))
            for bearing in np.arange(0.1, 2 * np.pi, 0.35).tolist():
                if add_ditches(waters, ground, i, bearing):
                    return
