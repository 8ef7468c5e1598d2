"""The map: what was found where, and where people looked and did not find it."""

from __future__ import annotations

from flask import Blueprint, render_template, request

from layers.drawing.maps import frame_bounds
from service import reference
from service.answers import features, map_views
from service.answers.gear_in_water import gear_in_water
from service.answers.names import filter_choices
from service.web.context import current_store, current_viewer
from service.web.page_maps import live_map
from service.web.pages.in_the_water import standing_marks
from service.web.parameters import PageQuery, read_query

__all__ = ["blueprint"]

blueprint = Blueprint("map", __name__)


@blueprint.get("/")
def show() -> str:
    """Show the map of what the query selects."""
    query = read_query(request.args)
    store = current_store()
    summary = map_views.map_summary(store, query.selection, current_viewer())
    viewer = current_viewer()
    gear = gear_in_water(store, viewer) if viewer.may_edit else None
    parts = live_map(
        bounds=_bounds(query, summary["bounds"]),
        used=summary["methods"],
        species=query.selection.species,
        filters=[(name, value) for name, value in request.args.items(multi=True) if value.strip()],
        keeps_view=True,
        standing=standing_marks(gear),
    )
    return render_template(
        "map.html",
        parts=parts,
        query=query,
        choices=filter_choices(store, current_viewer()),
        empty=not summary["placements"],
        standing=0 if gear is None else len(gear),
        overdue=0 if gear is None else int(gear["overdue"].sum()),
        no_network=not len(reference.network(store).reaches),
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
