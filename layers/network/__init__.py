"""The stream network: graph, order, checks, distances, intervals of measure, snapping."""
