"""Wilson's interval for a proportion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from layers.errors import FrameError

if TYPE_CHECKING:
    import numpy.typing as npt

    from layers.arrays import Floats

__all__ = ["Z95", "wilson_interval"]

Z95: Final = 1.959963984540054  # of a normal distribution, 2.5 % lie above


def wilson_interval(found: npt.ArrayLike, looked: npt.ArrayLike) -> tuple[Floats, Floats]:
    """95 % score interval of Wilson (1927) for a proportion, without continuity correction.

    Parameters
    ----------
    found
        Times found, 0 to `looked`.
    looked
        Times looked; where 0 the interval is missing.

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
    z2 = Z95**2
    n = np.where(tries > 0, tries, np.nan)
    share = hits / n
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 * np.sqrt(share * (1 - share) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    # At 0 and at n the limits are exactly 0 and 1; rounding would leave 1e-17.
    low = np.where(hits == 0, np.where(tries > 0, 0.0, np.nan), middle - half)
    high = np.where(hits == tries, np.where(tries > 0, 1.0, np.nan), middle + half)
    return low, high
