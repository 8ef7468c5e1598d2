"""How the public sees each placement, kept beside it so that public queries stay fast.

`layers.fieldwork.generalising` decides; here its answers are stored in the transaction that
changes a placement or the species list, and public queries read them: a box, a date or
an id is compared with what the public sees, never with what is hidden.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
import sqlalchemy as sa

from layers.fieldwork.generalising import (
    STEPS_KM,
    closing_steps,
    list_steps,
    own_steps,
    positions,
)
from layers.fieldwork.generalising import public_views as views_of
from layers.plurals import plural
from service.records import EVERYTHING, OF_FEATURES, Needed, Selection
from service.store import schema
from service.store.columns import read_frame
from service.store.geometry_blobs import geometries_from_blobs
from service.store.geopackage import among, any_of, in_box, insert, occupied_cells
from service.store.placements import TABLE, condition, is_whole, read_records

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd

    from layers.arrays import Bools, Floats, Ints
    from service.records import Records

__all__ = [
    "cells_in_box",
    "extend",
    "following",
    "found_public_records",
    "public_chunks",
    "public_key",
    "public_names",
    "public_records",
    "public_view_faults",
    "read_views",
    "refresh",
    "sensitivities",
]

VIEWS = schema.public_views
_VALUES = ["public_id", "step_km", "cell_x", "cell_y", "year"]


def public_key(connection: sa.Connection) -> bytes:
    """Key of the public names of this store."""
    return bytes.fromhex(str(connection.scalar(sa.select(schema.store_settings.c.public_key))))


# Which cells a change touches --------------------------------------------------------------
class Cell(NamedTuple):
    """A square of the grid of one step, by its numbers from the origin of the store's CRS."""

    side_km: int
    x: int
    y: int

    def within(self, side_km: int) -> Cell:
        """Square of another step that contains this one."""
        return Cell(side_km, self.x * self.side_km // side_km, self.y * self.side_km // side_km)


_WIDEST_KM: Final = STEPS_KM[-1]
# Placements without a position share this cell: each is decided by its own catch.
NOWHERE: Final = Cell(_WIDEST_KM, 2**40, 2**40)
_FEW: Final = 100  # catches, of which one nearly always closes
_MOST_CELLS: Final = 40  # beyond, whole cells of the widest step are fewer questions


def _cells(xy: Floats, side_km: Ints) -> set[Cell]:
    """Cells of these sides in which positions lie."""
    known = ~np.isnan(xy).any(axis=1)
    index = np.floor(xy[known] / (1000.0 * side_km[known, None])).astype(np.int64)
    rows = np.unique(np.column_stack([side_km[known], index]), axis=0)
    cells = {Cell(int(side), int(x), int(y)) for side, x, y in rows}
    return cells if known.all() else cells | {NOWHERE}


def _all_cells(connection: sa.Connection) -> set[Cell]:
    cells = {NOWHERE}
    for low_x, low_y, high_x, high_y in occupied_cells(connection, TABLE, 1000.0 * _WIDEST_KM):
        cells |= {
            Cell(_WIDEST_KM, x, y)
            for x in range(low_x, high_x + 1)
            for y in range(low_y, high_y + 1)
        }
    return cells


def _closer(
    connection: sa.Connection,
    species: pd.DataFrame,
    cell: Cell,
    *,
    but: sa.ColumnElement[bool] | None = None,
) -> pd.DataFrame:
    """One placement that closes a cell, as :func:`_sensitive` reads it; no row where none does."""
    able = species[closing_steps(list_steps(species)) == cell.side_km]
    chosen = _lying(cell)
    if but is not None:
        chosen = sa.and_(chosen, but.is_distinct_from(sa.true()))
    found = _sensitive(connection, able, chosen, most=_FEW)
    closing = _closing(found, cell)
    if closing.empty and not found.empty:  # those few were out of season, or on the far edge
        closing = _closing(_sensitive(connection, able, chosen), cell)
    return closing.iloc[:1]


def _closing(found: pd.DataFrame, cell: Cell) -> pd.DataFrame:
    return found[(found["own"] > 0) & _inside(found[["x", "y"]].to_numpy(np.float64), cell)]


def _closed_by(
    connection: sa.Connection, species: pd.DataFrame, chosen: sa.ColumnElement[bool]
) -> set[Cell]:
    """Cells that some placements close."""
    found = _sensitive(connection, species, chosen)
    closes = found[(found["own"] > 0) & found["x"].notna()]
    sides = closing_steps(closes["own"].to_numpy(np.int64))
    return _cells(closes[["x", "y"]].to_numpy(np.float64), sides)


# Deciding anew -----------------------------------------------------------------------------
def sensitivities(connection: sa.Connection) -> pd.DataFrame:
    """Read what the species list says about places, to see whether a change of it matters."""
    own = schema.species.c
    columns = [own.species, own.sensitivity, own.sensitive_from, own.sensitive_until]
    wanted = sa.select(*columns).order_by(own.species)
    return read_frame(connection, wanted).set_index("species")


def refresh(connection: sa.Connection, cells: set[Cell] | None = None) -> None:
    """Decide anew for all placements of some cells, or of all; call in a write."""
    key = public_key(connection)
    species = sensitivities(connection)
    chosen = _all_cells(connection) if cells is None else cells
    for cell in sorted(chosen):
        _refresh_cell(connection, cell, species, key)


@contextmanager
def following(connection: sa.Connection, chosen: sa.ColumnElement[bool]) -> Iterator[None]:
    """Write some placements inside; then all are decided anew that these may show otherwise.

    That is each of them, and whatever lies in a cell that one of them closed before or closes
    now, unless another placement closes it all the while.
    """
    species = sensitivities(connection)
    before = _closed_by(connection, species, chosen)
    yield
    after = _closed_by(connection, species, chosen)
    points = connection.scalars(sa.select(TABLE.c.geom).where(chosen)).all()
    cells = _cells(positions(geometries_from_blobs(list(points))), np.ones(len(points), np.int64))
    cells |= {
        cell for cell in before ^ after if _closer(connection, species, cell, but=chosen).empty
    }
    if len(cells) > _MOST_CELLS:
        cells = {cell.within(_WIDEST_KM) for cell in cells}
    refresh(connection, cells)


def extend(connection: sa.Connection, placements: gpd.GeoDataFrame, rows: pd.Series) -> None:
    """Decide for placements that were just added; call in the write, when their catch is there.

    `rows` are their row numbers by id. Where nothing sensitive lies in a cell, what was there
    already stays as it is shown.
    """
    key, species = public_key(connection), sensitivities(connection)
    xy = positions(np.asarray(placements.geometry, object))
    quiet = np.zeros(len(placements), dtype=bool)
    for cell in sorted(_cells(xy, np.full(len(xy), _WIDEST_KM))):
        if _sensitive(connection, species, _lying(cell))["own"].any():
            _refresh_cell(connection, cell, species, key)
        else:
            quiet |= _inside(xy, cell)
    shown = placements[quiet]
    views = views_of(shown, xy[quiet], np.zeros(len(shown), np.int64), key)
    values = {name: _plain(views[name]) for name in _VALUES}
    values["placement_row"] = rows.loc[views.index].tolist()
    insert(connection, VIEWS, values)


def _refresh_cell(connection: sa.Connection, cell: Cell, species: pd.DataFrame, key: bytes) -> None:
    lying, new = _decide(connection, cell, species, key)
    old = _kept(connection, lying)
    gone, come = old - new, new - old
    if gone:
        rows = [row[0] for row in gone]
        connection.execute(VIEWS.delete().where(among(VIEWS.c.placement_row, rows)))
    if come:
        columns = list(zip(*sorted(come), strict=True))
        values = dict(zip(["placement_row", *_VALUES], map(list, columns), strict=True))
        insert(connection, VIEWS, values)


def _plain(column: pd.Series) -> list[Any]:
    if pd.api.types.is_float_dtype(column.dtype):
        return [None if value != value else value for value in column.tolist()]
    return list(column.tolist())


def _decide(
    connection: sa.Connection, cell: Cell, species: pd.DataFrame, key: bytes
) -> tuple[list[int], set[tuple[Any, ...]]]:
    """Row numbers of the placements of one cell, and the views that they should have."""
    lying = _read_dated(connection, _lying(cell))
    lying = lying[_inside(lying[["x", "y"]].to_numpy(np.float64), cell)]
    sensitive = _sensitive(connection, species, _lying(cell))
    own = sensitive["own"].reindex(lying.index, fill_value=0)
    wider = [cell.within(side) for side in STEPS_KM if side > cell.side_km]
    around = [_closer(connection, species, one) for one in wider]
    placements = pd.concat([lying.assign(own=own), *around])
    placements = placements[~placements.index.duplicated()]
    views = views_of(
        placements,
        placements[["x", "y"]].to_numpy(np.float64),
        placements["own"].to_numpy(np.int64),
        key,
    )
    views = views[views.index.isin(lying.index)]
    shown = lying["fid"].reindex(views.index).tolist()
    columns_of = (_plain(views[name]) for name in _VALUES)
    return lying["fid"].tolist(), set(zip(shown, *columns_of, strict=True))


def _read_dated(connection: sa.Connection, chosen: sa.ColumnElement[bool]) -> pd.DataFrame:
    """Read when placements were there, with `fid`, and their position as `x` and `y`."""
    columns = [TABLE.c[name] for name in ("fid", "placement_id", "set_at", "lifted_at", "timezone")]
    known = read_frame(connection, sa.select(TABLE.c.geom, *columns).where(chosen))
    xy = positions(known.pop("geom"))
    return known.set_index("placement_id").assign(x=xy[:, 0], y=xy[:, 1])


def _kept(connection: sa.Connection, fids: list[int]) -> set[tuple[Any, ...]]:
    rows = connection.execute(
        sa.select(VIEWS.c.placement_row, *(VIEWS.c[name] for name in _VALUES)).where(
            among(VIEWS.c.placement_row, fids)
        )
    )
    return {tuple(row) for row in rows}


def _lying(cell: Cell) -> sa.ColumnElement[bool]:
    if cell == NOWHERE:
        return sa.or_(TABLE.c.geom.is_(None), sa.func.ST_IsEmpty(TABLE.c.geom) == 1)
    side_m = 1000.0 * cell.side_km
    low_x, low_y = cell.x * side_m, cell.y * side_m
    return in_box(TABLE, (low_x, low_y, low_x + side_m, low_y + side_m))


def _inside(xy: Floats, cell: Cell) -> Bools:
    """Which positions lie in a half-open cell; a box takes in its far edges too."""
    nowhere: Bools = np.asarray(np.isnan(xy).any(axis=1), bool)
    if cell == NOWHERE:
        return nowhere
    index = np.floor(xy / (1000.0 * cell.side_km))
    same: Bools = np.asarray((index == (cell.x, cell.y)).all(axis=1), bool)
    return same


def _sensitive(
    connection: sa.Connection,
    species: pd.DataFrame,
    chosen: sa.ColumnElement[bool],
    *,
    most: int | None = None,
) -> pd.DataFrame:
    """Those of some placements that caught a sensitive one of these species.

    Returns what :func:`_read_dated` gives, and `own`, the step that their catch needs (0 out of
    season). `most` rows of catches and as many of lengths are looked at.
    """
    names = species.index[list_steps(species) > 0].tolist()
    if not names:
        return _read_dated(connection, sa.false()).assign(own=0)
    caught = []
    for table in (schema.catches, schema.lengths):
        query = sa.select(TABLE.c.placement_id, table.c.species).distinct()
        query = query.join(table, table.c.placement_row == TABLE.c.fid)
        query = query.where(among(table.c.species, names), chosen).limit(most)
        caught.append(read_frame(connection, query))
    ids = sorted(set(caught[0]["placement_id"]) | set(caught[1]["placement_id"]))
    placements = _read_dated(connection, among(TABLE.c.placement_id, ids))
    return placements.assign(own=own_steps(placements, caught[0], caught[1], species))


def public_names(connection: sa.Connection) -> tuple[set[str], set[str]]:
    """Read which surveys and sites occur in placements that the public sees exactly."""
    exact = sa.select(VIEWS.c.placement_row).where(VIEWS.c.step_km == 0)
    surveys, sites = (
        connection.scalars(sa.select(column).distinct().where(TABLE.c.fid.in_(exact)))
        for column in (TABLE.c.survey, TABLE.c.site)
    )
    return set(surveys) - {None}, set(sites) - {None}


# Public queries --------------------------------------------------------------------------
def _shown_as(selection: Selection) -> sa.ColumnElement[bool]:
    """Which placements a public selection means, by what the public sees of each."""
    stored = Selection(
        surveys=selection.surveys, since=selection.since, until=selection.until, bbox=selection.bbox
    )
    exact = sa.and_(VIEWS.c.step_km == 0, condition(stored))
    generalised = [VIEWS.c.step_km > 0]
    if selection.surveys:
        generalised.append(sa.false())  # a generalised placement names no survey
    if selection.since is not None:
        generalised.append(VIEWS.c.year >= selection.since.year)
    if selection.until is not None:
        generalised.append(VIEWS.c.year <= selection.until.year)
    if selection.bbox is not None:
        generalised += cells_in_box(selection.bbox)
    named = any_of((TABLE.c.method, selection.methods), (VIEWS.c.public_id, selection.placements))
    return sa.and_(sa.or_(exact, sa.and_(*generalised)), *named)


def cells_in_box(box: tuple[float, float, float, float]) -> list[sa.ColumnElement[bool]]:
    """Conditions that the centre of the cell that a placement is shown as lies in a box [m]."""
    return [VIEWS.c.cell_x.between(*box[::2]), VIEWS.c.cell_y.between(*box[1::2])]


def read_views(
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
    return read_frame(connection, query).set_index("placement_id")


def _rows_of(views: pd.DataFrame) -> sa.ColumnElement[bool]:
    return among(TABLE.c.fid, views["placement_row"].tolist())


def public_records(
    connection: sa.Connection, selection: Selection, needed: Needed = EVERYTHING
) -> tuple[Records, pd.DataFrame]:
    """Read the records of a public selection, and how each placement may be shown.

    The selection is compared with what the public sees: ids are public ids, a generalised
    placement has its cell's centre, its year and no survey. The second frame is that of
    `layers.fieldwork.generalising.public_views`; placements that it lacks are not to be shown.
    """
    views = read_views(connection, _shown_as(selection))
    chosen = None if is_whole(selection) else _rows_of(views)
    named = Selection(species=selection.species)
    records = read_records(connection, named, chosen=chosen, needed=needed)
    return records, views[_VALUES]


def public_chunks(
    connection: sa.Connection, selection: Selection, *, size: int
) -> Iterator[tuple[Records, pd.DataFrame]]:
    """Yield the same in chunks by ascending public id, from one consistent state."""
    shown, named, after = _shown_as(selection), Selection(species=selection.species), ""
    while True:
        views = read_views(connection, sa.and_(shown, VIEWS.c.public_id > after), size)
        if views.empty:
            return
        yield read_records(connection, named, chosen=_rows_of(views)), views[_VALUES]
        after = str(views["public_id"].iloc[-1])


def found_public_records(
    connection: sa.Connection, fids: list[int]
) -> tuple[Records, pd.DataFrame]:
    """Read placements by row number for features, without flags, and how each may be shown.

    The second frame is as that of `public_records`; it lacks what is not to be shown now.
    """
    views = read_views(connection, among(VIEWS.c.placement_row, fids))
    needed = Needed(tables=OF_FEATURES.tables - {"flags"})
    chosen = _rows_of(views)
    return read_records(connection, Selection(), chosen=chosen, needed=needed), views[_VALUES]


def public_view_faults(connection: sa.Connection) -> Iterator[str]:
    """Compare what is kept with what the rule says now, cell by cell."""
    key, species = public_key(connection), sensitivities(connection)
    counted = 0
    for cell in sorted(_all_cells(connection)):
        lying, new = _decide(connection, cell, species, key)
        counted += len(new)
        wrong = len(new ^ _kept(connection, lying))
        if wrong:
            which = plural(wrong, "placement is", "placements are")
            yield f"sensitive places: {wrong} {which} not generalised as by the rule"
    kept = connection.scalar(sa.select(sa.func.count()).select_from(VIEWS))
    if kept != counted:
        which = plural(int(kept or 0), "placement is", "placements are")
        yield f"sensitive places: {kept} {which} shown to the public, {counted} should be"
