"""Species by catchment in three states: found; looked for, not found; never looked for.

`layers.fieldwork.looking` says which placement looked for which species. On top of that, a record
is a record: a species found by a method not listed for it, or in disturbed gear, counts as found
and its placement as having looked for it, and the row says so in `note`. Records of a genus or
family never count as a species found; such entries have rows of their own where recorded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.errors import FrameError
from layers.estimates.proportions import wilson_interval
from layers.fieldwork.looking import (
    catch_numbers,
    detectable,
    inputs_of,
    left_out_by_outcome,
    local_dates,
    looked,
    nested_catchments,
)
from layers.frames import codes_of, codes_within, reads

if TYPE_CHECKING:
    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]
    Bools = npt.NDArray[np.bool_]

__all__ = ["OCCURRENCE_COLUMNS", "occurrence"]

OCCURRENCE_COLUMNS: Final = (
    "catchment",
    "species",
    "state",
    "placements",
    "placements_found",
    "reaches",
    "reaches_found",
    "proportion",
    "wilson_low",
    "wilson_high",
    "first_date",
    "last_date",
    "individuals",
    "individuals_lower_bound",
    "methods",
    "note",
)
_MOST_METHODS: Final = 62  # they are kept as bits of one signed 64-bit number
_NOTE: Final = "some records by a method not listed for it, or in gear that did not fish properly"


@dataclass(frozen=True)
class _Looking:
    """Placements in numbers: everything the counts below need, one value per placement."""

    catchment: Ints  # -1 outside all
    method: Ints
    reach: Ints  # -1 unsnapped
    looked: Bools
    day: npt.NDArray[np.int64]  # local date as days since 1970; a very low number is missing
    can: Bools  # species x methods
    methods: pd.Index


@reads("placements", "catches", "species", "methods", "ancestors", "snaps")
def occurrence(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    catchment_of: pd.Series,
    ancestors: pd.DataFrame,
    snaps: pd.DataFrame,
) -> pd.DataFrame:
    """Say for every catchment and species whether it was found, and where one looked in vain.

    Parameters
    ----------
    placements, catches, species, methods, ancestors, snaps
        Frames of these kinds (`layers.frames`); at most 62 methods. Catches of placements that
        are not in `placements` are left out, so a selection of placements is enough. Placements
        without a reach count, but add no reach.
    catchment_of
        Smallest catchment of each placement, index `placement_id`; missing = outside all.

    Returns
    -------
    DataFrame
        One row per catchment and species, sorted, columns `OCCURRENCE_COLUMNS`. `placements`
        and `reaches` could have detected the species, the `…_found` ones did; `proportion` is
        the naive share of placements with its Wilson 95 % interval, missing where nobody
        looked; dates, numbers and `methods` are those of the records. `note` is empty or
        names records from outside the rules. `attrs["inputs"]` says what was used.

    Raises
    ------
    FrameError
        A column is missing, or a method, species or catchment is not in its list.
    """
    if len(methods) > _MOST_METHODS:
        msg = f"{len(methods)} methods are too many at once; choose at most {_MOST_METHODS}."
        raise FrameError(msg)
    names, inner, outer = nested_catchments(ancestors)
    looking = _placements_in_numbers(
        placements, species, methods, names, catchment_of=catchment_of, snaps=snaps
    )
    frame, used_records = _count(looking, placements, catches, species, names, (inner, outer))
    outside = looking.catchment < 0
    used = (looking.looked | used_records) & ~outside
    left_out = left_out_by_outcome(placements.loc[~used & ~outside])
    left_out["outside every catchment"] = int(outside.sum())
    frame.attrs["inputs"] = inputs_of(placements, used, left_out, interval="Wilson score, 95 %")
    return frame


def _placements_in_numbers(
    placements: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    names: pd.Index,
    *,
    catchment_of: pd.Series,
    snaps: pd.DataFrame,
) -> _Looking:
    reach_ids = _aligned(snaps["reach_id"], placements.index)
    days = local_dates(placements).to_numpy().astype("datetime64[D]").astype(np.int64)
    within = _aligned(catchment_of, placements.index)
    catchment = codes_within(within, names)
    stray = within.notna().to_numpy() & (catchment < 0)
    if stray.any():
        codes_of(within[stray], names, "Catchment")
    return _Looking(
        catchment=catchment,
        method=codes_of(placements["method"], methods.index, "Method"),
        reach=np.asarray(pd.factorize(reach_ids)[0], dtype=np.int64),
        looked=looked(placements),
        day=days,
        can=detectable(species, methods).to_numpy(dtype=bool),
        methods=methods.index,
    )


def _aligned(column: pd.Series, index: pd.Index) -> pd.Series:
    """`column` in the order of `index`, without a look-up where it has that order already."""
    return column if column.index.equals(index) else column.reindex(index)


@dataclass(frozen=True)
class _Records:
    """Distinct (placement, species) pairs in which the species was found."""

    row: Ints
    species: Ints
    number: npt.NDArray[np.float64]
    lower: Bools


def _records(catches: pd.DataFrame, placements: pd.DataFrame, species: pd.DataFrame) -> _Records:
    rows = codes_within(catches["placement_id"], placements.index)
    kinds = codes_of(catches["species"], species.index, "Species")
    number, lower = catch_numbers(catches)
    keep = (rows >= 0) & (number > 0)
    key = rows[keep] * len(species) + kinds[keep]
    number, lower = number[keep], lower[keep]
    # Rows usually come placement by placement: only unsorted pairs need sorting.
    if (key[1:] < key[:-1]).any():
        order = np.argsort(key, kind="stable")
        key, number, lower = key[order], number[order], lower[order]
    starts = np.flatnonzero(np.append(True, key[1:] != key[:-1])[: key.size])
    if starts.size < key.size:
        number = np.add.reduceat(number, starts)
        lower = np.logical_or.reduceat(lower, starts)
        key = key[starts]
    width = max(len(species), 1)
    return _Records(key // width, key % width, number, lower)


def _distinct_sorted(*columns: Ints) -> tuple[Ints, ...]:
    """Distinct rows of equally long arrays of small non-negative numbers, sorted."""
    if columns[0].size == 0:
        return columns
    sizes = tuple(int(column.max()) + 1 for column in columns)
    keys = np.ravel_multi_index(columns, sizes)
    keys.sort()  # several times as fast as np.unique, which hashes
    keys = keys[np.append(True, keys[1:] != keys[:-1])]
    return tuple(np.asarray(part, dtype=np.int64) for part in np.unravel_index(keys, sizes))


def _rolled_up(codes: Ints, nesting: tuple[Ints, Ints], size: int) -> tuple[Ints, Ints]:
    """Repeat each row once per catchment that it lies in: row numbers, and those catchments."""
    inner, outer = nesting
    order = np.argsort(inner, kind="stable")
    depth = np.bincount(inner, minlength=size)
    first = np.cumsum(depth) - depth
    repeats = depth[codes]
    rows = np.repeat(np.arange(codes.size), repeats)
    step = np.arange(rows.size) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    return rows, outer[order][first[codes][rows] + step]


def _reach_sets(
    looking: _Looking, nesting: tuple[Ints, Ints], n_catchments: int
) -> tuple[Ints, Ints, Ints]:
    """Per catchment and reach, which methods looked there, as bits."""
    on = looking.looked & (looking.catchment >= 0) & (looking.reach >= 0)
    catchment, reach, method = _distinct_sorted(
        looking.catchment[on], looking.reach[on], looking.method[on]
    )
    rows, holders = _rolled_up(catchment, nesting, n_catchments)
    reach, bits = reach[rows], np.left_shift(np.int64(1), method[rows])
    order = np.lexsort((reach, holders))
    holders, reach, bits = holders[order], reach[order], bits[order]
    new = np.append(True, (holders[1:] != holders[:-1]) | (reach[1:] != reach[:-1]))[: reach.size]
    starts = np.flatnonzero(new)
    if starts.size:
        bits = np.bitwise_or.reduceat(bits, starts)
    return holders[starts], reach[starts], bits


def _count(
    looking: _Looking,
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    names: pd.Index,
    nesting: tuple[Ints, Ints],
) -> tuple[pd.DataFrame, Bools]:
    n_catchments, n_species, n_methods = len(names), len(species), len(looking.methods)
    shape = (n_catchments, n_species)
    roll = np.zeros((n_catchments, n_catchments))
    roll[nesting[1], nesting[0]] = 1.0

    # Looking: placements per catchment and method, spread over the species each can detect.
    base = looking.looked & (looking.catchment >= 0)
    by_method = np.bincount(
        looking.catchment[base] * n_methods + looking.method[base],
        minlength=n_catchments * n_methods,
    ).reshape(n_catchments, n_methods)
    placements_looked = by_method @ looking.can.T.astype(np.float64)

    # Finding: distinct placement and species, wherever the placement lies.
    records = _records(catches, placements, species)
    inside = looking.catchment[records.row] >= 0
    row, kind = records.row[inside], records.species[inside]
    number, lower = records.number[inside], records.lower[inside]
    cell = looking.catchment[row] * n_species + kind
    size = n_catchments * n_species
    beyond = ~(looking.looked[row] & looking.can[kind, looking.method[row]])
    found, total, extra = (
        roll @ np.bincount(cell, weights, minlength=size).reshape(shape)
        for weights in (np.ones(cell.size), number, beyond.astype(np.float64))
    )
    any_lower = roll @ np.bincount(cell, lower, minlength=size).reshape(shape) > 0
    first, last, bits = _spans(looking, row, cell, size)
    first, last, bits = (
        _nested(part.reshape(shape), nesting, ufunc)
        for part, ufunc in ((first, np.minimum), (last, np.maximum), (bits, np.bitwise_or))
    )

    reaches, reaches_found = _reaches(looking, row, kind, beyond, nesting, shape)
    n_looked = roll @ placements_looked + extra
    frame = pd.DataFrame(
        {
            "catchment": np.repeat(names.to_numpy(), n_species),
            "species": np.tile(species.index.to_numpy(), n_catchments),
            "state": np.select(
                [found.ravel() > 0, n_looked.ravel() > 0],
                ["found", "not_found"],
                default="never_looked",
            ),
            "placements": n_looked.ravel().astype(np.int64),
            "placements_found": found.ravel().astype(np.int64),
            "reaches": reaches.ravel(),
            "reaches_found": reaches_found.ravel(),
        }
    ).astype({"catchment": "str", "species": "str", "state": "str"})
    looked_n, found_n = frame["placements"].to_numpy(), frame["placements_found"].to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        frame["proportion"] = np.where(looked_n > 0, found_n / looked_n, np.nan)
    frame["wilson_low"], frame["wilson_high"] = wilson_interval(found_n, looked_n)
    frame["first_date"], frame["last_date"] = _dates(first, last)
    frame["individuals"] = total.ravel()
    frame["individuals_lower_bound"] = any_lower.ravel()
    frame["methods"] = _method_lists(bits.ravel(), looking.methods)
    frame["note"] = pd.Series(np.where(extra.ravel() > 0, _NOTE, ""), dtype="str")
    # Genus and family entries are no species looked for: they have rows only where recorded.
    is_species = np.tile(
        (species["rank"].fillna("species") == "species").to_numpy(bool), n_catchments
    )
    frame = frame.loc[is_species | (found_n > 0)]
    used_records = np.zeros(len(placements), dtype=bool)
    used_records[row] = True
    frame = frame.sort_values(["catchment", "species"], ignore_index=True)
    return frame[list(OCCURRENCE_COLUMNS)], used_records


_NEVER: Final = np.iinfo(np.int64).max


def _spans(looking: _Looking, row: Ints, cell: Ints, size: int) -> tuple[Ints, Ints, Ints]:
    """First and last day and the methods (bits) of the records in each cell."""
    day = looking.day[row]
    dated = day > np.iinfo(np.int64).min  # a missing date is the lowest number there is
    first, last = np.full(size, _NEVER), np.full(size, -_NEVER)
    np.minimum.at(first, cell[dated], day[dated])
    np.maximum.at(last, cell[dated], day[dated])
    bits = np.zeros(size, dtype=np.int64)
    np.bitwise_or.at(bits, cell, np.left_shift(np.int64(1), looking.method[row]))
    return first, last, bits


def _nested(leaf: Ints, nesting: tuple[Ints, Ints], ufunc: np.ufunc) -> Ints:
    """Combine each catchment's values with those of all catchments within it."""
    whole = leaf.copy()
    inner, outer = nesting
    ufunc.at(whole, outer, leaf[inner])
    return whole


def _dates(first: Ints, last: Ints) -> tuple[pd.Series, pd.Series]:
    known = first.ravel() != _NEVER
    spans = []
    for day in (first, last):
        dates = np.full(day.size, np.datetime64("NaT"), dtype="datetime64[us]")
        dates[known] = day.ravel()[known].astype("datetime64[D]").astype("datetime64[us]")
        spans.append(pd.Series(dates))
    return spans[0], spans[1]


def _method_lists(bits: Ints, methods: pd.Index) -> pd.Series:
    sets, which = np.unique(bits, return_inverse=True)
    names = np.array(
        [
            ";".join(sorted(str(m) for i, m in enumerate(methods) if int(chosen) >> i & 1))
            for chosen in sets
        ],
        dtype=object,
    )
    return pd.Series(names[which], dtype="str")


def _reaches(
    looking: _Looking,
    row: Ints,
    kind: Ints,
    beyond: Bools,
    nesting: tuple[Ints, Ints],
    shape: tuple[int, int],
) -> tuple[Ints, Ints]:
    """Distinct reaches looked at and found in, per catchment and species."""
    n_catchments, n_species = shape
    holders, reach, bits = _reach_sets(looking, nesting, n_catchments)
    masks = looking.can @ np.left_shift(np.int64(1), np.arange(len(looking.methods)))
    # Few distinct sets of methods occur: count reaches per set, then per species.
    sets, which = np.unique(bits, return_inverse=True)
    per_set = np.bincount(
        holders * max(sets.size, 1) + which, minlength=n_catchments * sets.size
    ).reshape(n_catchments, sets.size)
    sees = (sets[:, None] & masks[None, :]) != 0
    looked_reaches = (per_set @ sees.astype(np.float64)).astype(np.int64)

    snapped = looking.reach[row] >= 0
    catchment, species_no, at = (
        part[snapped] for part in (looking.catchment[row], kind, looking.reach[row])
    )
    rows, outer = _rolled_up(catchment, nesting, n_catchments)
    found_at = _distinct_sorted(outer, species_no[rows], at[rows])
    found = np.bincount(
        found_at[0] * n_species + found_at[1], minlength=n_catchments * n_species
    ).reshape(shape)

    # Records outside the rules may lie on reaches where no listed method looked: add those.
    odd = beyond[snapped][rows]
    more = _distinct_sorted(outer[odd], species_no[rows][odd], at[rows][odd])
    if more[0].size:
        n_reaches = int(looking.reach.max()) + 1
        key, wanted = holders * n_reaches + reach, more[0] * n_reaches + more[2]
        place = np.minimum(np.searchsorted(key, wanted), max(key.size - 1, 0))
        known = key[place] == wanted if key.size else np.zeros(wanted.size, dtype=bool)
        seen = known.copy()
        seen[known] = (bits[place[known]] & masks[more[1][known]]) != 0
        np.add.at(looked_reaches, (more[0][~seen], more[1][~seen]), 1)
    return looked_reaches, found
