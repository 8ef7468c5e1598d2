"""A hand-over before it is written: its forms and audiences, and what it will hold."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from layers.fieldwork.looking import catch_numbers, local_dates
from service.access import count_features, let_go, open_records
from service.errors import RequestError
from service.records import OF_FIGURES, PUBLIC, Selection, Viewer
from service.store import Wanted

if TYPE_CHECKING:
    from pathlib import Path

    from service.records import Records
    from service.store import Store

__all__ = [
    "AUDIENCES",
    "FORMS",
    "GENERALISED",
    "Audience",
    "HandOver",
    "Preview",
    "form_of",
    "viewer_of",
    "what_it_holds",
]

Audience = Literal["public", "precise"]
GENERALISED: Final = "data_generalizations"
# Name of the form: ending of its file, and what it is in a few words.
FORMS: Final[dict[str, tuple[str, str]]] = {
    "geojson": (".geojson", "One RFC 7946 file of placements with their catch"),
    "gpkg": (".gpkg", "One GeoPackage: layers with styles, tables, described columns"),
    "csv": (".zip", "The field sheets again, as CSV files in one zip"),
    "dwca": (".zip", "Darwin Core Archive: events, occurrences, measurements, Humboldt table"),
    "bundle": (".zip", "Everything a council needs in one zip, with map and account"),
}
AUDIENCES: Final = ("public", "precise")

_BY_ENDING: Final = {".geojson": "geojson", ".json": "geojson", ".gpkg": "gpkg"}


@dataclass
class Preview:
    """What a hand-over will hold, counted from its records as they come."""

    placements: int = 0
    catches: int = 0
    lengths: int = 0
    detections: int | None = None  # of all records only
    species: set[str] = field(default_factory=set)
    surveys: set[str] = field(default_factory=set)
    sites: set[str] = field(default_factory=set)
    methods: set[str] = field(default_factory=set)
    first: dt.date | None = None  # local day of setting
    last: dt.date | None = None
    kinds: Counter[str] = field(default_factory=Counter)  # what was done to places, in words

    def add(self, records: Records) -> None:
        """Count further records."""
        placements = records.placements
        self.placements += len(placements)
        self.catches += len(records.catches)
        self.lengths += len(records.lengths)
        caught = records.catches["species"][catch_numbers(records.catches)[0] > 0]
        self.species |= set(caught.unique())
        self.methods |= set(placements["method"].unique())
        self.surveys |= set(placements["survey"].dropna().unique())
        self.sites |= set(placements["site"].dropna().unique())
        days = local_dates(placements).dropna()
        if len(days):
            self.first = min(days.min().date(), self.first or dt.date.max)
            self.last = max(days.max().date(), self.last or dt.date.min)
        if GENERALISED in placements:
            self.kinds.update(placements[GENERALISED].value_counts().to_dict())

    @property
    def generalised(self) -> int:
        """How many placements are shown as a grid cell."""
        return self.kinds.total()


@dataclass(frozen=True)
class HandOver:
    """What is wanted: which records, in which form, for whom.

    `crs` is that of the GeoPackage, alone or in the bundle; the store's where none is given.
    """

    selection: Selection
    form: str
    audience: Audience = "public"
    crs: str | None = None
    licence: str = ""
    overwrite: bool = False


def form_of(destination: Path, form: str | None) -> str:
    """Form that is requested, or that the ending of the file stands for; RequestError for none."""
    if form is None:
        form = _BY_ENDING.get(destination.suffix.lower())
    if form not in FORMS:
        listed = ", ".join(FORMS)
        raise RequestError(f"Say which form is wanted with --to: one of {listed}.")
    return form


def what_it_holds(
    store: Store, selection: Selection, audience: Audience, *, viewer: Viewer | None = None
) -> Preview:
    """Count what a hand-over will contain, as its audience sees it."""
    holds, eyes = Preview(), viewer_of(audience, viewer)
    holds.add(open_records(store, selection, eyes, OF_FIGURES))
    if selection == Selection():
        holds.detections = count_features(store, Wanted(), "detection", eyes)
    if viewer and viewer.sees_exact_places and not eyes.sees_exact_places:
        let_go(store, eyes)  # those who see all seldom look with these eyes
    return holds


def viewer_of(audience: Audience, viewer: Viewer | None = None) -> Viewer:
    """Who the records are read for: the public, or the viewer."""
    if audience == "public":
        return PUBLIC
    return viewer or Viewer("local user", "keeper")
