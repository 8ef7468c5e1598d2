"""One species: where and when it was found, by what, how many and how long; and the list."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, render_template, request

from layers.fieldwork.looking import detectable
from service import reference
from service.answers import summaries
from service.answers.map_views import map_summary, network_bounds
from service.answers.occurrence_table import looking_words
from service.answers.record_list import finds_by_species, species_account
from service.answers.tables import plain_rows
from service.errors import NotFoundError
from service.web.context import current_store, current_viewer
from service.web.page_maps import live_map
from service.web.question import carried, page_question, question_pairs

if TYPE_CHECKING:
    from collections.abc import Hashable

    from service.records import Selection

__all__ = ["blueprint"]

blueprint = Blueprint("species", __name__)

_MOST_AT_ONCE = 20_000  # placements that looked; of more, change takes minutes


@blueprint.get("/species")
def list_all() -> str:
    """List the species of the store, with the placements of the question that found each."""
    query, store, viewer = page_question(), current_store(), current_viewer()
    species = reference.species(store).sort_index()
    chosen = query.selection.species
    rows = species[["vernacular_name", "rank", "family", "sensitivity"]].copy()
    rows["found"] = finds_by_species(store, query.selection, viewer)
    rows["fully_shown"] = summaries.fully_shown(list(species.index), species, viewer)
    rows = rows[rows.index.isin(chosen)] if chosen else rows
    return render_template("species_list.html", query=query, rows=plain_rows(rows.reset_index()))


@blueprint.get("/species/<path:name>")
def show(name: str) -> str:
    """Show all that is on record about one species."""
    store, viewer = current_store(), current_viewer()
    species, methods = reference.species(store), reference.methods(store)
    if name not in species.index:
        raise NotFoundError(f"There is no species {name!r} in the list.")
    query = page_question("change", species=name)
    own = query.selection
    account = species_account(store, own, viewer, name)
    where = summaries.occurrence(store, own, viewer)
    can = detectable(species.loc[[name]], methods).iloc[0]
    shown = map_summary(store, own, viewer, caught=True)
    labels = methods["label"].to_dict()
    where = where.assign(
        name=where["catchment"].map(reference.catchment_names(store)),
        looking=looking_words(where, labels),
    )
    lengths = summaries.lengths(store, own, viewer)
    at_once = account.looked <= _MOST_AT_ONCE or bool(request.args.get("change"))
    return render_template(
        "species.html",
        name=name,
        query=query,
        account=account,
        methods=[label for label, able in zip(methods["label"], can, strict=True) if able],
        method_labels=labels,
        years=account.by_year.to_dict("records"),
        catchments=where.sort_values("name", key=lambda words: words.str.casefold()).to_dict(
            "records"
        ),
        measured=lengths[lengths["measured"] > 0].to_dict("records"),
        changes=_changes(own) if at_once else [],
        change_apart="" if at_once else carried("species.show", name=name, change="1"),
        change_address=carried("figures.change"),
        lengths_address=carried("figures.lengths"),
        rates=carried("figures.catch_rate"),
        parts=live_map(
            bounds=shown["bounds"] or network_bounds(store),
            used=shown["methods"],
            species=(name,),
            filters=question_pairs(),
        ),
    )


def _changes(own: Selection) -> list[dict[Hashable, Any]]:
    """Give what there is of change everywhere."""
    found = summaries.change(current_store(), own, current_viewer(), everywhere=True)
    told = found[found["first_year"] < found["last_year"]]
    return told[told["yearly_ratio"].notna() | told["quantity"].eq("occupancy")].to_dict("records")
