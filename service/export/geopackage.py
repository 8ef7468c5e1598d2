"""One GeoPackage: layers with styles, tables, and every column described in the file itself."""

from __future__ import annotations

import shutil
import warnings
from typing import TYPE_CHECKING, Any, Final

import orjson
import pyogrio

from service.errors import StoreError
from service.export.column_words import dictionary_rows
from service.export.contents import in_crs
from service.export.eml import EML_NAMESPACE, eml_document
from service.export.layer_styles import STYLED, qml, sld
from service.export.written_figures import as_written
from service.store.exchange import LayerStyle, dress_geopackage

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from service.export.contents import Contents

_ROOM: Final = 1 << 20  # a GeoPackage without any feature takes a tenth of this

__all__ = ["TABLE_WORDS", "geopackage_tables", "write_geopackage"]

TABLE_WORDS: Final = {
    "placements": "Placements: one gear put in one place once, with effort, conditions and catch",
    "detections": "Species found, one feature for each species of a placement",
    "stretches": "Parts of reaches that placements sampled",
    "reaches": "Stream network, drawn downstream, with what was sampled of it",
    "catchments": "Catchments, nested by parent_id",
    "gaps": "Connected parts of the network that no placement sampled",
    "occurrence": "Species by catchment: found, looked for and not found, never looked for",
    "sampled_length": "Length of stream sampled by catchment and method",
    "sampled_length_all": "Length of stream sampled by method on the whole network",
    "effort": "Effort and catch per unit effort by method, catchment and species",
    "species": "Species list",
    "methods": "Methods",
    "placement_sheet": "Placements in the columns that import takes, positions as recorded",
    "catches": "Catches in the columns that import takes",
    "lengths": "Fish lengths in the columns that import takes",
    "surveys": "Surveys in the columns that import takes",
    "sites": "Sites in the columns that import takes",
}


def geopackage_tables(contents: Contents) -> dict[str, pd.DataFrame]:
    """Every table of the file without geometry, by its name there."""
    sheets = dict(contents.sheets)
    return {**contents.tables, "placement_sheet": sheets.pop("placements"), **sheets}


def write_geopackage(path: Path, contents: Contents, crs: str | None = None) -> None:
    """Write all layers in `crs` (the store's where none is given) and all tables.

    Raises
    ------
    StoreError
        GDAL cannot write the file, for instance because the disk is full.
    CrsError
        The CRS is unknown or cannot be reached from the store's.
    """
    layers, _, _ = in_crs(contents.layers, crs or contents.crs)
    tables = geopackage_tables(contents)
    moment = f"{contents.made_on.isoformat()}T00:00:00.000Z"
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": moment})
    try:
        for name, layer in layers.items():
            _write(path, name, flat(layer), geometry_type=_geometry_type(layer))
        for name, table in tables.items():
            _write(path, name, flat(table))
    except RuntimeError as problem:  # the root of GDAL's errors, whatever was being written
        raise _said_plainly(path, problem) from problem
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    _see_whole(path, layers | tables)
    described = {
        name: flat(layer).drop(columns=layer.geometry.name) for name, layer in layers.items()
    }
    dress_geopackage(
        path,
        tables=[(name, TABLE_WORDS[name]) for name in (*layers, *tables)],
        columns=[
            (table, column, f"{words} [{unit}]" if unit else words)
            for table, column, unit, words in dictionary_rows(
                described | tables, public=contents.keeps_places
            )
        ],
        styles=[_style(name, layers[name]) for name in STYLED],
        metadata=(EML_NAMESPACE, eml_document(contents)),
        moment=moment,
    )


def _style(name: str, layer: gpd.GeoDataFrame) -> LayerStyle:
    cells = "generalised_km" in layer.columns
    return LayerStyle(name, name, qml(name, cells=cells), sld(name, cells=cells))


def _see_whole(path: Path, written: dict[str, Any]) -> None:
    """Make sure that every row arrived: GDAL only warns of some troubles."""
    for name, frame in written.items():
        if pyogrio.read_info(path, layer=name)["features"] != len(frame):
            raise _said_plainly(path, RuntimeError(f"{name} is not whole"))


def _said_plainly(path: Path, problem: Exception) -> StoreError:
    """Tell a full disk, which GDAL's own words do not, from other troubles."""
    if shutil.disk_usage(path.parent).free < _ROOM:
        return StoreError("The disk is full; make room and try again. Nothing was written.")
    return StoreError(f"The GeoPackage cannot be written: {problem}. Nothing was written.")


def _write(path: Path, name: str, frame: pd.DataFrame, **options: Any) -> None:  # noqa: ANN401
    with warnings.catch_warnings():
        # An empty table has no geometry to tell its kind from; it is stated instead.
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


def flat(frame: Any) -> Any:  # noqa: ANN401 - either kind of frame comes back as it came
    """Columns that a table can hold: lists as JSON text, moments and days as such."""
    plain = as_written(frame.reset_index(drop=True))
    for name in plain.columns:
        column = plain[name]
        if column.dtype == object and column.map(lambda cell: isinstance(cell, (list, dict))).any():
            plain[name] = column.map(_json_text).astype("str")
    return plain


def _json_text(cell: Any) -> str | None:  # noqa: ANN401
    return orjson.dumps(cell, option=orjson.OPT_SERIALIZE_NUMPY).decode() if cell else None
