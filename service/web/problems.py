"""What went wrong, said in one way: a problem document (RFC 9457) or a page.

One table, `problems.toml`, joins each kind of error to its slug, title and status. What is not in
it was not foreseen: it is logged whole and shown without internals.
"""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, Flask, abort, current_app, g, render_template, request, url_for
from flask.globals import request_ctx
from werkzeug.exceptions import HTTPException

from layers.errors import LayersError
from service.errors import FieldFileError, ServiceError

if TYPE_CHECKING:
    from werkzeug.wrappers import Response

__all__ = ["MEDIA_TYPE", "PROBLEMS", "problem_of", "register_problems", "wants_page"]

MEDIA_TYPE: Final = "application/problem+json"  # RFC 9457, section 6.1


@dataclass(frozen=True)
class Problem:
    """A kind of problem: its name in an address, what it is called, status, and what to do."""

    slug: str
    title: str
    status: int
    remedy: str


_TABLE: Final = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
PROBLEMS: Final = {name: Problem(**entry) for name, entry in _TABLE.items()}
_EXPLAINED: Final = {problem.slug: problem for problem in PROBLEMS.values()}

blueprint = Blueprint("problems", __name__)


def problem_of(error: Exception) -> Problem:
    """Look an error up by its kind, or the nearest kind it belongs to."""
    kinds = (kind.__name__ for kind in type(error).__mro__)
    return next(PROBLEMS[kind] for kind in kinds if kind in PROBLEMS)


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
    if slug not in _EXPLAINED:
        abort(404)
    return render_template("problem.html", problem=_EXPLAINED[slug], detail="", faults=())


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
    return _answer(PROBLEMS["Exception"], "", ())


def _answer(problem: Problem, detail: str, faults: Any) -> tuple[Any, int]:  # noqa: ANN401
    if wants_page():
        g.question = []  # what went wrong may lie in it
        page = render_template("problem.html", problem=problem, detail=detail, faults=faults)
        return page, problem.status
    document: dict[str, Any] = {
        "type": url_for("problems.show", slug=problem.slug, _external=True)
        if problem.slug in _EXPLAINED and _has_links()
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


def _has_links() -> bool:
    """Whether addresses can be made: not where the request was sent to a host that cannot be."""
    return request_ctx.url_adapter is not None


def wants_page() -> bool:
    """Tell a browser that opens a page from a program, which gets the document."""
    if not _has_links():
        return False
    best = request.accept_mimetypes.best_match(
        [MEDIA_TYPE, "application/json", "application/geo+json", "text/html"], default=MEDIA_TYPE
    )
    return best == "text/html"
