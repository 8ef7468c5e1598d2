"""The GeoPackage by itself, its records written some thousand at a time.

Records are read, reduced to what the audience may see and written piece by piece; of all of them
at once only what the summaries need is in memory.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from layers.drawing.geojson import bounding_box, to_wgs84
from service import access, reference
from service.access import open_record_chunks
from service.answers import features
from service.answers.hand_over import Preview, viewer_of
from service.answers.opening import any_sensitive
from service.export.contents import (
    Facts,
    computed_tables,
    gather,
    licence_of,
    named_rows,
    network_layers,
    of_one_moment,
    title_of,
    with_place_words,
    without_people,
)
from service.export.geopackage import geopackage_tables, write_pieces
from service.intake.stored_sheets import field_sheets, with_origin

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from service.answers.hand_over import Audience
    from service.records import Records, Selection, Viewer
    from service.store import Store

__all__ = ["stream_geopackage"]

_AT_ONCE: Final = 10_000  # placements in memory
_BY_RECORD: Final = {"placements": "placement_sheet", "catches": "catches", "lengths": "lengths"}
_PLACES: Final = 5  # decimals of a degree in the stated extent


def stream_geopackage(
    path: Path,
    store: Store,
    selection: Selection,
    audience: Audience,
    *,
    crs: str | None = None,
    viewer: Viewer | None = None,
    licence: str = "",
    made_on: dt.date | None = None,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write what `write_geopackage` writes of `gather`, piece by piece, to a new file.

    Layers are in `crs`, the store's where none is given; `progress` is called with how many more
    placements are written. StoreBusyError where the store was changed again and again meanwhile.
    """
    day = made_on or dt.datetime.now(dt.UTC).date()

    def write() -> None:
        path.unlink(missing_ok=True)
        stream = _Stream(store, selection, audience, viewer, progress)
        write_pieces(
            path,
            stream.pieces(),
            crs or store.settings.crs,
            day,
            lambda: stream.facts(licence, day),
            public=audience == "public" and any_sensitive(stream.species),
        )

    of_one_moment(store, write)


class _Stream:
    """Layers and tables piece by piece, and what is learnt on the way."""

    def __init__(
        self,
        store: Store,
        selection: Selection,
        audience: Audience,
        viewer: Viewer | None,
        progress: Callable[[int], None] | None,
    ) -> None:
        self.store, self.selection, self.audience = store, selection, audience
        self.reader = viewer_of(audience, viewer)
        self.progress = progress
        self.species, self.methods = reference.species(store), reference.methods(store)
        self.holds = Preview()
        self.places: list[np.ndarray[Any, np.dtype[np.float64]]] = []

    def pieces(self) -> Iterator[tuple[str, pd.DataFrame]]:
        """Layers before tables, since a GIS lists them in the order in which they came."""
        store, reader = self.store, self.reader
        surveys, sites = access.surveys(store, reader), access.sites(store, reader)
        for records in open_record_chunks(store, self.selection, reader, size=_AT_ONCE):
            shown = without_people(records) if self.audience == "public" else records
            yield from self._record_layers(records)
            if not self.holds.placements:
                yield from self._computed().items()
            sheets = field_sheets(shown, surveys, sites, store.operations())
            if self.audience == "precise":
                sheets["placements"] = with_origin(sheets["placements"], shown.placements)
            for sheet, name in _BY_RECORD.items():
                yield name, sheets[sheet]
            self._learn(shown)
            if self.progress is not None:
                self.progress(len(shown.placements))
        if self.holds.placements:
            yield "surveys", named_rows("surveys", surveys, self.holds.surveys)
            yield "sites", named_rows("sites", sites, self.holds.sites)
            return
        nothing = gather(store, self.selection, self.audience, viewer=reader)
        yield from nothing.layers.items()
        yield from geopackage_tables(nothing).items()

    def _record_layers(self, records: Records) -> Iterator[tuple[str, gpd.GeoDataFrame]]:
        layer = features.placement_features(self.store, records)
        yield "placements", with_place_words(layer, records)
        layer = features.detection_features(self.store, records)
        yield "detections", with_place_words(layer, records)

    def _computed(self) -> dict[str, pd.DataFrame]:
        question = self.store, self.selection, self.reader
        return {
            **network_layers(*question),
            **computed_tables(*question, self.species, self.methods),
        }

    def _learn(self, records: Records) -> None:
        self.holds.add(records)
        shapes = records.placements.geometry
        placed = to_wgs84(np.asarray(shapes, dtype=object), shapes.crs)
        self.places.append(np.unique(shapely.get_coordinates(placed).round(_PLACES), axis=0))

    def facts(self, licence: str, made_on: dt.date) -> Facts:
        """State what was learnt, once all pieces are written."""
        places = shapely.points(np.concatenate([np.empty((0, 2)), *self.places]))
        return Facts(
            title_of(self.store), self.audience, licence_of(licence), made_on, self.selection,
            self.holds, bounding_box(places), self.species, self.methods,
        )  # fmt: skip
