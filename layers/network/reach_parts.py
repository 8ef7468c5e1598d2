"""Which part of which reach lies in which catchment, as intervals."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from layers.arrays import narrow
from layers.coded import coded_labels
from layers.frames import codes_of, reads
from layers.network.distance import SHORTEST_PIECE_M
from layers.network.intervals import Intervals, complement, overlay

if TYPE_CHECKING:
    from layers.arrays import Floats, Ints
    from layers.network.graph import Network

__all__ = ["cover_with_parts", "main_part"]


@dataclass(frozen=True, eq=False)
class Parts:
    """Parts that make up every reach of a network once.

    Attributes
    ----------
    intervals
        The parts, p of them; `group` is the reach's row.
    catchment
        Position in `names` of the smallest catchment that holds each part; −1 outside all, (p,).
    names
        Ids of the catchments that hold any part, sorted.
    """

    intervals: Intervals
    catchment: Ints
    names: pd.Index

    def main_catchment(self, pieces: Intervals, owner: Ints, owners: int) -> pd.Series:
        """Name the catchment that holds most of the length of the pieces of each of so many owners.

        Pieces may not overlap within one owner. Missing where most lies outside all catchments; of
        equal shares the lowest id.
        """
        code = main_part(*self._cut(pieces, owner), owners)
        return label(self.names, code)

    @cached_property
    def of_reach(self) -> pd.Series:
        """Name of the catchment that most of each reach lies in, as :meth:`main_catchment`."""
        group = self.intervals.group
        m = int(group.max(initial=-1)) + 1
        return label(self.names, main_part(self.catchment, group, self.intervals.length_m, m))

    @cached_property
    def _only(self) -> Ints:
        """The one part of each reach that has no other; −1 where it has."""
        count = np.bincount(self.intervals.group)
        only = np.full(len(count), -1)
        only[self.intervals.group] = np.arange(len(self.catchment))
        return narrow(np.where(count == 1, only, -1))

    def _cut(self, pieces: Intervals, owner: Ints) -> tuple[Ints, Ints, Floats]:
        """Catchment, owner and length of what pieces have in each part. [m]."""
        only = self._only[pieces.group]
        several, one = np.flatnonzero(only < 0), np.flatnonzero(only >= 0)
        cut = overlay(pieces.at(several), self.intervals)
        return (
            np.concatenate([self.catchment[only[one]], self.catchment[cut.part]]),
            np.concatenate([owner[one], owner[several[cut.interval]]]),
            np.concatenate([pieces.length_m[one], cut.to_m - cut.from_m]),
        )


def main_part(part: Ints, owner: Ints, length_m: Floats, owners: int) -> Ints:
    """Find the part that makes up most of each owner's length; of equal ones the lowest.

    −1 for an owner without any; `part`, `owner` and `length_m` are those of k pieces, (k,).
    """
    code, several = np.full(owners, -1, np.int64), np.bincount(owner)[owner] > 1
    code[owner[~several]] = part[~several]  # most have one piece
    part, owner, length_m = part[several], owner[several], length_m[several]
    kinds = int(part.max(initial=-1)) + 2
    pair, place = np.unique(owner * np.int64(kinds) + part + 1, return_inverse=True)
    total = np.bincount(place.ravel(), length_m, minlength=len(pair)).round(6)
    of_pair, which = np.divmod(pair, kinds)
    most = np.full(owners, -np.inf)
    np.maximum.at(most, of_pair, total)
    best = np.flatnonzero(total == most[of_pair])
    best = best[np.unique(of_pair[best], return_index=True)[1]]
    code[of_pair[best]] = which[best] - 1
    return code


def label(names: pd.Index, codes: Ints) -> pd.Series:
    """Names by their position, coded; missing for −1."""
    return pd.Series(coded_labels(codes, names))


@reads("reach_parts")
def cover_with_parts(network: Network, reach_parts: pd.DataFrame) -> Parts:
    """Turn a table of parts into intervals that make up every reach once.

    What no row contains counts as outside all catchments, so that no length is lost. The last table
    of each network is remembered.

    Raises
    ------
    FrameError
        A column is missing, a reach is unknown, or two parts of a reach overlap.
    """
    given, made = _LAST.get(network, (None, None))
    if made is None or given is not reach_parts:
        made = _parts(network, reach_parts)
        _LAST[network] = reach_parts, made
    return made


def _parts(network: Network, reach_parts: pd.DataFrame) -> Parts:
    rows = codes_of(reach_parts["reach_id"], network.reaches.index, "Reach")
    length = network.length_m[rows]
    from_m = np.clip(reach_parts["from_m"].to_numpy(float), 0.0, length)
    to_m = np.clip(reach_parts["to_m"].to_numpy(float), 0.0, length)
    # A last measure that differs from the reach's length by rounding alone ends with it.
    to_m = np.where(length - to_m <= SHORTEST_PIECE_M, length, to_m)
    used = from_m < to_m
    names = pd.Index(reach_parts.loc[used, "catchment_id"].dropna().unique()).sort_values()
    code = names.get_indexer(pd.Index(reach_parts.loc[used, "catchment_id"]))
    rest = complement(rows[used], from_m[used], to_m[used], network.length_m)
    return Parts(
        Intervals(
            narrow(np.concatenate([rows[used], rest.group])),
            np.concatenate([from_m[used], rest.from_m]),
            np.concatenate([to_m[used], rest.to_m]),
        ),
        narrow(np.append(code, np.full(len(rest.group), -1))),
        names,
    )


_LAST: WeakKeyDictionary[Network, tuple[pd.DataFrame, Parts]] = WeakKeyDictionary()
