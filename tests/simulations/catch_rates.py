"""Catch rates: does the interval contain the mean catch per unit effort?

Counts are negative binomial: variance m + m²/size, so clumped fish have a small size. `unequal`
efforts are log-normal with a standard deviation of 0.7 on the log scale, and clumping then does
not depend on them, unlike what the likelihood assumes. `none` is the share of samples without fish,
beside whose exact upper limit `problem` says that it is one for fish spread at random; `covered` is
of the others, `covered_with_none` of all. `width` is the median of upper limit over truth.
"""

from itertools import product

import numpy as np

from layers.estimates.catch_rate import rates

SIZES, MEANS, PLACEMENTS = (0.2, 0.5, 1.0, 2.0, 5.0), (0.3, 1.0, 3.0, 10.0), (3, 5, 6, 10, 30)
_SHARED_EFFORTS = 20  # runs that share their efforts


def setting(random, size: float, mean: float, n: int, efforts: str, runs: int) -> dict:
    inside, none, width = np.zeros(0, bool), np.zeros(0, bool), []
    batch = runs if efforts == "equal" else _SHARED_EFFORTS
    for _ in range(runs // batch):
        effort = np.ones(n) if efforts == "equal" else random.lognormal(0, 0.7, n)
        expected = (mean * effort)[:, None]
        counts = random.negative_binomial(size, size / (size + expected), (n, batch))
        placement, rate = np.nonzero(counts)
        fit = rates(
            counts[placement, rate].astype(np.float64),
            effort[placement],
            rate,
            np.full(batch, n),
            np.full(batch, effort.sum()),
            np.full(batch, (effort**2).sum()),
            lowest=np.zeros(batch, dtype=bool),
        )
        held = (fit.low <= mean) & ((mean <= fit.high) | np.isnan(fit.high))
        inside, none = np.append(inside, held), np.append(none, fit.value == 0)
        width.append(fit.high / mean)
    return {
        "efforts": efforts,
        "size": size,
        "mean": mean,
        "placements": n,
        "none": np.mean(none),
        "covered": inside[~none].mean(),
        "covered_with_none": inside.mean(),
        "width": np.nanmedian(width),
    }


def settings(runs: int):
    for efforts, size, mean, n in product(("equal", "unequal"), SIZES, MEANS, PLACEMENTS):
        yield setting, (size, mean, n, efforts, runs)
