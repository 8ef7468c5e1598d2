"""One catchment: what was found, how hard one looked, and where nobody did."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, render_template

from layers.drawing.maps import frame_bounds
from layers.fieldwork.effort import unit_words
from service import reference
from service.answers import features, summaries
from service.answers.map_views import map_summary
from service.answers.names import catchments_around
from service.answers.occurrence_table import looking_words
from service.errors import NotFoundError
from service.web.context import current_store, current_viewer
from service.web.page_maps import live_map
from service.web.question import carried, page_question, question_pairs

if TYPE_CHECKING:
    from collections.abc import Hashable

    import pandas as pd

    from service.records import Selection

__all__ = ["blueprint"]

blueprint = Blueprint("catchment", __name__)

_MOST_GAPS = 20


@blueprint.get("/catchments/<path:catchment>")
def show(catchment: str) -> str:
    """Show all that is on record about one catchment and those nested in it."""
    store, viewer = current_store(), current_viewer()
    catchments = reference.catchments(store)
    if catchment not in catchments.index:
        raise NotFoundError(f"There is no catchment {catchment!r}.")
    names = reference.catchment_names(store)
    query = page_question(catchment=catchment)
    own = query.selection
    labels = reference.methods(store)["label"].to_dict()
    occurrence = summaries.occurrence(store, own, viewer)
    occurrence = occurrence[occurrence["catchment"] == catchment]
    richness = summaries.richness(store, own, viewer)
    rates = summaries.effort(store, own, viewer)
    rates = rates[(rates["catchment"] == catchment) & (rates["individuals"] > 0)]
    return render_template(
        "catchment.html",
        catchment=catchment,
        query=query,
        name=names[catchment],
        holders=catchments_around(store, catchment)[:-1],
        nested=[
            (str(inner), names[str(inner)])
            for inner in catchments.index[catchments["parent_id"] == catchment]
        ],
        labels=labels,
        occurrence=occurrence.assign(looking=looking_words(occurrence, labels)).to_dict("records"),
        vernacular=reference.species(store)["vernacular_name"].dropna().to_dict(),
        # There is no row where no water of this catchment is chosen.
        richness=[
            row | {"curve": carried("figures.accumulation", group=row["group"] or None)}
            for row in richness[richness["catchment"] == catchment].to_dict("records")
        ],
        effort=_effort(own, catchment),
        rates=rates.sort_values(["species", "method"]).to_dict("records"),
        length=_lengths(own, catchment),
        gaps=_gaps(own),
        effort_figure=carried("figures.effort"),
        parts=live_map(
            bounds=frame_bounds(features.catchments(store).loc[[catchment]]),
            used=map_summary(store, own, viewer)["methods"],
            filters=question_pairs(),
        ),
    )


def _effort(own: Selection, catchment: str) -> list[dict[Hashable, Any]]:
    """Effort in this catchment by method and unit, over all years.

    Units that nobody recorded of a method are left out; `unknown` says, with the first row of
    each method, of how many placements no unit is known.
    """
    totals = summaries.effort_by_year(current_store(), own, current_viewer())
    totals = totals[totals["catchment"] == catchment]
    summed = totals.groupby(["method", "effort_unit"], sort=False, as_index=False).agg(
        placements=("placements", "sum"),
        lacking=("placements_without_effort", "sum"),
        unknown=("placements_without_any", "sum"),
        effort=("effort", "sum"),
        first=("year", "min"),
        last=("year", "max"),
    )
    summed["unit"] = unit_words(summed["effort"], summed["effort_unit"])
    summed = summed.sort_values("method", kind="stable", ignore_index=True)
    known = summed["placements"] > summed["lacking"]
    kept = summed[known | (summed["unknown"].eq(summed["placements"]) & _first(summed))]
    return kept.assign(unknown=kept["unknown"].where(_first(kept), 0)).to_dict("records")


def _first(rows: pd.DataFrame) -> pd.Series:
    return ~rows["method"].duplicated()


def _lengths(own: Selection, catchment: str) -> list[dict[Hashable, Any]]:
    table = summaries.sampled_length(current_store(), own, current_viewer(), by=("catchment",))
    return table[table["catchment"] == catchment].to_dict("records")


def _gaps(own: Selection) -> dict[str, Any]:
    table = summaries.gaps(current_store(), own, current_viewer())
    return {
        "rows": table.drop(columns=table.geometry.name).head(_MOST_GAPS).to_dict("records"),
        "count": len(table),
        "length_m": float(table["length_m"].sum()),
    }
