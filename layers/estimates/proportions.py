"""Wilson's interval for a proportion, and how often one must look to trust a nil."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy

from layers.errors import FrameError

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

__all__ = ["chance_present_though_unseen", "visits_for_absence", "wilson_interval"]


def wilson_interval(
    found: npt.ArrayLike, looked: npt.ArrayLike, *, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Score interval of Wilson (1927) for a proportion, without continuity correction.

    Parameters
    ----------
    found
        Times found, 0 to `looked`.
    looked
        Times looked; where 0 the interval is missing.
    level
        Confidence level.

    Returns
    -------
    ndarray, ndarray
        Lower and upper limits in the broadcast shape, within 0 and 1.

    Examples
    --------
    >>> [round(float(limit), 4) for limit in wilson_interval(81, 263)]
    [0.2553, 0.3662]
    """
    hits, tries = np.broadcast_arrays(
        np.asarray(found, dtype=np.float64), np.asarray(looked, dtype=np.float64)
    )
    if ((hits < 0) | (hits > tries)).any():
        raise FrameError("A proportion needs 0 ≤ found ≤ looked; check the counts.")
    z2 = float(scipy.special.ndtri(0.5 + level / 2)) ** 2
    n = np.where(tries > 0, tries, np.nan)
    share = hits / n
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = np.sqrt(z2) * np.sqrt(share * (1 - share) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    # At 0 and at n the limits are exactly 0 and 1; rounding would leave 1e-17.
    low = np.where(hits == 0, np.where(tries > 0, 0.0, np.nan), middle - half)
    high = np.where(hits == tries, np.where(tries > 0, 1.0, np.nan), middle + half)
    return low, high


def visits_for_absence(detection: npt.ArrayLike, *, chance: float = 0.05) -> Floats:
    """Visits without a find after which a present species would be missed at most so often.

    Smallest whole n with (1 - detection)^n ≤ chance: McArdle (1990), Oikos 57:276-277.

    Parameters
    ----------
    detection
        Chance to find a present species in one visit, 0 to 1.
    chance
        Chance of missing it that is put up with.

    Returns
    -------
    ndarray
        Whole numbers; infinite where detection is 0.

    Examples
    --------
    >>> visits_for_absence([0.05, 0.9, 0.0], chance=0.05).tolist()
    [59.0, 2.0, inf]
    """
    p = np.asarray(detection, dtype=np.float64)
    with np.errstate(divide="ignore"):
        exact = np.log(chance) / np.log1p(-p)
    # ln(0.01)/ln(0.1) comes out as 2.0000000000000004; a visit more would be wrong.
    whole = np.ceil(exact - 1e-9)
    return np.where(p > 0, np.maximum(whole, 1.0), np.inf)


def chance_present_though_unseen(occupancy: npt.ArrayLike, missed: npt.ArrayLike) -> Floats:
    """Chance that a species is present where all looking so far found nothing.

    Bayes' rule; for its use in surveys see Wintle et al. (2012), Diversity and
    Distributions 18:417-424.

    Parameters
    ----------
    occupancy
        Chance of presence before looking.
    missed
        Chance that everything done so far misses a present species: the product of
        1 - detection over the placements.

    Returns
    -------
    ndarray
        Chances, 0 to 1.

    Examples
    --------
    >>> round(float(chance_present_though_unseen(0.5, 0.7**5)), 6)
    0.143887
    """
    psi, q = np.asarray(occupancy, dtype=np.float64), np.asarray(missed, dtype=np.float64)
    return np.asarray(psi * q / (1 - psi + psi * q), dtype=np.float64)
