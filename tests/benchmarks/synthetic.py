"""Invented river networks of any size for timing."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

CRS = "EPSG:32630"


def river_network(n_reaches: int, vertices: int = 15, seed: int = 1) -> gpd.GeoDataFrame:
    """Draw a tree of wiggling reaches that all drain to one outlet.

    Nodes lie on a jittered square lattice 500 m apart, each drains to a neighbour chosen by
    random elevations falling to the south-west corner, so that streams gather as they do in
    nature and every node but the outlet has exactly one way down.

    Parameters
    ----------
    n_reaches
        Number of reaches.
    vertices
        Vertices of each reach, at least 2.
    seed
        Same seed, same network.

    Returns
    -------
    GeoDataFrame
        `n_reaches` LineStrings drawn downstream, indexed by `reach_id`, EPSG:32630.
    """
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(n_reaches + 1)))
    n_nodes = n_reaches + 1
    row, col = np.divmod(np.arange(n_nodes), side)
    x = 300_000 + 500.0 * col + rng.uniform(-150, 150, n_nodes)
    y = 5_000_000 + 500.0 * row + rng.uniform(-150, 150, n_nodes)
    number = np.arange(1, n_nodes)
    west, south = number - 1, number - side
    go_west = rng.random(n_reaches) < 0.5
    go_west[row[1:] == 0] = True
    go_west[col[1:] == 0] = False
    below = np.where(go_west, west, south)
    along = np.linspace(0, 1, vertices)[None, :]
    bend = np.zeros((n_reaches, vertices, 2))
    bend[:, 1:-1] = rng.uniform(-20, 20, (n_reaches, max(vertices - 2, 0), 2))
    start = np.column_stack([x, y])[number][:, None, :]
    end = np.column_stack([x, y])[below][:, None, :]
    points = start + (end - start) * along[..., None] + bend
    width = len(str(n_reaches))
    ids = [f"S{k:0{width}d}" for k in range(n_reaches)]
    return gpd.GeoDataFrame(
        {"stream_name": None},
        geometry=shapely.linestrings(points),
        index=gpd.pd.Index(ids, name="reach_id"),
        crs=CRS,
    )
