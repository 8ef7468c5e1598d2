"""Which placements, detections or stretches a query selects, page by page along their keys.

Rows are found by key, not by number: whoever reads on after the last key of a page neither
misses nor repeats a record that stood there all along, whatever is written meanwhile. Keys are
store rows where exact places are seen, public ids for the public, whose queries are compared
with what the public sees of each placement and with nothing else.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd
import shapely
import sqlalchemy as sa

from layers.fieldwork.generalising import STEPS_KM
from service.store import schema
from service.store.columns import instant_text, pieces
from service.store.geometry_blobs import geometries_from_blobs
from service.store.geopackage import (
    among,
    any_of,
    in_box,
    index_name,
    index_of,
    narrows,
    near_box,
    noted_extent,
)
from service.store.public_views import cells_in_box

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from service.store.geopackage import Box

__all__ = ["Key", "Unit", "Wanted", "count", "counted", "extent", "find", "surroundings", "sweep"]

Unit = Literal["placement", "detection", "stretch"]
Key = tuple[Any, ...]
"""Key of the placement; then the species of a detection, or reach and measure of a stretch."""

TABLE, VIEWS = schema.placements, schema.public_views
CATCHES, STRETCHES, SNAPS = schema.catches, schema.stretches, schema.snaps


@dataclass(frozen=True)
class Wanted:
    """Conditions of a query; an empty one selects all.

    `species` are those that a placement caught, or of which a detection is. `box` lies in the
    store's CRS [m]; whatever has no place meets every box. `start` and `end` (aware, both
    included) meet the time from setting to lifting; what has no time meets every period, and
    what is shown by its year meets by the whole year. What surely lies in `but`, a box within
    `box`, may be left out.
    """

    placements: tuple[str, ...] = ()
    surveys: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    outcomes: tuple[str, ...] = ()
    species: tuple[str, ...] = ()
    streams: tuple[str, ...] = ()
    reaches: tuple[str, ...] = ()
    box: Box | None = None
    but: Box | None = None
    start: dt.datetime | None = None
    end: dt.datetime | None = None


def find(
    connection: sa.Connection,
    wanted: Wanted,
    unit: Unit,
    *,
    public: bool,
    size: int,
    after: Key | None = None,
    before: Key | None = None,
    places: bool = False,
) -> pd.DataFrame:
    """Find up to `size` features along their keys.

    Parameters
    ----------
    public
        Whether keys and conditions are those of what the public sees.
    after, before
        Key to begin after, or to end before; with `before` the last ones before it.
    places
        Whether to fetch where the features are shown.

    Returns
    -------
    DataFrame
        By ascending key: `key` (tuples), `placement_id` (public for the public), `row` (of the
        store, for `Store.found_records`; never to be shown), and with `places` the `geometry`
        as shown, in the store's CRS (missing = nowhere), and `generalised_km` (missing = as
        recorded).
    """
    key = _key_columns(unit, public=public)
    query = _select(unit, public=public, places=places).limit(size)
    query = query.where(_condition(connection, wanted, unit, public=public))
    first, order = key[0], list[sa.ColumnElement[Any]](key)
    if after is not None:
        query = query.where(first >= after[0], sa.tuple_(*key) > sa.tuple_(*after))
    if before is not None:
        query = query.where(first <= before[0], sa.tuple_(*key) < sa.tuple_(*before))
        order = [column.desc() for column in key]
    if unit == "detection":  # else all would be sorted for a few
        # With the one that it goes on from, so many placements have as many detections.
        caught = sa.exists().where(CATCHES.c.placement_row == TABLE.c.fid, counted())
        some = sa.select(first).select_from(_tables("placement", public=public))
        some = some.where(_condition(connection, wanted, "placement", public=public), caught)
        if after is not None:
            some = some.where(first >= after[0])
        if before is not None:
            some = some.where(first <= before[0])
        last = connection.scalar(some.order_by(order[0]).offset(size).limit(1))
        if last is not None:
            query = query.where(first <= last if before is None else first >= last)
    query = query.order_by(*order)
    rows = connection.execute(query).fetchall()
    return _frame(rows[::-1] if before is not None else rows, len(key), places=places)


def sweep(
    connection: sa.Connection, wanted: Wanted, unit: Unit, *, public: bool, size: int
) -> Iterator[pd.DataFrame]:
    """Yield all features of a query with their places, in any order, `size` at a time.

    Columns as those of :func:`find`. One statement finds them all.
    """
    query = _select(unit, public=public, places=True)
    query = query.where(_condition(connection, wanted, unit, public=public))
    width = len(_key_columns(unit, public=public))
    for rows in pieces(connection, query, size):
        yield _frame(rows, width, places=True)


def _select(unit: Unit, *, public: bool, places: bool) -> sa.Select[Any]:
    key = _key_columns(unit, public=public)
    shown = VIEWS.c.public_id if public else TABLE.c.placement_id
    columns: list[Any] = [*key, shown, VIEWS.c.placement_row if public else TABLE.c.fid]
    if places:
        columns.append(STRETCHES.c.geom if unit == "stretch" else TABLE.c.geom)
        columns += [VIEWS.c.step_km, VIEWS.c.cell_x, VIEWS.c.cell_y] if public else []
    query = sa.select(*columns).select_from(_tables(unit, public=public))
    return query.group_by(*key) if unit == "detection" else query


def _frame(rows: Sequence[Any], width: int, *, places: bool) -> pd.DataFrame:
    found = pd.DataFrame(
        {
            "key": pd.Series([tuple(row[:width]) for row in rows], dtype=object),
            "placement_id": pd.array([row[width] for row in rows], dtype="str"),
            "row": np.array([row[width + 1] for row in rows], dtype=np.int64),
        }
    )
    if not places:
        return found
    shapes = geometries_from_blobs([row[width + 2] for row in rows])
    shapes[shapely.is_empty(shapes)] = None
    side = np.full(len(rows), np.nan)
    if rows and len(rows[0]) > width + 3:
        cells = np.array([tuple(row[width + 3 :]) for row in rows], float)
        generalised = cells[:, 0] > 0
        shapes[generalised] = shapely.points(cells[generalised, 1:])
        side = np.where(generalised, cells[:, 0], np.nan)
    return found.assign(geometry=shapes, generalised_km=side)


def count(connection: sa.Connection, wanted: Wanted, unit: Unit, *, public: bool) -> int:
    """Count the features of a query; a box is compared with envelopes."""
    condition = _condition(connection, wanted, unit, public=public)
    query = sa.select(sa.literal(1)).select_from(_tables(unit, public=public)).where(condition)
    if unit == "detection":
        query = query.group_by(*_key_columns(unit, public=public))
    number = connection.scalar(sa.select(sa.func.count()).select_from(query.subquery()))
    return int(number or 0)


def extent(
    connection: sa.Connection, *, public: bool
) -> tuple[tuple[float, float, float, float] | None, tuple[str | None, str | None]]:
    """Box of all placements as shown, in the store's CRS [m], and their first and last time.

    The box is rounded outward by less than a metre, as the index is.
    """
    exact = sa.select(VIEWS.c.placement_row).where(VIEWS.c.step_km == 0)
    generalised = VIEWS.c.step_km > 0
    index = index_of(TABLE)
    lows_highs = (
        sa.func.min(index.c.minx), sa.func.min(index.c.miny),
        sa.func.max(index.c.maxx), sa.func.max(index.c.maxy),
    )  # fmt: skip
    times = (sa.func.min(_began()), sa.func.max(_ended()))
    boxes, periods = sa.select(*lows_highs), sa.select(*times)
    if not public:
        return _widest(connection.execute(boxes).fetchall()), _longest(
            connection.execute(periods).fetchall()
        )
    x, y, year = VIEWS.c.cell_x, VIEWS.c.cell_y, sa.cast(VIEWS.c.year, sa.Text)
    cells = sa.select(sa.func.min(x), sa.func.min(y), sa.func.max(x), sa.func.max(y))
    years = sa.select(sa.func.min(year + _YEAR_BEGINS), sa.func.max(year + _YEAR_ENDS)).where(
        generalised
    )
    return _widest(
        [
            connection.execute(boxes.where(index.c.id.in_(exact))).one(),
            connection.execute(cells.where(generalised)).one(),
        ]
    ), _longest(
        [
            connection.execute(periods.where(TABLE.c.fid.in_(exact))).one(),
            connection.execute(years).one(),
        ]
    )


def surroundings(connection: sa.Connection) -> Box | None:
    """Box that surely holds all placements as anybody sees them, in the store's CRS [m]."""
    noted = noted_extent(connection, TABLE.name)
    if noted is None:
        return None
    low_x, low_y, high_x, high_y = noted
    reach_m = 500.0 * STEPS_KM[-1]  # the centre of a cell is no farther away
    return (low_x - reach_m, low_y - reach_m, high_x + reach_m, high_y + reach_m)


_YEAR_BEGINS: Final = "-01-01T00:00:00.000Z"
_YEAR_ENDS: Final = "-12-31T23:59:59.999Z"


def _widest(rows: Sequence[Any]) -> tuple[float, float, float, float] | None:
    known = np.array([tuple(row) for row in rows if row[0] is not None], float)
    if not len(known):
        return None
    low, high = known[:, :2].min(axis=0), known[:, 2:].max(axis=0)
    return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def _longest(rows: Sequence[Any]) -> tuple[str | None, str | None]:
    first = [row[0] for row in rows if row[0] is not None]
    last = [row[1] for row in rows if row[1] is not None]
    return (min(first, default=None), max(last, default=None))


# Conditions ------------------------------------------------------------------------------------
def _tables(unit: Unit, *, public: bool) -> Any:  # noqa: ANN401 - a table or a join of tables
    tables: Any = TABLE
    if public:
        tables = VIEWS.join(TABLE, TABLE.c.fid == VIEWS.c.placement_row)
    if unit == "detection":
        tables = tables.join(CATCHES, CATCHES.c.placement_row == TABLE.c.fid)
    elif unit == "stretch":
        tables = tables.join(STRETCHES, STRETCHES.c.placement_row == TABLE.c.fid)
    return tables


def _key_columns(unit: Unit, *, public: bool) -> list[sa.Column[Any]]:
    placement = VIEWS.c.public_id if public else TABLE.c.fid
    if unit == "detection":
        return [placement, CATCHES.c.species]
    if unit == "stretch":
        return [placement, STRETCHES.c.reach_id, STRETCHES.c.from_m]
    return [placement]


def _condition(
    connection: sa.Connection, wanted: Wanted, unit: Unit, *, public: bool
) -> sa.ColumnElement[bool]:
    shared = _shared(wanted, unit, public=public)
    some_nowhere = wanted.box is not None and unit != "stretch" and _some_nowhere(connection)
    exact = _as_recorded(wanted, unit, some_nowhere=some_nowhere)
    if not public:
        return sa.and_(sa.true(), *shared, *exact)
    exactly_shown = sa.and_(VIEWS.c.step_km == 0, *exact)
    if unit == "stretch":  # they show where a gear lay
        return sa.and_(*shared, exactly_shown)
    generalised = sa.and_(VIEWS.c.step_km > 0, *_generalised(wanted))
    if wanted.box is not None and not some_nowhere and narrows(connection, TABLE, wanted.box):
        # By index first; the conditions proper follow.
        near = sa.union_all(
            near_box(TABLE, wanted.box, wanted.but),
            sa.select(VIEWS.c.placement_row).where(generalised),
        )
        shared.append(VIEWS.c.placement_row.in_(near))
    return sa.and_(*shared, sa.or_(exactly_shown, generalised))


def _shared(wanted: Wanted, unit: Unit, *, public: bool) -> list[sa.ColumnElement[bool]]:
    """Conditions on what is shown of every placement."""
    shown = VIEWS.c.public_id if public else TABLE.c.placement_id
    parts = any_of(
        (shown, wanted.placements),
        (TABLE.c.method, wanted.methods),
        (TABLE.c.outcome, wanted.outcomes),
    )
    caught = [counted(), *any_of((CATCHES.c.species, wanted.species))]
    if unit == "detection":
        return parts + caught
    if wanted.species:
        parts.append(TABLE.c.fid.in_(sa.select(CATCHES.c.placement_row).where(*caught)))
    return parts


def counted() -> sa.ColumnElement[bool]:
    """Rows that stand for at least one fish, as `catch_numbers` of `layers` counts them."""
    count = CATCHES.c["count"]
    return sa.or_(CATCHES.c.count_kind == "present", count.is_(None), count > 0)


def _began() -> sa.ColumnElement[str]:
    return sa.func.coalesce(TABLE.c.set_at, TABLE.c.lifted_at)


def _ended() -> sa.ColumnElement[str]:
    return sa.func.coalesce(TABLE.c.lifted_at, TABLE.c.set_at)


def _some_nowhere(connection: sa.Connection) -> bool:
    """Whether any placement has no place, and so is not in the index."""
    indexed = sa.table(f"{index_name(TABLE.name)}_rowid")
    counts = [
        connection.scalar(sa.select(sa.func.count()).select_from(table))
        for table in (TABLE, indexed)
    ]
    return counts[0] != counts[1]


def _as_recorded(wanted: Wanted, unit: Unit, *, some_nowhere: bool) -> list[sa.ColumnElement[bool]]:
    parts = any_of((TABLE.c.survey, wanted.surveys), (TABLE.c.stream_name, wanted.streams))
    if unit == "stretch":
        parts += any_of((STRETCHES.c.reach_id, wanted.reaches))
    elif wanted.reaches:
        on = sa.select(SNAPS.c.placement_row).where(among(SNAPS.c.reach_id, wanted.reaches))
        parts.append(TABLE.c.fid.in_(on))
    if wanted.box is not None and unit == "stretch":
        parts.append(in_box(STRETCHES, wanted.box))
    elif wanted.box is not None:
        inside = in_box(TABLE, wanted.box, wanted.but)
        nowhere = TABLE.c.fid.not_in(sa.select(index_of(TABLE).c.id))
        parts.append(sa.or_(inside, nowhere) if some_nowhere else inside)
    if wanted.start is not None:
        parts.append(sa.or_(_ended().is_(None), _ended() >= instant_text(wanted.start)))
    if wanted.end is not None:
        parts.append(sa.or_(_began().is_(None), _began() <= instant_text(wanted.end)))
    return parts


def _generalised(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    """Conditions on what is shown of a placement that is only shown as a cell and a year."""
    parts: list[sa.ColumnElement[bool]] = [sa.true()]
    if wanted.surveys or wanted.streams or wanted.reaches:
        parts.append(sa.false())
    year = VIEWS.c.year
    if wanted.start is not None:
        parts.append(sa.or_(year.is_(None), year >= wanted.start.astimezone(dt.UTC).year))
    if wanted.end is not None:
        parts.append(sa.or_(year.is_(None), year <= wanted.end.astimezone(dt.UTC).year))
    if wanted.box is not None:
        parts += cells_in_box(wanted.box)
    return parts
