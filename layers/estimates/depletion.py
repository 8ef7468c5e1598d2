"""Fish numbers and densities from placements fished in several passes.

One row per placement and species, and one for all species pooled. Where records cannot carry an
estimate the row says why. Assumes a closed site (stop nets), an equal chance
for every fish and an equal effort in every pass; see `layers.estimates.removal` for the formulas.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.errors import ThinDataError
from layers.estimates.removal import (
    Estimator,
    RemovalEstimate,
    catchability_test,
    catches_fall,
    equal_chance_test,
    estimate_removal,
    joint,
    number_if_catchability_falls,
)
from layers.fieldwork.looking import inputs_of, left_out_by_outcome, local_dates, looked
from layers.frames import PASS_MINUTES, codes_within, columns_of, reads, typed
from layers.plurals import counted
from layers.totals import ALL, RECORDS_ANEW, refuse_all

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from layers.arrays import Floats

__all__ = ["DEPLETION_COLUMNS", "depletion", "fished_area_m2"]

FEW_FISH: Final = 10  # common practice, no source
DEPLETION_COLUMNS: Final = columns_of(
    (str, "placement_id"),
    (float, "site date"),
    (str, "species"),
    (int, "passes"),
    (str, "catches estimator"),
    (float, "n_hat n_se n_low n_high p_hat density_per_100_m2"),
    (str, "problem se_formula"),
    (float, "first_pass_per_minute density_low density_high"),
)
_UNEQUAL: Final = 1.25  # greatest minutes of a pass over least; a choice of this program
_UNEQUAL_WORDS: Final = "minutes differ between passes, and equal effort is assumed"
_DENSITIES: Final = {
    "density_per_100_m2": "n_hat", "density_low": "n_low", "density_high": "n_high"
}  # fmt: skip
_LOOSE_KINDS: Final = {
    "at_least": "counts of 'at least'",
    "present": "presence without a count",
    "estimate": "estimated counts",
}


def fished_area_m2(
    placements: pd.DataFrame, stretch_length_m: pd.Series | None = None
) -> pd.Series:
    """Area a placement fished: as stated, else wetted width times stretch length.

    Parameters
    ----------
    placements
        Index `placement_id`; `area_m2`, `wetted_width_m`, `stretch_length_m` where known.
    stretch_length_m
        Length of the stretch cut from the reaches [m]; used where none is stated.

    Returns
    -------
    Series
        Index of `placements`, float. [m²] Missing where neither is known.
    """
    blank = pd.Series(np.nan, index=placements.index)
    stated = placements.get("stretch_length_m", blank).astype("float64")
    length = stated
    if stretch_length_m is not None:
        length = stated.fillna(stretch_length_m.reindex(placements.index).astype("float64"))
    width = placements.get("wetted_width_m", blank).astype("float64")
    area = placements.get("area_m2", blank).astype("float64")
    area = area.where(area > 0)
    return area.fillna((width * length).where(width * length > 0)).rename("area_m2")


@reads(
    placements="placement_id site method outcome passes set_at timezone",
    catches="placement_id species count count_kind pass_no",
)
def depletion(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    areas_m2: pd.Series | None = None,
    *,
    estimators: Sequence[Estimator] = ("likelihood",),
) -> pd.DataFrame:
    """Estimate the fish present, for each placement fished in passes.

    Parameters
    ----------
    placements, catches
        Frames of these kinds (`layers.frames`). Passes that have no catch row of a species
        caught none of it, as far as `passes` states them.
    areas_m2
        Area fished by placement [m²], such as `fished_area_m2` gives; densities are missing
        without it. Taken as exact: `density_low` and `density_high` are `n_low` and `n_high`
        over it.
    estimators
        Which to print, in this order. `two_pass` is left out where there are more than two
        passes; `joint`, one chance of capture for placements of one method in one year, where
        fewer than two placements caught the species. The other forms have no interval.

    Returns
    -------
    DataFrame
        Columns `DEPLETION_COLUMNS`, sorted by placement and species; species `all` pools
        every fish of the placement. `date` is the local date of setting; `catches` lists the
        passes with `;`. `problem` is empty or says what is wrong; figures are missing where it
        forbids an estimate, and stay where it only warns: few fish, minutes that
        differ between passes by more than a quarter, catchability that differs
        (`catchability_test`), and how many fish there would be if it fell unseen
        (`number_if_catchability_falls`). Where the catches
        set no upper limit, `n_high` is missing and `n_hat` stays.
        `attrs["inputs"]` says what was used.

    Raises
    ------
    FrameError
        A column is missing, or a species is called `all`.
    """
    refuse_all(catches["species"].unique(), "species", RECORDS_ANEW)
    row = codes_within(catches["placement_id"], placements.index)
    rows = catches.loc[row >= 0, ["species", "count", "count_kind", "pass_no"]].assign(
        row=row[row >= 0]
    )
    stated = placements["passes"].to_numpy(dtype=np.float64, na_value=np.nan)
    highest = np.full(len(placements), np.nan)
    seen = rows.groupby("row")["pass_no"].max()
    highest[seen.index.to_numpy(dtype=np.int64)] = seen.to_numpy(dtype=np.float64)
    fished = looked(placements)
    by_pass = fished & ((stated >= 1) | (highest >= 1))
    passes = np.fmax(stated, highest)

    pooled = pd.DataFrame({"row": np.flatnonzero(by_pass)}).assign(species=ALL)
    rows = rows[by_pass[rows["row"]]]
    rows = pd.concat([rows, rows.assign(species=ALL)], ignore_index=True)
    # A placement that caught nothing has no catch row; its pooled row must still appear.
    groups = pd.concat([rows[["row", "species"]], pooled]).drop_duplicates()
    table = [*_rows(placements.index, rows, groups, passes, stated, estimators)]
    if "joint" in estimators:
        table.extend(_joint_rows(table, placements))
    frame = typed(table, DEPLETION_COLUMNS)
    frame["site"] = placements["site"].reindex(frame["placement_id"]).to_numpy(dtype=object)
    frame["date"] = local_dates(placements).reindex(frame["placement_id"]).to_numpy()
    minutes = placements.reindex(columns=list(PASS_MINUTES)).reindex(frame["placement_id"])
    first = pd.to_numeric(frame["catches"].str.split(";").str[0], errors="coerce")
    frame["first_pass_per_minute"] = first / minutes[PASS_MINUTES[0]].to_numpy(dtype=np.float64)
    unequal = (minutes.max(axis=1) > _UNEQUAL * minutes.min(axis=1)).to_numpy(dtype=bool)
    said = frame["problem"].where(frame["problem"] == "", frame["problem"] + "; ") + _UNEQUAL_WORDS
    frame["problem"] = frame["problem"].mask(unequal & frame["n_hat"].notna(), said)
    if areas_m2 is not None:
        area = areas_m2.reindex(frame["placement_id"]).to_numpy(dtype=np.float64)
        for density, number in _DENSITIES.items():
            frame[density] = 100.0 * frame[number].to_numpy() / area
    frame["_pooled"] = frame["species"] == ALL
    frame = frame.sort_values(
        ["placement_id", "_pooled", "species"], kind="stable", ignore_index=True
    ).drop(columns="_pooled")
    left_out = left_out_by_outcome(placements)
    left_out["no passes stated"] = int((fished & ~by_pass).sum())
    frame.attrs["inputs"] = inputs_of(
        placements,
        by_pass,
        left_out,
        assumes="closed site; equal chance for every fish and in every pass",
        standard_error="formula A (Carle & Strub 1978); two_pass: Seber & Le Cren (1967)",
        interval="95 %, likelihood by profile (Schnute 1983); other forms have none",
    )
    return frame


def _rows(
    placement_ids: pd.Index,
    rows: pd.DataFrame,
    groups: pd.DataFrame,
    passes: Floats,
    stated: Floats,
    estimators: Sequence[Estimator],
) -> Iterator[dict[str, object]]:
    """Rows of every estimator but `joint` for each group, a placement and species."""
    number = rows["pass_no"].to_numpy(dtype=np.float64)
    at = rows["row"].to_numpy(dtype=np.int64)
    number = np.where(np.isnan(number) & (passes[at] == 1), 1.0, number)
    bad_number = {
        "catch rows without a pass number": np.isnan(number),
        "catch rows with a pass number below 1": number < 1,
    }
    beyond = set(at[number > stated[at]].tolist())

    key = pd.MultiIndex.from_frame(groups[["row", "species"]])
    group = key.get_indexer(pd.MultiIndex.from_frame(rows[["row", "species"]]))
    kinds = rows["count_kind"].where(rows["count"].notna(), "present")
    unnumbered = {text: set(group[wrong].tolist()) for text, wrong in bad_number.items()}
    loose = {
        text: set(group[(kinds == kind).to_numpy(dtype=bool)].tolist())
        for kind, text in _LOOSE_KINDS.items()
    }
    width = int(np.nanmax(passes, initial=1.0))
    counts = rows["count"].fillna(0).to_numpy(dtype=np.float64)
    sound = number >= 1
    caught = np.bincount(
        group[sound] * width + number[sound].astype(np.int64) - 1,
        counts[sound],
        minlength=len(groups) * width,
    ).reshape(len(groups), width)
    for i, (place, species) in enumerate(key):
        reasons = [text for text, where in unnumbered.items() if i in where]
        if found := [text for text, where in loose.items() if i in where]:
            reasons.append(f"{' and '.join(found)} cannot be depleted")
        fatal = bool(reasons)
        if np.isnan(stated[place]):
            reasons.append("number of passes not stated: empty last passes would be missed")
        elif place in beyond:
            reasons.append(
                f"catch rows of pass {passes[place]:g} where "
                f"{counted(stated[place], 'pass is', 'passes are')} stated"
            )
        series = caught[i, : int(passes[place])].astype(np.int64).tolist()
        for estimator in estimators:
            if estimator == "joint" or (estimator == "two_pass" and len(series) > 2):
                continue
            problems = list(reasons)
            figures = {} if fatal else _estimate(series, estimator, problems)
            yield {
                "placement_id": placement_ids[place],
                "species": species,
                "passes": len(series),
                "catches": "" if fatal else ";".join(map(str, series)),
                "estimator": estimator,
                **figures,
                "problem": "; ".join(problems),
            }


def _estimate(caught: list[int], estimator: Estimator, problems: list[str]) -> dict[str, object]:
    """Figures of one estimate; what is wrong with it is added to `problems`."""
    try:
        fit = estimate_removal(caught, estimator)
    except ThinDataError as thin:
        problems.append(str(thin))
        return {}
    falls = catches_fall(caught)
    if not falls and estimator == "weighted":
        problems.append("the catches do not fall: the figure leans on the form's own weights")
    if sum(caught) < FEW_FISH:
        problems.append(f"fewer than {FEW_FISH} fish: imprecise")
    if np.isposinf(fit.n_high):
        # The number stays: printed only with an upper limit, numbers would be a chosen, low set.
        problems.append(
            "no upper limit: too few fish, or too small a fall, to exclude any larger number "
            "at 95 %"
            if falls
            else "no upper limit: the catches do not fall, and exclude no larger number at 95 %"
        )
    if estimator == "likelihood":
        problems.extend(_unequal_catchability(caught, fit.n_hat, fit.n_high))
    if fit.n_se == 0:
        problems.append("no standard error: all was caught in the first pass")
        fit = replace(fit, n_se=np.nan)
    if np.isnan(fit.n_low):
        problems.append("no interval: this form is for comparison")
    return _figures(fit)


def _figures(fit: RemovalEstimate) -> dict[str, object]:
    return vars(fit) | {"n_high": fit.n_high if np.isfinite(fit.n_high) else np.nan}


def _joint_rows(
    table: Sequence[dict[str, object]], placements: pd.DataFrame
) -> Iterator[dict[str, object]]:
    """Rows of `joint` beside those of one other estimator, by species, method and local year."""
    rows = pd.DataFrame(table, columns=["placement_id", "species", "passes", "catches"])
    rows = rows[(rows["species"] != ALL) & (rows["passes"] > 1) & rows["catches"].ne("")]
    rows = rows.drop_duplicates(["placement_id", "species"])
    at = rows["placement_id"]
    year = local_dates(placements).dt.year
    for _, group in rows.groupby(["species", at.map(placements["method"]), at.map(year)]):
        if len(group) < 2:
            continue
        problem = (
            f"one chance of capture for {len(group)} placements of the year; no standard error"
        )
        caught = [[int(c) for c in text.split(";")] for text in group["catches"]]
        try:
            fits = joint(caught)
            p_value = equal_chance_test(caught)
            if p_value < 0.05:
                problem += (
                    "; the chance of capture differs between placements (likelihood-ratio test, "
                    f"p = {p_value:.2g}): neither number nor interval holds"
                )
        except ThinDataError as thin:
            problem, fits = str(thin), []
        for row, fit in zip_longest(group.to_dict("records"), fits):
            figures = _figures(fit) if fit else {}
            few = sum(int(c) for c in row["catches"].split(";")) < FEW_FISH
            said = problem + (f"; fewer than {FEW_FISH} fish: imprecise" if fit and few else "")
            said += "; no upper limit" if fit and np.isposinf(fit.n_high) else ""
            words = {"estimator": "joint", "problem": said, "se_formula": ""}
            yield {str(name): value for name, value in row.items()} | figures | words


def _unequal_catchability(caught: list[int], n_hat: float, n_high: float) -> Iterator[str]:
    """Say what the catches show, and what they leave open, of a falling chance of capture."""
    p_value = catchability_test(caught)[1]
    if p_value < 0.05:
        yield (
            "the chance of capture differs between the first pass and later ones "
            f"(likelihood-ratio test, p = {p_value:.2g}): the interval does not hold"
        )
    if_falling = number_if_catchability_falls(caught)
    if np.isposinf(n_high) or np.isnan(if_falling) or if_falling < n_hat + 0.1:
        return
    shown = f"about {if_falling:.{1 if if_falling < 100 else 0}f} fish"
    number = shown if np.isfinite(if_falling) else "no finite number"
    yield (
        "if the chance of capture fell by a third from first to last pass, which the catches do "
        f"not rule out: {number}"
    )
