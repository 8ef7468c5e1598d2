"""Figures as SVG pictures, of the same records as the page that shows them."""

from __future__ import annotations

from dataclasses import replace
from functools import wraps
from typing import TYPE_CHECKING, Any

from flask import Blueprint, request

from layers.drawing import figures
from layers.totals import ALL
from service import reference
from service.access import open_records
from service.answers import summaries
from service.answers.opening import of_selected
from service.errors import RequestError
from service.records import OF_NOTHING
from service.web.answering import revalidated
from service.web.context import current_store, current_viewer
from service.web.parameters import read_query

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Response

    from service.records import Selection

__all__ = ["blueprint"]

blueprint = Blueprint("figures", __name__, url_prefix="/figures")


def _figure(
    address: str, *also: str
) -> Callable[[Callable[[Selection], str]], Callable[[], Response]]:
    """Register what draws a figure of selected placements, once while these are the same.

    `also` are parameters that the figure knows besides.
    """

    def registered(draw: Callable[[Selection], str]) -> Callable[[], Response]:
        @blueprint.get(address)
        @wraps(draw)
        def answer() -> Response:
            own = read_query(request.args, also=also).selection
            question = ("figure", address, *sorted(request.args.items(multi=True)))
            svg = of_selected(current_store(), own, current_viewer(), question, lambda: draw(own))
            response = revalidated(svg, "image/svg+xml")
            # A drawing styles itself, and runs and fetches nothing.
            response.headers["Content-Security-Policy"] = (
                "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
            )
            return response

        return answer

    return registered


def _one(values: tuple[str, ...], name: str) -> str:
    if len(values) != 1:
        raise RequestError(f"This figure is of one {name}; name it with {name}=.")
    return values[0]


def _labels() -> dict[Any, Any]:
    return reference.methods(current_store())["label"].to_dict()


@_figure("/lengths.svg", "placement")
def lengths(own: Selection) -> str:
    """Draw the lengths of one species; `placement` narrows them to one."""
    name = _one(own.species, "species")
    if placement := request.args.get("placement"):
        own = replace(own, placements=(placement,))
    needed = OF_NOTHING.and_tables("lengths")
    measured = open_records(current_store(), own, current_viewer(), needed).lengths
    width = figures.class_width_mm(measured, name)
    return figures.length_frequency(measured, name, class_mm=width)


@_figure("/effort.svg")
def effort(own: Selection) -> str:
    """Draw effort by method and year in one catchment, each method in its main unit."""
    catchment = _one(own.catchments, "catchment")
    totals = summaries.effort_by_year(current_store(), own, current_viewer())
    totals = totals[(totals["catchment"] == catchment) & totals["main_unit"]]
    return figures.effort_by_method_and_year(totals, labels=_labels())


@_figure("/accumulation.svg", "group")
def accumulation(own: Selection) -> str:
    """Draw the species of one group expected against placements in one catchment."""
    catchment = _one(own.catchments, "catchment")
    group = request.args.get("group", "")
    store, viewer = current_store(), current_viewer()
    curve = summaries.accumulation(store, own, viewer, catchment, group)
    rich = summaries.richness(store, own, viewer).set_index(["catchment", "group"])
    name = reference.catchment_names(store)[catchment]
    return figures.accumulation_curve(
        curve,
        place=f"{name}, {group}" if group else name,
        estimate=float(rich["chao2"].get((catchment, group), float("nan"))),
    )


@_figure("/catch-rate.svg")
def catch_rate(own: Selection) -> str:
    """Draw the catch per unit effort of one species in each top catchment or those chosen."""
    name = _one(own.species, "species")
    store = current_store()
    rates = summaries.effort(store, own, current_viewer())
    catchments = reference.catchments(store)
    if not own.catchments:
        outer = catchments.index[catchments["parent_id"].isna()]
        rates = rates[rates["catchment"].isin([*outer, ALL])]
    names = reference.catchment_names(store) | {ALL: "everywhere"}
    rates = rates.assign(catchment=rates["catchment"].map(names))
    return figures.catch_per_unit_effort(rates, name, labels=_labels())


@_figure("/change.svg")
def change(own: Selection) -> str:
    """Draw occupancy and catch per effort of one species by year."""
    name = _one(own.species, "species")
    years = summaries.change_by_year(current_store(), own, current_viewer(), everywhere=True)
    return figures.change_over_years(years, name, labels=_labels())
