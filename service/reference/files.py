"""Reading reference layers and lists from files, and writing problem places."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from itertools import islice
from typing import TYPE_CHECKING, Final, TypeVar

import geopandas as gpd
import pandas as pd

from layers.plurals import counted
from service.errors import Fault, FieldFileError, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = [
    "as_utf8", "read_features", "read_list", "rename_columns", "western_text", "write_places",
]  # fmt: skip

Frame = TypeVar("Frame", bound=pd.DataFrame)
_PLAIN = (".csv", ".tsv", ".txt")
_TITLES = 5  # rows in which a header is looked for
_FIRST_ROWS = 50  # rows that show what separates cells
# Letters and signs of western European field sheets. Other bytes would be another encoding.
_WESTERN: Final = set("ÄÖÜäöüßÀÂÆÇÈÉÊËÎÏÔŒÙÛàâæçèéêëîïôœùûÅåØøÁÍÓÚÑáíóúñ°²µ–—‘’“”€½\xa0")


def read_features(path: Path, layer: str | None = None) -> gpd.GeoDataFrame:
    """Read one layer of anything that GDAL reads.

    Raises RequestError where GDAL cannot, there are several layers and none is named, no such
    layer, or no geometry.
    """
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, GeometryError

    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
        if layer is None and len(layers) > 1:
            raise RequestError(
                f"{path.name} holds several layers; name one: {', '.join(layers)}.",
                option="--layer",
            )
        if layer is not None and layer not in layers:
            raise RequestError(f"{path.name} has no layer {layer!r}; it has {', '.join(layers)}.")
        promised = int(pyogrio.read_info(path, layer=layer)["features"])
        frame = pyogrio.read_dataframe(path, layer=layer)
    except (DataSourceError, DataLayerError, FeatureError, GeometryError) as problem:
        raise RequestError(f"{path.name} cannot be read as a map layer: {problem}") from problem
    if promised > len(frame):
        raise RequestError(
            f"{path.name} says that it holds {counted(promised, 'feature')}, but "
            f"{len(frame)} can be read; "
            "it was cut short, fetch it again."
        )
    if not isinstance(frame, gpd.GeoDataFrame):
        raise RequestError(f"{path.name} holds no geometry; give a layer of lines or polygons.")
    return frame


def read_list(path: Path, layer: str | None = None) -> pd.DataFrame:
    """Read a list as text: CSV with comma, semicolon or tab, or what GDAL reads as a table.

    Titles above the header are left out. The index has rows as a spreadsheet counts them;
    `attrs["read_as"]` says in words in which encoding the file was read, '' where that is UTF-8 or
    UTF-16.

    Raises RequestError where it cannot be read, is empty, or is not UTF-8, FieldFileError for rows
    that have more or fewer cells than the first; all of them.
    """
    if path.suffix.lower() not in _PLAIN:
        import pyogrio
        from pyogrio.errors import DataLayerError, DataSourceError

        try:
            frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
        except (DataSourceError, DataLayerError) as problem:
            raise RequestError(f"{path.name} cannot be read as a list: {problem}") from problem
        return pd.DataFrame(frame).set_axis(pd.RangeIndex(2, len(frame) + 2))
    content, read_as = as_utf8(path.read_bytes()), ""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        western = western_text(content)
        if western is None:
            line = problem.object[: problem.start].count(b"\n") + 1
            raise RequestError(
                f"{path.name}, row {line}: not UTF-8; save it as CSV in UTF-8."
            ) from problem
        text, word = western
        read_as = f"Read as Western European text (code page 1252), such as {word}."
    if not text.strip():
        raise RequestError(f"{path.name} is empty; the first row holds the names of columns.")
    separator, top = _separator_and_header(text)
    records = list(csv.reader(io.StringIO(text), delimiter=separator))
    width = len(records[top])
    header = f"row {top + 1}" if top else "the first row"
    faults = [
        Fault(
            path.name,
            number,
            "",
            "",
            f"it has {counted(len(row), 'cell')}, {header} {width}; see whether a "
            "text holds the "
            "separator without quotes",
        )
        for number, row in enumerate(records, start=1)
        if number > top and row and len(row) != width
    ]
    if faults:
        raise FieldFileError(faults)
    frame = pd.read_csv(
        io.StringIO(text),
        sep=separator,
        header=top,
        dtype="str",
        keep_default_na=False,
        na_values=[""],
        skip_blank_lines=False,
    )
    frame.index = pd.RangeIndex(top + 2, len(frame) + top + 2)
    frame.attrs["read_as"] = read_as
    blank = [n for n, row in enumerate(records, start=1) if not row or (width > 1 and not any(row))]
    return frame.drop(index=[number for number in blank if number > top + 1])


def _separator_and_header(text: str) -> tuple[str, int]:
    """Find what separates cells, and the row of the header, from 0: titles above have one cell."""

    def fit(sign: str) -> tuple[int, int]:
        """Most rows of one width: a comma before the year of an author is in some alone."""
        rows = islice(csv.reader(io.StringIO(text), delimiter=sign), _FIRST_ROWS)
        widths = Counter(len(row) for row in rows if len(row) > 1)
        return max(((times, width) for width, times in widths.items()), default=(0, 0))

    separator = max(",;\t", key=fit)
    rows = csv.reader(io.StringIO(text), delimiter=separator)
    for number, row in enumerate(islice(rows, _TITLES)):
        if sum(map(bool, row)) > 1:
            return separator, number
    return separator, 0


def rename_columns(frame: Frame, columns: Sequence[str]) -> Frame:
    """Apply `ours=theirs` pairs.

    Raises RequestError where a pair is not of that form, or a column is named twice or is not in
    the file.
    """
    names: dict[str, str] = {}
    for pair in columns:
        ours, equals, theirs = (part.strip() for part in pair.partition("="))
        if not (ours and equals and theirs):
            raise RequestError(
                f"{pair!r}: write OURS=THEIRS, such as reach_id=RIVER_ID.", option="--map"
            )
        if theirs not in frame.columns:
            known = ", ".join(str(name) for name in frame.columns if name != "geometry")
            raise RequestError(
                f"{pair}: there is no column {theirs!r}; there are {known}.", option="--map"
            )
        if ours in names:
            raise RequestError(f"{ours}=… is given more than once.", option="--map")
        names[ours] = theirs
    # A column of the file that already has our name makes way for the one that was requested.
    renamed = frame.drop(columns=[n for n in names if n in frame.columns and names[n] != n])
    for ours, theirs in names.items():
        renamed[ours] = frame[theirs]
    return renamed


def write_places(places: gpd.GeoDataFrame, path: Path) -> int:
    """Write problem places as GeoJSON (RFC 7946, longitude and latitude); returns how many.

    Raises RequestError where the file cannot be written.
    """
    where = places[places.geometry.notna()]
    text = where.to_crs("EPSG:4326").to_json(drop_id=True) if len(where) else _NOTHING
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as problem:
        raise RequestError(f"{path} cannot be written: {problem.strerror}.") from problem
    return len(where)


_NOTHING = '{"type": "FeatureCollection", "features": []}'


def as_utf8(content: bytes) -> bytes:
    """Encode anew what begins with the byte order mark of UTF-16, such as a spreadsheet's text.

    What is not UTF-16 throughout comes back as it is, to be refused.
    """
    if not content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content
    try:
        return content.decode("utf-16").encode()
    except UnicodeDecodeError:
        return content


def western_text(content: bytes) -> tuple[str, str] | None:
    """Decode code page 1252 if every letter is one of western European languages, else None.

    Returned with the text is the first word that is not ASCII.
    """
    text = content.decode("cp1252", errors="replace")
    if not {letter for letter in text if not letter.isascii()} <= _WESTERN:
        return None
    return text, next(word for word in re.findall(r"[^\s;,]+", text) if not word.isascii())[:40]
