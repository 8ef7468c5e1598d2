"""Snapping 1,000,000 points within 100 m to invented reaches, and to copies of real ones.

300,000 invented reaches of 15 vertices, and 402 copies side by side of the 746 reaches of
../shared/data/newhope, where that is there. Peer: geopandas.sjoin_nearest on the same points and
lines in the same run, with index building counted on both sides and the better of two runs taken
on both. Needed: the same distances, at least 8 times as fast, under 3 GB.
"""

from __future__ import annotations

import multiprocessing
import resource
import time
from functools import partial
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.network.graph import build_network
from layers.network.snapping import snap_to_reaches
from tests.benchmarks.synthetic import river_network
from tests.conftest import SHARED

if TYPE_CHECKING:
    from collections.abc import Callable

TOLERANCE_M = 100.0
NEWHOPE = SHARED / "data" / "newhope" / "newhope.gpkg"


def real_network(copies: int) -> gpd.GeoDataFrame:
    """Copy the reaches of New Hope Creek side by side in a square, 2 km apart."""
    lines = np.asarray(gpd.read_file(NEWHOPE, layer="reaches").geometry)
    west, south, east, north = shapely.total_bounds(lines)
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    copy = np.arange(copies)
    row, column = np.divmod(copy, int(np.ceil(copies**0.5)))
    moved = np.column_stack([column * (east - west + 2000), row * (north - south + 2000)])
    whole = (xy[None] + moved[:, None]).reshape(-1, 2)
    owners = (owner[None] + copy[:, None] * len(lines)).ravel()
    ids = pd.Index([f"R{k:07d}" for k in range(copies * len(lines))], name="reach_id")
    return gpd.GeoDataFrame(
        geometry=shapely.linestrings(whole, indices=owners), index=ids, crs="EPSG:32630"
    )


def field_points(
    reaches: gpd.GeoDataFrame, n: int, seed: int = 2, astray_m: float = 25.0
) -> gpd.GeoDataFrame:
    """Draw points beside the reaches, some metres astray in each direction (std deviation)."""
    rng = np.random.default_rng(seed)
    lines = np.asarray(reaches.geometry)[rng.integers(0, len(reaches), n)]
    on_line = shapely.line_interpolate_point(lines, rng.random(n), normalized=True)
    xy = shapely.get_coordinates(on_line) + rng.normal(0, astray_m, (n, 2))
    ids = pd.RangeIndex(n, name="placement_id")
    return gpd.GeoDataFrame(geometry=shapely.points(xy), index=ids, crs=reaches.crs)


def inputs(kind: str, scale: float) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Give the reaches and points of one comparison."""
    points = int(1_000_000 * scale)
    if kind == "invented":
        reaches = river_network(int(300_000 * scale))
        return reaches, field_points(reaches, points)
    reaches = real_network(int(402 * scale))
    return reaches, field_points(reaches, points, astray_m=30.0)


def peak_gb() -> float:
    """Highest memory of this process so far, in gigabytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def _timed(work: Callable[[], pd.DataFrame]) -> tuple[float, float, pd.DataFrame]:
    """Seconds of the clock and of the processor, and what came out."""
    began, busy = time.perf_counter(), time.process_time()
    answer = work()
    return time.perf_counter() - began, time.process_time() - busy, answer


def _snap(kind: str, scale: float, answer: multiprocessing.connection.Connection) -> None:
    """Time ours in a process of its own, so that its peak memory is its own."""
    reaches, points = inputs(kind, scale)
    built, _, network = _timed(lambda: build_network(reaches))
    built_gb = peak_gb()
    runs = {"network": [], "bare": []}
    for _ in range(2):
        for name, given in (("network", network), ("bare", reaches)):
            *took, snaps = _timed(partial(snap_to_reaches, points, given, tolerance_m=TOLERANCE_M))
            runs[name].append(took)
    best = {name: np.min(took, axis=0).tolist() for name, took in runs.items()}
    answer.send((built, built_gb, best, peak_gb(), snaps["offset_m"].to_numpy()))


def run(scale: float = 1.0) -> None:
    """Print seconds, ratio and peak memory for each kind of network."""
    compare("invented", scale)
    if NEWHOPE.exists():
        compare("real", scale)


def compare(kind: str, scale: float) -> None:
    """Compare on one kind of network."""
    context = multiprocessing.get_context("spawn")
    receive, send = context.Pipe(duplex=False)
    process = context.Process(target=_snap, args=(kind, scale, send))
    process.start()
    send.close()
    built, built_gb, best, gigabytes, offsets = receive.recv()
    process.join()

    reaches, points = inputs(kind, scale)
    peer_runs = []
    for _ in range(2):
        *took, peer = _timed(
            lambda: gpd.sjoin_nearest(
                points,
                reaches[["geometry"]].copy(),
                max_distance=TOLERANCE_M,
                distance_col="distance",
            )
        )
        peer_runs.append(took)
    clock, busy = np.min(peer_runs, axis=0).tolist()
    theirs = peer.groupby(level=0)["distance"].min().reindex(points.index).to_numpy()
    worst = float(np.nanmax(np.abs(theirs - offsets)))
    same = bool(np.array_equal(np.isnan(theirs), np.isnan(offsets)) and worst < 1e-6)

    print(f"   {kind} network of {len(reaches):,} reaches: {built:.1f} s, peak {built_gb:.2f} GB")
    for name, (own_clock, own_busy) in best.items():
        print(
            f"   snapping {len(points):,} points, {name} reaches: {own_clock:.2f} s, "
            f"geopandas.sjoin_nearest {clock:.2f} s, ratio {clock / own_clock:.1f}; of the "
            f"processor {own_busy:.2f} s, {busy:.2f} s, ratio {busy / own_busy:.1f}; needed 8"
        )
    print(f"   same distances: {same} (largest difference {worst:.1e} m)")
    print(f"   peak memory {gigabytes:.2f} GB, allowed 3")
    if not same:
        raise AssertionError("distances differ from geopandas.sjoin_nearest")
