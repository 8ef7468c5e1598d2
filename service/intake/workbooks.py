"""Sheets out of XLSX workbooks, cell by cell as text."""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
from typing import TYPE_CHECKING, Any, Final
from xml.etree.ElementTree import ParseError

import openpyxl
import pandas as pd
from openpyxl.utils.exceptions import InvalidFileException

from service.intake.cell_texts import as_number_typed
from service.intake.text_bounds import LONGEST_CELL, MOST_CELLS, MOST_COLUMNS
from service.intake.wording import say

if TYPE_CHECKING:
    from service.intake.findings import Findings

__all__ = ["read_tabs", "read_workbook"]

_MOST_ROWS: Final = 1_048_576  # of a sheet; ECMA-376 lets a file name rows beyond them
_MIDNIGHT: Final = "2026-06-01T00:00:00"
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
_CLOCK: Final = re.compile(r"(?:kl\.? ?)?\d{1,2}[:.hu]\d\d(:\d\d|\D)*|[012]?\d[0-5]\d")
_BROKEN = (
    zipfile.BadZipFile,
    InvalidFileException,
    KeyError,
    EOFError,
    ParseError,
    OSError,
    ValueError,
    IndexError,
    TypeError,
)


def read_workbook(
    content: bytes, file: str, sheet: str, findings: Findings
) -> tuple[pd.DataFrame, str] | None:
    """Read one sheet of a workbook: the one named like ours, else the only one.

    A formula stays text: what a spreadsheet once worked out for it may be stale or absent. Returns
    the cells, header and all, and what findings call their source: the file, and of several sheets
    which.
    """
    book = _opened(content, file, findings)
    if book is None:
        return None
    names = {name.strip().casefold(): name for name in book.sheetnames}
    if sheet not in names and len(names) != 1:
        listed = ", ".join(book.sheetnames)
        findings.refuse_file(file, say("sheet_missing.workbook", sheet=sheet, names=listed))
        return None
    name = names.get(sheet, book.sheetnames[0])
    source = f"{file}, sheet {name}" if len(book.sheetnames) > 1 else file
    grid = _grid(book[name], file, source, findings)
    if grid is not None and grid.empty:
        findings.refuse_file(source, "file_empty.sheet")
    return None if grid is None or grid.empty else (grid, source)


def read_tabs(content: bytes, file: str, findings: Findings) -> dict[str, pd.DataFrame]:
    """Read every sheet of a workbook that is shown and not empty, header and all, by its name.

    Text cells; rows are counted from 1. See `Numbers` for `attrs`.
    """
    book = _opened(content, file, findings)
    tabs: dict[str, pd.DataFrame] = {}
    for name in book.sheetnames if book is not None else ():
        if getattr(book[name], "sheet_state", "visible") != "visible":
            findings.read_file(file, say("read_as.hidden", name=name))
            continue
        grid = _grid(book[name], file, f"{file}, sheet {name}", findings)
        if grid is not None and not grid.empty:
            tabs[name] = grid
    return tabs


def _opened(content: bytes, file: str, findings: Findings) -> Any:  # noqa: ANN401  openpyxl has no types
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about decorations that are not read
            return openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=False)
    except _BROKEN:
        findings.refuse_file(file, "file_unreadable.workbook")
        return None


class Numbers(frozenset[str]):
    """Texts of cells that hold numbers with decimals; `attrs["typed"]` of a frame has them."""

    def __deepcopy__(self, _: object) -> Numbers:
        return self  # a frame copies its attributes with every step


def _grid(
    page: Any,  # noqa: ANN401  openpyxl's read-only sheet
    file: str,
    source: str,
    findings: Findings,
) -> pd.DataFrame | None:
    """Read all cells; empty where no cell is filled, None where the sheet was refused."""
    typed: set[str] = set()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            page.reset_dimensions()
            rows = _rows(page, typed)
    except _BROKEN:
        findings.refuse_file(file, "file_unreadable.workbook")
        return None
    if rows is None:
        bounds = {"rows": _MOST_ROWS, "columns": MOST_COLUMNS, "cells": MOST_CELLS}
        findings.refuse_file(source, say("too_large.sheet", **bounds, characters=LONGEST_CELL))
        return None
    wide = max(map(len, rows), default=0)
    filled = _days_alone([row + [""] * (wide - len(row)) for row in rows])
    grid = pd.DataFrame(filled, dtype="str", index=pd.RangeIndex(1, len(filled) + 1))
    grid.attrs["typed"] = Numbers(typed)
    return grid


def _days_alone(rows: list[list[str]]) -> list[list[str]]:
    """Write a column of nothing but midnights as days where times of day may stand in another.

    Programs that write workbooks often format days with a time, which is then 00:00 throughout.
    """
    moments: dict[int, list[list[str]]] = {}
    clocks = any(_CLOCK.fullmatch(text) for row in rows for text in row)
    for row in rows:
        for at, text in enumerate(row):
            if len(text) == len(_MIDNIGHT) and _MOMENT.fullmatch(text):
                moments.setdefault(at, []).append(row)
    for at, own in moments.items():
        if clocks and all(row[at].endswith(_MIDNIGHT[10:]) for row in own):
            for row in own:
                row[at] = row[at][:10]
    return rows


def _rows(page: Any, typed: set[str]) -> list[list[str]] | None:  # noqa: ANN401  openpyxl's read-only sheet
    """Texts of all rows without empty cells at their ends; None where there are too many.

    Those of numbers with decimals go into `typed`.
    """
    rows: list[list[str]] = []
    wide = seen = 0
    for row in page.iter_rows():
        texts = [cell_text(cell) for cell in row]
        typed.update(
            text for text, cell in zip(texts, row, strict=True) if isinstance(cell.value, float)
        )
        seen += len(texts)
        while texts and not texts[-1]:
            texts.pop()
        # One cell far to the right widens every row: the format allows 17 thousand million cells.
        wide = max(wide, len(texts))
        rows.append(texts)
        if max(map(len, texts), default=0) > LONGEST_CELL:
            return None
        if wide > MOST_COLUMNS or len(rows) > _MOST_ROWS:
            return None
        if max(seen, len(rows) * wide) > MOST_CELLS:
            return None
    return rows


def cell_text(cell: Any) -> str:  # noqa: ANN401  three classes of cells
    """Write a cell's value as one would type it; a date without a time of day as a day."""
    value = cell.value
    if isinstance(value, str):
        return value
    if isinstance(value, dt.datetime):
        if value.time() == dt.time() and "h" not in str(cell.number_format).lower():
            return value.date().isoformat()
        # To the second: a workbook keeps times as fractions of a day, a few microseconds off.
        value = (value + dt.timedelta(microseconds=500_000)).replace(microsecond=0)
    if isinstance(value, dt.time) and not value.second and "s" not in str(cell.number_format):
        return value.isoformat("minutes")  # as it is shown: minutes and seconds may be meant
    if isinstance(value, dt.timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02}" + f":{seconds:02}" * bool(seconds)
    return as_number_typed(value)
