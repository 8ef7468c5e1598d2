"""Sensitive places: which placements may be shown as recorded, which only as a cell of a grid.

A placement that caught a sensitive species, in its season where one is given, is *generalised*:
shown as the grid cell in which it lies. What is shown of it depends on its cell, year, method,
outcome and catch alone, so that two stores that differ only in where within their closed cells
placements lie give the same public answers. Generalising to squares of a grid, without
random offsets, and saying what was done, follows Chapman (2020), Current Best Practices for
Generalizing Sensitive Species Occurrence Data, doi 10.15468/doc-5jp4-5g10. Squares are counted in
metres from the origin of the store's projected CRS, as national grids count theirs.

Neighbours. A cell with a generalised placement is closed at that placement's step: every
placement in it, of any year, is shown as the cell, or not at all. A withheld placement closes its
10 km cell and is itself left out. So in a closed cell nothing is shown exactly, and no gap in a
row of gear can show a place. The rule looks at cells only: a rule by site, visit or distance would
show, when a placement is added, which neighbours vanish, and so where it lies.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from layers.errors import FrameError
from layers.fieldwork.looking import local_dates
from layers.frames import reads
from layers.narrow_columns import LazyPoints

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import ArrayLike

    from layers.arrays import Bools, Floats, Ints, Objects

__all__ = [
    "STEPS_KM",
    "WITHHELD",
    "cell_centres",
    "cell_uncertainty_m",
    "close_cells",
    "closing_steps",
    "generalised_squares",
    "list_steps",
    "own_steps",
    "positions",
    "public_ids",
    "public_site_names",
    "public_views",
]

STEPS_KM: Final = (1, 10, 50)  # each divides the next, so cells nest
WITHHELD: Final = 1000  # coarser than any step: nothing is shown
WITHHELD_CLOSES_KM: Final = 10
_SENSITIVITY: Final = {"none": 0, "1": 1, "10": 10, "50": 50, "withheld": WITHHELD}
_MONTH_STARTS: Final = np.cumsum([0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30])
_LETTERS: Final = str.maketrans("0123456789abcdef", "bcdfghjkmnpqrstv")  # spell no words
_YEAR_DAYS: Final = 366  # seasons are counted in a leap year, so that 02-29 has its place


@reads(
    placements="placement_id set_at lifted_at timezone",
    catches="placement_id species",
    lengths="placement_id species",
    species="species sensitivity sensitive_from sensitive_until",
)
def own_steps(
    placements: pd.DataFrame, catches: pd.DataFrame, lengths: pd.DataFrame, species: pd.DataFrame
) -> Ints:
    """Coarsest step that the catch of each placement needs by itself.

    A measured fish counts as caught. Rows of other placements are not looked at.

    Returns
    -------
    array of int64, (n,)
        0, 1, 10 or 50 km, or `WITHHELD`. A gear that stood in the season (`MM-DD`) at any time
        counts; so does one without dates, and a season that lacks an end or cannot be read is the
        whole year.

    Raises
    ------
    FrameError
        A species caught is not in the list, or its sensitivity is not a known word.
    """
    caught = pd.concat([catches[["placement_id", "species"]], lengths[["placement_id", "species"]]])
    owner = placements.index.get_indexer(pd.Index(caught["placement_id"]))
    kind = species.index.get_indexer(pd.Index(caught["species"]))
    if (kind < 0).any():
        name = caught["species"].to_numpy(object)[kind < 0][0]
        raise FrameError(f"The species {name!r} is not in the species list; add it there first.")
    needed = list_steps(species)[kind]
    sensitive = (needed > 0) & (owner >= 0)
    owner, kind, needed = owner[sensitive], kind[sensitive], needed[sensitive]
    steps = np.zeros(len(placements), np.int64)
    if len(owner):
        rows, place = np.unique(owner, return_inverse=True)
        first, last = _days_out(placements.iloc[rows])
        season_from, season_until = (
            _year_days(species[column])[kind] for column in ("sensitive_from", "sensitive_until")
        )
        counts = _in_season(first[place], last[place], season_from, season_until)
        np.maximum.at(steps, owner[counts], needed[counts])
    return steps


def list_steps(species: pd.DataFrame) -> Ints:
    """Step that each species of a list needs in its season: 0, 1, 10 or 50 km, or `WITHHELD`.

    Raises FrameError where the sensitivity of a species is not a known word.
    """
    words = species["sensitivity"].astype("str").str.strip().fillna("none").replace("", "none")
    steps = words.map(_SENSITIVITY)
    if steps.isna().any():
        name = steps.index[steps.isna()][0]
        raise FrameError(
            f"Species {name!r} has the sensitivity {words[name]!r}; "
            f"give one of {', '.join(_SENSITIVITY)}."
        )
    return np.asarray(steps.to_numpy(), np.int64)


def _days_out(placements: pd.DataFrame) -> tuple[Floats, Floats]:
    """First and last day on which each gear stood, in days since 1970; NaN = not known."""
    days = [
        local_dates(placements, column).to_numpy("datetime64[D]")
        for column in ("set_at", "lifted_at")
    ]
    first, last = (np.where(np.isnat(day), np.nan, day.astype(np.float64)) for day in days)
    return first, np.fmax(first, last)


def _year_days(column: pd.Series) -> Floats:
    """Day of a leap year, from 0, of `MM-DD` texts; NaN where missing or no such day."""
    parts = column.astype("str").str.extract(r"^\s*(\d\d)-(\d\d)\s*$")
    month = pd.to_numeric(parts[0]).to_numpy(np.float64, na_value=np.nan)
    day = pd.to_numeric(parts[1]).to_numpy(np.float64, na_value=np.nan)
    sound = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    starts = _MONTH_STARTS[np.where(sound, month - 1, 0).astype(np.int64)]
    return np.where(sound, starts + day - 1, np.nan)


def _in_season(first: Floats, last: Floats, season_from: Floats, season_until: Floats) -> Bools:
    known = ~np.isnan(first)
    dates = np.where(known, first, 0).astype("datetime64[D]")
    months = dates.astype("datetime64[M]")
    start = _MONTH_STARTS[months.astype(np.int64) % 12] + (dates - months).astype(np.int64)
    stood = last - first
    within = np.mod(start - season_from, _YEAR_DAYS) <= np.mod(
        season_until - season_from, _YEAR_DAYS
    )
    # A day more than counted, as common years lack one of the 366.
    begun = np.mod(season_from - start, _YEAR_DAYS) <= stood + 1
    whole_year = np.isnan(season_from) | np.isnan(season_until)
    return np.asarray(within | ((stood > 0) & begun) | whole_year | ~known)


def closing_steps(own: Ints) -> Ints:
    """Side of the cell that each placement closes [km], by its :func:`own_steps`; 0 = none."""
    return np.where(own == WITHHELD, WITHHELD_CLOSES_KM, own).astype(np.int64)


def close_cells(xy: Floats, own: Ints) -> Ints:
    """Step at which each placement is shown, its neighbours considered.

    Parameters
    ----------
    xy
        Positions in a projected CRS [m], (n, 2); NaN = none.
    own
        What each placement's catch needs, of :func:`own_steps`, (n,).

    Returns
    -------
    array of int64, (n,)
        0 (as recorded), 1, 10, 50 or `WITHHELD`. With a placement must be given all that close
        a cell in which it lies, so those of its 50 km cell at most.

    Examples
    --------
    A trap line of which the second trap caught what is shown at 1 km, and a trap elsewhere:

    >>> line = np.array([[500.0, 500.0], [520.0, 500.0], [540.0, 500.0], [1500.0, 500.0]])
    >>> close_cells(line, np.array([0, 1, 0, 0])).tolist()
    [1, 1, 1, 0]
    """
    nowhere: Bools = np.asarray(np.isnan(xy).any(axis=1), bool)
    shown = np.where(nowhere & (own > 0), WITHHELD, own).astype(np.int64)
    closes = closing_steps(own)
    for step in STEPS_KM:
        closing = (closes == step) & ~nowhere
        if closing.any():
            cells = np.floor(xy / (1000.0 * step))
            number = pd.DataFrame(cells).groupby([0, 1], dropna=False).ngroup().to_numpy()
            shown[np.isin(number, number[closing]) & (shown < step) & ~nowhere] = step
    return shown


def cell_centres(xy: Floats, step_km: Ints) -> Floats:
    """Centre of the cell of each position [m], (n, 2), of the side `step_km`; NaN where that is 0.

    Examples
    --------
    >>> cell_centres(np.array([[352_345.6, 5_830_999.0]]), np.array([10])).tolist()
    [[355000.0, 5835000.0]]
    """
    side = np.where(step_km > 0, 1000.0 * step_km, np.nan)[:, None]
    return np.asarray((np.floor(xy / side) + 0.5) * side)


def cell_uncertainty_m(step_km: Floats | pd.Series) -> Floats:
    """Half the diagonal of a cell: no place in it lies farther from its centre, in metres."""
    half: Floats = np.asarray(step_km, np.float64) * 500.0
    return np.hypot(half, half)


def public_ids(placement_ids: pd.Index, step_km: Ints, secret: bytes) -> list[str]:
    """Names under which the public sees placements: keyed digests that reveal nothing.

    The step goes in, so that a placement that becomes generalised does not keep the name under
    which it was shown exactly before. BLAKE2b with a key (RFC 7693), 80 bits.
    """
    return [
        _public_word(f"{step}\0{name}", secret)
        for name, step in zip(placement_ids.tolist(), step_km.tolist(), strict=True)
    ]


def public_site_names(sites: pd.Series, secret: bytes) -> dict[str, str]:
    """Public name of each site that occurs: sites are numbered along the water too often."""
    return {site: _public_word(f"site\0{site}", secret) for site in sites.dropna().unique()}


def _public_word(text: str, secret: bytes) -> str:
    digest = hashlib.blake2b(text.encode(), key=secret, digest_size=10).hexdigest()
    return digest.translate(_LETTERS)


def public_views(placements: pd.DataFrame, xy: Floats, own: Ints, secret: bytes) -> pd.DataFrame:
    """Decide for every placement how the public sees it.

    Parameters
    ----------
    placements, xy, own
        As of :func:`close_cells`; with each all that close a cell in which it lies.
    secret
        Key of the public names.

    Returns
    -------
    DataFrame
        Index `placement_id`, in the order of `placements`, withheld ones left out:
        `public_id`; `step_km`, 0 = as recorded; `cell_x`, `cell_y`, centre of the cell [m],
        missing when exact; `year`, of setting there, missing when not known.
    """
    steps = close_cells(xy, own)
    kept = np.flatnonzero(steps < WITHHELD)
    left = placements[["set_at", "timezone"]].iloc[kept]
    centres = cell_centres(xy[kept], steps[kept])
    return pd.DataFrame(
        {
            "public_id": pd.array(public_ids(left.index, steps[kept], secret), dtype="str"),
            "step_km": steps[kept],
            "cell_x": centres[:, 0],
            "cell_y": centres[:, 1],
            "year": local_dates(left).dt.year.to_numpy(np.float64, na_value=np.nan),
        },
        index=left.index,
    )


def positions(points: ArrayLike) -> Floats:
    """Coordinates of points, (n, 2); NaN where one is missing or empty."""
    if isinstance(points, LazyPoints):
        return points.xy
    shapes = np.asarray(points, object)
    gone = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    filled = np.where(gone, shapely.Point(np.nan, np.nan), shapes)
    return np.asarray(shapely.get_coordinates(filled), np.float64).reshape(-1, 2)


def generalised_squares(placements: gpd.GeoDataFrame) -> Objects:
    """Cell of every generalised placement as a polygon; the point itself for the others.

    Of public placements: the geometry of a generalised one is its cell's centre.
    """
    shapes = np.asarray(placements.geometry, object).copy()
    side = placements["generalised_km"].to_numpy(np.float64, na_value=np.nan)
    wide = np.flatnonzero(side > 0)
    if len(wide):
        xy = shapely.get_coordinates(shapes[wide])
        half = side[wide, None] * 500.0
        shapes[wide] = shapely.box(*(xy - half).T, *(xy + half).T)
    return shapes
