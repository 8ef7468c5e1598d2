"""Requests that wait for long work: about a second, then a page says how far it is.

A page of figures is made in a thread of its own, so that it holds no thread of the server and
nobody else waits for it. Whoever opens its address again gets what was made meanwhile.
"""

from __future__ import annotations

from contextvars import copy_context
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from flask import (
    Flask,
    Response,
    current_app,
    g,
    jsonify,
    make_response,
    redirect,
    render_template,
    request,
    send_file,
    session,
    url_for,
)
from flask_wtf.csrf import generate_csrf

from service.errors import TooMuchWorkError
from service.web import jobs
from service.web.context import current_store, current_viewer
from service.web.headers import csp_nonce
from service.web.jobs import Job, Jobs
from service.web.problems import wants_page
from service.web.work_notes import WorkNotes

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from tempfile import TemporaryDirectory

    from werkzeug.wrappers import Response as AnyResponse

    from service.progress import Progress

__all__ = [
    "Application",
    "MadeFile",
    "Outcome",
    "close_jobs",
    "current_jobs",
    "current_page_jobs",
    "do_or_follow",
    "may_see",
    "register_jobs",
]

_JOBS, _PAGES = "rifflebook_jobs", "rifflebook_page_jobs"
_LONG_PAGES: Final = frozenset(
    {
        "map.show", "records.show", "species.list_all", "species.show", "catchments.show",
        "catchment.show", "coverage.show", "gear.show", "water.reach", "water.stream",
        "water.upstream", "placement.show", "returns.show", "hand_over.show", "imports.checked",
        "loading.show", "loading.checked",
    }
)  # fmt: skip
# What our scripts fetch, and ask for again where it takes long.
_LONG_DATA: Final = frozenset(
    {
        "map_views.placements", "map_views.lines", "map_views.cards", "coverage.view",
        "coverage.gap", "catchments.chances_present", "water.opened",
    }
)  # fmt: skip
_MOST_TRIES: Final = 3  # at a page in threads of its own, while records are written meanwhile


@dataclass(frozen=True)
class Outcome:
    """What came of a job: a page that shows it."""

    endpoint: str
    values: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class MadeFile:
    """What came of a job: a file to be downloaded, in a folder of its own."""

    folder: TemporaryDirectory[str]
    path: Path
    kind: str
    name: str

    def discard(self) -> None:
        """Delete it."""
        self.folder.cleanup()

    def answer(self) -> AnyResponse:
        """Send it."""
        answer = send_file(
            self.path, mimetype=self.kind, as_attachment=True, download_name=self.name
        )
        answer.direct_passthrough = False  # else nothing is called once it is sent
        answer.cache_control.no_store = True
        return answer


class _PageJob(Job):
    """The making of one page; its nonce stands in the page, so its answer must bear it.

    It is of the version of the store at which it began, or of a later one.
    """

    def __init__(self, work: Callable[[Progress], Any], **given: Any) -> None:  # noqa: ANN401
        super().__init__(work, **given)
        self.nonce = csp_nonce()
        self.version = current_store().version
        self.tries = 1  # with those of earlier versions that nobody was given


class Application(Flask):
    """Flask that makes pages of figures in threads of their own."""

    def dispatch_request(self) -> Any:  # noqa: ANN401 - as Flask's own
        """Answer the request at hand."""
        view = super().dispatch_request
        if request.method == "GET" and request.endpoint in _LONG_PAGES and wants_page():
            return _in_time(view, lambda job: render_template("work.html", job=job, of_page=True))
        prefers = request.headers.get("Prefer", "").replace(" ", "").split(",")
        if request.endpoint in _LONG_DATA and "respond-async" in prefers:  # RFC 7240, section 4.1
            return _in_time(view, lambda _: jsonify(finished=False))
        return view()


def register_jobs(app: Flask) -> None:
    """Give the application its jobs, and the layout what its viewer began."""
    # One for the public and one for all others, so that neither takes every place.
    app.extensions[_JOBS] = {
        False: Jobs(
            most_running=2, most_waiting=10, most_of_one=4, most_ended=20, kept_s=3_600.0,
            notes=WorkNotes(app.extensions["rifflebook"].store),
        ),
        True: Jobs(most_running=1, most_waiting=3, most_ended=8, kept_s=3_600.0),
    }  # fmt: skip
    app.extensions[_PAGES] = {
        public: Jobs(most_running=8, most_waiting=0, most_ended=8, kept_s=120.0)
        for public in (False, True)
    }

    @app.context_processor
    def at_hand() -> dict[str, object]:
        viewer = current_viewer()
        own = [] if viewer.role == "public" else current_jobs().all()
        return {
            "work_at_hand": [
                job
                for job in own
                if job.owner == viewer.name and not job.seen and request.blueprint != "work"
            ]
        }


def current_jobs() -> Jobs:
    """Return the work that people began: imports, loads, hand-overs; the public theirs."""
    own: Jobs = current_app.extensions[_JOBS][current_viewer().role == "public"]
    return own


def current_page_jobs() -> Jobs:
    """Return the pages that are being made for the viewer and others of their kind."""
    own: Jobs = current_app.extensions[_PAGES][current_viewer().role == "public"]
    return own


def close_jobs(app: Flask) -> None:
    """Have all work of an application stop."""
    for kind in (_JOBS, _PAGES):
        for work in app.extensions[kind].values():
            work.close()


def may_see(owner: str) -> bool:
    """Whether the viewer may see the work of somebody: their own, as keeper all.

    The public has one name: of them only who knows the address of a job, which nobody can guess.
    """
    viewer = current_viewer()
    return viewer.role == "keeper" or owner == viewer.name


def do_or_follow(job: Job) -> AnyResponse:
    """Begin a job and answer with what comes of it, or, after a while, with how far it is.

    Programs, which can do nothing with a page, wait for its end.
    """
    work = current_jobs()
    job = work.begin(job)
    if not job.wait(jobs.PATIENCE_S if wants_page() else None):
        return redirect(url_for("work.show", job_id=job.job_id), 303)
    try:
        made = job.future.result()
    except BaseException:
        work.drop(job)
        raise
    if isinstance(made, MadeFile):
        answer = made.answer()
        job.seen = True
        answer.call_on_close(lambda: work.drop(job))
        return answer
    work.drop(job)
    return redirect(url_for(made.endpoint, **made.values), 303)


def _in_time(view: Callable[[], Any], unfinished: Callable[[Job], Any]) -> Any:  # noqa: ANN401
    """Give what a view gives; after a while what says that it is unfinished, with status 202.

    What was begun for an earlier request is given only while the store is as it was then.
    """
    pages, tries = current_page_jobs(), 1
    mark = "" if request.endpoint in _LONG_DATA else session.get("csrf_token")
    job = None if mark is None else pages.keyed(_key(mark))
    ended = job is not None and job.wait(jobs.PATIENCE_S)
    if isinstance(job, _PageJob) and ended and job.version != current_store().version:
        pages.drop(job)
        tries = job.tries + 1
        job = None
    if not isinstance(job, _PageJob):
        job = _PageJob(
            lambda _: view(),
            owner=current_viewer().name,
            title=f"Figures of {request.path}",
            back=request.full_path.rstrip("?"),
            context=copy_context(),
        )
        job.tries = tries
        if tries > _MOST_TRIES:
            return view()
        try:
            pages.begin(job)
        except TooMuchWorkError:  # as many as may be are being made: this thread makes it
            return view()
        ended = job.wait(jobs.PATIENCE_S)
    g.csp_nonce = job.nonce
    if ended:
        pages.drop(job)
        made = job.future.result()
        if isinstance(made, Response):  # packed on its way: each that waited needs its own
            made = current_app.response_class(made.get_data(), made.status, [*made.headers])
        return made
    if mark is None:
        generate_csrf()
        mark = session["csrf_token"]
    job.key = _key(mark)
    answer = make_response(unfinished(job), 202)
    answer.headers["Retry-After"] = "1"
    return answer


def _key(mark: str) -> tuple[str, ...]:
    """Name of an answer to this request, for this viewer.

    `mark` is that of the browser, which stands in the forms of a page as well. What scripts fetch
    bears none: a program that keeps no cookies finds again what it began.
    """
    viewer = current_viewer()
    known = request.headers.get("If-None-Match", "")
    return (mark, viewer.name, viewer.role, request.url, known)
