"""The web application: configured and registered, nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import orjson
from flask.json.provider import DefaultJSONProvider

from service.web.compression import register_compression
from service.web.headers import register_headers
from service.web.pages import register_pages
from service.web.problems import register_problems
from service.web.viewer import register_viewer
from service.web.waiting import Application, register_jobs

if TYPE_CHECKING:
    from flask import Flask

    from service.web.context import Service

__all__ = ["make_application"]


def make_application(service: Service) -> Flask:
    """Make the application of one store."""
    app: Flask = Application(__name__)
    app.config["MAX_CONTENT_LENGTH"] = service.settings.max_upload_mb * 1_000_000
    app.json = _JsonInOrder(app)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.extensions["rifflebook"] = service
    register_compression(app)
    register_headers(app)
    register_problems(app)
    register_viewer(app)
    register_jobs(app)
    register_pages(app)
    return app


class _JsonInOrder(DefaultJSONProvider):
    """Writes JSON in the order it was made; reads it where it is not nested without end."""

    sort_keys = False

    def loads(self, s: str | bytes, **_: object) -> Any:  # noqa: ANN401 - whatever JSON contains
        # Python's own reader calls itself for each bracket, until it runs out of calls.
        return orjson.loads(s)
