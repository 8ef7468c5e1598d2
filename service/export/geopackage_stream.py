"""The GeoPackage by itself, its records written some thousand at a time.

Records are read, reduced to what the audience may see and written piece by piece; of all of them
at once only what the summaries need is in memory.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import shapely

from layers.drawing.geojson import to_wgs84
from layers.drawing.record_features import species_caught
from service import access, reference
from service.access import open_record_chunks
from service.answers import features
from service.answers.hand_over import GENERALISED, viewer_of
from service.answers.summaries import any_sensitive
from service.export.contents import (
    Facts,
    computed_tables,
    dates_of,
    extent_degrees,
    gather,
    licence_of,
    network_layers,
    of_one_moment,
    title_of,
    with_place_words,
    without_people,
)
from service.export.geopackage import geopackage_tables, write_pieces
from service.intake.stored_sheets import field_sheets, in_columns

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

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
    """Write what `write_geopackage` writes of `gather`, piece by piece.

    Parameters
    ----------
    path
        GeoPackage to be written; it does not exist yet.
    store, selection, audience, viewer, licence, made_on
        As for `service.export.contents.gather`.
    crs
        In which layers are written; the store's where none is given.
    progress
        Called with how many more placements are written.

    Raises
    ------
    StoreBusyError
        The store was changed again and again while it was read.
    StoreError
        The file cannot be written.
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
        self.placements = self.catch_rows = 0
        self.days: list[dt.date] = []
        self.places: list[np.ndarray[Any, np.dtype[np.float64]]] = []
        self.found: set[str] = set()
        self.used: set[str] = set()
        self.generalised: dict[str, int] = {}
        self.named: dict[str, set[str]] = {"survey": set(), "site": set()}

    def pieces(self) -> Iterator[tuple[str, pd.DataFrame]]:
        """Layers before tables, since a GIS lists them in the order in which they came."""
        store, reader = self.store, self.reader
        surveys, sites = access.surveys(store, reader), access.sites(store, reader)
        for records in open_record_chunks(store, self.selection, reader, size=_AT_ONCE):
            shown = without_people(records) if self.audience == "public" else records
            yield from self._record_layers(records)
            if not self.placements:
                yield from self._computed().items()
            sheets = field_sheets(shown, surveys, sites, store.operations())
            for sheet, name in _BY_RECORD.items():
                yield name, sheets[sheet]
            self._learn(shown)
            if self.progress is not None:
                self.progress(len(shown.placements))
        if self.placements:
            for name, frame, column in (("surveys", surveys, "survey"), ("sites", sites, "site")):
                used = frame[frame.index.isin(self.named[column])]
                yield name, in_columns(name, used.reset_index())
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
        placements = records.placements
        self.placements += len(placements)
        self.catch_rows += len(records.catches)
        self.days += dates_of(placements) or ()
        placed = to_wgs84(np.asarray(placements.geometry, dtype=object), placements.crs)
        self.places.append(np.unique(shapely.get_coordinates(placed).round(_PLACES), axis=0))
        self.found |= set(species_caught(records.catches)["species"])
        self.used |= set(placements["method"])
        for column, names in self.named.items():
            names |= set(placements[column].dropna())
        if GENERALISED in placements:
            for words, count in placements[GENERALISED].value_counts().items():
                self.generalised[str(words)] = self.generalised.get(str(words), 0) + int(count)

    def facts(self, licence: str, made_on: dt.date) -> Facts:
        """Tell what was learnt, once all pieces are written."""
        places = np.concatenate([np.empty((0, 2)), *self.places])
        return Facts(
            title_of(self.store), self.audience, licence_of(licence), made_on, self.selection,
            placements=self.placements,
            catch_rows=self.catch_rows,
            dates=(min(self.days), max(self.days)) if self.days else None,
            extent=extent_degrees(gpd.GeoDataFrame(geometry=shapely.points(places), crs=4326)),
            found=self.species[["rank", "vernacular_name"]].reindex(sorted(self.found)),
            used=self.methods[self.methods.index.isin(self.used)],
            generalised=self.generalised,
        )  # fmt: skip
