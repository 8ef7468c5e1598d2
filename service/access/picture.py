"""The picture: all records that figures are computed from, as one kind of viewer sees them.

It lies in memory column by column, each in the narrowest type that has its values. A write changes
the rows that it touched and leaves the others; nothing is read anew for one form. That of the
public is made of what the gate shows and of nothing else.
"""

from __future__ import annotations

import mmap
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import count
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import coded_labels, distinct, known_unique
from layers.drawing.placement_map import MapColumns
from layers.drawing.screen_lines import grid_positions
from layers.fieldwork.generalising import positions
from layers.fieldwork.looking import catch_numbers, local_dates
from layers.fieldwork.public_frames import GENERALISED_COLUMNS
from layers.frames import OUTCOMES, codes_within
from layers.narrow_columns import Column, LazyPoints, Rows, gathered, narrowed, shared
from service.records import OF_FIGURES, Records

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from layers.arrays import Bools, Ints
    from layers.crs import CrsLike
    from service.records import Needed, Selection

    Columns = dict[str, Column]

__all__ = ["Gone", "Picture", "joined_picture", "picture_of", "read_now"]

OWNED: Final = ("catches", "lengths", "snaps", "stretches")
ALWAYS: Final = frozenset({*GENERALISED_COLUMNS, "catchment_id", "set_on"})
_READ: Final = count()
_LONGEST_ID: Final = 64  # bytes; all take as many as the longest
NEVER, BEFORE_ALL = np.int32(2**31 - 1), np.int32(-(2**31))
# Placements that a journal has at most, each write as many as a hundred: 4 MB.
_MOST_GONE, _OF_WRITE = 200_000, 100


class Gone(NamedTuple):
    """A version of a picture, and which placements of the one before it has no more as they were.

    `version` grows with time in this process; `key` as in the order of the picture, (k,); `read_as`
    as in the picture, (k,).
    """

    version: int
    key: NDArray[Any]
    read_as: NDArray[np.int32]


@dataclass(frozen=True)
class Picture:
    """All placements that are shown, with what belongs to them; n of them.

    Attributes
    ----------
    rows
        Row of each placement in the store; never shown, (n,).
    ids
        As the viewer knows them, in UTF-8, (n,).
    crs
        Of all positions.
    columns
        Of `placements`, as `service.access.gate` gives them, and `catchment_id`, the smallest
        catchment that surely contains the place of each; and of catches, lengths, snaps and
        stretches, each in the order of its `owners`.
    owners
        Place of the placement that each row of those belongs to.
    beside
        `first_day`, `last_day`: local day of setting in days since 1970, twice, or the first and
        last day of its year where only that is shown; where none is known the first is after the
        last, (n,). `xy`, the place as shown [m]; `grid_xy`, `snapped_grid_xy`, that and the place
        on the reach on the grid of the web map, (n, 2).
    read_as
        In which reading by this process each placement came in; while it is the same, so is all
        that is known of the placement, (n,).
    journal
        This version and those before it, as far as they are known, oldest first.
    public
        Whether placements are ordered by their id, not by their row.
    """

    rows: Ints
    ids: NDArray[Any]
    crs: CrsLike
    columns: dict[str, Columns]
    owners: dict[str, NDArray[np.int32]]
    beside: dict[str, NDArray[Any]]
    read_as: NDArray[np.int32]
    journal: tuple[Gone, ...]
    public: bool

    @property
    def version(self) -> int:
        """Number of this version."""
        return self.journal[-1].version

    @property
    def key(self) -> NDArray[Any]:
        """What placements are ordered by, (n,)."""
        return self.ids if self.public else self.rows

    @cached_property
    def names(self) -> pd.Index:
        """Ids as text; of a million they take 70 to 90 MB more."""
        return _named([each.decode() for each in self.ids.tolist()])

    @cached_property
    def placements(self) -> gpd.GeoDataFrame:
        """All placements with their words as codes."""
        arrays = _arrays(self.columns["placements"])
        points = LazyPoints(self.beside["xy"], self.crs)
        if "shape" in arrays:
            arrays["shape"].crs = points.crs
        arrays["set_on"] = self.days.astype("datetime64[us]")
        arrays["geometry"] = points
        return gpd.GeoDataFrame(arrays, index=self.names, geometry="geometry", copy=False)

    @cached_property
    def owned(self) -> dict[str, pd.DataFrame]:
        """All that belongs to them, with words as codes; answers share its columns."""
        own = {}
        for name in OWNED:
            ids = coded_labels(self.owners[name], self.names)
            arrays = {"placement_id": ids, **_arrays(self.columns[name])}
            own[name] = pd.DataFrame(arrays, index=pd.RangeIndex(len(ids)), copy=False)
        snaps, owner = own["snaps"].drop(columns="placement_id"), self.owners["snaps"]
        # Where each placement has one, rows are looked up by nobody.
        whole = len(snaps) == len(self.names)
        own["snaps"] = snaps.set_axis(self.names if whole else self.names.take(owner))
        own["catches"].index.name = "catch_id"
        return own

    def let_go(self) -> None:
        """Forget names, frames and what was read of the file, 250 MB of a million.

        Who needs them makes them, or reads it, again.
        """
        for made in ("names", "placements", "owned"):
            vars(self).pop(made, None)
        file: Any = self.rows
        while file is not None and not isinstance(file, mmap.mmap):
            file = getattr(file, "base", None)
        if file is not None and hasattr(mmap, "MADV_DONTNEED"):
            file.madvise(mmap.MADV_DONTNEED)

    def records(self, needed: Needed = OF_FIGURES) -> Records:
        """Give what is needed as frames that summaries read: words as codes, without flags."""
        placements = self.placements
        if needed.columns is not None:
            kept = needed.columns | ALWAYS | {"geometry"}
            placements = placements[[name for name in placements if name in kept]]
        own = {
            name: frame if name in needed.tables else frame.iloc[:0]
            for name, frame in self.owned.items()
        }
        words = ["placement_id", "code", "column", "value", "message"]
        return Records(placements=placements, flags=pd.DataFrame(columns=words, dtype="str"), **own)

    def stored(self, rows: Ints) -> Records:
        """Give the placements of some rows in the store as they are read from it, words as text."""
        records = self.of(np.searchsorted(self.rows, rows)).records()
        frames = {name: _as_text(getattr(records, name)) for name in ("placements", *OWNED)}
        frames["placements"] = frames["placements"].drop(columns=["catchment_id", "set_on"])
        return replace(records, **frames)

    def chosen(self, selection: Selection) -> Bools | None:
        """Which placements a selection means, by what is shown of each; None = all.

        As `service.store` chooses: places in catchments, hours and species are not looked at.
        """
        keep = np.ones(len(self.rows), bool)
        placements, beside = self.columns["placements"], self.beside
        for column, names in (("survey", selection.surveys), ("method", selection.methods)):
            if names:
                keep &= placements[column].among(names)
        if selection.since is not None or selection.until is not None:
            keep &= beside["first_day"] <= beside["last_day"]  # its day is known
        if selection.since is not None:
            keep &= beside["last_day"] >= _day(selection.since)
        if selection.until is not None:
            keep &= beside["first_day"] <= _day(selection.until)
        if selection.bbox is not None:
            low_x, low_y, high_x, high_y = selection.bbox
            x, y = beside["xy"].T
            keep &= (low_x <= x) & (x <= high_x) & (low_y <= y) & (y <= high_y)
        return None if keep.all() else keep

    @property
    def days(self) -> NDArray[np.datetime64]:
        """Local day of setting of each placement, missing where it is not shown, (n,)."""
        first, known = self.beside["first_day"], self.beside["last_day"]
        return np.where(first == known, first.astype("datetime64[D]"), np.datetime64("NaT"))

    def since(self, version: int) -> tuple[Ints, Bools] | None:
        """Compare with an earlier version, of m placements; None where that is not known any more.

        Returns the place that each placement had there, −1 if it is new or changed, (n,); and
        marks those there that are gone or changed, (m,).
        """
        if version < self.journal[0].version:
            return None
        later = [step for step in self.journal if step.version > version]
        keys = [self.key[:0], *(step.key[step.read_as <= version] for step in later)]
        stay, went = np.flatnonzero(self.read_as <= version), np.sort(np.concatenate(keys))
        gone, source = np.zeros(len(stay) + len(went), bool), np.full(len(self.rows), -1)
        gone[np.searchsorted(self.key[stay], went) + np.arange(len(went))] = True
        source[stay] = np.flatnonzero(~gone)
        return source, gone

    def of(self, places: Ints) -> Picture:
        """Take some of the placements with all that belongs to them."""
        return _gathered([self], places, ())

    @cached_property
    def _fish(self) -> Bools:
        """Which catch rows stand for any fish."""
        counted = {name: self.columns["catches"][name] for name in ("count", "count_kind")}
        return catch_numbers(pd.DataFrame(_arrays(counted), copy=False))[0] > 0

    @cached_property
    def detections(self) -> int:
        """How many pairs there are of a placement and a species that it caught."""
        by, caught = self.owners["catches"], self.columns["catches"]["species"].values
        pairs = by[self._fish].astype(np.int64) << 32 | caught[self._fish]
        return len(distinct(pairs))

    def map_columns(self) -> MapColumns:
        """All that a map of any size is drawn from."""
        of, beside, owners = self.columns, self.beside, self.owners
        placements, stretches = of["placements"], of["stretches"]
        n = len(self.rows)
        ambiguous = np.zeros(n, bool)
        ambiguous[owners["snaps"]] = of["snaps"]["ambiguous"].values
        square_km = np.broadcast_to(np.int16(0), n)
        if "generalised_km" in placements:
            side = placements["generalised_km"].values
            square_km = shared(np.where(side > 0, side, 0).astype(np.int16))
        fish: slice | Bools = slice(None) if self._fish.all() else self._fish
        return MapColumns(
            names=self.names,
            xy=beside["xy"],
            grid_xy=beside["grid_xy"],
            square_km=square_km,
            outcome=_places(placements["outcome"], pd.Index(OUTCOMES)),
            method=placements["method"].values,
            survey=placements["survey"].values,
            first_day=beside["first_day"],
            last_day=beside["last_day"],
            snapped_grid_xy=beside["snapped_grid_xy"],
            ambiguous=ambiguous,
            caught_by=owners["catches"][fish],
            caught=of["catches"]["species"].values[fish],
            stretch_by=owners["stretches"],
            stretch_reach=stretches["reach_id"].values,
            stretch_from_m=stretches["from_m"].read(),
            stretch_to_m=stretches["to_m"].read(),
            methods=_listed(placements["method"]),
            surveys=_listed(placements["survey"]),
            species=_listed(of["catches"]["species"]),
            reaches=_words(stretches["reach_id"]),
        )


def _arrays(columns: Columns) -> dict[str, Any]:
    return {name: column.read() for name, column in columns.items()}


def _as_text(frame: pd.DataFrame) -> Any:  # noqa: ANN401 - of the same kind
    return frame.astype(dict.fromkeys(frame.select_dtypes("category"), "str"))


def _words(column: Column) -> pd.Index:
    assert column.words is not None  # noqa: S101  of words only
    return column.words.categories


def _listed(column: Column) -> tuple[str, ...]:
    return tuple(_words(column).tolist())


def _places(column: Column, words: pd.Index) -> NDArray[np.int8]:
    """Place of each row's word in a short list; −1 where there is none."""
    return np.append(words.get_indexer(_words(column)), -1).astype(np.int8)[column.values]


def _day(date: Any) -> int:  # noqa: ANN401 - a date
    return int(np.datetime64(date, "D").astype(np.int64))


def picture_of(
    records: Records,
    rows: Ints,
    catchments_of: Callable[[gpd.GeoDataFrame], pd.Series],
    *,
    public: bool,
) -> Picture:
    """Make a picture of records as a viewer sees them; `rows` are theirs in the store."""
    placements = records.placements
    xy = positions(np.asarray(placements.geometry, object))
    first, last = _days(placements)
    snapped = records.snaps[["snapped_x", "snapped_y"]].reindex(placements.index)
    on_grid = [grid_positions(each, placements.crs) for each in (xy, snapped.to_numpy(np.float64))]
    columns, owners = {}, {}
    for name in OWNED:
        frame = getattr(records, name).reset_index(drop=name != "snaps")
        owner = codes_within(frame["placement_id"], placements.index).astype(np.int32)
        order = np.argsort(owner, kind="stable")
        frame = frame.drop(columns="placement_id").iloc[order]
        columns[name], owners[name] = _narrowed(frame), owner[order]
    plain = pd.DataFrame(placements.drop(columns="geometry"))
    columns["placements"] = _narrowed(plain.assign(catchment_id=catchments_of(placements)))
    beside: dict[str, NDArray[Any]] = {
        "first_day": first,
        "last_day": last,
        "xy": xy,
        "grid_xy": on_grid[0],
        "snapped_grid_xy": on_grid[1],
    }
    ids, read = _encoded(placements.index), read_now(len(rows))
    return Picture(rows, ids, placements.crs, columns, owners, beside, *read, public)


def _encoded(names: Iterable[str]) -> NDArray[Any]:
    """Write ids as bytes of one width, or, where one is very long, each as it is."""
    ids = [name.encode() for name in names]
    widest = max(map(len, ids), default=0)
    return np.array(ids, np.bytes_ if widest <= _LONGEST_ID else object)


def _named(texts: Any) -> pd.Index:  # noqa: ANN401 - a list or an array of texts
    return known_unique(pd.Index(texts, name="placement_id", dtype="str"))


def read_now(size: int) -> tuple[NDArray[np.int32], tuple[Gone, ...]]:
    """Give placements that were read at once the number of this reading, and a journal."""
    number = next(_READ)
    read_as = np.broadcast_to(np.int32(number), size)
    return read_as, (Gone(number, read_as[:0], read_as[:0]),)


def _narrowed(frame: pd.DataFrame) -> Columns:
    return {str(name): narrowed(frame[name]) for name in frame}


def _days(placements: pd.DataFrame) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    set_on = local_dates(placements).to_numpy().astype("datetime64[D]")
    dated = ~np.isnat(set_on)
    day = np.where(dated, set_on, np.datetime64(0, "D")).astype(np.int64)
    first, last = np.where(dated, day, NEVER), np.where(dated, day, BEFORE_ALL)
    if "generalised_km" in placements:
        year = placements["year"].to_numpy(np.float64)
        by_year = ~np.isnan(year) & placements["generalised_km"].notna().to_numpy()
        years = np.where(by_year, year, 1970).astype(np.int64) - 1970
        starts, ends = (
            (years + more).astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64)
            for more in (0, 1)
        )
        first, last = np.where(by_year, starts, first), np.where(by_year, ends - 1, last)
    return first.astype(np.int32), last.astype(np.int32)


def joined_picture(old: Picture | None, kept: Bools, new: Sequence[Picture]) -> Picture:
    """Put new or changed placements among those of an old picture that stay.

    Placements are ordered by their row in the store, for the public by their public id. Of those
    that go, the public picture keeps no word.
    """
    parts = [*([] if old is None else [old]), *new]
    size, journal = len(kept), [] if old is None else [*old.journal]
    key = np.concatenate([part.key for part in parts])
    read_as = np.concatenate([part.read_as for part in parts])
    journal.append(Gone(next(_READ), key[:size][~kept], read_as[:size][~kept]))
    while len(journal) > 1 and sum(len(step.key) + _OF_WRITE for step in journal) > _MOST_GONE:
        del journal[0]
    source = _merged(key, np.flatnonzero(kept), np.arange(size, len(key)))
    joined = _gathered(parts, source, tuple(journal))
    if joined.public and not kept.all():
        for table, own in joined.columns.items():
            joined.columns[table] = {name: column.used() for name, column in own.items()}
    return joined


def _gathered(parts: Sequence[Picture], source: Ints, journal: tuple[Gone, ...]) -> Picture:
    """Take placements of several pictures by their place, as if these were one."""
    take = Rows(source, [len(part.rows) for part in parts])
    columns = {"placements": _joined([part.columns["placements"] for part in parts], take)}
    owners = {}
    for name in OWNED:
        owners[name], of_owned = take.owned([part.owners[name] for part in parts])
        columns[name] = _joined([part.columns[name] for part in parts], of_owned)
    joined = Picture(
        rows=take.of([part.rows for part in parts]),
        ids=take.of([part.ids for part in parts]),
        crs=parts[0].crs,
        columns=columns,
        owners=owners,
        beside={name: take.of([part.beside[name] for part in parts]) for name in parts[0].beside},
        read_as=take.of([part.read_as for part in parts]),
        journal=journal,
        public=parts[0].public,
    )
    if "names" in vars(parts[0]):  # most are the same: their texts are not made again
        names = take.of([part.names.to_numpy(object) for part in parts])
        vars(joined)["names"] = _named(names)
    return joined


def _joined(parts: Sequence[Columns], rows: Rows) -> Columns:
    return {name: gathered([part[name] for part in parts], rows) for name in parts[0]}


def _merged(key: NDArray[Any], stay: Ints, come: Ints) -> Ints:
    """Rows in the order of their keys; those that `stay` have it already."""
    come = come[np.argsort(key[come], kind="stable")]
    if not len(stay):
        return come
    return np.insert(stay, np.searchsorted(key[stay], key[come]), come)
