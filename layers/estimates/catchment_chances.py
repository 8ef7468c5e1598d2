"""Chance that any visited unit of a catchment holds a species that nobody found there.

What `layers.estimates.occupancy` fitted over all units of a season, applied to the visits of each
catchment, nested ones included. Seasons stay apart: one that no write touched keeps its figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.estimates.fitted_seasons import Tried
from layers.estimates.occupancy import NOBODY, anywhere, doubts, empty_by_luck
from layers.fieldwork.looking import nested_catchments, rolled_up
from layers.frames import codes_within, columns_of, reads, typed

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping

    from layers.arrays import Bools, Ints
    from layers.estimates.fitted_seasons import Looking

__all__ = [
    "AS_ELSEWHERE",
    "CHANCE_COLUMNS",
    "Places",
    "SeasonFigures",
    "chances_by_catchment",
    "places_of",
]

CHANCE_COLUMNS: Final = columns_of(
    (str, "catchment species"),
    (pd.Int64Dtype, "year"),
    (int, "units units_found visits"),
    (float, "chance_present chance_present_low chance_present_high"),
    (str, "problem"),
)
AS_ELSEWHERE: Final = "a catchment without a find is as occupied as the others"
_RARER: Final = 0.05  # no find is less likely than this where it is as common as elsewhere
_BELOW_ONE: Final = 0.999_999  # no chance is certainty, nor printed as such
_ENDS: Final = ("chance_present", "chance_present_low", "chance_present_high")


@dataclass(frozen=True)
class Places:
    """Which visits were made in which catchment, nested ones included; by year."""

    names: pd.Index
    visits: dict[int, tuple[Ints, Ints, Ints]]  # visit; unit in a catchment; its catchment


@dataclass(frozen=True)
class SeasonFigures:
    """What one season tells of catchments.

    Attributes
    ----------
    visits
        By catchment and method, (n, methods).
    of_species
        Columns of each species that they were needed of, by its row, each (n,); beside them
        whether there is an estimate.
    """

    visits: Ints
    of_species: dict[int, tuple[bool, dict[str, Any]]]


@reads("placements", "ancestors")
def places_of(
    placements: pd.DataFrame, looking: Looking, catchment_of: pd.Series, ancestors: pd.DataFrame
) -> Places:
    """Gather in which catchments visits were made; one that lies in two is one in each."""
    season = looking.seasons
    names, *nesting = nested_catchments(ancestors)
    home = codes_within(catchment_of.reindex(placements.index), names)
    inside = (season.visit_of >= 0) & (home >= 0)
    n, units = len(names), int(season.unit.max(initial=-1)) + 1
    row, holder = rolled_up(home[inside], (nesting[0], nesting[1]), n)
    in_holder = season.visit_of[inside][row] * n + holder
    visit, holder = np.divmod(distinct(in_holder), max(n, 1))
    visits = {}
    for year, of_year in looking.of_year.items():
        mine = np.isin(visit, of_year)
        keys, at = np.unique(holder[mine] * units + season.unit[visit[mine]], return_inverse=True)
        visits[year] = (visit[mine], at, keys // units)
    return Places(names, visits)


def chances_by_catchment(
    names: pd.Index,
    species: Mapping[int, str],
    can: Bools,
    years: Collection[int],
    look: Callable[[int], tuple[Looking, Places]],
    known: dict[int, SeasonFigures] | None = None,
) -> pd.DataFrame:
    """Give each catchment and species a row, from its latest season with an estimate.

    Parameters
    ----------
    names
        Catchments, (n,).
    species
        Names by row.
    can
        Which species which method can find, (species, methods).
    years
        Of the seasons that anybody looked in.
    look
        Gives the visits of one season, and where they were made.
    known
        Figures of seasons made before; those that are needed besides are added.
    """
    looked, seasons = cache(look), {} if known is None else known
    tables = [pd.DataFrame(columns=[*CHANCE_COLUMNS])]
    for row, name in species.items():
        columns: dict[str, Any] = {
            "year": np.full(len(names), np.nan),
            "problem": np.full(len(names), NOBODY, object),
            **{of: np.zeros(len(names), np.int64) for of in ("units", "units_found", "visits")},
            **{end: np.full(len(names), np.nan) for end in _ENDS},
        }
        estimated = np.zeros(len(names), dtype=bool)
        for year in sorted(years, reverse=True):
            if year not in seasons:
                looking, places = looked(year)
                visit, at, holder = places.visits[year]
                cell = holder[at] * can.shape[1] + looking.seasons.method[visit]
                visits = np.bincount(cell, minlength=can.shape[1] * len(names))
                seasons[year] = SeasonFigures(visits.reshape(len(names), can.shape[1]), {})
            here = (seasons[year].visits @ can[row] > 0) & ~estimated
            if not here.any():
                continue
            made = seasons[year].of_species
            if row not in made:
                looking, places = looked(year)
                made[row] = _of_season(Tried(looking, row, year), places)
            fitted, own = made[row]
            if not fitted:  # unless an earlier season has an estimate
                here &= np.isnan(columns["year"])
            estimated |= here & fitted
            columns["year"][here] = year
            for of, values in own.items():
                columns[of][here] = values[here]
            if estimated.all():
                break
        tables.append(pd.DataFrame(columns).assign(species=name, catchment=names))
    whole = pd.concat(tables[1:] or tables, ignore_index=True)[[*CHANCE_COLUMNS]]
    return typed(whole.sort_values(["species", "catchment"], kind="stable"), CHANCE_COLUMNS)


def _of_season(one: Tried, places: Places) -> tuple[bool, dict[str, Any]]:
    """Columns of one species in one season by catchment, and whether there is an estimate."""
    n, season = len(places.names), one.looking.seasons
    visit, at, holder = places.visits[one.year]
    looked = one.looking.can[one.species, season.method[visit]]
    visit, at = visit[looked], at[looked]
    own = one.visits()
    seen, fit, _, problem = one.modelled(own)
    visited, found = np.zeros((2, holder.size), dtype=bool)
    visited[at] = True
    found[at[one.looking.caught(one.species)[visit]]] = True
    units, units_found = (np.bincount(holder[some], minlength=n) for some in (visited, found))
    said = "" if fit is not None else f"over all catchments: {problem}"
    row: dict[str, Any] = {
        "visits": np.bincount(holder[at], minlength=n),
        "units": units,
        "units_found": units_found,
        "problem": np.where(units_found > 0, "found", said).astype(object),
        **{end: np.full(n, np.nan) for end in _ENDS},
    }
    wanted = (units > 0) & (units_found == 0)
    if fit is None or not wanted.any():
        return fit is not None, row
    kinds = np.zeros(one.looking.can.shape[1], dtype=np.int64)
    kinds[own.methods] = own.kinds
    w = np.eye(int(own.kinds.max()) + 1)
    spent = np.bincount(
        at * len(w) + kinds[season.method[visit]],
        season.effort[visit],
        minlength=holder.size * len(w),
    ).reshape(-1, len(w))
    some = visited & wanted[holder]
    first = np.flatnonzero(np.diff(holder[some], prepend=-1))
    chances = anywhere(fit, np.ones((int(some.sum()), 1)), w, spent[some], first=first)
    luck = np.array([empty_by_luck(theta, spent[some], first) for theta in (fit.theta, *fit.edge)])
    rarer = luck[0, 0] < _RARER
    doubted = [*doubts(seen, fit)]
    chances = np.minimum(chances, _BELOW_ONE)
    chances[:, rarer | bool(doubted)] = np.nan
    for end, values in zip(_ENDS, chances, strict=True):
        row[end][wanted] = values
    missed = luck[:, 1]
    row["problem"][wanted] = [
        "; ".join(_words_of_none(not_alike, low, high, doubted))
        for not_alike, low, high in zip(rarer, missed.min(axis=0), missed.max(axis=0), strict=True)
    ]
    return True, row


def _words_of_none(not_alike: bool, low: float, high: float, doubted: list[str]) -> Iterator[str]:
    """Say what no find in a catchment is worth."""
    if doubted:
        yield "no chance, which would be borrowed from other catchments"
        yield from doubted
    elif not_alike:
        yield "rarer here than in other catchments, so that these do not tell its chance"
    else:
        yield f"assumes that {AS_ELSEWHERE}"
    chances = " to ".join(
        "less than 0.001" if x < 0.001 else f"{x:.2g}" if x < 0.995 else "more than 0.99"
        for x in (low, high)
    )
    yield (
        "did it live in one of these units, the visits would have missed it there with a chance of "
        f"{chances} (95 %)"
    )
