"""Names that people read in place of codes: what a filter offers, and what it leaves in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from service import access, reference
from service.access import refuse_unknown
from service.records import NO_GEAR

if TYPE_CHECKING:
    import pandas as pd

    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["HOUR_WORDS", "catchments_around", "filter_choices", "selection_words"]

HOUR_WORDS: Final = {"day": "by day", "night": "by night", "overnight": "left overnight"}


def filter_choices(store: Store, viewer: Viewer) -> dict[str, dict[str, str]]:
    """Give what a filter form offers: `species`, `method`, `survey`, `catchment`, each by code."""
    species = reference.species(store)["vernacular_name"].sort_index()
    return {
        "species": _named(species, "{0} ({1})"),
        "method": _named(reference.methods(store)["label"], "{1}"),
        "survey": _named(access.surveys(store, viewer)["name"], "{0}, {1}"),
        "catchment": reference.catchment_names(store),
    }


def catchments_around(store: Store, catchment: str) -> list[tuple[str, str]]:
    """Id and name of the catchments that hold this one, outermost first, and of itself, last."""
    nested, names = reference.ancestors(store), reference.catchment_names(store)
    around = nested[nested["catchment_id"] == catchment].sort_values("steps", ascending=False)
    return [(one, names[one]) for one in around["ancestor_id"].tolist()]


def _named(names: pd.Series, pattern: str) -> dict[str, str]:
    return {
        str(code): pattern.format(code, name) if isinstance(name, str) and name else str(code)
        for code, name in names.items()
    }


def _streams(store: Store) -> dict[str, str]:
    _, named = reference.network(store).streams
    return dict(zip(named["stream_id"], named["stream"], strict=True))


def _one(name: str) -> tuple[str, ...]:
    return (name,) if name else ()


def _places(store: Store, *places: str) -> dict[str, str]:
    """Words for places on the network: reach, its stream, and how far along."""
    named = {}
    for place in filter(None, places):
        joined = reference.network(store)
        reach, _, measure = place.rpartition(":")
        if place in joined.reaches.index:
            reach, measure = place, ""
        number, table = joined.streams
        stream = table["stream"].iloc[number[joined.rows([reach])[0]]]
        along = f", {float(measure):g} m along" if measure else ""
        named[place] = f"reach {reach} ({stream}){along}"
    return named


def selection_words(store: Store, selection: Selection, viewer: Viewer) -> str:
    """Say in words what a selection leaves in; nothing where it leaves everything in."""
    refuse_unknown(store, selection, viewer)
    species = _named(reference.species(store)["vernacular_name"], "{1} ({0})")
    places = _places(store, selection.upstream_of, selection.downstream_of)
    chosen: tuple[tuple[str, tuple[str, ...], dict[str, str]], ...] = (
        ("survey", selection.surveys, _named(access.surveys(store, viewer)["name"], "{1}")),
        ("gear", selection.methods, _named(reference.methods(store)["label"], "{1}")),
        ("species", selection.species, species),
        ("catchment", selection.catchments, reference.catchment_names(store)),
        ("stream", selection.streams, _streams(store) if selection.streams else {}),
        ("upstream of", _one(selection.upstream_of), places),
        ("downstream of", _one(selection.downstream_of), places),
        ("hours", selection.hours, HOUR_WORDS),
        ("gear able to find", _one(selection.able_to_find), species),
    )
    said = [
        "no gear"
        if codes == (NO_GEAR,)
        else f"{what}: {', '.join(names.get(code, code) for code in codes)}"
        for what, codes, names in chosen
        if codes
    ]
    if selection.since:
        said.append(f"since {selection.since}")
    if selection.until:
        said.append(f"until {selection.until}")
    return "; ".join(said)
