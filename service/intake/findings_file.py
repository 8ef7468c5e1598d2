"""Every finding of a check as a CSV that a spreadsheet opens without running text in it."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from service.intake.importing import CheckResult

__all__ = ["FINDING_COLUMNS", "findings_csv"]

FINDING_COLUMNS: Final = ("kind", "file", "row", "column", "value", "code", "message")


def findings_csv(result: CheckResult) -> bytes:
    """Write refusals, then flags; UTF-8 with BOM."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(FINDING_COLUMNS)
    for fault in result.refused:
        at = ("refused", fault.file, fault.row, fault.column, fault.value)
        writer.writerow(_tame(cell) for cell in (*at, fault.code, fault.remedy))
    columns = ["file", "row", "column", "value", "code", "message"]
    for row in result.flagged[columns].itertuples(index=False):
        writer.writerow(_tame(cell) for cell in ("flagged", *row))
    return text.getvalue().encode("utf-8-sig")


def _tame(cell: object) -> object:
    """Keep a spreadsheet from taking text of the sheets for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t") else cell
