"""One placement: all of it."""

from __future__ import annotations

from urllib.parse import quote

from flask import Blueprint, render_template

from layers.drawing.geojson import feature_collection
from layers.fieldwork.stretches import stretch_lengths
from service import reference
from service.answers import features
from service.answers.placement_account import placement_account
from service.records import Selection
from service.web.context import current_store, current_viewer
from service.web.page_maps import map_of_one
from service.web.question import page_question

__all__ = ["blueprint"]

blueprint = Blueprint("placement", __name__)

_NEAR_M = 150.0


# An id may hold slashes, also two in a row.
@blueprint.get("/placements/<path:placement_id>", merge_slashes=False)
def show(placement_id: str) -> str:
    """Show one placement; what is hidden answers exactly as what is missing."""
    page_question()  # carried on to other pages; it does not change what this one says
    store, viewer = current_store(), current_viewer()
    account = placement_account(store, placement_id, viewer)
    own = Selection(placements=(placement_id,))
    stretches = features.stretches(store, own, viewer)
    placements = features.placements(store, own, viewer)
    cell_m = 500.0 * float(account["row"].get("generalised_km") or 0)
    around = placements[[placements.geometry.name]].copy()
    around.geometry = around.buffer(max(_NEAR_M, 1.5 * cell_m))
    return render_template(
        "placement.html",
        account=account,
        row=account["row"],
        method=account["method"],
        stretch=stretch_lengths(account["records"].stretches).sum(),
        vernacular=reference.species(store)["vernacular_name"].dropna().to_dict(),
        sees_all=viewer.sees_exact_places,
        parts=map_of_one(
            around=[around, stretches],
            used=set(placements["method"]),
            own={
                "stretches": feature_collection(
                    stretches[["placement_id", "method", stretches.geometry.name]]
                ),
                "placements": feature_collection(placements),
            },
        ),
        figure_placement=quote(placement_id, safe=""),
    )
