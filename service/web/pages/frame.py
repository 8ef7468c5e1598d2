"""What every page stands on: the assets of maps; and whether the service is up."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify, request

from layers.drawing.map_assets import asset, is_packaged
from layers.errors import LayersError
from service.errors import NotFoundError
from service.web.context import current_store

__all__ = ["blueprint"]

blueprint = Blueprint("frame", __name__)


@blueprint.get("/assets/<path:name>")
def map_asset(name: str) -> Response:
    """Scripts, styles and pictures of a map, from the installed packages."""
    try:
        content, kind = asset(name)
    except LayersError as problem:
        raise NotFoundError(str(problem)) from problem
    response = Response(content, mimetype=kind)
    response.cache_control.public = True
    if is_packaged(name):
        response.cache_control.max_age = 3_600
    else:  # modules of two versions do not fit together
        response.cache_control.no_cache = True
    response.add_etag()
    response.make_conditional(request)
    return response


@blueprint.get("/healthz")
def healthz() -> Response:
    """Answer "ok" once the store answers."""
    _ = current_store().version
    return jsonify(status="ok")
