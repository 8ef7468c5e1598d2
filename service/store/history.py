"""Every change beside the records: who, when, what it was, what it is. Nothing is taken out."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
import pandas as pd
import shapely
import sqlalchemy as sa

from service.records import HistoryEntry
from service.store import schema
from service.store.columns import column_values, instant_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import geopandas as gpd

    from service.store.geopackage import GeoPackage

__all__ = ["documents", "frame_documents", "guard_history", "note", "now_text", "read_history"]

TABLE = schema.history
# What the store adds to a placement by itself is no part of its document.
_OWN = {"fid", "geom", "set_on", "content_digest", "batch_id", "placement_row", "catch_id"}


def now_text() -> str:
    """Return this moment as the store keeps it."""
    return instant_text(dt.datetime.now(dt.UTC))


def guard_history(connection: sa.Connection) -> None:
    """Make the table refuse what would change or take out an entry."""
    for verb in ("UPDATE", "DELETE"):
        connection.exec_driver_sql(
            f"CREATE TRIGGER history_keeps_{verb.lower()} BEFORE {verb} ON history"
            " BEGIN SELECT RAISE(ABORT, 'history is only ever added to'); END"
        )


def frame_documents(frame: pd.DataFrame, table: sa.Table) -> list[dict[str, Any]]:
    """Write each row as a document without its missing values."""
    names, lists = [], []
    for column in table.columns:
        if column.name in frame and column.name not in _OWN and frame[column.name].notna().any():
            names.append(str(column.name))  # orjson wants plain text, not the toolkit's kind
            lists.append(_document_values(frame[column.name], column))
    if not names:
        return [{} for _ in range(len(frame))]
    return [
        {name: value for name, value in zip(names, row, strict=True) if value is not None}
        for row in zip(*lists, strict=True)
    ]


def _document_values(series: pd.Series, column: sa.Column[Any]) -> list[Any]:
    values = column_values(series, column)
    if isinstance(column.type, sa.Boolean):
        return [None if value is None else bool(value) for value in values]
    if isinstance(column.type, schema.TextList):
        return [None if value is None else orjson.loads(value) for value in values]
    return values


def documents(
    placements: gpd.GeoDataFrame, catches: pd.DataFrame, lengths: pd.DataFrame
) -> list[dict[str, Any]]:
    """Write each placement with its catches and lengths as one document, in row order."""
    plain = pd.DataFrame(placements.drop(columns=[placements.geometry.name]))
    heads = frame_documents(plain.reset_index(), schema.placements)
    points = np.asarray(placements.geometry)
    xy = zip(shapely.get_x(points).tolist(), shapely.get_y(points).tolist(), strict=True)
    for head, (x, y) in zip(heads, xy, strict=True):
        if x == x:  # not NaN
            head["x"], head["y"] = x, y
    if "shape" in placements:
        shapes = placements["shape"].to_numpy(object)
        drawn = np.flatnonzero(~shapely.is_missing(shapes))
        words = shapely.to_wkt(shapes[drawn], rounding_precision=-1)
        for row, text in zip(drawn.tolist(), words.tolist(), strict=True):
            heads[row]["shape"] = text
    for name, frame, table in (
        ("catches", catches, schema.catches),
        ("lengths", lengths, schema.lengths),
    ):
        rows = placements.index.get_indexer(pd.Index(frame["placement_id"]))
        for row, document in zip(rows.tolist(), frame_documents(frame, table), strict=True):
            heads[row].setdefault(name, []).append(document)
    return heads


def note(
    connection: sa.Connection,
    backend: GeoPackage,
    *,
    who: str,
    entity: str,
    keys: Sequence[str],
    action: str,
    before: Sequence[Any] | None = None,
    after: Sequence[Any] | None = None,
    batch_id: int | None = None,
    extra: dict[str, Any] | None = None,
) -> None:
    """Enter one change for each key."""
    count = len(keys)
    detail = orjson.dumps(extra).decode() if extra else None
    backend.insert(
        connection,
        TABLE,
        {
            "at": [now_text()] * count,
            "who": [who] * count,
            "entity": [entity] * count,
            "key": list(keys),
            "action": [action] * count,
            "before": _texts(before, count),
            "after": _texts(after, count),
            "extra": [detail] * count,
            "batch_id": [batch_id] * count,
        },
    )


def _texts(found: Sequence[Any] | None, count: int) -> list[str | None]:
    if found is None:
        return [None] * count
    return [
        one if isinstance(one, str) or one is None else orjson.dumps(one).decode() for one in found
    ]


def read_history(
    connection: sa.Connection, entity: str | None, key: str | None, limit: int
) -> list[HistoryEntry]:
    """Fetch entries, newest first."""
    wanted = sa.select(TABLE).order_by(TABLE.c.entry_id.desc()).limit(limit)
    if entity is not None:
        wanted = wanted.where(TABLE.c.entity == entity)
    if key is not None:
        wanted = wanted.where(TABLE.c.key == key)
    return list(_entries(connection.execute(wanted)))


def _entries(rows: Iterable[Any]) -> Iterable[HistoryEntry]:
    for row in rows:
        yield HistoryEntry(
            entry_id=row.entry_id,
            at=dt.datetime.fromisoformat(row.at),
            who=row.who,
            entity=row.entity,
            key=row.key,
            action=row.action,
            before=None if row.before is None else orjson.loads(row.before),
            after=None if row.after is None else orjson.loads(row.after),
            batch_id=row.batch_id,
            extra={} if row.extra is None else orjson.loads(row.extra),
        )
