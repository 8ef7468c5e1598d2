"""Maps on the pages of a species, a catchment or a placement, and what they share with the map."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode, urlsplit

import orjson
import pandas as pd
from flask import url_for
from markupsafe import escape

from layers.drawing.maps import (
    MapView,
    frame_bounds,
    map_parts,
    method_detects,
    method_entries,
    species_entries,
)
from service import reference
from service.answers.map_views import network_bounds
from service.web.context import current_settings, current_store

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    import geopandas as gpd

    from layers.drawing.maps import MapParts

__all__ = ["backgrounds", "live_map", "map_of_one"]

_LIVE = ("lines", "placements", "cards", "position")


def live_map(
    *,
    bounds: Sequence[float] | None,
    used: Collection[str],
    species: Sequence[str] = (),
    filters: Sequence[tuple[str, str]] = (),
    keeps_view: bool = False,
    hidden: Collection[str] = (),
    marked: dict[str, Any] | None = None,
    standing: bytes | None = None,
) -> MapParts:
    """Draw a map of any number of records, which fetches what is in view.

    Parameters
    ----------
    bounds
        Box in degrees that it begins with; None shows the whole earth.
    used, hidden
        Methods that occur, for the legend; those that are switched off at first.
    species, filters
        The species that marks speak of; names and values that the records shown must meet.
    keeps_view, standing
        As of `layers.drawing.maps.MapView`.
    marked
        Water to mark, as `zoom` and `paths` (`layers.drawing.screen_lines`).
    """
    query = f"?{urlencode(list(filters))}" if filters else ""
    layers = {"marked": orjson.dumps(marked) if marked else None, "standing": standing}
    return map_parts(
        _view(
            layers={name: layer for name, layer in layers.items() if layer},
            used=used,
            species=species,
            bounds=bounds,
            query=query,
            live={name: url_for(f"map_views.{name}") + query for name in _LIVE},
            keeps_view=keeps_view,
            hidden=sorted(hidden),
        )
    )


def map_of_one(
    *, around: Sequence[gpd.GeoDataFrame], used: Collection[str], own: dict[str, bytes | str]
) -> MapParts:
    """Draw a map of a few records that the page contains itself.

    `around` must be in view, or the whole network where these are empty; `used` are the methods
    of the legend, `own` stretches and placements as GeoJSON text.
    """
    full = [frame for frame in around if len(frame)]
    lines: dict[str, bytes | str] = {
        "catchments": url_for("geojson.catchments"),
        "reaches": url_for("geojson.reaches"),
    }
    bounds = frame_bounds(*full) or network_bounds(current_store())
    return map_parts(_view(layers=lines | own, used=used, bounds=bounds))


def _view(
    *,
    layers: dict[str, bytes | str],
    used: Collection[str],
    species: Sequence[str] = (),
    query: str = "",
    **more: Any,  # noqa: ANN401 - fields of a MapView
) -> MapView:
    store = current_store()
    listed, methods = reference.species(store), reference.methods(store)
    return MapView(
        layers=layers,
        methods=method_entries(methods, pd.Series(sorted(used), dtype="str")),
        species=species_entries(listed, set(species)),
        detects=method_detects(listed, methods),
        chosen_species=" or ".join(species),
        picker=False,
        placement_link=f"/placements/{{id}}{query}",
        reach_address=url_for("water.opened") + query,
        backgrounds=backgrounds(),
        **more,
    )


def _tile_address(name: str, digest: str) -> str:
    """Address of the tiles of a background, with `{z}`, `{x}` and `{y}` in it.

    The digest makes it another one when the background is replaced, so that tiles may be kept.
    """
    root = url_for("map.show").rstrip("/")
    return f"{root}/background/{quote(name, safe='')}/{{z}}/{{x}}/{{y}}?v={digest[:12]}"


def backgrounds() -> list[dict[str, Any]]:
    """Backgrounds of the store in the order of loading, then the configured one, if any.

    `name`, `url`, `attribution` as HTML; of those of the store `zooms` and `bounds` too
    (`service.records.Background`).
    """
    listed: list[dict[str, Any]] = [
        {
            "name": one.name,
            "url": _tile_address(one.name, one.digest),
            "attribution": str(escape(one.attribution)),
            "zooms": one.zooms,
            "bounds": one.bounds,
        }
        for one in current_store().backgrounds()
    ]
    settings = current_settings()
    if settings.shows_tiles:
        listed.append(
            {
                "name": urlsplit(settings.tile_url.replace("{s}", "tiles")).netloc,
                "url": settings.tile_url,
                "attribution": settings.tile_attribution,
            }
        )
    return listed
