"""Networks to test distances on, and the same networks as NetworkX graphs."""

import itertools
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely

from layers.network.graph import Network, build_network

SHARED = Path(__file__).parents[1].parent / "shared"
CRS = "EPSG:25830"


def reaches_of(lines, ids=None, **columns):
    """GeoDataFrame of reaches from lines or WKT."""
    lines = [shapely.from_wkt(line) if isinstance(line, str) else line for line in lines]
    ids = [f"R{k:03d}" for k in range(len(lines))] if ids is None else ids
    index = pd.Index(ids, name="reach_id", dtype="str")
    return gpd.GeoDataFrame(columns, geometry=lines, index=index, crs=CRS)


def random_reaches(seed: int, nodes: int = 30, reaches: int = 34) -> gpd.GeoDataFrame:
    """Bent lines between random places: side channels, loops and parts apart included."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 5_000, (nodes, 2)) + np.array([500_000, 6_000_000])
    lines = []
    for _ in range(reaches):
        tail, head = rng.integers(0, nodes, 2)
        bend = places[tail] + rng.uniform(-800, 800, (2, 2))  # two bends: a loop has length too
        lines.append(shapely.LineString([places[tail], *bend, places[head]]))
    lines.append(shapely.LineString([*lines[0].coords[:2], lines[0].coords[-1]]))  # side channel
    return reaches_of(lines)


def random_network(seed: int, nodes: int = 30, reaches: int = 34) -> Network:
    """Network of `random_reaches`."""
    return build_network(random_reaches(seed, nodes, reaches), tolerance_m=0.01)


def new_hope() -> Network:
    """NHDPlus Version 2.1 sample (USGS and US EPA, public domain), 746 reaches."""
    reaches = gpd.read_file(SHARED / "data/newhope/newhope.gpkg", layer="reaches")
    reaches["reach_id"] = reaches["reach_id"].astype("str")
    reaches = reaches.rename(columns={"strahler_order": "strahler", "name": "stream_name"})
    return build_network(reaches.set_index("reach_id"), tolerance_m=0.01)


def hand_drawn() -> Network:
    """Twelve reaches drawn for the project's check values, section 8."""
    table = pd.read_csv(SHARED / "checks/network_reaches.csv")
    lines = [shapely.affinity.translate(shapely.from_wkt(w), 5e5, 6e6) for w in table["wkt"]]
    return build_network(reaches_of(lines, table["reach"]))


def random_intervals(network: Network, seed: int, count: int):
    """Rows, from- and to-measures of sampled intervals; some reach an end of their reach."""
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, len(network.length_m), count)
    from_m = rng.uniform(0, 1, count) * network.length_m[rows]
    to_m = rng.uniform(0, 1, count) * network.length_m[rows]
    from_m[rng.random(count) < 0.2] = 0.0
    whole = rng.random(count) < 0.2
    to_m[whole] = network.length_m[rows[whole]]
    return rows, from_m, to_m


def split_graph(network: Network, places: dict[int, set[float]]) -> nx.Graph:
    """Undirected graph with a node ("at", row, measure) at each of the given places.

    Nodes of the network keep their number; of two edges between the same two nodes the
    shorter one is kept.
    """
    graph = nx.Graph()
    graph.add_nodes_from(range(network.n_nodes))
    for row, length in enumerate(network.length_m.tolist()):
        stops = [(0.0, int(network.from_node[row]))]
        stops += [(measure, ("at", row, measure)) for measure in sorted(places.get(row, ()))]
        stops += [(length, int(network.to_node[row]))]
        for (a, one), (b, other) in itertools.pairwise(stops):
            if not graph.has_edge(one, other) or graph[one][other]["weight"] > b - a:
                graph.add_edge(one, other, weight=b - a)
    return graph
