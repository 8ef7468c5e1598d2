"""Rifflebook's service: the way of a record from field sheet to map, files and feed."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from service.records import Viewer
    from service.settings import Settings
    from service.store import Store

__all__ = ["create_app"]


def create_app(
    store: Store, settings: Settings | None = None, *, viewer: Viewer | None = None
) -> Flask:
    """Make the web application of one store, and give it the export.

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
    from service.export import write_hand_over
    from service.settings import read_settings
    from service.web.application import make_application
    from service.web.context import Service

    return make_application(Service(store, settings or read_settings(), write_hand_over, viewer))
