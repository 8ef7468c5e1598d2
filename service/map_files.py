"""The map as a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.maps import map_page, view_of_frames
from service import features, reference

if TYPE_CHECKING:
    from service.records import Selection, Viewer
    from service.store.interface import Store

__all__ = ["offline_map", "selection_words"]


def offline_map(
    store: Store, selection: Selection, viewer: Viewer, *, title: str | None = None
) -> tuple[str, int]:
    """Write one page that works from disk, for a few thousand placements.

    Returns
    -------
    page
        HTML.
    count
        How many placements it holds.
    """
    shown = features.placements(store, selection, viewer)
    chosen = selection.species
    view = view_of_frames(
        placements=shown,
        reaches=features.reaches(store, catchments=selection.catchments),
        catchments=features.catchments(store),
        stretches=features.stretches(store, selection, viewer),
        species=reference.species(store),
        methods=reference.methods(store),
        chosen_species=chosen[0] if len(chosen) == 1 else "",
    )
    heading = title or store.settings.title or "Placements and what they caught"
    return map_page(view, title=heading, note=selection_words(selection)), len(shown)


def selection_words(selection: Selection) -> str:
    """Say in words what a selection leaves in."""
    said = [
        f"{what}: {', '.join(names)}"
        for what, names in (
            ("survey", selection.surveys),
            ("gear", selection.methods),
            ("species", selection.species),
            ("catchment", selection.catchments),
        )
        if names
    ]
    if selection.since:
        said.append(f"since {selection.since}")
    if selection.until:
        said.append(f"until {selection.until}")
    return "Only " + "; ".join(said) if said else ""
