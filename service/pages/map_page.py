"""The map: what was found where, and where people looked and did not find it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from flask import Blueprint, current_app, render_template, request, url_for

from layers.map_assets import SCRIPTS
from layers.maps import (
    MapView,
    frame_bounds,
    map_parts,
    method_detects,
    method_entries,
    species_entries,
)
from service import features, reference
from service.access import open_records, surveys
from service.map_files import selection_words
from service.pages.context import current_settings, current_store, current_viewer
from service.pages.parameters import Asked, read_query

if TYPE_CHECKING:
    from service.records import Records

__all__ = ["pages"]

pages = Blueprint("map", __name__)


@pages.get("/")
def show() -> str:
    """Show the map of what the address asks for."""
    asked = read_query(request.args)
    store = current_store()
    records = open_records(store, asked.selection, current_viewer())
    parts = map_parts(_view(asked, records))
    return render_template(
        "map.html",
        parts=parts,
        scripts=SCRIPTS,
        asked=asked,
        filter_words=selection_words(asked.selection).removeprefix("Only "),
        choices=_choices(),
        empty=records.placements.empty,
        no_network=not len(reference.network(store).reaches),
    )


def _view(asked: Asked, records: Records) -> MapView:
    store, settings = current_store(), current_settings()
    species, methods = reference.species(store), reference.methods(store)
    chosen = asked.selection.species
    around = [records.placements] if asked.filtered and len(records.placements) else []
    around = around or [features.reaches(store), records.placements]
    addresses = {
        name: _address(f"geojson.{name}")
        for name in ("catchments", "reaches", "stretches", "placements")
    }
    page = "placement.show" in current_app.view_functions
    return MapView(
        layers=dict(addresses),
        methods=method_entries(methods, records.placements["method"]),
        species=species_entries(species, set(chosen)),
        detects=method_detects(species, methods),
        bounds=frame_bounds(*around) or frame_bounds(features.catchments(store)),
        chosen_species=chosen[0] if len(chosen) == 1 else "",
        picker=False,
        placement_link="/placements/{id}" if page else None,
        tiles={"url": settings.tile_url, "attribution": settings.tile_attribution}
        if settings.shows_tiles
        else None,
    )


def _address(endpoint: str) -> str:
    """Address of a layer with the filters of this page."""
    given = [(name, value) for name, value in request.args.items(multi=True) if value.strip()]
    return url_for(endpoint) + (f"?{urlencode(given)}" if given else "")


def _choices() -> dict[str, list[tuple[str, str]]]:
    """List what the filter form offers: value and words of each choice."""
    store = current_store()
    species = reference.species(store).sort_index()
    methods, known = reference.methods(store), surveys(store, current_viewer())
    catchments = reference.catchments(store).sort_values("name")
    return {
        "species": _worded(species["vernacular_name"], "{value} ({words})"),
        "method": _worded(methods["label"], "{words}"),
        "survey": _worded(known["name"], "{value}, {words}"),
        "catchment": _worded(catchments["name"], "{words}"),
    }


def _worded(words: Any, pattern: str) -> list[tuple[str, str]]:  # noqa: ANN401 - a Series of text
    return [
        (
            str(value),
            pattern.format(value=value, words=word) if isinstance(word, str) else str(value),
        )
        for value, word in words.items()
    ]
