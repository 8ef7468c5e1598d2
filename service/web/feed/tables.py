"""Features as rows of a table for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from layers.crs import read_crs
from layers.drawing.geojson import property_values

if TYPE_CHECKING:
    import geopandas as gpd

    from service.web.feed.reference_systems import ReferenceSystem

__all__ = ["feature_rows", "readable"]


def feature_rows(frame: gpd.GeoDataFrame, system: ReferenceSystem, crs: str) -> dict[str, Any]:
    """Columns that hold anything, and each feature as (id, position, values)."""
    known = frame.dropna(axis="columns", how="all")
    names = [name for name in known.columns if name != frame.geometry.name]
    columns = [[_words(value) for value in property_values(known[name])] for name in names]
    placed = system.place(np.asarray(frame.geometry, dtype=object), read_crs(crs))
    inside = system.written(shapely.point_on_surface(placed))
    positions = [
        "" if place is None else ", ".join(f"{number:.5f}" for number in place.coords[0])
        for place in inside
    ]
    rows = zip(*columns, strict=True) if columns else ([] for _ in positions)
    kept = [at for at, cells in enumerate(columns) if any(cells)]
    return {
        "columns": [names[at] for at in kept],
        "rows": [
            (str(key), position, [row[at] for at in kept])
            for key, position, row in zip(frame.index, positions, rows, strict=True)
        ],
    }


def readable(frame: gpd.GeoDataFrame) -> dict[str, str]:
    """Properties of one feature that hold anything, in words."""
    names = [name for name in frame.columns if name != frame.geometry.name]
    words = {str(name): _words(property_values(frame[name])[0]) for name in names}
    return {name: word for name, word in words.items() if word}


def _words(value: Any) -> str:  # noqa: ANN401 - whatever a feature holds
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}" if value.is_integer() else f"{value:.2f}".rstrip("0").rstrip(".")
    if isinstance(value, dict):
        if "species" in value and "individuals" in value:
            least = "at least " if value.get("lower_bound") else ""
            return f"{value['species']}: {least}{value['individuals']:g}"
        return ", ".join(f"{name} {_words(part)}" for name, part in value.items())
    if isinstance(value, list):
        return "; ".join(_words(part) for part in value)
    return str(value)
