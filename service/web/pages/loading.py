"""Loading catchments, reaches and species: a file is checked first, then stored whole or not."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Final

from flask import Blueprint, redirect, render_template, request, url_for

from layers.errors import LayersError
from service import reference
from service.access import require_role
from service.errors import FieldFileError, NotFoundError, RequestError, ServiceError
from service.intake.geopackage_limits import stored_layers
from service.intake.lists import load_list, read_list
from service.intake.reading import TEXT_FILES
from service.intake.wording import Wording
from service.progress import report
from service.reference.files import read_features, rename_columns
from service.reference.loading_layers import (
    LOADING_STEPS,
    LayerRefusedError,
    load_catchments,
    load_reaches,
)
from service.web.context import current_settings, current_store, current_viewer, waiting_uploads
from service.web.jobs import Job
from service.web.waiting import Outcome, do_or_follow

if TYPE_CHECKING:
    from pathlib import Path

    from werkzeug.wrappers import Response as AnyResponse

    from service.intake.waiting_uploads import WaitingUpload
    from service.progress import Progress
    from service.reference.loading_layers import Loaded
    from service.store import Store

__all__ = ["blueprint"]

blueprint = Blueprint("loading", __name__)

_LAYERS: Final = (".gpkg", ".geojson", ".json")
# In the order of loading: catchments cut the reaches that come after them.
_KINDS: Final = {"catchments": _LAYERS, "reaches": _LAYERS, "species": TEXT_FILES}
_SWITCHES: Final = {"catchments": ("nest",), "reaches": ("reverse_flow", "split_parts")}
_LONGEST: Final = 2_000


@blueprint.before_request
def _require_keeper() -> None:
    require_role(current_viewer(), "keeper")


@blueprint.get("/load")
def show() -> str:
    """Show what is stored of each kind, and which comes next."""
    store = current_store()
    counts = {
        "catchments": len(reference.catchments(store)),
        "reaches": len(reference.network(store).reaches),
        "species": len(reference.species(store)),
    }
    done = request.args.get("stored", "")
    return render_template(
        "loading.html",
        counts=counts,
        endings=_KINDS,
        following=next((kind for kind, count in counts.items() if not count), ""),
        most_mb=current_settings().max_upload_mb,
        done=done if counts.get(done) else "",
    )


@blueprint.post("/load/<kind>")
def upload(kind: str) -> AnyResponse:
    """Store a file for a while and check it; nothing of it is loaded."""
    if kind not in _KINDS:
        raise NotFoundError(f"There is nothing to load of the kind {kind!r}.")
    files = [file for file in request.files.getlist("file") if file.filename]
    if len(files) != 1:
        raise RequestError(f"Choose one file of {kind}; {len(files)} were sent.")
    name = str(files[0].filename)
    if not name.lower().endswith(_KINDS[kind]):
        raise RequestError(f"{kind.capitalize()} are read from {', '.join(_KINDS[kind])}.")
    waiting = waiting_uploads("layers").receive(current_viewer().name, [(name, files[0].stream)])
    waiting.options = {"kind": kind, "layer": "", "columns": ""}
    return redirect(url_for("loading.checked", token=waiting.token), 303)


@blueprint.get("/load/waiting/<token>")
def checked(token: str) -> str:
    """Say what a file holds and what is wrong with it; nothing is stored."""
    waiting = waiting_uploads("layers").find(token, current_viewer().name)
    sentences, problem, faults = [], "", []
    try:
        sentences = _load(
            waiting, current_store(), current_viewer().name, check_only=True
        ).sentences
    except LayerRefusedError as refusal:
        problem, sentences = str(refusal), refusal.report.sentences
    except FieldFileError as refusal:
        problem, faults = str(refusal), list(refusal.faults)
    except (ServiceError, LayersError) as trouble:
        problem = str(trouble)
    kind = waiting.options["kind"]
    return render_template(
        "loading_checked.html",
        waiting=waiting,
        kind=kind,
        name=waiting.files[0].name,
        switches=_SWITCHES.get(kind, ()),
        layers=_layers_of(waiting.files[0]) if kind != "species" else [],
        sentences=sentences,
        problem=problem,
        faults=faults,
    )


@blueprint.post("/load/waiting/<token>")
def reading(token: str) -> AnyResponse:
    """Read the file otherwise, and check again."""
    waiting = waiting_uploads("layers").find(token, current_viewer().name)
    kind = waiting.options["kind"]
    waiting.options = {
        "kind": kind,
        "layer": request.form.get("layer", "")[:_LONGEST],
        "columns": request.form.get("columns", "")[:_LONGEST],
        **{name: request.form.get(name) == "yes" for name in _SWITCHES.get(kind, ())},
    }
    return redirect(url_for("loading.checked", token=token), 303)


@blueprint.post("/load/waiting/<token>/store")
def store_it(token: str) -> AnyResponse:
    """Load the file, whole or not at all."""
    uploads, store, who = waiting_uploads("layers"), current_store(), current_viewer().name
    waiting = uploads.find(token, who)
    kind = waiting.options["kind"]

    def work(_: Progress) -> Outcome:
        _load(waiting, store, who, check_only=False)
        uploads.drop(waiting)
        return Outcome("loading.show", {"stored": kind})

    title = f"Load of {kind} from {waiting.files[0].name}"
    back = url_for("loading.checked", token=token)
    return do_or_follow(Job(work, owner=who, title=title, back=back, key=("load", token)))


@blueprint.post("/load/waiting/<token>/drop")
def drop(token: str) -> AnyResponse:
    """Load nothing, and delete the file."""
    waiting_uploads("layers").drop(waiting_uploads("layers").find(token, current_viewer().name))
    return redirect(url_for("loading.show"), 303)


def _load(waiting: WaitingUpload, store: Store, who: str, *, check_only: bool) -> Loaded:
    """Load or check a file, as `rifflebook load` does."""
    (path,), options = waiting.files, waiting.options
    kind = options["kind"]
    steps = count(1)

    def step(words: str) -> None:
        report(words, next(steps), LOADING_STEPS.get(kind, 1), "step")

    step("reading the file")
    columns = [line for line in options["columns"].splitlines() if line.strip()]
    if kind == "species":
        listed = rename_columns(read_list(path), columns)
        return load_list(store, kind, listed, who=who, file=path.name, check_only=check_only)
    raw = rename_columns(read_features(path, _layer(path, options["layer"], kind)), columns)
    if kind == "catchments":
        nest = bool(options.get("nest"))
        return load_catchments(store, raw, who=who, nest=nest, check_only=check_only, progress=step)
    return load_reaches(
        store,
        raw,
        who=who,
        reverse_flow=bool(options.get("reverse_flow")),
        split_parts=bool(options.get("split_parts")),
        check_only=check_only,
        progress=step,
    )


def _layers_of(path: Path) -> list[str]:
    """List the stored layers of a GeoPackage; a view in it would be computed, and is none."""
    if path.suffix.lower() != ".gpkg":
        return []
    found = stored_layers(path)
    if isinstance(found, Wording):
        raise RequestError(found.text())
    return found[0]


def _layer(path: Path, chosen: str, kind: str) -> str | None:
    names = _layers_of(path)
    if path.suffix.lower() != ".gpkg":
        return None
    if chosen and chosen not in names:
        raise RequestError(f"{path.name} has no layer {chosen!r}; it has {', '.join(names)}.")
    if not chosen and kind not in names and len(names) != 1:
        raise RequestError(f"{path.name} holds {', '.join(names) or 'no layer'}; choose one.")
    return chosen or (kind if kind in names else names[0])
