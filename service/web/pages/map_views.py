"""What the map fetches while somebody moves it: only what is in view, bounded in size."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyproj
from flask import Blueprint, request

from layers.drawing.geojson import MEDIA_TYPE, feature_collection
from service.access import surveys
from service.answers import map_views
from service.errors import RequestError
from service.web.answering import json_answer, revalidated
from service.web.context import current_store, current_viewer
from service.web.parameters import read_place, read_query, read_view

if TYPE_CHECKING:
    from flask import Response

__all__ = ["blueprint"]

blueprint = Blueprint("map_views", __name__)


@blueprint.get("/map/placements.json")
def placements() -> Response:
    """Placements of a view, or their counts by cell; with `after` a list of what is in it."""
    query = read_query(request.args, also=("bbox", "zoom", "after"))
    within, zoom = read_view(request.args, query.within)
    return json_answer(
        map_views.placements_in_view(
            current_store(),
            query.selection,
            current_viewer(),
            within=within,
            zoom=zoom,
            after=request.args.get("after"),
        )
    )


@blueprint.get("/map/lines.json")
def lines() -> Response:
    """Reaches and catchments of a view."""
    query = read_query(request.args, also=("bbox", "zoom"))
    within, zoom = read_view(request.args, query.within)
    return json_answer(
        map_views.lines_in_view(
            current_store(), within=within, zoom=zoom, selection=query.selection
        )
    )


@blueprint.get("/map/cards.json")
def cards() -> Response:
    """Fetch what the cards of the placements named say."""
    query = read_query(request.args, also=("placement",))
    named = tuple(dict.fromkeys(request.args.getlist("placement")))
    if not named:
        raise RequestError("Name at least one placement with placement.")
    selection = replace(query.selection, placements=named)
    frame, count = map_views.cards(current_store(), selection, current_viewer())
    return revalidated(feature_collection(frame, members={"count": count}), MEDIA_TYPE)


@blueprint.get("/map/position.json")
def position() -> Response:
    """Say where a point lies in the CRS of the store, or of the one survey chosen."""
    query = read_query(request.args, also=("longitude", "latitude"))
    longitude, latitude = read_place(request.args)
    crs, chosen = "", query.selection.surveys
    if len(chosen) == 1:
        known = surveys(current_store(), current_viewer())["crs"]
        named = known.get(chosen[0])
        # A survey in degrees adds nothing: the map shows them already, and these are metres.
        crs = named if isinstance(named, str) and pyproj.CRS(named).is_projected else ""
    words = map_views.position_words(current_store(), longitude, latitude, crs=crs)
    return json_answer({"position": words})
