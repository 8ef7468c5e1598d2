"""The records of a question as files: rows, places, and waypoints for a receiver."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from layers.drawing.geojson import MEDIA_TYPE as GEOJSON
from layers.drawing.geojson import to_wgs84
from service.answers.names import selection_words
from service.answers.record_list import record_places
from service.answers.tables import summary_csv, summary_geojson
from service.answers.waypoints import MEDIA_TYPE as GPX
from service.answers.waypoints import gpx_waypoints

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    import geopandas as gpd

    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["FORMS", "MEDIA", "record_file", "record_rows"]

FORMS: Final = {"csv": "CSV", "geojson": "GeoJSON", "gpx": "GPX"}
MEDIA: Final = {"csv": "text/csv", "geojson": GEOJSON, "gpx": GPX}


def record_file(
    store: Store, selection: Selection, viewer: Viewer, form: str, *, states: Collection[str]
) -> Iterator[bytes]:
    """Write the placements of a selection, with what each says of its species, as one of `FORMS`.

    In pieces. Only those of `states`, of `layers.fieldwork.looks.STATES`; waypoints if they have a
    place.
    """
    rows = record_rows(store, selection, viewer, states)
    if form == "csv":
        return summary_csv(rows)
    if form == "geojson":
        return summary_geojson(rows, "records")
    return _waypoints(rows, store, selection, viewer)


def record_rows(
    store: Store, selection: Selection, viewer: Viewer, states: Collection[str]
) -> gpd.GeoDataFrame:
    """List the placements of a file, with places in degrees; columns as of table `records`."""
    rows = record_places(store, selection, viewer)
    rows = rows[rows["state"].isin(list(states))].reset_index(drop=True)
    at = shapely.get_coordinates(to_wgs84(np.asarray(rows.geometry, object), rows.crs))
    placed = ~(shapely.is_missing(rows.geometry) | shapely.is_empty(rows.geometry))
    degrees = np.full((len(rows), 2), np.nan)
    degrees[placed] = at
    rows = rows.assign(longitude=degrees[:, 0], latitude=degrees[:, 1])
    rows.attrs = {"summary": "records", "inputs": {"placements_used": len(rows)}}
    return rows


def _waypoints(
    rows: gpd.GeoDataFrame, store: Store, selection: Selection, viewer: Viewer
) -> Iterator[bytes]:
    rows = rows[rows["longitude"].notna()]
    only = selection_words(store, selection, viewer)
    days = rows["date"].dt.strftime("%Y-%m-%d").fillna("")
    wide = rows["generalised_km"].map("; anywhere in a square of {:g} km".format)
    places = [
        (name, f"{label}, {day}: {state.replace('_', ' ')}{square}", x, y)
        for name, label, day, state, square, x, y in zip(
            rows["placement_id"], rows["method_label"], days, rows["state"],
            wide.where(rows["generalised_km"].notna(), ""), rows["longitude"], rows["latitude"],
            strict=True,
        )
    ]  # fmt: skip
    return gpx_waypoints(places, title=store.settings.title or "Placements", note=only)
