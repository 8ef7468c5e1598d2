"""The field sheets again: what was stored, in the columns that import takes.

Positions go out as they were recorded, in the CRS of the field. A track, an end or an area is
kept in the store's CRS only; it is taken back to the field's CRS and rounded to a tenth of a
millimetre, which returns the very digits that a field sheet holds.
"""

from __future__ import annotations

import codecs
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import orjson
import pandas as pd
import shapely

from layers.crs import choose_operation, crs_key, read_crs
from layers.drawing.csv_rows import csv_rows
from layers.fieldwork.looking import local_times
from service.intake.cell_texts import as_typed
from service.intake.columns import SHEETS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd

    from layers.arrays import Floats, Objects
    from layers.crs import Operation
    from service.records import FieldRecords, Records

__all__ = [
    "AS_HANDED_OVER",
    "PLACE",
    "PRIVATE",
    "csv_text",
    "field_sheets",
    "in_columns",
    "with_origin",
]

AS_HANDED_OVER: Final = "as_handed_over"
"""Column of a hand-over in which each placement stands as it was, so that corrections are known."""
# People and their papers are no business of the public: no layer of a hand-over has them.
PRIVATE: Final = ("crew", "operator_certificate", "machine_check", "permit")
# A place is one statement: who gives a part of it gives it whole.
PLACE: Final = frozenset(
    f"{end}{name}"
    for end in ("", "end_")
    for name in ("longitude", "latitude", "easting", "northing")
) | {"geometry", "waypoint"}
_DEGREE_DECIMALS: Final = 9  # 1e-9 degree of latitude is 0.1 mm
_METRE_DECIMALS: Final = 4


def field_sheets(
    records: Records | FieldRecords,
    surveys: pd.DataFrame,
    sites: pd.DataFrame,
    operations: Mapping[str, Operation],
) -> dict[str, pd.DataFrame]:
    """Write records as the sheets that import takes, each with all of its columns in order.

    Parameters
    ----------
    records
        What the viewer may see. Generalised places go out as areas, with a word in `notes`.
    surveys, sites
        Frames of the store; those that no placement names are left out.
    operations
        By which places came into the store, by the key of their CRS; they go back the same way.
    """
    placements = records.placements
    named = {
        "placements": _placements(placements, operations),
        "catches": records.catches,
        "lengths": records.lengths,
        "surveys": _used(surveys, placements["survey"]),
        "sites": _used(sites, placements["site"]),
    }
    return {name: in_columns(name, frame) for name, frame in named.items()}


def with_origin(sheet: pd.DataFrame, placements: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add to a sheet of placements what each row says, for when the file comes back corrected.

    The column is JSON: `cells`, those not empty, as text; `at`, the point on the layer as x, y and
    CRS of the store.
    """
    text = sheet.map(as_typed).astype("str")
    points = shapely.centroid(np.asarray(placements.geometry, dtype=object))
    crs = crs_key(placements.crs)
    origin = [
        orjson.dumps({"cells": {k: v for k, v in row.items() if v}, "at": [*at, crs]}).decode()
        for row, at in zip(
            text.to_dict("records"), shapely.get_coordinates(points).tolist(), strict=True
        )
    ]
    return sheet.assign(**{AS_HANDED_OVER: pd.Series(origin, index=sheet.index, dtype="str")})


def _used(frame: pd.DataFrame, names: pd.Series) -> pd.DataFrame:
    return frame[frame.index.isin(names.dropna().unique())].reset_index()


def in_columns(sheet: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Write a frame with all columns of its sheet in order; what it lacks is empty."""
    columns = [column.name for column in SHEETS[sheet] if column.name != "waypoint"]
    return frame.reindex(columns=columns).reset_index(drop=True)


def _placements(placements: gpd.GeoDataFrame, operations: Mapping[str, Operation]) -> pd.DataFrame:
    sheet = pd.DataFrame(placements.drop(columns=placements.geometry.name)).reset_index()
    for name in ("set_at", "lifted_at"):
        sheet[name] = _with_offset(placements, name)
    return sheet.assign(**_positions(placements, operations))


def _with_offset(placements: pd.DataFrame, column: str) -> Objects:
    """Wall-clock time with its offset, which no change of the clock can make ambiguous."""
    moments = placements[column]
    wall = local_times(placements, column)
    offset = wall - moments.dt.tz_localize(None).to_numpy()
    minutes = (offset / pd.Timedelta(minutes=1)).round()
    known = moments.notna().to_numpy()
    text = np.full(len(placements), None, dtype=object)
    stamps = wall[known].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str.removesuffix(".000000")
    stamps = stamps.str.replace(r"(\.\d{3})000$", r"\1", regex=True)
    zones = {
        value: f"{'-' if value < 0 else '+'}{abs(int(value)) // 60:02d}:{abs(int(value)) % 60:02d}"
        for value in minutes[known].unique()
    }
    text[known] = (stamps + minutes[known].map(zones)).to_numpy(object)
    return text


def _positions(placements: gpd.GeoDataFrame, operations: Mapping[str, Operation]) -> dict[str, Any]:
    """Position columns of the sheet: as recorded where that is known, else as stored."""
    count = len(placements)
    blank = np.full(count, np.nan)
    columns: dict[str, Any] = {
        name: blank.copy()
        for stem in ("", "end_")
        for name in (f"{stem}longitude", f"{stem}latitude", f"{stem}easting", f"{stem}northing")
    }
    columns["geometry"] = np.full(count, None, dtype=object)
    crs = _text_column(placements, "original_crs")
    crs[pd.isna(crs)] = crs_key(placements.crs)
    columns["crs"] = crs
    kind = _text_column(placements, "shape_kind")
    for system in pd.unique(crs):
        rows = np.flatnonzero(crs == system)
        way = operations.get(crs_key(system)) or choose_operation(system, placements.crs)
        geographic = read_crs(system).is_geographic
        x, y = ("longitude", "latitude") if geographic else ("easting", "northing")
        drawn = rows[np.isin(kind[rows], ("track", "area"))]
        at = np.setdiff1d(rows, drawn)
        start = _start(placements.iloc[at], way, system)
        columns[x][at], columns[y][at] = start[:, 0], start[:, 1]
        ends = at[kind[at] == "ends"]
        shapes = _taken_back(placements["shape"].to_numpy(object)[ends], way, system)
        last = shapely.get_coordinates(shapely.get_point(shapes, -1))
        columns[f"end_{x}"][ends], columns[f"end_{y}"][ends] = last[:, 0], last[:, 1]
        back = _taken_back(placements["shape"].to_numpy(object)[drawn], way, system)
        columns["geometry"][drawn] = shapely.to_wkt(back, rounding_precision=-1)
    return columns


def _text_column(placements: pd.DataFrame, name: str) -> Objects:
    if name not in placements:
        return np.full(len(placements), None, dtype=object)
    return placements[name].astype(object).to_numpy(copy=True)


def _start(placements: gpd.GeoDataFrame, way: Operation, system: str) -> Floats:
    stored = _taken_back(np.asarray(placements.geometry, dtype=object), way, system)
    stored = shapely.centroid(stored)
    xy = np.column_stack([shapely.get_x(stored), shapely.get_y(stored)])
    if "original_x" not in placements:
        return xy
    recorded = placements[["original_x", "original_y"]].to_numpy(float)
    return np.where(np.isfinite(recorded).all(axis=1, keepdims=True), recorded, xy)


def _taken_back(
    shapes: Objects,
    way: Operation,
    system: str,
) -> Objects:
    xy = shapely.get_coordinates(shapes)
    x, y = way.move(xy[:, 0], xy[:, 1], inverse=True)
    decimals = _DEGREE_DECIMALS if read_crs(system).is_geographic else _METRE_DECIMALS
    rounded = np.round(np.column_stack([x, y]), decimals)
    return np.asarray(shapely.set_coordinates(shapes.copy(), rounded), dtype=object)


def csv_text(frame: pd.DataFrame, *, header: bool = True) -> bytes:
    """One sheet as CSV in UTF-8 with BOM, which spreadsheets need; text made harmless.

    Rows alone, to go on with a sheet, where no `header` is wanted. A cell is written the same
    whatever else its column holds, so that pieces put together are the whole.
    """
    plain = frame.copy()
    for name in plain.columns:
        if pd.api.types.is_bool_dtype(plain[name].dtype):
            plain[name] = plain[name].map({True: "yes", False: "no"})
        elif isinstance(plain[name].dtype, pd.DatetimeTZDtype):
            plain[name] = plain[name].dt.tz_convert("UTC").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        elif pd.api.types.is_datetime64_any_dtype(plain[name].dtype):
            plain[name] = plain[name].dt.strftime("%Y-%m-%d")
    start = codecs.BOM_UTF8 if header else b""
    return start + b"".join(csv_rows(plain, header=header, whole_plain=True))
