"""Units, such as reaches or visits, that placements looked at or found fish in, by place.

Placements and finds of one unit in one place stand together as runs of equal numbers in one
sorted array. What a unit has in one smallest place is entered there once, and its counts are added
up over what holds that place; where something holds several of its places, the counts of each
holder are its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import scipy

from layers.fieldwork.looking import rolled_up, separate_parts

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Ints

__all__ = [
    "Sampling",
    "UnitRuns",
    "by_slot",
    "by_slot_and_species",
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
    kind: Ints
    beyond: Bools
    nesting: tuple[Ints, Ints]
    places: int

    def rolled(self, of_each: Floats) -> Floats:
        """Add to each place's numbers those of the places in it, (places, …)."""
        inner, outer = self.nesting
        ones = np.ones(inner.size)
        roll = scipy.sparse.csr_array((ones, (outer, inner)), shape=(self.places,) * 2)
        return np.asarray(roll @ of_each, dtype=np.float64)


@dataclass(frozen=True)
class UnitRuns:
    """Runs of placements and finds that are alike, by unit and place.

    Attributes
    ----------
    slot
        Of each group, a unit in a place: the place, that number counting for all that hold it
        too; or, where the unit lies in several that something holds, the number of places and the
        place more.
    looked_in, method, looks
        Of each run of placements that looked: group, method, how many.
    found_in, kind, beyond, finds
        Of each run of finds: group, species, whether they are from beyond the rules, how many.
    """

    slot: Ints
    looked_in: Ints
    method: Ints
    looks: Ints
    found_in: Ints
    kind: Ints
    beyond: Bools
    finds: Ints


def unit_runs(sampling: Sampling, unit: Ints) -> UnitRuns:
    """Gather what was done at each unit; `unit` of each placement, -1 = none."""
    place, places, methods = sampling.place, sampling.places, sampling.can.shape[1]
    there = (place >= 0) & (unit >= 0)
    rows = np.flatnonzero(there)
    # Nothing holds places of two parts, so that what a unit has in each counts by itself.
    part = separate_parts(sampling.nesting, places)
    code, known = pd.factorize(unit[rows] * max(places, 1) + part[place[rows]])
    some_place, split = np.zeros(len(known), np.int64), np.zeros(len(known), bool)
    some_place[code] = place[rows]
    split[code[place[rows] != some_place[code]]] = True
    of_split = np.zeros(len(unit), bool)
    of_split[rows] = split[code]

    looks, finds = np.flatnonzero(there & sampling.looked), there[sampling.row]
    at = np.concatenate([looks, sampling.row[finds]])
    tag = 2 * sampling.kind[finds] + sampling.beyond[finds] + methods
    tag = np.concatenate([sampling.method[looks], tag])
    apart = of_split[at]
    each, holder = rolled_up(place[at[apart]], sampling.nesting, places)
    for_unit = int(unit.max(initial=0)).bit_length()
    for_tag = int(tag.max(initial=0)).bit_length()

    own = (places + holder) << for_unit | unit[at[apart][each]]
    key = np.concatenate(
        [
            ((place << for_unit | unit) << for_tag)[at[~apart]] | tag[~apart],
            own << for_tag | tag[apart][each],
        ]
    )
    key.sort()
    starts = np.append(np.flatnonzero(_differs(key)), key.size)
    count = starts[1:] - starts[:-1]
    key = key[starts[:-1]]
    tag, upper = key & ((1 << for_tag) - 1), key >> for_tag
    new = _differs(upper)
    group = np.cumsum(new) - 1
    looked, found = np.flatnonzero(tag < methods), np.flatnonzero(tag >= methods)
    tag_found = tag[found] - methods
    return UnitRuns(
        slot=upper[new] >> for_unit,
        looked_in=group[looked],
        method=tag[looked],
        looks=count[looked],
        found_in=group[found],
        kind=tag_found >> 1,
        beyond=(tag_found & 1).astype(bool),
        finds=count[found],
    )


def _differs(values: Ints) -> Bools:
    """Which differ from the one before."""
    return np.append(True, values[1:] != values[:-1])[: values.size]


def by_slot(sampling: Sampling, slot: Ints, weights: Floats | None = None) -> Floats:
    """Sum of weights, 1 where none, by place; for each slot as of `UnitRuns`, (places,)."""
    both = np.bincount(slot, weights, 2 * sampling.places).astype(np.float64)
    return sampling.rolled(both[: sampling.places]) + both[sampling.places :]


def by_slot_and_species(
    sampling: Sampling, slot: Ints, kind: Ints, weights: Floats | None = None
) -> Floats:
    """Sum them by place and species, (places, species)."""
    species = len(sampling.can)
    cells = sampling.places * species
    both = np.bincount(slot * species + kind, weights, 2 * cells).astype(np.float64)
    own, rest = both.reshape(2, sampling.places, species)
    return sampling.rolled(own) + rest


def units_looked_and_found(sampling: Sampling, runs: UnitRuns) -> tuple[Ints, Ints]:
    """Distinct units looked at, and found in, by place and species.

    A unit that a species was found in counts as looked at for it, whatever the method.
    """
    first = np.flatnonzero(_differs(runs.looked_in))
    bits = np.zeros(runs.slot.size, np.int64)
    if first.size:
        each = np.left_shift(np.int64(1), runs.method)
        bits[runs.looked_in[first]] = np.bitwise_or.reduceat(each, first)
    methods = np.left_shift(np.int64(1), np.arange(sampling.can.shape[1]))
    masks = sampling.can @ methods
    # Few distinct sets of methods occur: count units for each set, then for each species.
    which, sets = pd.factorize(bits)
    shape = (2 * sampling.places, len(sets))
    of_sets = scipy.sparse.csr_array((np.ones(bits.size), (runs.slot, which)), shape=shape)
    sees = (sets[:, None] & masks[None, :]) != 0
    own, rest = (of_sets @ sees.astype(np.float64)).reshape(2, sampling.places, len(masks))
    looked = sampling.rolled(own) + rest

    group, kind = runs.found_in, runs.kind
    once = _differs(group) | _differs(kind)
    found = by_slot_and_species(sampling, runs.slot[group[once]], kind[once])
    unseen = np.flatnonzero(runs.beyond)
    unseen = unseen[(bits[group[unseen]] & masks[kind[unseen]]) == 0]
    looked += by_slot_and_species(sampling, runs.slot[group[unseen]], kind[unseen])
    return looked.astype(np.int64), found.astype(np.int64)
