"""What went wrong, said in one way: a problem document (RFC 9457) or a page.

One table joins each kind of error to its slug, title and status. What is not in the table
was not foreseen: it is logged whole and shown without internals.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, Flask, abort, current_app, render_template, request, url_for
from flask.globals import request_ctx
from werkzeug.exceptions import HTTPException

from layers.errors import CrsError, FrameError, LayersError, NetworkError, ThinDataError
from service.errors import (
    AccessError,
    ConflictError,
    FieldFileError,
    LoginError,
    NotFoundError,
    RequestError,
    ServiceError,
    StoreBusyError,
    StoreError,
)

if TYPE_CHECKING:
    from werkzeug.wrappers import Response

__all__ = ["MEDIA_TYPE", "PROBLEMS", "Problem", "problem_of", "register_problems"]

MEDIA_TYPE: Final = "application/problem+json"  # RFC 9457, section 6.1


@dataclass(frozen=True)
class Problem:
    """A kind of problem: its name in an address, what it is called, status, and what to do."""

    slug: str
    title: str
    status: int
    remedy: str


PROBLEMS: Final[dict[type[Exception], Problem]] = {
    FieldFileError: Problem(
        "field-file",
        "Some values in the field file cannot be used",
        422,
        "Mend the values named, and send the file again; nothing of it was stored.",
    ),
    StoreBusyError: Problem(
        "store-busy", "The store is being written by somebody else", 503, "Try again shortly."
    ),
    StoreError: Problem(
        "store", "The store cannot be used", 500, "See that the file is there and may be written."
    ),
    NotFoundError: Problem(
        "not-found", "There is no such record", 404, "Check the address, or look on the map."
    ),
    ConflictError: Problem(
        "conflict",
        "The record was changed meanwhile",
        409,
        "Look at it as it is now, and change it again if need be.",
    ),
    LoginError: Problem(
        "login", "You are not logged in", 401, "Log in, or send a token that is in use."
    ),
    AccessError: Problem(
        "access", "Your account does not allow this", 403, "Ask the keeper of the store."
    ),
    RequestError: Problem(
        "request", "The request cannot be understood", 400, "Mend the value named."
    ),
    ThinDataError: Problem(
        "thin-data", "The records cannot carry this estimate", 422, "Ask for more of them."
    ),
    NetworkError: Problem(
        "network", "The stream network cannot be used", 409, "Load reaches, or mend those loaded."
    ),
    CrsError: Problem("crs", "The coordinates cannot be used", 400, "State another CRS."),
    FrameError: Problem("frame", "The records do not fit together", 422, "Mend what is named."),
    LayersError: Problem("layers", "This cannot be computed", 422, "Mend what is named."),
    ServiceError: Problem("service", "This cannot be done", 400, "Mend what is named."),
}
_UNFORESEEN: Final = Problem(
    "unforeseen",
    "Something went wrong that was not foreseen",
    500,
    "It was written to the log of the service; tell whoever runs it.",
)

blueprint = Blueprint("problems", __name__)


def problem_of(error: Exception) -> Problem:
    """Look an error up by its kind, or the nearest kind it belongs to."""
    for kind in type(error).__mro__:
        if kind in PROBLEMS:
            return PROBLEMS[kind]
    return _UNFORESEEN


def register_problems(app: Flask) -> None:
    """Answer every error with a problem document or a page."""
    app.register_blueprint(blueprint)
    app.register_error_handler(ServiceError, _answer_ours)
    app.register_error_handler(LayersError, _answer_ours)
    app.register_error_handler(HTTPException, _answer_http)
    app.register_error_handler(Exception, _answer_unforeseen)


@blueprint.get("/problems/<slug>")
def show(slug: str) -> str:
    """Explain one kind of problem; where the `type` of a problem document leads."""
    known = [problem for problem in (*PROBLEMS.values(), _UNFORESEEN) if problem.slug == slug]
    if not known:
        abort(404)
    return render_template("problem.html", problem=known[0], detail="", faults=())


def _answer_ours(error: Exception) -> tuple[Any, int]:
    faults = error.faults if isinstance(error, FieldFileError) else ()
    return _answer(problem_of(error), str(error), faults)


def _answer_http(error: HTTPException) -> Response | tuple[Any, int]:
    if error.code is None or error.code < 400:  # redirects are no problems
        return error.get_response()
    slug = "not-found" if error.code == 404 else (error.name or "error").lower().replace(" ", "-")
    detail = "There is nothing at this address." if error.code == 404 else error.description or ""
    problem = Problem(slug, error.name, error.code, "Check the address, or go back to the map.")
    body, status = _answer(problem, detail, ())
    response = current_app.make_response((body, status))
    for name, value in error.get_headers():
        if name.lower() not in ("content-type", "content-length"):
            response.headers[name] = value  # Allow, Retry-After and the like
    return response


def _answer_unforeseen(error: Exception) -> tuple[Any, int]:
    current_app.logger.error("Unforeseen, at %s", request.path, exc_info=error)
    return _answer(_UNFORESEEN, "", ())


def _answer(problem: Problem, detail: str, faults: Any) -> tuple[Any, int]:  # noqa: ANN401
    if _wants_page():
        page = render_template("problem.html", problem=problem, detail=detail, faults=faults)
        return page, problem.status
    document: dict[str, Any] = {
        "type": url_for("problems.show", slug=problem.slug, _external=True)
        if _has_page(problem) and _has_links()
        else "about:blank",
        "title": problem.title,
        "status": problem.status,
        "detail": detail or problem.remedy,
        "instance": request.path,
    }
    if faults:
        document["faults"] = [asdict(fault) for fault in faults]
    response = current_app.json.response(document)
    response.mimetype = MEDIA_TYPE
    return response, problem.status


def _has_page(problem: Problem) -> bool:
    return any(problem.slug == known.slug for known in (*PROBLEMS.values(), _UNFORESEEN))


def _has_links() -> bool:
    """Whether addresses can be made: not where the request was sent to a host that cannot be."""
    return request_ctx.url_adapter is not None


def _wants_page() -> bool:
    """Tell a browser that opens a page from a program, which gets the document."""
    if not _has_links():
        return False
    best = request.accept_mimetypes.best_match(
        [MEDIA_TYPE, "application/json", "application/geo+json", "text/html"], default=MEDIA_TYPE
    )
    return best == "text/html"
