"""The writing of a hand-over, in any form."""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.crs import read_crs
from layers.plurals import counted
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
    from service.export.contents import Contents
    from service.records import Viewer
    from service.store import Store

__all__ = ["write_hand_over"]


def write_hand_over(
    store: Store,
    destination: Path,
    request: HandOver,
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
    request
        What is wanted.
    viewer
        Who `precise` records are read for; the local keeper when not given.
    progress
        Called with what is being done, in words.

    Raises
    ------
    RequestError
        A form, audience or name is unknown.
    ConflictError
        The file exists and is not to be overwritten.
    StoreError
        It cannot be written; nothing was.
    """
    if request.form not in FORMS or request.audience not in AUDIENCES:
        raise RequestError(f"There is no hand-over {request.form!r} for {request.audience!r}.")
    if request.crs is not None:
        read_crs(request.crs)
    say = progress or (lambda _: None)
    _refuse_store(destination)
    with written_whole(destination, overwrite=request.overwrite) as path:
        count = 0

        def count_on(more: int) -> None:
            nonlocal count
            count += more
            say(counted(count, "placement"))

        if request.form == "csv":
            write_csv(
                path, store, request.selection, request.audience, viewer=viewer, progress=count_on
            )
            return
        if request.form == "geojson":
            members = {"licence": request.licence} if request.licence else None
            write_geojson(
                path, store, request.selection, request.audience,
                viewer=viewer, members=members, progress=count_on,
            )  # fmt: skip
            return
        if request.form == "gpkg":
            # What a form needs is loaded with it: a text should not pay for GDAL and plots.
            from service.export.geopackage_stream import stream_geopackage

            made = path.with_name("records.gpkg")  # GDAL wants its own ending
            stream_geopackage(
                made, store, request.selection, request.audience,
                crs=request.crs, viewer=viewer, licence=request.licence, progress=count_on,
            )  # fmt: skip
            made.replace(path)
            return
        say("computing layers and tables")
        contents = gather(
            store, request.selection, request.audience, viewer=viewer, licence=request.licence
        )
        say("writing")
        _write_form(path, contents, request, say)


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
    path: Path, contents: Contents, request: HandOver, say: Callable[[str], None]
) -> None:
    # What a form needs is loaded with it: a streamed file should not pay for maps and plots.
    if request.form == "dwca":
        from service.export.darwin_core import write_archive

        write_archive(path, contents)
    else:
        from service.export.bundle import write_bundle

        write_bundle(path, contents, request.crs, progress=say)
