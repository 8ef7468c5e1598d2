"""The field sheets as CSV in one zip, written piece by piece.

Placements are read, reduced to what the audience may see and written some thousand at a time,
so that a million of them need no more memory than ten thousand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from service import access
from service.access import open_record_chunks
from service.answers.hand_over import Preview, viewer_of
from service.answers.writing import zip_members
from service.export.contents import named_rows, of_one_moment, without_people
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

    The sheets grow beside it, and go when it is whole; `progress` is called with how many more
    placements are written. Raises StoreBusyError where the store was changed again and again.
    """
    reader = viewer_of(audience, viewer)
    parts = {name: path.with_name(f"{name}.csv") for name in (*_BY_RECORD, "surveys", "sites")}

    def write() -> None:
        surveys, sites = access.surveys(store, reader), access.sites(store, reader)
        holds = Preview()
        for name, part in parts.items():
            part.write_bytes(csv_text(in_columns(name, pd.DataFrame())))
        for records in open_record_chunks(store, selection, reader, size=_AT_ONCE):
            shown = without_people(records) if audience == "public" else records
            sheets = field_sheets(shown, surveys, sites, store.operations())
            for name in _BY_RECORD:
                _append(parts[name], sheets[name])
            holds.add(shown)
            if progress is not None:
                progress(len(shown.placements))
        _append(parts["surveys"], named_rows("surveys", surveys, holds.surveys))
        _append(parts["sites"], named_rows("sites", sites, holds.sites))

    try:
        of_one_moment(store, write)
        zip_members(path, {part.name: part for part in parts.values()})
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


def _append(part: Path, sheet: pd.DataFrame) -> None:
    with part.open("ab") as file:
        file.write(csv_text(sheet, header=False))
