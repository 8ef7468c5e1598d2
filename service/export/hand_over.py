"""A hand-over: what it will hold, and the writing of it in any form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from layers.crs import read_crs
from layers.drawing.record_features import species_caught
from layers.fieldwork.looking import local_dates
from layers.plurals import counted
from service.access import open_record_chunks
from service.answers.writing import written_whole
from service.errors import ConflictError, RequestError, StoreError
from service.export import AUDIENCES, FORMS
from service.export.contents import GENERALISED, gather, viewer_of
from service.export.csv_sheets import write_csv
from service.export.geojson import write_geojson
from service.store import open_store

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable
    from pathlib import Path

    from service.export.contents import Audience, Contents
    from service.records import Selection, Viewer
    from service.store.interface import Store

__all__ = ["HandOver", "Preview", "form_of", "what_it_holds", "write"]

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
    """What is asked for: which records, in which form, for whom.

    `crs` is that of the GeoPackage, alone or in the bundle; the store's where none is given.
    """

    selection: Selection
    form: str
    audience: Audience = "public"
    crs: str | None = None
    licence: str = ""
    overwrite: bool = False


def form_of(destination: Path, form: str | None) -> str:
    """Form that is asked for, or that the ending of the file stands for.

    Raises
    ------
    RequestError
        The form is unknown, or none is named and the ending tells nothing.
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
    """Count what a hand-over will hold, through the eyes of its audience."""
    placements = catches = lengths = generalised = 0
    species: set[str] = set()
    surveys: set[str] = set()
    methods: set[str] = set()
    days: list[dt.date] = []
    eyes = viewer_of(audience, viewer)
    for records in open_record_chunks(store, selection, eyes, size=_AT_ONCE):
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


def write(
    store: Store,
    destination: Path,
    asked: HandOver,
    *,
    viewer: Viewer | None = None,
    progress: Callable[[str], None] | None = None,
) -> None:
    """Write a hand-over, whole or not at all.

    Parameters
    ----------
    store
        Where the records are.
    destination
        File to be written.
    asked
        What is wanted.
    viewer
        Through whose eyes `precise` records are read; the local keeper when not given.
    progress
        Is told in words what is being done.

    Raises
    ------
    RequestError
        A form, audience or name is unknown.
    ConflictError
        The file exists and is not to be overwritten.
    StoreError
        It cannot be written; nothing was.
    """
    if asked.form not in FORMS or asked.audience not in AUDIENCES:
        raise RequestError(f"There is no hand-over {asked.form!r} for {asked.audience!r}.")
    if asked.crs is not None:
        read_crs(asked.crs)
    say = progress or (lambda _: None)
    _refuse_store(destination)
    with written_whole(destination, overwrite=asked.overwrite) as path:
        count = 0

        def told(more: int) -> None:
            nonlocal count
            count += more
            say(counted(count, "placement"))

        if asked.form == "csv":
            write_csv(path, store, asked.selection, asked.audience, viewer=viewer, progress=told)
            return
        if asked.form == "geojson":
            members = {"licence": asked.licence} if asked.licence else None
            write_geojson(
                path, store, asked.selection, asked.audience,
                viewer=viewer, members=members, progress=told,
            )  # fmt: skip
            return
        if asked.form == "gpkg":
            # What a form needs is loaded with it: a text should not pay for GDAL and plots.
            from service.export.geopackage_stream import stream_geopackage

            made = path.with_name("records.gpkg")  # GDAL wants its own ending
            stream_geopackage(
                made, store, asked.selection, asked.audience,
                crs=asked.crs, viewer=viewer, licence=asked.licence, progress=told,
            )  # fmt: skip
            made.replace(path)
            return
        say("computing layers and tables")
        contents = gather(
            store, asked.selection, asked.audience, viewer=viewer, licence=asked.licence
        )
        say("writing")
        _write_form(path, contents, asked, say)


def _refuse_store(destination: Path) -> None:
    """Refuse a destination that is a store: its records would be gone."""
    if not destination.is_file():
        return
    try:
        open_store(destination, read_only=True).close()
    except StoreError:
        return
    raise ConflictError(f"{destination} is a store and is never replaced; name another file.")


def _write_form(
    path: Path, contents: Contents, asked: HandOver, say: Callable[[str], None]
) -> None:
    # What a form needs is loaded with it: a streamed file should not pay for maps and plots.
    if asked.form == "dwca":
        from service.export.darwin_core import write_archive

        write_archive(path, contents)
    else:
        from service.export.bundle import write_bundle

        write_bundle(path, contents, asked.crs, progress=say)
