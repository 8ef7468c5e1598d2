"""How many species live in a catchment: accumulation curve, Chao2, first-order jackknife.

A sample is a placement that looked; a species counts once per sample (incidence). Samples of
different methods see different species, so choose methods that see the same ones before
comparing catchments.
"""

from __future__ import annotations

from math import exp, log1p, nan, sqrt
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
import pandas as pd
import scipy

from layers.coded import distinct
from layers.errors import FrameError
from layers.estimates.proportions import Z95
from layers.fieldwork.looking import (
    catch_numbers,
    inputs_of,
    left_out_by_outcome,
    looked,
    nested_catchments,
    rolled_up,
)
from layers.frames import codes_of, codes_within, columns_of, reads, typed

if TYPE_CHECKING:
    import numpy.typing as npt

    from layers.arrays import Floats, Ints

__all__ = [
    "accumulation",
    "chao2",
    "escape",
    "few_say_complete",
    "groups_of",
    "jackknife1",
    "richness",
    "sample_coverage",
    "species_incidence",
    "unseen_in",
    "without_wider_entries",
]

Chao2Form = Literal["bias_corrected", "classic", "no_factor"]

_FEW_PLACEMENTS: Final = 40  # a choice of this program, by simulation (guide)
_CURVE_POINTS: Final = 300  # more than a figure can show
RICHNESS_COLUMNS: Final = columns_of(
    (str, "catchment group methods"),
    (int, "placements species_found found_once found_twice"),
    (float, "chao2 chao2_se chao2_low chao2_high"),
    (str, "chao2_form"),
    (float, "sample_coverage jackknife1"),
    (str, "problem"),
)


def _checked(incidence: npt.ArrayLike, samples: int) -> Ints:
    counts = np.asarray(incidence, dtype=np.int64)
    if (counts < 0).any() or (counts > samples).any():
        msg = f"A species cannot be in more than all {samples} samples or fewer than none."
        raise FrameError(msg)
    return counts[counts > 0]


class Chao2(NamedTuple):
    """Estimated number of species, its standard error and 95 % interval, and the form used."""

    estimate: float
    se: float
    low: float
    high: float
    form: Chao2Form


def chao2(incidence: npt.ArrayLike, samples: int, *, form: Chao2Form = "classic") -> Chao2:
    """Lower bound of the number of species, from those found once and twice.

    Parameters
    ----------
    incidence
        For each species the number of samples it was in.
    samples
        m, how many samples there are.
    form
        With S species found, Q1 in one sample and Q2 in two:
        `classic`: S + ((m-1)/m) Q1² / (2 Q2);
        `no_factor`: S + Q1² / (2 Q2);
        `bias_corrected`: S + ((m-1)/m) Q1(Q1-1) / (2(Q2+1)), which stands in for the others
        where Q2 is 0.

    Returns
    -------
    Chao2
        Missing without samples. The interval never goes below S.

    Notes
    -----
    Chao (1987), Biometrics 43:783-791, with the interval on the log scale of that article; the
    variances of the bias-corrected form, and the interval where the estimate is S, as Chao,
    Colwell and others print them (from memory): P = exp(-Σ incidence / S) is then the chance
    that a species stays unseen.

    Examples
    --------
    >>> chao2([1, 1, 1, 2], samples=4).estimate
    7.375
    """
    counts = _checked(incidence, samples)
    found, once, twice = counts.size, int((counts == 1).sum()), int((counts == 2).sum())
    if samples < 1 or not found:
        return Chao2(nan, nan, nan, nan, form)
    k = 1.0 if form == "no_factor" else (samples - 1) / samples
    if form == "bias_corrected" or twice == 0:
        form, d = "bias_corrected", twice + 1
        unseen = k * once * (once - 1) / (2 * d)
        variance = unseen + k**2 * once * (2 * once - 1) ** 2 / (4 * d**2)
        if twice:
            variance += k**2 * once**2 * twice * (once - 1) ** 2 / (4 * d**4)
        else:
            variance -= k**2 * once**4 / (4 * (found + unseen))
    else:
        r = once / twice
        unseen = k * once * r / 2
        variance = twice * (k * r**2 / 2 + k**2 * r**3 + k**2 * r**4 / 4)
    if unseen > 0:
        spread = exp(Z95 * sqrt(log1p(variance / unseen**2)))
        return Chao2(
            found + unseen, sqrt(variance), found + unseen / spread, found + unseen * spread, form
        )
    missed = exp(-float(counts.sum()) / found)
    high = (found + Z95 * sqrt(found * missed)) / (1 - missed)
    return Chao2(float(found), sqrt(found * missed * (1 - missed)), float(found), high, form)


def sample_coverage(incidence: npt.ArrayLike, samples: int) -> float:
    """Share of all incidences, of species seen or not, that belongs to the species found.

    Chao & Jost (2012), Ecology 93:2533-2547, for incidence data as Chao et al. (2014), Ecol.
    Monogr. 84:45-67: 1 - (Q1/U) (m-1)Q1 / ((m-1)Q1 + 2 Q2), U all incidences; where Q2 is 0,
    (Q1-1) for the last three Q1 and 2 for 2 Q2. Samples are comparable at equal coverage, not
    at equal number. Missing without samples or species.

    Examples
    --------
    >>> sample_coverage([1, 1, 1, 2], samples=4)
    0.509090909090909
    """
    counts = _checked(incidence, samples)
    if samples < 1 or not counts.size:
        return float("nan")
    return float(1 - (counts == 1).sum() / counts.sum() * escape(counts, samples))


def escape(counts: Ints, samples: int) -> float:
    """Chance that a further sample holds none of what one sample leaves unseen; 1 - A there."""
    once, twice = int((counts == 1).sum()), int((counts == 2).sum())
    rare, pairs = (once, twice) if twice else (once - 1, 1)
    return (samples - 1) * rare / ((samples - 1) * rare + 2 * pairs) if rare > 0 else 0.0


def few_say_complete(counts: Ints, samples: int) -> str:
    """Say so where a coverage of 1 comes from few samples: what is in all of two is found twice."""
    if samples >= _FEW_PLACEMENTS or escape(counts, samples) > 0:
        return ""
    return (
        f"{samples} placements, none or one species found once: too little to say that few or no "
        "species are missing"
    )


def jackknife1(incidence: npt.ArrayLike, samples: int) -> float:
    """First-order jackknife S + Q1 (m-1)/m of the number of species.

    Burnham & Overton (1979), Ecology 60:927-936. Missing without samples.

    Examples
    --------
    >>> jackknife1([1, 1, 1, 2], samples=4)
    6.25
    """
    counts = _checked(incidence, samples)
    if samples < 1:
        return float("nan")
    return counts.size + int((counts == 1).sum()) * (samples - 1) / samples


def unseen_in(left: Ints, samples: int, t: Ints | int) -> Floats:
    """Chance that t of all samples, drawn without replacement, are among `left` of them.

    C(left, t) / C(samples, t): where `left` samples lack a species, that t do.
    """
    gammaln = scipy.special.gammaln
    rest = np.maximum(left - t, 0)
    of_left = gammaln(left + 1.0) - gammaln(rest + 1.0)
    ratio = np.exp(of_left - gammaln(samples + 1.0) + gammaln(samples - t + 1.0))
    return np.asarray(ratio * (left >= t), dtype=np.float64)


def accumulation(incidence: npt.ArrayLike, samples: int) -> pd.DataFrame:
    """Species expected in 1, 2, … m samples drawn without replacement.

    Parameters
    ----------
    incidence
        For each species the number of samples it was in.
    samples
        m, how many samples there are.

    Returns
    -------
    DataFrame
        Rows for n = 1 to m, or 300 of them spread evenly where m is larger:
        `placements` n; `species`, the exact expectation
        Σ 1 - C(m-f, n)/C(m, n); `species_sd`, its unconditional standard deviation
        (Colwell, Mao & Chang 2004, Ecology 85:2717-2727, eq. 6, with Chao2 as the number of
        species there are).

    Examples
    --------
    >>> accumulation([1, 2], samples=2)["species"].tolist()
    [1.5, 2.0]
    """
    counts = _checked(incidence, samples)
    n = np.unique(np.linspace(1, samples, min(samples, _CURVE_POINTS)).round().astype(np.int64))
    times, species = np.unique(counts, return_counts=True)
    absent = unseen_in(samples - times, samples, n[:, None])
    expected = ((1.0 - absent) * species).sum(axis=1)
    there_are = chao2(counts, samples).estimate
    variance = ((1.0 - absent) ** 2 * species).sum(axis=1)
    if counts.size:
        variance = variance - expected**2 / there_are
    return pd.DataFrame(
        {
            "placements": n,
            "species": expected,
            "species_sd": np.sqrt(np.maximum(variance, 0.0)),
        }
    )


@reads("catches", "species", "ancestors", placements="placement_id outcome")
def species_incidence(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.Series]:
    """Count samples per catchment, and in how many of them each species was found.

    Parameters are those of `richness`.

    Returns
    -------
    DataFrame
        `catchment`, `species`, `placements` (that found it). A genus or family entry is one
        species at least, and there where nothing nearer of that genus or family was found.
    Series
        Number of samples per catchment, index `catchment`, every catchment.
    """
    names, inner, outer = nested_catchments(ancestors)
    home = codes_within(catchment_of.reindex(placements.index), names)
    sample = looked(placements) & (home >= 0)
    holder = rolled_up(home[sample], (inner, outer), len(names))[1]
    samples = pd.Series(np.bincount(holder, minlength=len(names)), index=names, name="placements")
    rows = codes_within(catches["placement_id"], placements.index)
    kinds = codes_of(catches["species"], species.index, "Species")
    number, _ = catch_numbers(catches)
    keep = np.append(sample, False)[rows] & (number > 0)
    width = max(len(species), 1)
    row, kind = np.divmod(distinct(rows[keep] * width + kinds[keep]), width)
    each, holder = rolled_up(home[row], (inner, outer), len(names))
    cell, count = np.unique(holder * width + kind[each], return_counts=True)
    found = pd.DataFrame(
        {
            "catchment": names.take(cell // width),
            "species": species.index.take(cell % width),
            "placements": count,
        }
    ).astype({"catchment": "str", "species": "str", "placements": "int64"})
    return without_wider_entries(found, species), samples


@reads("species")
def without_wider_entries(found: pd.DataFrame, species: pd.DataFrame) -> pd.DataFrame:
    """Drop genus and family entries beside which something nearer was found in the catchment.

    Parameters
    ----------
    found
        `catchment`, `species`, one row for each that was found there.
    species
        Index `species`; `rank` (missing = species) and `family`, which may be missing.
    """
    rank = found["species"].map(species["rank"]).fillna("species")
    none = pd.Series(dtype="str")
    nearer = pd.concat(
        [
            found.assign(species=found["species"].str.split().str[0])[rank == "species"],
            found.assign(species=found["species"].map(species.get("family", none)))[
                rank != "family"
            ],
        ]
    )
    beside = pd.MultiIndex.from_frame(found[["catchment", "species"]]).isin(
        pd.MultiIndex.from_frame(nearer[["catchment", "species"]])
    )
    return found[(rank == "species") | ~beside].reset_index(drop=True)


@reads("catches", "species", "ancestors", placements="placement_id method outcome")
def richness(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
) -> pd.DataFrame:
    """Species found and estimated per catchment and group, nested catchments rolled up.

    Parameters
    ----------
    placements, catches, species, ancestors
        Frames of these kinds (`layers.frames`); groups of species (fish, crustaceans …) are
        never mixed.
    catchment_of
        Smallest catchment of each placement, index `placement_id`; missing = outside all.

    Returns
    -------
    DataFrame
        One row per catchment and group that was found there, one without a group where none
        was: `catchment`, `group`, `methods` that were pooled, `placements` (samples),
        `species_found`, `found_once`, `found_twice`, `chao2` with `chao2_se`, 95 % interval and
        `chao2_form`, `sample_coverage`, `jackknife1`, `problem` (empty, or why the estimates are
        missing or poor).
    """
    incidence, samples = species_incidence(
        placements, catches, species, catchment_of=catchment_of, ancestors=ancestors
    )
    groups = incidence["species"].map(groups_of(species))
    found: dict[str, dict[str, Ints]] = {}
    for (catchment, group), part in incidence["placements"].groupby(
        [incidence["catchment"], groups]
    ):
        found.setdefault(str(catchment), {})[str(group)] = part.to_numpy()
    samples_of = placements[["method"]].assign(catchment_id=catchment_of)[looked(placements)]
    nested = samples_of.drop_duplicates().merge(ancestors, on="catchment_id")
    gear = {
        str(catchment): sorted(set(own))
        for catchment, own in nested.groupby("ancestor_id")["method"]
    }
    rows = []
    for catchment, m in samples.items():
        own = found.get(str(catchment), {"": np.zeros(0, dtype=np.int64)})
        methods = gear.get(str(catchment), [])
        for group, counts in own.items():
            problem = ""
            if m == 0:
                problem = "nobody looked"
            elif m == 1:
                problem = "one placement: nothing to compare it with"
            elif not counts.size:
                problem = "no species found"
            usable = not problem
            if usable:
                problem = few_say_complete(counts, int(m))
            if usable and len(methods) > 1:
                pooled = f"{len(methods)} gears pooled, each of which misses species of its own"
                problem = "; ".join(filter(None, (f"{pooled}: choose one to compare", problem)))
            seen = counts if usable else counts[:0]
            estimate = chao2(seen, int(m))
            rows.append(
                (
                    catchment,
                    group,
                    ";".join(methods),
                    m,
                    counts.size,
                    (counts == 1).sum(),
                    (counts == 2).sum(),
                    *estimate[:4],
                    estimate.form if usable else "",
                    sample_coverage(seen, int(m)),
                    jackknife1(counts, int(m)) if usable else np.nan,
                    problem,
                )
            )
    frame = typed(rows, RICHNESS_COLUMNS)
    names = pd.Index(samples.index)
    outside = codes_within(catchment_of.reindex(placements.index), names) < 0
    used = looked(placements) & ~outside
    left_out = left_out_by_outcome(placements.loc[~outside])
    left_out["outside every catchment"] = int(outside.sum())
    frame.attrs["inputs"] = inputs_of(
        placements, used, left_out, interval="95 %, log scale (Chao 1987)"
    )
    return frame


@reads("species")
def groups_of(species: pd.DataFrame) -> pd.Series:
    """Group of each species, as its list says; empty where it states none."""
    group = species.get("group", pd.Series(None, index=species.index)).astype(object)
    return group.where(group.notna(), "").astype("str")
