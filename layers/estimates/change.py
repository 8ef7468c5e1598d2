"""Change over years: sites gained and lost, occupancy and catch per effort by year, and trend.

One row per species, place and gear for catch per effort, and one over all gears for occupancy.
The models are those of `layers.estimates.count_trend` and `layers.estimates.dynamic_occupancy`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.errors import ThinDataError
from layers.estimates.catch_rate import counted_catch
from layers.estimates.count_trend import change_seen, fit_trend, year_indices
from layers.estimates.dynamic_occupancy import fit_dynamic
from layers.fieldwork.effort import EFFORT_UNITS
from layers.fieldwork.looking import (
    detectable,
    inputs_of,
    left_out_by_outcome,
    local_dates,
    looked,
)
from layers.frames import codes_within, reads
from layers.totals import ALL

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]

__all__ = ["CHANGE_COLUMNS", "YEAR_COLUMNS", "change", "change_by_year"]

_KEYS: Final = ("place", "species", "method", "quantity")
CHANGE_COLUMNS: Final = (
    *_KEYS,
    "units",
    "first_year",
    "last_year",
    "gained",
    "lost",
    "yearly_ratio",
    "yearly_ratio_low",
    "yearly_ratio_high",
    "decline_seen",
    "estimator",
    "words",
    "problem",
)
YEAR_COLUMNS: Final = (
    *_KEYS,
    "year",
    "units",
    "units_found",
    "placements",
    "value",
    "value_low",
    "value_high",
    "value_unit",
    "problem",
)
_FEWEST_FINDS: Final = 3  # below it the gear shares its chance of detection with others like it
# Standard errors from no change at which four of five cases are seen: 1.96 + 0.84.
_SEEN: Final = 2.80


@dataclass(frozen=True)
class _Work:
    """Placements that looked, one row each: unit and year, effort in the main unit of the gear."""

    frame: pd.DataFrame  # unit, year, method, visit, place, effort, effort_unit
    number: pd.DataFrame  # of fish, placements by species
    rated: pd.DataFrame  # of those that go with the effort
    bounded: pd.DataFrame  # whether at least so many
    can: pd.DataFrame  # methods by species


def _work(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    effort: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    units: pd.Series,
    place_of: pd.Series,
) -> _Work:
    local = local_dates(placements)
    frame = pd.DataFrame(
        {
            "unit": units.reindex(placements.index),
            "year": local.dt.year,
            "method": placements["method"],
            "date": local,
            "place": place_of.reindex(placements.index),
        }
    )
    whole = counted_catch(placements, catches, effort, methods)
    frame["effort"] = whole.effort
    frame["effort_unit"] = np.array(whole.units, dtype=object)[whole.method]
    kept = looked(placements) & frame["unit"].notna().to_numpy() & local.notna().to_numpy()
    frame = frame[kept].astype({"year": "int64"})
    frame["visit"] = frame.groupby(["unit", "method", "date"], sort=False).ngroup()
    row = codes_within(catches["placement_id"], frame.index)
    of = row >= 0
    long = pd.DataFrame(
        {
            "row": row[of],
            "species": catches["species"].to_numpy(object)[of],
            "number": whole.number[of],
            "lower": whole.lower[of] * 1.0,
            "kept": whole.kept[of],
        }
    )
    full = species.index[species["rank"].fillna("species") == "species"]
    names = pd.Index(sorted(set(full) & set(long["species"])))

    def table(values: pd.Series) -> pd.DataFrame:
        sums = values.groupby([long["row"], long["species"]]).sum().unstack(fill_value=0)
        wide = pd.DataFrame(sums).reindex(index=range(len(frame)), columns=names, fill_value=0)
        return wide.set_axis(frame.index)

    return _Work(
        frame,
        table(long["number"]),
        table(long["number"].where(long["kept"], 0.0)),
        table(long["lower"]) > 0,
        detectable(species, methods).T,
    )


def _parts(work: _Work) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Rows of each place and species that looked for it or caught it, with what they caught.

    `able` marks gear that can find it. A find by other gear is a find; but since such gear counts
    only where it found something, it would make shares and chances too high.
    """
    frame = work.frame
    places = [(ALL, np.ones(len(frame), dtype=bool))]
    places += [
        (str(name), (frame["place"] == name).to_numpy())
        for name in sorted(frame["place"].dropna().unique())
    ]
    for name in work.number.columns:
        able = frame["method"].map(work.can[name]).fillna(False).to_numpy(bool)
        caught = work.number[name].to_numpy(np.float64)
        for place, inside in places:
            rows = (able | (caught > 0)) & inside
            if caught[rows].any():
                yield (
                    place,
                    str(name),
                    frame[rows].assign(
                        able=able[rows],
                        caught=caught[rows],
                        rated=work.rated[name].to_numpy(np.float64)[rows],
                        bounded=work.bounded[name].to_numpy(bool)[rows],
                    ),
                )


def _visits(rows: pd.DataFrame) -> tuple[Floats, Floats, list[str]]:
    """Visits with a find and all, units by years by gears; gears without a find are left out."""
    by_visit = (
        rows[rows["able"]]
        .groupby("visit")
        .agg(
            unit=("unit", "first"),
            year=("year", "first"),
            method=("method", "first"),
            hit=("caught", "max"),
        )
    )
    by_visit["hit"] = by_visit["hit"] > 0
    finds = by_visit.groupby("method")["hit"].sum()
    few = finds.index[(finds < _FEWEST_FINDS)]
    gear = by_visit["method"].mask(by_visit["method"].isin(few), "others")
    pooled = by_visit["hit"].groupby(gear).sum()
    by_visit = by_visit.assign(gear=gear)[gear.map(pooled) > 0]
    unit, units = pd.factorize(by_visit["unit"])
    gears = sorted(by_visit["gear"].unique())
    first, last = _years(rows).values()
    years = np.arange(first, last + 1)
    at = (
        unit,
        by_visit["year"].to_numpy() - years[0],
        by_visit["gear"].map(gears.index).to_numpy(),
    )
    tried = np.zeros((len(units), len(years), len(gears)))
    found = np.zeros_like(tried)
    np.add.at(tried, at, 1.0)
    np.add.at(found, at, by_visit["hit"].to_numpy(np.float64))
    return found, tried, gears


def _gained_and_lost(rows: pd.DataFrame) -> tuple[int, int, int]:
    """Units looked at in two years or more; found in the last of them alone, in the first alone."""
    by_year = rows.groupby(["unit", "year"])["caught"].max().gt(0).reset_index()
    ends = by_year.groupby("unit")["caught"].agg(["first", "last", "size"])
    ends = ends[ends["size"] > 1]
    gained = (~ends["first"] & ends["last"]).sum()
    return len(ends), int(gained), int((ends["first"] & ~ends["last"]).sum())


def _of_gear(rows: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Rows of gear that can find it with known effort, and what is wrong with their counts."""
    known = rows[rows["able"] & (rows["effort"] > 0)]
    words = "counts of 'at least' taken as exact" if known["bounded"].any() else ""
    return known, words


def _codes(
    rows: pd.DataFrame,
) -> tuple[Floats, Floats, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    return (
        rows["rated"].to_numpy(np.float64),
        rows["effort"].to_numpy(np.float64),
        np.asarray(pd.factorize(rows["unit"])[0], dtype=np.int64),
        rows["year"].to_numpy(np.int64),
    )


@reads(
    "effort",
    "species",
    "methods",
    placements="placement_id method outcome passes set_at timezone",
    catches="placement_id species count count_kind pass_no",
)
def change(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    effort: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    units: pd.Series,
    place_of: pd.Series,
) -> pd.DataFrame:
    """Estimate how species changed from the first year to the last.

    Parameters
    ----------
    placements, catches, effort, species, methods
        Frames of these kinds (`layers.frames`).
    units
        Site or reach of each placement; missing = left out.
    place_of
        Catchment or stream of each placement, for rows beside those of place `all`.

    Returns
    -------
    DataFrame
        Columns `CHANGE_COLUMNS`. `quantity` is `occupancy` (all gears together, method `all`) or
        `catch_rate` (one gear). `gained` and `lost` count units looked at in two years or more
        where it was found in the last of them and not in the first, or the other way round; not
        corrected for what was missed. `yearly_ratio` is that of occupancy or catch per effort
        from one year to the next. `decline_seen` is the smallest fall from first to last year
        that the effort would have shown in four of five cases: by seeded simulation for catch
        rates (`count_trend.change_seen`), by the standard error for occupancy. A find by gear
        that is not listed for the species counts in `gained`, `lost` and `units_found` alone.

    Notes
    -----
    Species with a find alone have rows. What is good or bad in one year everywhere counts as
    change: five years tell little of it.
    """
    work = _work(placements, catches, effort, species, methods, units, place_of)
    table: list[dict[str, Any]] = []
    for place, name, rows in _parts(work):
        revisited, gained, lost = _gained_and_lost(rows)
        shared = {"place": place, "species": name}
        table.append(
            shared
            | {"method": ALL, "quantity": "occupancy", "units": revisited, "gained": gained}
            | {"lost": lost}
            | _years(rows)
            | _occupancy_change(rows)
        )
        for method, own in rows.groupby("method"):
            if own["able"].all() and own["caught"].any():
                table.append(
                    shared
                    | {"method": method, "quantity": "catch_rate"}
                    | dict(zip(("units", "gained", "lost"), _gained_and_lost(own), strict=True))
                    | _years(own)
                    | _rate_change(own)
                )
    frame = pd.DataFrame(table, columns=list(CHANGE_COLUMNS))
    frame["words"] = [_words(row) for row in table]
    numbers = ["yearly_ratio", "yearly_ratio_low", "yearly_ratio_high", "decline_seen"]
    whole = ["units", "first_year", "last_year", "gained", "lost"]
    texts = [*_KEYS, "estimator", "words", "problem"]
    frame = (
        frame.astype({"estimator": object})
        .fillna({"estimator": ""})
        .astype(
            dict.fromkeys(numbers, "float64")
            | dict.fromkeys(whole, "int64")
            | dict.fromkeys(texts, "str")
        )
    )
    frame.attrs["inputs"] = _inputs(placements, work)
    return frame


def _inputs(placements: pd.DataFrame, work: _Work) -> dict[str, object]:
    used = placements.index.isin(work.frame.index)
    left_out = left_out_by_outcome(placements)
    left_out["without a unit or a date"] = int((looked(placements) & ~used).sum())
    return inputs_of(
        placements,
        used,
        left_out,
        seed=1,
        assumes="units stay occupied or empty within a year; chances of colonisation, loss and "
        "detection and the yearly ratio are the same in all units and years; effort is of like "
        "kind in all years; what is good or bad in one year everywhere counts as change",
    )


def _years(rows: pd.DataFrame) -> dict[str, int]:
    """First and last year of gear that can find it, else of its finds."""
    year = rows.loc[rows["able"] | (not rows["able"].any()), "year"]
    return {"first_year": int(year.min()), "last_year": int(year.max())}


def _occupancy_change(rows: pd.DataFrame) -> dict[str, Any]:
    found, tried, _ = _visits(rows)
    try:
        fit = fit_dynamic(found, tried)
    except ThinDataError as thin:
        return {"problem": str(thin)}
    span = found.shape[1] - 1
    return {
        "yearly_ratio": fit.growth,
        "yearly_ratio_low": fit.growth_low,
        "yearly_ratio_high": fit.growth_high,
        "decline_seen": -np.expm1(-_SEEN * fit.growth_se * span),
        "estimator": fit.estimator,
        "problem": "",
    }


def _rate_change(rows: pd.DataFrame) -> dict[str, Any]:
    known, words = _of_gear(rows)
    counts, effort, unit, year = _codes(known)
    try:
        fit = fit_trend(counts, effort, unit, year)
    except ThinDataError as thin:
        return {"problem": str(thin)}
    first, last = _years(rows).values()
    seen = change_seen(counts, effort, unit, year, span=last - first)
    unseen = "" if seen == seen else "not even a fall by 90 % would have shown"
    return {
        "yearly_ratio": fit.ratio,
        "yearly_ratio_low": fit.low,
        "yearly_ratio_high": fit.high,
        "decline_seen": seen,
        "sites": fit.sites,
        "estimator": "conditional_poisson",
        "problem": "; ".join(filter(None, (words, unseen))),
    }


def _words(row: dict[str, Any]) -> str:
    """Say a row in a sentence or two: what is seen, and what could not have been."""
    if "yearly_ratio" not in row:
        return ""
    ratio, low, high = (row[f"yearly_ratio{end}"] for end in ("", "_low", "_high"))
    what = "Occupancy" if row["quantity"] == "occupancy" else "Catch per effort"
    of_sites = f", {row['sites']} sites" if "sites" in row else ""
    interval = f"{100 * (low - 1):+.0f} to {100 * (high - 1):+.0f} % a year (95 %{of_sites})"
    if low <= 1 <= high:
        said = f"{what}: no change shown, {interval}."
    else:
        said = f"{what} {'fell' if ratio < 1 else 'rose'}: {interval}."
    seen, span = row["decline_seen"], f"{row['first_year']:.0f} to {row['last_year']:.0f}"
    if seen < 0.995:
        return f"{said} A fall of less than {100 * seen:.0f} % from {span} would mostly not show."
    return f"{said} Hardly any fall from {span} would have shown with this effort."


@reads(
    "effort",
    "species",
    "methods",
    placements="placement_id method outcome passes set_at timezone",
    catches="placement_id species count count_kind pass_no",
)
def change_by_year(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    effort: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    units: pd.Series,
    place_of: pd.Series,
) -> pd.DataFrame:
    """Give occupancy and catch per effort of each year; parameters as of `change`.

    Returns
    -------
    DataFrame
        Columns `YEAR_COLUMNS`. `value` of `occupancy` is the share of units of the dynamic model;
        of `catch_rate` catch per effort over that of the first year, within units fished in both.
    """
    work = _work(placements, catches, effort, species, methods, units, place_of)
    table: list[dict[str, Any]] = []
    for place, name, rows in _parts(work):
        groups = [(ALL, "occupancy", rows)]
        groups += [
            (str(method), "catch_rate", own)
            for method, own in rows.groupby("method")
            if own["able"].all() and own["caught"].any()
        ]
        for method, quantity, own in groups:
            values, lacking = _yearly(own, quantity)
            per_unit = own.groupby(["year", "unit"])["caught"].max().gt(0).groupby("year")
            seen = per_unit.agg(["size", "sum"])
            for year, (units_there, hits) in zip(seen.index, seen.to_numpy(), strict=True):
                *value, problem = values.get(int(year), (*[np.nan] * 3, lacking))
                unit = own["effort_unit"].iloc[0]
                cpue = EFFORT_UNITS[unit].cpue_unit if unit in EFFORT_UNITS else ""
                table.append(
                    dict(zip(_KEYS, (place, name, method, quantity), strict=True))
                    | {"year": int(year), "units": int(units_there), "units_found": int(hits)}
                    | {"placements": int((own["year"] == year).sum())}
                    | dict(zip(("value", "value_low", "value_high"), value, strict=True))
                    | {
                        "value_unit": "share of units"
                        if quantity == "occupancy"
                        else f"{cpue}, first year = 1",
                        "problem": problem,
                    }
                )
    frame = pd.DataFrame(table, columns=list(YEAR_COLUMNS))
    numbers = dict.fromkeys(["value", "value_low", "value_high"], "float64")
    whole = dict.fromkeys(["year", "units", "units_found", "placements"], "int64")
    texts = dict.fromkeys([*_KEYS, "value_unit", "problem"], "str")
    frame = frame.astype(numbers | whole | texts)
    frame.attrs["inputs"] = _inputs(placements, work)
    return frame


def _yearly(
    rows: pd.DataFrame, quantity: str
) -> tuple[dict[int, tuple[float, float, float, str]], str]:
    """Figures by year, each with its problem, and what is wrong with all other years."""
    if quantity == "catch_rate":
        known, _ = _of_gear(rows)
        return year_indices(*_codes(known)), "no known effort in this year"
    found, tried, _ = _visits(rows)
    try:
        fit = fit_dynamic(found, tried)
    except ThinDataError as thin:
        return {}, str(thin)
    triples = zip(fit.occupancy.tolist(), fit.low.tolist(), fit.high.tolist(), strict=True)
    figures = {
        year: (*triple, "") for year, triple in enumerate(triples, _years(rows)["first_year"])
    }
    return figures, "found by gear alone that is not listed for it"
