"""How often each method finds a species that is there, and what a nil is worth.

Units are reaches or sites with repeated placements in one season; `layers.estimates.occupancy` has
the model. Where the records cannot carry it the figures are missing and `problem` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from layers.errors import FrameError, ThinDataError
from layers.estimates.occupancy import (
    LEAST_UNITS,
    NOBODY,
    OccupancyFit,
    chance_missed,
    fit_occupancy,
    placements_until,
)
from layers.fieldwork.looking import (
    catch_numbers,
    detectable,
    inputs_of,
    left_out_by_outcome,
    local_dates,
    looked,
    nested_catchments,
)
from layers.frames import check_frame, codes_of, codes_within, reads
from layers.plurals import counted, plural

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]
    Floats = npt.NDArray[np.float64]
    Bools = npt.NDArray[np.bool_]

__all__ = ["CHANCE_COLUMNS", "DETECTION_COLUMNS", "chance_missed_by_catchment", "detection"]

Unit = Literal["reach", "site"]

DETECTION_COLUMNS: Final = (
    "species",
    "method",
    "units",
    "placements",
    "occupancy",
    "occupancy_se",
    "detection",
    "detection_se",
    "chance_missed",
    "more_placements",
    "problem",
)
CHANCE_COLUMNS: Final = (
    "catchment",
    "species",
    "method",
    "units",
    "units_found",
    "placements",
    "chance_missed",
    "more_placements",
    "problem",
)
_ASSUMES: Final = (
    "one season: a unit stays occupied or empty through it; placements independent; "
    "no misidentification"
)


@dataclass(frozen=True)
class _Season:
    """The placements of the season in numbers."""

    used: Bools  # of all placements
    rows: Ints  # rows of the used ones
    unit: Ints
    method: Ints
    can: Bools  # species x methods
    caught: pd.DataFrame  # distinct row, species number
    years: list[int]
    left_out: dict[str, int]


@dataclass(frozen=True)
class _Tried:
    """One species: finds and placements by unit and method, and what the model made of it."""

    columns: Ints  # numbers of the methods that looked for it
    found: Floats  # units x columns
    tried: Floats
    finds_by: Floats  # chance of one placement to find it, by column; NaN = not known
    fit: OccupancyFit | None
    problem: str
    problems: dict[int, str]  # by column, where one method alone has one


@reads("placements", "catches", "snaps", "species", "methods")
def detection(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    snaps: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    unit: Unit = "reach",
    years: Collection[int] | None = None,
    chance: float = 0.05,
) -> pd.DataFrame:
    """Occupancy and detection by species and method, from units with repeated placements.

    Parameters
    ----------
    placements, catches, snaps, species, methods
        Frames of these kinds (`layers.frames`). Species of another rank are left out.
    unit
        `reach` or `site`; placements without it are left out.
    years
        Local years that make up the season; without it the latest year in which enough
        units were visited twice, or else the latest of all. Several years are taken as one
        closed season: choose them only if that is true.
    chance
        Chance of presence that `more_placements` brings it down to.

    Returns
    -------
    DataFrame
        Columns `DETECTION_COLUMNS`, one row per species and method that could detect it and
        was used. `units` looked at for the species and `placements` of the method; the model
        goes by the units that a method visited which found it, and where it is refused
        `problem` says of how many;
        `chance_missed`, the mean over units without a find of the chance that the species
        is there all the same; `more_placements`, how many further placements of the method
        in each such unit, all nil, bring that to `chance` or less. Figures are missing where
        `problem` says why. `attrs["inputs"]` states season and assumptions.

    Raises
    ------
    FrameError
        A column is missing, `unit` is unknown, or a method or species is not in its list.
    """
    season = _season(placements, catches, snaps, species, methods, unit, years)
    rows: list[dict[str, object]] = []
    for name, tried in _each_species(season, species):
        unseen = tried.found.sum(axis=1) == 0
        missed = _missed(tried, tried.tried)[unseen]
        if not tried.columns.size:
            rows.append(_nobody(name))
        for j, column in enumerate(tried.columns):
            row: dict[str, object] = {
                "species": name,
                "method": methods.index[column],
                "units": len(tried.found),
                "placements": int(tried.tried[:, j].sum()),
                "problem": tried.problem or tried.problems.get(j, ""),
            }
            if tried.fit is not None:
                row |= {
                    "occupancy": tried.fit.occupancy,
                    "occupancy_se": tried.fit.occupancy_se,
                    "chance_missed": chance_missed(tried.fit.occupancy, missed, together=False),
                }
            at = _fitted_column(tried, j)
            if tried.fit is not None and at is not None:
                row |= {
                    "detection": tried.fit.detection[at],
                    "detection_se": tried.fit.detection_se[at],
                    "more_placements": placements_until(
                        tried.fit.occupancy,
                        missed,
                        tried.fit.detection[at],
                        chance=chance,
                        together=False,
                    ),
                }
            rows.append(row)
    frame = _typed(rows, DETECTION_COLUMNS)
    frame.attrs["inputs"] = inputs_of(
        placements, season.used, season.left_out, unit=unit, season=season.years, assumes=_ASSUMES
    )
    return frame


@reads("placements", "catches", "snaps", "species", "methods", "ancestors")
def chance_missed_by_catchment(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    snaps: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
    unit: Unit = "reach",
    years: Collection[int] | None = None,
    chance: float = 0.05,
) -> pd.DataFrame:
    """Chance that a species lives in a catchment's visited units though nobody found it there.

    Occupancy and detection are fitted over all units, as in `detection`, then applied to
    each catchment's own placements. A reach that lies in two catchments is a unit in each.

    Parameters
    ----------
    placements, catches, snaps, species, methods, unit, years, chance
        As for `detection`.
    catchment_of
        Smallest catchment of each placement; missing = outside all.
    ancestors
        Frame of this kind (`layers.frames`).

    Returns
    -------
    DataFrame
        Columns `CHANCE_COLUMNS`, one row per catchment, species and method fitted.
        `chance_missed`, the chance that the species lives in at least one visited unit: 0 is
        never given, it is missing where the species was found or nobody looked, as
        `problem` says. `more_placements` of the method, over all those units evenly, bring it
        to `chance` or less. Units nobody visited are not spoken for.
    """
    season = _season(placements, catches, snaps, species, methods, unit, years)
    names, inner, outer = nested_catchments(ancestors)
    home = codes_within(catchment_of.reindex(placements.index), names)[season.rows]
    rows: list[dict[str, object]] = []
    members = [np.isin(home, inner[outer == c]) for c in range(len(names))]
    for (name, tried), number in zip(
        _each_species(season, species), _species_rows(species), strict=True
    ):
        for c, catchment in enumerate(names):
            found, looks = _by_unit(season, int(number), tried.columns, members[c])
            unseen = found.sum(axis=1) == 0
            missed = _missed(tried, looks)[unseen]
            problem = f"over all catchments: {tried.problem}" if tried.problem else ""
            if not tried.columns.size:
                rows.append({"catchment": catchment, "units_found": 0} | _nobody(name))
            if not len(looks):
                problem = NOBODY
            elif not unseen.all():
                problem = "found"
            for j, column in enumerate(tried.columns):
                row: dict[str, object] = {
                    "catchment": catchment,
                    "species": name,
                    "method": methods.index[column],
                    "units": len(looks),
                    "units_found": int((~unseen).sum()),
                    "placements": int(looks[:, j].sum()),
                    "problem": problem or tried.problems.get(j, ""),
                }
                if tried.fit is not None and not problem:
                    row["chance_missed"] = chance_missed(tried.fit.occupancy, missed, together=True)
                    at = _fitted_column(tried, j)
                    if at is not None:
                        each = placements_until(
                            tried.fit.occupancy,
                            missed,
                            tried.fit.detection[at],
                            chance=chance,
                            together=True,
                        )
                        row["more_placements"] = None if each is None else each * len(missed)
                rows.append(row)
    frame = _typed(rows, CHANCE_COLUMNS)
    frame.attrs["inputs"] = inputs_of(
        placements, season.used, season.left_out, unit=unit, season=season.years, assumes=_ASSUMES
    )
    return frame


def _nobody(species: str) -> dict[str, object]:
    """Fill the row of a species that no placement of the season could have found."""
    return {"species": species, "method": "", "units": 0, "placements": 0, "problem": NOBODY}


def _season(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    snaps: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    unit: Unit,
    years: Collection[int] | None,
) -> _Season:
    if unit == "reach":
        units = snaps["reach_id"].reindex(placements.index)
    elif unit == "site":
        check_frame("placements", placements, ("site",))
        units = placements["site"]
    else:
        raise FrameError(f"Unit {unit!r} is unknown; choose reach or site.")
    fished = looked(placements)
    year = local_dates(placements).dt.year
    chosen = sorted(set(years)) if years is not None else _latest_repeated(year, units, fished)
    within = year.isin(chosen).to_numpy(dtype=bool)
    placed = units.notna().to_numpy(dtype=bool)
    used = fished & within & placed
    rows = np.flatnonzero(used)
    at = codes_within(catches["placement_id"], placements.index)
    kinds = codes_of(catches["species"], species.index, "Species")
    number, _ = catch_numbers(catches)
    keep = (at >= 0) & (number > 0)
    left_out = left_out_by_outcome(placements)
    left_out["another season"] = int((fished & ~within).sum())
    left_out[f"no {unit}"] = int((fished & within & ~placed).sum())
    place = np.full(len(placements), -1)
    place[rows] = np.arange(rows.size)
    caught = pd.DataFrame({"row": place[at[keep]], "species": kinds[keep]}).drop_duplicates()
    return _Season(
        used=used,
        rows=rows,
        unit=np.asarray(pd.factorize(units.iloc[rows])[0], dtype=np.int64),
        method=codes_of(placements["method"], methods.index, "Method")[rows],
        can=detectable(species, methods).to_numpy(dtype=bool),
        caught=caught[caught["row"] >= 0],
        years=chosen,
        left_out=left_out,
    )


def _latest_repeated(year: pd.Series, units: pd.Series, fished: Bools) -> list[int]:
    """Name the latest year in which enough units were visited twice, else the latest year."""
    known = fished & year.notna().to_numpy(dtype=bool)
    if not known.any():
        return []
    visits = pd.DataFrame({"year": year[known], "unit": units[known]}).dropna().value_counts()
    repeated = visits[visits > 1].groupby("year").size()
    enough = repeated.index[repeated >= LEAST_UNITS]
    return [int(enough.max() if enough.size else year[known].max())]


def _species_rows(species: pd.DataFrame) -> Ints:
    full = (species["rank"].fillna("species") == "species").to_numpy(dtype=bool)
    return np.flatnonzero(full)


def _by_unit(
    season: _Season, species: int, columns: Ints, chosen: Bools | None = None
) -> tuple[Floats, Floats]:
    """Count finds and placements by unit and method, of units that such a method visited."""
    mine = np.isin(season.method, columns)
    if chosen is not None:
        mine &= chosen
    hit = np.zeros(season.rows.size, dtype=bool)
    hit[season.caught.loc[season.caught["species"] == species, "row"].to_numpy()] = True
    place = np.searchsorted(columns, season.method[mine])
    visited, unit = np.unique(season.unit[mine], return_inverse=True)
    shape = (visited.size, columns.size)
    tried, found = np.zeros(shape), np.zeros(shape)
    np.add.at(tried, (unit, place), 1.0)
    np.add.at(found, (unit[hit[mine]], place[hit[mine]]), 1.0)
    return found, tried


def _each_species(season: _Season, species: pd.DataFrame) -> Iterator[tuple[str, _Tried]]:
    used_methods = np.unique(season.method)
    for number in _species_rows(species):
        columns = used_methods[season.can[number, used_methods]]
        found, tried = _by_unit(season, int(number), columns)
        yield str(species.index[number]), _fitted(columns, found, tried)


def _fitted(columns: Ints, found: Floats, tried: Floats) -> _Tried:
    problems = {
        j: "this method never found it: its detection cannot be told from 0"
        for j in range(columns.size)
        if found[:, j].sum() == 0
    }
    able = [j for j in range(columns.size) if j not in problems]
    chances = np.full(columns.size, np.nan)
    fit, problem = None, ""
    # A method without a find has its best p at 0, where its placements say nothing.
    visited = tried[:, able].sum(axis=1) > 0 if able else np.zeros(len(tried), dtype=bool)
    try:
        if not able and len(tried):
            raise ThinDataError("never found: presence and detection cannot be told apart")
        fit = fit_occupancy(found[visited][:, able], tried[visited][:, able])
        chances[able] = fit.detection
    except ThinDataError as thin:
        problem = str(thin)
        if able and not visited.all():
            problem += (
                f" (of {counted(len(tried), 'unit')} only the {visited.sum()} "
                f"{plural(visited.sum(), 'counts', 'count')} that a method visited which found it)"
            )
    return _Tried(columns, found, tried, chances, fit, problem, problems)


def _fitted_column(tried: _Tried, j: int) -> int | None:
    """Place of a method among the fitted ones; None where it was not fitted."""
    if tried.fit is None or np.isnan(tried.finds_by[j]):
        return None
    return int(np.isfinite(tried.finds_by[:j]).sum())


def _missed(tried: _Tried, looks: Floats) -> Floats:
    """Chance that all placements of a unit miss a present species."""
    return np.asarray(np.exp(looks @ np.log1p(-np.nan_to_num(tried.finds_by))), dtype=np.float64)


def _typed(rows: list[dict[str, object]], columns: tuple[str, ...]) -> pd.DataFrame:
    texts = {"catchment", "species", "method", "problem"}
    whole = {"units", "units_found", "placements"}
    kinds = {c: "str" if c in texts else "int64" if c in whole else "float64" for c in columns} | {
        "more_placements": "Int64"
    }
    frame = pd.DataFrame(rows, columns=list(columns))
    return frame.astype(kinds)
