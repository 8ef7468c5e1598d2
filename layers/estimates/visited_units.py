"""Units, such as reaches or visits, that placements looked at or found fish in, by place.

Placements and finds of one unit in one place stand together in sorted arrays. What a unit has in
one smallest place is entered there once, and its counts are added up over what holds that place;
where something holds several of its places, the counts of each holder are its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import scipy

from layers.arrays import differs
from layers.fieldwork.looking import rolled_up, separate_parts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints

__all__ = [
    "Sampling",
    "UnitRuns",
    "Units",
    "by_cell",
    "by_slot",
    "unit_runs",
    "units_looked_and_found",
]


@dataclass(frozen=True)
class Sampling:
    """Placements (n) and what was found by them (k), in numbers.

    Attributes
    ----------
    place, method
        Of each placement; a place of -1 is outside all.
    looked
        Which placements count as looking.
    can
        Which species which method can find, (species, methods); at most 62 methods.
    row, kind, beyond
        Placement and species of each find, each pair once, and whether it is one by a method
        that cannot find the species, or by a placement that did not look.
    nesting
        Pairs of places: one, and what holds it, itself included.
    places
        How many places there are.
    """

    place: Ints
    method: Ints
    looked: Bools
    can: Bools
    row: Ints
    kind: NDArray[np.integer]
    beyond: Bools
    nesting: tuple[Ints, Ints]
    places: int

    def rolled(self, of_each: Floats | NDArray[np.integer]) -> Floats:
        """Add to each place's numbers those of the places in it, (places, …)."""
        inner, outer = self.nesting
        ones = np.ones(inner.size)
        roll = scipy.sparse.csr_array((ones, (outer, inner)), shape=(self.places,) * 2)
        return np.asarray(roll @ of_each, dtype=np.float64)


@dataclass(frozen=True)
class UnitRuns:
    """Placements that looked, and finds, by unit and place.

    Attributes
    ----------
    slot
        Of each group, a unit in a place: the place, that number counting for all that hold it
        too; or, where the unit lies in several that something holds, the number of places and the
        place more.
    looked_in, method
        Group and method of each placement that looked.
    found_in, kind, beyond
        Of each find: group, species, whether it is from beyond the rules; in this order.
    cell
        Of each find: slot and species in one number, for `by_cell`.
    once
        Of each find: whether it differs from the one before in group, species or beyond.
    """

    slot: Ints
    looked_in: Ints
    method: Ints
    found_in: Ints
    kind: Ints
    beyond: Bools
    cell: Ints
    once: Bools


def unit_runs(sampling: Sampling, unit: Ints) -> UnitRuns:
    """Gather what was done at each unit; `unit` of each placement, -1 = none."""
    place, (species, methods) = sampling.place, sampling.can.shape
    places, units = max(sampling.places, 1), int(unit.max(initial=0)) + 1
    rows = np.flatnonzero((place >= 0) & (unit >= 0))
    # Nothing holds places of two parts, so that what a unit has in each counts by itself.
    part = separate_parts(sampling.nesting, sampling.places)[place[rows]]
    key = (part * units + unit[rows]) * places + place[rows]
    order = np.argsort(key)
    rows, key = rows[order], key[order]
    new, in_part = differs(key), np.cumsum(differs(key // places)) - 1
    split = (np.bincount(in_part[new]) > 1)[in_part]
    group = np.full(len(unit), -1)
    group[rows] = np.cumsum(new & ~split) - 1
    # Placements of a unit in several places are in several groups: they are numbered from -2 down.
    several = rows[split]
    group[several] = -2 - np.arange(several.size)
    own = place[rows[new & ~split]]
    each, holder = rolled_up(place[several], sampling.nesting, places)
    held, of_each = np.unique(holder * units + unit[several][each], return_inverse=True)
    slot = np.concatenate([own, sampling.places + held // units])
    groups = (each, own.size + of_each)

    def keys(at: Ints, tag: NDArray[np.integer], tags: int) -> Ints:
        """Give the groups of placements, each with its tag, of so many there are; ascending."""
        exact = np.dtype(np.int32 if slot.size * tags < 2**31 else np.int64)  # half the memory
        own = group.astype(exact)[at]
        split = np.flatnonzero(own < -1)
        each, whole = rolled_up(-2 - own[split], groups, several.size)
        more = whole * tags + tag[split[each]]
        own *= tags
        own += tag.astype(exact, copy=False)
        key = np.concatenate([own, more.astype(exact)])
        key.sort()
        return key[(key < 0).sum() :]  # without those in no group or in several

    looking = np.flatnonzero(sampling.looked)
    looked_in, method = np.divmod(keys(looking, sampling.method[looking], methods), methods)
    key = keys(sampling.row, 2 * sampling.kind + sampling.beyond, 2 * species)
    found_in, tag = np.divmod(key, 2 * species)
    kind = tag >> 1
    cell = (slot * species)[found_in]
    cell += kind
    beyond = (tag & 1).astype(bool)
    return UnitRuns(slot, looked_in, method, found_in, kind, beyond, cell, differs(key))


def by_slot(sampling: Sampling, slot: Ints, weights: Floats | None = None) -> Floats:
    """Sum of weights, 1 where none, by place; for each slot as of `UnitRuns`, (places,)."""
    both = np.bincount(slot, weights, 2 * sampling.places).astype(np.float64)
    return sampling.rolled(both[: sampling.places]) + both[sampling.places :]


def by_cell(sampling: Sampling, cell: Ints, weights: Floats | None = None) -> Floats:
    """Sum them by place and species, (places, species); for each cell as of `UnitRuns`."""
    species = len(sampling.can)
    both = np.bincount(cell, weights, 2 * sampling.places * species).astype(np.float64)
    own, rest = both.reshape(2, sampling.places, species)
    return sampling.rolled(own) + rest


@dataclass(frozen=True)
class Units:
    """Distinct units by place and species; `listed`: without finds from beyond the rules.

    A unit that a species was found in counts as looked at for it, whatever the method.
    """

    looked: Floats
    found: Floats
    looked_listed: Floats
    found_listed: Floats


def units_looked_and_found(sampling: Sampling, runs: UnitRuns) -> Units:
    """Count the distinct units looked at, and found in."""
    bits = np.zeros(runs.slot.size, np.int64)
    np.bitwise_or.at(bits, runs.looked_in, np.left_shift(np.int64(1), runs.method))
    methods = np.left_shift(np.int64(1), np.arange(sampling.can.shape[1]))
    masks = sampling.can @ methods
    # Few distinct sets of methods occur: count units for each set, then for each species.
    which, sets = pd.factorize(bits)
    key, number = np.unique(runs.slot * len(sets) + which, return_counts=True)
    shape = (2 * sampling.places, len(sets))
    of_sets = scipy.sparse.csr_array((number * 1.0, np.divmod(key, max(len(sets), 1))), shape=shape)
    sees = (sets[:, None] & masks[None, :]) != 0
    own, rest = (of_sets @ sees.astype(np.float64)).reshape(2, sampling.places, len(masks))
    looked = sampling.rolled(own) + rest

    group, kind, beyond = runs.found_in, runs.kind, np.flatnonzero(runs.beyond & runs.once)
    unseen = beyond[(bits[group[beyond]] & masks[kind[beyond]]) == 0]
    # What was found within the rules and beyond them stands side by side.
    after = beyond[beyond > 0]
    both = after[(group[after] == group[after - 1]) & (kind[after] == kind[after - 1])]
    found = by_cell(sampling, runs.cell) - by_cell(sampling, runs.cell[~runs.once])
    return Units(
        looked + by_cell(sampling, runs.cell[unseen]),
        found - by_cell(sampling, runs.cell[both]),
        looked,
        found - by_cell(sampling, runs.cell[beyond]),
    )
