"""Change over years: sites gained and lost, occupancy and catch per effort by year, and trend.

One row per species, place and gear for catch per effort, and one over all gears for occupancy.
The models are those of `layers.estimates.count_trend` and `layers.estimates.dynamic_occupancy`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
import scipy

from layers.errors import ThinDataError
from layers.estimates.catch_rate import counted_catch
from layers.estimates.count_trend import AGREE, change_seen, fit_trend, year_indices
from layers.estimates.dynamic_occupancy import DynamicFit, fit_dynamic
from layers.estimates.seasons import seasons
from layers.fieldwork.effort import EFFORT_UNITS
from layers.fieldwork.looking import detectable, inputs_of
from layers.frames import codes_within, columns_of, reads, typed
from layers.plurals import counted
from layers.totals import ALL

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from layers.estimates.seasons import Days, Seasons, Unit

__all__ = ["Changes", "change"]

_KEYS: Final = ("place", "species", "method", "quantity")
CHANGE_COLUMNS: Final = columns_of(
    (str, " ".join(_KEYS)),
    (int, "units first_year last_year gained lost"),
    (float, "yearly_ratio yearly_ratio_low yearly_ratio_high decline_seen"),
    (str, "estimator words problem"),
)
YEAR_COLUMNS: Final = columns_of(
    (str, " ".join(_KEYS)),
    (int, "year units units_found placements"),
    (float, "value value_low value_high"),
    (str, "value_unit problem"),
)
_FEWEST_FINDS: Final = 3  # below it the gear shares its chance of detection with others like it
# Standard errors from no change at which four of five cases are seen: 1.96 + 0.84.
_SEEN: Final = 2.80
_SELDOM: Final = 0.025  # of either side
_SELDOM_SHOWN: Final = "would show in fewer than 4 of 5 cases"
_LEAST_SHARE: Final = 0.25  # of units looked at again, in the year that change is told from
_NEW_YEAR: Final = (
    "; December and the January after it are two years, unless a season over New Year is stated"
)
_VAGUE: Final = 2.0  # highest over lowest yearly ratio from which on the words give no figure


class Changes(NamedTuple):
    """Change from the first year to the last, and the figures of each year."""

    over_years: pd.DataFrame
    by_year: pd.DataFrame


class _Yearly(NamedTuple):
    """Figures by year with interval and problem, and what is wrong with all other years.

    `own` are the units of the first year, looked at in each and found in, where figures are theirs.
    """

    figures: dict[int, tuple[float, float, float, str]]
    lacking: str
    own: dict[int, tuple[int, int]] | None = None


@dataclass(frozen=True)
class _Work:
    """Placements in visits, one row each: unit and year, effort in the main unit of the gear."""

    seasons: Seasons
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
    place_of: pd.Series | None,
    unit: Unit,
    days: Days | None,
) -> _Work:
    of_units = units.reindex(placements.index)
    season = seasons(placements, of_units, methods, effort, unit=unit, days=days)
    visit = season.visit_of
    whole = counted_catch(placements, catches, effort, methods)
    kept = visit >= 0
    frame = pd.DataFrame(
        {
            "unit": season.unit[visit[kept]],
            "year": season.year[visit[kept]],
            "method": placements.loc[kept, "method"],
            "visit": visit[kept],
            "place": None if place_of is None else place_of.reindex(placements.index)[kept],
            "effort": whole.effort[kept],
            "effort_unit": np.array(whole.units, dtype=object)[whole.method[kept]],
        }
    )
    row = codes_within(catches["placement_id"], frame.index)
    of = row >= 0
    full = species.index[species["rank"].fillna("species") == "species"]
    names = pd.Index(sorted(set(full) & set(catches["species"][of])))
    kind = codes_within(catches["species"], names)
    at = (row[of & (kind >= 0)], kind[of & (kind >= 0)])

    def table(values: npt.ArrayLike) -> pd.DataFrame:
        sums = np.zeros((len(frame), len(names)))
        np.add.at(sums, at, np.asarray(values)[of & (kind >= 0)])
        return pd.DataFrame(sums, frame.index, names)

    return _Work(
        season,
        frame,
        table(whole.number),
        table(whole.number * whole.kept),
        table(whole.lower) > 0,
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
        able = frame["method"].isin(work.can.index[work.can[name]]).to_numpy(bool)
        caught = work.number[name].to_numpy(np.float64)
        for place, inside in places:
            rows = (able | (caught > 0)) & inside
            if caught[rows].any():
                own = frame[rows].assign(able=able[rows], caught=caught[rows])
                own["rated"] = work.rated[name].to_numpy(np.float64)[rows]
                own["bounded"] = work.bounded[name].to_numpy(bool)[rows]
                yield place, str(name), own


def _visits(rows: pd.DataFrame, season: Seasons) -> pd.DataFrame:
    """Visits of gear that can find it: unit, year, kind, effort, whether found, effort known.

    Gears with few finds are taken together; without any they are left out.
    """
    hit = rows[rows["able"]].groupby("visit")["caught"].max() > 0
    at = hit.index.to_numpy(np.int64)
    method = pd.Series(season.method[at], index=hit.index)
    finds = hit.groupby(method).sum()
    kind = method.mask(method.isin(finds.index[finds < _FEWEST_FINDS]), -1)
    columns = {name: getattr(season, name)[at] for name in ("unit", "year", "effort", "known")}
    visits = pd.DataFrame(columns | {"kind": kind.to_numpy(), "found": hit.to_numpy()})
    return visits[visits.groupby("kind")["found"].transform("any")]


def _fit(visits: pd.DataFrame) -> DynamicFit:
    """Fit the dynamic model, in which units first looked at in different years may differ."""
    unit, kind = (pd.factorize(visits[name], sort=True)[0] for name in ("unit", "kind"))
    year = visits["year"] - visits["year"].min()
    return fit_dynamic(unit, year, kind, visits["effort"], visits["found"], apart=True)


def _first_year(visits: pd.DataFrame) -> int:
    """Year that change is told from: the first that looked at enough of the units looked at again.

    A few unlike units of a first trial would else stand for all that came after.
    """
    looked = visits[["unit", "year"]].drop_duplicates()
    again = looked[looked["unit"].duplicated(keep=False)]
    if again.empty:
        return 0  # nothing to tell it from
    share = again.groupby("year").size() / again["unit"].nunique()
    enough = share.index[:-1][share.iloc[:-1] >= _LEAST_SHARE]
    return int(enough[0]) if len(enough) else int(share.index[int(share.iloc[:-1].argmax())])


def _against(
    visits: pd.DataFrame, fit: DynamicFit, first: int
) -> tuple[dict[int, tuple[int, int]], dict[int, str]]:
    """Count units of the first year, and say what their finds in a year say against its trend."""
    kind = pd.factorize(visits["kind"], sort=True)[0]
    log = np.log1p(-np.minimum(fit.detection, 1 - 1e-12))[kind] * visits["effort"]
    own = visits.groupby("unit")["year"].transform("min") == first
    each = visits.assign(log=log)[own].groupby(["year", "unit"]).agg({"log": "sum", "found": "any"})
    each["chance"] = -np.expm1(each["log"])
    years = each.groupby("year").agg(
        units=("found", "size"), hits=("found", "sum"), p=("chance", "mean")
    )
    low, high = (ends[years.index - first] * years["p"] for ends in (fit.low, fit.high))
    few = scipy.special.bdtr(years["hits"], years["units"], low) < _SELDOM
    many = scipy.special.bdtrc(years["hits"] - 1, years["units"], high) < _SELDOM
    odd = few | many
    counts = dict(zip(years.index, zip(years["units"], years["hits"], strict=True), strict=True))
    return counts, {
        int(at): f"the finds of the year do not go with the fitted trend: found in {hits} of "
        f"{units} units, too {'few' if scarce else 'many'} for it"
        for at, units, hits, scarce in zip(
            years.index[odd], years["units"][odd], years["hits"][odd], few[odd], strict=True
        )
    }


def _gained_and_lost(rows: pd.DataFrame) -> tuple[int, int, int]:
    """Units looked at in two years or more; found in the last of them alone, in the first alone."""
    by_year = rows.groupby(["unit", "year"])["caught"].max().gt(0).reset_index()
    ends = by_year.groupby("unit")["caught"].agg(["first", "last", "size"])
    ends = ends[ends["size"] > 1]
    gained = (~ends["first"] & ends["last"]).sum()
    return len(ends), int(gained), int((ends["first"] & ~ends["last"]).sum())


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
    place_of: pd.Series | None = None,
    unit: Unit = "site",
    days: Days | None = None,
) -> Changes:
    """Estimate how species changed from the first year to the last, and the figures of each year.

    Parameters
    ----------
    units
        Site or reach of each placement; missing = left out.
    place_of
        Catchment or stream of each placement, for rows beside those of place `all`, if wanted.
    unit
        What `units` are.
    days
        First and last day of each year's season, as for `layers.estimates.seasons.seasons`.

    Returns
    -------
    Changes
        `over_years` has columns `CHANGE_COLUMNS`. `quantity` is `occupancy` (all gears together,
        method `all`) or `catch_rate` (one gear). `gained` and `lost` count units looked at in two
        years or more where it was found in the last of them and not in the first, or the other
        way round; not corrected for what was missed. `yearly_ratio` is that of occupancy or catch
        per effort from one year to the next. `decline_seen` is the smallest fall from first to
        last year that the effort would have shown in four of five cases: by seeded simulation for
        catch rates (`count_trend.change_seen`), by the standard error for occupancy. A find by
        gear that is not listed for the species counts in `gained`, `lost` and `units_found` alone.

        Of occupancy it is that of units like those looked at in the first year in which a quarter
        of the units looked at again were looked at; others tell of what units become
        (`dynamic_occupancy`, `apart`).

        `by_year` has columns `YEAR_COLUMNS`. `value` of `occupancy` is that year's share of them
        by the trend of the dynamic model, not of that year's finds alone, `units` and
        `units_found` beside it are theirs, and `problem` says where these contradict it; of
        `catch_rate` catch per effort over that of the first year, within units fished in both.

    Notes
    -----
    Species with a find alone have rows. What is good or bad in one year everywhere counts as
    change: five years tell little of it.
    """
    work = _work(placements, catches, effort, species, methods, units, place_of, unit, days)
    table: list[dict[str, Any]] = []
    yearly: list[dict[str, Any]] = []
    for place, name, rows in _parts(work):
        groups = [(ALL, rows)]
        groups += [
            (str(method), own)
            for method, own in rows.groupby("method")
            if own["able"].all() and own["caught"].any()
        ]
        for method, own in groups:
            quantity = "occupancy" if method == ALL else "catch_rate"
            keys = dict(zip(_KEYS, (place, name, method, quantity), strict=True))
            row, years = (
                _occupancy_change(own, work.seasons) if method == ALL else _rate_change(own)
            )
            counts = dict(zip(("units", "gained", "lost"), _gained_and_lost(own), strict=True))
            table.append(keys | counts | _years(own) | row)
            yearly += [keys | one for one in _by_year(own, quantity, years)]
    for row in table:
        row["words"] = _words(row)
    frames = Changes(typed(table, CHANGE_COLUMNS), typed(yearly, YEAR_COLUMNS))
    for frame in frames:
        frame.attrs["inputs"] = _inputs(placements, work, days)
    return frames


def _inputs(placements: pd.DataFrame, work: _Work, days: Days | None) -> dict[str, object]:
    month = work.seasons.date.astype("datetime64[M]").astype(np.int64)
    cut = days is None and np.isin(month[month % 12 == 11] + 1, month).any()
    return inputs_of(
        placements,
        work.seasons.visit_of >= 0,
        work.seasons.left_out,
        seed=1,
        interval="profile likelihood for occupancy, jackknife over sites for catch rates, 95 %",
        assumes="units stay occupied or empty within a year; chances of colonisation, loss and "
        "detection at usual effort and the yearly ratio are the same in all units and years; "
        "effort is of like kind in all years; what is good or bad in one year everywhere counts "
        "as change" + (_NEW_YEAR if cut else ""),
    )


def _years(rows: pd.DataFrame) -> dict[str, int]:
    """First and last year of gear that can find it, else of its finds."""
    year = rows.loc[rows["able"] | (not rows["able"].any()), "year"]
    return {"first_year": int(year.min()), "last_year": int(year.max())}


def _occupancy_change(rows: pd.DataFrame, season: Seasons) -> tuple[dict[str, Any], _Yearly]:
    visits = _visits(rows, season)
    first = _first_year(visits)
    earlier = int((visits.groupby("unit")["year"].min() < first).sum())
    visits = visits[visits["year"] >= first]
    try:
        fit = _fit(visits)
    except ThinDataError as thin:
        again = _gained_and_lost(rows[rows["able"]])
        return {"problem": str(thin), "again": again}, _Yearly({}, str(thin))
    began = visits.groupby("unit")["year"].min()
    last = int(visits["year"].max())
    unknown = int((~visits["known"]).sum())
    said = [f"effort of {counted(unknown, 'visit')} not known, taken as usual"] if unknown else []
    if np.isposinf(fit.growth_high):
        said.insert(0, f"no upper limit: the share of {first} may be 0")
    if earlier:
        few = counted(earlier, "unit")
        said.append(f"told from {first}: only {few} had been looked at before it")
    known, gained, lost = _gained_and_lost(rows[rows["year"] >= first])
    less, more = _share_of_losses(gained, lost)
    if (less > 0.5 and fit.growth_high >= 1) or (more < 0.5 and fit.growth_low <= 1):
        said.append(
            f"from {first} on {lost} of {known} units lost it and {gained} gained it, "
            "which the ratio does not show"
        )
    own, against = _against(visits, fit, first)
    lacking = "by gear alone that never found it, or is not listed for it"
    if earlier:
        lacking = f"before {first}, or {lacking}"
    figures = {
        year: (*triple, against.get(year, ""))
        for year, triple in enumerate(
            np.column_stack([fit.occupancy, fit.low, fit.high]).tolist(), first
        )
    }
    return {
        "first_year": first,
        "last_year": last,
        "yearly_ratio": fit.growth,
        "yearly_ratio_low": fit.growth_low,
        "yearly_ratio_high": fit.growth_high if np.isfinite(fit.growth_high) else np.nan,
        "decline_seen": -np.expm1(-_SEEN * fit.growth_se * (last - first)),
        "from_first": int((began == first).sum()) if earlier or began.nunique() > 1 else 0,
        "estimator": fit.estimator,
        "problem": "; ".join(said),
    }, _Yearly(figures, lacking, own)


def _rate_change(rows: pd.DataFrame) -> tuple[dict[str, Any], _Yearly]:
    known = rows[rows["able"] & (rows["effort"] > 0)]
    words = "counts of 'at least' taken as exact" if known["bounded"].any() else ""
    counts, effort = known[["rated", "effort"]].to_numpy(np.float64).T
    unit, year = pd.factorize(known["unit"])[0], known["year"].to_numpy(np.int64)
    yearly = _Yearly(year_indices(counts, effort, unit, year), "no known effort in this year")
    try:
        fit = fit_trend(counts, effort, unit, year)
    except ThinDataError as thin:
        return {"problem": str(thin)}, yearly
    first, last = _years(rows).values()
    seen = change_seen(counts, effort, unit, year, span=last - first)
    shown = fit.high < 1 or fit.low > 1
    unseen = "" if shown or seen == seen else f"a fall by 90 % {_SELDOM_SHOWN}"
    agree = AGREE if np.isnan(fit.low) else ""
    return {
        "yearly_ratio": fit.ratio,
        "yearly_ratio_low": fit.low,
        "yearly_ratio_high": fit.high,
        "decline_seen": seen,
        "sites": fit.sites,
        "estimator": "conditional_poisson",
        "problem": "; ".join(filter(None, (words, agree, unseen))),
    }, yearly


def _words(row: dict[str, Any]) -> str:
    """Say a row in a sentence or two: what is seen, and what could not have been."""
    if "yearly_ratio" not in row:
        return _changed(*row["again"]) if "again" in row else ""
    ratio, low, high = (row[f"yearly_ratio{end}"] for end in ("", "_low", "_high"))
    high = np.inf if np.isnan(high) else high
    what = "Occupancy" if row["quantity"] == "occupancy" else "Catch per effort"
    if from_first := row.get("from_first"):
        what += f" of {counted(from_first, 'unit')} looked at in {row['first_year']:.0f}"
    units = counted(row["units"], "unit")
    if from_first and from_first != row["units"]:
        units = f"{from_first} units; {row['units']} looked at again tell what units become"
    if row.get("sites", row["units"]) < row["units"]:
        units += f", {row['sites']} of them with effort and a catch in them"
    if np.isnan(low):
        return f"{what}: {_per_cent(ratio)} % a year, and its interval is not known ({units})."
    if not low <= 1 <= high:
        fell = "fell" if ratio < 1 else "rose"
        return f"{what} {fell}: {_span(low, high)} (95 %, {units})."
    unknown = high > _VAGUE * low
    said = f"{what}: {'how it changed is not known' if unknown else 'no change shown'}"
    if low > 0 or np.isfinite(high):
        said += f",{' anything from' if unknown else ''} {_span(low, high)}"
    said += f" (95 %, {units})."
    seen = row["decline_seen"]
    span = f"from {row['first_year']:.0f} to {row['last_year']:.0f}"
    if seen < 0.995:
        least = f"A fall of less than about {100 * seen:.0f} % {span}"
        return f"{said} {least} would be missed in more than one case in five."
    most = 90 if np.isnan(seen) else 99
    return f"{said} A fall by {most} % {span} {_SELDOM_SHOWN}."


def _changed(units: int, gained: int, lost: int) -> str:
    """Say what units looked at again tell without a model."""
    if not gained + lost:
        return ""
    low, high = _share_of_losses(gained, lost)
    return (
        f"Of {counted(units, 'unit')} looked at again {lost} lost and {gained} gained it, as far "
        f"as seen: {100 * low:.0f} to {100 * high:.0f} % of such changes are losses (95 %), and "
        "half of them where it neither falls nor rises."
    )


def _share_of_losses(gained: int, lost: int) -> tuple[float, float]:
    """Bound the share of losses among units that changed: exact 95 % interval.

    Clopper and Pearson 1934, Biometrika 26:404-413, from memory.
    """
    low = scipy.special.betaincinv(lost, gained + 1, 0.025) if lost else 0.0
    return float(low), float(scipy.special.betaincinv(lost + 1, gained, 0.975) if gained else 1.0)


def _span(low: float, high: float) -> str:
    if np.isposinf(high):
        return f"{_per_cent(low)} % a year upwards"
    return f"{_per_cent(low)} to {_per_cent(high)} % a year"


def _per_cent(ratio: float) -> str:
    """Say a yearly ratio in whole per cent; below one half with one digit that is not 0."""
    change = 100 * (ratio - 1)
    return f"{change:+.0f}" if abs(change) >= 0.5 else f"{change:+.1g}" if change else "0"


def _by_year(rows: pd.DataFrame, quantity: str, yearly: _Yearly) -> Iterator[dict[str, Any]]:
    per_unit = rows.groupby(["year", "unit"])["caught"].max().gt(0).groupby("year")
    seen = per_unit.agg(["size", "sum"])
    effort_unit = rows["effort_unit"].iloc[0]
    cpue = EFFORT_UNITS[effort_unit].cpue_unit if effort_unit in EFFORT_UNITS else ""
    for year, looked in zip(seen.index.astype(int), seen.to_numpy(), strict=True):
        own = None if year not in yearly.figures else yearly.own
        units, hits = looked if own is None else own.get(year, (0, 0))
        value, low, high, problem = yearly.figures.get(
            year, (np.nan, np.nan, np.nan, yearly.lacking)
        )
        yield {
            "year": year,
            "units": int(units),
            "units_found": int(hits),
            "placements": int((rows["year"] == year).sum()),
            "value": value,
            "value_low": low,
            "value_high": high,
            "value_unit": "occupancy of units like those looked at in the first year that has a "
            "value, by the fitted trend"
            if quantity == "occupancy"
            else f"{cpue}, first year = 1",
            "problem": problem,
        }
