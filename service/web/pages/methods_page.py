"""Methods: what each counts, how its effort and stretch are computed, and its cautions."""

from __future__ import annotations

from typing import Any, Final

from flask import Blueprint, render_template

from layers.drawing.method_signs import method_signs
from layers.fieldwork.effort import EFFORT_UNITS
from service import reference
from service.errors import NotFoundError
from service.web.context import current_store

__all__ = ["blueprint"]

blueprint = Blueprint("methods", __name__)

_GEAR: Final = {
    "net": "net worked by hand", "trap": "trap or standing net", "light": "light and eyes",
    "haul": "hauled net", "current": "electric current", "other": "other gear",
}  # fmt: skip
_HOURS: Final = {
    "day": "by day; other hours are flagged",
    "night": "by night; other hours are flagged",
    "overnight": "left overnight; gear that fished no night is flagged",
    "any": "at any hour",
}
_STRETCH: Final = {
    "along": "It samples a length of stream: between its two ends or along its track, joined by "
    "the way along the network; or, from a position and a stated length, that far upstream. "
    "Overlapping and repeated stretches count once. A position alone gives no length.",
    "none": "It samples no length of stream: it counts by effort alone.",
}
_AREA: Final = {
    "none": "No area is counted.",
    "stated": "The area is the one stated on the field sheet.",
    "polygon": "The area is the one stated, or else that of the polygon, on the ellipsoid.",
    "width_times_length": "The area is the one stated, or else wetted width times stretch length.",
}
_PLACE: Final = {
    "point": "a position", "ends": "a start and an end", "track": "a track", "area": "a polygon",
}  # fmt: skip


@blueprint.get("/methods")
def show() -> str:
    """List the methods."""
    methods = reference.methods(current_store())
    return render_template(
        "methods.html", methods=[_told(methods, str(name)) for name in methods.index]
    )


@blueprint.get("/methods/<path:name>")
def one(name: str) -> str:
    """Show one method."""
    methods = reference.methods(current_store())
    if name not in methods.index:
        raise NotFoundError(f"There is no method {name!r}.")
    return render_template("method.html", method=_told(methods, name))


def _told(methods: Any, name: str) -> dict[str, Any]:  # noqa: ANN401 - a frame
    row: dict[str, Any] = methods.loc[[name]].iloc[0].to_dict()
    units = [EFFORT_UNITS[unit] for unit in row["effort_units"]]
    return row | {
        "method": name,
        "sign": method_signs(methods["label"])[name],
        "gear_words": _GEAR[row["gear_kind"]],
        "hours_words": _HOURS[row["hours"]],
        "stretch_words": _STRETCH[row["stretch_rule"]],
        "area_words": _AREA[row["area_rule"]],
        "places": [_PLACE[place] for place in row["geometry"]],
        "units": units,
        "waters": [water for water in str(row["habitats"]).split(";") if water],
        "longest_h": row["max_soak_h"] if row["max_soak_h"] == row["max_soak_h"] else None,
    }
