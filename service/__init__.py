"""Rifflebook's service: storage, intake, accounts, pages, feed, export, command line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flask import Flask
    from flask.json.provider import JSONProvider

    from service.records import Viewer
    from service.settings import Settings
    from service.store.interface import Store

__all__ = ["create_app"]


def create_app(
    store: Store, settings: Settings | None = None, *, viewer: Viewer | None = None
) -> Flask:
    """Make the web application of one store: configure and register, nothing else.

    Parameters
    ----------
    store
        An open store; whoever opened it closes it.
    settings
        How the service runs; from the environment when not given.
    viewer
        Who everybody is taken for; when not given, accounts decide for each request.
    """
    # Imported here, so that the command line does not load Flask for every command.
    from flask import Flask

    from service.settings import read_settings
    from service.web.compression import register_compression
    from service.web.context import Service
    from service.web.headers import register_headers
    from service.web.pages import register_pages
    from service.web.problems import register_problems
    from service.web.who_asks import register_viewer

    chosen = settings or read_settings()
    app = Flask(__name__, static_folder=None, template_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = chosen.max_upload_mb * 1_000_000
    app.json = _json_provider(app)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.extensions["rifflebook"] = Service(store, chosen, viewer)
    register_compression(app)
    register_headers(app)
    register_problems(app)
    register_viewer(app)
    register_pages(app)
    return app


def _json_provider(app: Flask) -> JSONProvider:
    """Write JSON in the order it was made; read it where it is not nested without end."""
    import orjson
    from flask.json.provider import DefaultJSONProvider

    class Provider(DefaultJSONProvider):
        sort_keys = False

        def loads(self, s: str | bytes, **_: object) -> Any:  # noqa: ANN401 - whatever JSON held
            # Python's own reader calls itself for each bracket, until it runs out of calls.
            return orjson.loads(s)

    return Provider(app)
