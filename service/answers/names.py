"""Names that people read in place of codes: what a filter offers, and what it leaves in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from service import access, reference

if TYPE_CHECKING:
    import pandas as pd

    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["filter_choices", "selection_words"]


def filter_choices(store: Store, viewer: Viewer) -> dict[str, dict[str, str]]:
    """Give what a filter form offers: `species`, `method`, `survey`, `catchment`, each by code."""
    species = reference.species(store)["vernacular_name"].sort_index()
    return {
        "species": _named(species, "{0} ({1})"),
        "method": _named(reference.methods(store)["label"], "{1}"),
        "survey": _named(access.surveys(store, viewer)["name"], "{0}, {1}"),
        "catchment": reference.catchment_names(store),
    }


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


def selection_words(store: Store, selection: Selection, viewer: Viewer) -> str:
    """Say in words what a selection leaves in; nothing where it leaves everything in."""
    chosen: tuple[tuple[str, tuple[str, ...], dict[str, str]], ...] = (
        ("survey", selection.surveys, _named(access.surveys(store, viewer)["name"], "{1}")),
        ("gear", selection.methods, _named(reference.methods(store)["label"], "{1}")),
        ("species", selection.species, {}),
        ("catchment", selection.catchments, reference.catchment_names(store)),
        ("stream", selection.streams, _streams(store) if selection.streams else {}),
        ("upstream of", _one(selection.upstream_of), {}),
        ("downstream of", _one(selection.downstream_of), {}),
        ("hours", selection.hours, {}),
        ("gear able to find", _one(selection.able_to_find), {}),
    )
    said = [
        f"{what}: {', '.join(names.get(code, code) for code in codes)}"
        for what, codes, names in chosen
        if codes
    ]
    if selection.since:
        said.append(f"since {selection.since}")
    if selection.until:
        said.append(f"until {selection.until}")
    return "; ".join(said)
