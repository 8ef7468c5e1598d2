"""Gear in the water: what was set and not lifted yet, overdue first; for those who may lift it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import orjson
from flask import Blueprint, Response, jsonify, redirect, render_template, request, url_for

from service.answers.gear_in_water import gear_in_water
from service.answers.map_views import network_bounds
from service.errors import NotFoundError
from service.web.answering import unkept
from service.web.context import current_store, current_viewer, require_editor
from service.web.page_maps import live_map

if TYPE_CHECKING:
    import pandas as pd
    from werkzeug.wrappers import Response as AnyResponse

__all__ = ["blueprint", "standing_marks"]

blueprint = Blueprint("in_the_water", __name__)

_DOING = "Seeing gear in the water"


@blueprint.get("/in-the-water")
def show() -> str:
    """Show gear in the water, as a list and on a map."""
    require_editor(_DOING)
    store = current_store()
    gear = gear_in_water(store, current_viewer())
    near = gear[["longitude", "latitude"]].agg(["min", "max"]).to_numpy().ravel().tolist()
    parts = live_map(
        bounds=near if len(gear) else network_bounds(store),
        used=gear["method"].unique().tolist(),
        standing=standing_marks(gear),
    )
    return render_template("in_the_water.html", gear=gear, parts=parts)


def standing_marks(gear: pd.DataFrame | None) -> bytes | None:
    """Write gear in the water for a map: number, gear, place, since when, whether overdue."""
    if gear is None or not len(gear):
        return None
    return orjson.dumps(_rows(gear))


def _rows(gear: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {
            "placement_id": str(name),
            "label": row["label"],
            "set_at": row["set_at"].isoformat(),
            "due_at": None if row["due_at"] != row["due_at"] else row["due_at"].isoformat(),
            "at": [row["longitude"], row["latitude"]],
            "who": row["who"],
        }
        for name, row in gear.iterrows()
    ]


@blueprint.get("/entry/in-the-water")
def listed() -> Response:
    """List the same with the form of each, for the entry page."""
    require_editor(_DOING)
    gear = gear_in_water(current_store(), current_viewer())
    forms = zip(_rows(gear), gear["cells"], gear["digest"], strict=True)
    return unkept(jsonify([row | {"placement": cell, "base": base} for row, cell, base in forms]))


@blueprint.post("/in-the-water/remove")
def remove() -> AnyResponse:
    """Take gear out of the list that was entered by mistake; the history keeps it."""
    require_editor(_DOING)
    name = request.form.get("placement_id", "")
    if name not in current_store().in_the_water().index:
        raise NotFoundError(f"There is no gear {name!r} in the water.")
    current_store().remove_from_the_water(name, who=current_viewer().name)
    return redirect(url_for("in_the_water.show"), 303)
