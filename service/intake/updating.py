"""Sheets that come back: what of stored placements they leave unsaid, and what they change."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from service.intake.cell_texts import as_typed
from service.intake.columns import SHEETS
from service.intake.findings import Cells
from service.intake.stored_sheets import PLACE, field_sheets
from service.records import Selection

if TYPE_CHECKING:
    from collections.abc import Mapping

    from service.intake.sheets import Sheets
    from service.records import FieldRecords, Records
    from service.store import Store

__all__ = ["changes_of", "completed", "differences"]

_WITHOUT_FISH: Final = ("nil", "lost")


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
        sheets.findings.refuse_file(cells.file, "hand_over_of_public.whole")
        return sheets
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
        text = own[name].map(as_typed)
        if cells.decimal_comma and name in numbers:
            text = text.str.replace(".", ",")
        frame[name] = names.map(text).fillna("").astype("str")
    whole = {**sheets.cells, "placements": replace(cells, frame=frame)}
    findings = sheets.findings
    without_fish = cells.column("outcome").str.lower().isin(_WITHOUT_FISH)
    for name in ("catches", "lengths"):
        if name not in whole and len(stored[name]):
            rows = stored[name].map(as_typed).astype("str")
            rows = rows.set_axis(pd.RangeIndex(2, len(rows) + 2))
            whole[name] = Cells(name, cells.file, rows, findings)
        elif name in whole and not remove_rows:
            left_out = names.isin(stored[name]["placement_id"]) & ~without_fish
            left_out &= ~names.isin(whole[name].column("placement_id"))
            cells.refuse(left_out, "placement_id", f"rows_left_out.{name}")
    if names.isin(known).all():  # nothing is new that would need the columns
        findings.refused = [
            fault
            for fault in findings.refused
            if fault.code != "column_missing" or fault.column not in lacking
        ]
    return replace(sheets, cells=whole)


def changes_of(records: FieldRecords, changed: tuple[str, ...], store: Store) -> pd.DataFrame:
    """List what an update changes, column by column, as a sheet shows it.

    Returns
    -------
    DataFrame
        `placement_id`, `column`, `before`, `after` as text, by placement; of catches and lengths
        the rows that are stored alone and those that are given alone. Times are local.
    """
    names = list(changed)
    was, now = (
        _as_sheets(own, names, store)
        for own in (store.records(Selection(placements=changed)), records)
    )
    rows = [(name, *one) for name in names for one in differences(was[name], now[name])]
    return pd.DataFrame(rows, columns=["placement_id", "column", "before", "after"], dtype="str")


def differences(one: Mapping[Any, Any], other: Mapping[Any, Any]) -> list[tuple[str, str, str]]:
    """List where two rows differ: column, text of one, text of the other; of lists, what is alone.

    What a row lacks is empty.
    """
    found = []
    for column in dict.fromkeys((*one.keys(), *other.keys())):
        pair = one.get(column), other.get(column)
        if isinstance(pair[0], Counter) and isinstance(pair[1], Counter):
            alone = pair[0] - pair[1], pair[1] - pair[0]
            was, now = ("; ".join(sorted(rows.elements())) for rows in alone)
        else:
            was, now = map(as_typed, pair)
        if was != now:
            found.append((str(column), was, now))
    return found


def _as_sheets(
    records: Records | FieldRecords, names: list[str], store: Store
) -> dict[str, dict[Any, Any]]:
    """Write placements as their sheet shows them, with the rows of their catches and lengths."""
    sheets = field_sheets(records, store.surveys(), store.sites(), store.operations())
    # What no sheet shows is compared too: two that differ must never seem the same.
    zones = records.placements["timezone"].to_numpy(object)
    frame = sheets["placements"].assign(timezone=zones).set_index("placement_id").loc[names]
    whole = {str(name): row for name, row in frame.to_dict("index").items()}
    for name in ("catches", "lengths"):
        own = sheets[name][sheets[name]["placement_id"].isin(names)]
        rows: dict[str, Counter[str]] = {one: Counter() for one in names}
        for row in own.map(as_typed).to_dict("records"):
            placement = row.pop("placement_id")
            rows[placement][", ".join(f"{key} {value}" for key, value in row.items() if value)] += 1
        for placement in names:
            whole[placement][name] = rows[placement]
    return whole
