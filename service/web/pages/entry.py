"""Entering one placement with its catch, on a phone at the stream; changing one that is stored."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, current_app, jsonify, render_template, request
from flask_wtf.csrf import generate_csrf

from layers.drawing.joined_modules import imported_modules, join_modules
from layers.drawing.map_assets import asset_text
from layers.frames import LENGTH_TYPES, PASS_MINUTES
from service import access, reference
from service.access import require_role
from service.answers.common_catch import common_catch
from service.answers.kept_area import kept_area
from service.answers.map_views import network_bounds
from service.answers.nearest_reach import nearest_reach
from service.answers.request_words import read_number
from service.errors import RequestError
from service.intake.columns import COUNT_KINDS, OUTCOMES, SHEETS, STRETCH_ANCHORS
from service.intake.form_rules import form_rules
from service.intake.placement_form import (
    check_form,
    fields_of_method,
    form_of_placement,
    read_form,
    save_form,
)
from service.web.answering import revalidated, unkept
from service.web.context import current_store, current_viewer, require_editor
from service.web.page_maps import backgrounds
from service.web.parameters import read_place, read_query

if TYPE_CHECKING:
    from flask import Response

    from service.intake.importing import CheckResult
    from service.intake.placement_form import Form

__all__ = ["blueprint"]

blueprint = Blueprint("entry", __name__)

_OUTCOME_WORDS: Final = {
    "caught": "Fish caught",
    "nil": "Nothing caught",
    "lost": "Gear lost",
    "disturbed": "Gear disturbed",
    "unrecorded": "Catch not recorded",
}
_DOING: Final = "Entering and changing records"
_FATES: Final = ("released", "kept", "dead")
_STAGES: Final = ("egg", "larva", "fry", "juvenile", "adult")
# What the page of the form names.
_FORM: Final = (
    "layout.css", "account.css", "entry.css", "riffle.svg", "as_read.js", "entry.js",
    "leaflet.js", "leaflet.css", "colours.css",
)  # fmt: skip


@blueprint.get("/placements/new")
def show() -> str:
    """Show an empty form, which a browser keeps for where there is no connection."""
    require_editor(_DOING)
    return _page(None)


@blueprint.get("/placements/<path:placement_id>/edit", merge_slashes=False)
def edit(placement_id: str) -> str:
    """Show the form filled with a stored placement."""
    require_editor(_DOING)
    return _page(form_of_placement(current_store(), placement_id, current_viewer()))


def _page(form: Form | None) -> str:
    store = current_store()
    columns = {column.name: column for column in SHEETS["placements"]}
    return render_template(
        "entry.html",
        form=form,
        columns=columns,
        methods=reference.methods(store),
        pass_minutes=PASS_MINUTES,
        outcomes=[(name, _OUTCOME_WORDS[name]) for name in OUTCOMES],
        surveys=access.surveys(store, current_viewer())["name"],
        sites=access.sites(store, current_viewer())["name"],
        lists=_lists(form),
    )


def _lists(form: Form | None) -> dict[str, Any]:
    """Gather what the scripts of the page work with."""
    store, viewer = current_store(), current_viewer()
    methods: dict[str, dict[str, Any]] = {
        str(name): {str(key): value for key, value in row.items()}
        for name, row in reference.methods(store).to_dict("index").items()
    }
    surveys = access.surveys(store, viewer)
    species = reference.species(store).sort_index()
    caught, common = common_catch(store, viewer)
    return {
        "account": viewer.name,
        "timezone": store.settings.timezone,
        "zones": surveys["timezone"].dropna().to_dict(),
        "bounds": network_bounds(store),
        "reaches": len(reference.network(store).reaches),
        "tolerance_m": store.settings.snap_tolerance_m,
        "backgrounds": backgrounds(),
        "methods": {
            name: {
                "label": row["label"],
                "fields": fields_of_method(row),
                "geometry": list(row["geometry"]),
                "passive": bool(row["passive"]),
                "current": row["gear_kind"] == "current",
                "hours": row["hours"],
                "along": row["stretch_rule"] == "along",
                "cautions": list(row["cautions"]),
                "max_soak_h": None if row["max_soak_h"] != row["max_soak_h"] else row["max_soak_h"],
            }
            for name, row in methods.items()
        },
        "species": [
            [str(name), vernacular, int(caught.get(name, 0))]
            for name, vernacular in species["vernacular_name"].fillna("").items()
        ],
        "common": common,
        "rules": form_rules(),
        "count_kinds": list(COUNT_KINDS),
        "length_types": list(LENGTH_TYPES),
        "stages": list(_STAGES),
        "fates": list(_FATES),
        "anchors": list(STRETCH_ANCHORS),
        "form": None if form is None else _written(form),
    }


def _written(form: Form) -> dict[str, Any]:
    written = ("placement", "catches", "lengths", "nothing_caught", "base")
    return {name: getattr(form, name) for name in written}


@blueprint.get("/entry/token")
def token() -> Response:
    """Say who is logged in, and lend the word that a form is sent with."""
    viewer = current_viewer()
    return unkept(jsonify(token=generate_csrf(), account=viewer.name, may_edit=viewer.may_edit))


@blueprint.get("/entry/nearest")
def nearest() -> Response:
    """Name the reach and the catchment of a position."""
    require_editor(_DOING)
    found = nearest_reach(
        current_store(),
        *read_place(request.args),
        uncertainty_m=read_number(text, "uncertainty", least=0, most=1e6, unit="metres")
        if (text := request.args.get("uncertainty"))
        else None,
        stream_name=request.args.get("stream", "")[:200],
    )
    return unkept(jsonify(found))


@blueprint.get("/entry/area.json")
def area() -> Response:
    """Give what a device keeps of an area for where there is no connection."""
    require_editor(_DOING)
    within = read_query(request.args, also=("bbox",)).within
    if within is None:
        raise RequestError("Name the area by bbox: west, south, east, north in degrees.")
    background = request.args.get("background", "")
    return unkept(
        jsonify(kept_area(current_store(), within, current_viewer(), background=background))
    )


@blueprint.post("/entry/check")
def check() -> Response:
    """Say what an import of this form would refuse and flag; nothing is written."""
    require_editor(_DOING)
    form = read_form(request.get_json())
    return jsonify(_found(check_form(form, current_store())))


@blueprint.post("/entry/save")
def save() -> tuple[Response, int]:
    """Store a form, once however often it is sent."""
    require_role(current_viewer(), "editor")
    form = read_form(request.get_json())
    store, viewer = current_store(), current_viewer()
    saved = save_form(form, store, who=viewer.name)
    if saved.outcome == "refused":
        return jsonify(_found(saved.result)), 422
    found = _found(saved.result) | {
        "outcome": saved.outcome,
        "digest": saved.digest,
        "placement_id": form.placement_id,
        "kept": list(saved.kept),
    }
    if saved.outcome == "taken":
        return jsonify(found | {"next_number": saved.next_number}), 409
    if saved.form is not None:
        found["differences"] = [list(one) for one in saved.differences]
        found["form"] = _written(saved.form)
        found["stored"] = _written(saved.form.seen or saved.form)
        return jsonify(found), 409
    return jsonify(found), 201 if saved.outcome == "stored" else 200


def _found(result: CheckResult) -> dict[str, Any]:
    """List the findings of a check, each with the part of the form that it is about."""
    flags = result.flagged[["sheet", "row", "column", "value", "shown", "code"]]
    return {
        "refused": [
            _finding(one.sheet, one.row, one.column, one.value, one.remedy, one.code)
            for one in result.refused
        ],
        "flagged": [_finding(*one) for one in flags.itertuples(index=False, name=None)],
        "unchanged": bool(result.unchanged),
    }


def _finding(
    sheet: str, row: int, column: str, value: str, message: str, code: str
) -> dict[str, Any]:
    of_fish = sheet in ("catches", "lengths") and column != "placement_id"
    return {
        "part": sheet if of_fish else "placement",
        "row": row - 1 if of_fish else 0,
        "column": column,
        "value": value,
        "message": message,
        "code": code,
    }


@blueprint.get("/entry-worker.js")
def worker() -> Response:
    """Script that keeps the form at hand and sends drafts; at the root, so that it may see it."""
    text = _module_text("entry_worker.js").replace("PARTS = []", f"PARTS = {json.dumps(_parts())}")
    return revalidated(join_modules(text, _module_text), "text/javascript")


def _parts() -> list[str]:
    """Addresses of all that the form is made of, which the worker keeps."""
    names = [*_FORM]
    for name in names:  # those that modules import follow
        names += [one for one in imported_modules(_module_text(name)) if one not in names]
    return [f"/{'static' if _own(name).is_file() else 'assets'}/{name}" for name in names]


def _own(name: str) -> Path:
    return Path(str(current_app.static_folder), name)


def _module_text(name: str) -> str:
    """Text of a module of this program, whether it belongs to pages or to maps."""
    own = _own(name)
    return own.read_text(encoding="utf-8") if own.is_file() else asset_text(name)
