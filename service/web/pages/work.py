"""Work that goes on: what is being done, how far it is, and what came of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, jsonify, redirect, render_template, url_for

from service.errors import AccessError, FieldFileError, NotFoundError
from service.web.answering import unkept
from service.web.context import current_viewer
from service.web.problems import problem_of
from service.web.waiting import MadeFile, Outcome, current_jobs, current_page_jobs, may_see
from service.web.wording import far

if TYPE_CHECKING:
    from flask import Response
    from werkzeug.wrappers import Response as AnyResponse

    from service.web.jobs import Job
    from service.web.work_notes import Note

__all__ = ["blueprint"]

blueprint = Blueprint("work", __name__, url_prefix="/work")


def _job(job_id: str) -> Job:
    job = current_jobs().find(job_id)
    if job is None or not may_see(job.owner):
        raise NotFoundError(
            "This work is not known here: what came of it was shown, or it ended over an hour ago."
        )
    return job


def _notes() -> list[Note]:
    """Work of other processes, and of those that are no more, as far as the viewer may see it."""
    work = current_jobs()
    noted = work.notes.read() if work.notes else []
    return [one for one in noted if not work.find(one.job_id) and may_see(one.owner)]


@blueprint.get("")
def show_all() -> str:
    """List the work of the viewer, for keepers that of all."""
    if current_viewer().role == "public":
        raise AccessError("Work is shown to whoever began it, and to keepers. Log in.")
    pages = [job for job in current_page_jobs().all() if job.key and not job.ended]
    return render_template(
        "work.html",
        jobs=[job for job in reversed(current_jobs().all()) if may_see(job.owner)],
        pages=[job for job in pages if job.owner == current_viewer().name],
        notes=_notes(),
    )


@blueprint.get("/<job_id>")
def show(job_id: str) -> str | AnyResponse:
    """Show how far a job is; once it has ended, what came of it."""
    for note in _notes():
        if note.job_id == job_id:
            return render_template("work.html", note=note)
    job = _job(job_id)
    if not job.ended:
        return render_template("work.html", job=job)
    job.seen = job.seen or job.owner == current_viewer().name
    if job.state == "done" and isinstance(made := job.future.result(), Outcome):
        return redirect(url_for(made.endpoint, **made.values), 303)
    error = job.error
    problem = problem_of(error) if isinstance(error, Exception) else None
    # Of errors that were not foreseen the log tells, not the page.
    foreseen = problem is not None and problem.slug != "unforeseen"
    return render_template(
        "work.html",
        job=job,
        problem=problem,
        detail=str(error) if foreseen else "",
        faults=error.faults if isinstance(error, FieldFileError) else (),
    )


@blueprint.get("/<job_id>/status")
def status(job_id: str) -> Response:
    """Say how far a job is, or the making of a page; of the last the public hears only the end."""
    viewer = current_viewer()
    job = current_page_jobs().find(job_id)
    if job is None:
        job = _job(job_id)
    elif job.owner != viewer.name:
        raise NotFoundError("There is no such work.")
    said: dict[str, Any] = {"finished": bool(job.ended)}
    if viewer.role != "public":
        shown = job.progress.shown
        said |= {"words": far(shown), "done": shown.done, "total": shown.total}
    return unkept(jsonify(said))


@blueprint.get("/<job_id>/file")
def file(job_id: str) -> AnyResponse:
    """Send the file that came of a job."""
    job = _job(job_id)
    made = job.future.result() if job.state == "done" else None
    if not isinstance(made, MadeFile):
        raise NotFoundError("No file came of this work, or not yet.")
    return made.answer()


@blueprint.post("/<job_id>/stop")
def stop(job_id: str) -> AnyResponse:
    """Have a job stop; what it began is taken back."""
    _job(job_id).stop()
    return redirect(url_for("work.show", job_id=job_id), 303)


@blueprint.post("/<job_id>/forget")
def forget(job_id: str) -> AnyResponse:
    """Take what has ended from the list, with its file."""
    work = current_jobs()
    if work.notes and any(note.job_id == job_id and not note.goes_on for note in _notes()):
        work.notes.remove(job_id)
    elif (job := _job(job_id)).ended:
        work.drop(job)
    return redirect(url_for("work.show_all"), 303)
