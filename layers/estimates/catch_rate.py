"""Catch per unit effort: total catch over total effort, with an interval.

Every placement that looked for a species counts, also those that caught none of it. Counts
such as "20 or more" make a rate a lower bound. Rates of different units are never compared
or added here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.errors import FrameError
from layers.estimates.proportions import Z95
from layers.estimates.rate_interval import MOST_CLUMPED, rate_interval, upper_limit_of_none
from layers.fieldwork.effort import EFFORT_UNITS, effort_in, main_units
from layers.fieldwork.looking import (
    catch_numbers,
    detectable,
    inputs_of,
    left_out_by_outcome,
    looked,
    nested_catchments,
    rolled_up,
    summed_by_pair,
)
from layers.frames import PASS_MINUTES, codes_of, codes_within, reads
from layers.plurals import counted as counted_words
from layers.totals import ALL, CATCHMENTS_ANEW, refuse_all

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    import numpy.typing as npt

    from layers.arrays import Bools, Floats, Ints, Objects

__all__ = ["catch_per_unit_effort", "counted_catch", "rates"]

# What of a placement's effort the first pass used is known: the same ground, or one pass.
_KNOWN_OF_FIRST_PASS: Final = ("square_metre", "metre", "pass")
_FEWEST_PLACEMENTS: Final = 3
# Above this many placements the likelihood only repeats what the large-sample formula says.
_LIKELIHOOD_UP_TO: Final = 1_000
_OF_NO_USE: Final = 20  # times the rate, an upper limit; a choice of this program
_NONE: Final = f"none caught: upper limit for a variance of up to m + {1 / MOST_CLUMPED:.0f}m²"
_NO_LIMIT_OF_NONE: Final = "none caught: too few placements, or too unequal, for an upper limit"
_TEXTS: Final = (
    "method", "catchment", "species", "effort_unit", "cpue_unit", "problem", "passes_counted"
)  # fmt: skip


@reads(
    "effort",
    "species",
    "ancestors",
    placements="placement_id method outcome passes set_at timezone",
    catches="placement_id species count count_kind pass_no",
    methods="method effort_units cpue_passes",
)
def catch_per_unit_effort(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    effort: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
    units: Mapping[str, str] | None = None,
    of_species: Collection[str] = (),
) -> pd.DataFrame:
    """Catch per unit effort by method, catchment and species.

    Parameters
    ----------
    catchment_of
        Smallest catchment of each placement; missing = outside all.
    units
        Effort unit by method where another than its first is wanted.
    of_species
        Those whose rows are wanted; all when none is named.

    Returns
    -------
    DataFrame
        Sorted by method, catchment and species. Catchment `all` takes every placement, also those
        outside every catchment. `cpue` is the ratio of sums, per 100 for m² and m (see
        `cpue_unit`). `problem` says why a rate or an end of its interval is missing: fewer than
        three placements, counts of "at least" (no upper limit), or no placement of the group
        with known effort, whose row has placements and fish alone. `passes_counted` is `first`
        where catch and effort are those of first passes, else `all`. `attrs["inputs"]` states
        what was left out.

    Raises
    ------
    FrameError
        A unit is not one of the method's, or a species or method is not in its list.

    Notes
    -----
    Methods with `cpue_passes` = `first` count the first pass only, on the whole area or
    length, or as one pass; a placement whose catch is not recorded by pass is left out.
    Minutes are those of the first pass where every placement of the method in several passes
    states them. Else, as for hours, they are stated of all passes together, and later passes are
    as a rule shorter or longer than the first: all passes count, catch and effort.
    `layers.fieldwork.effort.main_units` chooses the unit where none is given.
    Interval: 95 %, `layers.estimates.rate_interval` up to 1,000 placements; above that the
    large-sample variance of a ratio of sums (Cochran 1977, Sampling Techniques, eq. 2.46) on
    the log scale. Where none was caught: 0 to the limit of
    `layers.estimates.rate_interval.upper_limit_of_none`.
    It takes placements as independent.
    """
    counted = counted_catch(placements, catches, effort, methods, units)
    base, amount, reasons = looked(placements), counted.effort, counted.left_out
    used = base & (amount > 0)
    names, member, group = _groups(placements, counted.method, base, catchment_of, ancestors)
    n_groups, n_species = len(names), len(species)
    known = np.bincount(group[used[member]], minlength=n_groups) > 0
    out = ~used[member]
    without = _reasons(reasons, member[out], group[out], n_groups)
    omitted = known[group] & out
    omitted_of = member[omitted], group[omitted]
    # With effort where any has it, else those that only caught something.
    rated = ~omitted
    member, group = member[rated], group[rated]
    placed = np.bincount(group, minlength=n_groups)
    whole, squares = (
        np.where(known, np.bincount(group, power[member], n_groups), np.nan)
        for power in (amount, amount**2)
    )

    wanted = species.index.isin(of_species) if of_species else np.ones(n_species, dtype=bool)
    kinds = codes_of(catches["species"], species.index, "Species")
    kept = counted.kept & wanted[kinds]
    row, kind, number, lower = summed_by_pair(
        counted.rows[kept], kinds[kept], counted.number[kept], counted.lower[kept]
    )
    each, in_group = rolled_up(row, (member, group), len(placements))
    cell = in_group * n_species + kind[each]
    size = (n_groups, n_species)
    individuals, lowest = (
        np.bincount(cell, weights[each], n_groups * n_species).reshape(size).astype(np.float64)
        for weights in (number, lower)
    )
    each_omitted, of_omitted = rolled_up(row, omitted_of, len(placements))
    fish = np.bincount(
        of_omitted * n_species + kind[each_omitted], number[each_omitted], n_groups * n_species
    ).reshape(size)
    full = (species["rank"].fillna("species") == "species").to_numpy(dtype=bool)
    can = detectable(species, methods).to_numpy(dtype=bool)[:, names["method"]].T
    at, listed = np.nonzero((can & full & wanted) | (individuals > 0))
    place = np.empty(n_groups * n_species, dtype=np.int64)
    place[at * n_species + listed] = np.arange(at.size)
    units_of = [EFFORT_UNITS[unit] for unit in counted.units]
    per = np.array([unit.cpue_per for unit in units_of])[names["method"].to_numpy()]
    rate = rates(
        number[each], amount[row[each]], place[cell], placed[at], whole[at], squares[at],
        lowest=lowest[at, listed] > 0, per=per[at],
    )  # fmt: skip
    by_method = names["method"].to_numpy()[at]
    frame = pd.DataFrame(
        {
            "method": methods.index.take(by_method),
            "catchment": pd.Index(names["catchment"]).take(at),
            "species": species.index.take(listed),
            "placements": placed[at],
            "effort": whole[at],
            "effort_unit": pd.Index(counted.units, dtype=object).take(by_method),
            "individuals": individuals[at, listed],
            "individuals_lower_bound": lowest[at, listed] > 0,
            "cpue": rate.value,
            "cpue_low": rate.low,
            "cpue_high": rate.high,
            "cpue_unit": pd.Index([u.cpue_unit for u in units_of], dtype=object).take(by_method),
            "problem": np.where(known[at], rate.problem, without[at]),
            "passes_counted": np.where(counted.first_pass, "first", "all")[by_method],
        }
    )
    lacking = np.bincount(omitted_of[1], minlength=n_groups)[at]
    problem = frame["problem"].to_numpy(dtype=object, copy=True)
    for i in np.flatnonzero(lacking):
        said = f"{counted_words(int(lacking[i]), 'placement')} left out"
        said += f", with {fish[at[i], listed[i]]:.0f} fish" if fish[at[i], listed[i]] else ""
        said += ": " + without[at[i]].removeprefix("no rate: ")
        problem[i] = "; ".join(filter(None, [problem[i], said]))
    frame["problem"] = problem
    frame = frame.astype(dict.fromkeys(_TEXTS, "str"))
    frame = frame.sort_values(["method", "catchment", "species"], ignore_index=True)
    left_out = left_out_by_outcome(placements)
    left_out |= {text: int(where.sum()) for text, where in reasons.items()}
    frame.attrs["inputs"] = inputs_of(
        placements,
        used,
        left_out,
        interval="95 %, penalised negative-binomial profile; large-sample above 1,000",
        effort_units={str(k): counted.units[i] for i, k in enumerate(methods.index)},
    )
    return frame


@dataclass(frozen=True)
class CountedCatch:
    """Which catch goes with which effort, in one unit for each method.

    Attributes
    ----------
    units, first_pass
        Effort unit of each method, and whether its first passes alone count.
    method
        Row of each placement's method.
    effort
        Of each placement; missing where it is unknown or does not go with the catch. [units]
    rows, number, lower, kept
        Of each catch row: row of its placement (-1 = another), fish, whether at least so many
        (`catch_numbers`), and whether it counts.
    left_out
        Placements that looked and have no such effort, by reason.
    """

    units: list[str]
    first_pass: Bools
    method: Ints
    effort: Floats
    rows: Ints
    number: Floats
    lower: Bools
    kept: Bools
    left_out: dict[str, Bools]


@reads(
    "effort",
    placements="placement_id method outcome passes set_at timezone",
    catches="placement_id species count count_kind pass_no",
    methods="method effort_units cpue_passes",
)
def counted_catch(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    effort: pd.DataFrame,
    methods: pd.DataFrame,
    units: Mapping[str, str] | None = None,
) -> CountedCatch:
    """Tell which catch and effort go together; parameters as of `catch_per_unit_effort`."""
    base = looked(placements)
    chosen = _chosen_units(placements, effort, methods, units or {})
    method = codes_of(placements["method"], methods.index, "Method")
    known_alike = np.isin(np.array(chosen, dtype="str"), _KNOWN_OF_FIRST_PASS)
    rows = codes_within(catches["placement_id"], placements.index)
    number, lower = catch_numbers(catches)
    pass_no = catches["pass_no"].to_numpy(dtype=np.float64, na_value=np.nan)
    passes = placements["passes"].to_numpy(dtype=np.float64, na_value=np.nan)
    several = passes > 1
    several[rows[(rows >= 0) & (pass_no > 1)]] = True
    first_minutes = _first_minutes(placements, several)
    timed = np.array([unit == "minute" for unit in chosen], dtype=bool)
    for at in np.flatnonzero(timed):
        mine = base & (method == at) & several
        known_alike[at] = mine.any() and bool((first_minutes[mine] > 0).all())
    first_pass = known_alike & (methods["cpue_passes"] == "first").to_numpy(dtype=bool)
    first_only = first_pass[method]
    mixed = np.zeros(len(placements), dtype=bool)
    kept = (rows >= 0) & (number > 0)
    unknown_pass = kept & np.isnan(pass_no)
    unknown_pass[unknown_pass] = first_only[rows[unknown_pass]] & (passes[rows[unknown_pass]] > 1)
    mixed[rows[unknown_pass]] = True
    later = kept & (pass_no > 1)
    later[later] = first_only[rows[later]]

    amount = effort_in(placements, effort, chosen, method)
    by_pass = np.array([unit == "pass" for unit in chosen], dtype=bool)
    if len(methods):
        amount = np.where(first_only & by_pass[method], np.minimum(amount, 1.0), amount)
        amount = np.where(first_only & timed[method], first_minutes, amount)
    kept = kept & ~later
    kept[kept] = base[rows[kept]]
    left_out = {
        "catch not told apart by pass": base & mixed,
        "no night between set and lift": base & ~mixed & (amount == 0),
        "effort unknown": base & ~mixed & np.isnan(amount),
    }
    amount = np.where(mixed, np.nan, amount)
    return CountedCatch(chosen, first_pass, method, amount, rows, number, lower, kept, left_out)


def _chosen_units(
    placements: pd.DataFrame, effort: pd.DataFrame, methods: pd.DataFrame, units: Mapping[str, str]
) -> list[str]:
    """Name one unit for each method: the one requested, else its main one."""
    main = main_units(placements, effort)
    chosen = []
    for method, own in methods["effort_units"].items():
        unit = units.get(str(method), "")
        if not unit and len(own):
            unit = str(main.get(method, own[0]))
        if unit not in own:
            msg = f"{method} is not counted in {unit or 'any unit'}; choose from {', '.join(own)}."
            raise FrameError(msg)
        chosen.append(unit)
    return chosen


def _first_minutes(placements: pd.DataFrame, several: Bools) -> Floats:
    """Minutes of the first pass: its own, or all of those that were fished once."""
    blank = pd.Series(np.nan, index=placements.index)
    own, whole = (
        placements.get(name, blank).to_numpy(dtype=np.float64, na_value=np.nan)
        for name in (PASS_MINUTES[0], "minutes")
    )
    return np.where(several, own, np.where(np.isnan(whole), own, whole))


def _groups(
    placements: pd.DataFrame,
    method: Ints,
    base: Bools,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
) -> tuple[pd.DataFrame, Ints, Ints]:
    """Group by method and catchment, or method alone, those that looked.

    `method` (its row) and `catchment` of each group; row of a placement and number of a group
    that it is in, once for each such pair.
    """
    names, inner, outer = nested_catchments(ancestors)
    refuse_all(names, "catchment", CATCHMENTS_ANEW)
    home = codes_within(catchment_of.reindex(placements.index), names)
    inside, everywhere = np.flatnonzero(base & (home >= 0)), np.flatnonzero(base)
    rows, holder = rolled_up(home[inside], (inner, outer), len(names))
    member = np.concatenate([inside[rows], everywhere])
    holder = np.concatenate([holder, np.full(everywhere.size, len(names))])
    pair = method[member] * (len(names) + 1) + holder
    there = np.bincount(pair) > 0
    group, key = (np.cumsum(there) - 1)[pair], np.flatnonzero(there)
    of_method, at = np.divmod(key, len(names) + 1)
    called = np.append(names.to_numpy(dtype=object), ALL)
    return pd.DataFrame({"method": of_method, "catchment": called[at]}), member, group


def _reasons(reasons: dict[str, Bools], member: Ints, group: Ints, n: int) -> npt.NDArray[Any]:
    """Why each group has no rate, where no placement of it has an effort."""
    there = [np.bincount(group[where[member]], minlength=n) > 0 for where in reasons.values()]
    code = sum((found << i for i, found in enumerate(there)), np.zeros(n, dtype=np.int64))
    words = [
        "no rate: " + "; ".join(text for i, text in enumerate(reasons) if number >> i & 1)
        for number in range(1 << len(reasons))
    ]
    return np.array(words, dtype=object)[code]


@dataclass(frozen=True)
class Rates:
    """Catch rates with their intervals, and what is to be said of them; each (m,)."""

    value: Floats
    low: Floats
    high: Floats
    problem: Objects


def rates(
    fish: Floats,
    effort: Floats,
    of_rate: Ints,
    placements: Ints,
    all_effort: Floats,
    squares: Floats,
    *,
    lowest: Bools,
    per: float | Floats = 1.0,
) -> Rates:
    """Ratios of sums and their intervals.

    Parameters
    ----------
    fish, effort, of_rate, placements, all_effort, squares
        As of `layers.estimates.rate_interval.rate_interval`; a rate may have no catch, and an
        `all_effort` of NaN, none is known.
    lowest
        Whether a count of the rate is one of at least so many.
    per
        Units of effort that a rate is given for.
    """
    m = placements.size
    individuals = np.bincount(of_rate, fish, m)
    value = per * individuals / all_effort
    low, high = np.full(m, np.nan), np.full(m, np.nan)
    problem = np.full(m, "", dtype=object)
    enough = (placements >= _FEWEST_PLACEMENTS) & ~np.isnan(all_effort)
    none, few = enough & (individuals == 0), enough & (placements <= _LIKELIHOOD_UP_TO)
    of_none = np.full(m, np.inf)
    of_none[enough] = upper_limit_of_none(
        placements[enough], all_effort[enough], squares[enough], size=MOST_CLUMPED
    )
    low[none], high[none], problem[none] = 0.0, of_none[none], _NONE
    few &= ~none
    many = enough & ~none & ~few
    number, own = np.cumsum(few) - 1, few[of_rate]
    low[few], high[few] = rate_interval(
        fish[own], effort[own], number[of_rate[own]], placements[few], all_effort[few], squares[few]
    )
    # One fish leaves no less room for more of them than none.
    high[few] = np.maximum(high[few], np.where(np.isinf(of_none), 0.0, of_none)[few])
    wide, own = all_effort[many], many[of_rate]
    number = (np.cumsum(many) - 1)[of_rate[own]]
    y, x, ratio = fish[own], effort[own], individuals[many] / wide
    # Σ (y - R x)² over all placements, of which most caught none.
    left = np.bincount(number, y**2 - 2 * ratio[number] * y * x, wide.size)
    left = np.maximum(left + ratio**2 * squares[many], 0.0)  # rounding may leave less than 0
    n = placements[many]
    share = np.sqrt(left * n / (n - 1)) / individuals[many]
    low[many], high[many] = ratio * np.exp(-Z95 * share), ratio * np.exp(Z95 * share)
    low, high = per * low, per * high
    high[lowest] = np.nan
    problem[lowest] = "counts of 'at least': no upper limit"
    with np.errstate(invalid="ignore"):
        vague = high > _OF_NO_USE * value
    problem[vague & (individuals > 0)] = (
        f"upper limit more than {_OF_NO_USE} times the rate: too few or uneven catches to bound it"
    )
    unlimited = np.isposinf(high)
    problem[unlimited], high[unlimited] = "the counts set no upper limit", np.nan
    problem[unlimited & none] = _NO_LIMIT_OF_NONE
    problem[~enough] = "fewer than three placements: no interval"
    return Rates(value, low, high, problem)
