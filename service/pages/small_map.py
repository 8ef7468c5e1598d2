"""A small map on the page of a species, a catchment or a placement."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlencode

from flask import url_for

from layers.maps import (
    MapView,
    frame_bounds,
    map_parts,
    method_detects,
    method_entries,
    species_entries,
)
from service import features, reference
from service.pages.context import current_settings, current_store

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    import pandas as pd

    from layers.maps import MapParts

__all__ = ["small_map"]


def small_map(
    *,
    around: Sequence[gpd.GeoDataFrame],
    used: pd.Series,
    species: str = "",
    filters: Sequence[tuple[str, str]] = (),
    held: dict[str, bytes | str] | None = None,
) -> MapParts:
    """Draw a small map of records.

    Parameters
    ----------
    around
        What must be in view; the whole network where these are empty.
    used
        Methods that occur, for the legend.
    species
        The species that marks speak of.
    filters
        Names and values that the records shown must meet.
    held
        Layers as GeoJSON text, in place of those asked for by address.
    """
    store, settings = current_store(), current_settings()
    listed, methods = reference.species(store), reference.methods(store)
    query = f"?{urlencode(list(filters))}" if filters else ""
    layers: dict[str, bytes | str] = {
        "catchments": url_for("geojson.catchments"),
        "reaches": url_for("geojson.reaches"),
        "stretches": url_for("geojson.stretches") + query,
        "placements": url_for("geojson.placements") + query,
    }
    full = [frame for frame in around if len(frame)]
    return map_parts(
        MapView(
            layers=layers | (held or {}),
            methods=method_entries(methods, used),
            species=species_entries(listed, {species} if species else set()),
            detects=method_detects(listed, methods),
            bounds=frame_bounds(*full) or frame_bounds(features.reaches(store)),
            chosen_species=species,
            picker=False,
            placement_link="/placements/{id}",
            tiles={"url": settings.tile_url, "attribution": settings.tile_attribution}
            if settings.shows_tiles
            else None,
        )
    )
