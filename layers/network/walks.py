"""Walks of a stated length up or down the network, through confluences by a fixed rule."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Floats, Ints
    from layers.network.graph import Network

__all__ = ["Walks", "walk"]


@dataclass(frozen=True, eq=False)
class Walks:
    """Where p walks went.

    Attributes
    ----------
    walk, row, from_m, to_m
        The parts of reaches walked: number of the walk, row of the reach, lower and higher
        measure, (q,).
    chooser, node, chosen
        Each choice between several reaches on the way: number of the walk, node, row of the
        reach taken, (c,).
    """

    walk: Ints
    row: Ints
    from_m: Floats
    to_m: Floats
    chooser: Ints
    node: Ints
    chosen: Ints


def walk(
    network: Network, rows: ArrayLike, measure_m: ArrayLike, length_m: ArrayLike, *, upstream: bool
) -> Walks:
    """Walk stated lengths from given places, all walks abreast.

    Where several reaches go on, the walk follows the highest Strahler order, then the
    greatest upstream length, then the lowest `reach_id`. It ends early at a source or
    outlet, and where it comes back to the reach it began on. In a directed loop a reach may
    appear twice in one walk; join its parts.

    Parameters
    ----------
    rows, measure_m, length_m
        Reach row and measure of each start, and how far to walk, (p,). [m]
    upstream
        Against the flow, or with it.
    """
    start = np.asarray(rows, np.int64)
    further = network.upstream_next if upstream else network.downstream_next
    end_node = network.from_node if upstream else network.to_node
    ways_on = network.in_degree if upstream else network.out_degree
    number = np.arange(len(start), dtype=np.int64)
    row, at, left = start, np.asarray(measure_m, np.float64), np.asarray(length_m, np.float64)
    parts: list[tuple[Ints, Ints, Floats, Floats]] = []
    choices: list[tuple[Ints, Ints, Ints]] = []
    while len(number):
        if upstream:
            step = np.minimum(left, at)
            parts.append((number, row, np.where(step == at, 0.0, at - step), at))
        else:
            step = np.minimum(left, network.length_m[row] - at)
            end = np.where(step < left, network.length_m[row], at + step)
            parts.append((number, row, at, np.minimum(end, network.length_m[row])))
        left, node, following = left - step, end_node[row], further[row]
        on = (left > 0) & (following >= 0) & (following != start[number])
        number, left, node, row = number[on], left[on], node[on], following[on]
        choice = ways_on[node] > 1
        choices.append((number[choice], node[choice], row[choice]))
        at = network.length_m[row] if upstream else np.zeros(len(row))
    if not parts:
        none, no_m = np.empty(0, np.int64), np.empty(0)
        return Walks(none, none, no_m, no_m, none, none, none)
    return Walks(
        *(np.concatenate(column) for column in zip(*parts, strict=True)),
        *(np.concatenate(column) for column in zip(*choices, strict=True)),
    )
