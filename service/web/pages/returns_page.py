"""The return for permits: what was caught under each, and what became of it; printable."""

from __future__ import annotations

from flask import Blueprint, render_template

from service.access import require_role
from service.answers import summaries
from service.web.context import current_store, current_viewer
from service.web.question import page_question

__all__ = ["blueprint"]

blueprint = Blueprint("returns", __name__)


@blueprint.get("/returns")
def show() -> str:
    """Show fish by permit, survey, species and fate, for members."""
    store, viewer = current_store(), current_viewer()
    require_role(viewer, "member")
    query = page_question()
    table = summaries.returns(store, query.selection, viewer)
    return render_template(
        "returns.html",
        query=query,
        groups=[
            (permit, survey, rows.to_dict("records"))
            for (permit, survey), rows in table.groupby(["permit", "survey"], sort=False)
        ],
    )
