"""The water that counts: lengths that gear sampled, and water that somebody visited.

The one place that decides it, for sampled length, coverage, gaps, streams and next places alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import count as counting
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from layers.arrays import narrow, rows_of_runs
from layers.coded import distinct
from layers.errors import FrameError
from layers.fieldwork.hours import worked_at
from layers.fieldwork.looking import inputs_of, left_out_by_outcome, local_dates, looked
from layers.frames import codes_of, codes_within, reads
from layers.narrow_columns import Rows
from layers.network.cutting import reaches_inside
from layers.network.distance import (
    SampledDistance,
    distance_to_sampled,
    node_distance,
    spliced,
)
from layers.network.intervals import Intervals, order_of, overlay, runs_of, union_intervals
from layers.network.surroundings import surroundings

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable
    from datetime import date

    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints
    from layers.network.graph import Network

__all__ = [
    "COUNTS",
    "REPRESENTS_M",
    "Counted",
    "CountedWater",
    "Water",
    "counted_water",
    "holds",
    "sampled_stretches",
]

Counted = Literal["visited", "sampled"]
COUNTS: Final[tuple[Counted, ...]] = ("visited", "sampled")
# What a placement without a stretch stands for, up and down, where its method says nothing. A
# convention of this program. [m]
REPRESENTS_M: Final = 50.0
_AT_ONCE: Final = 200_000  # places that are searched around; a million take 300 MB
_AT_NIGHT: Final = ("night", "overnight")
_MADE: Final = counting()


@dataclass(frozen=True, eq=False)
class Water:
    """Water that counts in one way.

    Attributes
    ----------
    intervals
        k intervals as they lie, overlaps and all; `group` is the reach's row.
    placement
        Position of each interval's placement in the placements frame, (k,).
    """

    intervals: Intervals
    placement: Ints

    def within(self, region: Intervals | None) -> Water:
        """Cut to a region, whose parts do not overlap."""
        if region is None:
            return self
        cut = overlay(self.intervals, region)
        pieces = Intervals(self.intervals.group[cut.interval], cut.from_m, cut.to_m)
        return Water(pieces, self.placement[cut.interval])


@dataclass(frozen=True, eq=False)
class CountedWater:
    """What the placements of one question sampled and visited.

    Attributes
    ----------
    placements
        All placements of the question, n of them.
    methods, represents_m, as_of
        As of :func:`counted_water`.
    row, measure_m
        Reach row (−1 = none) and measure of each placement's position, (n,). [m]
    counted, has_stretch
        Which placements count, and which have a stretch on record, (n,).
    sampled, visited
        Stretches; and visited, for a placement without one, the water that it stands for and the
        water inside its polygon; by placement.
    made, changed_in
        A number of this water that grows with time, and that of the water in which each reach
        came to be as it is, (m,).
    found
        What was found of this water or of earlier ones, with the number of that water.
    """

    network: Network
    placements: pd.DataFrame
    methods: pd.DataFrame
    row: Ints
    measure_m: Floats
    counted: Bools
    has_stretch: Bools
    sampled: Water
    visited: Water
    represents_m: float | None
    as_of: date | None
    made: int
    changed_in: Ints
    found: dict[Any, Any] = field(repr=False)

    @cached_property
    def day(self) -> NDArray[np.datetime64]:
        """Local date of setting, (n,)."""
        return local_dates(self.placements).to_numpy()

    def of(self, count: Counted) -> Water:
        """Water that counts as `visited` or as `sampled`; FrameError for another word."""
        if count not in COUNTS:
            raise FrameError(f"{count!r} is no way to count; use {' or '.join(COUNTS)}.")
        return self.visited if count == "visited" else self.sampled

    def _found(self, key: Hashable, find: Callable[[int, Any], Any]) -> Any:  # noqa: ANN401
        """Give what was found of this water; else find it by what was of an earlier, and which."""
        made, last = self.found.get(key, (-1, None))
        if made < self.made:
            last = find(made, last)
            self.found[key] = self.made, last
        return last

    def inputs(self, count: Counted) -> dict[str, Any]:
        """Say what was used and what was left out by reason, for `frame.attrs["inputs"]`."""
        return dict(self._found(("inputs", count), lambda *_: self._inputs(count)))

    def _inputs(self, count: Counted) -> dict[str, Any]:
        used = _marked(self.of(count).placement, len(self.row))
        left_out = dict(self._found("left out", lambda *_: left_out_by_outcome(self.placements)))
        if self.as_of is not None:
            later = looked(self.placements) & ~self.counted
            left_out[f"set after {self.as_of.isoformat()}"] = int(later.sum())
        more: dict[str, Any] = {}
        if not used.any():
            more["note"] = f"nothing was {count} along the network"
        if count == "sampled":
            strange = self.counted & self.has_stretch & ~used
            left_out["no stretch along the network"] = int((self.counted & ~self.has_stretch).sum())
            left_out["stretch on reaches that are not in the network"] = int(strange.sum())
        else:
            point = self.counted & (self.row >= 0) & ~_has_length(self.sampled, len(self.row))
            code = distinct(codes_within(self.placements["method"], self.methods.index)[point])
            left_out["no place on the network"] = int((self.counted & ~used).sum())
            stands_for = represented_m(self.methods, self.represents_m).iloc[code].to_dict()
            more = {"placements_by_point": int(point.sum()), "represents_m": stands_for} | more
        return inputs_of(self.placements, used, left_out, day=self.day, **more)

    def distance(self, count: Counted) -> SampledDistance:
        """How far every place is from such water; computed once, and anew where that changed."""
        return replace(self._distance_since(count)[1])  # what follows from it is not kept

    def moved_since(self, count: Counted, made: int) -> Bools:
        """Mark reaches whose distances may differ from those of an earlier water, (m,)."""
        return self._distance_since(count)[0] > made

    def _distance_since(self, count: Counted) -> tuple[Ints, SampledDistance]:
        def find(made: int, last: tuple[Ints, SampledDistance] | None) -> tuple[Ints, Any]:
            moved_in, before = last or (self.changed_in, None)
            found = distance_to_sampled(
                self.network,
                *self.of(count).intervals,
                before=before,
                changed=self.changed_in > made,
            )
            return np.where(found.moved, np.int32(self.made), moved_in), found

        since: tuple[Ints, SampledDistance] = self._found(count, find)
        return since

    def by_night(self) -> Intervals:
        """Join the water that was visited by night or overnight."""

        def find(made: int, last: Intervals | None) -> Intervals:
            night, changed, water = self._at_night(), self.changed_in > made, self.visited
            own = water.intervals.at(night[water.placement] & changed[water.intervals.group])
            found = union_intervals(*own)
            return found if last is None else spliced(last, found, changed)

        joined: Intervals = self._found("by night", find)
        return joined

    def _at_night(self) -> Bools:
        if "night" not in self.found:
            self.found["night"] = worked_at(self.placements, self.methods, _AT_NIGHT)
        night: Bools = self.found["night"]
        return night

    def near_changes(self, made: int, within_m: float) -> Bools:
        """Mark reaches that something within a distance of may have changed for, (m,)."""
        network, changed = self.network, self.changed_in > made
        seeds = np.full(network.n_nodes, np.inf)
        seeds[network.from_node[changed]] = seeds[network.to_node[changed]] = 0.0
        near = np.isfinite(node_distance(network, seeds, limit_m=within_m * 1.001 + 1.0))
        there: Bools = near[network.from_node] | near[network.to_node]
        return there

    def visits(
        self, group: Ints, region: Intervals | None = None, among: Bools | None = None
    ) -> tuple[Ints, Ints]:
        """Pairs of placement and group of reaches: whose visited water, or position, lies where.

        `group` numbers the reaches, (m,); within a region and on `among` them, if given, (p,).
        """
        water = self.visited.within(region)
        some = water.intervals.from_m < water.intervals.to_m
        here = self.counted & (self.row >= 0)
        if among is not None:
            some &= among[water.intervals.group]
            here &= np.append(among, False)[self.row]
        on = np.flatnonzero(here)
        if region is not None:
            on = on[holds(region, self.row[on], self.measure_m[on])]
        placement = np.concatenate([water.placement[some], on])
        own = np.concatenate([group[water.intervals.group[some]], group[self.row[on]]])
        order = np.argsort(placement, kind="stable")
        placement, own = placement[order], own[order]
        first = np.flatnonzero(np.diff(placement, prepend=-1))
        # Most placements lie in one group: only others have to be sorted.
        also = own != np.repeat(own[first], np.diff(np.append(first, len(own))))
        size = int(group.max(initial=0)) + 1
        rest = np.divmod(distinct(placement[also] * np.int64(size) + own[also]), size)
        return np.append(placement[first], rest[0]), np.append(own[first], rest[1])

    def with_changes(
        self, placements: pd.DataFrame, source: Ints, new: CountedWater
    ) -> CountedWater:
        """Put in the water of placements that were added or changed, and leave out what is gone.

        Parameters
        ----------
        placements
            All placements as they are now, n of them.
        source
            Which of this water's placements each is, unchanged; −1 for one of the new, (n,).
        new
            The water of those, in their order, by the same options.
        """
        stays = source >= 0
        take = source.copy()
        take[~stays] = len(self.row) + np.arange(len(new.row))
        place = np.full(len(self.row) + len(new.row), -1, np.int32)
        place[take] = np.arange(len(take))
        changed_in = self.changed_in.copy()
        gone = place[: len(self.row)] < 0
        some = ((self, gone), (new, np.ones(len(new.row), bool)))
        for water, those in some if gone.any() else some[1:]:
            changed_in[water.row[those & (water.row >= 0)]] = new.made
            for part in (water.sampled, water.visited):
                changed_in[part.intervals.group[those[part.placement]]] = new.made

        def both(one: Water, other: Water) -> Water:
            old, own = place[one.placement], place[other.placement + len(self.row)]
            kept: Any = np.flatnonzero(old >= 0) if gone.any() else slice(None)
            if (np.diff(old[kept]) < 0).any():
                kept = np.flatnonzero(old >= 0)
                kept = kept[np.argsort(old[kept], kind="stable")]
            at = np.searchsorted(old[kept], own)  # sorted, both: the few are put in
            pairs = zip(one.intervals, other.intervals, strict=True)
            columns: list[Any] = [np.insert(all_[kept], at, few) for all_, few in pairs]
            return Water(Intervals(*columns), np.insert(old[kept], at, own))

        found, rows = dict(self.found), Rows(take, [len(self.row), len(new.row)])
        if "night" in found:
            found["night"] = rows.of([found["night"], new._at_night()])
        arrays: dict[str, Any] = {
            name: rows.of([getattr(self, name), getattr(new, name)])
            for name in ("row", "measure_m", "counted", "has_stretch")
        }
        return replace(
            self,
            placements=placements,
            sampled=both(self.sampled, new.sampled),
            visited=both(self.visited, new.visited),
            made=new.made,
            changed_in=changed_in,
            found=found,
            **arrays,
        )


def holds(region: Intervals, rows: Ints, measure_m: Floats) -> Bools:
    """Mark the places that lie in a region, ends included; parts of one reach do not overlap."""
    group, first, last = region.at(order_of(region))
    inside = np.zeros(len(rows), bool)
    at, end = runs_of(group, rows)
    while (open_ := at < end).any():  # once for each part that any reach has
        k = np.where(open_, at, 0)
        inside |= open_ & (first[k] <= measure_m) & (measure_m <= last[k])
        at = at + 1
    return inside


def represented_m(methods: pd.DataFrame, stated_m: float | None) -> pd.Series:
    """Stream that a placement of each method stands for, up and down, if no other is stated."""
    if stated_m is not None or "represents_m" not in methods:
        return pd.Series(float(stated_m or REPRESENTS_M), index=methods.index)
    stated: pd.Series = methods["represents_m"].astype("float64").fillna(REPRESENTS_M)
    return stated


@reads("stretches", "placements", "snaps", methods="method")
def counted_water(
    network: Network,
    stretches: pd.DataFrame,
    snaps: pd.DataFrame,
    placements: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    represents_m: float | None = None,
    as_of: date | None = None,
) -> CountedWater:
    """Work out what placements sampled and visited.

    Placements that fished properly count: they caught something, or, as stated, nothing. Lost and
    disturbed gear did not, and where the catch was not recorded nobody knows. Stretches count as
    sampled and as visited. A placement without a stretch whose position lies on the network
    visited the water within a distance along it, up and down, round loops and up side channels;
    one with a polygon, as of a seine haul, also the parts of reaches inside it. Stretches and snaps
    of other placements are not looked at.

    Parameters
    ----------
    represents_m
        The distance for every method, in place of the methods' own (missing = 50). [m]
    as_of
        Placements set later, by local date, do not count.

    Raises
    ------
    FrameError
        A column is missing, a method is not in its list, or the distance is not above 0.
    """
    if represents_m is not None and not 0 < represents_m < np.inf:
        raise FrameError(f"represents {represents_m} m: give a distance above 0.")
    day = local_dates(placements)
    counted = looked(placements)
    if as_of is not None:
        counted = counted & ~(day > pd.Timestamp(as_of)).to_numpy(bool)
    sampled, has_stretch = _stretches(network, stretches, placements, counted)
    of_placement = snaps["reach_id"].reindex(placements.index)
    row = codes_within(of_placement, network.reaches.index)
    measure = np.zeros(len(placements))
    if len(snaps):
        measure = snaps["measure_m"].reindex(placements.index).to_numpy(np.float64)
    on = row >= 0
    length = np.append(network.length_m, np.nan)[row]  # row −1: not on the network
    measure = np.clip(np.where(on, measure, np.nan), 0.0, length)
    has_length = _has_length(sampled, len(placements))
    point = np.flatnonzero(counted & on & ~has_length)
    code = codes_of(placements["method"].iloc[point], methods.index, "Method")
    stands_for = represented_m(methods, represents_m).to_numpy(np.float64)[code]
    owner, around = _around(network, row[point], measure[point], stands_for)
    shape = placements.get("shape", pd.Series(None, index=placements.index, dtype=object))
    drawn = np.flatnonzero(counted & ~has_length & shape.notna().to_numpy(bool))
    hauled, inside = drawn[:0], sampled.intervals.at(drawn[:0])
    if len(drawn):
        hauled, inside = reaches_inside(network, shape.to_numpy(object)[drawn])
        inside = inside._replace(group=narrow(inside.group))
    visited = Intervals(
        *(np.concatenate(all_) for all_ in zip(sampled.intervals, around, inside, strict=True))
    )
    visited_by = np.concatenate([sampled.placement, point[owner], drawn[hauled]])
    order = np.argsort(visited_by, kind="stable")
    made = next(_MADE)
    return CountedWater(
        network, placements, methods, narrow(row), measure, counted, has_stretch, sampled,
        Water(visited.at(order), narrow(visited_by[order])), represents_m, as_of, made,
        np.full(len(network.length_m), made, np.int32), {},
    )  # fmt: skip


def _has_length(sampled: Water, size: int) -> Bools:
    return _marked(sampled.placement[sampled.intervals.length_m > 0], size)


def _marked(placement: Ints, size: int) -> Bools:
    marked = np.zeros(size, bool)
    marked[placement] = True
    return marked


def _around(
    network: Network, row: Ints, measure_m: Floats, within_m: Floats
) -> tuple[Ints, Intervals]:
    """Surround each place; places that are visited again are searched once."""
    order = np.lexsort((within_m, measure_m, row))
    sorted_ = [column[order] for column in (row, measure_m, within_m)]
    new = np.ones(len(order), bool)
    new[1:] = np.any([column[1:] != column[:-1] for column in sorted_], axis=0)
    again = np.empty(len(order), np.int64)
    again[order] = np.cumsum(new) - 1
    places, size = [column[new] for column in sorted_], int(new.sum())
    found, water = [], []
    for start in range(0, max(size, 1), _AT_ONCE):
        own = slice(start, start + _AT_ONCE)
        of_place, around = surroundings(network, *(column[own] for column in places))
        found.append(of_place + start)
        water.append(around)
    first = np.searchsorted(np.concatenate(found), np.arange(size + 1))
    count = np.diff(first)[again]
    take = rows_of_runs(first[again], count)
    group, from_m, to_m = (np.concatenate(column)[take] for column in zip(*water, strict=True))
    return np.repeat(np.arange(len(again)), count), Intervals(narrow(group), from_m, to_m)


@reads("stretches", "placements")
def sampled_stretches(network: Network, stretches: pd.DataFrame, placements: pd.DataFrame) -> Water:
    """Keep the stretches of placements that fished properly, as :func:`counted_water` does."""
    return _stretches(network, stretches, placements, looked(placements))[0]


def _stretches(
    network: Network, stretches: pd.DataFrame, placements: pd.DataFrame, counted: Bools
) -> tuple[Water, Bools]:
    """Stretches on the network of placements that count, by these; and who has any on record."""
    placement = codes_within(stretches["placement_id"], placements.index)
    row = codes_within(stretches["reach_id"], network.reaches.index)
    has_stretch = _marked(placement[placement >= 0], len(placements))
    used = np.flatnonzero((placement >= 0) & (row >= 0))
    used = used[counted[placement[used]]]
    used = used[np.argsort(placement[used], kind="stable")]
    length = network.length_m[row[used]]
    one = np.clip(stretches["from_m"].to_numpy(float)[used], 0.0, length)
    other = np.clip(stretches["to_m"].to_numpy(float)[used], 0.0, length)
    intervals = Intervals(narrow(row[used]), np.minimum(one, other), np.maximum(one, other))
    return Water(intervals, narrow(placement[used])), has_stretch
