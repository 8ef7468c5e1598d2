"""Tiles of the backgrounds, for whoever may open a map."""

from __future__ import annotations

from typing import Final

from flask import Blueprint, Response, request

from layers.drawing.tile_grid import FINEST_ZOOM
from service.errors import NotFoundError
from service.web.context import current_store

__all__ = ["blueprint"]

blueprint = Blueprint("background_tiles", __name__)

_YEAR_S: Final = 31_536_000
_KINDS: Final = {b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg", b"RIFF": "image/webp"}


@blueprint.get("/background/<name>/<int:zoom>/<int:column>/<int:row>")
def tile(name: str, zoom: int, column: int, row: int) -> Response:
    """Give one tile; an empty answer where the background has none."""
    store = current_store()
    found = {one.name: one for one in store.backgrounds()}.get(name)
    if found is None or zoom > FINEST_ZOOM or max(column, row) >= 2**zoom:
        raise NotFoundError("There is no such tile.")
    content = store.tile(name, zoom, column, row)
    if content is None:
        response = Response(status=204)
    else:
        kind = next(kind for begins, kind in _KINDS.items() if content.startswith(begins))
        response = Response(content, mimetype=kind)
        response.add_etag()
    if request.args.get("v") == found.digest[:12]:  # the address names the very tiles
        response.cache_control.immutable = True
        response.cache_control.max_age = _YEAR_S
    else:
        response.cache_control.no_cache = True
    response.make_conditional(request)
    return response
