"""The store, the settings and the viewer of the request at hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from flask import current_app, g

from service.errors import AccessError
from service.intake.waiting_uploads import WaitingUploads
from service.records import PUBLIC

if TYPE_CHECKING:
    from service.faces import HandOverWriter
    from service.records import Viewer
    from service.settings import Settings
    from service.store import Store

__all__ = [
    "Service",
    "current_settings",
    "current_store",
    "current_viewer",
    "hand_over_writer",
    "require_editor",
    "title_of_store",
    "waiting_uploads",
]


@dataclass(frozen=True)
class Service:
    """What one application serves."""

    store: Store
    settings: Settings
    write_hand_over: HandOverWriter
    viewer: Viewer | None = None  # who everybody is taken for; else accounts decide
    uploads: dict[str, WaitingUploads] = field(
        default_factory=lambda: {what: WaitingUploads() for what in ("imports", "layers")}
    )


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
    """Return the viewer: the public until they are known, as on pages of early errors."""
    return g.get("viewer") or PUBLIC


def hand_over_writer() -> HandOverWriter:
    """Return what writes a hand-over, whole or not at all."""
    return _service().write_hand_over


def waiting_uploads(what: str) -> WaitingUploads:
    """Return the uploads that wait to be stored: `imports` or `layers`."""
    return _service().uploads[what]


def require_editor(doing: str) -> None:
    """Make sure that the viewer may change records.

    `doing` is what is wanted, to begin the sentence with. Raises AccessError where they may not;
    it says what would help.
    """
    viewer = current_viewer()
    if viewer.may_edit:
        return
    own: Viewer = g.get("true_viewer") or viewer
    if own.may_edit:
        raise AccessError(
            f"{doing} is not for the public, as which you look now. "
            "“See all again”, in the bar on top, gives back what your account may do."
        )
    who = "Log in with one." if own.role == "public" else f"Yours has the role {own.role}."
    raise AccessError(f"{doing} needs an account with the role editor. {who}")


def title_of_store() -> str:
    """Title of the store, or the program's name."""
    return current_store().settings.title or "Rifflebook"
