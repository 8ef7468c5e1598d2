"""Species by catchment: found; looked for, not found; never looked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from service import reference
from service.answers import summaries
from service.answers.occurrence_table import COLUMN_ORDERS, ROW_ORDERS, chances, occurrence_table
from service.answers.request_words import read_whole
from service.answers.tables import summary_csv
from service.web.answering import attachment, in_pieces, json_answer
from service.web.context import current_store, current_viewer
from service.web.parameters import single
from service.web.question import carried, page_question

if TYPE_CHECKING:
    from flask import Response

__all__ = ["blueprint"]

blueprint = Blueprint("catchments", __name__)

_ALSO = ("rows", "columns", "fold", "season", "chances", "from")
_FOLD_WORDS = {
    "unseen": "fold away what was found nowhere",
    "rare": "fold away what was found in fewer than three",
    "nothing": "show all",
}
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
    query = page_question(*_ALSO)
    store, viewer = current_store(), current_viewer()
    needed = {"catchments": reference.catchments, "species": reference.species}
    lacks = [name for name, read in needed.items() if read(store).empty]
    table, fold = None, request.args.get("fold") or "unseen"
    orders = {f"{of}_by": request.args.get(of) or "name" for of in ("rows", "columns")}
    if not lacks:
        table = occurrence_table(
            store,
            query.selection,
            viewer,
            **orders,
            # Chosen species are shown whether they were found or not.
            fold="nothing" if query.selection.species else fold,
            start=read_whole(request.args.get("from") or "1", "from", least=1) - 1,
        )
    present = None
    if table and request.args.get("chances"):
        present = chances(store, query.selection, viewer, season=_season())
    row_orders = [(name, _ROW_WORDS[name]) for name in ROW_ORDERS]
    if table:
        row_orders += [(one.species, f"most {one.species} first") for one in table.columns]
    return render_template(
        "catchments.html",
        query=query,
        table=table,
        lacks=lacks,
        chances=present,
        years=[(year, year) for year in map(str, reversed(table.inputs["years"]))] if table else [],
        row_orders=row_orders,
        folds=_FOLD_WORDS,
        fold=fold,
        column_orders=[(name, _COLUMN_WORDS[name]) for name in COLUMN_ORDERS],
        **orders,
        season=_season(),
        chances_address=carried("catchments.chances_present", keep=("season",)),
    )


@blueprint.get("/catchments/chances.json")
def chances_present() -> Response:
    """Chance that each species lives where nobody found it, which takes longer than the rest."""
    query = page_question("season")
    present = chances(current_store(), query.selection, current_viewer(), season=_season())
    return json_answer({"assumes": present.assumes, "cells": present.cells})


@blueprint.get("/catchments/occurrence.csv")
def occurrence_file() -> Response:
    """Hand over the rows of the table as a file: one for each catchment and species."""
    rows = summaries.occurrence(current_store(), page_question().selection, current_viewer())
    return attachment(in_pieces(summary_csv(rows), "text/csv"), "occurrence.csv")


def _season() -> int | None:
    text = single(request.args, "season")
    return read_whole(text, "season", least=1) if text else None
