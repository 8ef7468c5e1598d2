"""By catchment and gear: what each gear sampled where."""

from __future__ import annotations

from flask import Blueprint, render_template, request

from service import reference
from service.answers.gear_table import gear_table
from service.web.context import current_store, current_viewer
from service.web.parameters import read_query

__all__ = ["pages"]

pages = Blueprint("gear", __name__)


@pages.get("/coverage/by-catchment")
def show() -> str:
    """Show what each gear sampled in each catchment."""
    asked = read_query(request.args)
    store, viewer = current_store(), current_viewer()
    return render_template(
        "gear.html",
        asked=asked,
        table=gear_table(store, asked.selection, viewer),
        labels=reference.methods(store)["label"].to_dict(),
        generalised=not viewer.sees_exact_places,
    )
