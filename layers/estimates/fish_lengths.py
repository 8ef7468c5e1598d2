"""Lengths and weights: quantiles, classes raised to the catch, length-weight fit, condition.

Total, fork and standard lengths are never mixed: each is a row of its own, and so is a length of
which nobody stated the kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import scipy

from layers.fieldwork.looking import catch_numbers, inputs_of
from layers.frames import codes_within, columns_of, reads, typed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.arrays import Floats

__all__ = [
    "FEWEST",
    "condition_of_fish",
    "fit_length_weight",
    "length_classes",
    "lengths_by_species",
]

FEWEST: Final = 5  # fish below which no histogram and no fit; common practice, no source
_QUANTILES: Final = {"p10_mm": 0.1, "p25_mm": 0.25, "median_mm": 0.5, "p75_mm": 0.75, "p90_mm": 0.9}
_NARROW: Final = 1.5  # longest over shortest below which a fit is warned of; a choice of ours
_NO_FIT: Final = f"no fit: fewer than {FEWEST} fish weighed, or all of one length"
_KEYS: Final = ["species", "length_type"]
LENGTH_COLUMNS: Final = columns_of(
    (str, " ".join(_KEYS)),
    (int, "measured caught"),
    (float, f"unmeasured_share shortest_mm {' '.join(_QUANTILES)} longest_mm"),
    (int, "weighed"),
    (float, "weight_factor weight_exponent weight_exponent_low weight_exponent_high residual_sd"),
    (str, "problem"),
)
CLASS_COLUMNS: Final = columns_of(
    (str, " ".join(_KEYS)),
    (float, "class_low_mm class_high_mm"),
    (int, "measured"),
    (float, "raised"),
    (str, "problem"),
)
FISH_COLUMNS: Final = columns_of(
    (str, f"placement_id {' '.join(_KEYS)}"),
    (float, "length_mm weight_g expected_weight_g condition"),
    (str, "problem"),
)


@dataclass(frozen=True)
class LengthWeight:
    """W = factor · L ^ exponent, weight in g and length in mm.

    `low` and `high` are the 95 % interval of the exponent, `residual_sd` that of log weight.
    """

    factor: float
    exponent: float
    low: float
    high: float
    residual_sd: float


def fit_length_weight(length_mm: Floats, weight_g: Floats) -> LengthWeight:
    """Fit weight to length by least squares of their natural logarithms.

    The usual form (Le Cren 1951, J. Anim. Ecol. 20:201-219; Froese 2006, J. Appl. Ichthyol.
    22:241-253; both from memory); interval by Student's t with n - 2 degrees of freedom.

    Parameters
    ----------
    length_mm, weight_g
        n fish, all above zero, of two lengths or more.

    Examples
    --------
    >>> length = np.array([50.0, 80.0, 120.0, 200.0])
    >>> fit = fit_length_weight(length, 1e-5 * length**3)
    >>> round(fit.exponent, 6), round(fit.factor, 9)
    (3.0, 1e-05)
    """
    line = scipy.stats.linregress(np.log(length_mm), np.log(weight_g))
    n = length_mm.size
    half = float(scipy.stats.t.ppf(0.975, n - 2) * line.stderr) if n > 2 else float("nan")
    left = np.log(weight_g) - line.intercept - line.slope * np.log(length_mm)
    sd = float(np.sqrt((left**2).sum() / (n - 2))) if n > 2 else float("nan")
    return LengthWeight(
        factor=float(np.exp(line.intercept)),
        exponent=float(line.slope),
        low=float(line.slope - half),
        high=float(line.slope + half),
        residual_sd=sd,
    )


@reads(placements="placement_id method outcome set_at timezone")
def lengths_by_species(
    placements: pd.DataFrame, catches: pd.DataFrame, lengths: pd.DataFrame
) -> pd.DataFrame:
    """Summarise measured fish by species and kind of length.

    Returns
    -------
    DataFrame
        Columns `LENGTH_COLUMNS`. `caught` and `unmeasured_share` are of the species, all kinds of
        length together; a species that was caught and never measured has a row. Quantiles are of
        the fish measured, linear between them. Figures of the fit are missing below five weighed
        fish.
    """
    fish = _measured(placements, lengths)
    strata = _caught(placements, catches, fish).groupby("species")
    caught, bounded = strata["caught"].sum(), strata["bounded"].any()
    measured = fish.groupby("species").size()
    rows: list[dict[str, Any]] = []
    for species, kind, own in _groups(fish):
        length = own["length_mm"]
        weighed = own[own["weight_g"] > 0]
        problems = _kind_words(kind) + _count_words(bounded[species])
        if len(own) < FEWEST:
            problems.append(f"fewer than {FEWEST} fish measured")
        figures = {}
        if fit := _fitted(weighed):
            figures = {
                "weight_factor": fit.factor,
                "weight_exponent": fit.exponent,
                "weight_exponent_low": fit.low,
                "weight_exponent_high": fit.high,
                "residual_sd": fit.residual_sd,
            }
            if weighed["length_mm"].max() < _NARROW * weighed["length_mm"].min():
                problems.append("fish of like length only: the fit holds for these lengths")
        else:
            problems.append(_NO_FIT if len(weighed) else "no fit: none weighed")
        share = 1 - measured[species] / caught[species]
        rows.append(
            {
                "species": species,
                "length_type": kind,
                "measured": len(own),
                "caught": caught[species],
                "unmeasured_share": share,
                "shortest_mm": length.min(),
                **{name: length.quantile(q) for name, q in _QUANTILES.items()},
                "longest_mm": length.max(),
                "weighed": len(weighed),
                **figures,
                "problem": "; ".join(problems),
            }
        )
    rows += [
        {
            "species": species,
            "length_type": "not_stated",
            "caught": number,
            "unmeasured_share": 1.0,
            "problem": "; ".join(["none measured", *_count_words(bounded[str(species)])]),
        }
        for species, number in caught.drop(measured.index).items()
        if number > 0
    ]
    rows.sort(key=lambda row: (row["species"], row["length_type"]))
    return _finished(rows, LENGTH_COLUMNS, placements, fish)


@reads(placements="placement_id method outcome set_at timezone")
def length_classes(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    lengths: pd.DataFrame,
    *,
    class_mm: float = 10.0,
) -> pd.DataFrame:
    """Count fish by class of length, as measured and raised to the catch.

    In each placement a measured fish of a species stands for caught over measured of them
    (raising by strata, Cochran 1977, Sampling Techniques, chapter 5, from memory): fish are taken
    as measured at random within a placement. Fish of placements where none was measured are not
    among `raised`; `problem` says how many.

    Parameters
    ----------
    class_mm
        Width of a class, which includes its lower end. [mm]

    Returns
    -------
    DataFrame
        Columns `CLASS_COLUMNS`, by species and kind of length, empty classes between their
        shortest and longest included; fewer than five measured fish are one row without a class.
    """
    fish = _measured(placements, lengths)
    strata = _caught(placements, catches, fish)
    factor = (strata["caught"] / strata["measured"]).where(strata["measured"] > 0)
    keys = pd.MultiIndex.from_frame(fish[["placement_id", "species"]])
    fish["factor"] = factor.reindex(keys).to_numpy()
    left = strata.loc[strata["measured"] == 0].groupby("species")["caught"].sum()
    bounded = strata["bounded"].groupby("species").any()
    rows: list[dict[str, Any]] = []
    for species, kind, own in _groups(fish):
        problems = _kind_words(kind) + _count_words(bounded[species])
        if without := int(left.get(species, 0)):
            problems.append(f"{without} fish of placements where none was measured are left out")
        shared: dict[str, Any] = {"species": species, "length_type": kind}
        if len(own) < FEWEST:
            problems.insert(0, f"fewer than {FEWEST} fish measured: in no class")
            shared |= {"measured": len(own), "raised": own["factor"].sum()}
            rows.append(shared | {"problem": "; ".join(problems)})
            continue
        number = np.floor(own["length_mm"].to_numpy() / class_mm).astype(np.int64)
        first = number.min()
        counts = np.bincount(number - first)
        raised = np.bincount(number - first, weights=own["factor"].to_numpy())
        rows += [
            shared
            | {"class_low_mm": low * class_mm, "class_high_mm": (low + 1) * class_mm}
            | {"measured": n, "raised": stands_for, "problem": "; ".join(problems)}
            for low, (n, stands_for) in enumerate(zip(counts, raised, strict=True), int(first))
        ]
    return _finished(rows, CLASS_COLUMNS, placements, fish)


@reads(placements="placement_id method outcome set_at timezone")
def condition_of_fish(
    placements: pd.DataFrame, catches: pd.DataFrame, lengths: pd.DataFrame
) -> pd.DataFrame:
    """Weight of each weighed fish over that expected at its length.

    Relative condition (Le Cren 1951): 1 is the weight that the fit of the fish of the selection
    gives, so a comparison holds only within it.

    Returns
    -------
    DataFrame
        Columns `FISH_COLUMNS`, by species, kind of length and placement.
    """
    del catches
    fish = _measured(placements, lengths)
    weighed = fish[fish["weight_g"] > 0]
    parts = []
    for _, kind, own in _groups(weighed):
        expected, problems = np.full(len(own), np.nan), _kind_words(kind)
        if fit := _fitted(own):
            expected = fit.factor * own["length_mm"].to_numpy() ** fit.exponent
        else:
            problems.append(_NO_FIT)
        condition = own["weight_g"].to_numpy() / expected
        parts.append(
            own.assign(expected_weight_g=expected, condition=condition, problem="; ".join(problems))
        )
    frame = pd.concat(parts) if parts else weighed
    return _finished(frame, FISH_COLUMNS, placements, weighed)


def _fitted(weighed: pd.DataFrame) -> LengthWeight | None:
    """Fit weighed fish; None where these are too few or of one length."""
    if len(weighed) < FEWEST or weighed["length_mm"].nunique() < 2:
        return None
    return fit_length_weight(*weighed[["length_mm", "weight_g"]].to_numpy(np.float64).T)


def _groups(fish: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    for key, own in fish.groupby(_KEYS):
        species, kind = map(str, key)
        yield species, kind, own


def _measured(placements: pd.DataFrame, lengths: pd.DataFrame) -> pd.DataFrame:
    own = lengths[lengths["placement_id"].isin(placements.index) & (lengths["length_mm"] > 0)]
    blank = pd.Series(None, index=own.index, dtype="str")
    kind = own.get("length_type", blank).astype("str").fillna("not_stated")
    weight = own.get("weight_g", pd.Series(np.nan, index=own.index)).astype("float64")
    names = own[["placement_id", "species"]].astype("str")  # coded ones sort otherwise
    return own.assign(**names, length_type=kind, weight_g=weight).sort_values(
        ["species", "length_type", "placement_id", "length_mm"], kind="stable"
    )


def _caught(placements: pd.DataFrame, catches: pd.DataFrame, fish: pd.DataFrame) -> pd.DataFrame:
    """Fish caught and measured by placement and species; never fewer caught than measured.

    `bounded` says whether some were not counted.
    """
    own = codes_within(catches["placement_id"], placements.index) >= 0
    number, lower = catch_numbers(catches)
    keys = [catches.loc[own, name].to_numpy(object) for name in ("placement_id", "species")]
    counted = pd.DataFrame({"caught": number[own], "bounded": (lower & (number > 0))[own]})
    caught = counted.groupby(keys).agg({"caught": "sum", "bounded": "any"})
    measured = fish.groupby(["placement_id", "species"]).size().rename("measured")
    strata = pd.concat([caught, measured], axis=1).fillna({"caught": 0, "measured": 0})
    strata.index.names = ["placement_id", "species"]
    strata["caught"] = strata[["caught", "measured"]].max(axis=1)
    return strata.assign(bounded=strata["bounded"].eq(True))


def _kind_words(kind: str) -> list[str]:
    return ["kind of length not stated"] if kind == "not_stated" else []


def _count_words(bounded: bool) -> list[str]:
    return ["fish not all counted: at least"] if bounded else []


def _finished(
    rows: list[dict[str, Any]] | pd.DataFrame,
    columns: dict[str, type],
    placements: pd.DataFrame,
    fish: pd.DataFrame,
) -> pd.DataFrame:
    frame = typed(rows, columns)
    used = placements.index.isin(fish["placement_id"])
    frame.attrs["inputs"] = inputs_of(
        placements,
        used,
        {"no fish measured": int((~used).sum())},
        assumes="fish measured at random within each placement; kinds of length never mixed",
    )
    return frame
