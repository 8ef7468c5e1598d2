"""The return for permits: what was caught under each, and what became of it; printable."""

from __future__ import annotations

from flask import Blueprint, render_template, request

from service.access import require_role
from service.answers import summaries
from service.answers.names import filter_choices
from service.web.context import current_store, current_viewer
from service.web.parameters import read_query

__all__ = ["blueprint"]

blueprint = Blueprint("returns", __name__)


@blueprint.get("/returns")
def show() -> str:
    """Show fish by permit, survey, species and fate, for members."""
    store, viewer = current_store(), current_viewer()
    require_role(viewer, "member")
    query = read_query(request.args)
    table = summaries.returns(store, query.selection, viewer)
    return render_template(
        "returns.html",
        query=query,
        choices=filter_choices(store, viewer),
        groups=[
            (permit, survey, rows.to_dict("records"))
            for (permit, survey), rows in table.groupby(["permit", "survey"], sort=False)
        ],
    )
