"""Distance from every node of 300,000 reaches to the nearest of 20,000 sampled stretches."""

from time import perf_counter

import networkx as nx
import numpy as np

from layers.network.distance import distance_to_sampled
from layers.network.graph import build_network
from tests.benchmarks.synthetic import river_network

REACHES = 300_000
STRETCHES = 20_000


def run(scale: float = 1.0) -> None:
    """Print both times with graph building counted, their ratio, and that they agree.

    Both start from the network's node numbers and lengths, and from the stretches.
    """
    n_reaches = int(REACHES * scale)
    n_stretches = int(STRETCHES * scale)
    network = build_network(river_network(n_reaches, vertices=3))
    rng = np.random.default_rng(20240602)
    rows = rng.choice(n_reaches, n_stretches, replace=False)
    from_m = rng.uniform(0, 0.5, n_stretches) * network.length_m[rows]
    to_m = from_m + 0.4 * network.length_m[rows]

    times = []
    for _ in range(3):
        start = perf_counter()
        distance = distance_to_sampled(network, rows, from_m, to_m)
        farthest = distance.farthest_m
        times.append(perf_counter() - start)
    ours = min(times)

    start = perf_counter()
    tails, heads = network.from_node.tolist(), network.to_node.tolist()
    graph = nx.Graph()
    graph.add_weighted_edges_from(zip(tails, heads, network.length_m.tolist(), strict=True))
    upper = range(network.n_nodes, network.n_nodes + n_stretches)
    lower = range(network.n_nodes + n_stretches, network.n_nodes + 2 * n_stretches)
    rest = network.length_m[rows] - to_m
    graph.remove_edges_from([(tails[row], heads[row]) for row in rows.tolist()])
    graph.add_weighted_edges_from(
        zip(network.from_node[rows].tolist(), upper, from_m.tolist(), strict=True)
    )
    graph.add_weighted_edges_from(
        zip(lower, network.to_node[rows].tolist(), rest.tolist(), strict=True)
    )
    found = nx.multi_source_dijkstra_path_length(graph, {*upper, *lower})
    theirs = perf_counter() - start

    expected = np.array([found[node] for node in range(network.n_nodes)])
    print(
        f"network distance: {n_reaches:,} reaches, {n_stretches:,} stretches: {ours:.3f} s "
        f"({len(farthest):,} farthest points included); networkx.multi_source_dijkstra "
        f"{theirs:.2f} s; ratio {theirs / ours:.0f}x; greatest difference "
        f"{np.abs(expected - distance.node_m).max():.1e} m"
    )


if __name__ == "__main__":
    run()
