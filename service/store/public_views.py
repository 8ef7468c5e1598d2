"""How the public sees each placement, kept beside it so that public queries stay fast.

`layers.fieldwork.generalising` decides; here its answers are stored in the transaction that
changes a placement or the species list, and public queries read them: a box, a date or
an id is compared with what the public sees, never with what is hidden.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from layers.fieldwork.generalising import STEPS_KM, own_steps, positions
from layers.fieldwork.generalising import public_views as views_of
from layers.plurals import plural
from service.records import EVERYTHING, OF_FEATURES, Needed, Selection
from service.store import schema
from service.store.columns import frame_from_rows
from service.store.placements import TABLE, condition, is_whole, read_records

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd
    from numpy.typing import NDArray

    from service.records import Records
    from service.store.geopackage import GeoPackage

__all__ = [
    "cells_of",
    "cells_of_frame",
    "extend",
    "found_records",
    "public_chunks",
    "public_key",
    "public_names",
    "public_records",
    "public_view_faults",
    "refresh",
    "sensitivities",
]

VIEWS = schema.public_views
_WIDEST_M = 1000.0 * STEPS_KM[-1]
_VALUES = ["public_id", "step_km", "cell_x", "cell_y", "year"]
# Placements without a position share this cell: each is decided by its own catch.
NOWHERE = (2**40, 2**40)
Cells = set[tuple[int, int]]


def public_key(connection: sa.Connection) -> bytes:
    """Key of the public names of this store."""
    return bytes.fromhex(str(connection.scalar(sa.select(schema.store_settings.c.public_key))))


# Which cells a change touches --------------------------------------------------------------
def cells_of_frame(placements: gpd.GeoDataFrame) -> Cells:
    """Widest cells in which these placements lie."""
    return _cells(np.asarray(placements.geometry, object))


def cells_of(
    connection: sa.Connection, backend: GeoPackage, chosen: sa.ColumnElement[bool]
) -> Cells:
    """Widest cells of stored placements; call before these change."""
    blobs = connection.scalars(sa.select(TABLE.c.geom).where(chosen)).all()
    return _cells(backend.decode(list(blobs)))


def _cells(points: NDArray[np.object_]) -> Cells:
    xy = positions(points)
    known = ~np.isnan(xy).any(axis=1)
    index = np.floor(xy[known] / _WIDEST_M).astype(np.int64)
    cells = {(int(x), int(y)) for x, y in np.unique(index, axis=0)}
    return cells if known.all() else cells | {NOWHERE}


def _all_cells(connection: sa.Connection, backend: GeoPackage) -> Cells:
    cells: Cells = {NOWHERE}
    for low_x, low_y, high_x, high_y in backend.occupied_cells(connection, TABLE, _WIDEST_M):
        cells |= {(x, y) for x in range(low_x, high_x + 1) for y in range(low_y, high_y + 1)}
    return cells


# Deciding anew -----------------------------------------------------------------------------
def sensitivities(connection: sa.Connection) -> pd.DataFrame:
    """Read what the species list says about places, to see whether a change of it matters."""
    own = schema.species.c
    columns = [own.species, own.sensitivity, own.sensitive_from, own.sensitive_until]
    rows = connection.execute(sa.select(*columns).order_by(own.species)).fetchall()
    return frame_from_rows(rows, columns).set_index("species")


def refresh(connection: sa.Connection, backend: GeoPackage, cells: Cells | None = None) -> None:
    """Decide anew for all placements of some of the widest cells, or of all; call in a write."""
    key = public_key(connection)
    species = sensitivities(connection)
    chosen = _all_cells(connection, backend) if cells is None else cells
    for cell in sorted(chosen):
        _refresh_cell(connection, backend, cell, species, key)


def extend(
    connection: sa.Connection, backend: GeoPackage, placements: gpd.GeoDataFrame, rows: pd.Series
) -> None:
    """Decide for placements that were just added; call in the write, when their catch is there.

    `rows` are their row numbers by id. Where nothing sensitive lies in a cell, what was there
    already stays as it is shown.
    """
    key, species = public_key(connection), sensitivities(connection)
    xy = positions(np.asarray(placements.geometry, object))
    quiet = np.zeros(len(placements), dtype=bool)
    for cell in sorted(cells_of_frame(placements)):
        if any(map(len, _sensitive_rows(connection, backend, cell, species))):
            _refresh_cell(connection, backend, cell, species, key)
        else:
            quiet |= _inside(xy, cell)
    shown = placements[quiet]
    views = views_of(shown, xy[quiet], np.zeros(len(shown), np.int64), key)
    values = {name: _plain(views[name]) for name in _VALUES}
    values["placement_row"] = rows.loc[views.index].tolist()
    backend.insert(connection, VIEWS, values)


def _refresh_cell(
    connection: sa.Connection,
    backend: GeoPackage,
    cell: tuple[int, int],
    species: pd.DataFrame,
    key: bytes,
) -> None:
    lying, new = _decide(connection, backend, cell, species, key)
    old = _kept(connection, backend, lying)
    gone, come = old - new, new - old
    if gone:
        rows = [row[0] for row in gone]
        connection.execute(VIEWS.delete().where(backend.among(VIEWS.c.placement_row, rows)))
    if come:
        columns = list(zip(*sorted(come), strict=True))
        values = dict(zip(["placement_row", *_VALUES], map(list, columns), strict=True))
        backend.insert(connection, VIEWS, values)


def _plain(column: pd.Series) -> list[Any]:
    if pd.api.types.is_float_dtype(column.dtype):
        return [None if value != value else value for value in column.tolist()]
    return list(column.tolist())


def _decide(
    connection: sa.Connection,
    backend: GeoPackage,
    cell: tuple[int, int],
    species: pd.DataFrame,
    key: bytes,
) -> tuple[list[int], set[tuple[Any, ...]]]:
    """Row numbers of the placements of one widest cell, and the views that they should have."""
    columns = [TABLE.c[name] for name in ("placement_id", "set_at", "lifted_at", "timezone")]
    rows = connection.execute(
        sa.select(TABLE.c.fid, TABLE.c.geom, *columns).where(_lying(backend, cell))
    ).fetchall()
    xy = positions(backend.decode([row[1] for row in rows]))
    inside = _inside(xy, cell)
    fids = np.array([row[0] for row in rows], np.int64)[inside]
    known = [row[2:] for row, kept in zip(rows, inside, strict=True) if kept]
    placements = frame_from_rows(known, columns).set_index("placement_id")
    own = own_steps(placements, *_sensitive_rows(connection, backend, cell, species), species)
    views = views_of(placements, xy[inside], own, key)
    shown = fids[placements.index.get_indexer(views.index)].tolist()
    columns_of = (_plain(views[name]) for name in _VALUES)
    return fids.tolist(), set(zip(shown, *columns_of, strict=True))


def _kept(connection: sa.Connection, backend: GeoPackage, fids: list[int]) -> set[tuple[Any, ...]]:
    rows = connection.execute(
        sa.select(VIEWS.c.placement_row, *(VIEWS.c[name] for name in _VALUES)).where(
            backend.among(VIEWS.c.placement_row, fids)
        )
    )
    return {tuple(row) for row in rows}


def _lying(backend: GeoPackage, cell: tuple[int, int]) -> sa.ColumnElement[bool]:
    if cell == NOWHERE:
        return sa.or_(TABLE.c.geom.is_(None), sa.func.ST_IsEmpty(TABLE.c.geom) == 1)
    low_x, low_y = cell[0] * _WIDEST_M, cell[1] * _WIDEST_M
    return backend.in_box(TABLE, (low_x, low_y, low_x + _WIDEST_M, low_y + _WIDEST_M))


def _inside(xy: NDArray[np.float64], cell: tuple[int, int]) -> NDArray[np.bool_]:
    """Which positions lie in a half-open cell; a box takes in its far edges too."""
    nowhere: NDArray[np.bool_] = np.asarray(np.isnan(xy).any(axis=1), bool)
    if cell == NOWHERE:
        return nowhere
    same: NDArray[np.bool_] = np.asarray((np.floor(xy / _WIDEST_M) == cell).all(axis=1), bool)
    return same


def _sensitive_rows(
    connection: sa.Connection, backend: GeoPackage, cell: tuple[int, int], species: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Catches and lengths of sensitive species in a cell."""
    words = species["sensitivity"].fillna("none")
    names = species.index[~words.isin(["none", ""])].tolist()
    if not names:
        none = frame_from_rows([], [TABLE.c.placement_id, schema.catches.c.species])
        return none, none
    frames = []
    for table in (schema.catches, schema.lengths):
        rows = connection.execute(
            sa.select(TABLE.c.placement_id, table.c.species)
            .distinct()
            .join(table, table.c.placement_row == TABLE.c.fid)
            .where(backend.among(table.c.species, names), _lying(backend, cell))
        ).fetchall()
        frames.append(frame_from_rows(rows, [TABLE.c.placement_id, table.c.species]))
    return frames[0], frames[1]


def public_names(connection: sa.Connection) -> tuple[set[str], set[str]]:
    """Read which surveys and sites occur in placements that the public sees exactly."""
    exact = sa.select(VIEWS.c.placement_row).where(VIEWS.c.step_km == 0)
    surveys, sites = (
        connection.scalars(sa.select(column).distinct().where(TABLE.c.fid.in_(exact)))
        for column in (TABLE.c.survey, TABLE.c.site)
    )
    return set(surveys) - {None}, set(sites) - {None}


# Public queries --------------------------------------------------------------------------
def _shown_as(backend: GeoPackage, selection: Selection) -> sa.ColumnElement[bool]:
    """Which placements a public selection means, by what the public sees of each."""
    stored = Selection(
        surveys=selection.surveys, since=selection.since, until=selection.until, bbox=selection.bbox
    )
    exact = sa.and_(VIEWS.c.step_km == 0, condition(backend, stored))
    generalised = [VIEWS.c.step_km > 0]
    if selection.surveys:
        generalised.append(sa.false())  # a generalised placement names no survey
    if selection.since is not None:
        generalised.append(VIEWS.c.year >= selection.since.year)
    if selection.until is not None:
        generalised.append(VIEWS.c.year <= selection.until.year)
    if selection.bbox is not None:
        low_x, low_y, high_x, high_y = selection.bbox
        generalised += [
            VIEWS.c.cell_x.between(low_x, high_x),
            VIEWS.c.cell_y.between(low_y, high_y),
        ]
    parts = [sa.or_(exact, sa.and_(*generalised))]
    if selection.methods:
        parts.append(backend.among(TABLE.c.method, selection.methods))
    if selection.placements:
        parts.append(backend.among(VIEWS.c.public_id, selection.placements))
    return sa.and_(*parts)


def _views(
    connection: sa.Connection, chosen: sa.ColumnElement[bool], size: int | None = None
) -> pd.DataFrame:
    """Public views by ascending public id, with their row numbers."""
    columns = [VIEWS.c.placement_row, TABLE.c.placement_id, *(VIEWS.c[name] for name in _VALUES)]
    query = (
        sa.select(*columns)
        .join(TABLE, TABLE.c.fid == VIEWS.c.placement_row)
        .where(chosen)
        .order_by(VIEWS.c.public_id)
        .limit(size)
    )
    return frame_from_rows(connection.execute(query).fetchall(), columns).set_index("placement_id")


def _rows_of(backend: GeoPackage, views: pd.DataFrame) -> sa.ColumnElement[bool]:
    return backend.among(TABLE.c.fid, views["placement_row"].tolist())


def public_records(
    connection: sa.Connection,
    backend: GeoPackage,
    selection: Selection,
    needed: Needed = EVERYTHING,
) -> tuple[Records, pd.DataFrame]:
    """Read a public selection and how each placement may be shown."""
    views = _views(connection, _shown_as(backend, selection))
    chosen = None if is_whole(selection) else _rows_of(backend, views)
    named = Selection(species=selection.species)
    records = read_records(connection, backend, named, chosen=chosen, needed=needed)
    return records, views[_VALUES]


def public_chunks(
    connection: sa.Connection, backend: GeoPackage, selection: Selection, size: int, after: str
) -> Iterator[tuple[Records, pd.DataFrame]]:
    """Yield the same in chunks by ascending public id, from one consistent state."""
    shown, named = _shown_as(backend, selection), Selection(species=selection.species)
    while True:
        views = _views(connection, sa.and_(shown, VIEWS.c.public_id > after), size)
        if views.empty:
            return
        yield (
            read_records(connection, backend, named, chosen=_rows_of(backend, views)),
            views[_VALUES],
        )
        after = str(views["public_id"].iloc[-1])


def found_records(
    connection: sa.Connection, backend: GeoPackage, fids: list[int]
) -> tuple[Records, pd.DataFrame]:
    """Read placements that the public may see by row number, for features."""
    views = _views(connection, backend.among(VIEWS.c.placement_row, fids))
    needed = Needed(tables=OF_FEATURES.tables - {"flags"})
    chosen = _rows_of(backend, views)
    return read_records(connection, backend, Selection(), chosen=chosen, needed=needed), views[
        _VALUES
    ]


def public_view_faults(connection: sa.Connection, backend: GeoPackage) -> Iterator[str]:
    """Compare what is kept with what the rule says now, cell by cell."""
    key, species = public_key(connection), sensitivities(connection)
    counted = 0
    for cell in sorted(_all_cells(connection, backend)):
        lying, new = _decide(connection, backend, cell, species, key)
        counted += len(new)
        wrong = len(new ^ _kept(connection, backend, lying))
        if wrong:
            which = plural(wrong, "placement is", "placements are")
            yield f"sensitive places: {wrong} {which} not generalised as by the rule"
    kept = connection.scalar(sa.select(sa.func.count()).select_from(VIEWS))
    if kept != counted:
        which = plural(int(kept or 0), "placement is", "placements are")
        yield f"sensitive places: {kept} {which} shown to the public, {counted} should be"
