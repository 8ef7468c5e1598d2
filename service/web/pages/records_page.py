"""The records behind a figure, as a list that sorts and pages."""

from __future__ import annotations

from typing import Final
from urllib.parse import urlencode

from flask import Blueprint, render_template, request, url_for

from layers.fieldwork.looks import LOOKED, STATES
from service.answers.names import filter_choices
from service.answers.record_list import page_of, record_list
from service.answers.request_words import read_whole
from service.errors import RequestError
from service.web.context import current_store, current_viewer
from service.web.pages.catchments import kept_filters
from service.web.parameters import read_query

__all__ = ["blueprint"]

blueprint = Blueprint("records", __name__)

PAGE_SIZE: Final = 50
_SHOWN: Final = {
    "all": STATES,
    "looked": LOOKED,
    "found": ("found",),
}


@blueprint.get("/records")
def show() -> str:
    """List the placements that the query selects, and what each says."""
    query = read_query(request.args, also=("sort", "order", "page", "show"))
    sort, order = request.args.get("sort") or "date", request.args.get("order") or "down"
    shown = request.args.get("show") or ("looked" if query.selection.species else "all")
    if order not in ("up", "down"):
        raise RequestError(f"order {order!r} is neither up nor down.")
    if shown not in _SHOWN:
        raise RequestError(f"show {shown!r} is none of {', '.join(_SHOWN)}.")
    page = read_whole(request.args.get("page") or "1", "page", least=1)
    rows = record_list(current_store(), query.selection, current_viewer())
    counts = rows["state"].value_counts()
    kept = rows[rows["state"].isin(_SHOWN[shown])]
    part, pages_there = page_of(
        kept, sort=sort, descending=order == "down", page=page, size=PAGE_SIZE
    )
    filters = [*kept_filters(query), ("show", shown)]

    def address(**changed: object) -> str:
        """Address of this list with another order or page."""
        here = {"sort": sort, "order": order} | changed
        return f"{url_for('records.show')}?{urlencode([*filters, *here.items()])}"

    return render_template(
        "records.html",
        query=query,
        rows=part.to_dict("records"),
        total=len(kept),
        counts={state: int(counts.get(state, 0)) for state in _SHOWN["all"]},
        choices=filter_choices(current_store(), current_viewer()),
        shown=shown,
        sort=sort,
        order=order,
        page=page,
        pages_there=pages_there,
        first=(page - 1) * PAGE_SIZE + 1,
        address=address,
    )
