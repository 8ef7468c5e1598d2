"""Species at equal coverage: rarefaction and extrapolation of incidence by gear and group.

Samples are comparable where they hold the same share of all finds, found or not, rather than the
same effort: Chao & Jost (2012), Ecology 93:2533-2547; Chao et al. (2014), Ecol. Monogr. 84:45-67.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from layers.estimates.proportions import Z95
from layers.estimates.richness import (
    chao2,
    escape,
    few_say_complete,
    groups_of,
    sample_coverage,
    species_incidence,
    unseen_in,
)
from layers.fieldwork.looking import inputs_of, left_out_by_outcome, looked
from layers.frames import columns_of, reads, typed

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    from layers.arrays import Floats, Ints

__all__ = ["at_coverage", "coverage_of", "standard_richness"]

STANDARD_COLUMNS: Final = columns_of(
    (str, "catchment method group"),
    (int, "placements species_found"),
    (float, "sample_coverage standard_coverage"),
    (float, "species_standard species_standard_low species_standard_high placements_standard"),
    (str, "estimator problem"),
)
_RUNS: Final = 200
_LEAST_PLACEMENTS: Final = 5  # common practice, no source


@dataclass(frozen=True)
class AtCoverage:
    """Species expected at a coverage, in `samples` samples, and its 95 % interval.

    An extrapolated sample keeps its species, so its interval begins with those; one that is
    rarefied holds fewer than were found, and one at least.
    """

    species: float
    samples: float
    low: float
    high: float
    estimator: Literal["rarefaction", "observed", "extrapolation"]


def _unseen(counts: Ints, samples: int) -> float:
    return chao2(counts, samples).estimate - counts.size


def coverage_of(incidence: npt.ArrayLike, samples: int, t: int) -> float:
    """Coverage of t samples, fewer or more than the `samples` that there are."""
    counts = np.asarray(incidence, dtype=np.int64)
    total = counts.sum()
    if t < samples:
        held = unseen_in(samples - counts, samples - 1, t)
        return float(1 - (counts / total * held).sum())
    share = escape(counts, samples)
    return float(1 - (counts == 1).sum() / total * share ** (t - samples + 1))


def _species_in(counts: Ints, samples: int, t: float) -> float:
    """Species expected in t samples; between whole numbers below `samples`, in a line."""
    if t >= samples:
        unseen, once = _unseen(counts, samples), int((counts == 1).sum())
        if unseen <= 0:
            return float(counts.size)
        # Of what is unseen, the share that one further sample misses (Chao et al. 2014).
        missed = 1 - once / (samples * unseen + once)
        return float(counts.size + unseen * (1 - missed ** (t - samples)))
    low = int(np.floor(t))

    def whole(n: int) -> float:
        return float(counts.size - unseen_in(samples - counts, samples, n).sum())

    return whole(low) + (t - low) * (whole(low + 1) - whole(low)) if t > low else whole(low)


def _samples_for(counts: Ints, samples: int, coverage: float) -> float:
    """Solve for the samples that have this coverage; infinite where no number has."""
    now = coverage_of(counts, samples, samples)
    if coverage > now:
        share, total = escape(counts, samples), counts.sum()
        once = int((counts == 1).sum())
        if share <= 0 or once == 0 or coverage >= 1:
            return float("inf")
        more = (np.log(total / once) + np.log1p(-coverage)) / np.log(share) - 1
        return float(samples + more)
    some = range(1, samples)
    few = bisect.bisect_left(some, coverage, key=lambda t: coverage_of(counts, samples, t))
    many = few + 1
    under = coverage_of(counts, samples, few) if few else 0.0
    over = coverage_of(counts, samples, many)
    return float(few + (coverage - under) / (over - under))


def at_coverage(
    incidence: npt.ArrayLike, samples: int, coverage: float, *, runs: int = _RUNS
) -> AtCoverage:
    """Estimate the species in as many samples as have a coverage.

    Parameters
    ----------
    incidence
        For each species the number of samples it was in.
    samples
        How many samples there are, two or more.
    coverage
        From 0 to below 1.
    runs
        Of the bootstrap: samples drawn from the species found, their chances lowered by what is
        unseen, and from as many unseen ones as Chao2 says (Chao et al. 2014, appendix, from
        memory). `runs` 0 gives no interval.

    Returns
    -------
    AtCoverage
        Missing where no number of samples has the coverage.

    Examples
    --------
    >>> at = at_coverage([1] * 6 + [2] * 5 + [3] + [4] * 6, 9, 0.8, runs=0)
    >>> round(at.species, 1), at.estimator
    (15.6, 'rarefaction')
    """
    counts = np.asarray(incidence, dtype=np.int64)
    counts = counts[counts > 0]
    t = _samples_for(counts, samples, coverage)
    now = coverage_of(counts, samples, samples)
    kind: Literal["rarefaction", "observed", "extrapolation"] = "rarefaction"
    if coverage > now + 1e-12:
        kind = "extrapolation"
    elif t > samples - 1e-6:  # fewer samples may have the coverage of all
        kind = "observed"
    missing = float("nan")
    if not np.isfinite(t):
        return AtCoverage(missing, missing, missing, missing, kind)
    estimate = _species_in(counts, samples, t)
    low = high = missing
    if runs:
        spread = np.std(_drawn(counts, samples, coverage, runs), ddof=1)
        least = float(counts.size) if kind == "extrapolation" else min(1.0, estimate)
        low, high = max(estimate - Z95 * float(spread), least), estimate + Z95 * float(spread)
    return AtCoverage(estimate, t, float(low), float(high), kind)


def _drawn(counts: Ints, samples: int, coverage: float, runs: int) -> Floats:
    random = np.random.default_rng(1)
    lacking = (1 - sample_coverage(counts, samples)) * counts.sum() / samples
    chances = counts / samples
    weight = lacking / max((chances * (1 - chances) ** samples).sum(), 1e-12)
    chances = chances * (1 - min(weight, 1.0) * (1 - chances) ** samples)
    unseen = int(np.ceil(_unseen(counts, samples)))
    if unseen:
        chances = np.concatenate([chances, np.full(unseen, min(lacking / unseen, 1.0))])
    values = []
    for drawn in random.binomial(samples, chances, (runs, chances.size)):
        own = drawn[drawn > 0]
        t = _samples_for(own, samples, coverage) if own.size else float("inf")
        # Where a draw never reaches the coverage, all that it says is there.
        whole = own.size + _unseen(own, samples) if own.size else 0.0
        values.append(_species_in(own, samples, t) if np.isfinite(t) else whole)
    return np.array(values)


@reads("catches", "species", "ancestors", placements="placement_id method outcome set_at timezone")
def standard_richness(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
    coverage: float | None = None,
) -> pd.DataFrame:
    """Species by catchment, gear and group at equal coverage, so that catchments compare.

    Parameters
    ----------
    placements, catches, species, ancestors
        Frames of these kinds (`layers.frames`); where species have a `group`, each is a table of
        its own, never added to another.
    catchment_of
        Smallest catchment of each placement; missing = outside all.
    coverage
        Coverage of all rows; where none is given, in each gear and group the lowest that a
        catchment of five placements or more reaches with twice as many (Chao et al. 2014).

    Returns
    -------
    DataFrame
        Columns `STANDARD_COLUMNS`, one row for each catchment, gear and group that was found
        there. Gears are never mixed. `problem` warns of more than twice the placements.
    """
    group = groups_of(species)
    rows: list[dict[str, Any]] = []
    for method in sorted(placements["method"].dropna().unique()):
        own = placements[placements["method"] == method]
        found, samples = species_incidence(
            own, catches, species, catchment_of=catchment_of, ancestors=ancestors
        )
        for name, of_group in found.groupby(found["species"].map(group)):
            cells = {
                str(catchment): (part["placements"].to_numpy(np.int64), int(samples[catchment]))
                for catchment, part in of_group.groupby("catchment")
            }
            wanted = coverage or _common(list(cells.values()))
            rows += [
                {"catchment": catchment, "method": method, "group": name, "placements": m}
                | {"species_found": counts.size}
                | {"sample_coverage": sample_coverage(counts, m) if m > 1 else np.nan}
                | _standard(counts, m, wanted)
                for catchment, (counts, m) in cells.items()
            ]
    frame = typed(rows, STANDARD_COLUMNS)
    frame = frame.sort_values(["method", "group", "catchment"], ignore_index=True)
    frame.attrs["inputs"] = inputs_of(
        placements,
        looked(placements),
        left_out_by_outcome(placements),
        seed=1,
        interval="95 %, bootstrap (Chao et al. 2014)",
        assumes="placements of one gear are samples of like kind; a genus or family counts as one "
        "species where nothing nearer was found",
    )
    return frame


def _common(cells: list[tuple[Ints, int]]) -> float:
    """Choose the coverage at which catchments of one gear and group are compared.

    The lowest that any of them would reach with twice its placements, so that all are estimated
    within their safe range. A choice of this program.
    """
    usable = [(counts, m) for counts, m in cells if m >= _LEAST_PLACEMENTS]
    if not usable:
        return float("nan")
    return min(coverage_of(counts, m, 2 * m) for counts, m in usable)


def _standard(counts: Ints, placements: int, coverage: float) -> dict[str, Any]:
    if placements == 1:
        return {"problem": "one placement: nothing to compare it with"}
    if placements < _LEAST_PLACEMENTS:
        return {"problem": f"fewer than {_LEAST_PLACEMENTS} placements of this gear"}
    at = at_coverage(counts, placements, coverage)
    if at.samples < 1:
        return {
            "standard_coverage": coverage,
            "problem": "less than one placement has the coverage: choose a higher one",
        }
    problem = few_say_complete(counts, placements)
    if np.isnan(at.species):
        problem = "no number of placements reaches the coverage: too few species found once"
    elif at.samples > 2 * placements * (1 + 1e-9):  # twice may come out as 20.000000000000007
        problem = "more than twice the placements: the estimate is too low"
    return {
        "standard_coverage": coverage,
        "species_standard": at.species,
        "species_standard_low": at.low,
        "species_standard_high": at.high,
        "placements_standard": at.samples,
        "estimator": at.estimator,
        "problem": problem,
    }
