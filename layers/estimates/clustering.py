"""How many independent placements revisits of the same reaches are worth."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy

from layers.arrays import differs
from layers.estimates.proportions import Z95
from layers.estimates.visited_units import by_cell, by_slot

if TYPE_CHECKING:
    from layers.arrays import Floats, Ints
    from layers.estimates.visited_units import Sampling, UnitRuns

__all__ = ["independent_share"]


def independent_share(sampling: Sampling, unit: Ints, runs: UnitRuns) -> Floats:
    """Effective sample size of a proportion of placements, over their number.

    The design effect of Rao and Scott (1992), Biometrics 48:577-585: the variance of the ratio
    of finds to placements with units as clusters (Cochran 1977, equation 2.46) over that of
    independent placements, never below 1; and the interval widened for few units as by Korn
    and Graubard (1998), Survey Methodology 24:193-201 (articles from memory).

    Parameters
    ----------
    sampling
        Placements and finds.
    unit
        Of each placement; -1 stands for one of its own.
    runs
        What `layers.estimates.visited_units.unit_runs` gave of them.

    Returns
    -------
    ndarray
        Places in rows, species in columns, above 0 and up to 1. 1 where nothing shows how
        alike revisits are: none or all found it, or it is one unit alone.
    """
    place, can = sampling.place, sampling.can
    alone = (place >= 0) & (unit < 0)
    own = np.flatnonzero(alone & sampling.looked)
    each = np.bincount(
        place[own] * can.shape[1] + sampling.method[own], minlength=sampling.places * can.shape[1]
    )
    lonely = sampling.rolled(each.reshape(sampling.places, can.shape[1]).astype(np.float64))
    sets, number = np.unique(can, axis=0, return_inverse=True)
    number = number.ravel().astype(np.int32)

    set_of, tried_there = number[runs.kind], np.zeros(runs.kind.size)
    of_sets = np.empty((3, sampling.places, len(sets)))  # units, placements, squares of these
    for j, able in enumerate(sets):
        tried = np.bincount(runs.looked_in, able[runs.method], runs.slot.size)
        alike = set_of == j
        tried_there[alike] = tried[runs.found_in[alike]]
        for part, weights in enumerate((tried > 0, tried, tried**2)):
            units = by_slot(sampling, runs.slot, weights.astype(np.float64))
            of_sets[part, :, j] = units + lonely[:, able].sum(axis=1)
    clusters, m, m2 = of_sets[:, :, number]

    found = np.flatnonzero(alone[sampling.row] & ~sampling.beyond)
    lonely_finds = by_cell(sampling, place[sampling.row[found]] * len(can) + sampling.kind[found])
    y = by_cell(sampling, runs.cell) - by_cell(sampling, runs.cell[runs.beyond]) + lonely_finds
    # The square of n finds is the sum of 1, 3, 5, ...: 1 each and twice those that came before.
    again = np.flatnonzero(~runs.once & ~runs.beyond)
    at = np.arange(again.size)
    before = at + 1 - np.maximum.accumulate(np.where(differs(again - at), at, 0))
    y2 = y + 2 * by_cell(sampling, runs.cell[again], before.astype(np.float64))
    tried_there[runs.beyond] = 0
    ym = by_cell(sampling, runs.cell, tried_there) + lonely_finds
    share = np.ones(m.shape)
    known = (clusters > 1) & (y > 0) & (y < m)
    c, n, p = clusters[known], m[known], y[known] / m[known]
    spread = y2[known] - 2 * p * ym[known] + p**2 * m2[known]
    effect = c / (c - 1) * spread / n / (p * (1 - p))
    wider = (scipy.special.stdtrit(c - 1, 0.975) / Z95) ** 2
    share[known] = 1 / (np.maximum(effect, 1.0) * wider)
    return share
