"""Between frames and table rows, whole columns at a time, by the declared type of each column."""

from __future__ import annotations

import gc
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np
import orjson
import pandas as pd
import sqlalchemy as sa

from layers.network.lines import Lines
from service.errors import StoreError
from service.store.geometry_blobs import geometries_from_blobs
from service.store.schema import Geometry, Instant, TextList

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray
    from pandas.api.extensions import ExtensionArray

    Decoded: TypeAlias = NDArray[Any] | ExtensionArray | pd.Series

__all__ = ["column_values", "instant_text", "pieces", "read_frame", "rows_from_frame"]


_DAY_MS: Final = 86_400_000


def rows_from_frame(frame: pd.DataFrame, columns: Iterable[sa.Column[Any]]) -> dict[str, list[Any]]:
    """Turn the declared columns that a frame has into lists of what the driver takes.

    Raises StoreError where a value does not fit its column's type: a programming fault upstream, as
    intake refuses such values with their place in the file.
    """
    return {
        str(column.name): column_values(frame[column.name], column)
        for column in columns
        if column.name in frame
    }


def column_values(series: pd.Series, column: sa.Column[Any]) -> list[Any]:
    """Encode one column; missing becomes None."""
    kind = column.type
    try:
        if isinstance(kind, sa.Boolean):
            return _truths(series)
        if isinstance(kind, sa.Integer):
            return _wholes(series)
        if isinstance(kind, sa.Double):
            return _numbers(series)
        if isinstance(kind, Instant):
            return _instants(series)
        if isinstance(kind, TextList):
            return [_list_text(value) for value in series.tolist()]
        return _texts(series)
    except (TypeError, ValueError) as problem:
        raise StoreError(f"Column {column.name} cannot be stored: {problem}") from problem


def _texts(series: pd.Series) -> list[str | None]:
    text = series if pd.api.types.is_string_dtype(series.dtype) else series.astype("str")
    known = text.notna().to_numpy()
    return _with_gaps(text.to_numpy(dtype=object)[known], known)


def _numbers(series: pd.Series) -> list[float | None]:
    values = pd.to_numeric(series).to_numpy(float, na_value=np.nan)
    known = ~np.isnan(values)
    return _with_gaps(values[known], known)


def _wholes(series: pd.Series) -> list[int | None]:
    values = pd.to_numeric(series).to_numpy(float, na_value=np.nan)
    known = ~np.isnan(values)
    if not np.array_equal(values[known], np.trunc(values[known])):
        raise ValueError("it has a fraction where whole numbers are needed")
    return _with_gaps(values[known].astype(np.int64), known)


def _truths(series: pd.Series) -> list[int | None]:
    values = series.astype("boolean").array
    known = ~np.asarray(pd.isna(values), dtype=bool)
    return _with_gaps(values[known].to_numpy(bool).astype(np.int64), known)


def _instants(series: pd.Series) -> list[str | None]:
    moments = pd.to_datetime(series, utc=True).dt.tz_localize(None)
    values = moments.to_numpy().astype("datetime64[ms]")
    known = ~np.isnat(values)
    # Each day and each time of day is written once: gear is set on few days, at round times.
    day, days = pd.factorize(values[known].astype(np.int64) // _DAY_MS)
    clock, times = pd.factorize(values[known].astype(np.int64) % _DAY_MS)
    dates = np.datetime_as_string(days.astype("datetime64[D]")).astype(object)
    since_1970 = np.datetime_as_string(times.astype("datetime64[ms]"), unit="ms").tolist()
    texts = dates[day] + np.array([f"{text[10:]}Z" for text in since_1970], object)[clock]
    return _with_gaps(texts, known)


def _with_gaps(values: NDArray[Any], known: NDArray[np.bool_]) -> list[Any]:
    """Put values in the known places; None in the others."""
    if known.all():
        return list(values.tolist())
    encoded = np.full(len(known), None, dtype=object)
    encoded[known] = values
    return list(encoded.tolist())


def _list_text(value: object) -> str | None:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return None
    if not isinstance(value, (list, tuple, np.ndarray)):
        raise TypeError(f"{value!r} is not a list")
    return orjson.dumps([str(part) for part in value]).decode()


def instant_text(moment: dt.datetime) -> str:
    """Write one UTC moment as the store keeps it."""
    stamp = pd.Timestamp(moment).tz_convert("UTC").tz_localize(None)
    return f"{stamp.isoformat(timespec='milliseconds')}Z"


def pieces(
    connection: sa.Connection, wanted: sa.Select[Any], size: int = 10_000
) -> Iterator[Sequence[Any]]:
    """Fetch plain tuples some at a time, the first time even if there are none.

    Types are turned whole columns at a time afterwards.
    """
    with connection.execute(wanted) as result:
        cursor = result.cursor
        assert cursor is not None  # noqa: S101  a SELECT has one
        rows = cursor.fetchmany(size)
        while True:
            yield rows
            if not (rows := cursor.fetchmany(size)):
                break


def read_frame(
    connection: sa.Connection, wanted: sa.Select[Any], *, of_layer: bool = False
) -> pd.DataFrame:
    """Read what a statement selects; missing is NaN, NaT, NA or None by type.

    With `of_layer`, a word that stands in many rows, or in many frames, is in memory once, and
    LineStrings are :class:`layers.network.lines.Lines`.
    """
    columns = list(wanted.selected_columns)
    # All rows at once are several times as large as their frame.
    with _uncollected():
        frames = [_frame(rows, columns, of_layer) for rows in pieces(connection, wanted)]
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Look for no garbage meanwhile: rows are none, and going through them took half the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _frame(
    rows: Sequence[Sequence[Any]], columns: Sequence[sa.ColumnElement[Any]], of_layer: bool
) -> pd.DataFrame:
    lists: list[Sequence[Any]] = list(zip(*rows, strict=True)) if rows else [()] * len(columns)
    if of_layer:
        lists = [
            [None if value is None else sys.intern(value) for value in values]
            if isinstance(column.type, sa.Text)
            else values
            for column, values in zip(columns, lists, strict=True)
        ]
    arrays = {
        column.name: _decoded(values, column) for column, values in zip(columns, lists, strict=True)
    }
    if of_layer and "geom" in arrays:
        arrays["geom"] = Lines.where_all_are(np.asarray(arrays["geom"], object))
    return pd.DataFrame(arrays, copy=False)


def _decoded(values: Sequence[Any], column: sa.ColumnElement[Any]) -> Decoded:
    """Decode one fetched column into an array that a frame takes as it is."""
    kind = column.type
    if isinstance(kind, Geometry):
        return geometries_from_blobs(values)
    if isinstance(kind, sa.Boolean):
        return _read_truths(values, nullable=bool(column.nullable))
    if isinstance(kind, sa.Integer):
        if column.nullable:
            return np.array(values, dtype=float)
        return np.array(values, dtype=np.int64)
    if isinstance(kind, sa.Double):
        return np.array(values, dtype=float)
    if isinstance(kind, Instant):
        return pd.to_datetime(
            pd.Series(values, dtype="str"), utc=True, format="ISO8601"
        ).dt.as_unit("us")
    if isinstance(kind, TextList):
        lists = np.empty(len(values), dtype=object)
        lists[:] = [[] if value is None else orjson.loads(value) for value in values]
        return lists
    return pd.array(values, dtype="str")


def _read_truths(values: Sequence[Any], *, nullable: bool) -> Decoded:
    if not nullable:
        return np.array(values, dtype=bool)
    numbers: NDArray[np.float64] = np.array(values, dtype=float)
    missing = np.isnan(numbers)
    return pd.arrays.BooleanArray(np.where(missing, 0, numbers).astype(bool), missing)
