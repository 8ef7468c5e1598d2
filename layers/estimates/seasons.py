"""Visits in seasons: units, closed seasons, and the effort of each visit.

A visit is one gear on one date at one unit, with all its traps or nets together. A season is a
calendar year, or the part of each between two days; seasons of different years stay apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from layers.errors import FrameError
from layers.fieldwork.effort import effort_in, main_units
from layers.fieldwork.looking import left_out_by_outcome, local_dates, looked
from layers.frames import check_frame, codes_of, reads

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy.typing as npt

    from layers.arrays import Bools, Floats, Ints, Objects

__all__ = [
    "PER_PLACEMENT", "SEGMENT_M", "UNITS", "Days", "Seasons", "Unit", "seasons", "units_counted",
    "units_of", "used_in_seasons",
]  # fmt: skip

Unit = Literal["reach", "site", "segment"]
Days = tuple[tuple[int, int], tuple[int, int]]  # (month, day), first and last

UNITS: Final = ("reach", "site", "segment")
SEGMENT_M: Final = 200.0
PER_PLACEMENT: Final = "placement"  # unit of effort of a method whose effort is nowhere known


@dataclass(frozen=True)
class Seasons:
    """Visits of all seasons; one value per visit unless said otherwise.

    Attributes
    ----------
    visit_of
        Visit of each placement, -1 where it is in none, (placements,).
    unit, method, year
        Number of the unit, row of the methods, year in which its season began.
    effort
        In multiples of the method's usual effort, the median of its visits, in their own season
        where seasons are apart; 1 where not known.
    known
        Whether all placements of the visit state their effort.
    placements
        How many it has.
    date
        Local date.
    usual, usual_placement, effort_unit
        Usual effort of a visit and of a placement of each visit's method; unit by row of the
        methods.
    left_out
        Placements in no visit, by reason.
    """

    visit_of: Ints
    unit: Ints
    method: Ints
    year: Ints
    effort: Floats
    known: Bools
    placements: Ints
    date: npt.NDArray[np.datetime64]
    usual: Floats
    usual_placement: Floats
    effort_unit: Objects
    left_out: dict[str, int]

    def name_of(self, visits: Ints) -> str:
        """Months of the first and last of some visits."""
        if not visits.size:
            return ""
        days = np.sort(self.date[visits])
        first, last = (pd.Timestamp(day).strftime("%Y-%m") for day in days[[0, -1]])
        return first if first == last else f"{first} to {last}"


@reads("placements", "snaps")
def units_of(
    placements: pd.DataFrame,
    snaps: pd.DataFrame,
    unit: Unit,
    *,
    reach_length_m: pd.Series | None = None,
    segment_m: float = SEGMENT_M,
) -> pd.Series:
    """Name the unit of each placement; missing where it has none.

    Parameters
    ----------
    placements, snaps
        Frames of these kinds; `site` for sites, `measure_m` for segments.
    unit
        `reach`, `site` or `segment`: each reach cut into equal pieces as near to `segment_m` as
        a whole number of them comes; a reach shorter than that is one piece.
    reach_length_m
        Length by reach, for segments. [m]
    segment_m
        Length aimed at. [m]

    Raises
    ------
    FrameError
        The unit is unknown, the length is not above 0, or a column is missing.
    """
    if unit == "site":
        check_frame("placements", placements, ("site",))
        return placements["site"]
    if unit not in UNITS:
        raise FrameError(f"Unit {unit!r} is unknown; choose reach, site or segment.")
    reach = snaps["reach_id"].reindex(placements.index)
    if unit == "reach":
        return reach
    if not segment_m > 0:
        raise FrameError(f"Segments of {segment_m} m: give a length above 0.")
    if reach_length_m is None:
        raise FrameError("Segments need the lengths of the reaches.")
    check_frame("snaps", snaps, ("measure_m",))
    length = reach.map(reach_length_m).astype("float64")
    pieces = (length / segment_m).round().clip(lower=1)
    measure = snaps["measure_m"].reindex(placements.index).astype("float64")
    piece = (measure / length * pieces // 1).clip(0, pieces - 1)
    named: pd.Series = reach.astype("str") + " " + (piece + 1).astype("Int64").astype("str")
    return named.where(reach.notna() & piece.notna())


@reads("placements", "methods", "effort")
def seasons(
    placements: pd.DataFrame,
    units: pd.Series,
    methods: pd.DataFrame,
    effort: pd.DataFrame,
    *,
    unit: Unit,
    years: Collection[int] | None = None,
    days: Days | None = None,
    apart: bool = False,
    counted_in: Objects | None = None,
) -> Seasons:
    """Gather placements that looked into visits.

    Parameters
    ----------
    units
        Unit of each placement (`units_of`), and its kind in words for `left_out`.
    years
        Years in which a season began; all when not given.
    days
        First and last day of the season. Where the last comes before the first, the season
        goes on into the next year, and bears the year in which it began.
    apart
        Whether each season has usual efforts of its own, not those of all seasons together.
    counted_in
        What :func:`units_counted` gives, where that is of other placements too.
    """
    dates = local_dates(placements)
    year, within = _season_year(dates, days)
    if years is not None:
        within &= np.isin(year, sorted(set(years)))
    used, left_out = used_in_seasons(placements, units, within, unit=unit)
    rows = np.flatnonzero(used)
    if counted_in is None:
        counted_in = units_counted(placements, methods, effort)
    method = codes_of(placements["method"], methods.index, "Method")
    amount = effort_in(placements, effort, counted_in, method)
    amount[~(amount > 0)] = np.nan  # not known, or of no use
    amount[(counted_in == PER_PLACEMENT)[method]] = 1.0
    method, amount = method[rows], amount[rows]
    keys = pd.DataFrame(
        {
            "unit": pd.factorize(units.iloc[rows], sort=True)[0],
            "method": method,
            "date": dates.iloc[rows].to_numpy(),
        }
    )
    groups = keys.groupby(["unit", "method", "date"], sort=True)
    visit = groups.ngroup().to_numpy(dtype=np.int64)
    n = groups.ngroups
    first = np.zeros(n, dtype=np.int64)
    first[visit[::-1]] = np.arange(rows.size)[::-1]
    # Added up in an order of their own: that in which placements were entered is not public.
    order = np.lexsort((amount, visit))
    total = np.bincount(visit[order], np.nan_to_num(amount[order]), minlength=n)
    known = np.bincount(visit, np.isnan(amount), minlength=n) == 0
    of_method = method[first]
    alike = method
    if apart:
        alike = method + len(methods) * pd.factorize(year[rows])[0]
    usual, usual_placement = (
        pd.Series(values[good])
        .groupby(by[good])
        .median()
        .reindex(alike[first])
        .to_numpy(np.float64)
        for values, by, good in (
            (total, alike[first], known),
            (amount, alike, ~np.isnan(amount)),
        )
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = np.where(known, total / usual, 1.0)
    visit_of = np.full(len(placements), -1, dtype=np.int64)
    visit_of[rows] = visit
    return Seasons(
        visit_of=visit_of,
        unit=keys["unit"].to_numpy(np.int64)[first],
        method=of_method,
        year=year[rows][first].astype(np.int64),
        effort=relative,
        known=known,
        placements=np.bincount(visit, minlength=n),
        date=keys["date"].to_numpy()[first],
        usual=usual,
        usual_placement=usual_placement,
        effort_unit=counted_in,
        left_out=left_out,
    )


@reads("placements")
def used_in_seasons(
    placements: pd.DataFrame, units: pd.Series, within: Bools, *, unit: Unit
) -> tuple[Bools, dict[str, int]]:
    """Mark placements that looked `within` a season, at a known unit; count others by reason."""
    fished, placed = looked(placements), units.notna().to_numpy(dtype=bool)
    left_out = left_out_by_outcome(placements)
    left_out["another season"] = int((fished & ~within).sum())
    left_out[f"no {unit}"] = int((fished & within & ~placed).sum())
    return fished & within & placed, left_out


def _season_year(dates: pd.Series, days: Days | None) -> tuple[Floats, Bools]:
    """Year in which the season of each date began, and whether it lies in a season."""
    year = dates.dt.year.to_numpy(dtype=np.float64, na_value=np.nan)
    dated = ~np.isnan(year)
    if days is None:
        return year, dated
    at = (dates.dt.month * 100 + dates.dt.day).to_numpy(dtype=np.float64, na_value=np.nan)
    first, last = (month * 100 + day for month, day in days)
    if first <= last:
        return year, dated & (at >= first) & (at <= last)
    return year - (at <= last), dated & ((at >= first) | (at <= last))


@reads("placements", "methods", "effort")
def units_counted(placements: pd.DataFrame, methods: pd.DataFrame, effort: pd.DataFrame) -> Objects:
    """Name the unit of effort of each method: the main one, placements where none is known."""
    chosen = main_units(placements, effort)
    unit = methods.index.to_series().map(chosen).to_numpy(dtype=object, copy=True)
    method = codes_of(placements["method"], methods.index, "Method")
    known = effort_in(placements, effort, unit, method) > 0
    unit[np.bincount(method[known], minlength=len(methods)) == 0] = PER_PLACEMENT
    return unit
