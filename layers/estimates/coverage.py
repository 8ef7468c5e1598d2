"""Coverage of each reach: who was there, how much of it, when last, how far the next such water."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.coded import coded_labels, numbered
from layers.estimates.reach_summary import listed
from layers.fieldwork.counted_water import COUNTS
from layers.fieldwork.looking import extreme_dates
from layers.frames import reads
from layers.narrow_columns import narrowest
from layers.network.intervals import Intervals, overlay
from layers.network.reach_parts import cover_with_parts

if TYPE_CHECKING:
    from datetime import date

    from layers.arrays import Bools, Floats
    from layers.fieldwork.counted_water import Counted, CountedWater

__all__ = ["COVERAGE_COLUMNS", "NOTHING", "STATES", "coverage", "since"]

COVERAGE_COLUMNS: Final = (
    "reach_id",
    "stream",
    "catchment",
    "strahler",
    "length_m",
    "state",
    "placements",
    "methods",
    "visited_fraction",
    "sampled_fraction",
    "first_date",
    "last_date",
    "last_sampled_date",
    "years_since",
    "distance_to_visited_m",
    "distance_to_sampled_m",
    "stream_id",
    "note",
)
# In order of what is known of a reach.
STATES: Final = ("no_visit", "visited", "sampled")
NOTHING: Final[dict[Counted, str]] = {
    count: f"nothing {count} in this connected part of the network" for count in COUNTS
}
_DAYS_A_YEAR: Final = 365.2425  # mean Gregorian year


@reads("reach_parts")
def coverage(
    water: CountedWater,
    reach_parts: pd.DataFrame,
    *,
    as_of: date,
    region: Intervals | None = None,
    before: tuple[int, pd.DataFrame] | None = None,
) -> pd.DataFrame:
    """Say for each reach whether and when somebody was there, and how far the next such water is.

    Parameters
    ----------
    water
        What the placements of the question visited and sampled.
    reach_parts
        A frame of this kind (`layers.frames`).
    as_of
        The day to count years from.
    region
        Parts of reaches that do not overlap; the rest is left out, though distances run along it.
    before
        Number and coverage of an earlier water that this one was made of, without a region: of
        who was where, only what changed since is looked up.

    Returns
    -------
    DataFrame
        One row per reach, sorted by `reach_id`. `stream` and `stream_id`; `catchment`, the
        smallest one that most of the reach lies in (missing = outside all);
        `strahler`; `length_m` [m]; `state`, `no_visit`, `visited` (no length was sampled) or
        `sampled`; `placements` whose visited water or
        position lies on it, and their `methods` (`;` between); `visited_fraction` and
        `sampled_fraction` of its length, 0 to 1; `first_date` and `last_date`, local dates of
        these placements, and `last_sampled_date` of those with a stretch there; `years_since`,
        from `last_date` to `as_of` [years of 365.2425 days]; `distance_to_visited_m` and
        `distance_to_sampled_m`, along the network from the farthest point within the reach that
        is not to the nearest water that is, 0 where all of it is [m]. Where there is none in
        the connected part the distance is missing; `note` says so where nothing was visited. Texts
        and dates are coded. `attrs["inputs"]` says what was used and left out.

    Raises
    ------
    FrameError
        A column is missing or a reach is unknown.
    """
    network = water.network
    m = len(network.length_m)
    rows = np.arange(m, dtype=np.int64)
    whole = Intervals(rows, np.zeros(m), network.length_m) if region is None else region
    length = network.length_m
    if region is not None:
        length = np.bincount(whole.group, whole.length_m, m).astype(np.float64)
    parts = cover_with_parts(network, reach_parts)
    measured: dict[str, Floats] = {}
    for count in COUNTS:
        distance = water.distance(count).within(region)
        own, metres = distance.sampled.group, distance.sampled.length_m
        if region is not None:
            inside = overlay(distance.sampled, whole)
            own, metres = whole.group[inside.part], inside.to_m - inside.from_m
        covered = np.bincount(own, weights=metres, minlength=m)
        complete = np.bincount(distance.unsampled.group, minlength=m) == 0
        with np.errstate(invalid="ignore"):  # reaches outside the region have no length
            fraction = np.where(complete, 1.0, np.minimum(covered / length, 1.0))
        far = np.zeros(m)
        np.maximum.at(far, distance.unsampled.group, distance.farthest_m)
        measured[f"{count}_fraction"] = fraction
        measured[f"distance_to_{count}_m"] = np.where(np.isinf(far), np.nan, far)
    stream, named = network.streams
    made, earlier = before or (-1, None)
    changed = water.changed_in > made
    visits = _visits(water, region, changed)
    if earlier is not None:
        visits = {k: np.where(changed, each, earlier[k].to_numpy()) for k, each in visits.items()}
    nowhere = np.isnan(measured["distance_to_visited_m"])
    frame = pd.DataFrame(
        {
            "reach_id": network.reaches.index,
            "stream": numbered(named["stream"]).array[stream],
            "catchment": parts.of_reach.array
            if region is None
            else parts.main_catchment(whole, whole.group, m),
            "strahler": narrowest(network.strahler),
            "length_m": length,
            **visits,
            **measured,
            "years_since": np.nan,
            "stream_id": numbered(named["stream_id"]).array[stream],
            "note": coded_labels(nowhere - 1, pd.Index([NOTHING["visited"]])),
        },
        copy=False,
    ).astype({"reach_id": "str"} | dict.fromkeys(visits, "category") | {"placements": "int32"})
    frame = since(frame[[*COVERAGE_COLUMNS]], as_of)
    if region is not None:
        frame = frame[length > 0].reset_index(drop=True)
    frame.attrs["inputs"] = water.inputs("visited") | {"as_of": as_of.isoformat()}
    return frame


@reads(coverage="years_since")
def since(coverage: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """State the years from the last visit of each reach to a day."""
    last = coverage["last_date"].cat
    days = np.datetime64(as_of) - last.categories.to_numpy("datetime64[D]")
    years = days.astype(np.int64) / _DAYS_A_YEAR
    return coverage.assign(years_since=np.append(years, np.nan)[last.codes])


def _visits(water: CountedWater, region: Intervals | None, changed: Bools) -> dict[str, Any]:
    """Who was at each of the changed reaches, and when; nobody at others."""
    m = len(changed)
    placement, row = water.visits(np.arange(m), region, changed)
    stretch = water.sampled.within(region)
    some = changed[stretch.intervals.group] & (stretch.intervals.from_m < stretch.intervals.to_m)
    of_stretch = water.day[stretch.placement[some]], stretch.intervals.group[some]
    number = np.bincount(row, minlength=m)
    has_length = np.bincount(of_stretch[1], minlength=m) > 0
    day = water.day[placement]
    return {
        "state": np.array(STATES, object)[np.where(has_length, 2, number > 0)],
        "placements": number,
        "methods": listed(row, water.placements["method"].iloc[placement], m),
        "first_date": extreme_dates(day, row, m, np.minimum),
        "last_date": extreme_dates(day, row, m, np.maximum),
        "last_sampled_date": extreme_dates(*of_stretch, m, np.maximum),
    }
