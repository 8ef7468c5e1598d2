"""The store, the settings and the viewer of the request at hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flask import current_app, g

from service.records import PUBLIC

if TYPE_CHECKING:
    from service.records import Viewer
    from service.settings import Settings
    from service.store.interface import Store

__all__ = ["Service", "current_settings", "current_store", "current_viewer", "title_of_store"]


@dataclass(frozen=True)
class Service:
    """What one application serves."""

    store: Store
    settings: Settings
    viewer: Viewer | None = None  # who everybody is taken for; else accounts decide


def _service() -> Service:
    service: Service = current_app.extensions["rifflebook"]
    return service


def current_store() -> Store:
    """Store that the application serves."""
    return _service().store


def current_settings() -> Settings:
    """How the service runs."""
    return _service().settings


def current_viewer() -> Viewer:
    """Who asks; the public until it is known, as on pages of early errors."""
    viewer: Viewer = g.get("viewer") or PUBLIC
    return viewer


def title_of_store() -> str:
    """Title of the store, or the program's name."""
    return current_store().settings.title or "Rifflebook"
