"""Species by place: found; possible; looked for, not found; never looked for.

`layers.fieldwork.looking` says which placement looked for which species. On top of that, a record
is a record: a species found by a method not listed for it, or in disturbed gear, counts as found
and its placement as having looked for it, and the row says so in `note`. Records of a genus or
family never count as a species found; such entries have rows of their own where recorded. Their
species are `possible` there, unless found: nobody can say that they were not among those fish.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.arrays import differs
from layers.coded import coded_labels, numbered
from layers.errors import FrameError
from layers.estimates.clustering import independent_share
from layers.estimates.proportions import wilson_interval
from layers.estimates.visited_units import (
    Sampling,
    unit_runs,
    units_looked_and_found,
)
from layers.fieldwork.effort import effort_in, main_units, unit_words
from layers.fieldwork.looking import (
    catch_numbers,
    detectable,
    inputs_of,
    left_out_by_outcome,
    local_dates,
    looked,
    may_include,
    nested_catchments,
    visits,
)
from layers.frames import codes_of, codes_within, reads
from layers.plurals import counted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints, Objects

__all__ = ["OCCURRENCE_COLUMNS", "inputs_of_occurrence", "occurrence"]

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
    "first_looked",
    "last_looked",
    "looked_methods",
    "visits",
    "individuals",
    "individuals_lower_bound",
    "methods",
    "note",
    "effort",
    "placement_proportion",
    "placement_wilson_low",
    "placement_wilson_high",
)
_MOST_METHODS: Final = 62  # they are kept as bits of one signed 64-bit number
_NOTE: Final = (
    "{0:.0f} of {1:.0f} finds by gear not listed for it, or that did not fish properly; "
    "without: {3:.0f} of {2:.0f} placements, {5:.0f} of {4:.0f} reaches"
)


@dataclass(frozen=True)
class _Looking:
    """Placements in numbers: everything the counts below need, one value per placement."""

    place: Ints  # -1 outside all
    method: Ints
    reach: Ints  # -1 unsnapped
    visit: Ints  # -1 without a date
    looked: Bools
    day: Ints  # local date as days since 1970; a very low number is missing
    can: Bools  # species x methods


@reads("placements", "catches", "species", "methods", "ancestors", "snaps", "effort")
def occurrence(
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    place_of: pd.Series,
    snaps: pd.DataFrame,
    effort: pd.DataFrame,
    ancestors: pd.DataFrame | None = None,
    by: str = "catchment",
    units: pd.Series | None = None,
    used: Bools | None = None,
) -> pd.DataFrame:
    """Say for every place and species whether it was found, and where one looked in vain.

    Parameters
    ----------
    placements, catches, species, methods, snaps, effort
        Frames of these kinds (`layers.frames`); at most 62 methods. Catches of placements that
        are not in `placements` are left out, so a selection of placements is enough. Placements
        without a reach count, but add no reach.
    place_of
        Place of each placement, index `placement_id`; missing = outside all. With `ancestors`
        it is the smallest catchment; else any text: a stream, a reach, a site, a year.
    ancestors
        How catchments nest; None: the places that occur in `place_of` do not.
    by
        Name of the column of places.
    units
        Main units of the methods, where these are not all placements.
    used
        Where given, the placements used are marked in it, (n,).

    Returns
    -------
    DataFrame
        One row per place and species, sorted, columns `OCCURRENCE_COLUMNS` with `by` in the
        place of `catchment`. `state` is `found`, `possible` (`note` names the genus or family
        recorded), `not_found` or `never_looked`. `placements`, `visits` (those with a known
        date, `layers.fieldwork.looking.visits`) and `reaches` could have detected the species,
        `first_looked` to `last_looked` by `looked_methods`; the `…_found` ones did.
        `proportion` is the naive share of reaches with its Wilson 95 % interval,
        `placement_proportion` that of placements, its interval with reaches as clusters
        (`layers.estimates.clustering`); both are missing where nobody looked. Dates, numbers
        and `methods` are those of the records.
        `effort`, in words, is that of listed methods in gear that fished properly. `note` is
        empty or names records from outside the rules. `attrs["inputs"]` says what was used.

    Raises
    ------
    FrameError
        A column is missing, or a method, species or catchment is not in its list.
    """
    if len(methods) > _MOST_METHODS:
        msg = f"{len(methods)} methods are too many at once; choose at most {_MOST_METHODS}."
        raise FrameError(msg)
    if ancestors is None:
        places = pd.Series(place_of.dropna().unique(), dtype="str")
        ancestors = pd.DataFrame({"catchment_id": places, "ancestor_id": places})
    names, inner, outer = nested_catchments(ancestors)
    placements, catches, snaps, effort = (
        frame.assign(**{name: numbered(frame[name]) for name in words})
        for frame, words in (
            (placements, ("method", "outcome", "timezone")),
            (catches, ("count_kind",)),
            (snaps, ("reach_id",)),
            (effort, ("effort_unit",)),
        )
    )
    own = codes_within(effort["placement_id"], placements.index)
    effort = effort.assign(placement_id=coded_labels(own, placements.index))
    within, dates = place_of.reindex(placements.index), local_dates(placements)
    place, outside = codes_within(within, names), within.isna().to_numpy()
    stray = ~outside & (place < 0)
    if stray.any():
        codes_of(within[stray], names, "Catchment")
    reach = snaps["reach_id"].reindex(placements.index)
    looking = _Looking(
        place=place,
        method=codes_of(placements["method"], methods.index, "Method"),
        reach=np.asarray(pd.factorize(reach)[0], dtype=np.int64),
        visit=visits(placements, snaps, dates),
        looked=looked(placements),
        day=dates.to_numpy().astype("datetime64[D]").astype(np.int64),
        can=detectable(species, methods).to_numpy(dtype=bool),
    )
    frame, used_records = _count(
        looking, placements, catches, species, names, (inner, outer), methods, effort, units
    )
    counted_in = (looking.looked | used_records) & (looking.place >= 0)
    if used is not None:
        used[:] = counted_in
    frame = frame.rename(columns={"catchment": by})
    frame.attrs["inputs"] = inputs_of_occurrence(
        placements, counted_in, outside, by=by, day=looking.day.view("datetime64[D]")
    )
    return frame


@reads("placements")
def inputs_of_occurrence(
    placements: pd.DataFrame,
    used: Bools,
    outside: Bools,
    *,
    by: str = "catchment",
    day: NDArray[np.datetime64] | None = None,
) -> dict[str, object]:
    """Say what was used and what was left out, `outside` all places or otherwise."""
    left_out = left_out_by_outcome(placements[["outcome"]][~used & ~outside])
    left_out["outside every catchment" if by == "catchment" else f"no {by} known"] = int(
        outside.sum()
    )
    return inputs_of(placements, used, left_out, day=day, interval="Wilson score, 95 %")


def _count(
    looking: _Looking,
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    names: pd.Index,
    nesting: tuple[Ints, Ints],
    methods: pd.DataFrame,
    effort: pd.DataFrame,
    main: pd.Series | None,
) -> tuple[pd.DataFrame, Bools]:
    n_places, n_species, n_methods = len(names), len(species), len(methods)
    # Finding: distinct placement and species, wherever the placement lies.
    row, kind, fish, at_least = _caught(looking, placements, catches, species, n_places)
    cell = (looking.place * n_species)[row]
    cell += kind
    # A placement that did not look is as one of a method that finds nothing.
    unable = np.append(~looking.can.T, np.ones((1, n_species), bool), axis=0).ravel()
    beyond = unable[(np.where(looking.looked, looking.method, n_methods) * n_species)[row] + kind]
    sampling = Sampling(
        looking.place, looking.method, looking.looked, looking.can, row, kind, beyond, nesting,
        n_places,
    )  # fmt: skip
    found, extra = (
        sampling.rolled(np.bincount(cells, minlength=fish.size).reshape(n_places, n_species))
        for cells in (cell, cell[beyond])
    )

    # Looking: placements per place and method, spread over the species each can detect.
    base = np.flatnonzero(looking.looked & (looking.place >= 0))
    cell_looked = (looking.place * n_methods + looking.method)[base]
    each = np.bincount(cell_looked, minlength=n_places * n_methods)
    by_method = sampling.rolled(each.reshape(n_places, n_methods))
    placements_looked = by_method @ looking.can.T.astype(np.float64)
    first, last = _first_and_last(looking, row, cell, found.shape, nesting)
    bits = np.zeros(fish.size, dtype=np.int64)
    np.bitwise_or.at(bits, cell, np.left_shift(np.int64(1), looking.method)[row])
    bits = _nested(bits.reshape(found.shape), nesting, np.bitwise_or)
    looked_at = _first_and_last(looking, base, cell_looked, by_method.shape, nesting)
    own_bits = (by_method > 0).astype(np.int64) @ np.left_shift(np.int64(1), np.arange(n_methods))
    # Days of records widened to those of looking by methods that can detect the species.
    first_looked, last_looked = first.copy(), last.copy()
    for j, able in enumerate(looking.can.T):
        first_looked[:, able] = np.minimum(first_looked[:, able], looked_at[0][:, [j]])
        last_looked[:, able] = np.maximum(last_looked[:, able], looked_at[1][:, [j]])
    masks = looking.can @ np.left_shift(np.int64(1), np.arange(n_methods))
    listed_bits = own_bits[:, None] & masks

    by_reach = unit_runs(sampling, looking.reach)
    reaches = units_looked_and_found(sampling, by_reach)
    # A visit with a find from outside the rules looked, others by their gear: no find adds one.
    odd = replace(sampling, row=row[beyond], kind=kind[beyond], beyond=beyond[beyond])
    visited = units_looked_and_found(odd, unit_runs(odd, looking.visit)).looked
    n_looked = placements_looked + extra
    maybe, note = _possible(found > 0, species)
    # Finds from outside the rules leave a note, which says what the others alone found.
    at = np.nonzero(extra)
    columns = (
        extra, found, placements_looked, found - extra,
        reaches.looked_listed, reaches.found_listed,
    )  # fmt: skip
    note[at] = [_NOTE.format(*row) for row in zip(*(c[at].tolist() for c in columns), strict=True)]
    frame = pd.DataFrame(
        {
            "catchment": np.repeat(names.to_numpy(), n_species),
            "species": np.tile(species.index.to_numpy(), n_places),
            "state": np.select(
                [found.ravel() > 0, maybe.ravel(), n_looked.ravel() > 0],
                ["found", "possible", "not_found"],
                default="never_looked",
            ),
            "placements": n_looked.ravel().astype(np.int64),
            "placements_found": found.ravel().astype(np.int64),
            "reaches": reaches.looked.ravel().astype(np.int64),
            "reaches_found": reaches.found.ravel().astype(np.int64),
        }
    ).astype({"catchment": "str", "species": "str", "state": "str"})
    for units, prefix in (("reaches", ""), ("placements", "placement_")):
        looked_n, found_n = frame[units].to_numpy(), frame[f"{units}_found"].to_numpy()
        with np.errstate(invalid="ignore", divide="ignore"):
            frame[f"{prefix}proportion"] = np.where(looked_n > 0, found_n / looked_n, np.nan)
        worth = np.ones(looked_n.size)
        if prefix:
            worth = independent_share(sampling, looking.reach, by_reach).ravel()
        limits = wilson_interval(found_n * worth, looked_n * worth)
        frame[f"{prefix}wilson_low"], frame[f"{prefix}wilson_high"] = limits
    frame["first_date"], frame["last_date"] = _dates(first), _dates(last)
    frame["first_looked"], frame["last_looked"] = _dates(first_looked), _dates(last_looked)
    frame["looked_methods"] = _method_lists((listed_bits | bits).ravel(), methods.index)
    frame["visits"] = visited.ravel().astype(np.int64)
    frame["individuals"] = sampling.rolled(fish.reshape(found.shape)).ravel()
    frame["individuals_lower_bound"] = sampling.rolled(at_least.reshape(found.shape)).ravel() > 0
    frame["methods"] = _method_lists(bits.ravel(), methods.index)
    frame["note"] = pd.Series(note.ravel(), dtype="str")
    main = main_units(placements, effort) if main is None else main
    words = _effort_words(looking, placements, effort, methods, sampling, base, by_method, main)
    frame["effort"] = _joined(listed_bits, words)
    # Genus and family entries are no species looked for: they have rows only where recorded.
    is_species = np.tile((species["rank"].fillna("species") == "species").to_numpy(bool), n_places)
    frame = frame.loc[is_species | (found.ravel() > 0)]
    used_records = np.zeros(len(placements), dtype=bool)
    used_records[row] = True
    frame = frame.sort_values(["catchment", "species"], ignore_index=True)
    return frame[list(OCCURRENCE_COLUMNS)], used_records


def _caught(
    looking: _Looking,
    placements: pd.DataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    n_places: int,
) -> tuple[Ints, NDArray[np.int32], Floats, NDArray[np.integer]]:
    """Placement and species of all that was caught in places, each pair once, ascending.

    Then by place and species, in one row: fish, and how many counts are "at least".
    """
    size = len(species)
    kind = codes_of(catches["species"], species.index, "Species")
    row = codes_within(catches["placement_id"], placements.index)
    number, lower = catch_numbers(catches)
    cell = (np.append(looking.place, -1) * size)[row]
    kept = (cell >= 0) & (number > 0)
    if not kept.all():
        row, kind, cell = row[kept], kind[kept], cell[kept]
        number, lower = number[kept], lower[kept]
    # Arrays of millions: what is written over need not be made anew.
    cell += kind
    row *= size
    row += kind
    row.sort()
    row, kind = np.divmod(row[differs(row)], max(size, 1))
    fish = np.asarray(np.bincount(cell, number, n_places * size), dtype=np.float64)
    at_least = np.bincount(cell[lower], minlength=fish.size)
    return row, kind.astype(np.int32), fish, at_least


def _possible(found: Bools, species: pd.DataFrame) -> tuple[Bools, Objects]:
    """Places x species not found that may be among fish not taken further, and which fish."""
    within = may_include(species)
    maybe = np.zeros(found.shape, dtype=bool)
    words = np.full(found.shape, "", dtype=object)
    for entry, kind in zip(*np.nonzero(within), strict=True):
        here = found[:, entry] & ~found[:, kind]
        name = str(species.index[entry])
        rank = "sp." if species["rank"].iloc[entry] == "genus" else "(family)"
        start = np.where(maybe[here, kind], " and ", "may be among fish recorded only as ")
        words[here, kind] += start.astype(object) + f"{name} {rank}"
        maybe[here, kind] = True
    return maybe, words


def _effort_words(
    looking: _Looking,
    placements: pd.DataFrame,
    effort: pd.DataFrame,
    methods: pd.DataFrame,
    sampling: Sampling,
    base: Ints,
    by_method: Floats,
    units: pd.Series,
) -> Objects:
    """Effort by place and method in its main unit, as words."""
    n_places, n_methods = by_method.shape
    unit = methods.index.to_series().map(units)
    amount = effort_in(placements, effort, unit, looking.method)
    known = base[~np.isnan(amount[base])]
    cell = (looking.place * n_methods + looking.method)[known]
    total, stated = (
        sampling.rolled(
            np.bincount(cell, weights, minlength=by_method.size).reshape(by_method.shape)
        )
        for weights in (amount[known], np.ones(cell.size))
    )
    words = np.full((n_places, n_methods), "", dtype=object)
    labels = methods.get("label", methods.index).tolist()
    place, method = np.nonzero(by_method > 0)
    texts = unit_words(pd.Series(total[place, method]), unit.iloc[method].reset_index(drop=True))
    for i, j, text in zip(place, method, texts, strict=True):
        lacking = int(by_method[i, j] - stated[i, j])
        said = f"{total[i, j]:,.1f}".removesuffix(".0") + f" {text}"
        if lacking:
            without = f"effort of {counted(lacking, 'placement')} not known"
            said = f"{said} ({without})" if stated[i, j] else without
        words[i, j] = f"{labels[j]}: {said}"
    return words


def _joined(bits: Ints, words: Objects) -> pd.Series:
    """Words of each place's methods that are in the bits of each of its cells."""
    n_places, n_species = bits.shape
    keys = pd.MultiIndex.from_arrays([np.repeat(np.arange(n_places), n_species), bits.ravel()])
    which, distinct = keys.factorize()
    texts = [
        "; ".join(text for j, text in enumerate(words[place]) if int(chosen) >> j & 1)
        for place, chosen in distinct
    ]
    return pd.Series(np.array([*texts, ""], dtype=object)[which], dtype="str")


_NEVER: Final = np.iinfo(np.int64).max


def _first_and_last(
    looking: _Looking, row: Ints, cell: Ints, shape: tuple[int, int], nesting: tuple[Ints, Ints]
) -> tuple[Ints, Ints]:
    """First and last day of placements in each cell of places and others, and all within it."""
    day, size = looking.day[row], shape[0] * shape[1]
    first, last = np.full(size, _NEVER), np.full(size, -_NEVER)
    np.maximum.at(last, cell, day)  # a missing date is the lowest number there is
    day[day < -_NEVER] = _NEVER
    np.minimum.at(first, cell, day)
    return (
        _nested(first.reshape(shape), nesting, np.minimum),
        _nested(last.reshape(shape), nesting, np.maximum),
    )


def _nested(leaf: Ints, nesting: tuple[Ints, Ints], ufunc: np.ufunc) -> Ints:
    """Combine each catchment's values with those of all catchments within it."""
    whole = leaf.copy()
    inner, outer = nesting
    ufunc.at(whole, outer, leaf[inner])
    return whole


def _dates(day: Ints) -> NDArray[np.datetime64]:
    missing = np.iinfo(np.int64).min  # how NumPy stores a missing time
    known = np.where(np.abs(day) == _NEVER, missing, day)
    return known.ravel().view("datetime64[D]").astype("datetime64[us]")


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
