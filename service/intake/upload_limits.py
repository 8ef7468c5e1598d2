"""What of uploaded files is refused before it is read: too large, or not what its ending says.

Files come from strangers' hands to a service, not from one's own disk. Bounds: rows, columns,
cells, and the size of workbooks and GeoPackages once unpacked: a short row may stand under a very
wide header. How long a cell may be is bound where sheets are read, at the keyboard too.
GIS files must be what their ending says, since a reader that goes by content would follow some of
them to other files and hosts; of a GeoPackage stored tables alone are read.
"""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING, Any, Final
from xml.parsers.expat import ExpatError, ParserCreate

import orjson

from layers.plurals import counted
from service.errors import Fault
from service.intake.geopackage_limits import upload_reasons
from service.intake.reading import DELIMITERS, TEXT_FILES, WORKBOOKS
from service.intake.text_bounds import MOST_COLUMNS, TOO_WIDE, header_columns
from service.intake.wording import say
from service.store import SQLITE_BEGINS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import IO

    from service.intake.wording import Wording

__all__ = ["ENDINGS", "MOST_CELLS", "MOST_ROWS", "MOST_UNPACKED", "refusals"]

MOST_ROWS: Final = 200_000
MOST_CELLS: Final = 20_000_000  # rows times columns of one sheet
MOST_UNPACKED: Final = 300_000_000  # bytes of a workbook once unpacked, or of a GeoPackage's values
_LONGEST_HEADER: Final = 2_000_000  # bytes in which the first record must end
_MOST_MEMBERS: Final = 2_000
# Elements of one row, one text, or all outside of both; each takes up to a kilobyte in memory.
_MOST_ELEMENTS: Final = 300_000
_DEEPEST: Final = 100
_BEFORE_XML: Final = b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n"
_MOST_SMALL: Final = 20_000_000  # bytes of a GPX file or a mapping
_JSON: Final = (".geojson", ".json")
_SMALL: Final = (".gpx", ".toml")
ENDINGS: Final = (*TEXT_FILES, *WORKBOOKS, *_JSON, ".gpkg", *_SMALL)
_BY_COMMAND: Final = say("too_large.by_command")


def refusals(path: Path) -> list[Fault]:
    """Say why an uploaded file, under its own name, is not read; empty where it may be."""
    return [
        Fault(path.name, 0, "", "", reason.text(), code=reason.code) for reason in _reasons(path)
    ]


def _reasons(path: Path) -> Iterator[Wording]:
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        taken = ", ".join(ENDINGS)
        yield say("file_kind.ending", ending=ending or "nothing", endings=taken)
    elif ending in WORKBOOKS:
        yield from _workbook(path)
    elif ending in _JSON:
        yield from _json(path)
    elif ending == ".gpkg":
        yield from _geopackage(path)
    elif ending in _SMALL:
        content = path.read_bytes()
        if len(content) > _MOST_SMALL:
            yield say("too_large.bytes", size=len(content), most=_MOST_SMALL, ending=ending)
        elif ending == ".gpx" and _declares(content):
            yield say("not_followed.gpx")
    else:
        rows = _lines(path)
        if rows > MOST_ROWS:
            yield say("too_large.rows", most=MOST_ROWS, by_command=_BY_COMMAND)
        else:
            with path.open("rb") as file:
                begins = file.read(_LONGEST_HEADER)
            yield from _too_wide(rows, max(header_columns(begins, sign) for sign in DELIMITERS))


def _too_wide(rows: int, columns: int) -> Iterator[Wording]:
    if columns > MOST_COLUMNS:
        yield TOO_WIDE
    elif rows * columns > MOST_CELLS:
        yield say(
            "too_large.wide",
            rows=counted(rows, "row"),
            columns=counted(columns, "column"),
            most=MOST_CELLS,
            by_command=_BY_COMMAND,
        )


def _geopackage(path: Path) -> Iterator[Wording]:
    with path.open("rb") as file:
        if file.read(len(SQLITE_BEGINS)) == SQLITE_BEGINS:
            yield from upload_reasons(path, MOST_ROWS, MOST_CELLS, MOST_UNPACKED)
        else:
            yield say("file_kind.named_geopackage")


def _lines(path: Path) -> int:
    """Count ends of lines; a carriage return alone ends one too."""
    feeds = returns = 0
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            feeds += block.count(b"\n")
            returns += block.count(b"\r")
    return max(feeds, returns)


def _declares(content: bytes) -> bool:
    # XML may be in UTF-16: without its zero bytes the words are the same.
    plain = content.replace(b"\x00", b"").upper()
    return b"<!DOCTYPE" in plain or b"<!ENTITY" in plain


def _workbook(path: Path) -> Iterator[Wording]:
    """Bound what unpacking can give; Python's zipfile never reads beyond the stated sizes."""
    try:
        with zipfile.ZipFile(path) as book:
            members = book.infolist()
            unpacked = sum(member.file_size for member in members)
            if unpacked > MOST_UNPACKED or len(members) > _MOST_MEMBERS:
                yield say(
                    "too_large.unpacked",
                    size=unpacked / 1e6,
                    parts=counted(len(members), "part"),
                    most=MOST_UNPACKED / 1e6,
                    by_command=_BY_COMMAND,
                )
                return
            for member in members:
                with book.open(member) as part:
                    is_xml = part.read(64).lstrip(_BEFORE_XML).startswith(b"<")
                if not is_xml:  # pictures; what names a part, not its ending, says how it is read
                    continue
                with book.open(member) as part:
                    yield from _Elements().faults(part)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError, ExpatError):
        yield say("file_unreadable.upload")


class _Elements:
    """Elements of one part of a workbook, counted while they pass: a reader keeps a row whole."""

    def __init__(self) -> None:
        self._rows = self._depth = self._own = 0
        self._fault: Wording | None = None

    def faults(self, part: IO[bytes]) -> Iterator[Wording]:
        """Say why a part is not read; at most one reason."""
        parser = ParserCreate()
        parser.StartElementHandler = self._begin
        parser.EndElementHandler = self._end
        parser.StartDoctypeDeclHandler = self._declare
        while (block := part.read(1 << 16)) and not self._fault:
            parser.Parse(block)
        if self._fault:
            yield self._fault
        else:
            parser.Parse(b"", True)

    def _begin(self, name: str, _: object) -> None:
        self._depth += 1
        self._own += 1
        kind = name.rpartition(":")[2]
        if kind == "row":
            self._rows += 1
        if kind in ("row", "si"):
            self._own = 0
        if self._rows > MOST_ROWS:
            self._fault = say("too_large.rows_of_a_sheet", most=MOST_ROWS, by_command=_BY_COMMAND)
        elif self._own > _MOST_ELEMENTS or self._depth > _DEEPEST:
            self._fault = say("too_large.elements")

    def _end(self, _: str) -> None:
        self._depth -= 1

    def _declare(self, *_: object) -> None:
        self._fault = say("not_followed.entities")


def _json(path: Path) -> Iterator[Wording]:
    try:
        document = orjson.loads(path.read_bytes().removeprefix(b"\xef\xbb\xbf"))
    except orjson.JSONDecodeError as problem:
        yield say("file_unreadable.json", problem=str(problem)[:120])
        return
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        yield say("file_kind.geojson")
        return
    found = document.get("features")
    if isinstance(found, list) and len(found) > MOST_ROWS:
        yield say("too_large.features", size=len(found), most=MOST_ROWS, by_command=_BY_COMMAND)
    elif isinstance(found, list) and (wide := list(_too_wide(len(found), _properties(found)))):
        yield from wide
    elif _links(document):
        yield say("not_followed.crs_link")


def _properties(features: list[Any]) -> int:
    """How many columns a reader makes: one for each name that any feature has."""
    names: set[str] = set()
    for feature in features:
        if isinstance(feature, dict) and isinstance(feature.get("properties"), dict):
            names.update(feature["properties"])
    return len(names)


def _links(document: Any) -> bool:  # noqa: ANN401 - JSON
    """Whether a CRS anywhere is named by a link, which a reader would follow."""
    waiting = [document]
    while waiting:
        one = waiting.pop()
        if isinstance(one, dict):
            for name, value in one.items():
                if name.lower() == "crs" and isinstance(value, dict):
                    if str(value.get("type", "")).lower() != "name":
                        return True
                elif name not in ("coordinates", "properties"):
                    waiting.append(value)
        elif isinstance(one, list):
            waiting.extend(one)
    return False
