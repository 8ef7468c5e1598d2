"""Import: files are checked first, every finding shown; then all is taken, or nothing."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, Response, g, redirect, render_template, request, url_for

from service import access, reference
from service.access import require_role
from service.answers.writing import zip_members
from service.errors import FieldFileError, NotFoundError, RequestError
from service.intake.column_guesses import NOT_NEEDED
from service.intake.columns import SHEETS
from service.intake.importing import take
from service.intake.kept_mappings import keep_mapping
from service.intake.stored_sheets import csv_text
from service.intake.units import CLOCK, STOPWATCH
from service.intake.upload_limits import ENDINGS, MOST_ROWS, MOST_UNPACKED
from service.intake.waiting_uploads import (
    ROLES,
    SUGGESTED,
    check_upload,
    follow_kept,
    suggest_upload,
)
from service.web.answering import attachment, unkept
from service.web.context import (
    current_settings,
    current_store,
    current_viewer,
    require_editor,
    waiting_uploads,
)
from service.web.jobs import Job
from service.web.parameters import read_order
from service.web.waiting import Outcome, do_or_follow

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import IO

    from werkzeug.wrappers import Response as AnyResponse

    from service.intake.importing import CheckResult
    from service.intake.waiting_uploads import WaitingUpload
    from service.progress import Progress

__all__ = ["blueprint"]

blueprint = Blueprint("imports", __name__)

_PAGE: Final = 200  # findings on one page
_SURVEYS: Final = 8  # of an import, named in the address that shows it on the map
_LISTED: Final = 300  # species that a column may be taken for a count of
_SHARED: Final = ("placement_id", "species", "pass_no")  # by catches and lengths
_ORDERS: Final = ("dmy", "mdy", "ymd")
_IN_UNITS: Final = {  # in which durations may stand
    "": "",
    f":{CLOCK}": f", in hours and minutes ({CLOCK})",
    f":{STOPWATCH}": f", in minutes and seconds ({STOPWATCH})",
    ":min": ", in minutes",
    ":s": ", in seconds",
    ":h": ", in hours",
}
_KINDS: Final = ("refused", "read as", "flagged")


@blueprint.before_request
def _require_editor() -> None:
    require_editor("Importing")


def _waiting(token: str) -> WaitingUpload:
    return waiting_uploads("imports").find(token, current_viewer().name)


@blueprint.get("/import")
def show() -> str:
    """Show where to drop files, and the imports so far."""
    return render_template(
        "import.html",
        endings=ENDINGS,
        most_mb=current_settings().max_upload_mb,
        most_rows=MOST_ROWS,
        most_unpacked_mb=MOST_UNPACKED // 1_000_000,
        batches=current_store().batches(),
        done=_done(),
        mappings=list(current_store().mappings()),
        may_undo=current_viewer().role == "keeper",
    )


def _done() -> dict[str, Any]:
    """Say what came of the last step; the number is looked up, not believed."""
    batches = {batch.batch_id: batch for batch in current_store().batches()}
    known = access.surveys(current_store(), current_viewer()).index
    surveys = [name for name in request.args.getlist("survey") if name in known]
    for name in ("stored", "undone"):
        number = request.args.get(name, type=int)
        if number in batches:
            g.question = []  # surveys of this address are those of the import, and no filter
            return {"what": name, "batch": batches[number], "surveys": surveys}
    outcomes = [name for name in ("changed", "unchanged") if name in request.args]
    return {"what": outcomes[0]} if outcomes else {}


@blueprint.post("/import")
def upload() -> AnyResponse:
    """Hold the files and check them; nothing is stored."""
    waiting = waiting_uploads("imports").receive(current_viewer().name, _files())
    waiting.options = _options()
    _follow(waiting)
    return redirect(url_for("imports.checked", token=waiting.token), 303)


def _follow(waiting: WaitingUpload) -> None:
    """Read the files by the mapping that was chosen of those that are kept."""
    if name := request.form.get("mapping", ""):
        follow_kept(waiting, current_store(), name)


def _files() -> Iterable[tuple[str, IO[bytes]]]:
    return [(file.filename or "", file.stream) for file in request.files.getlist("files")]


def _options() -> dict[str, Any]:
    order = request.form.get("date_order", "")
    if order and order not in _ORDERS:
        raise RequestError(f"There is no order of dates {order!r}; give {', '.join(_ORDERS)}.")
    return {
        "date_order": order,
        "survey": request.form.get("survey", "").strip()[:200],
        "crs": request.form.get("crs", "").strip()[:200],
        "update": request.form.get("update") == "yes",
        "remove_rows": request.form.get("remove_rows") == "yes",
    }


@blueprint.get("/import/<token>")
def checked(token: str) -> str:
    """Show every finding by row, and what would be stored."""
    waiting = _waiting(token)
    problem, result = "", None
    try:
        result = check_upload(waiting, current_store())
    except RequestError as trouble:
        problem = str(trouble)
    kind = request.args.get("show", "")
    findings: list[dict[Any, Any]] = []
    if result:
        found = result.findings
        findings = (found[found["kind"] == kind] if kind in _KINDS else found).to_dict("records")
    page = read_order(request.args, "page")
    pages_ = max(1, -(-len(findings) // _PAGE))
    return render_template(
        "import_checked.html",
        waiting=waiting,
        result=result,
        problem=problem,
        counts=_counts(result) if result else {},
        kind=kind,
        findings=findings[(page - 1) * _PAGE : page * _PAGE],
        found=len(findings),
        page=page,
        pages=pages_,
        roles=ROLES,
        surveys=access.surveys(current_store(), current_viewer()).index.tolist(),
        orders=_ORDERS,
        mappings=(mappings := list(current_store().mappings())),
        kept=kept if (kept := request.args.get("kept", "")) in mappings else "",
        changes=result.changes.head(_PAGE).to_dict("records") if result else [],
        choices=_choices() if waiting.tables else {},
        methods=reference.methods(current_store()).index.tolist(),
    )


def _counts(result: CheckResult) -> dict[str, Any]:
    tables = ("placements", "catches", "lengths", "surveys", "sites")
    records = {name: len(getattr(result.records, name, ())) for name in tables}
    records["placements"] -= len(result.changed) if result.records else 0
    return records | {
        "refused": len(result.refused),
        "read_as": len(result.readings),
        "flagged": len(result.flagged),
        "unchanged": len(result.unchanged),
        "changed": len(result.changed),
        "read": result.rows_read,
    }


@blueprint.post("/import/<token>/files")
def mend(token: str) -> AnyResponse:
    """Put mended files in the place of those of the same name, and check again."""
    waiting = _waiting(token)
    waiting_uploads("imports").add(waiting, _files())
    waiting.result = None
    return redirect(url_for("imports.checked", token=token), 303)


@blueprint.post("/import/<token>/reading")
def reading(token: str) -> AnyResponse:
    """Read the files otherwise, and check again."""
    waiting = _waiting(token)
    for path in waiting.files:
        chosen = tuple(role for role in request.form.getlist(f"role:{path.name}") if role)
        if any(role not in ROLES for role in chosen):
            raise RequestError(f"{path.name} is read as one of {', '.join(ROLES)}.")
        waiting.roles[path.name] = chosen
    waiting.options = _options()
    waiting.result = None
    if waiting.tables and "mapping" in waiting.roles.get(SUGGESTED, ()):
        suggest_upload(waiting, current_store(), waiting.chosen)  # the order of dates is said now
    _follow(waiting)
    return redirect(url_for("imports.checked", token=token), 303)


@blueprint.post("/import/<token>/columns")
def columns(token: str) -> AnyResponse:
    """Suggest a mapping, or follow what columns are said to be, and check again."""
    waiting = _waiting(token)
    chosen = {
        (table.file, header): request.form[f"column:{k}:{n}"]
        for k, table in enumerate(waiting.tables)
        for n, (header, _) in enumerate(table.columns)
        if f"column:{k}:{n}" in request.form
    }
    choices = _choices()
    if any(value and value not in choices for value in chosen.values()):
        raise RequestError("A column is taken for one of those that the page lists.")
    method = request.form.get("method", "")
    if method and method not in reference.methods(current_store()).index:
        raise RequestError("The method is one of those that the page lists.")
    chosen["", "method"] = method
    suggest_upload(waiting, current_store(), chosen)
    return redirect(url_for("imports.checked", token=token), 303)


def _choices() -> dict[str, str]:
    """List what a column may be taken for, and the words for it."""
    days = {
        "day:begin": "day it began",
        "clock:begin": "time of day it began",
        "day:end": "day it ended",
        "clock:end": "time of day it ended",
    }
    ours = {
        f"{sheet}.{column.name}{unit}": f"{sheet}: {column.name}{words}"
        for sheet in ("placements", "catches", "lengths")
        for column in SHEETS[sheet]
        for unit, words in (_IN_UNITS if column.name == "minutes" else {"": ""}).items()
        if column.kind != "time" and not (sheet == "lengths" and column.name in _SHARED)
    }
    species = {
        f"count:{name}": f"number of {name}" for name in current_store().species().index[:_LISTED]
    }
    known = days | ours | {"count:": "number in a pass"} | species
    return {NOT_NEEDED: "left out, and not asked about"} | known


@blueprint.get("/import/<token>/mapping.toml")
def mapping(token: str) -> Response:
    """Give the suggested mapping, to be kept for the next season."""
    path = _waiting(token).folder / SUGGESTED
    if not path.exists():
        raise NotFoundError("No mapping was suggested for these files.")
    answer = Response(path.read_bytes(), content_type="application/toml")
    return attachment(answer, "mapping.toml")


@blueprint.post("/import/<token>/mapping")
def keep(token: str) -> AnyResponse:
    """Keep the mapping that these files are read by under a name."""
    waiting = _waiting(token)
    path = waiting.folder / SUGGESTED
    if not path.exists():
        raise NotFoundError("No mapping was suggested for these files.")
    name = request.form.get("name", "")
    keep_mapping(current_store(), name, path.read_text(encoding="utf-8"), current_viewer().name)
    return redirect(url_for("imports.checked", token=token, kept=name.strip()), 303)


@blueprint.post("/import/<token>/take")
def take_all(token: str) -> AnyResponse:
    """Store all of it, whole."""
    waiting, uploads = _waiting(token), waiting_uploads("imports")
    store, who, sure = current_store(), current_viewer().name, request.form.get("sure") == "yes"

    def work(progress: Progress) -> Outcome:
        result = check_upload(waiting, store)
        if result.records is None:
            raise FieldFileError(result.refused)
        if not sure:
            raise RequestError("Say that the findings were looked at; nothing was stored.")
        if waiting.known_batch is not None:
            uploads.drop(waiting)
            return Outcome("imports.show", {"unchanged": 1})
        batch = take(
            result,
            store,
            who,
            progress=lambda done, total: progress.say("storing", done, total, "placement"),
        )
        uploads.drop(waiting)
        if batch is None:
            return Outcome("imports.show", {"changed" if result.changed else "unchanged": 1})
        surveys = result.records.placements["survey"].dropna().unique().tolist()[:_SURVEYS]
        return Outcome("imports.show", {"stored": batch.batch_id, "survey": surveys})

    title = f"Import of {', '.join(path.name for path in waiting.files)}"
    back = url_for("imports.checked", token=token)
    return do_or_follow(Job(work, owner=who, title=title, back=back, key=("import", token)))


@blueprint.post("/import/<token>/drop")
def drop(token: str) -> AnyResponse:
    """Cancel an import: nothing is stored, and its files are deleted."""
    waiting_uploads("imports").drop(_waiting(token))
    return redirect(url_for("imports.show"), 303)


@blueprint.get("/import/<token>/findings.csv")
def findings(token: str) -> Response:
    """Every finding as a file."""
    return _file(csv_text(check_upload(_waiting(token), current_store()).findings), "findings.csv")


@blueprint.get("/import/<token>/missing-species.csv")
def lacking(token: str) -> Response:
    """Names that the species list lacks, as a list to look through and load."""
    waiting = _waiting(token)
    check_upload(waiting, current_store())
    if waiting.lacking is None:
        raise NotFoundError("Every name of these files is in the species list.")
    return _file(csv_text(waiting.lacking), "missing-species.csv")


@blueprint.get("/import/templates.zip")
def templates() -> Response:
    """Empty field sheets with this store's methods, in one zip."""
    from service.intake.templates import write_templates  # heavy: it makes workbooks

    methods = [str(name) for name in reference.methods(current_store()).index]
    with tempfile.TemporaryDirectory() as place:
        written = write_templates(Path(place) / "sheets", methods)
        target = Path(place) / "templates.zip"
        zip_members(target, {path.name: path for path in written})
        content = target.read_bytes()
    return _file(content, "field-sheets.zip", "application/zip")


@blueprint.post("/import/batches/<int:batch_id>/undo")
def undo(batch_id: int) -> AnyResponse:
    """Take one import back, whole."""
    require_role(current_viewer(), "keeper")
    if request.form.get("sure") != "yes":
        raise RequestError("Say that the import is to be taken back; nothing was changed.")
    store, who = current_store(), current_viewer().name

    def work(progress: Progress) -> Outcome:
        progress.say("taking it back")
        return Outcome("imports.show", {"undone": store.undo_batch(batch_id, who=who).batch_id})

    title = f"Import {batch_id} taken back"
    back = url_for("imports.show")
    return do_or_follow(Job(work, owner=who, title=title, back=back, key=("undo", batch_id)))


def _file(content: bytes, name: str, kind: str = "text/csv; charset=utf-8") -> Response:
    return attachment(unkept(Response(content, content_type=kind)), name)
