"""How the public sees each placement, kept beside it so that public questions stay fast.

`layers.fieldwork.generalising` decides; here its answers are stored in the transaction that
changes a placement or the species list, and public questions are asked of them: a box, a date or
an id is compared with what the public sees, never with what is hidden.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from layers.fieldwork.generalising import STEPS_KM, own_steps, positions, public_views
from layers.plurals import plural
from service.records import EVERYTHING, OF_FEATURES, Needed, Selection
from service.store import schema
from service.store.columns import frame_from_rows
from service.store.placements import TABLE, condition, read_records

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd
    from numpy.typing import NDArray

    from service.records import Records
    from service.store.geopackage import GeoPackage

__all__ = [
    "cells_of",
    "cells_of_frame",
    "cover_faults",
    "extend",
    "found_records",
    "public_chunks",
    "public_key",
    "public_names",
    "public_records",
    "refresh",
    "sensitivities",
]

COVERS = schema.covers
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
    connection: sa.Connection, backend: GeoPackage, asked: sa.ColumnElement[bool]
) -> Cells:
    """Widest cells of stored placements, asked before these change."""
    blobs = connection.scalars(sa.select(TABLE.c.geom).where(asked)).all()
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

    `rows` are their row numbers by id. Where a cell holds nothing sensitive, what was there
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
    covers = public_views(shown, xy[quiet], np.zeros(len(shown), np.int64), key)
    values = {name: _plain(covers[name]) for name in _VALUES}
    values["placement_row"] = rows.loc[covers.index].tolist()
    backend.insert(connection, COVERS, values)


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
        connection.execute(COVERS.delete().where(backend.among(COVERS.c.placement_row, rows)))
    if come:
        columns = list(zip(*sorted(come), strict=True))
        values = dict(zip(["placement_row", *_VALUES], map(list, columns), strict=True))
        backend.insert(connection, COVERS, values)


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
    """Row numbers of the placements of one widest cell, and the covers that they should have."""
    columns = [TABLE.c[name] for name in ("placement_id", "set_at", "lifted_at", "timezone")]
    rows = connection.execute(
        sa.select(TABLE.c.fid, TABLE.c.geom, *columns).where(_lying(backend, cell))
    ).fetchall()
    xy = positions(backend.decode([row[1] for row in rows]))
    inside = _inside(xy, cell)
    fids = np.array([row[0] for row in rows], np.int64)[inside]
    held = [row[2:] for row, kept in zip(rows, inside, strict=True) if kept]
    placements = frame_from_rows(held, columns).set_index("placement_id")
    own = own_steps(placements, *_sensitive_rows(connection, backend, cell, species), species)
    covers = public_views(placements, xy[inside], own, key)
    shown = fids[placements.index.get_indexer(covers.index)].tolist()
    columns_of = (_plain(covers[name]) for name in _VALUES)
    return fids.tolist(), set(zip(shown, *columns_of, strict=True))


def _kept(connection: sa.Connection, backend: GeoPackage, fids: list[int]) -> set[tuple[Any, ...]]:
    rows = connection.execute(
        sa.select(COVERS.c.placement_row, *(COVERS.c[name] for name in _VALUES)).where(
            backend.among(COVERS.c.placement_row, fids)
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
    exact = sa.select(COVERS.c.placement_row).where(COVERS.c.step_km == 0)
    surveys, sites = (
        connection.scalars(sa.select(column).distinct().where(TABLE.c.fid.in_(exact)))
        for column in (TABLE.c.survey, TABLE.c.site)
    )
    return set(surveys) - {None}, set(sites) - {None}


# Public questions --------------------------------------------------------------------------
def _asked(backend: GeoPackage, selection: Selection) -> sa.ColumnElement[bool]:
    """Which placements a public selection means, by what the public sees of each."""
    stored = Selection(
        surveys=selection.surveys, since=selection.since, until=selection.until, bbox=selection.bbox
    )
    exact = sa.and_(COVERS.c.step_km == 0, condition(backend, stored))
    covered = [COVERS.c.step_km > 0]
    if selection.surveys:
        covered.append(sa.false())  # a covered placement tells no survey
    if selection.since is not None:
        covered.append(COVERS.c.year >= selection.since.year)
    if selection.until is not None:
        covered.append(COVERS.c.year <= selection.until.year)
    if selection.bbox is not None:
        low_x, low_y, high_x, high_y = selection.bbox
        covered += [COVERS.c.cell_x.between(low_x, high_x), COVERS.c.cell_y.between(low_y, high_y)]
    parts = [sa.or_(exact, sa.and_(*covered))]
    if selection.methods:
        parts.append(backend.among(TABLE.c.method, selection.methods))
    if selection.placements:
        parts.append(backend.among(COVERS.c.public_id, selection.placements))
    return sa.and_(*parts)


def _covers(
    connection: sa.Connection,
    backend: GeoPackage,
    selection: Selection,
    *,
    after: str = "",
    size: int | None = None,
) -> pd.DataFrame:
    """Covers of a public selection by ascending public id, with their row numbers."""
    asked = _asked(backend, selection)
    if after:
        asked = sa.and_(asked, COVERS.c.public_id > after)
    return _covers_where(connection, asked, size)


def _covers_where(
    connection: sa.Connection, asked: sa.ColumnElement[bool], size: int | None = None
) -> pd.DataFrame:
    columns = [COVERS.c.placement_row, TABLE.c.placement_id, *(COVERS.c[name] for name in _VALUES)]
    wanted = (
        sa.select(*columns)
        .join(TABLE, TABLE.c.fid == COVERS.c.placement_row)
        .where(asked)
        .order_by(COVERS.c.public_id)
    )
    rows = connection.execute(wanted if size is None else wanted.limit(size)).fetchall()
    return frame_from_rows(rows, columns).set_index("placement_id")


def public_records(
    connection: sa.Connection,
    backend: GeoPackage,
    selection: Selection,
    needed: Needed = EVERYTHING,
) -> tuple[Records, pd.DataFrame]:
    """Read a public selection and how each placement may be shown."""
    covers = _covers(connection, backend, selection)
    whole = replace(selection, species=(), catchments=()) == Selection()
    records = _records(connection, backend, selection, covers, whole=whole, needed=needed)
    return records, covers[_VALUES]


def public_chunks(
    connection: sa.Connection,
    backend: GeoPackage,
    selection: Selection,
    size: int,
    after: str,
) -> Iterator[tuple[Records, pd.DataFrame]]:
    """Yield the same piece by piece by ascending public id, from one consistent state."""
    while True:
        covers = _covers(connection, backend, selection, after=after, size=size)
        if covers.empty:
            return
        yield (
            _records(connection, backend, selection, covers, whole=False),
            covers[_VALUES],
        )
        after = str(covers["public_id"].iloc[-1])


def found_records(
    connection: sa.Connection, backend: GeoPackage, fids: list[int]
) -> tuple[Records, pd.DataFrame]:
    """Read placements that the public may see by row number, for features."""
    covers = _covers_where(connection, backend.among(COVERS.c.placement_row, fids))
    asked = backend.among(TABLE.c.fid, covers["placement_row"].tolist())
    needed = Needed(tables=OF_FEATURES.tables - {"flags"})
    records = read_records(connection, backend, Selection(), asked=asked, needed=needed)
    return records, covers[_VALUES]


def _records(
    connection: sa.Connection,
    backend: GeoPackage,
    selection: Selection,
    covers: pd.DataFrame,
    *,
    whole: bool,
    needed: Needed = EVERYTHING,
) -> Records:
    asked = None if whole else backend.among(TABLE.c.fid, covers["placement_row"].tolist())
    named = Selection(species=selection.species)
    return read_records(connection, backend, named, asked=asked, needed=needed)


def cover_faults(connection: sa.Connection, backend: GeoPackage) -> Iterator[str]:
    """Compare what is kept with what the rule says now, cell by cell."""
    key, species = public_key(connection), sensitivities(connection)
    counted = 0
    for cell in sorted(_all_cells(connection, backend)):
        lying, new = _decide(connection, backend, cell, species, key)
        counted += len(new)
        wrong = len(new ^ _kept(connection, backend, lying))
        if wrong:
            which = plural(wrong, "placement is", "placements are")
            yield f"sensitive places: {wrong} {which} not covered as by the rule"
    kept = connection.scalar(sa.select(sa.func.count()).select_from(COVERS))
    if kept != counted:
        which = plural(int(kept or 0), "placement is", "placements are")
        yield f"sensitive places: {kept} {which} shown to the public, {counted} should be"
