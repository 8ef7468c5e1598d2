"""Who looked for what: outcomes, methods that can detect a species, counts, nested catchments.

A placement looked when it fished properly, whether it caught something or nothing. Lost and
disturbed gear did not look; where the catch was not recorded, nobody knows. A method can detect
a species when the species list says so, or says nothing and the two share a habitat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.arrays import differs, rows_of_runs
from layers.coded import distinct, word_codes
from layers.frames import check_frame, codes_of, reads
from layers.network.stream_order import connected_parts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints

__all__ = [
    "catch_numbers",
    "detectable",
    "extreme_dates",
    "inputs_of",
    "left_out_by_outcome",
    "local_dates",
    "local_times",
    "looked",
    "may_include",
    "nested_catchments",
    "rolled_up",
    "separate_parts",
    "summed_by_pair",
    "visits",
]

LOOKED_OUTCOMES: Final = ("caught", "nil")
COUNT_KINDS_LOWER: Final = ("at_least", "present")
_NO_LOOK: Final = {
    "lost": "gear lost",
    "disturbed": "gear disturbed",
    "unrecorded": "catch not recorded",
}


def _text_sets(column: pd.Series) -> list[frozenset[str] | None]:
    """Split `;` lists; None where the cell is missing or blank, which means no limit."""
    return [
        (frozenset(part.strip() for part in text.split(";") if part.strip()) or None)
        if isinstance(text, str)
        else None
        for text in column
    ]


@reads(species="species", methods="method")
def detectable(species: pd.DataFrame, methods: pd.DataFrame) -> pd.DataFrame:
    """Which method can detect which species.

    Returns
    -------
    DataFrame of bool
        Species in rows, methods in columns. `detected_by` of the species decides where it is
        given; else every method that shares one of the `habitats` of both, where a missing list
        means any water. All are `;` lists.

    Examples
    --------
    >>> fish = pd.DataFrame({"detected_by": [None, "seine"], "habitats": ["stream", None]},
    ...                     index=["Salmo trutta", "Perca fluviatilis"])
    >>> gear = pd.DataFrame({"habitats": ["still", "stream;still"]}, index=["seine", "hand_net"])
    >>> detectable(fish, gear).to_numpy().tolist()
    [[False, True], [True, False]]
    """
    named, waters, gear_waters = (
        _text_sets(frame.reindex(columns=[name])[name])
        for frame, name in (
            (species, "detected_by"), (species, "habitats"), (methods, "habitats"),
        )
    )  # fmt: skip
    can = [
        [
            method in by
            if by is not None
            else water is None or gear_water is None or bool(water & gear_water)
            for method, gear_water in zip(methods.index, gear_waters, strict=True)
        ]
        for by, water in zip(named, waters, strict=True)
    ]
    shape = (len(species), len(methods))
    return pd.DataFrame(
        np.array(can, dtype=bool).reshape(shape), index=species.index, columns=methods.index
    )


def may_include(species: pd.DataFrame) -> Bools:
    """Which genus or family entries may include fish of which species, by `rank` and `family`.

    Entries in rows, species in columns, both in the order of `species`: a genus entry and the
    species of that genus, a family entry and those whose `family` it is. A missing rank is species.

    Examples
    --------
    >>> fish = pd.DataFrame({"rank": ["genus", "species", "species"]},
    ...                     index=["Salmo", "Salmo salar", "Salmonella rara"])
    >>> may_include(fish)[0].tolist()
    [False, True, False]
    """
    blank = pd.Series(None, index=species.index, dtype=object)
    rank = species.get("rank", blank).fillna("species").to_numpy(object)
    genus = species.index.to_series().astype("str").str.split().str[0].to_numpy(object)
    family = species.get("family", blank).to_numpy(object)
    names = species.index.to_numpy(object)
    within = (rank == "genus")[:, None] & (genus[:, None] == genus)
    within |= (rank == "family")[:, None] & (names[:, None] == family)
    return np.asarray(within & (rank == "species"), dtype=bool)


@reads("snaps", placements="placement_id method set_at timezone")
def visits(placements: pd.DataFrame, snaps: pd.DataFrame, dates: pd.Series | None = None) -> Ints:
    """Give each visit a number: one gear on one date at one unit, with all its traps together.

    Equal for placements of one visit, (n,); -1 where the date is not known. The date is the local
    one of setting, `dates` where these are known already; the unit is the reach where it is known,
    else the site, else the position, else each placement is a unit.
    """
    n = len(placements)
    unit = 3 * n + np.arange(n)
    reach = snaps["reach_id"].reindex(placements.index)
    lacking = np.ones(n, bool)
    for first, names in ((0, reach), (n, placements.get("site"))):
        if names is not None:
            code = word_codes(names)[0]
            unit = np.where(lacking & (code >= 0), first + code, unit)
            lacking &= code < 0
    points = getattr(placements, "geometry", None)
    if points is not None and lacking.any():
        few = points[lacking]
        at = pd.DataFrame({"x": few.x, "y": few.y}).groupby(["x", "y"], sort=False).ngroup()
        place = at.fillna(-1).to_numpy(np.int64)
        unit[lacking] = np.where(place >= 0, 2 * n + place, unit[lacking])
    method = word_codes(placements["method"])[0]
    date = pd.factorize(local_dates(placements) if dates is None else dates)[0]
    known = (method >= 0) & (date >= 0)
    number = np.full(n, -1, dtype=np.int64)
    if known.any():
        parts = (unit[known], date[known], method[known])
        key = np.ravel_multi_index(parts, tuple(int(part.max()) + 1 for part in parts))
        number[known] = np.unique(key, return_inverse=True)[1]
    return number


@reads(placements="outcome")
def looked(placements: pd.DataFrame) -> Bools:
    """Whether each placement fished properly: it caught something or, as stated, nothing."""
    return placements["outcome"].isin(LOOKED_OUTCOMES).to_numpy(dtype=bool)


def left_out_by_outcome(placements: pd.DataFrame) -> dict[str, int]:
    """How many placements did not look, by reason."""
    outcomes = placements["outcome"][~looked(placements)].astype("str")
    reasons = outcomes.map(_NO_LOOK).fillna(_NO_LOOK["unrecorded"])
    return {str(reason): int(count) for reason, count in reasons.value_counts().items()}


@reads(catches="count count_kind")
def catch_numbers(catches: pd.DataFrame) -> tuple[Floats, Bools]:
    """Individuals each catch row stands for, and whether that is only a lower bound.

    A fish noted as present, or a row without a count, stands for at least one. A row that
    counts zero stands for none and is no record of the species.
    """
    count = catches["count"].to_numpy(dtype=np.float64, na_value=np.nan)
    kind = catches["count_kind"]
    present = (kind == "present").to_numpy(dtype=bool, na_value=False) | np.isnan(count)
    number = np.where(present, 1.0, count)
    lower = present | kind.isin(COUNT_KINDS_LOWER).to_numpy(dtype=bool)
    return number, lower


def summed_by_pair(
    row: Ints, kind: Ints, number: Floats, lower: Bools
) -> tuple[Ints, Ints, Floats, Floats]:
    """Sum catch rows of the same placement and species; each pair once, in this order.

    Row of the placement, row of the species, fish, and how many of the counts are "at least".
    """
    width = int(kind.max(initial=0)) + 1
    key = row * width + kind
    # Rows usually come placement by placement: only unsorted pairs need sorting.
    if (key[1:] < key[:-1]).any():
        order = np.argsort(key, kind="stable")
        key, number, lower = key[order], number[order], lower[order]
    starts = np.flatnonzero(differs(key))
    least = lower.astype(np.float64)
    if starts.size < key.size:
        number, least = np.add.reduceat(number, starts), np.add.reduceat(least, starts)
        key = key[starts]
    return key // width, key % width, number, least


def local_dates(placements: pd.DataFrame, column: str = "set_at") -> pd.Series:
    """Local midnight (datetime64[us], no zone) of the date on which a gear was set or lifted.

    Of placements of the picture of records that of setting is known: their column `set_on`.
    """
    known = column == "set_at" and "set_on" in placements
    dates: pd.Series = (
        placements["set_on"] if known else local_times(placements, column).dt.normalize()
    )
    return dates


def local_times(placements: pd.DataFrame, column: str) -> pd.Series:
    """Wall-clock times (without zone) of `column` in each row's own zone; missing = UTC."""
    check_frame("placements", placements, (column, "timezone"))
    moments = pd.to_datetime(placements[column], utc=True).dt.as_unit("us")
    local = np.full(len(placements), np.datetime64("NaT"), dtype="datetime64[us]")
    code, zones = word_codes(placements["timezone"])
    for number, zone in enumerate([*zones, "UTC"]):
        rows = np.flatnonzero(code == (number if number < len(zones) else -1))
        wall = moments.iloc[rows].dt.tz_convert(str(zone)).dt.tz_localize(None)
        local[rows] = wall.to_numpy()
    return pd.Series(local, index=placements.index)


def extreme_dates(
    day: NDArray[np.datetime64], group: Ints, count: int, take: np.ufunc
) -> NDArray[np.datetime64]:
    """First or last known day of each group, such as a reach; missing where there is none."""
    known = ~np.isnat(day)
    none = np.iinfo(np.int64).min if take is np.maximum else np.iinfo(np.int64).max
    best = np.full(count, none, np.int64)
    take.at(best, group[known], day[known].astype("datetime64[us]").astype(np.int64))
    missing = np.iinfo(np.int64).min  # how NumPy stores a missing time
    return np.where(best == none, missing, best).astype("datetime64[us]")


@reads("ancestors")
def nested_catchments(ancestors: pd.DataFrame) -> tuple[pd.Index, Ints, Ints]:
    """Catchments in order, and the pairs (catchment, the one around it) as row numbers.

    Returns
    -------
    Index, ndarray, ndarray
        Catchment ids, sorted; and two arrays of equal length that say: what lies in
        catchment number *inner* also lies in catchment number *outer*.
    """
    names = pd.Index(ancestors["catchment_id"].unique()).sort_values().rename("catchment")
    inner = codes_of(ancestors["catchment_id"], names, "Catchment")
    outer = codes_of(ancestors["ancestor_id"], names, "Parent catchment")
    return names, inner, outer


def separate_parts(nesting: tuple[Ints, Ints], size: int) -> Ints:
    """Give each place the number of its part: nothing holds places of two parts, (size,)."""
    return connected_parts(*nesting, size)[1]


def rolled_up(codes: Ints, nesting: tuple[Ints, Ints], size: int) -> tuple[Ints, Ints]:
    """Repeat each row once for each of those that hold it.

    Parameters
    ----------
    codes
        Number of each row, 0 to `size` - 1.
    nesting
        Pairs as of :func:`nested_catchments`: a number, and one that holds it.

    Returns
    -------
    ndarray, ndarray
        Numbers of the rows, in order, and what holds each.

    Examples
    --------
    >>> brook_in_basin = (np.array([0, 0, 1]), np.array([0, 1, 1]))
    >>> [part.tolist() for part in rolled_up(np.array([1, 0]), brook_in_basin, 2)]
    [[0, 1, 1], [1, 0, 1]]
    """
    inner, outer = nesting
    order = np.argsort(inner, kind="stable")
    depth = np.bincount(inner, minlength=size)
    first = np.cumsum(depth) - depth
    repeats = depth[codes]
    rows = np.repeat(np.arange(codes.size), repeats)
    return rows, outer[order][rows_of_runs(first[codes], repeats)]


def inputs_of(
    placements: pd.DataFrame,
    used: Bools,
    left_out: dict[str, int],
    *,
    day: NDArray[np.datetime64] | None = None,
    **more: object,
) -> dict[str, object]:
    """Gather what a result was computed from, to be kept in `frame.attrs["inputs"]`.

    Parameters
    ----------
    used, left_out
        Which of the placements counted, and how many did not, by reason.
    day
        Local date of setting of each placement, where it is known already.
    **more
        Choices to state beside it: seed, form of an estimator, assumptions.
    """
    if day is None:
        day = local_dates(placements).to_numpy()
    number = day[used & ~np.isnat(day)].astype("datetime64[D]").astype(np.int64)
    first = int(number.min(initial=0))
    days = first + np.flatnonzero(np.bincount(number - first))  # few, and sooner than sorted
    years = distinct(days.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970)
    return {
        "years": years.tolist(),
        "methods": sorted(map(str, pd.Index(placements["method"].array[used].unique()).dropna())),
        "placements_used": int(used.sum()),
        "placements_left_out": int((~used).sum()),
        "left_out": {reason: count for reason, count in left_out.items() if count},
        **more,
    }
