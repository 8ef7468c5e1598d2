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
import scipy

from layers.errors import FrameError
from layers.estimates.rate_interval import rate_interval, upper_limit_of_none
from layers.fieldwork.effort import EFFORT_UNITS, main_units
from layers.fieldwork.looking import (
    catch_numbers,
    detectable,
    inputs_of,
    left_out_by_outcome,
    looked,
    nested_catchments,
)
from layers.frames import PASS_MINUTES, codes_of, codes_within, reads
from layers.totals import ALL, CATCHMENTS_ANEW, refuse_all

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]
    Floats = npt.NDArray[np.float64]
    Bools = npt.NDArray[np.bool_]

__all__ = ["CATCH_RATE_COLUMNS", "CountedCatch", "catch_per_unit_effort", "counted_catch"]

CATCH_RATE_COLUMNS: Final = (
    "method",
    "catchment",
    "species",
    "placements",
    "effort",
    "effort_unit",
    "individuals",
    "individuals_lower_bound",
    "cpue",
    "cpue_low",
    "cpue_high",
    "cpue_unit",
    "problem",
    "passes_counted",
)
# What of a placement's effort the first pass used is known: the same ground, or one pass.
_KNOWN_OF_FIRST_PASS: Final = ("square_metre", "metre", "pass")
_FEWEST_PLACEMENTS: Final = 3
# Above this many placements the likelihood only repeats what the large-sample formula says.
_LIKELIHOOD_UP_TO: Final = 1_000
_Z95: Final = 1.959963984540054


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
) -> pd.DataFrame:
    """Catch per unit effort by method, catchment and species.

    Parameters
    ----------
    placements, catches, effort, species, methods, ancestors
        Frames of these kinds (`layers.frames`).
    catchment_of
        Smallest catchment of each placement; missing = outside all.
    units
        Effort unit by method where another than its first is wanted.

    Returns
    -------
    DataFrame
        Columns `CATCH_RATE_COLUMNS`. Catchment `all` takes every placement, also those
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
    the log scale. Where none was caught: 0 to the exact upper limit. It takes placements as
    independent.
    """
    whole = counted_catch(placements, catches, effort, methods, units)
    base, method, amount, kept = looked(placements), whole.method, whole.effort, whole.kept
    chosen, first_pass, reasons = whole.units, whole.first_pass, whole.left_out
    used = base & (amount > 0)
    rows, number, lower = whole.rows, whole.number, whole.lower
    kinds = codes_of(catches["species"], species.index, "Species")
    count = scipy.sparse.csr_array(
        (number[kept], (rows[kept], kinds[kept])), shape=(len(placements), len(species))
    )
    bounded = scipy.sparse.csr_array(
        (lower[kept].astype(np.float64), (rows[kept], kinds[kept])), shape=count.shape
    )
    can = detectable(species, methods).to_numpy(dtype=bool)
    full = (species["rank"].fillna("species") == "species").to_numpy(dtype=bool)
    parts: list[dict[str, npt.NDArray[Any]]] = []
    groups = _groups(placements, catchment_of, ancestors)
    for m, name in enumerate(methods.index):
        mine = base & (method == m)
        for catchment, members in groups:
            group = members[mine[members]]
            if not group.size:
                continue
            without = "; ".join(text for text, where in reasons.items() if where[group].any())
            with_effort = group[used[group]]
            group = with_effort if with_effort.size else group
            counts = count[group].tocsc()
            wanted = np.flatnonzero((can[:, m] & full) | (counts.sum(axis=0) > 0))
            counts, lowest = counts[:, wanted], bounded[group][:, wanted].sum(axis=0) > 0
            if with_effort.size:
                rate = _rates(amount[group], counts, lowest, EFFORT_UNITS[chosen[m]].cpue_per)
            else:
                rate = _no_rates(counts, without)
            shared = {
                "method": name,
                "catchment": catchment,
                "placements": group.size,
                "effort": amount[group].sum() if with_effort.size else np.nan,
                "effort_unit": chosen[m],
                "cpue_unit": EFFORT_UNITS[chosen[m]].cpue_unit,
                "passes_counted": "first" if first_pass[m] else "all",
            }
            parts.append(
                {key: np.full(wanted.size, value) for key, value in shared.items()}
                | {
                    "species": species.index.to_numpy(dtype=object)[wanted],
                    "individuals": rate.individuals,
                    "individuals_lower_bound": lowest,
                    "cpue": rate.value,
                    "cpue_low": rate.low,
                    "cpue_high": rate.high,
                    "problem": rate.problem,
                }
            )
    frame = _typed(parts)
    left_out = left_out_by_outcome(placements)
    left_out |= {text: int(where.sum()) for text, where in reasons.items()}
    frame.attrs["inputs"] = inputs_of(
        placements,
        used,
        left_out,
        interval="95 %, penalised negative-binomial profile; large-sample above 1,000",
        effort_units={str(k): chosen[i] for i, k in enumerate(methods.index)},
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

    amount = _chosen_effort(placements, effort, chosen, method, first_only, methods)
    if len(methods):
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


def _chosen_effort(
    placements: pd.DataFrame,
    effort: pd.DataFrame,
    chosen: list[str],
    method: Ints,
    first_only: Bools,
    methods: pd.DataFrame,
) -> Floats:
    """Effort of each placement in its method's chosen unit, of the first pass where that counts."""
    unit = np.array(chosen, dtype=object)[method] if len(methods) else np.array([], dtype=object)
    rows = codes_within(effort["placement_id"], placements.index)
    known = rows >= 0
    known[known] = effort["effort_unit"].to_numpy(dtype=object)[known] == unit[rows[known]]
    amount = np.full(len(placements), np.nan)
    amount[rows[known]] = effort["effort"].to_numpy(dtype=np.float64)[known]
    return np.where(first_only & (unit == "pass") & (amount > 1), 1.0, amount)


def _first_minutes(placements: pd.DataFrame, several: Bools) -> Floats:
    """Minutes of the first pass: its own, or all of those that were fished once."""
    blank = pd.Series(np.nan, index=placements.index)
    own, whole = (
        placements.get(name, blank).to_numpy(dtype=np.float64, na_value=np.nan)
        for name in (PASS_MINUTES[0], "minutes")
    )
    return np.where(several, own, np.where(np.isnan(whole), own, whole))


def _groups(
    placements: pd.DataFrame, catchment_of: pd.Series, ancestors: pd.DataFrame
) -> list[tuple[str, Ints]]:
    names, inner, outer = nested_catchments(ancestors)
    refuse_all(names, "catchment", CATCHMENTS_ANEW)
    home = codes_within(catchment_of.reindex(placements.index), names)
    inside = pd.DataFrame({"home": home, "row": np.arange(len(placements))}).merge(
        pd.DataFrame({"home": inner, "outer": outer}), on="home"
    )
    inside["catchment"] = names.to_numpy()[inside["outer"]]
    members = inside.groupby("catchment")["row"]
    groups = [(str(name), np.sort(rows.to_numpy())) for name, rows in members]
    return [*groups, (ALL, np.arange(len(placements)))]


@dataclass(frozen=True)
class _Rates:
    individuals: Floats
    value: Floats
    low: Floats
    high: Floats
    problem: npt.NDArray[np.object_]


def _no_rates(counts: scipy.sparse.csc_array, reason: str) -> _Rates:
    nothing = np.full(counts.shape[1], np.nan)
    individuals = np.asarray(counts.sum(axis=0), dtype=np.float64)
    problem = np.full(nothing.size, f"no rate: {reason}", dtype=object)
    return _Rates(individuals, nothing, nothing, nothing, problem)


def _rates(effort: Floats, counts: scipy.sparse.csc_array, lowest: Bools, per: float) -> _Rates:
    """Ratio of sums and its interval, for all species of one group at once."""
    n = effort.size
    individuals = np.asarray(counts.sum(axis=0), dtype=np.float64)
    value = per * individuals / effort.sum()
    low, high = np.full(value.size, np.nan), np.full(value.size, np.nan)
    problem = np.full(value.size, "", dtype=object)
    if n < _FEWEST_PLACEMENTS:
        problem[:] = "fewer than three placements: no interval"
        return _Rates(individuals, value, low, high, problem)
    none = individuals == 0
    some = np.flatnonzero(~none)
    low[none] = 0.0
    high[none] = per * upper_limit_of_none(effort.sum())
    problem[none] = "none caught: upper limit exact for fish spread at random"
    own = counts[:, some]
    if some.size and n <= _LIKELIHOOD_UP_TO:
        low[some], high[some] = (per * limit for limit in rate_interval(own, effort))
    elif some.size:
        ratio = individuals[some] / effort.sum()
        # Σ (y - R x)² without making the zeros real.
        squares = (
            np.asarray(own.power(2).sum(axis=0))
            - 2 * ratio * np.asarray(own.T @ effort)
            + ratio**2 * (effort**2).sum()
        )
        squares = np.maximum(squares, 0.0)  # rounding may leave a sum of squares below zero
        share = np.sqrt(squares * n / (n - 1)) / individuals[some]
        low[some] = value[some] * np.exp(-_Z95 * share)
        high[some] = value[some] * np.exp(_Z95 * share)
    high[lowest] = np.nan
    problem[lowest] = "counts of 'at least': no upper limit"
    problem[np.isposinf(high)] = "the counts set no upper limit"
    high[np.isposinf(high)] = np.nan
    return _Rates(individuals, value, low, high, problem)


def _typed(parts: list[dict[str, npt.NDArray[Any]]]) -> pd.DataFrame:
    texts = (
        "method",
        "catchment",
        "species",
        "effort_unit",
        "cpue_unit",
        "problem",
        "passes_counted",
    )
    kinds = dict.fromkeys(CATCH_RATE_COLUMNS, "float64") | dict.fromkeys(texts, "str")
    kinds |= {"placements": "int64", "individuals_lower_bound": "bool"}
    columns = (
        {key: np.concatenate([part[key] for part in parts]) for key in CATCH_RATE_COLUMNS}
        if parts
        else {}
    )
    frame = pd.DataFrame(columns, columns=list(CATCH_RATE_COLUMNS))
    return (
        frame.astype(kinds)
        .sort_values(["method", "catchment", "species"], ignore_index=True)
        .loc[:, list(CATCH_RATE_COLUMNS)]
    )
