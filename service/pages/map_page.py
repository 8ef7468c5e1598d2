"""The map: what was found where, and where people looked and did not find it."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import numpy as np
import pandas as pd
from flask import Blueprint, current_app, render_template, request, url_for

from layers.map_assets import LIVE_SCRIPTS
from layers.maps import (
    MapView,
    frame_bounds,
    map_parts,
    method_detects,
    method_entries,
    species_entries,
)
from service import features, map_views, reference
from service.access import surveys
from service.coverage_answers import reach_lines
from service.map_files import selection_words
from service.pages.context import current_settings, current_store, current_viewer
from service.pages.parameters import Asked, read_query

__all__ = ["pages"]

pages = Blueprint("map", __name__)


@pages.get("/")
def show() -> str:
    """Show the map of what the address asks for."""
    asked = read_query(request.args)
    store = current_store()
    held = map_views.map_summary(store, asked.selection, current_viewer())
    parts = map_parts(_view(asked, held))
    return render_template(
        "map.html",
        parts=parts,
        scripts=LIVE_SCRIPTS,
        asked=asked,
        filter_words=selection_words(asked.selection).removeprefix("Only "),
        choices=_choices(),
        empty=not held["placements"],
        no_network=not len(reference.network(store).reaches),
    )


def _view(asked: Asked, held: dict[str, Any]) -> MapView:
    store, settings = current_store(), current_settings()
    species, methods = reference.species(store), reference.methods(store)
    chosen = asked.selection.species
    page = "placement.show" in current_app.view_functions
    return MapView(
        layers={},
        methods=method_entries(methods, pd.Series(sorted(held["methods"]), dtype="str")),
        species=species_entries(species, set(chosen)),
        detects=method_detects(species, methods),
        bounds=_bounds(asked, held["bounds"]),
        chosen_species=" or ".join(chosen),
        picker=False,
        placement_link="/placements/{id}" if page else None,
        tiles={"url": settings.tile_url, "attribution": settings.tile_attribution}
        if settings.shows_tiles
        else None,
        live={
            "lines": _address("map_views.lines"),
            "placements": _address("map_views.placements"),
            "cards": _address("map_views.cards"),
            "position": _address("map_views.position"),
        },
    )


def _bounds(asked: Asked, placed: list[float] | None) -> list[float] | None:
    """Box that the map begins with: what a filter left in, else the network and placements."""
    store = current_store()
    if asked.filtered and placed:
        return placed
    joined = reference.network(store)
    network = reach_lines(store, joined).bounds(np.arange(len(joined.length_m)))
    if not (network and placed):
        return network or placed or frame_bounds(features.catchments(store))
    if network[0] > network[2]:
        return network  # it crosses 180 degrees
    return [
        min(network[0], placed[0]), min(network[1], placed[1]),
        max(network[2], placed[2]), max(network[3], placed[3]),
    ]  # fmt: skip


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
