"""What of a GeoPackage is looked at before GDAL opens it: stored tables alone, and how much.

A GeoPackage is a database. A view in it may compute without end, and a virtual table may be
answered by a program that reads elsewhere; SQLite runs both while a layer is read. Triggers are
of no harm here: they run on writing, and every file is opened for reading only.
"""

from __future__ import annotations

import re
import sqlite3
from itertools import chain, islice
from typing import TYPE_CHECKING, Final

from layers.plurals import counted
from service.intake.wording import say
from service.store import foreign_database, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from service.intake.wording import Wording

__all__ = ["stored_layers", "upload_reasons"]

_SECONDS: Final = 10.0  # for all queries of one file
_LAYER_KINDS: Final = ("features", "attributes")
# An R-tree is the one virtual table that the standard knows (OGC 12-128r19, annex F.3). SQLite
# keeps the statement as it was written, so that its beginning tells.
_RTREE: Final = re.compile(
    r'CREATE VIRTUAL TABLE ("(?:[^"]|"")+"|\w+) USING rtree\s*\(', re.IGNORECASE
)


class _Contents:
    """Names by kind, as SQLite understood the schema; what the stored text calls itself counts not.

    Attributes
    ----------
    tables, views, answered
        Stored tables; views; virtual tables other than R-trees.
    layers
        Entries of `gpkg_contents` that are features or attributes.
    """

    def __init__(self, base: sqlite3.Connection) -> None:
        base.text_factory = lambda raw: raw.decode("utf-8", errors="replace")
        listed = [
            (str(name), str(kind))
            for schema, name, kind, *_ in base.execute("PRAGMA table_list")
            if schema == "main"
        ]
        self.tables = {name.casefold(): name for name, kind in listed if kind == "table"}
        self.views = sorted(name for name, kind in listed if kind == "view")
        rtrees = {
            str(name)
            for name, text in base.execute("SELECT name, sql FROM sqlite_schema")
            if isinstance(text, str) and _RTREE.match(text)
        }
        self.answered = sorted(
            name for name, kind in listed if kind == "virtual" and name not in rtrees
        )
        self.layers: list[str] = []
        if "gpkg_contents" in self.tables:
            self.layers = [
                str(name)
                for name, kind in base.execute("SELECT table_name, data_type FROM gpkg_contents")
                if kind in _LAYER_KINDS
            ]

    def reasons(self) -> Iterator[Wording]:
        """Say why not even the list of layers can be read."""
        if "gpkg_contents" not in self.tables:
            yield say("file_kind.geopackage")
        computed = [name for name in self.views if name.casefold().startswith("gpkg")]
        if computed:
            yield say("not_followed.list_view", name=computed[0])


def stored_layers(path: Path) -> tuple[list[str], list[str]] | Wording:
    """Layers of a GeoPackage that are stored tables, and those that are computed; or why not."""
    try:
        with foreign_database(path, _SECONDS) as base:
            contents = _Contents(base)
    except sqlite3.Error as problem:
        return _said(problem)
    for reason in contents.reasons():
        return reason
    stored = [name for name in contents.layers if name.casefold() in contents.tables]
    return stored, [name for name in contents.layers if name not in stored]


def upload_reasons(path: Path, most_rows: int, most_cells: int, most_bytes: int) -> list[Wording]:
    """Say why an uploaded GeoPackage is not read; empty where it may be.

    Rows and cells are of one layer, bytes of the values of all layers together: values that a
    column's default gives to old rows take no place in the file.
    """
    try:
        with foreign_database(path, _SECONDS) as base:
            contents = _Contents(base)
            found = chain(  # each computed only where those before it found nothing
                contents.reasons(),
                _computed(contents),
                _amounts(base, contents, most_rows, most_cells, most_bytes),
            )
            return list(islice(found, 1))
    except sqlite3.Error as problem:
        return [_said(problem)]


def _said(problem: sqlite3.Error) -> Wording:
    if "interrupted" in str(problem):
        return say("file_unreadable.slow")
    return say("file_unreadable.geopackage", problem=problem)


def _computed(contents: _Contents) -> Iterator[Wording]:
    if contents.views:
        yield say("not_followed.view", name=contents.views[0])
    if contents.answered:
        yield say("not_followed.virtual", name=contents.answered[0])
    lost = [name for name in contents.layers if name.casefold() not in contents.tables]
    if lost:
        yield say("sheet_missing.lost_layer", name=lost[0])


def _amounts(
    base: sqlite3.Connection,
    contents: _Contents,
    most_rows: int,
    most_cells: int,
    most_bytes: int,
) -> Iterator[Wording]:
    left = most_bytes
    for name in contents.layers:
        table = quoted(contents.tables[name.casefold()])
        columns = base.execute(f"PRAGMA table_xinfo({table})").fetchall()
        if any(hidden for *_, hidden in columns):
            yield say("not_followed.computed", layer=name)
        (rows,) = base.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608
        if rows > most_rows:
            yield say("too_large.layer_rows", layer=name, size=rows, most=most_rows)
        if rows * len(columns) > most_cells:
            wide = {"rows": counted(rows, "row"), "columns": counted(len(columns), "column")}
            yield say("too_large.layer_cells", layer=name, most=most_cells, **wide)
        sums = ", ".join(f"total(length(CAST({quoted(c[1])} AS BLOB)))" for c in columns)
        left -= int(sum(base.execute(f"SELECT {sums} FROM {table}").fetchone()))  # noqa: S608
        if left < 0:
            yield say("too_large.values", most=most_bytes / 1e6)
