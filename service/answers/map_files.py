"""The map as a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.drawing.maps import map_page, view_of_frames
from service import reference
from service.answers import features
from service.answers.names import selection_words

if TYPE_CHECKING:
    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["offline_map"]


def offline_map(
    store: Store, selection: Selection, viewer: Viewer, *, title: str | None = None
) -> tuple[str, int]:
    """Write one page of HTML that works from disk, for a few thousand placements; count them."""
    shown = features.placements(store, selection, viewer)
    chosen = selection.species
    view = view_of_frames(
        placements=shown,
        reaches=features.reaches(store, selection=selection),
        catchments=features.catchments(store),
        stretches=features.stretches(store, selection, viewer),
        species=reference.species(store),
        methods=reference.methods(store),
        chosen_species=chosen[0] if len(chosen) == 1 else "",
    )
    heading = title or store.settings.title or "Placements and what they caught"
    only = selection_words(store, selection, viewer)
    return map_page(view, title=heading, note=f"Only {only}" if only else ""), len(shown)
