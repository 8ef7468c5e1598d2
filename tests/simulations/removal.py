"""Removal: does the interval contain the number of fish?

`covered` is the share of printed intervals that contain it; `printed` the share of samples with an
estimate; `no_upper` that of intervals without an upper limit; `covered_or_warned` that of intervals
that contain it or beside which `problem` says what unequal catchability would do.
"""

from itertools import product

import numpy as np

from layers.errors import ThinDataError
from layers.estimates.depletion import _unequal_catchability
from layers.estimates.removal import joint, likelihood

FISH, CHANCES, PASSES = (30, 60, 100, 200), (0.3, 0.5, 0.7), (2, 3, 4)
JOINT = ((30, 0.3, 3, 5), (30, 0.5, 2, 5), (60, 0.5, 3, 3), (100, 0.4, 2, 4))
# How the chance of the last pass compares with that of the first, for k passes.
FALLS = {
    "none": lambda k: 1.0,
    "a third": lambda k: 2 / 3,
    "a third each": lambda k: (2 / 3) ** (k - 1),
}


def catches(random, fish: int, chances: np.ndarray, runs: int) -> np.ndarray:
    """Fish caught in each pass: a row for each run."""
    left, passes = np.full(runs, fish), []
    for chance in chances:
        passes.append(random.binomial(left, chance))
        left = left - passes[-1]
    return np.stack(passes, axis=1)


def setting(random, fish: int, chance: float, k: int, fall: str, runs: int) -> dict:
    last = FALLS[fall](k)
    chances = chance * last ** (np.arange(k) / (k - 1))
    inside, warned, open_ended = [], [], []
    for sample in catches(random, fish, chances, runs).tolist():
        try:
            fit = likelihood(sample)
        except ThinDataError:
            continue
        inside.append(fit.n_low - 1e-6 <= fish <= fit.n_high + 1e-6)
        open_ended.append(np.isposinf(fit.n_high))
        warned.append(any(_unequal_catchability(sample, fit.n_hat, fit.n_high)))
    return {
        "fall": fall,
        "passes": k,
        "fish": fish,
        "chance": chance,
        "printed": len(inside) / runs,
        "no_upper": np.mean(open_ended),
        "covered": np.mean(inside),
        "covered_or_warned": np.mean(np.array(inside) | np.array(warned)),
    }


def joint_setting(random, fish: int, chance: float, k: int, placements: int, runs: int) -> dict:
    """Placements that share p, estimated together; there the likelihood has no warning."""
    fits = []
    for _ in range(runs):
        try:
            fits += joint(catches(random, fish, np.full(k, chance), placements).tolist())
        except ThinDataError:
            continue
    inside = [fit.n_low - 1e-6 <= fish <= fit.n_high + 1e-6 for fit in fits]
    return {
        "fall": f"none; {placements} placements jointly",
        "passes": k,
        "fish": fish,
        "chance": chance,
        "printed": len(fits) / runs / placements,
        "no_upper": np.mean([np.isposinf(fit.n_high) for fit in fits]),
        "covered": np.mean(inside),
    }


def settings(runs: int):
    for fall, k, chance, fish in product(FALLS, PASSES, CHANCES, FISH):
        if not (k == 2 and fall == "a third each"):  # the same as a third
            yield setting, (fish, chance, k, fall, runs)
    for given in JOINT:
        yield joint_setting, (*given, runs // 8)
