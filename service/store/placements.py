"""Reading placements with all that belongs to them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import sqlalchemy as sa

from service.records import EVERYTHING, OF_FEATURES, Needed, Records, Selection
from service.store import schema
from service.store.columns import read_frame
from service.store.geopackage import among, any_of, in_box, store_crs

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from layers.arrays import Ints


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
    frame = read_frame(connection, wanted).set_index("placement_id")
    fids, shapes = (frame.pop(name).to_numpy() for name in ("fid", "geom"))
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
    fids: Ints
    ids: pd.Index
    whole: bool
    tables: Collection[str]

    def rows(
        self, table: sa.Table, columns: list[sa.Column[Any]], chosen: sa.ColumnElement[bool]
    ) -> tuple[pd.DataFrame, Ints]:
        """Rows by placement, so that pieces put together are the whole; edits leave later ones.

        With them the row in the placements of each.
        """
        owner, key = table.c.placement_row, next(iter(table.primary_key))
        wanted = sa.select(owner, *columns).where(chosen)
        if self.whole:  # read as they lie: finding each by its index would take longer
            wanted = wanted.order_by(key)
        elif len(self.fids) and self.fids[-1] - self.fids[0] + 1 == len(self.fids):
            own = owner.between(int(self.fids[0]), int(self.fids[-1]))
            wanted = wanted.where(own).order_by(owner, key)
        else:
            wanted = wanted.where(among(owner, self.fids.tolist())).order_by(owner, key)
        frame = read_frame(self.connection, wanted)
        if self.whole:
            frame = frame.sort_values("placement_row", kind="stable", ignore_index=True)
        return frame, np.searchsorted(self.fids, frame.pop("placement_row").to_numpy())

    def frame(self, table: sa.Table, *, species: Collection[str] = ()) -> pd.DataFrame:
        columns = [column for column in table.columns if column.name not in _ONLY_BY_PLACEMENT]
        chosen: sa.ColumnElement[bool] = sa.literal(table.name in self.tables)
        if species:
            chosen = sa.and_(chosen, among(table.c.species, list(species)))
        frame, places = self.rows(table, columns, chosen)
        frame.insert(0, "placement_id", self.ids.take(places).astype("str").array)
        return frame


def _shapes(of: _Owned) -> gpd.GeoSeries:
    table = schema.placement_shapes
    drawn, places = of.rows(table, [table.c.geom], sa.true())
    shapes = np.full(len(of.fids), None, dtype=object)
    shapes[places] = drawn["geom"]
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
