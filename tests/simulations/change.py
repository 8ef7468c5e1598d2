"""Change over five years: yearly ratio of catch rates, occupancy and its growth."""

from itertools import product

import numpy as np
import pandas as pd

from layers.errors import ThinDataError
from layers.estimates.change import _fit
from layers.estimates.count_trend import fit_trend
from layers.estimates.dynamic_occupancy import fit_dynamic

YEARS = 5
SITES, MEANS, CLUMPINGS, RATIO = (6, 10, 30), (0.3, 2.0, 10.0), (0.5, 2.0, 5.0), 0.85
UNITS, CHANCES, VISITS = (20, 40, 80), (0.1, 0.3, 0.6, 0.9), (2, 4)
# ψ at first look of units first looked at in each year
CREWS = {"to emptier waters": (0.9, 0.7, 0.5, 0.3, 0.1), "to fuller": (0.1, 0.3, 0.5, 0.7, 0.9)}
PATHS = ((0.2, 0.05, 0.1), (0.5, 0.1, 0.3), (0.8, 0.2, 0.1))  # ψ of the first year, γ, ε


def rate_setting(random, sites: int, mean: float, clumping: float, runs: int) -> dict:
    """Counts of variance m + clumping m²; means vary between sites, a fifth of visits missing."""
    site = np.repeat(np.arange(sites), YEARS)
    year = np.tile(np.arange(YEARS, dtype=float), sites)
    hits = fitted = 0
    for _ in range(runs):
        level = mean * np.exp(random.normal(-0.32, 0.8, sites))[site]
        effort = random.uniform(1, 3, site.size)
        expected = level * effort * RATIO ** (year - 2)
        counts = random.poisson(expected * random.gamma(1 / clumping, clumping, site.size))
        kept = random.random(site.size) > 0.2
        try:
            fit = fit_trend(counts[kept], effort[kept], site[kept], year[kept])
        except ThinDataError:
            continue
        fitted += 1
        hits += fit.low <= RATIO <= fit.high
    return {
        "sites": sites,
        "mean": mean,
        "clumping": clumping,
        "fitted": fitted / runs,
        "covered": hits / max(fitted, 1),
    }


def occupancy_setting(random, units: int, path, chance: float, visits: int, runs: int) -> dict:
    psi, gained, lost = path
    true = [psi]
    for _ in range(YEARS - 1):
        true.append(true[-1] * (1 - lost) + (1 - true[-1]) * gained)
    growth = (true[-1] / psi) ** (1 / (YEARS - 1))
    last = grew = fitted = 0
    for _ in range(runs):
        here = random.random(units) < psi
        found = np.zeros((units, YEARS, visits), dtype=bool)
        for year in range(YEARS):
            if year:
                here = np.where(here, random.random(units) > lost, random.random(units) < gained)
            found[:, year] = random.random((units, visits)) < chance * here[:, None]
        unit, of_year, _ = (part.ravel() for part in np.indices(found.shape))
        kind, effort = np.zeros(unit.size, dtype=int), np.ones(unit.size)
        try:
            fit = fit_dynamic(
                unit, of_year, kind, effort, found.ravel(), intervals_of=[0, YEARS - 1]
            )
        except ThinDataError:
            continue
        fitted += 1
        last += fit.low[-1] <= true[-1] <= fit.high[-1]
        grew += fit.growth_low <= growth <= fit.growth_high
    return {
        "units": units,
        "occupancy": psi,
        "chance": chance,
        "visits": visits,
        "fitted": fitted / runs,
        "covered_last": last / max(fitted, 1),
        "covered": grew / max(fitted, 1),
    }


def crew_setting(random, crew: str, looks: int, lost: float, gained: float, runs: int) -> dict:
    """A crew that moves: twelve new units a year, each looked at in `looks` years.

    `by_all` is the share that the model of MacKenzie et al. has, in which all units are alike.
    """
    began = np.repeat(np.arange(YEARS), 12)
    covered = by_all = covered_last = 0
    first = last = CREWS[crew][0]
    for _ in range(YEARS - 1):
        last = last * (1 - lost) + (1 - last) * gained
    ratio = (last / first) ** (1 / (YEARS - 1))
    for _ in range(runs):
        here = random.random(began.size) < np.array(CREWS[crew])[began]
        parts = []
        for look in range(looks):
            year = began + look
            for _ in range(3):
                found = here & (random.random(began.size) < 0.5)
                part = {"unit": np.arange(began.size), "year": year, "found": found}
                parts.append(pd.DataFrame(part)[year < YEARS])
            chance = np.where(here, 1 - lost, gained)
            here = random.random(began.size) < chance
        visits = pd.concat(parts, ignore_index=True).assign(kind=0, effort=1.0)
        columns = (visits[name] for name in ("unit", "year", "kind", "effort", "found"))
        whole, fit = fit_dynamic(*columns, intervals_of=[0, YEARS - 1]), _fit(visits)
        by_all += whole.growth_low <= ratio <= whole.growth_high
        covered += fit.growth_low <= ratio <= fit.growth_high
        covered_last += fit.low[-1] <= last <= fit.high[-1]
    return {
        "crew": crew,
        "looks": looks,
        "lost": lost,
        "gained": gained,
        "by_all": by_all / runs,
        "covered_last": covered_last / runs,
        "covered": covered / runs,
    }


def settings(runs: int):
    for given in product(SITES, MEANS, CLUMPINGS):
        yield rate_setting, (*given, runs)
    for given in product(UNITS, PATHS, CHANCES, VISITS):
        yield occupancy_setting, (*given, max(runs // 6, 1))
    for crew, looks, (lost, gained) in product(CREWS, (2, 3, 5), ((0, 0), (0.2, 0), (0.2, 0.1))):
        yield crew_setting, (crew, looks, lost, gained, max(runs // 6, 1))
