"""Fifty next places on 300,000 reaches, a twentieth of them sampled."""

from time import perf_counter

import networkx as nx
import numpy as np
import pandas as pd

from layers.estimates.next_places import next_places
from layers.network.graph import build_network
from tests.benchmarks.synthetic import river_network

REACHES = 300_000
STRETCHES = 15_000
PLACES = 50


def run(scale: float = 1.0) -> None:
    """Print the time for two distances; networkx.ego_graph balls for scale."""
    n_reaches = int(REACHES * scale)
    n_stretches = int(STRETCHES * scale)
    network = build_network(river_network(n_reaches, vertices=3))
    rng = np.random.default_rng(20240603)
    rows = rng.choice(n_reaches, n_stretches, replace=False)
    ids = pd.Index([f"P{k}" for k in range(n_stretches)], name="placement_id")
    placements = pd.DataFrame(
        {
            "method": "kick_net",
            "outcome": "nil",
            "set_at": pd.Timestamp("2024-07-01T12:00Z"),
            "timezone": "UTC",
        },
        index=ids,
    )
    stretches = pd.DataFrame(
        {
            "placement_id": ids,
            "reach_id": network.reaches.index[rows],
            "from_m": 0.0,
            "to_m": network.length_m[rows] * rng.uniform(0.2, 1.0, n_stretches),
        }
    )
    graph = nx.Graph()
    graph.add_weighted_edges_from(
        zip(
            network.from_node.tolist(),
            network.to_node.tolist(),
            network.length_m.tolist(),
            strict=True,
        )
    )
    for within_m in (1_000.0, 3_000.0):
        start = perf_counter()
        frame = next_places(network, stretches, placements, count=PLACES, within_m=within_m)
        ours = perf_counter() - start
        start = perf_counter()
        for node in rng.integers(0, network.n_nodes, 200).tolist():
            nx.single_source_dijkstra_path_length(graph, node, cutoff=within_m)
        balls = (perf_counter() - start) / 200 * network.n_nodes
        print(
            f"{PLACES} next places, {n_reaches:,} reaches, within {within_m:.0f} m: {ours:.2f} s, "
            f"adding {frame['adds_m'].sum() / 1000:.1f} km; one networkx search with cutoff per "
            f"node, without choosing, would take {balls:.0f} s; ratio {balls / ours:.0f}x"
        )


if __name__ == "__main__":
    run()
