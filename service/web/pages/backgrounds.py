"""Backgrounds: their tiles, for whoever may open a map, and the page on which keepers load them."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from flask import Blueprint, Response, redirect, render_template, request, url_for

from layers.drawing.tile_grid import FINEST_ZOOM
from service.access import require_role
from service.answers.request_words import read_whole
from service.errors import NotFoundError, RequestError
from service.intake.waiting_uploads import plain_name
from service.reference.loading_backgrounds import load_background
from service.web.context import current_settings, current_store, current_viewer

if TYPE_CHECKING:
    from werkzeug.wrappers import Response as AnyResponse

__all__ = ["blueprint"]

blueprint = Blueprint("backgrounds", __name__)

_YEAR_S: Final = 31_536_000
_KINDS: Final = {b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg", b"RIFF": "image/webp"}
_ENDINGS: Final = (".mbtiles", ".gpkg", ".tif", ".tiff")
_SECONDS: Final = 60.0  # for queries of an uploaded file
_MOST_TILES: Final = 5_000  # that are cut while somebody waits


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


@blueprint.get("/load/backgrounds")
def show() -> str:
    """Show what is stored, and the form for another one."""
    return _page()


def _page(problem: str = "", sentences: list[str] | None = None) -> str:
    require_role(current_viewer(), "keeper")
    return render_template(
        "backgrounds.html",
        stored=current_store().backgrounds(),
        problem=problem,
        sentences=sentences or [],
        endings=_ENDINGS,
        finest=FINEST_ZOOM,
        most_mb=current_settings().max_upload_mb,
    )


@blueprint.post("/load/backgrounds")
def upload() -> tuple[str, int] | str:
    """Load a file as `rifflebook load background` does, whole or not at all."""
    require_role(current_viewer(), "keeper")
    files = [file for file in request.files.getlist("file") if file.filename]
    try:
        if len(files) != 1 or not str(files[0].filename).lower().endswith(_ENDINGS):
            raise RequestError(f"Choose one file: {', '.join(_ENDINGS)}.")
        level = request.form.get("max_zoom", "").strip()
        with tempfile.TemporaryDirectory(prefix="rifflebook-background-") as folder:
            path = Path(folder) / plain_name(str(files[0].filename))
            files[0].save(path)
            loaded = load_background(
                current_store(),
                path,
                who=current_viewer().name,
                name=request.form.get("name", ""),
                attribution=request.form.get("attribution", ""),
                layer=request.form.get("layer", ""),
                max_zoom=read_whole(level, "The finest level", least=0) if level else None,
                seconds=_SECONDS,
                most_tiles=_MOST_TILES,
            )
    except RequestError as refusal:
        return _page(str(refusal)), 422
    return _page(sentences=loaded.sentences)


@blueprint.post("/load/backgrounds/remove")
def remove() -> AnyResponse:
    """Take a background out."""
    require_role(current_viewer(), "keeper")
    name = request.form.get("name", "")
    if not current_store().remove_background(name, who=current_viewer().name):
        raise NotFoundError(f"There is no background {name!r}.")
    return redirect(url_for("backgrounds.show"), 303)
