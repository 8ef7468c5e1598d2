"""The records of a question as files, and its map as one page that opens without a server."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from flask import Blueprint, Response, request

from service.answers.map_files import offline_map
from service.answers.map_views import map_summary
from service.answers.record_files import FORMS, MEDIA, record_file
from service.answers.record_list import SHOWN
from service.cache import cached
from service.errors import NotFoundError, RequestError
from service.web.answering import attachment, in_pieces, revalidated
from service.web.context import current_store, current_viewer
from service.web.parameters import read_choice
from service.web.question import page_question

if TYPE_CHECKING:
    from service.web.parameters import PageQuery

__all__ = ["blueprint", "read_shown"]

blueprint = Blueprint("record_files", __name__)

_MOST_OFFLINE: Final = 20_000  # placements; a browser opens a page of as many within seconds


def read_shown(query: PageQuery) -> str:
    """Read which placements are wanted: those that looked, where a species is chosen, else all."""
    usual = "looked" if query.selection.species else "all"
    return read_choice(request.args, "show", tuple(SHOWN), usual)


@blueprint.get("/records.<ending>")
def download(ending: str) -> Response:
    """Hand over the records of the question, with what each says of its species."""
    if ending not in FORMS:
        raise NotFoundError("There is nothing at this address.")
    query = page_question("show", "sort", "order", "columns")
    pieces = record_file(
        current_store(), query.selection, current_viewer(), ending, states=SHOWN[read_shown(query)]
    )
    return attachment(in_pieces(pieces, MEDIA[ending]), f"records.{ending}")


@blueprint.get("/offline-map.html")
def offline() -> Response:
    """Hand over the map of the question as one page."""
    query = page_question()
    store, viewer = current_store(), current_viewer()
    count = map_summary(store, query.selection, viewer)["placements"]
    if count > _MOST_OFFLINE:
        raise RequestError(
            f"{count} placements are more than a page without a server can show "
            f"({_MOST_OFFLINE}); choose fewer by date, catchment, survey or gear."
        )
    question = ("offline map", query.selection)
    page, _ = cached(store, viewer, question, lambda: offline_map(store, query.selection, viewer))
    return attachment(revalidated(page, "text/html"), "map.html")
