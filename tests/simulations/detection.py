"""Occupancy: do the intervals of occupancy, detection and chance missed contain the truth?

Each unit is visited `visits` times, each visit by one of the gears of that chance (`gears`), all
with usual effort or, where `effort` is `unequal`, with a log-normal one (standard deviation 0.6 on
the log scale). A `rare` gear that always finds a present species visits three units once more.
`used` is the share of surveys with three finds or more, which are those counted; `estimated` that
of these with an estimate. `ml` is the share where maximum likelihood stands, `bias` that of the
estimate shown, `open` the share of intervals of occupancy that go up to 1. `doubted` is the share
whose `problem` says to read the interval and not the estimate, `bias_else` the bias of the others.
`missed` asks for the
mean, over the very units without a find, of the chance by the true ψ and p that they hold it, and
`anywhere` for the chance that one of the first ten of them does.
"""

import pickle
from dataclasses import fields
from itertools import product

import numpy as np
import pandas as pd

from layers.errors import ThinDataError
from layers.estimates.histories import Histories, histories
from layers.estimates.occupancy import (
    Estimate,
    OccupancyFit,
    anywhere,
    doubts,
    fit_occupancy,
    refuse_thin,
)

UNITS, OCCUPANCY, VISITS = (20, 40, 80), (0.2, 0.5, 0.8), (2, 3, 5)
GEARS = {
    "0.1": ((0.1,), False),
    "0.3": ((0.3,), False),
    "0.6": ((0.6,), False),
    "0.9": ((0.9,), False),
    "0.2 and 0.5": ((0.2, 0.5), False),
    "0.3, rare 1": ((0.3,), True),
}
_RARE_VISITS = 3


def survey(random, units: int, psi: float, chances, rare: bool, visits: int, effort: str):
    """Visits of one survey, and the log rate of each gear."""
    there = random.random(units) < psi
    unit = np.repeat(np.arange(units), visits)
    kind = random.integers(0, len(chances), unit.size)
    rates = -np.log1p(-np.array([*chances, *((1 - 1e-6,) if rare else ())]))
    if rare:
        unit = np.append(unit, random.choice(units, _RARE_VISITS, replace=False))
        kind = np.append(kind, np.full(_RARE_VISITS, len(chances)))
    worked = np.ones(unit.size) if effort == "usual" else random.lognormal(0, 0.6, unit.size)
    found = (random.random(unit.size) < -np.expm1(-rates[kind] * worked)) & there[unit]
    return unit, kind, worked, found, np.log(rates)


def contains(estimate, truth: float) -> bool:
    return estimate.low - 1e-9 <= truth <= estimate.high + 1e-9


_fits: dict[bytes, OccupancyFit] = {}


def _fit(seen: Histories) -> OccupancyFit:
    """Fit what other surveys had as well only once: with one gear few differ."""
    parts = (getattr(seen, field.name) for field in fields(seen))
    key = pickle.dumps([part.tolist() if isinstance(part, np.ndarray) else part for part in parts])
    if key not in _fits:
        _fits[key] = fit_occupancy(seen)
    return _fits[key]


def setting(random, units, psi, gears, visits, runs, effort="usual") -> dict:
    chances, rare = GEARS[gears]
    rows, used = [], 0
    for _ in range(runs):
        unit, kind, worked, found, log_rate = survey(
            random, units, psi, chances, rare, visits, effort
        )
        if found.sum() < 3:
            continue
        used += 1
        k = len(log_rate)
        seen = histories(unit, kind, worked, found, detection_design=np.eye(k))
        try:
            refuse_thin(seen)
        except ThinDataError:
            continue
        fit = _fit(seen)
        truth = np.append(np.log(psi / (1 - psi)), log_rate)
        row = {
            "bias": fit.occupancy.value - psi,
            "doubted": any("not the estimate" in words for words in doubts(seen, fit)),
            "ml": not fit.penalised,
            "open": fit.occupancy.high == 1,
            "occupancy": contains(fit.occupancy, psi),
            "detection": np.mean(
                [contains(e, p) for e, p in zip(fit.detection, chances, strict=False)]
            ),
        }
        if rare:
            row["rare"] = contains(fit.detection[-1], 1 - 1e-9)
        if fit.chance_missed is not None:
            row["missed"] = contains(fit.chance_missed, seen.mean_presence(truth)[0])
            effort_by_kind = np.zeros((units, k))
            np.add.at(effort_by_kind, (unit, kind), worked)
            empty = np.flatnonzero(np.bincount(unit[found], minlength=units) == 0)[:10]
            some = np.ones((empty.size, 1)), np.eye(k), effort_by_kind[empty]
            value, low, high = anywhere(fit, *some, first=np.zeros(1, np.int64))[:, 0]
            row["anywhere"] = contains(
                Estimate(value, np.nan, low, high), anywhere_true(truth, *some)
            )
        rows.append(row)
    each = pd.DataFrame(rows)
    means = each.mean() if rows else pd.Series(dtype=float)
    if rows:
        means["bias_else"] = each.loc[~each["doubted"], "bias"].mean()
    return {
        "units": units, "psi": psi, "gears": gears, "visits": visits, "effort": effort,
        "used": used / runs, "estimated": len(rows) / max(used, 1),
        **means,
    }  # fmt: skip


def anywhere_true(theta, x, w, effort) -> float:
    a = x.shape[1]
    here = 1 / (1 + np.exp(effort @ np.exp(w @ theta[a:]) - x @ theta[:a]))
    return 1 - np.prod(1 - here)


def settings(runs: int):
    for given in product(UNITS, OCCUPANCY, GEARS, VISITS):
        yield setting, (*given, runs)
    for units, psi in product(UNITS, OCCUPANCY):
        yield setting, (units, psi, "0.2 and 0.5", 3, runs, "unequal")
