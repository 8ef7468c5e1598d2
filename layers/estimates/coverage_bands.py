"""Coverage of reaches in bands: how long ago somebody was last there, or nobody was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from layers.estimates.coverage import STATES
from layers.frames import reads

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["BANDS", "Band", "coverage_bands"]


@dataclass(frozen=True)
class Band:
    """One band: its key, what it is called, and the years before which it ends."""

    key: str
    words: str
    below_years: float


# Steps of years are common practice, no source.
BANDS: Final = (
    Band("fresh", "less than 2 years ago", 2.0),
    Band("recent", "2 to 5 years ago", 5.0),
    Band("old", "5 to 10 years ago", 10.0),
    Band("stale", "10 years ago or more", np.inf),
    Band("undated", "visited, date not known", np.nan),
    Band("never", "no visit", np.nan),
)
_UNDATED, _NEVER = len(BANDS) - 2, len(BANDS) - 1


@reads("coverage")
def coverage_bands(coverage: pd.DataFrame) -> NDArray[np.int64]:
    """Band of each reach.

    Parameters
    ----------
    coverage
        n rows with `state` and `years_since` [years], as
        :func:`layers.estimates.coverage.coverage` gives them.

    Returns
    -------
    ndarray of int, (n,)
        Place in `BANDS`. A reach that was visited in part has the band of its last visit.

    Examples
    --------
    >>> import pandas as pd
    >>> states = ["visited", "sampled", "no_visit"]
    >>> rows = pd.DataFrame({"state": states, "years_since": [1.9, 5, np.nan]})
    >>> [BANDS[band].key for band in coverage_bands(rows)]
    ['fresh', 'old', 'never']
    """
    years = coverage["years_since"].to_numpy(np.float64)
    edges = [band.below_years for band in BANDS if band.below_years == band.below_years]
    band = np.searchsorted(edges, years, side="right").astype(np.int64)
    band = np.minimum(band, len(edges) - 1)
    band = np.where(np.isnan(years), _UNDATED, band)
    nobody = (coverage["state"] == STATES[0]).to_numpy(bool)
    found: NDArray[np.int64] = np.where(nobody, _NEVER, band)
    return found
