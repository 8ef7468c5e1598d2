"""Empty field sheets with an explanation of every column, from the one table of columns."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from service.intake.columns import SHEETS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from openpyxl.worksheet.worksheet import Worksheet

    from service.intake.columns import Column

__all__ = ["explanations", "write_templates"]

_ROWS = 2_000  # rows of a sheet that offer lists to choose from
_HEADERS = ("sheet", "column", "needed", "unit", "what to write", "example", "also understood")
_HOW = """How to fill these sheets

One row in placements for each gear, or string of like gear, that was put in one place once; also
where nothing was caught (outcome nil) and where gear was lost. One row in catches for each
species, pass and life stage of a placement. One row in lengths for each fish measured. Surveys
and sites are needed only for those that the store does not know yet.

Save as CSV UTF-8, or keep all five sheets in one XLSX workbook. Columns may stand in any order;
leave out those you do not use. Leave cells empty where nothing is known. Numbers without units
and without marks between thousands. Check first:

  rifflebook import STORE --placements placements.csv --catches catches.csv --check-only
"""


def explanations(sheet: str, methods: Sequence[str] = ()) -> list[tuple[str, ...]]:
    """Explain a sheet: per column its sheet, name, need, unit, meaning, example, aliases."""
    return [
        (
            sheet,
            column.name,
            "yes" if column.required else "",
            column.unit,
            _what(column, methods),
            column.example,
            ", ".join(column.aliases),
        )
        for column in SHEETS[sheet]
    ]


def _what(column: Column, methods: Sequence[str]) -> str:
    choices = methods if column.name == "method" else column.words
    listed = f" One of: {', '.join(choices)}." if choices else ""
    kind = {"yes_no": " yes or no.", "whole": " A whole number."}.get(column.kind, "")
    return f"{column.meaning}{kind}{listed}"


def write_templates(directory: Path, methods: Sequence[str]) -> list[Path]:
    """Write empty CSV sheets, one workbook with lists to choose from, and a text about columns.

    The directory is made where it does not exist. Files of these names that are there already are
    kept, and FileExistsError is raised before anything is written.
    """
    directory.mkdir(parents=True, exist_ok=True)
    book, text = directory / "field_sheets.xlsx", directory / "columns.txt"
    sheets = {sheet: directory / f"{sheet}.csv" for sheet in SHEETS}
    there = [path for path in (*sheets.values(), book, text) if path.exists()]
    if there:
        raise FileExistsError(f"{there[0]} exists already; choose another directory.")
    for sheet, path in sheets.items():
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            csv.writer(file).writerow(column.name for column in SHEETS[sheet])
    text.write_text(_text(methods), encoding="utf-8")
    _workbook(methods).save(book)
    return [*sheets.values(), book, text]


def _text(methods: Sequence[str]) -> str:
    parts = [_HOW]
    for sheet in SHEETS:
        parts.append(f"\n{sheet}\n{'-' * len(sheet)}\n")
        for _, name, needed, unit, what, example, aliases in explanations(sheet, methods):
            counted = f" [{unit}]" if unit else ""
            parts.append(f"{name}{counted}{' (needed)' if needed else ''}: {what}")
            parts.append(f" Example: {example}." if example else "")
            parts.append(f" Also understood: {aliases}." if aliases else "")
            parts.append("\n")
    return "".join(parts)


def _workbook(methods: Sequence[str]) -> Workbook:
    book = Workbook()
    about = book.active
    about.title = "explanation"
    _fill(about, [_HEADERS, *(row for sheet in SHEETS for row in explanations(sheet, methods))])
    for letter, width in zip("ABCDEFG", (12, 24, 8, 9, 80, 22, 40), strict=True):
        about.column_dimensions[letter].width = width
    for (cell,) in about.iter_rows(min_col=5, max_col=5):
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    lists = book.create_sheet("lists")
    lists.sheet_state = "hidden"
    offered = 0
    for sheet, columns in SHEETS.items():
        page = book.create_sheet(sheet)
        _fill(page, [[column.name for column in columns]])
        for place, column in enumerate(columns, start=1):
            letter = get_column_letter(place)
            page.column_dimensions[letter].width = max(12, len(column.name) + 2)
            choices = _choices(column, methods)
            if choices:
                offered += 1
                _offer(page, lists, letter, offered, choices)
    return book


def _choices(column: Column, methods: Sequence[str]) -> Sequence[str]:
    if column.name == "method":
        return methods
    return ("yes", "no") if column.kind == "yes_no" else column.words


def _fill(page: Worksheet, rows: list[Sequence[str]]) -> None:
    for row in rows:
        page.append(list(row))
    for cell in page[1]:
        cell.font = Font(bold=True)
    page.freeze_panes = "A2"


def _offer(
    page: Worksheet, lists: Worksheet, letter: str, number: int, choices: Sequence[str]
) -> None:
    """Let a column be chosen from a list, which stands on a hidden sheet."""
    own = get_column_letter(number)
    for row, choice in enumerate(choices, start=1):
        lists[f"{own}{row}"] = choice
    valid = DataValidation(
        type="list", formula1=f"lists!${own}$1:${own}${len(choices)}", allow_blank=True
    )
    valid.error, valid.showErrorMessage = "Choose one of the list.", True
    page.add_data_validation(valid)
    valid.add(f"{letter}2:{letter}{_ROWS}")
