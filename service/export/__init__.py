"""Files that leave the store: one module for each form; a hand-over is written here, in any."""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.crs import read_crs
from service.answers.hand_over import AUDIENCES, FORMS
from service.answers.writing import written_whole
from service.errors import ConflictError, RequestError, StoreError
from service.export.contents import gather
from service.export.csv_sheets import write_csv
from service.export.geojson import write_geojson
from service.store import open_store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from service.answers.hand_over import HandOver
    from service.records import Viewer
    from service.store import Store

__all__ = ["write_hand_over"]


def write_hand_over(
    store: Store,
    destination: Path,
    request: HandOver,
    *,
    viewer: Viewer | None = None,
    progress: Callable[[str, int, int, str], None] | None = None,
) -> None:
    """Write a hand-over, whole or not at all.

    `viewer` is who `precise` records are read for, the local keeper when not given; `progress` is
    called with what is being done, in words, how many of how many are written, and their word:
    placements, whose number is not known before, or rows of a form that is computed whole.
    RequestError for an unknown form, audience or name; ConflictError where the file exists and is
    not to be overwritten, or is a store; StoreError where it cannot be written: nothing was.
    """
    if request.form not in FORMS or request.audience not in AUDIENCES:
        raise RequestError(f"There is no hand-over {request.form!r} for {request.audience!r}.")
    if request.crs is not None:
        read_crs(request.crs)
    say = progress or (lambda *_: None)
    _refuse_store(destination)
    count = 0

    def count_on(more: int) -> None:
        nonlocal count
        count += more
        say("writing", count, 0, "placement")

    chosen = (store, request.selection, request.audience)
    licence = request.licence
    # What a form needs is loaded with it: a text should not pay for GDAL, maps and plots.
    with written_whole(destination, overwrite=request.overwrite) as path:
        if request.form == "csv":
            write_csv(path, *chosen, viewer=viewer, progress=count_on)
        elif request.form == "geojson":
            members = {"licence": licence} if licence else None
            write_geojson(path, *chosen, viewer=viewer, members=members, progress=count_on)
        elif request.form == "gpkg":
            from service.export.geopackage_stream import stream_geopackage

            made = path.with_name("records.gpkg")  # GDAL wants its own ending
            stream_geopackage(
                made, *chosen, crs=request.crs, viewer=viewer, licence=licence, progress=count_on
            )
            made.replace(path)
        else:
            say("computing layers and tables", 0, 0, "")
            contents = gather(*chosen, viewer=viewer, licence=licence)
            if request.form == "dwca":
                from service.export.darwin_core import write_archive

                write_archive(path, contents, progress=say)
            else:
                from service.export.bundle import write_bundle

                write_bundle(path, contents, request.crs, progress=say)


def _refuse_store(destination: Path) -> None:
    """Refuse a destination that is a store: its records would be gone."""
    if not destination.is_file():
        return
    try:
        open_store(destination, read_only=True).close()
    except StoreError:
        return
    raise ConflictError(f"{destination} is a store and is never replaced; name another file.")
