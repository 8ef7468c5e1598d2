"""What each placement says about chosen species, and how that adds up by year and method.

The states follow `layers.estimates.occurrence`: a record is a record, also by a method not listed
for the species or in disturbed gear; else a placement looked when it fished properly by a method
that can detect one of the species.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.coded import coded_labels, distinct, word_codes
from layers.fieldwork.looking import catch_numbers, detectable, local_dates, looked, may_include
from layers.frames import codes_of, codes_within, reads

if TYPE_CHECKING:
    from collections.abc import Collection

__all__ = ["LOOKED", "STATES", "looks", "looks_by_year"]

LOOKED: Final = ("found", "possible", "not_found")
STATES: Final = (*LOOKED, "other_gear", "no_look")


@reads("catches", "methods", placements="placement_id method outcome", species="species")
def looks(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    chosen: Collection[str] = (),
) -> pd.DataFrame:
    """Say of each placement whether it found any of the chosen species, or looked in vain.

    Parameters
    ----------
    placements
        With `year` where some are shown by their year alone.
    chosen
        Scientific names; empty = every species.

    Returns
    -------
    DataFrame
        Index of `placements`. `date` (local day of setting), `year` (float), `state`: `found`,
        `not_found` (it looked), `possible` (it looked, and caught fish of their genus or family
        that were not taken further), `other_gear` (its method finds none of them), `no_look`
        (lost, disturbed or not recorded); `individuals`, `lower_bound` (bool) and `species` (how
        many) of the catch of chosen species.

    Raises
    ------
    FrameError
        A column is missing, or a method is not in its list.

    Examples
    --------
    >>> traps = pd.DataFrame({"method": "trap", "outcome": ["caught", "nil", "lost"],
    ...     "set_at": pd.to_datetime(["2025-06-01T18:00Z"] * 3), "timezone": "UTC"},
    ...     index=["A", "B", "C"])
    >>> rows = pd.DataFrame({"placement_id": ["A"], "species": ["Tinca tinca"], "count": [3],
    ...     "count_kind": ["at_least"]})
    >>> fish = pd.DataFrame({"habitats": "still"}, index=["Tinca tinca"])
    >>> gear = pd.DataFrame({"habitats": "still"}, index=["trap"])
    >>> looks(traps, rows, fish, gear)["state"].tolist()
    ['found', 'not_found', 'no_look']
    """
    at = codes_within(catches["placement_id"], placements.index)
    number, lower = catch_numbers(catches)
    keep = (at >= 0) & (number > 0)
    n = len(placements)
    maybe = np.zeros(n, dtype=bool)
    if chosen:
        entries = np.any(may_include(species)[:, species.index.isin(list(chosen))], axis=1)
        coarse = catches["species"].isin(species.index[np.flatnonzero(entries)])
        maybe[at[keep & coarse.to_numpy(bool)]] = True
        keep &= catches["species"].isin(list(chosen)).to_numpy(dtype=bool)
    individuals = np.bincount(at[keep], number[keep], minlength=n)
    bound = np.bincount(at[keep], lower[keep], minlength=n) > 0
    kind, names = word_codes(catches["species"])
    pairs = distinct(at[keep] * max(len(names), 1) + kind[keep])
    kinds = np.bincount(pairs // max(len(names), 1), minlength=n)
    able = np.ones(len(methods), dtype=bool)
    if chosen:
        able = detectable(species.loc[species.index.isin(list(chosen))], methods).any().to_numpy()
    method = codes_of(placements["method"], methods.index, "Method")
    state = np.select(
        [individuals > 0, ~looked(placements), ~able[method] if n else np.zeros(0, bool), maybe],
        [STATES.index(word) for word in ("found", "no_look", "other_gear", "possible")],
        default=STATES.index("not_found"),
    )
    date = local_dates(placements)
    year = date.dt.year.astype("float64")
    if "year" in placements:
        year = year.fillna(placements["year"].astype("float64"))
    return pd.DataFrame(
        {
            "date": date,
            "year": year,
            "state": coded_labels(state, pd.Index(STATES, dtype="str")),
            "individuals": individuals,
            "lower_bound": bound,
            "species": kinds,
        },
        index=placements.index,
    )


def looks_by_year(seen: pd.DataFrame, method: pd.Series) -> pd.DataFrame:
    """Add up by year and method what :func:`looks` gave of placements, `method` that of each.

    Returns
    -------
    DataFrame
        `year` (missing = no date on record), `method`, `placements` that looked,
        `placements_found`, `individuals`, `lower_bound`; by year and method.
    """
    used = seen["state"].isin(LOOKED).to_numpy(bool)
    return (
        seen[used]
        .assign(method=method.array[used], hit=(seen["state"] == "found").array[used])
        .groupby(["year", "method"], as_index=False, dropna=False)
        .agg(
            placements=("state", "size"),
            placements_found=("hit", "sum"),
            individuals=("individuals", "sum"),
            lower_bound=("lower_bound", "any"),
        )
    )
