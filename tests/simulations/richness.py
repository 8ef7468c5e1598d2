"""Richness: does the interval of Chao2 contain the number of species?

Of 20 species each is in a sample with its own chance: all with the `mean`, or beta-distributed
about it with a `spread` (standard deviation over mean). A number of species is whole: `covered`
takes the lower end rounded down. Chao2 is a lower bound, so where chances spread the interval is
to be expected below the number; `below` is the share that is.
"""

from itertools import product

import numpy as np

from layers.estimates.richness import chao2

SPECIES, SAMPLES, MEANS, SPREADS = 20, (10, 30, 100), (0.05, 0.1, 0.3), (0.0, 0.5, 1.0)


def setting(random, samples: int, mean: float, spread: float, runs: int) -> dict:
    chances = np.full((runs, SPECIES), mean)
    if spread:
        weight = (1 - mean) / (mean * spread**2) - 1
        chances = random.beta(mean * weight, (1 - mean) * weight, (runs, SPECIES))
    fits = [chao2(counts, samples) for counts in random.binomial(samples, chances)]
    low, high = (np.array([getattr(fit, end) for fit in fits]) for end in ("low", "high"))
    return {
        "samples": samples,
        "mean": mean,
        "spread": spread,
        "estimate": np.nanmean([fit.estimate for fit in fits]),
        "covered": np.mean((np.floor(low) <= SPECIES) & (high >= SPECIES)),
        "below": np.mean(high < SPECIES),
    }


def settings(runs: int):
    for given in product(SAMPLES, MEANS, SPREADS):
        yield setting, (*given, runs)
