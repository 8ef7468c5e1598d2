"""Methods: what each counts, how its effort and stretch are computed, and its cautions."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

from flask import Blueprint, render_template

from layers.drawing.method_signs import method_signs
from layers.fieldwork.effort import EFFORT_UNITS
from service import reference
from service.errors import NotFoundError
from service.web.context import current_store

__all__ = ["blueprint"]

blueprint = Blueprint("methods", __name__)

_WORDS: Final = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


@blueprint.get("/methods")
def show() -> str:
    """List the methods."""
    methods = reference.methods(current_store())
    return render_template(
        "methods.html", methods=[_described(methods, str(name)) for name in methods.index]
    )


@blueprint.get("/methods/<path:name>")
def one(name: str) -> str:
    """Show one method."""
    methods = reference.methods(current_store())
    if name not in methods.index:
        raise NotFoundError(f"There is no method {name!r}.")
    return render_template("method.html", method=_described(methods, name))


def _described(methods: Any, name: str) -> dict[str, Any]:  # noqa: ANN401 - a frame
    row: dict[str, Any] = methods.loc[[name]].iloc[0].to_dict()
    units = [EFFORT_UNITS[unit] for unit in row["effort_units"]]
    return row | {
        "method": name,
        "sign": method_signs(methods["label"])[name],
        "gear_words": _WORDS["gear_kind"][row["gear_kind"]],
        "hours_words": _WORDS["hours"][row["hours"]],
        "stretch_words": _WORDS["stretch_rule"][row["stretch_rule"]],
        "area_words": _WORDS["area_rule"][row["area_rule"]],
        "places": [_WORDS["geometry"][place] for place in row["geometry"]],
        "units": units,
        "waters": [water for water in str(row["habitats"]).split(";") if water],
        "longest_h": row["max_soak_h"] if row["max_soak_h"] == row["max_soak_h"] else None,
    }
