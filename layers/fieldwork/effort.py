"""How hard each gear worked: soak time, local nights, and effort in each method's own units.

Efforts of different units are never added. What is missing stays missing, with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.areas import ellipsoidal_area_m2
from layers.coded import coded_labels, word_codes
from layers.errors import FrameError
from layers.fieldwork.looking import (
    inputs_of,
    left_out_by_outcome,
    local_dates,
    local_times,
    looked,
    nested_catchments,
    rolled_up,
)
from layers.frames import codes_of, codes_within, reads
from layers.totals import ALL, CATCHMENTS_ANEW, refuse_all

if TYPE_CHECKING:
    from collections.abc import Iterable

    from layers.arrays import Floats, Ints

__all__ = [
    "EFFORT_UNITS",
    "EffortUnit",
    "effort_in",
    "effort_of",
    "effort_totals",
    "main_units",
    "nights",
    "soak_time_h",
    "unit_words",
]

# A night counts when the gear stood in the water for so long between local 00:00 and 04:00.
_HALF_A_NIGHT: Final = pd.Timedelta(hours=2)
_NIGHTS: Final = ("trap_night", "net_night")


@dataclass(frozen=True)
class EffortUnit:
    """One way to count effort.

    Attributes
    ----------
    label
        Plural name for people.
    unit
        Text behind a figure of effort.
    columns
        Placement columns it is computed from.
    cpue_per, cpue_unit
        Catch per unit effort is given per so many units, and this text names it.
    computed_from
        What it is computed from, in words for people.
    one
        Text behind a figure of 1, where it is another.
    """

    label: str
    unit: str
    columns: tuple[str, ...]
    cpue_per: float
    cpue_unit: str
    computed_from: str
    one: str = ""


EFFORT_UNITS: Final[dict[str, EffortUnit]] = {
    "trap_night": EffortUnit(
        "Trap-nights",
        "trap-nights",
        ("set_at", "lifted_at", "gear_count"),
        1,
        "fish per trap-night",
        "local nights between set and lift, times the number of traps",
        "trap-night",
    ),
    "net_night": EffortUnit(
        "Net-nights",
        "net-nights",
        ("set_at", "lifted_at", "gear_count"),
        1,
        "fish per net-night",
        "local nights between set and lift, times the number of nets",
        "net-night",
    ),
    "soak_hour": EffortUnit(
        "Soak hours",
        "gear-hours",
        ("set_at", "lifted_at", "gear_count"),
        1,
        "fish per gear-hour",
        "hours between set and lift, times the number of gears",
        "gear-hour",
    ),
    "lift": EffortUnit(
        "Lifts", "lifts", ("lifts",), 1, "fish per lift", "lifts on the field sheet", "lift"
    ),
    "haul": EffortUnit(
        "Hauls", "hauls", ("lifts",), 1, "fish per haul", "hauls on the field sheet", "haul"
    ),
    "minute": EffortUnit(
        "Minutes", "min", ("minutes",), 1, "fish per minute", "minutes on the field sheet"
    ),
    "pass": EffortUnit(
        "Passes", "passes", ("passes",), 1, "fish per pass", "passes on the field sheet", "pass"
    ),
    "square_metre": EffortUnit("Area", "m²", ("area_m2",), 100, "fish per 100 m²", "area fished"),
    "metre": EffortUnit(
        "Length", "m", ("stretch_length_m",), 100, "fish per 100 m", "length of the stretch"
    ),
}


def unit_words(effort: pd.Series, effort_unit: pd.Series) -> pd.Series:
    """Text behind each figure of effort, by its key in `EFFORT_UNITS`; of one in the singular.

    Examples
    --------
    >>> unit_words(pd.Series([1, 2, 1]), pd.Series(["pass", "pass", "minute"])).tolist()
    ['pass', 'passes', 'min']
    """
    many = effort_unit.map({key: unit.unit for key, unit in EFFORT_UNITS.items()})
    one = effort_unit.map({key: unit.one or unit.unit for key, unit in EFFORT_UNITS.items()})
    return one.where(effort == 1, many).astype("str")


@reads(placements="set_at lifted_at")
def soak_time_h(placements: pd.DataFrame) -> pd.Series:
    """Hours between set and lift, across clock changes as they passed; missing where either is."""
    gone = pd.DatetimeIndex(placements["lifted_at"]) - pd.DatetimeIndex(placements["set_at"])
    return pd.Series(gone.total_seconds() / 3600.0, index=placements.index, name="soak_time_h")


def nights(placements: pd.DataFrame) -> pd.Series:
    """Local nights between set and lift, whole numbers as float.

    A night is counted on each local date on which the gear stood in the water for at least
    two of the four hours from 00:00 to 04:00 by the clock there. So one evening to the next
    morning is one night, gear set at 00:30 and lifted at 07:00 worked one night too, gear set
    at 23:50 and lifted at 00:10 worked none, nor did gear set and lifted by day, and a clock
    change changes nothing. The hours are our choice: common practice counts nights but does
    not say what a part of one is. Missing where either time is, or where the gear was lifted
    before it was set.

    Examples
    --------
    >>> traps = pd.DataFrame({
    ...     "set_at": pd.to_datetime(["2025-06-01T18:00Z", "2025-06-01T22:50Z"]),
    ...     "lifted_at": pd.to_datetime(["2025-06-03T08:00Z", "2025-06-01T23:10Z"]),
    ...     "timezone": "Europe/Dublin"})
    >>> nights(traps).tolist()
    [2.0, 0.0]
    """
    set_local, lifted_local = (
        local_times(placements, column) for column in ("set_at", "lifted_at")
    )
    # Two of the four hours: it stood there at 02:00, and for two hours at least.
    first = (set_local - _HALF_A_NIGHT).dt.ceil("D")
    last = (lifted_local - _HALF_A_NIGHT).dt.floor("D")
    counted: pd.Series = ((last - first) / pd.Timedelta(days=1) + 1).clip(lower=0)
    counted[lifted_local - set_local < _HALF_A_NIGHT] = 0.0
    backwards = soak_time_h(placements) < 0
    counted[backwards] = np.nan
    return counted.rename("nights")


@reads(placements="method", methods="method effort_units area_rule")
def effort_of(
    placements: pd.DataFrame, methods: pd.DataFrame, stretch_lengths: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Effort of every placement in every unit of its method.

    Nights and hours are multiplied by `gear_count`; a placement is one gear where that is
    not stated. Area is the stated one, else by the method's `area_rule`: of the polygon on
    the ellipsoid, or wetted width times stretch length.

    Parameters
    ----------
    placements
        With the columns that the units need (`EFFORT_UNITS`).
    stretch_lengths
        Index `placement_id`, of the stretch cut from the reaches: `way_m`, every pass counted,
        the effort in metres, and `sampled_m`, which times the width is the area [m]. Used where
        no length is stated: what the team measured is what it fished, also where the mapped
        line is straighter than the stream or ends too early.

    Returns
    -------
    DataFrame
        `placement_id`, `effort_unit`, `effort`, `problem`; placements in order, units in the
        method's order. `effort` is missing where `problem` says what lacks. It is 0 in nights
        alone: of gear that worked none, whose soak hours are known all the same.

    Raises
    ------
    FrameError
        A method is not in its list or names an unknown unit.
    CrsError
        Polygons are to be measured and the frame states no CRS.
    """
    units = methods["effort_units"].explode().dropna()
    strange = sorted(set(units) - set(EFFORT_UNITS))
    if strange:
        known = ", ".join(EFFORT_UNITS)
        raise FrameError(f"Effort unit {', '.join(strange)} is unknown; use one of {known}.")
    method = codes_of(placements["method"], methods.index, "Method")
    measured = pd.DataFrame(_measures(placements, methods, stretch_lengths), index=placements.index)
    if placements.empty:
        empty = {"placement_id": "str", "effort_unit": "str", "effort": "float64", "problem": "str"}
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in empty.items()})
    # Rows of the placements and of the units, placement by placement.
    row, of_unit = rolled_up(
        method, (methods.index.get_indexer(units.index), np.arange(len(units))), len(methods)
    )
    keys = pd.Index(units, dtype="str")
    effort = measured.to_numpy(dtype=np.float64)[row, measured.columns.get_indexer(keys)[of_unit]]
    lacking = ~(effort > 0) & ~(keys.isin(_NIGHTS)[of_unit] & (effort == 0))
    reasons = (
        {key: f"{' or '.join(unit.columns)} missing or zero" for key, unit in EFFORT_UNITS.items()}
        | dict.fromkeys(
            (*_NIGHTS, "soak_hour"), "set_at or lifted_at missing or in the wrong order"
        )
        | {
            "square_metre": "no area_m2, polygon, or wetted_width_m with a stretch length",
            "metre": "no stretch and no stretch_length_m",
        }
    )
    problems = pd.Index([*map(reasons.__getitem__, keys), ""], dtype="str")
    return pd.DataFrame(
        {
            "placement_id": coded_labels(row, placements.index),
            "effort_unit": keys.take(of_unit),
            "effort": np.where(lacking, np.nan, effort),
            "problem": problems.take(np.where(lacking, of_unit, len(keys))),
        }
    )


def _measures(
    placements: pd.DataFrame, methods: pd.DataFrame, stretch_lengths: pd.DataFrame | None
) -> dict[str, Floats]:
    blank = pd.Series(np.nan, index=placements.index)

    def column(name: str) -> pd.Series:
        return placements.get(name, blank).astype("float64")

    gears = column("gear_count").fillna(1.0)
    gears = gears.where(gears > 0)
    way = sampled = column("stretch_length_m")
    if stretch_lengths is not None:
        cut = stretch_lengths.reindex(placements.index)
        way, sampled = way.fillna(cut["way_m"]), sampled.fillna(cut["sampled_m"])
    stand_nights, stand_h = blank, blank
    if {"set_at", "lifted_at"} <= set(placements.columns):
        stand_nights, stand_h = nights(placements) * gears, soak_time_h(placements) * gears
    values = {
        key: column(unit.columns[0])
        for key, unit in EFFORT_UNITS.items()
        if len(unit.columns) == 1  # as on the field sheet, unless computed below
    } | {
        "trap_night": stand_nights,
        "net_night": stand_nights,
        "soak_hour": stand_h,
        "square_metre": _area_m2(placements, methods, sampled),
        "metre": way,
    }
    return {key: values[key].to_numpy(dtype=np.float64) for key in EFFORT_UNITS}


def _area_m2(placements: pd.DataFrame, methods: pd.DataFrame, length: pd.Series) -> pd.Series:
    blank = pd.Series(np.nan, index=placements.index)
    area = placements.get("area_m2", blank).astype("float64")
    rule = placements["method"].map(methods["area_rule"])
    unknown = area.isna()
    sides = unknown & (rule == "width_times_length")
    if sides.any() and "wetted_width_m" in placements:
        area = area.mask(sides, placements["wetted_width_m"].astype("float64") * length)
    drawn = unknown & (rule == "polygon")
    if drawn.any() and "shape" in placements:
        shapes = placements.loc[drawn, "shape"].to_numpy(dtype=object)
        area.loc[drawn] = ellipsoidal_area_m2(shapes, getattr(placements, "crs", None))
    return area


@reads("effort", placements="placement_id method outcome")
def main_units(placements: pd.DataFrame, effort: pd.DataFrame) -> pd.Series:
    """Name the unit (key of `EFFORT_UNITS`) that each method is counted in where one can be shown.

    It is the first of the method's units in which at least half of its placements that fished
    properly have an effort above 0; where no unit serves so many, the one that serves most.
    Electric fishing without a stated width then comes out per minute, not as nothing at all,
    and traps set and lifted by day come out in hours. Tables, figures and files all take it.

    Examples
    --------
    >>> placements = pd.DataFrame({"method": "seine", "outcome": "nil"}, index=["a", "b", "c"])
    >>> effort = pd.DataFrame({"placement_id": ["a", "a", "b", "b", "c", "c"],
    ...     "effort_unit": ["haul", "square_metre"] * 3, "effort": [np.nan, 10, 4, 10, 5, 10]})
    >>> main_units(placements, effort).to_dict()
    {'seine': 'haul'}
    """
    used = looked(placements)
    methods = pd.Index(placements["method"].array[used].unique()).dropna().sort_values()
    method = np.append(np.where(used, codes_within(placements["method"], methods), -1), -1)
    method = method.astype(np.int32)  # half the bytes of millions of pairs
    unit, units = word_codes(effort["effort_unit"])
    own = method[codes_within(effort["placement_id"], placements.index)]
    # Pairs of method and unit, those first that come first.
    there = (own >= 0) & (unit >= 0)
    pair, size = (
        (own * np.int32(len(units)) + unit.astype(np.int32))[there],
        max(len(methods) * len(units), 1),
    )
    came = np.full(size, len(pair))
    came[pair[::-1]] = np.arange(len(pair))[::-1]
    key = np.argsort(came, kind="stable")[: (came < len(pair)).sum()]
    of_method, of_unit = np.divmod(key, max(len(units), 1))
    positive = (effort["effort"] > 0).to_numpy()[there]
    known = np.bincount(pair[positive], minlength=size)[key] * 1.0
    placed = np.bincount(method[method >= 0], minlength=len(methods))
    known[2 * known >= placed[of_method]] = np.inf  # the first of them serves
    first = np.lexsort((np.arange(len(key)), -known, of_method))
    first = first[np.diff(of_method[first], prepend=-1) > 0]
    names = pd.Index(methods.take(of_method[first]), name="method", dtype="str")
    return pd.Series(units[of_unit[first]], index=names, name="effort_unit", dtype="str")


@reads("effort", placements="placement_id")
def effort_in(
    placements: pd.DataFrame, effort: pd.DataFrame, units: Iterable[object], method: Ints
) -> Floats:
    """Effort of each placement in one unit for each method, (n,); missing where it is not known.

    `units` has a key of `EFFORT_UNITS` for each method, any other word where it has none; `method`
    the number of each placement's method, (n,).
    """
    unit, names = word_codes(effort["effort_unit"])
    row = codes_within(effort["placement_id"], placements.index)
    code = {name: number for number, name in enumerate(names)}
    wanted = np.array([code.get(name, -2) for name in units], dtype=np.int8)
    own = unit == np.append(wanted[method], np.int8(-2))[row]  # the last answers to no placement
    amount = np.full(len(placements), np.nan)
    amount[row[own]] = effort["effort"].to_numpy(dtype=np.float64)[own]
    return amount


@reads("placements", "effort", "ancestors")
def effort_totals(
    placements: pd.DataFrame,
    effort: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
    by_year: bool = False,
    main: pd.Series | None = None,
) -> pd.DataFrame:
    """Effort per method and catchment, in every unit, of gear that fished properly.

    `catchment_of` is the smallest catchment of each placement; missing = outside all. `main` is
    what `main_units` gives of these placements, where that is known.

    Returns
    -------
    DataFrame
        `method`, `catchment` (`all` = everywhere, also outside every catchment), `year` (local,
        of setting) with `by_year`, `effort_unit`, `placements`, `placements_without_effort`, of
        which `placements_without_any` state their effort in no unit, `effort`; `main_unit`,
        whether it is the unit of `main_units` for all these placements.
        `attrs["inputs"]` says what was used.
    """
    names, inner, outer = nested_catchments(ancestors)
    refuse_all(names, "catchment", CATCHMENTS_ANEW)
    used, day = looked(placements), local_dates(placements)
    rows = codes_within(effort["placement_id"], placements.index)
    amount = effort["effort"].to_numpy(dtype=np.float64)
    stated = np.zeros(len(placements) + 1, dtype=bool)  # the last answers to no placement
    stated[rows[~np.isnan(amount)]] = True
    places, rank = np.unique(np.append(names.to_numpy(dtype=object), ALL), return_inverse=True)
    # What is in each smallest catchment, those outside all last; these few cells are rolled up.
    home = codes_within(catchment_of.reindex(placements.index), names)
    home[home < 0] = len(names)
    method, methods = word_codes(placements["method"], ascending=True)
    unit, units = word_codes(effort["effort_unit"], ascending=True)
    codes = {"method": method, "catchment": home}
    words: dict[str, Any] = {"method": methods, "catchment": places}
    if by_year:
        codes["year"], words["year"] = pd.factorize(day.dt.year, sort=True)
    words["effort_unit"] = units
    keys, sizes = [*words], [max(len(each), 1) for each in words.values()]
    known = np.logical_and.reduce([used, *(code >= 0 for code in codes.values())])
    of_placement = np.full(len(placements) + 1, -1)
    of_placement[:-1][known] = np.ravel_multi_index(
        [code[known] for code in codes.values()], sizes[:-1]
    )
    cell = of_placement[rows]
    keep = (cell >= 0) & (unit >= 0)
    rows, amount = rows[keep], amount[keep]
    cell, cells = pd.factorize(cell[keep] * sizes[-1] + unit[keep])
    lacking = np.isnan(amount)
    figures = [
        np.bincount(cell[which], minlength=len(cells))
        for which in (slice(None), lacking, ~stated[rows])
    ]
    figures.append(np.bincount(cell, np.where(lacking, 0.0, amount), len(cells)))
    codes = dict(zip(keys, np.unravel_index(cells, sizes), strict=True))
    every = np.arange(len(names) + 1)
    nesting = np.append(inner, every), np.append(rank[outer], np.full(len(every), rank[-1]))
    at, holder = rolled_up(codes["catchment"], nesting, len(every))
    codes = {name: code[at] for name, code in codes.items()} | {"catchment": holder}
    group, whole = pd.factorize(
        np.ravel_multi_index([codes[name] for name in keys], sizes), sort=True
    )
    placed, without, without_any, total = (
        np.bincount(group, figure[at], len(whole)).astype(figure.dtype) for figure in figures
    )
    where = dict(zip(keys, np.unravel_index(whole, sizes), strict=True))
    totals = pd.DataFrame(
        {name: words[name].take(code) for name, code in where.items()}
        | {
            "placements": placed,
            "placements_without_effort": without,
            "placements_without_any": without_any,
            "effort": np.where(placed == without, np.nan, total),
        }
    ).astype({"method": "str", "catchment": "str", "effort_unit": "str"})
    main = main_units(placements, effort) if main is None else main
    totals["main_unit"] = (totals["effort_unit"] == totals["method"].map(main)).astype(bool)
    left_out = left_out_by_outcome(placements)
    totals.attrs["inputs"] = inputs_of(placements, used, left_out, day=day.to_numpy())
    return totals
