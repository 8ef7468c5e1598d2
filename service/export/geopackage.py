"""One GeoPackage: layers with styles, tables, and every column described in the file itself."""

from __future__ import annotations

import shutil
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import orjson
import pandas as pd
import pyogrio

from layers.crs import transform_frame
from service.answers.methods_texts import assumed_of_layer
from service.answers.written_figures import as_written
from service.columns import TABLE_WORDS, column
from service.errors import StoreError
from service.export.eml import EML_NAMESPACE, eml_document
from service.export.layer_styles import STYLED, qml, sld
from service.intake.stored_sheets import with_origin
from service.store import LayerStyle, dress_geopackage

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from service.export.contents import Contents, Facts

_ROOM: Final = 1 << 20  # a GeoPackage without any feature takes a tenth of this

__all__ = ["dictionary_rows", "geopackage_tables", "write_geopackage", "write_pieces"]


def geopackage_tables(contents: Contents) -> dict[str, pd.DataFrame]:
    """Every table of the file without geometry, by its name there."""
    sheets = dict(contents.sheets)
    own = sheets.pop("placements")
    if contents.audience == "precise":
        own = with_origin(own, contents.records.placements)
    return {**contents.tables, "placement_sheet": own, **sheets}


def dictionary_rows(
    tables: Mapping[str, pd.DataFrame], *, public: bool = False
) -> list[tuple[str, str, str, str]]:
    """Table, column, unit and meaning of every column; `public` as for `service.columns.column`."""
    return [
        (table, described.name, described.unit, described.meaning)
        for table, frame in tables.items()
        for described in (column(table, str(name), public=public) for name in frame.columns)
    ]


def write_geopackage(
    path: Path,
    contents: Contents,
    crs: str | None = None,
    *,
    progress: Callable[[pd.DataFrame], None] = lambda _: None,
) -> None:
    """Write all layers in `crs` (the store's where none is given) and all tables.

    `progress` is called with each once it is written; errors are those of :func:`write_pieces`.
    """
    write_pieces(
        path,
        (*contents.layers.items(), *geopackage_tables(contents).items()),
        crs or contents.crs,
        contents.made_on,
        lambda: contents.facts,
        public=contents.keeps_places,
        progress=progress,
    )


@dataclass
class _Written:
    """What was written of one layer or table."""

    columns: pd.DataFrame  # without rows
    styled_cells: bool
    rows: int = 0


def write_pieces(
    path: Path,
    pieces: Iterable[tuple[str, pd.DataFrame]],
    crs: str,
    made_on: dt.date,
    facts: Callable[[], Facts],
    *,
    public: bool,
    progress: Callable[[pd.DataFrame], None] = lambda _: None,
) -> None:
    """Write layers and tables as they come to a GeoPackage that does not exist yet.

    Parameters
    ----------
    pieces
        Name and rows; a name that comes again is gone on with, in the same columns.
    crs
        In which layers are written; CrsError where it cannot be reached from that of a layer.
    made_on
        Day to be stated as that of the last change.
    facts
        Gives what the metadata say, once all pieces are written.
    public
        Whether protected places are kept from the reader.
    progress
        Called with each piece once it is written.

    Raises
    ------
    StoreError
        GDAL cannot write the file, or a piece does not go on with what came before.
    """
    moment = f"{made_on.isoformat()}T00:00:00.000Z"
    written: dict[str, _Written] = {}
    # Nobody sees the file before it is whole and on the disk: GDAL need not wait for each piece.
    options = {"OGR_CURRENT_DATE": moment, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    pyogrio.set_gdal_config_options(options)
    try:
        for name, frame in pieces:
            _write_piece(path, name, frame, crs, written)
            progress(frame)
    except RuntimeError as problem:  # the root of GDAL's errors, whatever was being written
        raise _said_plainly(path, problem) from problem
    finally:
        pyogrio.set_gdal_config_options(dict.fromkeys(options))
    for name, one in written.items():  # GDAL only warns of some troubles
        if pyogrio.read_info(path, layer=name)["features"] != one.rows:
            raise _said_plainly(path, RuntimeError(f"{name} is not whole"))
    described = {name: one.columns for name, one in written.items()}
    dress_geopackage(
        path,
        tables=[(name, _described(name)) for name in written],
        columns=[
            (table, column, f"{words} [{unit}]" if unit else words)
            for table, column, unit, words in dictionary_rows(described, public=public)
        ],
        styles=[_style(name, cells=written[name].styled_cells) for name in STYLED],
        metadata=(EML_NAMESPACE, eml_document(facts())),
        moment=moment,
    )


def _described(name: str) -> str:
    """Words of a layer or table; of a layer also what its figures assume, as a table has a column.

    A column would repeat the sentence for each of up to a million places.
    """
    assumed = assumed_of_layer(name)
    return f"{TABLE_WORDS[name]}. Assumes: {assumed}." if assumed else TABLE_WORDS[name]


def _write_piece(
    path: Path, name: str, frame: pd.DataFrame, crs: str, written: dict[str, _Written]
) -> None:
    options = {}
    if isinstance(frame, gpd.GeoDataFrame):
        frame = transform_frame(frame, crs)
        options["geometry_type"] = _geometry_type(frame)
    plain = flat(frame, name)
    columns = pd.DataFrame(plain.iloc[:0])
    if isinstance(frame, gpd.GeoDataFrame):
        columns = columns.drop(columns=frame.geometry.name)
    if name in written:
        _refuse_other_columns(name, written[name].columns, columns)
    else:
        written[name] = _Written(columns, "generalised_km" in columns)
    _write(path, name, plain, **options)
    written[name].rows += len(plain)


def _refuse_other_columns(name: str, first: pd.DataFrame, more: pd.DataFrame) -> None:
    """Make sure that a piece goes on with what came before: GDAL would bend it to fit."""
    kinds = [{column: _kind(frame[column].dtype) for column in frame} for frame in (first, more)]
    if kinds[0] != kinds[1]:
        other = sorted({str(column) for column, _ in kinds[0].items() ^ kinds[1].items()})
        raise StoreError(
            f"The columns {', '.join(other)} of {name} change their kind within the records. "
            "Nothing was written; hand over fewer at once."
        )


def _kind(dtype: Any) -> str:  # noqa: ANN401 - of NumPy or of pandas
    if pd.api.types.is_bool_dtype(dtype):
        return "bool"
    if pd.api.types.is_numeric_dtype(dtype):
        return "whole" if pd.api.types.is_integer_dtype(dtype) else "number"
    return "time" if pd.api.types.is_datetime64_any_dtype(dtype) else "text"


def _style(name: str, *, cells: bool) -> LayerStyle:
    return LayerStyle(name, name, qml(name, cells=cells), sld(name, cells=cells))


def _said_plainly(path: Path, problem: Exception) -> StoreError:
    """Tell a full disk, which GDAL's own words do not, from other troubles."""
    if shutil.disk_usage(path.parent).free < _ROOM:
        return StoreError("The disk is full; make room and try again. Nothing was written.")
    return StoreError(f"The GeoPackage cannot be written: {problem}. Nothing was written.")


def _write(path: Path, name: str, frame: pd.DataFrame, **options: Any) -> None:  # noqa: ANN401
    with warnings.catch_warnings():
        # An empty table has no geometry to show its kind; it is stated instead.
        warnings.simplefilter("ignore", UserWarning)
        pyogrio.write_dataframe(
            frame, path, layer=name, driver="GPKG", append=path.exists(),
            dataset_options={"VERSION": "1.4"} if not path.exists() else None, **options,
        )  # fmt: skip


def _geometry_type(layer: gpd.GeoDataFrame) -> str:
    """Kind of geometry of a layer; `Unknown` takes points and cells in one layer."""
    kinds = sorted(set(layer.geometry.geom_type.dropna()))
    if len(kinds) == 1:
        return str(kinds[0])
    pairs = {("LineString", "MultiLineString"), ("MultiPolygon", "Polygon")}
    if tuple(kinds) in pairs:
        return str(next(kind for kind in kinds if kind.startswith("Multi")))
    return "Unknown"


def flat(frame: Any, table: str) -> Any:  # noqa: ANN401 - either kind of frame comes back as it came
    """Columns that a table can hold: lists as JSON text, moments and days as such."""
    plain = as_written(frame.reset_index(drop=True), table)
    for name in plain.columns:
        column = plain[name]
        if column.dtype == object and column.map(lambda cell: isinstance(cell, (list, dict))).any():
            plain[name] = column.map(_json_text).astype("str")
    return plain


def _json_text(cell: Any) -> str | None:  # noqa: ANN401
    return orjson.dumps(cell, option=orjson.OPT_SERIALIZE_NUMPY).decode() if cell else None
