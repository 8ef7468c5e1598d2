"""A summary as text: CSV, JSON or GeoJSON.

Figures are rounded as `service.columns` states, local dates are days. In CSV, text that a
spreadsheet would run as a formula gets an apostrophe in front.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import orjson
import pandas as pd

from layers.drawing.csv_rows import csv_rows
from layers.drawing.geojson import feature_stream, property_values
from service.answers.methods_texts import with_assumptions
from service.answers.written_figures import as_written

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "FORMATS",
    "plain_rows",
    "summary_csv",
    "summary_geojson",
    "summary_json",
    "summary_words",
]

FORMATS: Final = ("csv", "json", "geojson")
_AT_ONCE: Final = 4_000  # features placed at a time


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Columns of a summary as they are printed, without geometry."""
    shapes = [frame.geometry.name] if isinstance(frame, gpd.GeoDataFrame) else []
    whole = with_assumptions(frame.drop(columns=shapes))
    plain = as_written(pd.DataFrame(whole), frame.attrs["summary"])
    days = plain.select_dtypes("datetime").columns
    return plain.assign(**{day: plain[day].dt.strftime("%Y-%m-%d") for day in days})


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain dicts, None where missing; for few rows faster than pandas' own ways."""

    def missing(value: Any) -> bool:  # noqa: ANN401 - whatever a frame holds
        return value is pd.NA or bool(value != value)  # NaN and NaT differ from themselves

    return [
        {str(key): None if missing(value) else value for key, value in row.items()}
        for row in frame.to_dict("records")
    ]


def summary_csv(frame: pd.DataFrame) -> Iterator[bytes]:
    """Print a summary as CSV in UTF-8, with a header, missing cells empty, in pieces."""
    return csv_rows(_plain(frame))


def summary_json(frame: pd.DataFrame, what: str) -> bytes:
    """Print a summary as one JSON object: `summary`, `inputs`, `rows`."""
    plain = _plain(frame)
    columns = [property_values(plain[name]) for name in plain.columns]
    rows = [dict(zip(plain.columns, row, strict=True)) for row in zip(*columns, strict=True)]
    document = {"summary": what, "inputs": inputs_of(frame), "rows": rows}
    return orjson.dumps(document, option=orjson.OPT_INDENT_2) + b"\n"


def summary_geojson(
    frame: pd.DataFrame, what: str, *, catchments: gpd.GeoDataFrame | None = None
) -> Iterator[bytes]:
    """Print a summary as a GeoJSON FeatureCollection with `summary` and `inputs` beside it.

    In pieces. Rows have the geometry of their frame, else of their catchment, else none.
    """
    plain = _plain(frame)
    if isinstance(frame, gpd.GeoDataFrame):
        shapes, crs = frame.geometry.array, frame.crs
    elif catchments is not None and "catchment" in plain:
        shapes, crs = catchments.geometry.reindex(plain["catchment"]).array, catchments.crs
    else:
        shapes, crs = np.full(len(plain), None, dtype=object), None
    # Numbered before shapes join: a frame that is given another index than its own is shifted.
    numbered = plain.set_axis(pd.RangeIndex(1, len(plain) + 1))
    drawn = gpd.GeoDataFrame(numbered, geometry=shapes, crs=crs)
    parts = (drawn.iloc[at : at + _AT_ONCE] for at in range(0, len(drawn), _AT_ONCE))
    return feature_stream(parts, members={"summary": what, "inputs": inputs_of(frame)})


def inputs_of(frame: pd.DataFrame) -> dict[str, Any]:
    """Say what a summary was computed from, in types that JSON has."""
    option = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS
    text = orjson.dumps(frame.attrs.get("inputs", {}), default=_plain_value, option=option)
    inputs: dict[str, Any] = orjson.loads(text)
    return inputs


def _plain_value(value: object) -> object:
    return list(value) if isinstance(value, (set, frozenset)) else str(value)


def summary_words(frame: pd.DataFrame) -> list[str]:
    """Say in words what an empty or thin result rests on; nothing where records carry it."""
    inputs = frame.attrs.get("inputs", {})
    words = []
    if "note" in inputs:
        note = str(inputs["note"])
        words.append(note[:1].upper() + note[1:] + ".")
    used = inputs.get("placements_used")
    if used == 0:
        left = [f"{count} {reason}" for reason, count in inputs.get("left_out", {}).items()]
        words.append(
            f"No placement counts here; left out: {', '.join(left)}."
            if left
            else "No placement fits what was asked for."
        )
    if frame.empty:
        words.append("The table has no rows.")
    return words
