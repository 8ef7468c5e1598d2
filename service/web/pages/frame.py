"""What every page stands on: the assets of maps; and whether the service is up."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, current_app, jsonify, request, url_for

from layers.drawing.map_assets import asset, map_asset_names, modules_of
from layers.errors import LayersError
from service.errors import NotFoundError
from service.web.answering import revalidated
from service.web.context import current_store

if TYPE_CHECKING:
    from flask import Response

__all__ = ["blueprint"]

blueprint = Blueprint("frame", __name__)

_YEAR_S: Final = 31_536_000
_FIXED: Final = ("static", "frame.map_asset")  # what is the same until the program changes
_STATIC: Final = Path(__file__).parents[1] / "static"


@cache
def _version() -> str:
    """Hash of all scripts, styles and pictures: modules of two versions do not fit together."""
    digest = hashlib.sha256()
    names = [*map_asset_names(), *(f"static/{one.name}" for one in sorted(_STATIC.iterdir()))]
    for name in names:
        own = name.removeprefix("static/")
        content = asset(name)[0] if own == name else (_STATIC / own).read_bytes()
        digest.update(f"{name} {len(content)} ".encode() + content)
    return digest.hexdigest()[:16]


@blueprint.app_template_global("url_for")
def address_of(endpoint: str, **values: Any) -> str:  # noqa: ANN401 - as Flask's own
    """Address of a page; that of a script, style or picture names its version too."""
    address = url_for(endpoint, **values)
    if endpoint not in _FIXED:
        return address
    # The version stands in front, so that modules find each other by relative addresses.
    root = request.script_root
    return f"{root}/v/{_version()}{address.removeprefix(root)}"


@blueprint.app_context_processor
def _modules() -> dict[str, object]:
    return {"map_modules": modules_of("view.js")}


@blueprint.get("/v/<version>/assets/<path:name>", endpoint="versioned_asset")
@blueprint.get("/v/<version>/static/<path:name>", endpoint="versioned_static")
def versioned(version: str, name: str) -> Response:
    """Give scripts, styles and pictures under the hash of them all: to be stored for a year."""
    response = (
        map_asset(name)
        if request.endpoint == "frame.versioned_asset"
        else current_app.send_static_file(name)
    )
    if version == _version():  # else a page from before an update is still open
        response.cache_control.no_cache = None
        response.cache_control.public = response.cache_control.immutable = True
        response.cache_control.max_age = _YEAR_S
    return response


@blueprint.get("/assets/<path:name>")
def map_asset(name: str) -> Response:
    """Scripts, styles and pictures of a map, from the installed packages."""
    try:
        content, kind = asset(name)
    except LayersError as problem:
        raise NotFoundError(str(problem)) from problem
    response = revalidated(content, kind)
    response.cache_control.public = True
    return response


@blueprint.get("/healthz")
def healthz() -> Response:
    """Answer "ok" once the store answers."""
    _ = current_store().version
    return jsonify(status="ok")
