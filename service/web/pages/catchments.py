"""Species by catchment: found; looked for, not found; never looked for."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlencode

from flask import Blueprint, render_template, request, url_for

from service import reference
from service.answers.names import filter_choices
from service.answers.occurrence_table import COLUMN_ORDERS, ROW_ORDERS, chances, occurrence_table
from service.answers.request_words import read_whole
from service.web.answering import json_answer
from service.web.context import current_store, current_viewer
from service.web.parameters import FILTERS, read_query

if TYPE_CHECKING:
    from flask import Response

    from service.answers.occurrence_table import Chances, Table
    from service.web.parameters import PageQuery

__all__ = ["address_with", "blueprint", "kept_filters"]

blueprint = Blueprint("catchments", __name__)

_ALSO = ("rows", "columns", "season", "chances")
_ROW_WORDS = {
    "name": "by name",
    "found": "most species first",
    "looked": "most placements first",
    "last": "latest find first",
}
_COLUMN_WORDS = {
    "name": "by scientific name",
    "vernacular": "by common name",
    "found": "most widespread first",
}


@blueprint.get("/catchments")
def show() -> str:
    """Show the table that the query selects."""
    query = read_query(request.args, also=_ALSO)
    store, viewer = current_store(), current_viewer()
    lacks = [
        name
        for name, frame in (
            ("catchments", reference.catchments(store)),
            ("species", reference.species(store)),
        )
        if frame.empty
    ]
    table = None
    if not lacks:
        table = occurrence_table(
            store,
            query.selection,
            viewer,
            rows_by=request.args.get("rows") or "name",
            columns_by=request.args.get("columns") or "name",
        )
    present = None
    if table and request.args.get("chances"):
        present = chances(store, query.selection, viewer, season=_season())
    return render_template(
        "catchments.html",
        query=query,
        table=table,
        lacks=lacks,
        chances=present,
        choices=filter_choices(store, viewer),
        row_orders=_row_orders(table),
        column_orders=[(name, _COLUMN_WORDS[name]) for name in COLUMN_ORDERS],
        rows_by=request.args.get("rows") or "name",
        columns_by=request.args.get("columns") or "name",
        season=_season(),
        kept=kept_filters(query),
        chances_address=url_for("catchments.chances_present") + _query(query),
    )


@blueprint.get("/catchments/chances.json")
def chances_present() -> Response:
    """Chance that each species lives where nobody found it, which takes longer than the rest."""
    query = read_query(request.args, also=("season",))
    present: Chances = chances(current_store(), query.selection, current_viewer(), season=_season())
    return json_answer(
        {
            "assumes": present.assumes,
            "cells": present.cells,
        }
    )


def _season() -> int | None:
    text = request.args.get("season", "").strip()
    return read_whole(text, "season", least=1) if text else None


def _row_orders(table: Table | None) -> list[tuple[str, str]]:
    listed = [(name, _ROW_WORDS[name]) for name in ROW_ORDERS]
    if table:
        listed += [(column.species, f"most {column.species} first") for column in table.columns]
    return listed


def _query(query: PageQuery) -> str:
    given = kept_filters(query)
    if season := _season():
        given.append(("season", str(season)))
    return f"?{urlencode(given)}" if given else ""


def kept_filters(query: PageQuery, *, without: tuple[str, ...] = ()) -> list[tuple[str, str]]:
    """List the filters of this address, to be carried into another."""
    if not query.filtered:
        return []
    return [
        (name, value)
        for name, value in request.args.items(multi=True)
        if name in FILTERS and name not in without and value.strip()
    ]


def address_with(endpoint: str, filters: list[tuple[str, str]]) -> str:
    """Address of another page or picture with these filters."""
    return url_for(endpoint) + (f"?{urlencode(filters)}" if filters else "")
