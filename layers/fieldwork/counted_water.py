"""The water that counts: lengths that gear sampled, and water that somebody visited.

The one place that decides it, for sampled length, coverage, gaps, streams and next places alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from layers.errors import FrameError
from layers.fieldwork.looking import inputs_of, left_out_by_outcome, local_dates, looked
from layers.frames import codes_of, codes_within, reads
from layers.network.cutting import reaches_inside
from layers.network.distance import SampledDistance, distance_to_sampled
from layers.network.intervals import Intervals, overlay
from layers.network.surroundings import surroundings

if TYPE_CHECKING:
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


@dataclass(frozen=True, eq=False)
class Water:
    """Water that counts in one way.

    Attributes
    ----------
    intervals
        k intervals as they lie, overlaps and all; `group` is the reach's row.
    placement
        Position of each interval's placement in the placements frame, (k,).
    inputs
        What was used and what was left out by reason, for `frame.attrs["inputs"]`.
    """

    intervals: Intervals
    placement: Ints
    inputs: dict[str, Any]

    def within(self, region: Intervals | None) -> Water:
        """Cut to a region, whose parts do not overlap."""
        if region is None:
            return self
        cut = overlay(self.intervals, region)
        pieces = Intervals(self.intervals.group[cut.interval], cut.from_m, cut.to_m)
        return Water(pieces, self.placement[cut.interval], self.inputs)


@dataclass(frozen=True, eq=False)
class CountedWater:
    """What the placements of one question sampled and visited.

    Attributes
    ----------
    placements
        All placements of the question, n of them.
    day
        Local date of setting, (n,).
    row, measure_m
        Reach row (−1 = none) and measure of each placement's position, (n,). [m]
    counted
        Which placements count, (n,).
    sampled
        Stretches.
    visited
        Stretches; and for a placement without one the water that it stands for, and the water
        inside its polygon.
    """

    network: Network
    placements: pd.DataFrame
    day: NDArray[np.datetime64]
    row: Ints
    measure_m: Floats
    counted: Bools
    sampled: Water
    visited: Water
    _distance: dict[Counted, SampledDistance] = field(default_factory=dict, repr=False)

    def of(self, count: Counted) -> Water:
        """Water that counts as `visited` or as `sampled`.

        Raises
        ------
        FrameError
            It is another word.
        """
        if count not in COUNTS:
            raise FrameError(f"{count!r} is no way to count; use {' or '.join(COUNTS)}.")
        return self.visited if count == "visited" else self.sampled

    def distance(self, count: Counted) -> SampledDistance:
        """How far every place is from such water; computed once."""
        if count not in self._distance:
            self._distance[count] = distance_to_sampled(self.network, *self.of(count).intervals)
        return self._distance[count]

    def on_reaches(self, region: Intervals | None = None) -> tuple[Ints, Ints]:
        """Pairs of placement and reach row: whose visited water, or position, lies on which reach.

        By placement, then row; within a region if one is given, (p,) each.
        """
        water = self.visited.within(region)
        some = water.intervals.from_m < water.intervals.to_m
        on = np.flatnonzero(self.counted & (self.row >= 0))
        if region is not None:
            on = on[holds(region, self.row[on], self.measure_m[on])]
        m = max(len(self.network.length_m), 1)
        key = np.concatenate(
            [water.placement[some] * m + water.intervals.group[some], on * m + self.row[on]]
        )
        placement, row = np.divmod(np.unique(key), m)
        return placement, row


def holds(region: Intervals, rows: Ints, measure_m: Floats) -> Bools:
    """Mark the places that lie in a region, ends included; parts of one reach do not overlap."""
    order = np.lexsort((region.from_m, region.group))
    group, first, last = (column[order] for column in region)
    inside = np.zeros(len(rows), bool)
    at = np.searchsorted(group, rows, side="left")
    end = np.searchsorted(group, rows, side="right")
    while (open_ := at < end).any():  # once for each part that any reach has
        k = np.where(open_, at, 0)
        inside |= open_ & (first[k] <= measure_m) & (measure_m <= last[k])
        at = at + 1
    return inside


def represented_m(methods: pd.DataFrame) -> pd.Series:
    """Stream that a placement of each method stands for, up and down. [m]."""
    if "represents_m" not in methods:
        return pd.Series(REPRESENTS_M, index=methods.index)
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
    one with a polygon, as of a seine haul, also the parts of reaches inside it.

    Parameters
    ----------
    stretches, snaps, placements
        Frames of these kinds (`layers.frames`). Stretches and snaps of other placements are not
        looked at.
    methods
        Index `method`; `represents_m`, missing = 50. [m]
    represents_m
        The distance for every method instead. [m]
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
    counted, reasons = looked(placements), left_out_by_outcome(placements)
    if as_of is not None:
        later = (day > pd.Timestamp(as_of)).to_numpy(bool)
        reasons[f"set after {as_of.isoformat()}"] = int((counted & later).sum())
        counted = counted & ~later
    sampled = _stretches(network, stretches, placements, counted, reasons)
    of_placement = snaps["reach_id"].reindex(placements.index).astype("str")
    row = network.rows(of_placement)
    measure = np.zeros(len(placements))
    if len(snaps):
        measure = snaps["measure_m"].reindex(placements.index).to_numpy(np.float64)
    on = row >= 0
    length = np.append(network.length_m, np.nan)[row]  # row −1: not on the network
    measure = np.clip(np.where(on, measure, np.nan), 0.0, length)
    has_length = np.zeros(len(placements), bool)
    has_length[sampled.placement[sampled.intervals.length_m > 0]] = True
    point = np.flatnonzero(counted & on & ~has_length)
    code = codes_of(placements["method"].iloc[point], methods.index, "Method")
    metres = represented_m(methods) if represents_m is None else (
        pd.Series(float(represents_m), index=methods.index)
    )  # fmt: skip
    stands_for = np.asarray(metres.array, np.float64)[code]
    owner, around = _around(network, row[point], measure[point], stands_for)
    shape = placements.get("shape", pd.Series(None, index=placements.index, dtype=object))
    drawn = np.flatnonzero(counted & ~has_length & shape.notna().to_numpy(bool))
    hauled, inside = np.empty(0, np.int64), Intervals(drawn[:0], measure[:0], measure[:0])
    if len(drawn):
        hauled, inside = reaches_inside(network, shape.to_numpy(object)[drawn])
    visited = Intervals(
        *(np.concatenate(all_) for all_ in zip(sampled.intervals, around, inside, strict=True))
    )
    placement = np.concatenate([sampled.placement, point[owner], drawn[hauled]])
    used = np.zeros(len(placements), bool)
    used[placement] = True
    reasons["no place on the network"] = int((counted & ~used).sum())
    word = {} if used.any() else {"note": "nothing was visited along the network"}
    stated = metres.iloc[np.unique(code)].to_dict()
    return CountedWater(
        network=network,
        placements=placements,
        day=day.to_numpy(),
        row=row,
        measure_m=measure,
        counted=counted,
        sampled=sampled,
        visited=Water(
            visited,
            placement,
            inputs_of(
                placements, used, reasons,
                placements_by_point=len(point), represents_m=stated, **word,
            ),
        ),
    )  # fmt: skip


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
    place, water = surroundings(network, *(column[new] for column in sorted_))
    first = np.searchsorted(place, np.arange(int(new.sum()) + 1))
    count = np.diff(first)[again]
    owner = np.repeat(np.arange(len(again)), count)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    return owner, water.at(first[again[owner]] + step)


@reads("stretches", "placements")
def sampled_stretches(network: Network, stretches: pd.DataFrame, placements: pd.DataFrame) -> Water:
    """Keep the stretches of placements that fished properly, as :func:`counted_water` does.

    Raises
    ------
    FrameError
        A column is missing.
    """
    reasons = left_out_by_outcome(placements)
    return _stretches(network, stretches, placements, looked(placements), reasons)


def _stretches(
    network: Network,
    stretches: pd.DataFrame,
    placements: pd.DataFrame,
    counted: Bools,
    reasons: dict[str, int],
) -> Water:
    placement = codes_within(stretches["placement_id"], placements.index)
    row = codes_within(stretches["reach_id"], network.reaches.index)
    counts = (placement >= 0) & (row >= 0)
    counts &= counted[placement] if len(counted) else False
    has_stretch = np.zeros(len(placements), bool)
    has_stretch[placement[placement >= 0]] = True
    used = np.zeros(len(placements), bool)
    used[placement[counts]] = True
    further = {
        "no stretch along the network": int((counted & ~has_stretch).sum()),
        "stretch on reaches that are not in the network": int(
            (counted & has_stretch & ~used).sum()
        ),
    }
    row, placement = row[counts], placement[counts]
    length = network.length_m[row]
    one = np.clip(stretches["from_m"].to_numpy(float)[counts], 0.0, length)
    other = np.clip(stretches["to_m"].to_numpy(float)[counts], 0.0, length)
    word = {} if used.any() else {"note": "nothing was sampled along the network"}
    return Water(
        Intervals(row, np.minimum(one, other), np.maximum(one, other)),
        placement,
        inputs_of(placements, used, reasons | further, **word),
    )
