"""Sheets out of GIS files: GeoPackage, GeoJSON, and what else GDAL reads."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError

from service.intake.cell_texts import as_number_typed
from service.intake.geopackage_limits import stored_layers
from service.intake.wording import Wording, say
from service.store import SQLITE_BEGINS

if TYPE_CHECKING:
    from pathlib import Path

    import pyproj

    from service.intake.findings import Findings

__all__ = ["read_placement_layer", "read_spatial_file", "text_cells"]

# GDAL goes by content, whatever the ending says: a list of other files and hosts would be followed.
_BEGINS: Final = {
    ".gpkg": SQLITE_BEGINS,
    ".geojson": b"{",
    ".json": b"{",
    ".shp": b"\0\0\x27\x0a",
    ".fgb": b"fgb\x03",
}


def read_spatial_file(
    path: Path, sheet: str, findings: Findings
) -> tuple[pd.DataFrame, str] | None:
    """Read one layer as text cells; its geometry becomes `geometry`, its CRS `crs`.

    The layer named like our sheet is taken, else the only one. Placements that were handed over are
    in `placement_sheet`, as recorded; their layer `placements` shows them for a map. Returned with
    the cells is what findings call their source: the file, and of several layers which.
    """
    try:
        listed = _layers(path)
        if isinstance(listed, Wording):
            findings.refuse_file(path.name, listed)
            return None
        stored, computed = listed
        names = [*stored, *computed]
        wanted = ("placement_sheet", sheet) if sheet == "placements" else (sheet,)
        found = {name.casefold(): name for name in names}
        layer = next((found[name] for name in wanted if name in found), None)
        if layer is None and len(names) == 1:
            layer = names[0]
        if layer is None:
            said = say("sheet_missing.layer", sheet=sheet, names=", ".join(names))
            findings.refuse_file(path.name, said)
            return None
        if layer in computed:
            findings.refuse_file(path.name, say("not_followed.layer_view", layer=layer))
            return None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about measures and odd fields; cells are checked
            layered = pyogrio.read_dataframe(path, layer=layer)
    except (DataSourceError, DataLayerError, ValueError, RuntimeError) as problem:
        findings.refuse_file(path.name, say("file_unreadable.gis", problem=str(problem)[:200]))
        return None
    source = f"{path.name}, layer {layer}" if len(names) > 1 else path.name
    return text_cells(layered), source


def read_placement_layer(path: Path, findings: Findings) -> gpd.GeoDataFrame | None:
    """Read the layer `placements` that stands beside the table `placement_sheet`, index `fid`."""
    layers = _layers(path)
    if isinstance(layers, Wording) or not {"placements", "placement_sheet"} <= set(layers[0]):
        return None
    try:
        layer = pyogrio.read_dataframe(path, layer="placements", fid_as_index=True)
    except (DataSourceError, DataLayerError, ValueError, RuntimeError) as problem:
        findings.refuse_file(path.name, say("file_unreadable.gis", problem=str(problem)[:200]))
        return None
    return layer if isinstance(layer, gpd.GeoDataFrame) and layer.crs is not None else None


def _layers(path: Path) -> tuple[list[str], list[str]] | Wording:
    """Layers, and those of them that would be computed by a view; or why there are none to read."""
    ending = path.suffix.lower()
    with path.open("rb") as file:
        begins = file.read(256).removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
    if not begins.startswith(_BEGINS.get(ending, b"")):
        return say("file_kind.begins", ending=ending)
    if ending == ".gpkg":
        return stored_layers(path)
    return [str(name) for name in pyogrio.list_layers(path)[:, 0]], []


def text_cells(layered: pd.DataFrame) -> pd.DataFrame:
    """Write the attributes of a layer as text, its geometry as WKT and its CRS in `crs`."""
    shape = layered.geometry.name if isinstance(layered, gpd.GeoDataFrame) else None
    cells = {str(name): _texts(layered[name]) for name in layered.columns if name != shape}
    if isinstance(layered, gpd.GeoDataFrame):
        flat = shapely.force_2d(layered.geometry.to_numpy())
        written = shapely.to_wkt(flat, rounding_precision=-1, trim=True)
        known = ~shapely.is_missing(flat)
        cells["geometry"] = pd.Series(np.where(known, written, ""), dtype="str")
        # Where there is a geometry, its CRS is the file's, whatever a column says.
        stated = cells.get("crs", pd.Series("", index=layered.index, dtype="str"))
        label = _label(layered.crs)
        cells["crs"] = pd.Series(np.where(known, label, stated.to_numpy(object)), dtype="str")
    frame = pd.DataFrame(cells)
    frame.index = pd.RangeIndex(2, len(frame) + 2)
    return frame


def _label(crs: pyproj.CRS | None) -> str:
    if crs is None:
        return ""
    authority = crs.to_authority()
    return ":".join(authority) if authority else crs.to_wkt()


def _texts(column: pd.Series) -> pd.Series:
    texts = column.map(as_number_typed).astype("str")
    if pd.api.types.is_datetime64_dtype(column.dtype):
        days = (column.dropna() == column.dropna().dt.normalize()).all()
        texts = texts.str.slice(0, 10) if days else texts
    return texts
