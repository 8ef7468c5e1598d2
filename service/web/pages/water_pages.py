"""A reach, a stream, and all water above a point: what was done there, what lives there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from flask import Blueprint, render_template, request, url_for

from service import reference
from service.answers import water_account
from service.answers.map_views import methods_used
from service.answers.request_words import read_number
from service.web.answering import json_answer
from service.web.context import current_store, current_viewer
from service.web.page_maps import live_map
from service.web.parameters import read_place, single
from service.web.question import carried, page_question

if TYPE_CHECKING:
    from flask import Response

    from service.answers.water_account import Water
    from service.records import Selection

__all__ = ["blueprint"]

blueprint = Blueprint("water", __name__)


# An id may hold slashes, also two in a row.
@blueprint.get("/reaches/<path:reach_id>", merge_slashes=False)
def reach(reach_id: str) -> str:
    """Show one reach."""
    page_question()  # carried on to other pages; it does not change what this one says
    water, row = water_account.reach_water(current_store(), reach_id)
    joined = water.network
    return _page(
        water,
        heading=f"Reach {reach_id}",
        stream=_stream_of(water, row),
        reach_id=reach_id,
        planning=carried("coverage.show", stream=water.around.streams),
        upstream_m=float(joined.upstream_length_m[row]),
        above=_joining(water, joined.to_node == joined.from_node[row]),
        below=_joining(water, joined.from_node == joined.to_node[row]),
    )


@blueprint.get("/streams/<path:stream_id>", merge_slashes=False)
def stream(stream_id: str) -> str:
    """Show one stream: reaches of one name that join."""
    page_question()  # carried on to other pages; it does not change what this one says
    water, found = water_account.stream_water(current_store(), stream_id)
    joined, rows = water.network, water.parts.group
    own = np.zeros(len(joined.length_m), bool)
    own[rows] = True
    return _page(
        water,
        heading=str(found["stream"]),
        reach_id=stream_id,
        planning=carried("coverage.show", stream=stream_id),
        upstream_m=float(joined.upstream_length_m[rows].max()),
        above=_joining(water, np.isin(joined.to_node, joined.from_node[rows]) & ~own),
        below=_joining(water, np.isin(joined.from_node, joined.to_node[rows]) & ~own),
    )


@blueprint.get("/upstream/<path:reach_id>", merge_slashes=False)
def upstream(reach_id: str) -> str:
    """Show all water that flows through a point of a reach."""
    page_question("measure")
    text = single(request.args, "measure")
    measure = read_number(text, "measure", least=0.0, most=1e9, unit="m") if text else None
    water, row = water_account.upstream_water(current_store(), reach_id, measure)
    at = float(water.network.length_m[row]) if measure is None else measure
    return _page(
        water,
        heading=f"Everything upstream of reach {reach_id}, {at:.0f} m along",
        stream=_stream_of(water, row),
        reach_id=reach_id,
        upstream_m=float(water.parts.length_m.sum()),
        is_upstream=True,
        planning=carried("coverage.show", upstream_of=water.around.upstream_of),
    )


@blueprint.get("/map/reach.json")
def opened() -> Response:
    """Say what a map shows where somebody opens a reach."""
    query = page_question("reach", "longitude", "latitude")
    found = water_account.reach_at(
        current_store(),
        single(request.args, "reach"),
        *read_place(request.args),
        current_viewer(),
    )
    measure = f"{found['measure_m']:g}"
    links = {
        "page": carried("water.reach", reach_id=found["reach_id"]),
        "stream": carried("water.stream", stream_id=found["stream_id"]),
        "upstream": carried("water.upstream", reach_id=found["reach_id"], measure=measure),
        "above": carried("map.show", upstream_of=f"{found['reach_id']}:{measure}"),
        "placement": _begin(found["longitude"], found["latitude"], found["stream"]),
    }
    if query.selection.species and found["catchment"]:
        links["chances"] = carried("catchments.chances_present")
    return json_answer(found | {"links": links})


def _begin(longitude: float, latitude: float, name: str | None) -> str | None:
    """Address of the entry form with this place filled in, for who may enter records."""
    if not current_viewer().may_edit:
        return None
    return carried("entry.show", longitude=longitude, latitude=latitude, stream_name=name)


def _stream_of(water: Water, row: int) -> tuple[str, str]:
    found = water_account.stream_of(water.network, row)
    return found["stream_id"], found["stream"]


def _joining(water: Water, chosen: np.ndarray[Any, np.dtype[np.bool_]]) -> list[tuple[str, str]]:
    """Reaches that join, each with the words of its stream."""
    ids = water.network.reaches.index
    return [(str(ids[row]), _stream_of(water, row)[1]) for row in np.flatnonzero(chosen).tolist()]


def _drawings(where: Selection, measured: dict[str, int]) -> list[tuple[str, int, str]]:
    """Species, how many of it were measured there, and the address of their histogram."""
    there: dict[str, Any] = {
        "stream": where.streams,
        "upstream_of": where.upstream_of,
        "downstream_of": where.downstream_of,
    }
    chosen = {name: value for name, value in there.items() if value}
    return [
        (species, fish, url_for("figures.lengths", species=species, **chosen))
        for species, fish in measured.items()
    ]


def _page(water: Water, **more: Any) -> str:  # noqa: ANN401 - for the template
    store, viewer = current_store(), current_viewer()
    account = water_account.water_account(store, water, viewer)
    name = water.network.reaches["stream_name"].iloc[water.parts.group].dropna()
    names = name.unique()
    begin = None
    if account.middle:
        begin = _begin(*account.middle, names[0] if len(names) == 1 else None)
    return render_template(
        "water.html",
        account=account,
        begin=begin,
        catchments=reference.catchment_names(store),
        labels=reference.methods(store)["label"].to_dict(),
        vernacular=reference.species(store)["vernacular_name"].dropna().to_dict(),
        generalised=not viewer.sees_exact_places,
        lengths=_drawings(water.where, account.measured),
        parts=live_map(
            bounds=account.bounds,
            used=methods_used(store, viewer),
            marked=account.outline,
        ),
        **more,
    )
