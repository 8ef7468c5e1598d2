"""One Leaflet map of reaches, catchments, placements and what they caught.

folium sets the map up; the layers are drawn by the modules in `scripts/` from GeoJSON, so
that a page of thousands of placements stays small, and the page that is written to disk and
the page that is served are one and the same map.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import orjson
from jinja2 import Environment, FileSystemLoader, Template

from layers.drawing.geojson import bounding_box, feature_collection, to_wgs84
from layers.drawing.joined_modules import join_modules
from layers.drawing.map_assets import STYLES, asset_text, inline_style
from layers.drawing.method_signs import method_signs
from layers.errors import LayersError
from layers.fieldwork.looking import detectable
from layers.fieldwork.public_frames import shown_squares

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    import pandas as pd

__all__ = ["MapParts", "MapView", "frame_bounds", "map_page", "map_parts", "view_of_frames"]

_MARK_ROOM_PX: Final = (16, 16)  # so that marks at the edge of the bounds are seen whole
_CLOSEST_ZOOM: Final = 17  # bounds of one place alone would otherwise ask for an infinite one


@dataclass(frozen=True)
class MapView:
    """What a map shows, and from where.

    Attributes
    ----------
    layers
        Any of `catchments`, `reaches`, `stretches`, `squares` (cells shown in place of exact
        positions), `placements`: GeoJSON text, or the address from which it is fetched with a
        `bbox` of degrees added. `marked`: water that the page is about, as JSON of `zoom` and
        `paths` (`layers.drawing.screen_lines`). `standing`: gear in the water, as JSON rows of
        `placement_id`, `label`, `at` (degrees), `set_at` and `due_at`.
    methods, species
        `method`, `label`, `gear_kind`, `sign` for marks and legend; `species`,
        `vernacular_name` for the picker, which shows where `picker` says so.
    detects
        Methods that can detect each species; without an entry every method can.
    bounds
        West, south, east, north in degrees; None shows the whole earth.
    chosen_species
        The species that marks speak of; empty = any.
    placement_link, reach_address
        Address of a placement's page with `{id}` in it; that which says what is known of a
        `reach` at a `longitude` and `latitude`.
    backgrounds
        `name`, `url` and `attribution` (HTML) of tiles to be drawn beneath, one at a time; `zooms`
        and `bounds` where these are known (`scripts/backgrounds.js`).
    live
        In place of `layers`: addresses of `lines`, `placements`, `cards` and `position`, from
        which what is in view is fetched (`service/answers/map_views.py`).
    keeps_view, hidden
        Whether the address of the page follows the view and the gear that is switched on;
        methods that are switched off at first.
    """

    layers: dict[str, bytes | str]
    methods: Sequence[dict[str, Any]]
    species: Sequence[dict[str, Any]]
    detects: dict[str, list[str]]
    bounds: Sequence[float] | None
    chosen_species: str = ""
    picker: bool = True
    placement_link: str | None = None
    reach_address: str | None = None
    backgrounds: Sequence[dict[str, Any]] = ()
    live: dict[str, str] | None = None
    keeps_view: bool = False
    hidden: Sequence[str] = ()

    def config(self) -> bytes:
        """Everything as JSON that can stand inside a `script` element."""
        document = {each.name: getattr(self, each.name) for each in fields(self)}
        del document["bounds"]
        document["layers"] = {
            name: {"url": layer} if isinstance(layer, str) else {"data": orjson.Fragment(layer)}
            for name, layer in self.layers.items()
        }
        text = orjson.dumps(document | {"single": self.chosen_species in self.detects})
        # Neither "</script>" nor "<!--" nor a line separator may end or change the element.
        return (
            text.replace(b"&", b"\\u0026")
            .replace(b"<", b"\\u003c")
            .replace(b">", b"\\u003e")
            .replace("\u2028".encode(), b"\\u2028")
            .replace("\u2029".encode(), b"\\u2029")
        )


@dataclass(frozen=True)
class MapParts:
    """A map in pieces, for a page to put where it wants.

    `body` is HTML: the map's own element, the room beside it for its legend, and its data as JSON.
    `script` is the rest of a module that imports `showRecords` of `view.js`, and runs after
    `leaflet.js`.
    """

    body: str
    script: str


# Our layers on a folium map.
_RECORDS: Final = Template(
    """
    {% macro script(this, kwargs) %}
    showRecords(
        {{ this._parent.get_name() }},
        JSON.parse(document.getElementById("{{ this._parent.get_name() }}_view").textContent)
    );
    {% endmacro %}
    """
)


def map_parts(view: MapView) -> MapParts:
    """Make the map of a view.

    folium's own header, which would fetch scripts and styles from elsewhere, is left out:
    what a page needs instead is named in `layers.drawing.map_assets`.
    """
    import folium  # heavy, with branca: loaded when a map is drawn
    from branca.element import Figure, MacroElement

    drawing = folium.Map(tiles=None, zoom_control="bottomright", zoom_snap=0.5)
    drawing._id = "records"  # branca would draw a random one; a file must repeat exactly
    if view.bounds is None:
        drawing.location, drawing.options["zoom"] = [0.0, 0.0], 2
    else:
        west, south, east, north = view.bounds
        corners = [[south, west], [north, east if east >= west else east + 360]]
        folium.FitBounds(corners, padding=_MARK_ROOM_PX, max_zoom=_CLOSEST_ZOOM).add_to(drawing)
    records: Any = MacroElement()  # type: ignore[no-untyped-call]
    records._name, records._template = "Records", _RECORDS
    records.add_to(drawing)
    figure = Figure()
    figure.add_child(drawing)
    drawing.render()  # type: ignore[no-untyped-call]
    # Beside what branca renders, which takes text for a template: a note with braces would run.
    config = view.config().decode()
    body = (
        f'<div class="rb-map"><div class="rb-map-room">{figure.html.render()}'
        f'<script type="application/json" id="{drawing.get_name()}_view">{config}</script></div>'
        '<aside class="rb-aside" aria-label="Legend"></aside></div>'
    )
    return MapParts(body=body, script=figure.script.render())


def map_page(view: MapView, *, title: str, note: str = "") -> str:
    """Write one HTML page that works from disk without a network.

    The layers of the view are data, not addresses; `title` and `note` are plain text above the map.
    The page names no outside address, and its Content-Security-Policy lets run only the scripts
    written into it, known by their SHA-256.
    """
    parts = map_parts(view)
    start = 'import { showRecords } from "./view.js";\n' + parts.script
    scripts = [asset_text("leaflet.js"), join_modules(start, asset_text)]
    if any(re.search(r"</script|<!--", text, re.IGNORECASE) for text in scripts):
        raise LayersError("A script of the map would end its element early.")
    allowed = " ".join(f"'sha256-{_sha256(text)}'" for text in scripts)
    policy = (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {allowed}; "
        "base-uri 'none'; form-action 'none'"
    )
    templates = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, keep_trailing_newline=True
    )
    return templates.get_template("saved_map.html").render(
        policy=policy,
        title=title,
        note=note,
        styles=[inline_style(name) for name in (*STYLES, "saved_map.css")],
        scripts=scripts,
        body=parts.body,
    )


def _sha256(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def frame_bounds(*frames: gpd.GeoDataFrame) -> list[float] | None:
    """Box around all frames, whatever their CRS: west, south, east, north in degrees."""
    shapes = [
        to_wgs84(np.asarray(frame.geometry, dtype=object), frame.crs)
        for frame in frames
        if len(frame) and frame.crs is not None
    ]
    return bounding_box(np.concatenate(shapes)) if shapes else None


def view_of_frames(
    *,
    placements: gpd.GeoDataFrame,
    reaches: gpd.GeoDataFrame,
    catchments: gpd.GeoDataFrame,
    stretches: gpd.GeoDataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    chosen_species: str = "",
) -> MapView:
    """Put a few thousand placements and all around them into one view, bounded by both.

    `placements` is what :func:`layers.drawing.record_features.placement_features` gives; the other
    layers have each their CRS and may be empty. `chosen_species` is what marks speak of at first.
    """
    drawn = {
        "catchments": (catchments, ("name", "parent_id")),
        "reaches": (reaches, ("stream_name", "strahler", "kind")),
        "stretches": (stretches, ("placement_id", "method", "reach_id")),
    }
    if "generalised_km" in placements:
        hidden = placements[placements["generalised_km"] > 0]
        squares = shown_squares(
            hidden.geometry.get_coordinates(), hidden["generalised_km"], placements.crs
        )
        drawn["squares"] = (squares, ("generalised_km",))
    layers: dict[str, bytes | str] = {
        name: feature_collection(frame[[*frame.columns.intersection(columns), frame.geometry.name]])
        for name, (frame, columns) in drawn.items()
        if len(frame)
    }
    layers["placements"] = feature_collection(placements)
    shown = set(placements["species"].dropna().str.split(";").explode()) | {chosen_species}
    return MapView(
        layers=layers,
        methods=method_entries(methods, placements["method"]),
        species=species_entries(species, shown),
        detects=method_detects(species, methods),
        bounds=frame_bounds(placements, reaches) or frame_bounds(catchments),
        chosen_species=chosen_species,
    )


def method_entries(methods: pd.DataFrame, used: pd.Series) -> list[dict[str, Any]]:
    """Legend entries of the methods that placements used, in the order of the list."""
    # A sign is chosen among all methods of the store, so that it is the same on each of its maps.
    signed = methods[["label", "gear_kind"]].assign(sign=method_signs(methods["label"]))
    return _rows(signed[signed.index.isin(used.unique())].rename_axis("method"))


def species_entries(species: pd.DataFrame, names: set[str]) -> list[dict[str, Any]]:
    """Picker entries of the species named, by scientific name."""
    kept = species.loc[species.index.isin(names), ["vernacular_name"]].sort_index()
    return _rows(kept.rename_axis("species"))


def _rows(entries: pd.DataFrame) -> list[dict[Any, Any]]:
    cells = entries.reset_index().rename(columns=str).astype(object)  # plain words, for JSON
    return cells.where(cells.notna(), None).to_dict("records")


def method_detects(species: pd.DataFrame, methods: pd.DataFrame) -> dict[str, list[str]]:
    """Methods that can detect each species, as lists."""
    can = detectable(species, methods)
    return {
        str(name): can.columns[row].tolist()
        for name, row in zip(can.index, can.to_numpy(), strict=True)
    }
