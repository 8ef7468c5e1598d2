"""Unions, complements and overlays of intervals of measure, many groups at once.

An interval is a group number, usually a reach's row, and two measures. Everything
here compares numbers and never adds them, so equal measures stay equal: intervals
that touch are joined, and repeated ones count once, to the last digit. Dissolving
lines that were cut by measure cannot promise that, because the cut vertices differ
in their last digits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from layers.arrays import rows_of_runs
from layers.errors import FrameError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from layers.arrays import Bools, Floats, Ints

__all__ = [
    "Intervals",
    "as_intervals",
    "complement",
    "order_of",
    "overlay",
    "passes",
    "remainder",
    "runs_of",
    "union_intervals",
    "union_length",
]


_TABLE: Final = 30  # groups for each that is looked up, above which a table takes longer
_GREATEST_GROUP = 2**53  # whole numbers up to here are exact in a double


class Intervals(NamedTuple):
    """n intervals: three arrays of the same length; groups that are kept are int32."""

    group: Ints
    from_m: Floats
    to_m: Floats

    @property
    def length_m(self) -> Floats:
        """Length of each interval, in metres."""
        return self.to_m - self.from_m

    def at(self, which: Ints | Bools | slice) -> Intervals:
        """Choose some of the intervals, by position or truth."""
        return Intervals(self.group[which], self.from_m[which], self.to_m[which])


class Overlay(NamedTuple):
    """Pieces in which an interval and a part overlap, by their positions."""

    interval: Ints
    part: Ints
    from_m: Floats
    to_m: Floats


def as_intervals(group: ArrayLike, from_m: ArrayLike, to_m: ArrayLike) -> Intervals:
    """Check n groups, 0 or more, and measures [m], and put each interval's smaller measure first.

    Raises
    ------
    FrameError
        Lengths differ, a measure is missing or infinite, or a group is negative.
    """
    groups = np.asarray(group)
    if groups.dtype != np.int32:
        groups = groups.astype(np.int64, copy=False)
    first = np.asarray(from_m, dtype=np.float64)
    last = np.asarray(to_m, dtype=np.float64)
    if not groups.shape == first.shape == last.shape or groups.ndim != 1:
        shapes = f"{groups.shape}, {first.shape}, {last.shape}"
        raise FrameError(
            f"group, from_m and to_m must be equally long lists, not of shapes {shapes}"
        )
    if len(groups) and (groups.min() < 0 or groups.max() >= _GREATEST_GROUP):
        raise FrameError(f"groups must lie between 0 and {_GREATEST_GROUP - 1}")
    bad = ~(np.isfinite(first) & np.isfinite(last))
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise FrameError(
            f"interval {row}: from_m {first[row]}, to_m {last[row]}; both measures must be "
            "finite numbers of metres. Leave out an interval whose ends are not known."
        )
    return Intervals(groups, np.minimum(first, last), np.maximum(first, last))


def union_intervals(group: ArrayLike, from_m: ArrayLike, to_m: ArrayLike) -> Intervals:
    """Join the intervals of each group that overlap or touch; given as to :func:`as_intervals`.

    Returns
    -------
    Intervals
        Sorted by group and measure; within a group no two touch. Intervals of no
        length are left out.

    Notes
    -----
    Sorted by start, an interval opens a new joined one when it starts beyond the
    greatest end met so far in its group.

    Examples
    --------
    >>> union_intervals([7, 7, 7, 2], [100, 400, 900, 5], [300, 300, 950, 1])
    Intervals(group=array([2, 7, 7]), from_m=array([  1., 100., 900.]),
              to_m=array([  5., 400., 950.]))
    """
    given = as_intervals(group, from_m, to_m)
    kept = given.from_m < given.to_m
    if not kept.all():
        given = given.at(kept)
    count = len(given.group)
    if count == 0:
        return given
    # Complex numbers sort by both their parts; those in order already seven times sooner than keys.
    order = np.argsort(given.group + 1j * given.from_m, kind="stable")
    groups = given.group[order]
    starts = given.from_m[order]
    ends = pd.Series(given.to_m[order]).groupby(groups).cummax().to_numpy()
    opens = np.empty(count, dtype=bool)
    opens[0] = True
    opens[1:] = (groups[1:] != groups[:-1]) | (ends[:-1] < starts[1:])
    first = np.flatnonzero(opens)
    last = np.append(first[1:], count) - 1
    return Intervals(groups[first], starts[first], ends[last])


def passes(group: ArrayLike, from_m: ArrayLike, to_m: ArrayLike) -> Intervals:
    """Join the intervals of each group, what lies in n of them n times.

    Sorted by group: first the union, then what two or more share, and so on; their lengths add up
    to those given.

    Examples
    --------
    >>> passes([0, 0, 0], [0, 50, 20], [100, 100, 30])
    Intervals(group=array([0, 0, 0]), from_m=array([ 0., 20., 50.]),
              to_m=array([100.,  30., 100.]))
    """
    given = as_intervals(group, from_m, to_m)
    groups = np.concatenate([given.group, given.group])
    at = np.concatenate([given.from_m, given.to_m])
    order = np.lexsort((at, groups))
    groups, at = groups[order], at[order]
    change = np.repeat([1, -1], len(given.group))[order]
    # Between two places that follow each other in a group as many lie as began and did not end.
    times = np.cumsum(change)[:-1] * (at[1:] > at[:-1])
    times[groups[1:] != groups[:-1]] = 0
    piece = np.repeat(np.arange(len(times)), times)
    most = int(times.max(initial=1))
    level = np.arange(len(piece)) - np.repeat(np.cumsum(times) - times, times)
    joined = union_intervals(level + groups[piece] * np.int64(most), at[piece], at[piece + 1])
    return joined._replace(group=joined.group // most)


def union_length(group: ArrayLike, from_m: ArrayLike, to_m: ArrayLike, *, groups: int) -> Floats:
    """Measure the joined length in each group 0 … `groups`-1, overlaps counted once, in metres.

    Examples
    --------
    >>> union_length([0, 0, 2], [0, 50, 10], [100, 120, 10], groups=3).tolist()
    [120.0, 0.0, 0.0]
    """
    joined = union_intervals(group, from_m, to_m)
    if len(joined.group) and joined.group[-1] >= groups:
        raise FrameError(f"group {joined.group[-1]} is not below the number of groups, {groups}")
    length: Floats = np.bincount(joined.group, weights=joined.length_m, minlength=groups).astype(
        np.float64
    )
    return length


def complement(
    group: ArrayLike,
    from_m: ArrayLike,
    to_m: ArrayLike,
    length_m: ArrayLike,
    *,
    shortest_m: float = 0.0,
) -> Intervals:
    """List what the intervals leave of groups that run from 0 to `length_m`; by group and measure.

    `group` is a position in `length_m` [m]. What lies outside 0 … `length_m` is cut off; a group
    without intervals is left whole. Pieces no longer than `shortest_m` are dropped. [m]

    Examples
    --------
    >>> complement([0], [20], [30], [100, 50])
    Intervals(group=array([0, 0, 1]), from_m=array([ 0., 30.,  0.]),
              to_m=array([ 20., 100.,  50.]))
    """
    lengths = np.asarray(length_m, dtype=np.float64)
    given = as_intervals(group, from_m, to_m)
    if len(given.group) and given.group.max() >= len(lengths):
        raise FrameError(f"group {given.group.max()} has no length: only {len(lengths)} were given")
    ceiling = lengths[given.group]
    joined = union_intervals(
        given.group, np.clip(given.from_m, 0.0, ceiling), np.clip(given.to_m, 0.0, ceiling)
    )
    return remainder(joined, lengths, shortest_m)


def remainder(joined: Intervals, length_m: Floats, shortest_m: float) -> Intervals:
    """List as :func:`complement` what :func:`union_intervals` leave, all within their groups."""
    count = np.bincount(joined.group, minlength=len(length_m))
    every = np.arange(len(length_m))
    # The piece before each interval; a group has one more than intervals.
    before = np.arange(len(joined.group)) + joined.group
    starts, stops = np.zeros((2, len(before) + len(every)))
    starts[before + 1], stops[before] = joined.to_m, joined.from_m
    stops[np.cumsum(count) + every] = length_m
    kept = stops - starts > shortest_m
    return Intervals(np.repeat(every, count + 1)[kept], starts[kept], stops[kept])


def overlay(intervals: Intervals, parts: Intervals) -> Overlay:
    """Cut each interval at the borders of the parts it runs through.

    Intervals may overlap. Parts of a group may touch; where they overlap, a FrameError is raised.

    Returns
    -------
    Overlay
        One row for each interval and part that share a length above 0, sorted by
        interval, then along the group. What lies in no part is left out.

    Examples
    --------
    >>> stretch = as_intervals([0], [10], [70])
    >>> halves = as_intervals([0, 0], [0, 50], [50, 100])
    >>> overlay(stretch, halves)
    Overlay(interval=array([0, 0]), part=array([0, 1]), from_m=array([10., 50.]),
            to_m=array([50., 70.]))
    """
    given = as_intervals(*intervals)
    cells = as_intervals(*parts)
    order = order_of(cells)
    group, first, last = cells.at(order)
    clash = (group[1:] == group[:-1]) & (first[1:] < last[:-1])
    if clash.any():
        row = int(np.flatnonzero(clash)[0])
        raise FrameError(
            f"parts of group {group[row]} overlap: {first[row]} to {last[row]} and "
            f"{first[row + 1]} to {last[row + 1]}"
        )
    run, end = runs_of(group, given.group)
    low = _first_in_run(lambda at, k: last[at] > given.from_m[k], run, end)
    high = _first_in_run(lambda at, k: first[at] >= given.to_m[k], run, end)
    count = np.maximum(high - low, 0)
    interval = np.repeat(np.arange(len(count), dtype=np.int64), count)
    cell = rows_of_runs(low, count)
    from_cut = np.maximum(given.from_m[interval], first[cell])
    to_cut = np.minimum(given.to_m[interval], last[cell])
    kept = from_cut < to_cut
    return Overlay(interval[kept], order[cell[kept]], from_cut[kept], to_cut[kept])


def order_of(intervals: Intervals) -> Ints:
    """Order intervals by group, start and end; those in order are sooner checked than sorted."""
    same = np.ones(max(len(intervals.group) - 1, 0), bool)
    for column in intervals:
        step = np.diff(column)
        if (same & (step < 0)).any():
            return np.lexsort((intervals.to_m, intervals.from_m, intervals.group))
        same &= step == 0
    return np.arange(len(intervals.group))


def runs_of(group: Ints, wanted: Ints) -> tuple[Ints, Ints]:
    """Where the run of each wanted group begins and ends in ascending groups; −1 has none, (k,).

    For many they are looked up in a table of all groups, ten times sooner than searched one by one.

    Examples
    --------
    >>> runs_of(np.array([0, 2, 2]), np.array([2, 1, -1]))
    (array([1, 1, 0]), array([3, 1, 0]))
    """
    most = max(int(wanted.max(initial=0)), int(group.max(initial=0)))
    if most > _TABLE * len(wanted):
        return np.searchsorted(group, wanted, "left"), np.searchsorted(group, wanted, "right")
    size = np.append(0, np.bincount(group, minlength=most + 1))  # the first is that of −1
    end = np.cumsum(size)
    return (end - size)[wanted + 1], end[wanted + 1]


def _first_in_run(is_beyond: Callable[[Ints, Ints], Bools], run: Ints, end: Ints) -> Ints:
    """Find the first entry of each run that is beyond its bound, else its end, by halving, (k,).

    `is_beyond` says of entries and of the runs whose they are whether all from there on are.
    """
    low, high = run.copy(), end.copy()
    left = np.flatnonzero(low < high)
    while len(left):
        middle = (low[left] + high[left]) // 2
        beyond = is_beyond(middle, left)
        high[left[beyond]] = middle[beyond]
        low[left[~beyond]] = middle[~beyond] + 1
        left = left[low[left] < high[left]]
    return low
