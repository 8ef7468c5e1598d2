"""Reading reference layers and lists from files, and writing problem places."""

from __future__ import annotations

import codecs
import re
from typing import TYPE_CHECKING, Final, TypeVar

import geopandas as gpd
import pandas as pd

from layers.plurals import counted
from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = [
    "as_utf8", "read_features", "rename_columns", "western_text", "write_places",
]  # fmt: skip

Frame = TypeVar("Frame", bound=pd.DataFrame)
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
