"""Every change beside the records: who, when, what it was, what it is. Nothing is taken out."""

from __future__ import annotations

import datetime as dt
from hashlib import blake2b
from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import orjson
import pandas as pd
import shapely
import sqlalchemy as sa

from service.records import HistoryEntry
from service.store import schema
from service.store.columns import column_values, instant_text
from service.store.geopackage import among, insert

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

    from layers.arrays import Ints, Objects

    # Name, number of each row's value, JSON of the distinct ones: '' = missing, as is the last.
    _Part: TypeAlias = tuple[str, Ints, Objects]

__all__ = [
    "add_entries",
    "content_digest",
    "content_digests",
    "document_texts",
    "documents",
    "frame_documents",
    "guard_history",
    "last_entries",
    "note",
    "now_text",
    "read_history",
    "removed",
    "rows_of",
]

TABLE = schema.history
# What the store adds to a placement by itself is no part of its document.
_OWN = {"fid", "geom", "set_on", "content_digest", "batch_id", "placement_row", "catch_id"}
# What follows from how places were brought into the store's CRS is no part of what was recorded.
_DERIVED = {"transformation", "transformation_accuracy_m"}
# Gear in the water becomes the placement of its number.
_OF_PLACEMENTS = ("placement", "in_the_water")
_SORTED = orjson.OPT_SORT_KEYS


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
    return [orjson.loads(text) for text in document_texts(placements, catches, lengths)]


def content_digest(document: Mapping[str, Any]) -> str:
    """Hash what was recorded of a placement, the same in whatever file or format it came.

    Of a document as of :func:`documents`, or of a history entry. The order of its keys, catches and
    lengths does not matter, and a column that a later version adds changes nothing where it is
    empty. BLAKE2b (RFC 7693) of 16 bytes, as 32 hexadecimal digits.
    """
    content = {name: value for name, value in document.items() if name not in _DERIVED}
    if "original_x" in content:  # the store's own place follows from it
        content.pop("x", None), content.pop("y", None)
    if "shape" in content:  # to a millimetre: the original is not stored
        content["shape"] = _to_a_millimetre(np.array([shapely.from_wkt(content["shape"])]))[0]
    for name in ("catches", "lengths"):
        if name in content:
            rows = (orjson.dumps(row, option=_SORTED).decode() for row in content[name])
            content[name] = sorted(rows)
    return blake2b(orjson.dumps(content, option=_SORTED), digest_size=16).hexdigest()


def content_digests(
    placements: gpd.GeoDataFrame, catches: pd.DataFrame, lengths: pd.DataFrame
) -> pd.Series:
    """Digest of each placement with its catches and lengths, index of `placements`.

    That of :func:`content_digest` for its document, from whole columns.
    """
    if not len(placements):
        return pd.Series([], index=placements.index, dtype="str", name="digest")
    parts = {part[0]: part for part in _placement_parts(placements) if part[0] not in _DERIVED}
    if "original_x" in parts:  # the store's own place follows from it
        _, codes, texts = parts["original_x"]
        known = (texts != "")[codes]
        for name in {"x", "y"} & parts.keys():
            _, own, ordinates = parts[name]
            parts[name] = name, np.where(known, len(ordinates) - 1, own), ordinates
    every = np.arange(len(placements))
    if "shape" in parts:
        rounded = _to_a_millimetre(placements["shape"].to_numpy(object))
        parts["shape"] = "shape", every, _or_missing(rounded)
    for name, own, rows, owner in _owned_texts(placements, catches, lengths, in_order=True):
        place = np.argsort(np.argsort(rows))
        order = np.argsort(place[own], kind="stable")
        listed = _lists(_json_texts(rows.tolist()), own[order], owner[order], len(placements))
        parts[name] = name, every, listed
    pieces = _pieces(sorted(parts.values(), key=itemgetter(0)), len(placements))
    digests = [blake2b(text.encode(), digest_size=16).hexdigest() for text in _objects(pieces)]
    return pd.Series(digests, index=placements.index, dtype="str", name="digest")


def _to_a_millimetre(shapes: Objects) -> list[str | None]:
    rounded = shapely.transform(shapes, lambda xy: xy.round(3) + 0.0)
    words: list[str | None] = shapely.to_wkt(rounded, rounding_precision=-1).tolist()
    return words


def document_texts(
    placements: gpd.GeoDataFrame, catches: pd.DataFrame, lengths: pd.DataFrame
) -> list[str]:
    """Write the same documents as the JSON text that the history keeps."""
    if not len(placements):
        return []
    parts, every = _placement_parts(placements), np.arange(len(placements))
    for name, codes, texts, owner in _owned_texts(placements, catches, lengths):
        parts.append((name, every, _lists(texts, codes, owner, len(placements))))
    return list(_objects(_pieces(parts, len(placements))))


def _placement_parts(placements: gpd.GeoDataFrame) -> list[_Part]:
    """JSON of what a document says of the placement itself."""
    plain = pd.DataFrame(placements.drop(columns=[placements.geometry.name])).reset_index()
    parts = _parts(plain, schema.placements)
    points = np.asarray(placements.geometry)
    values = {"x": shapely.get_x(points).tolist(), "y": shapely.get_y(points).tolist()}
    if "shape" in placements:
        shapes = placements["shape"].to_numpy(object)
        values["shape"] = shapely.to_wkt(shapes, rounding_precision=-1).tolist()
    every = np.arange(len(placements))
    return parts + [(name, every, _or_missing(own)) for name, own in values.items()]


def _owned_texts(
    placements: gpd.GeoDataFrame,
    catches: pd.DataFrame,
    lengths: pd.DataFrame,
    *,
    in_order: bool = False,
) -> Iterator[tuple[str, Ints, Objects, Ints]]:
    """JSON of each catch and length: number of each row's, distinct ones, row of its placement.

    Keys are `in_order` if so wanted.
    """
    for name, frame, table in (
        ("catches", catches, schema.catches),
        ("lengths", lengths, schema.lengths),
    ):
        if len(frame):
            parts = _parts(frame, table)
            if in_order:
                parts.sort(key=itemgetter(0))
            owner = placements.index.get_indexer(pd.Index(frame["placement_id"]))
            pieces, codes = _pieces(parts, len(frame)), np.arange(len(frame))
            if len(pieces) == 1:  # rows that repeat: each distinct one is written once
                codes, texts = pieces[0]
                pieces = [(np.arange(len(texts)), texts)]
            yield name, codes, np.array(list(_objects(pieces)), dtype=object), owner


def _parts(frame: pd.DataFrame, table: sa.Table) -> list[_Part]:
    """JSON of each column of which a document has a value."""
    parts = []
    for column in table.columns:
        if column.name in frame and column.name not in _OWN:
            codes, distinct = _distinct(frame[column.name])
            texts = _or_missing(_document_values(distinct, column))
            if (texts != "").any():
                parts.append((str(column.name), codes % len(texts), texts))
    return parts


def _distinct(series: pd.Series) -> tuple[NDArray[np.intp], pd.Series]:
    """Tell the distinct values of a column apart: number of each row's, and what they are."""
    if series.dtype == np.float64:  # by their bits, so that a negative zero stays one
        codes, bits = pd.factorize(series.to_numpy().view(np.int64))
        return codes, pd.Series(bits.view(np.float64))
    codes, values = pd.factorize(series)
    return codes, pd.Series(values)


def _json_texts(values: list[Any]) -> Objects:
    """JSON of each of one or more plain values, by writing all of them as one list.

    Indented, each stands in a line of its own, and a line break within a text is escaped.
    """
    lines = orjson.dumps(values, option=orjson.OPT_INDENT_2).decode()[4:-2].split(",\n  ")
    if len(lines) != len(values):  # a list or an object within takes several lines
        raise TypeError("a document of the history has a value that is not plain")
    return np.array(lines, dtype=object)


def _or_missing(values: list[Any]) -> Objects:
    """JSON of each of these values, '' for None, and at the end one more ''."""
    texts = _json_texts([*values, None])
    texts[texts == "null"] = ""
    return texts


def _pieces(parts: list[_Part], count: int) -> list[tuple[Ints, Objects]]:
    """Text of objects of the parts that each of `count` rows has, but for what begins and ends it.

    Columns of few values are joined for each combination that occurs, not for each row. A piece
    is the number of each row's text, and the distinct texts.
    """
    few = count // 4
    codes, texts = np.zeros(count, np.intp), np.array([""], dtype=object)
    pieces = []
    for name, own, values in parts:
        named = [f',"{name}":{value}' if value else "" for value in values.tolist()]
        words = np.array(named, dtype=object)
        if max(len(texts), len(words)) <= few:
            both, pairs = pd.factorize(codes * len(words) + own)
            if len(pairs) <= few:
                codes, texts = both, texts[pairs // len(words)] + words[pairs % len(words)]
                continue
        pieces.append((codes, texts))
        codes, texts = own, words
    return [*pieces, (codes, texts)]


def _objects(pieces: list[tuple[Ints, Objects]]) -> Iterator[str]:
    """JSON object of each row."""
    for row in zip(*(texts[codes].tolist() for codes, texts in pieces), strict=True):
        yield f"{{{''.join(row)[1:]}}}"


def _lists(texts: Objects, codes: Ints, owner: Ints, count: int) -> Objects:
    """JSON lists of the objects of each of `count` owners; '' where one has none."""
    order = np.argsort(owner, kind="stable")
    sorted_texts = texts[codes[order]].tolist()
    ends = np.searchsorted(owner[order], np.arange(count + 1)).tolist()
    lists = [
        f"[{','.join(sorted_texts[begin:end])}]" if end > begin else ""
        for begin, end in pairwise(ends)
    ]
    return np.array(lists, dtype=object)


def note(
    connection: sa.Connection,
    *,
    who: str,
    entity: str,
    keys: Sequence[str],
    action: str,
    before: Sequence[Any] | None = None,
    after: Sequence[Any] | None = None,
    batch_id: int | None = None,
) -> None:
    """Enter one change for each key."""
    count = len(keys)
    insert(
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
    connection: sa.Connection,
    entity: str | None = None,
    key: str | None = None,
    *,
    limit: int = 1000,
) -> list[HistoryEntry]:
    """Fetch entries, newest first."""
    wanted = sa.select(TABLE).order_by(TABLE.c.entry_id.desc()).limit(limit)
    if entity is not None:
        wanted = wanted.where(TABLE.c.entity == entity)
    if key is not None:
        wanted = wanted.where(TABLE.c.key == key)
    return [
        HistoryEntry(
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
        for row in connection.execute(wanted)
    ]


def last_entries(connection: sa.Connection, entity: str) -> dict[str, Any]:
    """Read what each record was after its last change; None where it was removed."""
    own = TABLE.c
    wanted = sa.select(own.key, own.after).where(own.entity == entity).order_by(own.entry_id)
    rows = connection.execute(wanted)
    return {row.key: None if row.after is None else orjson.loads(row.after) for row in rows}


def rows_of(connection: sa.Connection, placement_ids: list[str]) -> list[sa.Row[Any]]:
    """Fetch entries of placements, gear in the water too, oldest first, as the table has them."""
    wanted = sa.select(TABLE).where(
        TABLE.c.entity.in_(_OF_PLACEMENTS), among(TABLE.c.key, placement_ids)
    )
    return list(connection.execute(wanted.order_by(TABLE.c.entry_id)))


def removed(connection: sa.Connection, placement_ids: list[str]) -> dict[str, dt.datetime]:
    """Tell when those of these were removed that are no placement and not in the water any more."""
    stored = sa.union_all(
        sa.select(schema.placements.c.placement_id), sa.select(schema.in_the_water.c.placement_id)
    )
    rows = connection.execute(
        sa.select(TABLE.c.key, sa.func.max(TABLE.c.at).label("at"))
        .where(
            TABLE.c.entity.in_(_OF_PLACEMENTS),
            TABLE.c.action == "remove",
            among(TABLE.c.key, placement_ids),
            TABLE.c.key.not_in(stored),
        )
        .group_by(TABLE.c.key)
    )
    return {row.key: dt.datetime.fromisoformat(row.at) for row in rows}


def add_entries(
    connection: sa.Connection, rows: Sequence[sa.Row[Any]], names: Mapping[str, str], store_id: str
) -> None:
    """Add entries of another store as they are, under our names of the placements."""
    ours = {there: here for here, there in names.items()}
    kept = ("at", "who", "entity", "action", "before", "after")
    values: dict[str, list[Any]] = {name: [getattr(row, name) for row in rows] for name in kept}
    values["key"] = [ours[row.key] for row in rows]
    values["extra"] = [
        orjson.dumps(
            {**orjson.loads(row.extra or "{}"), "store": store_id, "key": row.key}
        ).decode()
        for row in rows
    ]
    values["batch_id"] = [None] * len(rows)
    if rows:
        insert(connection, TABLE, values)
