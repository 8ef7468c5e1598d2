"""Reading placements with all that belongs to them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import sqlalchemy as sa

from service.records import EVERYTHING, OF_FEATURES, Needed, Records, Selection
from service.store import schema
from service.store.columns import frame_from_rows, pieces
from service.store.geometry_blobs import geometries_from_blobs
from service.store.geopackage import among, any_of, in_box, store_crs

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator


__all__ = [
    "chunks",
    "condition",
    "found_records",
    "is_whole",
    "known_digests",
    "last_set",
    "read_records",
]

TABLE = schema.placements
_PLACEMENT = [
    column
    for column in TABLE.columns
    if column.name not in ("fid", "geom", "set_on", "content_digest")
]
_ID = TABLE.c.placement_id
_ONLY_BY_PLACEMENT = ("fid", "geom", "placement_row", "source")


def condition(selection: Selection) -> sa.ColumnElement[bool]:
    """Say which placements a selection means; species and catchments are not looked at."""
    parts = any_of(
        (TABLE.c.survey, selection.surveys),
        (TABLE.c.method, selection.methods),
        (TABLE.c.placement_id, selection.placements),
    )
    if selection.since is not None:
        parts.append(TABLE.c.set_on >= selection.since.isoformat())
    if selection.until is not None:
        parts.append(TABLE.c.set_on <= selection.until.isoformat())
    if selection.bbox is not None:
        parts.append(in_box(TABLE, selection.bbox))
    return sa.and_(sa.true(), *parts)


def read_records(
    connection: sa.Connection,
    selection: Selection,
    needed: Needed = EVERYTHING,
    *,
    chosen: sa.ColumnElement[bool] | None = None,
) -> Records:
    """Fetch a selection, or the placements of a condition, as far as `needed`; all by default.

    `Selection.catchments` is not applied here (`service.access.gate` does, by geometry).
    """
    whole = chosen is None and is_whole(selection)
    chosen = condition(selection) if chosen is None else chosen
    columns = [
        column
        for column in _PLACEMENT
        if needed.columns is None or column.name in needed.columns or column is _ID
    ]
    wanted = sa.select(TABLE.c.fid, TABLE.c.geom, *columns).where(chosen).order_by(TABLE.c.fid)
    fetched = [*chain.from_iterable(pieces(connection, wanted))]
    fids = np.array([row[0] for row in fetched], np.int64)
    shapes = geometries_from_blobs([row[1] for row in fetched])
    frame = frame_from_rows([row[2:] for row in fetched], columns).set_index("placement_id")
    placements = gpd.GeoDataFrame(frame, geometry=shapes, crs=store_crs(connection))
    of = _Owned(connection, fids, placements.index, whole, needed.tables)
    if needed.columns is None or "shape" in needed.columns:
        placements["shape"] = _shapes(of)
    if needed.columns is None:
        order = [c for c in placements.columns if c not in ("geometry", "shape", "batch_id")]
        at = order.index("shape_kind") + 1
        placements = placements[[*order[:at], "shape", *order[at:], "batch_id", "geometry"]]
    return Records(
        placements=placements,
        catches=of.frame(schema.catches, species=selection.species).set_index("catch_id"),
        lengths=of.frame(schema.lengths, species=selection.species),
        snaps=of.frame(schema.snaps).set_index("placement_id"),
        stretches=of.frame(schema.stretches),
        flags=of.frame(schema.flags),
    )


def is_whole(selection: Selection) -> bool:
    """Whether a selection means all placements."""
    return replace(selection, species=(), catchments=()) == Selection()


@dataclass(frozen=True)
class _Owned:
    """What belongs to the placements just fetched."""

    connection: sa.Connection
    fids: np.ndarray[Any, np.dtype[np.int64]]
    ids: pd.Index
    whole: bool
    tables: Collection[str]

    def rows(
        self, table: sa.Table, columns: list[sa.Column[Any]], species: Collection[str] = ()
    ) -> list[tuple[Any, ...]]:
        """Rows by placement, so that pieces put together are the whole; edits leave later ones."""
        if not len(self.fids):
            return []
        owner, key = table.c.placement_row, next(iter(table.primary_key))
        wanted = sa.select(owner, *columns)
        if species:
            wanted = wanted.where(among(table.c.species, list(species)))
        if self.whole:  # read as they lie: finding each by its index would take longer
            rows = [*chain.from_iterable(pieces(self.connection, wanted.order_by(key)))]
            rows.sort(key=itemgetter(0))
            return rows
        first, last = int(self.fids[0]), int(self.fids[-1])
        if last - first + 1 == len(self.fids):
            wanted = wanted.where(owner.between(first, last))
        else:
            wanted = wanted.where(among(owner, self.fids.tolist()))
        return [*chain.from_iterable(pieces(self.connection, wanted.order_by(owner, key)))]

    def places(self, owners: list[int]) -> np.ndarray[Any, np.dtype[np.int64]]:
        """Row in the placements of each owner."""
        return np.searchsorted(self.fids, np.array(owners, np.int64)).astype(np.int64)

    def frame(self, table: sa.Table, *, species: Collection[str] = ()) -> pd.DataFrame:
        columns = [column for column in table.columns if column.name not in _ONLY_BY_PLACEMENT]
        rows = self.rows(table, columns, species) if table.name in self.tables else []
        frame = frame_from_rows([row[1:] for row in rows], columns)
        ids = self.ids.take(self.places([row[0] for row in rows]))
        frame.insert(0, "placement_id", ids.astype("str").array)
        return frame


def _shapes(of: _Owned) -> gpd.GeoSeries:
    table = schema.placement_shapes
    rows = of.rows(table, [table.c.geom])
    shapes = np.full(len(of.fids), None, dtype=object)
    shapes[of.places([row[0] for row in rows])] = geometries_from_blobs([row[1] for row in rows])
    return gpd.GeoSeries(shapes, index=of.ids, crs=store_crs(of.connection))


def known_digests(connection: sa.Connection, placement_ids: list[str]) -> pd.Series:
    """Digest of the content of each of these placements that is stored, by id."""
    rows = connection.execute(
        sa.select(TABLE.c.placement_id, TABLE.c.content_digest).where(
            among(TABLE.c.placement_id, placement_ids)
        )
    ).fetchall()
    ids = pd.Index([row[0] for row in rows], name="placement_id", dtype="str")
    return pd.Series([row[1] for row in rows], index=ids, dtype="str")


def last_set(
    connection: sa.Connection, teams: tuple[tuple[str, ...], ...], until: dt.date
) -> dt.date | None:
    """Tell since which day each crew set each method last, up to a day; None = none did.

    `teams` are surveys, crews ("" = none is named) and methods, any of each.
    """
    own = (TABLE.c.survey, sa.func.coalesce(TABLE.c.crew, ""), TABLE.c.method)
    chosen = [among(column, names) for column, names in zip(own, teams, strict=True)]
    last = sa.select(sa.func.max(TABLE.c.set_on).label("day")).group_by(*own)
    last = last.where(*chosen, TABLE.c.set_on <= until.isoformat())
    first = connection.scalar(sa.select(sa.func.min(last.subquery().c.day)))
    return None if first is None else dt.date.fromisoformat(first)


def found_records(connection: sa.Connection, fids: list[int]) -> Records:
    """Read placements by row, as `find` gives it, for features: no lengths and stretches."""
    chosen = among(TABLE.c.fid, fids)
    return read_records(connection, Selection(), chosen=chosen, needed=OF_FEATURES)


def chunks(
    connection: sa.Connection, selection: Selection, *, size: int = 10_000
) -> Iterator[Records]:
    """Yield a selection in pieces of `size` placements by ascending store row, constant memory."""
    chosen = condition(selection)
    last = 0
    while True:
        fids = connection.scalars(
            sa.select(TABLE.c.fid)
            .where(chosen, TABLE.c.fid > last)
            .order_by(TABLE.c.fid)
            .limit(size)
        ).all()
        if not fids:
            return
        piece = sa.and_(chosen, TABLE.c.fid.between(fids[0], fids[-1]))
        yield read_records(connection, selection, chosen=piece)
        last = fids[-1]
