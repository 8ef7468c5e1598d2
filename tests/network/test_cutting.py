"""Cutting lines out of reaches, and lines that are drawn when somebody looks at them."""

import numpy as np
import pytest
import shapely

from layers.network.cutting import ReachLines, cut_lines
from layers.network.intervals import Intervals
from tests.random_networks import random_network


def lines_of(network, seed, count=40):
    """Parts of reaches that do not overlap, some joined to one line."""
    rng = np.random.default_rng(seed)
    rows = np.arange(len(network.length_m))
    halves = Intervals(
        np.repeat(rows, 2),
        np.column_stack([0 * network.length_m, network.length_m * 0.6]).ravel(),
        np.column_stack([network.length_m * 0.4, network.length_m]).ravel(),
    )
    line = np.sort(rng.integers(0, count, len(halves.group)))
    order, numbers = rng.permutation(len(line)), np.unique(line)
    first = np.searchsorted(line, numbers)
    return ReachLines(network, halves, order, first, np.diff(first, append=len(line)))


@pytest.mark.parametrize("seed", range(4))
def test_cut_ends_are_places_on_the_reach(seed):
    """Ends are what GEOS interpolates, to the last digit, past the end of a reach too."""
    network = random_network(seed)
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, len(network.length_m), 200)
    from_m, to_m = np.sort(rng.uniform(0, 1, (2, 200)), axis=0) * network.length_m[rows]
    from_m[:20], to_m[20:40] = 0.0, network.length_m[rows[20:40]] * (1 + 1e-15)
    cut = cut_lines(network, rows, from_m, to_m)
    lines = np.asarray(network.reaches.geometry)[rows]
    for number, measure in ((0, from_m), (-1, to_m)):
        expected = shapely.line_interpolate_point(lines, measure)
        assert (shapely.get_point(cut, number) == expected).all()


@pytest.mark.parametrize("seed", range(4))
def test_lines_near_a_box_are_those_that_meet_it(seed):
    """Without drawing them: none that meets the box is lost, and what is left is part of it."""
    network = random_network(seed)
    lines = lines_of(network, seed)
    window = shapely.box(501_000, 6_001_000, 502_500, 6_002_500)
    near = lines.near(window.bounds)
    meets = shapely.intersects(np.asarray(lines), window)
    assert 0 < meets.sum() < len(lines)
    assert (shapely.intersects(np.asarray(near), window) == meets).all()
    assert near.isna().any()


@pytest.mark.parametrize("seed", range(4))
def test_same_lines_are_found_by_their_pieces(seed):
    """A line is found again where it has the same pieces, and nowhere else."""
    network = random_network(seed)
    lines, other = lines_of(network, seed), lines_of(network, seed)
    mixed = other.take(np.random.default_rng(seed).permutation(len(other)))
    assert (np.asarray(mixed)[lines.same_in(mixed)] == np.asarray(lines)).all()
    changed = lines.parts.to_m.copy()
    changed[lines.order[lines.first[3]]] -= 0.5
    parts = lines.parts._replace(to_m=changed)
    shorter = ReachLines(network, parts, lines.order, lines.first, lines.count)
    expected = np.arange(len(lines))
    expected[3] = -1
    assert (lines.same_in(shorter) == expected).all()
    assert (lines.same_in(lines.take([])) == -1).all()
    assert (lines_of(random_network(seed + 9), seed).same_in(lines) == -1).all()
