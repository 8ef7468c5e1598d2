"""A hand-over before it is written: its forms and audiences, and what it will hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from layers.drawing.record_features import species_caught
from layers.fieldwork.looking import local_dates
from service.access import open_record_chunks
from service.errors import RequestError
from service.records import PUBLIC, Viewer

if TYPE_CHECKING:
    import datetime as dt
    from pathlib import Path

    from service.records import Selection
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

_AT_ONCE: Final = 2_500  # placements in memory while they are counted
_BY_ENDING: Final = {".geojson": "geojson", ".json": "geojson", ".gpkg": "gpkg"}


@dataclass(frozen=True)
class Preview:
    """What a hand-over will hold, before it is written."""

    placements: int
    catches: int
    lengths: int
    species: tuple[str, ...]
    surveys: tuple[str, ...]
    methods: tuple[str, ...]
    first: dt.date | None
    last: dt.date | None
    generalised: int  # placements whose place is a grid cell


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
    """Form that is requested, or that the ending of the file stands for.

    Raises
    ------
    RequestError
        The form is unknown, or none is named and the ending does not say it.
    """
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
    placements = catches = lengths = generalised = 0
    species: set[str] = set()
    surveys: set[str] = set()
    methods: set[str] = set()
    days: list[dt.date] = []
    reader = viewer_of(audience, viewer)
    for records in open_record_chunks(store, selection, reader, size=_AT_ONCE):
        placements += len(records.placements)
        catches += len(records.catches)
        lengths += len(records.lengths)
        species |= set(species_caught(records.catches)["species"])
        surveys |= set(records.placements["survey"].dropna())
        methods |= set(records.placements["method"])
        known = local_dates(records.placements).dropna()
        days += [known.min().date(), known.max().date()] if len(known) else []
        if GENERALISED in records.placements:
            generalised += int(records.placements[GENERALISED].notna().sum())
    return Preview(
        placements, catches, lengths, tuple(sorted(species)), tuple(sorted(surveys)),
        tuple(sorted(methods)), min(days, default=None), max(days, default=None), generalised,
    )  # fmt: skip


def viewer_of(audience: Audience, viewer: Viewer | None = None) -> Viewer:
    """Who the records are read for: the public, or the viewer."""
    if audience == "public":
        return PUBLIC
    return viewer or Viewer("local user", "keeper")
