"""Placements in view: one by one where they are few, counted by grid cell where they are many.

All is computed from columns in memory that the records share; their rows are sorted by tile beside
them, so that a view looks only at the placements near it. They are what one kind of viewer may see.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from layers.arrays import rows_of_runs
from layers.frames import OUTCOMES

if TYPE_CHECKING:
    from collections.abc import Hashable

    import pandas as pd
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints
    from layers.drawing.screen_lines import Box

    Codes = NDArray[np.integer]
    States = NDArray[np.uint8]

__all__ = ["CELL_PX", "STATES", "CellCounts", "MapColumns", "MapFilter", "PlacementMap"]

STATES: Final = ("caught", "nil", "unusable", "unrecorded", "other")
"""State of a placement: of the chosen species where there is one, else of any fish."""
_CAUGHT, _NIL, _UNUSABLE, _UNRECORDED, _OTHER = range(len(STATES))
OUT: Final = 255  # left out by the filter
CELL_PX: Final = 64
_TILES: Final = 256  # along each side of the placements' extent
_KEPT_FILTERS: Final = 12


@dataclass(frozen=True)
class MapColumns:
    """n placements of a store, as one kind of viewer sees them.

    Attributes
    ----------
    names, xy
        Ids as the viewer knows them; positions in the store's CRS, NaN = none, (n, 2). [m]
    grid_xy, snapped_grid_xy
        Positions, and places on the reach, on the unit square of the web map grid, (n, 2).
    square_km
        Side of the grid cell that is shown in place of a position, 0 = exact. [km]
    outcome, method, survey
        Places in `OUTCOMES`, `methods`, `surveys`; −1 where there is none.
    first_day, last_day
        Local day of setting in days since 1970, twice; or the first and last day of its year
        where only that is shown. Where none is known the first is after the last.
    ambiguous
        Whether another reach is as near.
    caught_by, caught
        Row of a placement and place in `species`, for each species it caught, (k,).
    stretch_by, stretch_reach, stretch_from_m, stretch_to_m
        Row of a placement, ascending; place in `reaches`; measures of each sampled stretch, (s,).
    methods, surveys, species, reaches
        What the codes stand for.
    """

    names: pd.Index
    xy: Floats
    grid_xy: Floats
    snapped_grid_xy: Floats
    square_km: NDArray[np.int16]
    outcome: NDArray[np.int8]
    method: Codes
    survey: Codes
    first_day: Codes
    last_day: Codes
    ambiguous: Bools
    caught_by: Codes
    caught: Codes
    stretch_by: Codes
    stretch_reach: Codes
    stretch_from_m: Floats
    stretch_to_m: Floats
    methods: tuple[str, ...]
    surveys: tuple[str, ...]
    species: tuple[str, ...]
    reaches: pd.Index


@dataclass(frozen=True)
class MapFilter:
    """Which placements a map shows, and of which species its marks speak.

    Names are empty for all. Placements of other `species` stay, their state is that of these;
    `detecting` are the methods that can detect any of them. Days are local days of setting since
    1970, both included. `narrowed` is the key of what the columns do not tell, as place or hours;
    which placements these are is handed over beside it.
    """

    methods: tuple[str, ...] = ()
    surveys: tuple[str, ...] = ()
    species: tuple[str, ...] = ()
    detecting: tuple[str, ...] = ()
    since_day: int | None = None
    until_day: int | None = None
    narrowed: Hashable = None


@dataclass(frozen=True)
class CellCounts:
    """Counts of placements by grid cell and state.

    `xy` is where each cell's mark stands, on the unit square of the web map grid: half way between
    the cell's centre and the middle of its placements, (c, 2); `window` left, top, right, bottom
    of each, (c, 4); `counts` placements by state, in the order of `STATES`, (c, 5).
    """

    xy: Floats
    window: Floats
    counts: Ints


class PlacementMap:
    """Placements of one kind of viewer, ready for any window, zoom and filter, from any thread.

    Their rows are those of `columns`, which it was made from.
    """

    def __init__(self, columns: MapColumns) -> None:
        self.columns = columns
        known = np.isfinite(self.x) & np.isfinite(self.y)  # no other lies in any window
        low, high = np.zeros(2), np.ones(2)
        if known.any():
            low, high = (
                np.array([of(at[known]) for at in (self.x, self.y)]) for of in (np.min, np.max)
            )
        self._low, self._size = low, np.maximum(high - low, 1e-12) / _TILES
        tile = np.zeros(np.count_nonzero(known), np.uint16)  # few bits: sorted at once
        for side, at in ((0, self.x), (1, self.y)):
            along = np.clip((at[known] - low[side]) / self._size[side], 0, _TILES - 1)
            tile += along.astype(np.uint16) * np.uint16(_TILES**side)
        self._by_tile = np.flatnonzero(known)[np.argsort(tile, kind="stable")].astype(np.int32)
        counts = np.bincount(tile, minlength=_TILES * _TILES)
        self._starts: Ints = np.append(0, np.cumsum(counts)).astype(np.int64)
        self._kept: OrderedDict[MapFilter, States] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self.columns.grid_xy)

    @property
    def x(self) -> Floats:
        """How far east each lies on the unit square of the web map grid, NaN = unknown, (n,)."""
        return self.columns.grid_xy[:, 0]

    @property
    def y(self) -> Floats:
        """How far south, (n,)."""
        return self.columns.grid_xy[:, 1]

    def names_of(self, rows: Ints) -> list[str]:
        """Ids of some placements."""
        return self.columns.names.take(rows).tolist()

    def squares_among(self, rows: Ints) -> int:
        """Count the closed cells, by side and centre, that some placements lie in."""
        placed = np.column_stack([self.columns.square_km[rows], self.columns.grid_xy[rows]])
        return len(np.unique(placed, axis=0))

    # Filter and state -------------------------------------------------------------------
    def states(self, chosen: MapFilter, inside: Bools | None = None) -> States:
        """State of every placement: a place in `STATES`, or `OUT`, (n,); the newest dozen are kept.

        `inside` marks those that `chosen.narrowed` leaves in, (n,).
        """
        with self._lock:
            if chosen in self._kept:
                self._kept.move_to_end(chosen)
                return self._kept[chosen]
        state = self._state_of(chosen)
        state[~self._shown(chosen, inside)] = OUT
        state.setflags(write=False)
        with self._lock:
            self._kept[chosen] = state
            while len(self._kept) > _KEPT_FILTERS:
                self._kept.popitem(last=False)
        return state

    def knows(self, chosen: MapFilter) -> bool:
        """Whether this filter is among those kept."""
        with self._lock:
            return chosen in self._kept

    def _state_of(self, chosen: MapFilter) -> States:
        by_outcome = {
            "caught": _CAUGHT,
            "nil": _NIL,
            "lost": _UNUSABLE,
            "disturbed": _UNUSABLE,
            "unrecorded": _UNRECORDED,
        }
        # The last one answers to an outcome that is not known: place -1.
        words = np.array([by_outcome[word] for word in OUTCOMES] + [_UNRECORDED], np.uint8)
        columns = self.columns
        state: States = words[columns.outcome]
        caught = np.zeros(len(state), bool)
        if not chosen.species:
            caught[columns.caught_by] = True
        else:
            of_species = self._among(columns.caught, columns.species, chosen.species)
            caught[columns.caught_by[of_species]] = True
            looked = state <= _NIL
            detecting = self._among(columns.method, columns.methods, chosen.detecting)
            state[looked] = np.where(detecting[looked], _NIL, _OTHER)
        state[caught & (state != _UNUSABLE)] = _CAUGHT
        return state

    def _shown(self, chosen: MapFilter, inside: Bools | None) -> Bools:
        columns = self.columns
        shown = np.ones(len(self), bool) if inside is None else inside.copy()
        if chosen.methods:
            shown &= self._among(columns.method, columns.methods, chosen.methods)
        if chosen.surveys:
            shown &= self._among(columns.survey, columns.surveys, chosen.surveys)
        if chosen.since_day is not None:
            shown &= columns.last_day >= chosen.since_day
        if chosen.until_day is not None:
            shown &= columns.first_day <= chosen.until_day
        if chosen.since_day is not None or chosen.until_day is not None:
            shown &= columns.first_day <= columns.last_day  # its day is known
        return shown

    @staticmethod
    def _among(codes: Codes, names: tuple[str, ...], wanted: tuple[str, ...]) -> Bools:
        """Which codes stand for one of the names wanted; a missing one for none."""
        table = np.array([name in wanted for name in names] + [False])
        return table[codes]

    # Views ------------------------------------------------------------------------------
    def in_window(self, window: Box, states: States) -> Ints:
        """Placements of a filter inside a window of the unit square, by row."""
        left, top, right, bottom = window
        if left > right:
            west = self.in_window((left, top, 1.0, bottom), states)
            return np.concatenate([west, self.in_window((0.0, top, right, bottom), states)])
        rows = self._near(window)
        x, y = self.x[rows], self.y[rows]
        kept = (x >= left) & (x <= right) & (y >= top) & (y <= bottom) & (states[rows] != OUT)
        return np.flatnonzero(kept) if isinstance(rows, slice) else rows[kept]

    def _near(self, window: Box) -> slice | Ints:
        """Rows of the tiles that a window meets; all, in their own order, where these are most."""
        left, top, right, bottom = window
        corners = (np.array([[left, top], [right, bottom]]) - self._low) / self._size
        if (corners[1] < 0).any() or (corners[0] > _TILES).any():
            return np.empty(0, np.int64)
        (low_x, low_y), (high_x, high_y) = np.clip(corners, 0, _TILES - 1).astype(int).tolist()
        line = np.arange(low_y, high_y + 1) * _TILES
        starts = self._starts[line + low_x]
        sizes = self._starts[line + high_x + 1] - starts
        if sizes.sum() > len(self) / 2:
            return slice(None)
        return self._by_tile[rows_of_runs(starts, sizes)].astype(np.int64)

    def counts(self, rows: Ints, states: States, zoom: int) -> CellCounts:
        """Count placements by cell of `CELL_PX` pixels at a zoom, and by state."""
        cells = 256 / CELL_PX * 2.0**zoom
        x, y, state = self.x[rows], self.y[rows], states[rows]
        across, down = (np.floor(each * cells).astype(np.int32) for each in (x, y))
        if not len(rows):
            return CellCounts(
                np.empty((0, 2)), np.empty((0, 4)), np.empty((0, len(STATES)), np.int64)
            )
        left, top = int(across.min()), int(down.min())
        wide, high = int(across.max()) - left + 1, int(down.max()) - top + 1
        key = (down - top).astype(np.int64) * wide + (across - left)
        if wide * high > 4 * len(rows) + 100_000:
            found, key = np.unique(key, return_inverse=True)
        else:
            found = np.arange(wide * high)
        size = len(found)
        counts = np.bincount(key * len(STATES) + state, minlength=size * len(STATES))
        counts = counts.reshape(size, len(STATES))
        total = counts.sum(axis=1)
        filled = total > 0
        middle = np.column_stack(
            [np.bincount(key, weights=at, minlength=size)[filled] for at in (x, y)]
        ) / total[filled, None]  # fmt: skip
        corner = np.column_stack([found[filled] % wide + left, found[filled] // wide + top]) / cells
        window = np.hstack([corner, corner + 1 / cells])
        centre = corner + 0.5 / cells
        return CellCounts((centre + middle) / 2, window, counts[filled].astype(np.int64))

    def caught_in(self, rows: Ints, group: Ints) -> dict[tuple[int, str], int]:
        """Count the placements of each group that caught each species.

        `rows` are placements, each once, (n,); `group` is the number of the group of each, (n,).
        """
        groups = np.full(len(self), -1, np.int64)
        groups[rows] = group
        by, code = self.columns.caught_by, self.columns.caught
        own = groups[by]
        there = own >= 0
        # A species that two rows of a catch name is caught once.
        once = np.unique(np.column_stack([own[there], code[there], by[there]]), axis=0)[:, :2]
        pairs, counts = np.unique(once, axis=0, return_counts=True)
        return {
            (of, self.columns.species[species]): count
            for (of, species), count in zip(pairs.tolist(), counts.tolist(), strict=True)
        }

    def years_of(self, rows: Ints) -> Ints:
        """Year in which each placement was set; 0 where it is not known."""
        first = self.columns.first_day[rows]
        year = first.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970
        return np.where(first <= self.columns.last_day[rows], year, 0)

    def stretches_of(self, rows: Ints) -> Ints:
        """Rows of the stretches of some placements."""
        owners = np.sort(rows)
        starts = np.searchsorted(self.columns.stretch_by, owners)
        sizes = np.searchsorted(self.columns.stretch_by, owners, side="right") - starts
        return rows_of_runs(starts, sizes)
