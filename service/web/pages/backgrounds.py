"""Backgrounds: their tiles, for whoever may open a map, and the page on which keepers load them."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from flask import Blueprint, Response, redirect, render_template, request, url_for

from layers.drawing.tile_grid import FINEST_ZOOM
from service.access import require_role
from service.answers.request_words import read_whole
from service.errors import NotFoundError, RequestError, TooMuchWorkError
from service.intake.waiting_uploads import plain_name
from service.reference.loading_backgrounds import background_words, load_background
from service.web.context import current_settings, current_store, current_viewer
from service.web.jobs import Job
from service.web.waiting import Outcome, do_or_follow

if TYPE_CHECKING:
    from werkzeug.wrappers import Response as AnyResponse

    from service.progress import Progress

__all__ = ["blueprint"]

blueprint = Blueprint("backgrounds", __name__)

_YEAR_S: Final = 31_536_000
_KINDS: Final = {b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg", b"RIFF": "image/webp"}
_ENDINGS: Final = (".mbtiles", ".gpkg", ".tif", ".tiff")
_SECONDS: Final = 60.0  # for queries of an uploaded file
_MOST_TILES: Final = 20_000  # that are cut by one upload


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


def _page(problem: str = "") -> str:
    require_role(current_viewer(), "keeper")
    stored, name = current_store().backgrounds(), request.args.get("stored", "")
    return render_template(
        "backgrounds.html",
        stored=stored,
        problem=problem,
        done=next((background_words(one) for one in stored if one.name == name), ""),
        endings=_ENDINGS,
        finest=FINEST_ZOOM,
        most_mb=current_settings().max_upload_mb,
    )


@blueprint.post("/load/backgrounds")
def upload() -> AnyResponse | tuple[str, int]:
    """Load a file as `rifflebook load background` does, whole or not at all."""
    require_role(current_viewer(), "keeper")
    try:
        job = _job()
        try:
            return do_or_follow(job)
        except TooMuchWorkError:
            job.stop()
            raise
    except RequestError as refusal:
        return _page(str(refusal)), 422


def _job() -> Job:
    """Take the file and the form; the file goes with the job, however that ends."""
    files = [file for file in request.files.getlist("file") if file.filename]
    if len(files) != 1 or not str(files[0].filename).lower().endswith(_ENDINGS):
        raise RequestError(f"Choose one file: {', '.join(_ENDINGS)}.")
    store, who, form = current_store(), current_viewer().name, request.form
    level = form.get("max_zoom", "").strip()
    finest = read_whole(level, "The finest level", least=0) if level else None
    name, attribution, layer = (form.get(key, "") for key in ("name", "attribution", "layer"))
    folder = tempfile.TemporaryDirectory(prefix="rifflebook-background-")
    path = Path(folder.name) / plain_name(str(files[0].filename))

    def work(progress: Progress) -> Outcome:
        loaded = load_background(
            store, path, who=who, name=name, attribution=attribution, layer=layer,
            max_zoom=finest, seconds=_SECONDS, most_tiles=_MOST_TILES, progress=progress.say,
        )  # fmt: skip
        return Outcome("backgrounds.show", {"stored": loaded.name})

    back = url_for("backgrounds.show")
    job = Job(work, owner=who, title=f"Load of a background from {path.name}", back=back)
    job.future.add_done_callback(lambda _: folder.cleanup())
    files[0].save(path)
    return job


@blueprint.post("/load/backgrounds/remove")
def remove() -> AnyResponse:
    """Take a background out."""
    require_role(current_viewer(), "keeper")
    name = request.form.get("name", "")
    if not current_store().remove_background(name, who=current_viewer().name):
        raise NotFoundError(f"There is no background {name!r}.")
    return redirect(url_for("backgrounds.show"), 303)
