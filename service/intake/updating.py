"""Sheets that come back: what of stored placements they leave unsaid, and what they change."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import orjson
import pandas as pd

from service.intake.cell_texts import as_typed
from service.intake.columns import SHEETS
from service.intake.findings import Cells
from service.intake.stored_sheets import PLACE, field_sheets
from service.records import Selection
from service.store import documents

if TYPE_CHECKING:
    from service.intake.sheets import Sheets
    from service.records import FieldRecords
    from service.store import Store

__all__ = ["changes_of", "completed"]

_WITHOUT_FISH: Final = ("nil", "lost")
# Follow from the rest of the document.
_DERIVED: Final = frozenset({"x", "y", "transformation", "transformation_accuracy_m"})


def completed(sheets: Sheets, store: Store, *, remove_rows: bool = False) -> Sheets:
    """Fill in what sheets do not say of placements that are stored.

    A column that the placement sheet lacks keeps what is stored, and so does the catch, or the
    fish measured, where no such sheet is given. A cell that is there and empty is empty. A sheet
    of catches or lengths that lists no row of a placement which has some is refused, but where
    the placement is declared nil or lost, or `remove_rows` says that they are to be removed.
    """
    cells = sheets.cells.get("placements")
    if cells is None:
        return sheets
    if cells.file.endswith(", layer placement_sheet") and sheets.returned is None:
        findings = sheets.findings.copy()
        findings.refuse_file(cells.file, "hand_over_of_public.whole")
        return replace(sheets, findings=findings)
    names = cells.column("placement_id")
    known = store.known_placements(names[names != ""].unique().tolist()).index
    if not len(known):
        return sheets
    records = store.records(Selection(placements=tuple(known)))
    stored = field_sheets(records, store.surveys(), store.sites(), store.operations())
    own = stored["placements"].set_index("placement_id")
    given = set(cells.frame.columns)
    kept = PLACE | {"crs"} if given & PLACE else set()
    frame = cells.frame.copy()
    numbers = {column.name for column in SHEETS["placements"] if column.kind == "number"}
    lacking = own.columns.difference(list(given | kept))
    for name in lacking:
        text = own[name].map(_text)
        if cells.decimal_comma and name in numbers:
            text = text.str.replace(".", ",")
        frame[name] = names.map(text).fillna("").astype("str")
    whole = {**sheets.cells, "placements": replace(cells, frame=frame)}
    findings = sheets.findings.copy()
    without_fish = cells.column("outcome").str.lower().isin(_WITHOUT_FISH)
    for name in ("catches", "lengths"):
        if name not in whole and len(stored[name]):
            rows = stored[name].map(_text).astype("str")
            whole[name] = Cells(name, cells.file, rows.set_axis(pd.RangeIndex(2, len(rows) + 2)))
        elif name in whole and not remove_rows:
            left_out = names.isin(stored[name]["placement_id"]) & ~without_fish
            left_out &= ~names.isin(whole[name].column("placement_id"))
            findings.refuse(cells, left_out, "placement_id", f"rows_left_out.{name}")
    if names.isin(known).all():  # nothing is new that would need the columns
        findings.refused = [
            fault
            for fault in findings.refused
            if fault.code != "column_missing" or fault.column not in lacking
        ]
    return replace(sheets, cells=whole, findings=findings)


def _text(value: Any) -> str:  # noqa: ANN401
    return as_typed(value) or ""


def changes_of(records: FieldRecords, changed: tuple[str, ...], store: Store) -> pd.DataFrame:
    """List what an update changes, column by column.

    Returns
    -------
    DataFrame
        `placement_id`, `column`, `before`, `after` as text, by placement; of catches and fish
        measured, the rows that are stored alone and those that are given alone.
    """
    stored = store.records(Selection(placements=changed))
    before = dict(
        zip(
            stored.placements.index,
            documents(stored.placements, stored.catches, stored.lengths),
            strict=True,
        )
    )
    new = records.placements.loc[list(changed)]
    after = documents(new, records.catches, records.lengths)
    rows = [
        (name, column, *_apart(before[name].get(column), document.get(column)))
        for name, document in zip(new.index, after, strict=True)
        for column in sorted((before[name].keys() | document.keys()) - _DERIVED)
        if before[name].get(column) != document.get(column)
    ]
    frame = pd.DataFrame(rows, columns=["placement_id", "column", "before", "after"], dtype="str")
    return frame[frame["before"] != frame["after"]].reset_index(drop=True)


def _apart(before: Any, after: Any) -> tuple[str, str]:  # noqa: ANN401
    """Write two values; of lists of rows, what stands in one alone."""
    if isinstance(before, list) or isinstance(after, list):
        one, other = (
            sorted(orjson.dumps(row, option=orjson.OPT_SORT_KEYS).decode() for row in rows or [])
            for rows in (before, after)
        )
        return _without(one, other), _without(other, one)
    return _text(before), _text(after)


def _without(rows: list[str], others: list[str]) -> str:
    left = list(others)
    alone = []
    for row in rows:
        if row in left:
            left.remove(row)
        else:
            alone.append(row)
    return "; ".join(alone)
