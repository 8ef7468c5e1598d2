"""How well each reach is covered: sampled fraction, last date, distance to the nearest sample."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.fieldwork.looking import local_dates
from layers.fieldwork.sampled_stretches import sampled_stretches
from layers.frames import reads
from layers.network.distance import distance_to_sampled
from layers.network.intervals import Intervals
from layers.network.reach_parts import cover_with_parts

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from layers.network.graph import Network

__all__ = ["COVERAGE_COLUMNS", "NOTHING_SAMPLED", "coverage"]

COVERAGE_COLUMNS: Final = (
    "reach_id",
    "catchment",
    "strahler",
    "length_m",
    "sampled_fraction",
    "last_date",
    "years_since",
    "distance_to_sampled_m",
    "note",
)
NOTHING_SAMPLED: Final = "nothing sampled in this connected part of the network"
_DAYS_A_YEAR: Final = 365.2425  # mean Gregorian year


@reads("stretches", "placements", "reach_parts")
def coverage(
    network: Network,
    stretches: pd.DataFrame,
    placements: pd.DataFrame,
    reach_parts: pd.DataFrame,
    *,
    as_of: date,
) -> pd.DataFrame:
    """Say for each reach how much of it was sampled, when last, and how far the next sample is.

    Parameters
    ----------
    network
        The network.
    stretches, placements, reach_parts
        Frames of these kinds (`layers.frames`). Only placements that caught something or
        stated a nil catch sampled.
    as_of
        The day the table is for. Placements set later, by local date, are left out.

    Returns
    -------
    DataFrame
        One row per reach, sorted by `reach_id`. `catchment`, the smallest one that most of
        the reach lies in (missing = outside all); `strahler`; `length_m` [m]; `sampled_fraction`,
        0 to 1; `last_date`, local date of the last placement whose stretch touches the reach;
        `years_since`, from then to `as_of` [years of 365.2425 days]; `distance_to_sampled_m`,
        along the network from the farthest unsampled point within the reach to the nearest
        sampled stretch, 0 where the whole reach is sampled [m]. Where nothing in the
        connected part is sampled the distance is missing and `note` says so.
        `attrs["inputs"]` says what was used and left out.

    Raises
    ------
    FrameError
        A column is missing or a reach is unknown.
    """
    day = local_dates(placements)
    later = (day > pd.Timestamp(as_of)).to_numpy(bool)
    sampled = sampled_stretches(
        network, stretches, placements, left_out={f"set after {as_of.isoformat()}": later}
    )
    parts = cover_with_parts(network, reach_parts)
    count = len(network.length_m)
    rows = np.arange(count, dtype=np.int64)
    whole = Intervals(rows, np.zeros(count), network.length_m)
    distance = distance_to_sampled(network, *sampled.intervals)

    covered = np.bincount(
        distance.sampled.group, weights=distance.sampled.length_m, minlength=count
    )
    complete = np.bincount(distance.unsampled.group, minlength=count) == 0
    fraction = np.where(complete, 1.0, np.minimum(covered / network.length_m, 1.0))
    farthest = np.zeros(count)
    np.maximum.at(farthest, distance.unsampled.group, distance.farthest_m)
    last = _last_dates(sampled.intervals, day.to_numpy()[sampled.placement], count)
    unknown = np.isinf(farthest)
    frame = pd.DataFrame(
        {
            "reach_id": network.reaches.index,
            "catchment": parts.main_catchment(whole, rows, count),
            "strahler": network.strahler,
            "length_m": network.length_m,
            "sampled_fraction": fraction,
            "last_date": last,
            "years_since": (pd.Timestamp(as_of) - pd.Series(last)).dt.days / _DAYS_A_YEAR,
            "distance_to_sampled_m": np.where(unknown, np.nan, farthest),
            "note": pd.Series(NOTHING_SAMPLED, index=rows, dtype="str").where(unknown),
        }
    ).astype({"reach_id": "str"})
    frame.attrs["inputs"] = sampled.inputs | {"as_of": as_of.isoformat()}
    return frame


def _last_dates(
    intervals: Intervals, day: NDArray[np.datetime64], count: int
) -> NDArray[np.datetime64]:
    """Latest day of each reach's stretches; missing where there is none."""
    never = np.iinfo(np.int64).min  # how NumPy stores a missing time
    latest = np.full(count, never, np.int64)
    touched = intervals.from_m < intervals.to_m
    days = day[touched].astype("datetime64[us]").astype(np.int64)
    np.maximum.at(latest, intervals.group[touched], days)
    return latest.astype("datetime64[us]")
