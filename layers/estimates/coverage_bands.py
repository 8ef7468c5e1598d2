"""Coverage of reaches in bands: how long ago somebody was last there, or nobody was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from layers.estimates.coverage import STATES
from layers.frames import reads

if TYPE_CHECKING:
    import pandas as pd

    from layers.arrays import Ints

__all__ = ["BANDS", "coverage_bands"]


@dataclass(frozen=True)
class Band:
    """One band: its state and age, what its age is called, and the years before which it ends."""

    state: str
    age: str
    words: str
    below_years: float


# Steps of years are common practice, no source.
_AGES: Final = (
    ("fresh", "less than 2 years ago", 2.0),
    ("recent", "2 to 5 years ago", 5.0),
    ("old", "5 to 10 years ago", 10.0),
    ("stale", "10 years ago or more", np.inf),
    ("undated", "date not known", np.nan),
)
_VISITED: Final = ("sampled", "visited")
BANDS: Final = (
    *(Band(state, *age) for state in _VISITED for age in _AGES),
    Band(STATES[0], "never", "no visit", np.nan),
)


@reads("coverage")
def coverage_bands(coverage: pd.DataFrame) -> Ints:
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
    >>> [(BANDS[band].state, BANDS[band].age) for band in coverage_bands(rows)]
    [('visited', 'fresh'), ('sampled', 'old'), ('no_visit', 'never')]
    """
    years = coverage["years_since"].to_numpy(np.float64)
    edges = [below for _, _, below in _AGES if below < np.inf]
    age = np.where(np.isnan(years), len(_AGES) - 1, np.searchsorted(edges, years, side="right"))
    state = coverage["state"].to_numpy(object)
    band = age + len(_AGES) * (state == "visited")
    return np.where(state == STATES[0], len(BANDS) - 1, band)
