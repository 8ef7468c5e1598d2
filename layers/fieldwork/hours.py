"""At what hours gear was worked: by day, by night, or left overnight, from the real times."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.crs import choose_operation
from layers.errors import FrameError
from layers.fieldwork.daylight import is_day
from layers.fieldwork.effort import nights
from layers.fieldwork.generalising import positions
from layers.fieldwork.looking import local_times
from layers.frames import codes_of, reads

if TYPE_CHECKING:
    from collections.abc import Collection

    import geopandas as gpd

    from layers.arrays import Bools

__all__ = ["HOURS", "hours_worked", "worked_at"]

HOURS: Final = ("day", "night", "overnight")


@reads(placements="method set_at lifted_at timezone", methods="method passive hours")
def hours_worked(placements: gpd.GeoDataFrame, methods: pd.DataFrame) -> pd.DataFrame:
    """Say of each placement (points in any CRS) at what hours it worked.

    Returns
    -------
    DataFrame of bool
        Index of `placements`. `overnight`: gear that works by itself stood in the water for at
        least one night (:func:`layers.fieldwork.effort.nights`). All else by the sun where it
        was set and lifted: `day` where either was by daylight, `night` where either was not, as
        the checks of field sheets take it (twilight is not day). Where no clock time is on
        record (days alone stand as midnight), the hours at which the method is used; where these
        are any, none is true: nobody knows.

    Raises
    ------
    FrameError
        A column is missing, or a method is not in its list.
    """
    n = len(placements)
    code = codes_of(placements["method"], methods.index, "Method")
    passive = methods["passive"].to_numpy(bool)[code]
    usual = methods["hours"].to_numpy(object)[code]
    began, ended = (local_times(placements, name) for name in ("set_at", "lifted_at"))
    clock = ((began.notna() & (began != began.dt.normalize()))
             | (ended.notna() & (ended != ended.dt.normalize()))).to_numpy(bool)  # fmt: skip
    night_count = np.full(n, np.nan)
    night_count[passive] = nights(placements[passive]).to_numpy(np.float64)
    overnight = night_count > 0
    light, dark = np.zeros(n, bool), np.zeros(n, bool)
    timed = np.flatnonzero(clock & ~overnight & ~(passive & np.isnan(night_count)))
    xy = positions(placements.geometry.array[timed])
    if len(timed):
        lon, lat = choose_operation(placements.crs, "EPSG:4326").move(xy[:, 0], xy[:, 1])
        for name in ("set_at", "lifted_at"):
            times = pd.DatetimeIndex(placements[name].iloc[timed])
            day = is_day(lon, lat, times)
            light[timed] |= day & times.notna()
            dark[timed] |= ~day & times.notna()
    unknown = ~(light | dark | overnight)
    worked = {"day": light, "night": dark, "overnight": overnight}
    return pd.DataFrame(
        {name: worked[name] | (unknown & (usual == name)) for name in HOURS},
        index=placements.index,
    )


def worked_at(placements: gpd.GeoDataFrame, methods: pd.DataFrame, hours: Collection[str]) -> Bools:
    """Mark the placements that worked at any of some `HOURS`; FrameError for another word."""
    if strange := sorted(set(hours) - set(HOURS)):
        raise FrameError(f"{strange[0]!r} is no time of day; use any of {', '.join(HOURS)}.")
    marked: Bools = hours_worked(placements, methods)[list(hours)].any(axis=1).to_numpy(bool)
    return marked
