"""Coverage: where gear of a target was, how long ago, and where to go next."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, Response, render_template, request

from layers.drawing.geojson import MEDIA_TYPE
from layers.estimates.coverage_bands import BANDS
from layers.fieldwork.counted_water import COUNTS
from service import reference
from service.answers import coverage_answers
from service.answers.coverage_answers import CoverageQuestion
from service.answers.coverage_files import CAUTION, FILES, coverage_file
from service.answers.names import filter_choices, selection_words
from service.answers.request_words import read_number, read_whole
from service.answers.tables import plain_rows
from service.answers.waypoints import MEDIA_TYPE as GPX_TYPE
from service.errors import NotFoundError, RequestError
from service.web.answering import attachment, in_pieces, json_answer
from service.web.context import current_store, current_viewer
from service.web.page_maps import backgrounds
from service.web.parameters import PageQuery, read_order, read_view, single
from service.web.question import carried, page_question

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["blueprint"]

blueprint = Blueprint("coverage", __name__)

_OWN: Final = ("counts", "represents", "min_order", "count", "within")
_MOST_PLACES: Final = 200
_FARTHEST_M: Final = 1_000_000.0
_MEDIA: Final = {"csv": "text/csv", "geojson": MEDIA_TYPE, "gpx": GPX_TYPE}


@blueprint.get("/coverage")
def show() -> str:
    """Show the coverage of the network by the placements of the query."""
    query, question = _question()
    store, viewer = current_store(), current_viewer()
    shared: dict[str, Any] = {
        "query": query,
        "question": question,
        "choices": filter_choices(store, viewer),
        "target_words": _words(question),
        "most_places": _MOST_PLACES,
        "own": _OWN,
    }
    if not len(reference.network(store).reaches):
        return render_template("coverage.html", no_network=True, **shared)
    overview = coverage_answers.overview(store, question, viewer)
    places = coverage_answers.next_places(store, question, viewer)
    return render_template(
        "coverage.html",
        no_network=False,
        places=plain_rows(places.drop(columns="geometry")),
        places_note=places.attrs.get("inputs", {}).get("note", ""),
        map_view=_map_view(overview["bounds"], places),
        caution=CAUTION,
        generalised=not viewer.sees_exact_places,
        **overview,
        **shared,
    )


@blueprint.get("/coverage/view.json")
def view() -> Response:
    """Reaches of one view of the map, by band of coverage."""
    query, question = _question("bbox", "zoom")
    within, zoom = read_view(request.args, query.within)
    return json_answer(
        coverage_answers.reaches_in_view(
            current_store(), question, current_viewer(), within=within, zoom=zoom
        )
    )


@blueprint.get("/coverage/gap.json")
def gap() -> Response:
    """Outline one gap for the map."""
    _, question = _question("gap")
    number = read_whole(request.args.get("gap", ""), "gap", least=1)
    found = coverage_answers.gap_outline(current_store(), question, current_viewer(), number)
    if found is None:
        raise NotFoundError(f"There is no gap {number}.")
    return json_answer(found)


@blueprint.get("/coverage/<what>.<form>")
def download(what: str, form: str) -> Response:
    """Hand over reaches, gaps, next places or sampled lengths as a file."""
    if what not in FILES or form not in FILES[what]:
        raise NotFoundError("There is nothing at this address.")
    _, question = _question()
    pieces = coverage_file(current_store(), question, current_viewer(), what, form)
    return attachment(in_pieces(pieces, _MEDIA[form]), f"{what}.{form}")


def _question(*also: str) -> tuple[PageQuery, CoverageQuestion]:
    query = page_question(*_OWN, *also)
    selection = query.selection
    if len(selection.species) == 1 and not selection.able_to_find:
        # Elsewhere the question is about a species; here, where gear that can find it was.
        selection = replace(selection, able_to_find=selection.species[0])
    count = read_whole(single(request.args, "count") or "10", "count", least=1)
    if count > _MOST_PLACES:
        raise RequestError(f"count {count} is more than {_MOST_PLACES}; ask for fewer places.")
    counts = single(request.args, "counts") or "visited"
    if counts not in COUNTS:
        raise RequestError(f"counts {counts!r} is neither of {' and '.join(COUNTS)}.")
    represents = single(request.args, "represents")
    return query, CoverageQuestion(
        selection,
        min_order=read_order(request.args, "min_order"),
        count=count,
        within_m=_metres("within", single(request.args, "within") or "1000"),
        counts=counts,
        represents_m=_metres("represents", represents) if represents else None,
    )


def _metres(name: str, text: str) -> float:
    return read_number(text, name, least=1, most=_FARTHEST_M, unit="metres")


def _words(question: CoverageQuestion) -> str:
    words = [selection_words(current_store(), question.selection, current_viewer())]
    if question.counts == "sampled":
        words.append("only length sampled counts")
    if question.represents_m:
        words.append(f"a placement stands for {question.represents_m:g} m either way")
    if question.min_order > 1:
        words.append(f"stream order from {question.min_order}")
    return "; ".join(word for word in words if word)


def _map_view(bounds: list[float] | None, places: pd.DataFrame) -> dict[str, Any]:
    columns = (
        "rank", "longitude", "latitude", "adds_m", "reach_id", "stream", "done_before",
    )  # fmt: skip
    return {
        "reaches": carried("coverage.view", keep=_OWN),
        "gap": carried("coverage.gap", keep=_OWN),
        "bounds": bounds,
        "bands": [{"state": b.state, "age": b.age, "words": b.words} for b in BANDS],
        "labels": reference.methods(current_store())["label"].to_dict(),
        "places": plain_rows(places[list(columns)]),
        "backgrounds": backgrounds(),
    }
