"""Records and reference layers as GeoJSON, for the map and for anybody's software."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flask import Blueprint, request

from layers.drawing.geojson import MEDIA_TYPE, feature_collection
from service.answers import features
from service.web.answering import revalidated
from service.web.context import current_store, current_viewer
from service.web.parameters import PageQuery, read_order, read_query

if TYPE_CHECKING:
    import geopandas as gpd
    from flask import Response

__all__ = ["blueprint"]

blueprint = Blueprint("geojson", __name__)


def _box_query() -> PageQuery:
    query = read_query(request.args, also=("bbox",))
    near = features.store_box(current_store(), query.within)
    return replace(query, selection=replace(query.selection, bbox=near))


def _answer(frame: gpd.GeoDataFrame) -> Response:
    return revalidated(feature_collection(frame), MEDIA_TYPE)


@blueprint.get("/placements.geojson")
def placements() -> Response:
    """Placements with catch, effort, reach and flags."""
    query = _box_query()
    return _answer(
        features.placements(current_store(), query.selection, current_viewer(), within=query.within)
    )


@blueprint.get("/detections.geojson")
def detections() -> Response:
    """One feature for each species that a placement caught."""
    query = _box_query()
    return _answer(
        features.detections(current_store(), query.selection, current_viewer(), within=query.within)
    )


@blueprint.get("/stretches.geojson")
def stretches() -> Response:
    """Draw sampled stretches as lines."""
    query = read_query(request.args, also=("bbox",))
    return _answer(
        features.stretches(current_store(), query.selection, current_viewer(), within=query.within)
    )


@blueprint.get("/reaches.geojson")
def reaches() -> Response:
    """Reaches as lines; `min_order` leaves out those of a lower Strahler order."""
    query = read_query(request.args, also=("bbox", "min_order"))
    order = read_order(request.args, "min_order")
    return _answer(
        features.reaches(
            current_store(),
            within=query.within,
            min_order=order,
            selection=query.selection,
        )
    )


@blueprint.get("/catchments.geojson")
def catchments() -> Response:
    """Catchments as polygons."""
    query = read_query(request.args, also=("bbox",))
    return _answer(features.catchments(current_store(), within=query.within))
