"""The map: what was found where, and where people looked and did not find it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flask import Blueprint, render_template

from layers.drawing.maps import frame_bounds
from service.answers import features, map_views
from service.answers.gear_in_water import gear_in_water
from service.web.context import current_store, current_viewer
from service.web.page_maps import live_map
from service.web.pages.in_the_water import standing_marks
from service.web.question import page_question, question_pairs

if TYPE_CHECKING:
    from service.web.parameters import PageQuery

__all__ = ["blueprint"]

blueprint = Blueprint("map", __name__)


@blueprint.get("/")
def show() -> str:
    """Show the map of what the query selects."""
    query = page_question()
    store, viewer = current_store(), current_viewer()
    summary = map_views.map_summary(store, query.selection, viewer)
    gear = gear_in_water(store, viewer) if viewer.may_edit else None
    # The legend lists what the rest of the question leaves in; gear it does not name is off.
    any_gear = replace(query.selection, methods=())
    used = map_views.map_summary(store, any_gear, viewer)["methods"]
    chosen = query.selection.methods
    parts = live_map(
        bounds=_bounds(query, summary["bounds"]),
        used=used,
        hidden=used.difference(chosen) if chosen else (),
        species=query.selection.species,
        filters=question_pairs(),
        keeps_view=True,
        standing=standing_marks(gear),
    )
    return render_template(
        "map.html",
        parts=parts,
        query=query,
        empty=not summary["placements"],
        standing=0 if gear is None else len(gear),
        overdue=0 if gear is None else int(gear["overdue"].sum()),
        no_network=store.layer_extent("reaches") is None,
    )


def _bounds(query: PageQuery, placed: list[float] | None) -> list[float] | None:
    """Box that the map begins with: what a filter left in, else the network and placements."""
    store = current_store()
    if query.filtered and placed:
        return placed
    network = map_views.network_bounds(store)
    if not (network and placed):
        return network or placed or frame_bounds(features.catchments(store))
    if network[0] > network[2]:
        return network  # it crosses 180 degrees
    return [
        min(network[0], placed[0]), min(network[1], placed[1]),
        max(network[2], placed[2]), max(network[3], placed[3]),
    ]  # fmt: skip
