"""Each species in each season in which somebody looked for it, and its model, fitted once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from layers.coded import distinct
from layers.errors import ThinDataError
from layers.estimates.covariates import CONSTANT, choose_model
from layers.estimates.histories import histories, order_by_effort
from layers.estimates.occupancy import fit_occupancy, refuse_thin
from layers.fieldwork.looking import catch_numbers, detectable
from layers.frames import codes_of, codes_within, reads

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd
    from numpy.typing import NDArray

    from layers.arrays import Bools, Ints
    from layers.estimates.histories import Histories
    from layers.estimates.occupancy import OccupancyFit
    from layers.estimates.seasons import Seasons

__all__ = ["LEAST_VISITS", "Looking", "Tried", "Visits", "each_species", "looking_of"]

LEAST_VISITS: Final = 5  # of a method by itself; rarer ones are taken together


@dataclass(frozen=True)
class Looking:
    """Visits of all seasons, which species each caught, and which could be caught."""

    seasons: Seasons
    can: Bools  # species x methods
    visit: Ints  # visits that caught a species, those of the first species first
    ends: Ints  # where those of each species end
    of_year: dict[int, Ints]  # visits
    names: dict[int, str]  # of the species that are no genus or group, by row
    values: pd.DataFrame | None  # covariates of each visit, mean over its placements
    fits: dict[tuple[int, int], OccupancyFit]  # made so far, by species and year
    # Of units by effort, by year and the methods that look for a species: many species share one.
    orders: dict[tuple[int, bytes], NDArray[np.int32]]

    def caught(self, species: int) -> Bools:
        """Visits that found it."""
        found = np.zeros(self.seasons.unit.size, dtype=bool)
        found[self.visit[self.ends[species] : self.ends[species + 1]]] = True
        return found


@dataclass(frozen=True)
class Visits:
    """Visits of one season that looked for one species."""

    rows: Ints  # of the seasons' visits
    methods: Ints  # that looked for it, by column
    column: Ints  # of each visit
    kinds: Ints  # kind of visit of each column: rare methods share one
    found: Bools


@dataclass(frozen=True)
class Tried:
    """One species in one season."""

    looking: Looking
    species: int
    year: int

    def visits(self) -> Visits:
        """Return those that looked for it."""
        season = self.looking.seasons
        rows = self.looking.of_year[self.year]
        rows = rows[self.looking.can[self.species, season.method[rows]]]
        methods, column = np.unique(season.method[rows], return_inverse=True)
        found = self.looking.caught(self.species)[rows]
        return Visits(rows, methods, column, _kinds(np.bincount(column)), found)

    def modelled(self, visits: Visits) -> tuple[Histories, OccupancyFit | None, str, str]:
        """Return the histories, what was fitted to them, the model in words, or the problem."""
        season, kinds = self.looking.seasons, visits.kinds[visits.column]
        given = season.unit[visits.rows], kinds, season.effort[visits.rows], visits.found
        same = self.year, self.looking.can[self.species].tobytes()
        if len(visits.rows) and same not in self.looking.orders:
            self.looking.orders[same] = order_by_effort(*given[:3])
        seen, model = histories(*given, order=self.looking.orders.get(same)), CONSTANT
        try:
            refuse_thin(seen)
        except ThinDataError as thin:
            return seen, None, "", str(thin)
        values = self.looking.values
        if values is not None:
            model, seen = choose_model(*given, values.iloc[visits.rows], seen)
        key = (self.species, self.year)
        if key not in self.looking.fits:
            self.looking.fits[key] = fit_occupancy(seen)
        return seen, self.looking.fits[key], model, ""


@reads("placements", "catches", "species", "methods")
def looking_of(
    season: Seasons,
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    covariates: pd.DataFrame | None = None,
) -> Looking:
    """Gather who looked for which species in the visits of all seasons, and found it.

    `covariates` are those of each placement; the other frames are of these kinds.
    """
    at = codes_within(catches["placement_id"], placements.index)
    kinds = codes_of(catches["species"], species.index, "Species")
    number, _ = catch_numbers(catches)
    keep = (at >= 0) & (number > 0)
    keep[keep] = season.visit_of[at[keep]] >= 0
    n = max(season.unit.size, 1)
    kind, visit = np.divmod(distinct(kinds[keep] * n + season.visit_of[at[keep]]), n)
    full = (species["rank"].fillna("species") == "species").to_numpy(dtype=bool)
    values = None
    if covariates is not None:
        means = covariates[season.visit_of >= 0].groupby(season.visit_of[season.visit_of >= 0])
        values = means.mean().reindex(range(season.unit.size))
    return Looking(
        seasons=season,
        can=detectable(species, methods).to_numpy(dtype=bool),
        visit=visit,
        ends=np.searchsorted(kind, np.arange(len(species) + 1)),
        of_year={int(year): np.flatnonzero(season.year == year) for year in distinct(season.year)},
        names={row: str(name) for row, name in enumerate(species.index) if full[row]},
        values=values,
        fits={},
        orders={},
    )


def each_species(looking: Looking) -> Iterator[tuple[str, list[Tried]]]:
    """Give each species with the seasons in which somebody looked for it."""
    season = looking.seasons
    methods = {year: np.unique(season.method[rows]) for year, rows in looking.of_year.items()}
    for row, name in looking.names.items():
        years = [year for year, used in methods.items() if looking.can[row, used].any()]
        yield name, [Tried(looking, row, year) for year in years]


def _kinds(visits: Ints) -> Ints:
    """Give each method the number of its chance of detection; those with few visits share one."""
    rare = visits < LEAST_VISITS
    own = np.cumsum(~rare) - 1
    return np.where(rare, int((~rare).sum()), own)
