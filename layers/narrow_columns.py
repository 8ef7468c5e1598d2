"""Columns in the narrowest type that has their values: many rows in few bytes each.

What all rows share is stored once. Readers get the types that frames have, as of the same values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np
import pandas as pd
import shapely
from geopandas.array import GeometryArray

from layers.arrays import rows_of_runs
from layers.coded import known_unique

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints

    Array = NDArray[Any]

__all__ = [
    "Column", "LazyPoints", "LazyShapes", "Rows", "gathered", "is_shared", "narrowed", "narrowest",
    "shared",
]  # fmt: skip

_MOST_RUNS: Final = 2_000
_NO_TIME: Final = np.iinfo(np.int64).min
_NO_SECOND: Final = np.iinfo(np.int32).min


@dataclass(frozen=True)
class Column:
    """One column of n rows.

    Attributes
    ----------
    values
        Numbers, truths or shapes; of words their places in `words`, −1 = missing; of times whole
        seconds (int32) or microseconds (int64) since 1970, the least number = missing. What all
        rows share is one value with a stride of zero, (n,).
    kind
        What readers get: a dtype of NumPy, or "str", "time", "geometry".
    words
        Each once, sorted; of words only.
    """

    values: Array
    kind: str
    words: pd.CategoricalDtype | None = None

    def __len__(self) -> int:
        return len(self.values)

    def read(self) -> Any:  # noqa: ANN401 - any array of pandas
        """Give an array for a frame; words as codes."""
        if self.words is not None:
            return pd.Categorical.from_codes(self.values, dtype=self.words, validate=False)
        if self.kind == "time":
            moments = pd.Series(_microseconds(self.values).view("datetime64[us]"), copy=False)
            return moments.dt.tz_localize("UTC").array
        if self.kind == "geometry":
            return GeometryArray(self.values)
        return _each(self.values, lambda values: values.astype(self.kind, copy=False))

    def among(self, words: Iterable[str]) -> Bools:
        """Mark the rows that have one of some words."""
        assert self.words is not None  # noqa: S101  of words only
        known = self.words.categories.isin(list(words))
        return np.append(known, False)[self.values]  # the last place answers to a missing word

    def used(self) -> Column:
        """Leave out the words that no row has.

        Examples
        --------
        >>> gear = narrowed(pd.Series(["seine", "dip net"], dtype="str"))
        >>> Column(gear.values[:1], "str", gear.words).used().words.categories.tolist()
        ['seine']
        """
        if self.words is None:
            return self
        there = np.zeros(len(self.words.categories) + 1, bool)
        there[self.values] = True
        there[-1] = False
        place = np.where(there, np.cumsum(there) - 1, -1)
        words = pd.CategoricalDtype(self.words.categories[there[:-1]])
        return _coded(_each(self.values, lambda values: place[values]), words)


def narrowed(column: pd.Series) -> Column:
    """Store a column of a frame narrowly; words in the order of the alphabet.

    Examples
    --------
    >>> narrowed(pd.Series([1.0, 300.0])).values.dtype.name
    'int16'
    >>> narrowed(pd.Series(["seine", None], dtype="str")).values.tolist()
    [0, -1]
    """
    if isinstance(column.dtype, (pd.StringDtype, pd.CategoricalDtype)):
        words = pd.Categorical(column)
        return Column(shared(words.codes), "str", words.dtype)
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        plain = column.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]")
        return Column(shared(_seconds(plain.view(np.int64))), "time")
    if str(column.dtype) == "geometry":
        return Column(shared(np.asarray(column.array, object)), "geometry")
    values = column.to_numpy()
    return Column(shared(narrowest(values)), values.dtype.name)


def narrowest(values: Array) -> Array:
    """Give numbers in the narrowest type that has them all."""
    if not len(values) or values.dtype.kind not in "fi":
        return values
    if values.dtype.kind == "i" or _counts(values):
        both = np.array([values.min(), values.max()]).astype(np.int64)
        for narrow in (np.int8, np.int16, np.int32):
            if np.array_equal(both.astype(narrow), both):
                return values.astype(narrow)
        return values
    with np.errstate(over="ignore"):
        single = values.astype(np.float32)
    return single if np.array_equal(single, values, equal_nan=True) else values


def _counts(values: Array) -> bool:
    """Whether floats are whole numbers that a narrower type has, none of them −0."""
    if np.signbit(values).any() or not (values <= np.iinfo(np.int32).max).all():
        return False
    return bool((values == np.floor(values)).all())


def _seconds(microseconds: Ints) -> Array:
    known = microseconds != _NO_TIME
    seconds, rest = np.divmod(microseconds, 1_000_000)
    if rest[known].any() or (np.abs(seconds[known]) > np.iinfo(np.int32).max).any():
        return microseconds
    return np.where(known, seconds, _NO_SECOND).astype(np.int32)


def _microseconds(times: Array) -> Ints:
    if times.dtype == np.int64:
        return np.ascontiguousarray(times)
    return np.where(times == _NO_SECOND, _NO_TIME, times.astype(np.int64) * 1_000_000)


def shared(values: Array) -> Array:
    """Store what all rows share once; other values are given back."""
    if len(values) < 2:
        return values
    first = values[0]
    if values.dtype == object:
        same = first is None and shapely.is_missing(values).all()
    elif values.dtype.kind == "f":  # bit by bit: 0 and −0 are equal
        bits = values.view(f"i{values.itemsize}")
        same = (bits == bits[0]).all() or np.isnan(values).all()
    else:
        same = (values == first).all()
    return np.broadcast_to(values[:1].copy(), values.shape) if same else values


def is_shared(values: Array) -> bool:
    """Whether one value stands for all rows."""
    return values.strides[0] == 0 and len(values) > 1


def _each(values: Array, change: Callable[[Array], Array]) -> Array:
    """Change each value by itself; once, where all rows share it."""
    if is_shared(values):
        return np.broadcast_to(change(values[:1]), values.shape)
    return change(values)


def _coded(codes: Array, words: pd.CategoricalDtype) -> Column:
    narrow = pd.Categorical.from_codes(codes[:1], dtype=words, validate=False).codes.dtype
    return Column(_each(codes, lambda values: values.astype(narrow, copy=False)), "str", words)


class Rows:
    """Rows of arrays that lie below one another, in an order.

    Parameters
    ----------
    source
        Row to stand at each place, as if the arrays were one, (m,).
    sizes
        Length of each array.
    """

    def __init__(self, source: Ints, sizes: Sequence[int]) -> None:
        self._source: Ints | None = source
        self._sizes, self._count = [*sizes], len(source)
        self._runs: list[tuple[int, int, int]] | None = None
        starts = np.cumsum([0, *sizes])
        breaks = np.diff(source) != 1
        for start in starts[1:-1]:
            breaks |= source[1:] == start
        begin = np.append(0, np.flatnonzero(breaks) + 1)[: len(source)]
        if len(begin) <= _MOST_RUNS:  # neighbours that stay so are copied as they lie
            size = np.diff(np.append(begin, len(source)))
            part = np.searchsorted(starts, source[begin], side="right") - 1
            low = source[begin] - starts[part]
            self._runs = list(zip(part.tolist(), low.tolist(), (low + size).tolist(), strict=True))
            self._source = None

    def of(self, arrays: Sequence[Array]) -> Array:
        """Take them from arrays of the same shape but for their length."""
        if self._runs is None:
            values = np.concatenate([array for array in arrays if len(array)])[self._source]
            return shared(values) if all(map(is_shared, arrays)) else values
        if not self._runs:
            return arrays[0][:0]
        pieces = [arrays[part][low:high] for part, low, high in self._runs]
        if len(pieces) == 1:
            return pieces[0]
        if all(piece.strides[0] == 0 or len(piece) == 1 for piece in pieces):
            one = shared(np.concatenate([piece[:1] for piece in pieces]))
            if is_shared(one):
                return np.broadcast_to(one[:1], (self._count, *one.shape[1:]))
        return np.concatenate(pieces)

    def owned(self, owners: Sequence[NDArray[np.int32]]) -> tuple[NDArray[np.int32], Rows]:
        """Give the rows of what belongs to them, and to which of them each of these belongs.

        `owners` are ascending rows of the arrays.

        Examples
        --------
        >>> owner, rows = Rows(np.array([2, 0]), [3]).owned([np.array([0, 0, 1, 2], np.int32)])
        >>> owner.tolist(), rows.of([np.array(["a", "b", "c", "d"])]).tolist()
        ([0, 1, 1], ['d', 'a', 'b'])
        """
        if self._runs is None:
            counts = np.concatenate(
                [
                    np.bincount(each, minlength=size)
                    for each, size in zip(owners, self._sizes, strict=True)
                ]
            )
            first, own = np.cumsum(counts) - counts, counts[self._source]
            owner = np.repeat(np.arange(self._count, dtype=np.int32), own)
            return owner, Rows(rows_of_runs(first[self._source], own), [*map(len, owners)])
        at, runs, moved = 0, [], [np.empty(0, np.int32)]
        for part, low, high in self._runs:
            ends = np.array([low, high], owners[part].dtype)
            begin, end = np.searchsorted(owners[part], ends).tolist()
            if begin < end:
                runs.append((part, begin, end))
                moved.append(owners[part][begin:end] + np.int32(at - low))
            at += high - low
        whole = Rows(np.empty(0, np.int64), [*map(len, owners)])
        whole._runs, whole._count = runs, sum(end - begin for _, begin, end in runs)
        return np.concatenate(moved), whole


def gathered(columns: Sequence[Column], rows: Rows) -> Column:
    """Put rows of columns of one kind together; all their words stay."""
    first = columns[0]
    if first.words is not None:
        words, codes = _common_codes(columns)
        return _coded(rows.of(codes), words)
    arrays = [column.values for column in columns]
    if first.kind == "time" and len({array.dtype for array in arrays if len(array)}) > 1:
        arrays = [_microseconds(array) for array in arrays]
    return Column(rows.of(arrays), first.kind)


def _common_codes(columns: Sequence[Column]) -> tuple[pd.CategoricalDtype, list[Array]]:
    lists = [column.words.categories.to_numpy(object) for column in columns if column.words]
    words, more = lists[0], set[str]()
    for own in lists[1:]:  # few beside many: these are not gone through
        at = np.searchsorted(words, own)
        known = at < len(words)
        known[known] = words[at[known]] == own[known]
        more.update(own[~known])
    if fresh := sorted(more):
        words = np.insert(words, np.searchsorted(words, fresh), fresh)
    codes = []
    for column, own in zip(columns, lists, strict=True):
        if own is words:
            codes.append(column.values)
        else:  # the last place answers to a missing word, -1
            place = np.append(np.searchsorted(words, own), -1)
            codes.append(_each(column.values, place.__getitem__))
    kind = columns[0].words
    if fresh:
        kind = pd.CategoricalDtype(known_unique(pd.Index(words, dtype="str")))
    assert kind is not None  # noqa: S101  of words only
    return kind, codes


class LazyShapes(GeometryArray):  # type: ignore[misc]
    """Shapes that are drawn when somebody looks at them; nobody may change them.

    A million shapes take a second and 200 MB, and most questions look at none or at few.
    """

    def __init__(self, crs: Any) -> None:  # noqa: ANN401 - any CRS
        self._drawn: Array | None = None
        self._crs = None
        self.crs = crs
        self._sindex = None

    def _draw(self) -> Array:
        """Draw all; a missing one is None."""
        raise NotImplementedError

    def _at(self, rows: Ints) -> Self:
        """Choose some by place; −1 is a missing one."""
        raise NotImplementedError

    def __len__(self) -> int:
        raise NotImplementedError

    def isna(self) -> Bools:
        """Mark those that are missing."""
        raise NotImplementedError

    @property
    def nbytes(self) -> int:
        """Bytes of their places in memory, drawn or not."""
        return 8 * len(self)

    @property
    def _data(self) -> Array:
        if self._drawn is None:
            self._drawn = self._draw()
        return self._drawn

    @property
    def shape(self) -> tuple[int]:
        """Its length, as of every array of pandas."""
        return (len(self),)

    def copy(self, *_args: object, **_more: object) -> Self:
        """Return the same shapes: with nobody changing them, they need not lie there twice."""
        one = object.__new__(type(self))
        one.__dict__.update(self.__dict__)
        return one

    def _taken(self, rows: Ints) -> Self:
        """Choose some by place, drawn if all are."""
        some = self._at(rows)
        if self._drawn is not None and len(self):
            some._drawn = self._drawn[rows]
            some._drawn[rows < 0] = None
        return some

    def __getitem__(self, which: Any) -> Any:  # noqa: ANN401 - whatever pandas selects by
        if isinstance(which, slice) and which == slice(None):
            return self.copy()
        if pd.api.types.is_integer(which):
            return self._taken(np.arange(len(self))[int(which)].reshape(1))._data[0]
        rows = pd.api.indexers.check_array_indexer(self, which)
        return self._taken(np.arange(len(self))[rows])

    def __setitem__(self, which: Any, value: Any) -> None:  # noqa: ANN401 - as above
        raise TypeError("shapes that are drawn when needed are not changed")

    def take(
        self,
        indices: NDArray[np.integer],
        allow_fill: bool = False,
        fill_value: Any = None,  # noqa: ANN401, ARG002
    ) -> Self:
        """Take some by place; -1 is missing where that is allowed."""
        rows = np.asarray(indices, np.int64)
        return self._taken(rows if allow_fill else np.arange(len(self))[rows])


class LazyPoints(LazyShapes):
    """Points that are drawn from their positions; NaN = missing."""

    def __init__(self, xy: Floats, crs: Any) -> None:  # noqa: ANN401 - any CRS
        super().__init__(crs)
        self.xy = xy

    def __len__(self) -> int:
        return len(self.xy)

    def isna(self) -> Bools:
        """Mark those without a position."""
        return np.asarray(np.isnan(self.xy).any(axis=1), bool)

    def _draw(self) -> Array:
        points: Array = shapely.points(self.xy)
        points[self.isna()] = None
        return points

    def _at(self, rows: Ints) -> LazyPoints:
        xy = self.xy[rows]
        xy[rows < 0] = np.nan
        return LazyPoints(xy, self.crs)
