"""The field sheets as CSV in one zip, written piece by piece.

Placements are read, reduced to what the audience may see and written some thousand at a time,
so that a million of them need no more memory than ten thousand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from service import access
from service.access import open_record_chunks
from service.answers.hand_over import viewer_of
from service.answers.writing import zip_members
from service.export.contents import of_one_moment, without_people
from service.intake.stored_sheets import csv_text, field_sheets, in_columns

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from service.answers.hand_over import Audience
    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["write_csv"]

_AT_ONCE: Final = 2_500  # placements in memory
_BY_RECORD: Final = ("placements", "catches", "lengths")
_BY_NAME: Final = {"surveys": "survey", "sites": "site"}


def write_csv(
    path: Path,
    store: Store,
    selection: Selection,
    audience: Audience,
    *,
    viewer: Viewer | None = None,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write one zip with the five sheets that import takes.

    Parameters
    ----------
    path
        Zip to be written; the sheets grow beside it, and go when it is whole.
    store, selection, audience, viewer
        As for `service.export.hand_over.write`.
    progress
        Called with how many more placements are written.

    Raises
    ------
    StoreBusyError
        The store was changed again and again while it was read.
    """
    reader = viewer_of(audience, viewer)
    parts = {name: path.with_name(f"{name}.csv") for name in (*_BY_RECORD, *_BY_NAME)}
    try:
        of_one_moment(
            store, lambda: _write_sheets(parts, store, selection, audience, reader, progress)
        )
        zip_members(path, {part.name: part for part in parts.values()})
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


def _write_sheets(
    parts: dict[str, Path],
    store: Store,
    selection: Selection,
    audience: Audience,
    reader: Viewer,
    progress: Callable[[int], None] | None,
) -> None:
    named = {"surveys": access.surveys(store, reader), "sites": access.sites(store, reader)}
    used: dict[str, set[str]] = {name: set() for name in named}
    for name, part in parts.items():
        part.write_bytes(csv_text(in_columns(name, pd.DataFrame())))
    for records in open_record_chunks(store, selection, reader, size=_AT_ONCE):
        shown = without_people(records) if audience == "public" else records
        sheets = field_sheets(shown, named["surveys"], named["sites"], store.operations())
        for name in _BY_RECORD:
            _append(parts[name], sheets[name])
        for name, column in _BY_NAME.items():
            used[name] |= set(shown.placements[column].dropna())
        if progress is not None:
            progress(len(shown.placements))
    for name, frame in named.items():
        kept = frame[frame.index.isin(used[name])]
        _append(parts[name], in_columns(name, kept.reset_index()))


def _append(part: Path, sheet: pd.DataFrame) -> None:
    with part.open("ab") as file:
        file.write(csv_text(sheet, header=False))
