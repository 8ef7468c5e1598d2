"""How many independent placements revisits of the same reaches are worth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

if TYPE_CHECKING:
    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]
    Floats = npt.NDArray[np.float64]
    Bools = npt.NDArray[np.bool_]

__all__ = ["independent_share"]

_Z95: Final = 1.959963984540054


def independent_share(
    place: Ints,
    unit: Ints,
    method: Ints,
    looked: Bools,
    can: Bools,
    found: tuple[Ints, Ints],
    roll: scipy.sparse.csr_array,
) -> Floats:
    """Effective sample size of a proportion of placements, over their number.

    The design effect of Rao and Scott (1992), Biometrics 48:577-585: the variance of the ratio
    of finds to placements with units as clusters (Cochran 1977, equation 2.46) over that of
    independent placements, never below 1; and the interval widened for few units as by Korn
    and Graubard (1998), Survey Methodology 24:193-201 (articles from memory).

    Parameters
    ----------
    place, unit, method
        Numbers of the place, the unit and the method of v placements; a unit of -1 stands for
        one of its own.
    looked
        Which of them count, (v,).
    can
        Which species which method can find, (species, methods).
    found
        Row of the placement and number of the species for each find by a method that can.
    roll
        Places in rows, those within them in columns, (places, places).

    Returns
    -------
    ndarray
        Places in rows, species in columns, above 0 and up to 1. 1 where nothing shows how
        alike revisits are: none or all found it, or it is one unit alone.
    """
    alone = int(unit.max(initial=-1)) + 1 + np.arange(unit.size)
    unit = np.where(unit < 0, alone, unit)
    places, units = roll.shape[0], int(unit.max(initial=-1)) + 1
    share = np.ones((places, len(can)))
    sets, number = np.unique(can, axis=0, return_inverse=True)
    row, kind = found
    for j, able in enumerate(sets):
        on = looked & able[method]
        tried = _counts(place[on], unit[on], roll, units)
        m, m2 = _sums(tried), _sums(tried.power(2))
        clusters = np.diff(tried.indptr).astype(np.float64)
        for species in np.flatnonzero(number.ravel() == j):
            own = row[kind == species]
            hits = _counts(place[own], unit[own], roll, units)
            y, y2, ym = _sums(hits), _sums(hits.power(2)), _sums(hits.multiply(tried))
            known = (clusters > 1) & (y > 0) & (y < m)
            c, n, p = clusters[known], m[known], y[known] / m[known]
            spread = y2[known] - 2 * p * ym[known] + p**2 * m2[known]
            effect = c / (c - 1) * spread / n / (p * (1 - p))
            wider = (scipy.special.stdtrit(c - 1, 0.975) / _Z95) ** 2
            share[known, species] = 1 / (np.maximum(effect, 1.0) * wider)
    return share


def _counts(
    place: Ints, unit: Ints, roll: scipy.sparse.csr_array, units: int
) -> scipy.sparse.csr_array:
    """Placements by place, nested ones rolled up, and unit."""
    own = scipy.sparse.csr_array((np.ones(place.size), (place, unit)), shape=(roll.shape[0], units))
    return scipy.sparse.csr_array(roll @ own)


def _sums(table: scipy.sparse.csr_array) -> Floats:
    return np.asarray(table.sum(axis=1), dtype=np.float64).ravel()
