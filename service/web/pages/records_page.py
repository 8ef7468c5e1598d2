"""The records behind a figure, as a list that sorts and pages, with their map and files."""

from __future__ import annotations

from typing import Final

from flask import Blueprint, render_template, request

from service.answers.map_views import map_summary, network_bounds
from service.answers.names import filter_choices
from service.answers.record_list import SORTS, record_page
from service.errors import RequestError
from service.web.context import current_store, current_viewer
from service.web.page_maps import live_map
from service.web.pages.record_files import read_shown
from service.web.parameters import read_choice, read_order
from service.web.question import page_question, question_pairs

__all__ = ["blueprint"]

blueprint = Blueprint("records", __name__)

PAGE_SIZE: Final = 50
_OWN: Final = ("show", "sort", "order", "columns")
# Columns that may be chosen, with their heading and order in `SORTS`; the placement always shows.
_COLUMNS: Final = {
    "date": ("Set", "date"),
    "method": ("Gear", "method"),
    "state": ("Found", "state"),
    "fish": ("Fish", "fish"),
    "catchment": ("Catchment", "catchment"),
    "survey": ("Survey", None),
    "site": ("Site", None),
    "reach": ("Reach", None),
}


@blueprint.get("/records")
def show() -> str:
    """List the placements that the query selects, and what each says."""
    query = page_question(*_OWN, "page")
    sort = read_choice(request.args, "sort", SORTS, "date")
    order = read_choice(request.args, "order", ("up", "down"), "down")
    shown = read_shown(query)
    columns = [name for name in request.args.getlist("columns") if name] or list(_COLUMNS)
    if strange := [name for name in columns if name not in _COLUMNS]:
        raise RequestError(f"columns {strange[0]!r} is none of {', '.join(_COLUMNS)}.")
    page = read_order(request.args, "page")
    store, viewer = current_store(), current_viewer()
    listed = record_page(
        store, query.selection, viewer,
        shown=shown, sort=sort, descending=order == "down", page=page, size=PAGE_SIZE,
    )  # fmt: skip
    summary = map_summary(store, query.selection, viewer)
    return render_template(
        "records.html",
        query=query,
        rows=listed.rows.to_dict("records"),
        total=listed.total,
        counts=listed.counts,
        choices=filter_choices(store, viewer),
        all_columns=_COLUMNS,
        columns=[name for name in _COLUMNS if name in columns],
        own=_OWN,
        shown=shown,
        sort=sort,
        order=order,
        page=page,
        pages_there=listed.pages,
        first=(page - 1) * PAGE_SIZE + 1,
        parts=live_map(
            bounds=summary["bounds"] or network_bounds(store),
            used=summary["methods"],
            species=query.selection.species,
            filters=question_pairs(),
        )
        if len(listed.rows)
        else None,
    )
