"""How many species live in a catchment: accumulation curve, Chao2, first-order jackknife.

A sample is a placement that looked; a species counts once per sample (incidence). Samples of
different methods see different species, so choose methods that see the same ones before
comparing catchments.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd
import scipy

from layers.errors import FrameError
from layers.fieldwork.looking import (
    catch_numbers,
    inputs_of,
    left_out_by_outcome,
    looked,
    nested_catchments,
)
from layers.frames import codes_of, codes_within, reads

if TYPE_CHECKING:
    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]
    Floats = npt.NDArray[np.float64]

__all__ = ["Chao2Form", "accumulation", "chao2", "jackknife1", "richness", "species_incidence"]

Chao2Form = Literal["bias_corrected", "classic", "no_factor"]

_CURVE_POINTS: Final = 300  # more than a figure can show
RICHNESS_COLUMNS: Final = (
    "catchment",
    "placements",
    "species_found",
    "found_once",
    "found_twice",
    "chao2",
    "jackknife1",
    "problem",
)


def _checked(incidence: npt.ArrayLike, samples: int) -> Ints:
    counts = np.asarray(incidence, dtype=np.int64)
    if (counts < 0).any() or (counts > samples).any():
        msg = f"A species cannot be in more than all {samples} samples or fewer than none."
        raise FrameError(msg)
    return counts[counts > 0]


def chao2(incidence: npt.ArrayLike, samples: int, *, form: Chao2Form = "bias_corrected") -> float:
    """Lower bound of the number of species, from those found once and twice.

    Parameters
    ----------
    incidence
        For each species the number of samples it was in.
    samples
        m, how many samples there are.
    form
        With S species found, Q1 in one sample and Q2 in two:
        `bias_corrected`: S + ((m-1)/m) Q1(Q1-1) / (2(Q2+1)), defined for every Q2;
        `classic`: S + ((m-1)/m) Q1² / (2 Q2);
        `no_factor`: S + Q1² / (2 Q2).

    Returns
    -------
    float
        The estimate; missing without samples, or where the form needs Q2 > 0 and has none.

    Notes
    -----
    Chao (1987), Biometrics 43:783-791. Three forms are in use: name the one you quote.

    Examples
    --------
    >>> chao2([1, 1, 1, 2], samples=4)
    5.125
    """
    counts = _checked(incidence, samples)
    once, twice = int((counts == 1).sum()), int((counts == 2).sum())
    if samples < 1:
        return float("nan")
    share = (samples - 1) / samples
    if form == "bias_corrected":
        return counts.size + share * once * (once - 1) / (2 * (twice + 1))
    if twice == 0:
        return float("nan")
    return counts.size + (share if form == "classic" else 1.0) * once**2 / (2 * twice)


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
        (Colwell, Mao & Chang 2004, Ecology 85:2717-2727, eq. 6, with the bias-corrected
        Chao2 as the number of species there are).

    Examples
    --------
    >>> accumulation([1, 2], samples=2)["species"].tolist()
    [1.5, 2.0]
    """
    counts = _checked(incidence, samples)
    n = np.unique(np.linspace(1, samples, min(samples, _CURVE_POINTS)).round().astype(np.int64))
    times, species = np.unique(counts, return_counts=True)
    left = samples - times[None, :] - n[:, None]
    with np.errstate(invalid="ignore"):
        log_absent = (
            scipy.special.gammaln(samples - times + 1.0)[None, :]
            + scipy.special.gammaln(samples - n + 1.0)[:, None]
            - scipy.special.gammaln(np.maximum(left, 0) + 1.0)
            - scipy.special.gammaln(samples + 1.0)
        )
    absent = np.where(left >= 0, np.exp(log_absent), 0.0)
    expected = ((1.0 - absent) * species).sum(axis=1)
    there_are = chao2(counts, samples)
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
        `catchment`, `species`, `placements` (that found it); species rank only.
    Series
        Number of samples per catchment, index `catchment`, every catchment.
    """
    names, inner, outer = nested_catchments(ancestors)
    home = codes_within(catchment_of.reindex(placements.index), names)
    sample = looked(placements) & (home >= 0)
    nesting = pd.DataFrame({"home": inner, "outer": outer})

    inside = pd.DataFrame({"home": home[sample]}).merge(nesting, on="home")
    samples = pd.Series(
        np.bincount(inside["outer"], minlength=len(names)), index=names, name="placements"
    )
    rows = codes_within(catches["placement_id"], placements.index)
    kinds = codes_of(catches["species"], species.index, "Species")
    number, _ = catch_numbers(catches)
    full = (species["rank"].fillna("species") == "species").to_numpy(dtype=bool)
    keep = (rows >= 0) & (number > 0) & (full[kinds] if len(full) else True)
    keep &= sample[np.maximum(rows, 0)] if len(sample) else False
    pairs = pd.DataFrame({"row": rows[keep], "kind": kinds[keep]}).drop_duplicates()
    pairs["home"] = home[pairs["row"]]
    pairs = pairs.merge(nesting, on="home")
    counted = pairs.groupby(["outer", "kind"]).size()
    return (
        pd.DataFrame(
            {
                "catchment": names.to_numpy()[counted.index.get_level_values(0)],
                "species": species.index.to_numpy()[counted.index.get_level_values(1)],
                "placements": counted.to_numpy(),
            }
        ).astype({"catchment": "str", "species": "str", "placements": "int64"}),
        samples,
    )


@reads("placements", "catches", "species", "ancestors")
def richness(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
    form: Chao2Form = "bias_corrected",
) -> pd.DataFrame:
    """Species found and estimated per catchment, nested ones rolled up.

    Parameters
    ----------
    placements, catches, species, ancestors
        Frames of these kinds (`layers.frames`). Genus and family entries do not count as species.
    catchment_of
        Smallest catchment of each placement, index `placement_id`; missing = outside all.
    form
        Which Chao2, see `chao2`.

    Returns
    -------
    DataFrame
        One row per catchment: `catchment`, `placements` (samples), `species_found`,
        `found_once`, `found_twice`, `chao2`, `jackknife1`, `problem` (empty, or why the
        estimates are missing or poor). `attrs["inputs"]` names the form.
    """
    incidence, samples = species_incidence(
        placements, catches, species, catchment_of=catchment_of, ancestors=ancestors
    )
    by_catchment: dict[str, pd.Series] = {
        str(name): counts for name, counts in incidence.groupby("catchment")["placements"]
    }
    nothing = pd.Series([], dtype="int64")
    rows = []
    for catchment, m in samples.items():
        counts = by_catchment.get(str(catchment), nothing).to_numpy()
        problem = ""
        if m == 0:
            problem = "nobody looked"
        elif m == 1:
            problem = "one placement: nothing to compare it with"
        elif not counts.size:
            problem = "no species found"
        usable = problem == ""
        estimate = chao2(counts, int(m), form=form) if usable else np.nan
        if usable and np.isnan(estimate):
            problem = "no species found exactly twice: use the bias-corrected form"
        rows.append(
            (
                catchment,
                m,
                counts.size,
                (counts == 1).sum(),
                (counts == 2).sum(),
                estimate,
                jackknife1(counts, int(m)) if usable else np.nan,
                problem,
            )
        )
    frame = pd.DataFrame(rows, columns=list(RICHNESS_COLUMNS)).astype(
        {
            "catchment": "str",
            "placements": "int64",
            "species_found": "int64",
            "found_once": "int64",
            "found_twice": "int64",
            "chao2": "float64",
            "jackknife1": "float64",
            "problem": "str",
        }
    )
    names = pd.Index(samples.index)
    outside = codes_within(catchment_of.reindex(placements.index), names) < 0
    used = looked(placements) & ~outside
    left_out = left_out_by_outcome(placements.loc[~outside])
    left_out["outside every catchment"] = int(outside.sum())
    frame.attrs["inputs"] = inputs_of(placements, used, left_out, chao2_form=form)
    return frame
