"""By catchment and gear: what each gear sampled where."""

from __future__ import annotations

from flask import Blueprint, render_template

from service import reference
from service.answers.gear_table import gear_table
from service.web.context import current_store, current_viewer
from service.web.question import page_question

__all__ = ["blueprint"]

blueprint = Blueprint("gear", __name__)


@blueprint.get("/coverage/by-catchment")
def show() -> str:
    """Show what each gear sampled in each catchment."""
    query = page_question()
    store, viewer = current_store(), current_viewer()
    return render_template(
        "gear.html",
        query=query,
        table=gear_table(store, query.selection, viewer),
        labels=reference.methods(store)["label"].to_dict(),
        generalised=not viewer.sees_exact_places,
    )
