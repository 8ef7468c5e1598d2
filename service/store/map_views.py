"""Reading all placements in a few columns, for maps of any number of them.

For the public each value is chosen in the statement itself, by the table `covers`: a place, a
day or a survey that is hidden never leaves the database.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely
import sqlalchemy as sa

from layers.drawing.map_columns import MapColumns, NameList
from layers.frames import OUTCOMES
from service.store import schema
from service.store.finding import counted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from service.store.geopackage import GeoPackage

__all__ = ["read_map_columns"]

_PIECE = 50_000
_NEVER, _BEFORE_ALL = np.int32(2**31 - 1), np.int32(-(2**31))
_TABLE, _VIEWS = schema.placements, schema.public_views


def read_map_columns(connection: sa.Connection, backend: GeoPackage, *, public: bool) -> MapColumns:
    """Read the columns for viewers who see exact places, or for the `public`."""
    fids, parts = _placements(connection, backend, public=public)
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    # The order of entry shows what was entered beside what; the public gets that of its own ids.
    order = np.argsort(columns["name"], kind="stable") if public else np.arange(len(fids))
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    columns = {name: column[order] for name, column in columns.items()}
    method, methods = _coded(columns["method"])
    survey, surveys = _coded(columns["survey"])
    first, last = _days(columns["set_on"], columns["year"])
    snapped, ambiguous = _snaps(connection, fids, public=public)
    snapped, ambiguous = snapped[order], ambiguous[order]
    caught_by, caught, species = _caught(connection, fids)
    caught_by, caught = _ordered(rank, caught_by, caught)
    by, reach, from_m, to_m, reaches = _stretches(connection, fids, public=public)
    by, reach, from_m, to_m = _ordered(rank, by, reach, from_m, to_m)
    return MapColumns(
        names=NameList(columns["name"].tolist()),
        xy=np.column_stack([columns["x"], columns["y"]]).astype(np.float64),
        square_km=columns["step"].astype(np.int16),
        outcome=pd.Index(OUTCOMES).get_indexer(pd.Index(columns["outcome"])).astype(np.int8),
        method=method,
        survey=survey,
        first_day=first,
        last_day=last,
        snapped_xy=snapped,
        ambiguous=ambiguous,
        caught_by=caught_by,
        caught=caught,
        stretch_by=by,
        stretch_reach=reach,
        stretch_from_m=from_m,
        stretch_to_m=to_m,
        methods=methods,
        surveys=surveys,
        species=species,
        reaches=reaches,
    )


def _ordered(
    rank: NDArray[np.int64], owners: NDArray[np.int32], *columns: NDArray[Any]
) -> tuple[NDArray[Any], ...]:
    """Rows in the order of their owners and, within one, of the first column."""
    rows = rank[owners]
    at = np.lexsort((columns[0], rows))
    return rows[at].astype(np.int32), *(column[at] for column in columns)


def _coded(texts: NDArray[np.object_]) -> tuple[NDArray[np.int32], tuple[str, ...]]:
    """Numbers in place of names, in the order of the names; -1 = missing."""
    codes, names = pd.factorize(texts, sort=True)
    return codes.astype(np.int32), tuple(map(str, names))


def _placements(
    connection: sa.Connection, backend: GeoPackage, *, public: bool
) -> tuple[NDArray[np.int64], list[dict[str, NDArray[Any]]]]:
    """Row numbers, ascending, and the columns of all placements piece by piece."""
    if public:
        exact = _VIEWS.c.step_km == 0
        wanted = sa.select(
            _TABLE.c.fid, _VIEWS.c.public_id,
            _shown(exact, _TABLE.c.geom), _VIEWS.c.cell_x, _VIEWS.c.cell_y, _VIEWS.c.step_km,
            _TABLE.c.outcome, _TABLE.c.method,
            _shown(exact, _TABLE.c.survey), _shown(exact, _TABLE.c.set_on),
            sa.case((exact, sa.null()), else_=_VIEWS.c.year),
        ).join(_VIEWS, _VIEWS.c.placement_row == _TABLE.c.fid)  # fmt: skip
    else:
        none = sa.null()
        wanted = sa.select(
            _TABLE.c.fid, _TABLE.c.placement_id, _TABLE.c.geom, none, none, sa.literal(0),
            _TABLE.c.outcome, _TABLE.c.method, _TABLE.c.survey, _TABLE.c.set_on, none,
        )  # fmt: skip
    parts = [_part(rows, backend) for rows in _pieces(connection, wanted.order_by(_TABLE.c.fid))]
    parts = parts or [_part([], backend)]
    return np.concatenate([part.pop("fid") for part in parts]), parts


def _shown(exact: sa.ColumnElement[bool], column: sa.ColumnElement[Any]) -> sa.ColumnElement[Any]:
    """Column of placements that the public sees exactly; missing of others."""
    return sa.case((exact, column), else_=sa.null())


def _pieces(
    connection: sa.Connection, wanted: sa.Select[Any]
) -> Iterator[Sequence[tuple[Any, ...]]]:
    """Fetch plain tuples, so many at a time."""
    result = connection.execute(wanted)
    cursor = result.cursor
    assert cursor is not None  # noqa: S101  a SELECT has one
    while rows := cursor.fetchmany(_PIECE):
        yield rows
    result.close()


_NAMES = (
    "fid", "name", "geom", "cell_x", "cell_y", "step", "outcome", "method", "survey", "set_on",
    "year",
)  # fmt: skip


def _part(rows: Sequence[tuple[Any, ...]], backend: GeoPackage) -> dict[str, NDArray[Any]]:
    lists = list(zip(*rows, strict=True)) if rows else [()] * len(_NAMES)
    fetched = dict(zip(_NAMES, lists, strict=True))
    xy = np.full((len(rows), 2), np.nan)
    points = backend.decode(list(fetched["geom"]))
    known = ~(shapely.is_missing(points) | shapely.is_empty(points))
    xy[known] = shapely.get_coordinates(points[known])
    cell = np.array([fetched["cell_x"], fetched["cell_y"]], np.float64).T
    step = np.array(fetched["step"], np.int64)
    xy = np.where((step > 0)[:, None], cell, xy)
    return {
        "fid": np.array(fetched["fid"], np.int64),
        "x": xy[:, 0],
        "y": xy[:, 1],
        "step": step,
        "year": np.array(fetched["year"], np.float64),
        **{name: _objects(fetched[name]) for name in ("name", "outcome", "method", "survey")},
        "set_on": np.array(fetched["set_on"], "datetime64[D]"),
    }


def _objects(values: Sequence[Any]) -> NDArray[np.object_]:
    objects = np.empty(len(values), dtype=object)
    objects[:] = values
    return objects


def _days(
    set_on: NDArray[np.datetime64], year: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """First and last day that each placement may have been set on."""
    dated = ~np.isnat(set_on)
    day = np.where(dated, set_on, np.datetime64(0, "D")).astype(np.int64)
    by_year = ~np.isnan(year)
    years = np.where(by_year, year, 1970).astype(np.int64) - 1970
    starts = years.astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64)
    ends = (years + 1).astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64) - 1
    first = np.where(by_year, starts, np.where(dated, day, _NEVER)).astype(np.int32)
    last = np.where(by_year, ends, np.where(dated, day, _BEFORE_ALL)).astype(np.int32)
    return first, last


def _rows(
    fids: NDArray[np.int64], owners: Sequence[int]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Row of each owner, and whether it is among those shown."""
    wanted = np.array(owners, np.int64)
    row = np.minimum(np.searchsorted(fids, wanted), max(len(fids) - 1, 0))
    shown = fids[row] == wanted if len(fids) else np.zeros(len(wanted), bool)
    return row.astype(np.int64), shown


def _of_exact(wanted: sa.Select[Any], table: sa.Table) -> sa.Select[Any]:
    exact = sa.select(_VIEWS.c.placement_row).where(_VIEWS.c.step_km == 0)
    return wanted.where(table.c.placement_row.in_(exact))


def _snaps(
    connection: sa.Connection, fids: NDArray[np.int64], *, public: bool
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    own = schema.snaps.c
    wanted = sa.select(own.placement_row, own.snapped_x, own.snapped_y, own.ambiguous).where(
        own.snapped_x.is_not(None)
    )
    if public:
        wanted = _of_exact(wanted, schema.snaps)
    xy, ambiguous = np.full((len(fids), 2), np.nan), np.zeros(len(fids), bool)
    for rows in _pieces(connection, wanted):
        owner, x, y, doubt = zip(*rows, strict=True)
        row, shown = _rows(fids, owner)
        xy[row[shown]] = np.column_stack([x, y]).astype(np.float64)[shown]
        ambiguous[row[shown]] = np.array(doubt, bool)[shown]
    return xy, ambiguous


def _caught(
    connection: sa.Connection, fids: NDArray[np.int64]
) -> tuple[NDArray[np.int32], NDArray[np.int32], tuple[str, ...]]:
    """Placement and species of each catch; a row that counts zero is none."""
    own = schema.catches.c
    wanted = sa.select(own.placement_row, own.species).where(counted())
    owners, names = [np.empty(0, np.int32)], [np.empty(0, object)]
    for rows in _pieces(connection, wanted):
        owner, species = zip(*rows, strict=True)
        row, shown = _rows(fids, owner)
        owners.append(row[shown].astype(np.int32))
        names.append(_objects(species)[shown])
    return np.concatenate(owners), *_coded(np.concatenate(names))


def _stretches(
    connection: sa.Connection, fids: NDArray[np.int64], *, public: bool
) -> tuple[
    NDArray[np.int32], NDArray[np.int32], NDArray[np.float64], NDArray[np.float64], tuple[str, ...]
]:
    own = schema.stretches.c
    wanted = sa.select(own.placement_row, own.reach_id, own.from_m, own.to_m)
    if public:
        wanted = _of_exact(wanted, schema.stretches)
    owners, names = [np.empty(0, np.int32)], [np.empty(0, object)]
    measures = [np.empty((0, 2))]
    for rows in _pieces(connection, wanted):
        owner, reach, from_m, to_m = zip(*rows, strict=True)
        row, shown = _rows(fids, owner)
        owners.append(row[shown].astype(np.int32))
        names.append(_objects(reach)[shown])
        measures.append(np.column_stack([from_m, to_m]).astype(np.float64)[shown])
    codes, reaches = _coded(np.concatenate(names))
    along = np.concatenate(measures)
    return np.concatenate(owners), codes, along[:, 0].copy(), along[:, 1].copy(), reaches
