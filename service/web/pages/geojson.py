"""Records and reference layers as GeoJSON, for the map and for anybody's software."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flask import Blueprint, request

from layers.drawing.geojson import MEDIA_TYPE, feature_collection
from service.answers import features
from service.web.answering import revalidated
from service.web.context import current_store, current_viewer
from service.web.parameters import read_order, read_query

if TYPE_CHECKING:
    import geopandas as gpd
    from flask import Response

__all__ = ["blueprint"]

blueprint = Blueprint("geojson", __name__)


def _answer(frame: gpd.GeoDataFrame) -> Response:
    return revalidated(feature_collection(frame), MEDIA_TYPE)


@blueprint.get("/placements.geojson", endpoint="placements")
@blueprint.get("/detections.geojson", endpoint="detections")
@blueprint.get("/stretches.geojson", endpoint="stretches")
def records() -> Response:
    """Placements with catch, effort, reach and flags; what each caught; or stretches as lines."""
    query = read_query(request.args, also=("bbox",))
    store, viewer = current_store(), current_viewer()
    what, within = str(request.endpoint).removeprefix("geojson."), query.within
    if what == "stretches":
        return _answer(features.stretches(store, query.selection, viewer, within=within))
    near = replace(query.selection, bbox=features.store_box(store, within))
    make = features.placements if what == "placements" else features.detections
    return _answer(make(store, near, viewer, within=within))


@blueprint.get("/reaches.geojson")
def reaches() -> Response:
    """Reaches as lines; `min_order` leaves out those of a lower Strahler order."""
    query = read_query(request.args, also=("bbox", "min_order"))
    order, within = read_order(request.args, "min_order"), query.within
    found = features.reaches(
        current_store(), within=within, min_order=order, selection=query.selection
    )
    return _answer(found)


@blueprint.get("/catchments.geojson")
def catchments() -> Response:
    """Catchments as polygons."""
    query = read_query(request.args, also=("bbox",))
    return _answer(features.catchments(current_store(), within=query.within))
