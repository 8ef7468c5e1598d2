"""Sheets out of XLSX workbooks, cell by cell as text."""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import openpyxl
import pandas as pd
from openpyxl.comments.comment_sheet import CommentSheet
from openpyxl.packaging.relationship import get_dependents, get_rels_path
from openpyxl.utils import get_column_letter, range_boundaries
from openpyxl.utils.exceptions import InvalidFileException
from openpyxl.xml.constants import COMMENTS_NS
from openpyxl.xml.functions import fromstring

from layers.plurals import counted, plural
from service.intake.cell_texts import as_number_typed
from service.intake.text_bounds import LONGEST_CELL, MOST_CELLS, MOST_COLUMNS
from service.intake.wording import say

if TYPE_CHECKING:
    from service.intake.findings import Findings

__all__ = ["read_workbook"]

_MOST_ROWS: Final = 1_048_576  # of a sheet; ECMA-376 lets a file name rows beyond them
_MIDNIGHT: Final = "2026-06-01T00:00:00"
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
_CLOCK: Final = re.compile(r"(?:kl\.? ?)?\d{1,2}[:.hu]\d\d(:\d\d|\D)*|[012]?\d[0-5]\d")
_HIDDEN_ROW: Final = re.compile(r'<(?:\w+:)?row\s[^>]*\bhidden="(?:1|true)"[^>]*>')
_HIDDEN_COLUMN: Final = re.compile(r'<(?:\w+:)?col\s[^>]*\bhidden="(?:1|true)"[^>]*>')
_MERGED: Final = re.compile(r'<(?:\w+:)?mergeCell\s[^>]*\bref="([A-Z]+\d+:[A-Z]+\d+)"')
_PIECE: Final = re.compile(
    r'"(?P<quoted>[^"]*)"|\\(?P<escaped>.)|[_*].|(?P<condition>\[[<>=][^\]]*\])|\[[^\]]*\]|E[+-]|'
    r"(?P<digits>[0#?.,]+|General)|(?P<sign>[<>=~≈±])|.",
    re.DOTALL,
)
_BROKEN = (
    zipfile.BadZipFile,
    InvalidFileException,
    KeyError,
    EOFError,
    SyntaxError,  # of either parser of XML
    OSError,
    ValueError,
    IndexError,
    TypeError,
)


def read_workbook(
    content: bytes, file: str, findings: Findings, sheet: str = ""
) -> dict[str, pd.DataFrame]:
    """Read the sheets of a workbook that are shown and not empty, header and all.

    Of a `sheet` of ours, the one named like it alone, else the only one. Text cells by what
    findings call their source: the file, and of several sheets which; rows are counted from 1. A
    formula is its stored value, or stays text where none is stored. See `Numbers` for `attrs`.
    """
    book = _opened(content, file, findings)
    every = [] if book is None else book.sheetnames
    names = every
    if sheet and len(every) > 1:
        names = [name for name in every if name.strip().casefold() == sheet][-1:]
    if every and not names:
        said = say("sheet_missing.workbook", sheet=sheet, names=", ".join(every))
        findings.refuse_file(file, said)
    tabs: dict[str, pd.DataFrame] = {}
    for name in names:
        if not sheet and getattr(book[name], "sheet_state", "visible") != "visible":
            findings.read_file(file, say("read_as.hidden", name=name))
            continue
        source = f"{file}, sheet {name}" if len(every) > 1 else file
        grid = _grid(_Page(book[name], source, findings), content, file)
        if grid is not None and not grid.empty:
            tabs[source] = grid
        elif grid is not None and sheet:
            findings.refuse_file(source, "file_empty.sheet")
    return tabs


def _opened(content: bytes, file: str, findings: Findings, *, values: bool = False) -> Any:  # noqa: ANN401  openpyxl has no types
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about decorations that are not read
            return openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=values)
    except _BROKEN:
        findings.refuse_file(file, "file_unreadable.workbook")
        return None


class Numbers(frozenset[str]):
    """Texts of cells that hold numbers with decimals; `attrs["typed"]` of a frame has them."""

    def __deepcopy__(self, _: object) -> Numbers:
        return self  # a frame copies its attributes with every step


def _grid(page: _Page, content: bytes, file: str) -> pd.DataFrame | None:
    """Read all cells; empty where no cell is filled, None where the sheet was refused."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sound = page.read()
            if sound and page.formulas:
                book = _opened(content, file, page.findings, values=True)
                page.put_stored_values(book[page.sheet.title])
            merged = page.say_marks() if sound and page.rows else ()
    except _BROKEN:
        page.findings.refuse_file(file, "file_unreadable.workbook")
        return None
    if not sound:
        bounds = {"rows": _MOST_ROWS, "columns": MOST_COLUMNS, "cells": MOST_CELLS}
        said = say("too_large.sheet", **bounds, characters=LONGEST_CELL)
        page.findings.refuse_file(page.source, said)
        return None
    wide = max(map(len, page.rows), default=0)
    filled = _days_alone([row + [""] * (wide - len(row)) for row in page.rows])
    grid = pd.DataFrame(filled, dtype="str", index=pd.RangeIndex(1, len(filled) + 1))
    grid.attrs |= {"typed": Numbers(page.typed), "merged": merged}
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


@dataclass
class _Page:
    """A sheet as it is read: texts by row, and what cells have besides; those are counted from 1.

    `source` is what findings call it. `typed` are texts of numbers with decimals; `styles` has by
    style whether it strikes through, and its number format.
    """

    sheet: Any  # openpyxl's, read-only; openpyxl has no types
    source: str
    findings: Findings
    rows: list[list[str]] = field(default_factory=list)
    typed: set[str] = field(default_factory=set)
    formulas: set[tuple[int, int]] = field(default_factory=set)
    struck_rows: list[int] = field(default_factory=list)
    struck: list[tuple[int, int, str]] = field(default_factory=list)
    styles: dict[int, tuple[bool, str]] = field(default_factory=dict)

    def text(self, cell: Any) -> str:  # noqa: ANN401
        """Write a cell as it is shown; what a spreadsheet puts around its number is part of it."""
        if isinstance(cell.value, float):
            self.typed.add(cell_text(cell))
        if not isinstance(cell.value, int | float) or isinstance(cell.value, bool):
            return cell_text(cell)
        return _as_shown(cell.value, cell_text(cell), self.style(cell)[1])

    def style(self, cell: Any) -> tuple[bool, str]:  # noqa: ANN401
        key = getattr(cell, "_style_id", 0)
        if key not in self.styles:
            font, code = getattr(cell, "font", None), str(cell.number_format or "")
            self.styles[key] = bool(font is not None and font.strike), code
        return self.styles[key]

    def read(self) -> bool:
        """Read all rows without empty cells at their ends; False where there are too many.

        A row of which every cell is struck through is empty.
        """
        self.sheet.reset_dimensions()
        wide = seen = 0
        for at, row in enumerate(self.sheet.iter_rows(), start=1):
            texts = [self.text(cell) for cell in row]
            self.formulas.update((at, c.column) for c in row if c.data_type == "f")
            filled = [cell for cell, text in zip(row, texts, strict=True) if text.strip()]
            struck = [cell for cell in filled if self.style(cell)[0]]
            if struck and len(struck) == len(filled):
                self.struck_rows.append(at)
                texts = []
            else:
                self.struck += [(at, cell.column, cell_text(cell)) for cell in struck]
            seen += len(row)
            while texts and not texts[-1]:
                texts.pop()
            # One cell far to the right widens every row: the format allows 17 thousand million.
            wide = max(wide, len(texts))
            self.rows.append(texts)
            if max(map(len, texts), default=0) > LONGEST_CELL:
                return False
            if wide > MOST_COLUMNS or len(self.rows) > _MOST_ROWS:
                return False
            if max(seen, len(self.rows) * wide) > MOST_CELLS:
                return False
        return True

    def put_stored_values(self, stored: Any) -> None:  # noqa: ANN401
        """Put what a spreadsheet last worked out in place of its formulas, where that is stored."""
        stored.reset_dimensions()
        done: list[str] = []
        for row, cells in zip(self.rows, stored.iter_rows(), strict=False):
            for cell in cells:
                place = getattr(cell, "row", 0), getattr(cell, "column", 0)
                if place in self.formulas and place[1] <= len(row) and cell.value is not None:
                    row[place[1] - 1] = self.text(cell)
                    done.append(f"{cell.coordinate} as {row[place[1] - 1][:40]}")
        if done:
            examples = ", ".join(done[:3]) + " …" * (len(done) > 3)
            said = say("read_as.formulas", cells=counted(len(done), "formula"), examples=examples)
            self.findings.read_file(self.source, said, rows=len(done), value=examples)

    def say_marks(self) -> tuple[tuple[int, int, int], ...]:
        """Say what is struck through, hidden or commented on.

        Returns
        -------
        merged
            Cells merged with others: first and last row, as the sheet counts, and column, from 0.
        """
        for row, column, text in self.struck:
            said, letter = say("struck.cell", text=text[:60]), get_column_letter(column)
            self.findings.refuse_file(self.source, said, row=row, column=letter)
        if self.struck_rows:
            self._say_rows("struck", self.struck_rows)
        with self.sheet._get_source() as part:
            xml = part.read().decode("utf-8", "replace")
        hidden = [
            int(n) for tag in _HIDDEN_ROW.findall(xml) for n in re.findall(r'\br="(\d+)"', tag)
        ]
        if hidden := [row for row in hidden if row <= len(self.rows) and any(self.rows[row - 1])]:
            self._say_rows("hidden_rows", hidden)
        wide = max(map(len, self.rows))
        columns: list[str] = []
        for tag in _HIDDEN_COLUMN.findall(xml):
            first, last = (int(re.findall(rf'\b{name}="(\d+)"', tag)[0]) for name in ("min", "max"))
            columns += [
                get_column_letter(column)
                for column in range(first, min(last, wide) + 1)
                if any(len(row) >= column and row[column - 1] for row in self.rows)
            ]
        if columns:
            self.findings.read_file(
                self.source, say("read_as.hidden_columns", columns=", ".join(columns))
            )
        try:
            comments = _comments(self.sheet)
        except _BROKEN:  # a part that no value depends on
            comments = []
            self.findings.read_file(self.source, say("read_as.comments_broken"))
        for place, text in comments:
            said = say("read_as.comment", place=place, text=text)
            row = int(re.sub(r"\D", "", place))
            self.findings.read_file(self.source, said, rows=1, row=row, value=text)
        merged = []
        for ref in _MERGED.findall(xml):
            left, top, right, bottom = range_boundaries(ref)
            if top <= len(self.rows) and "".join(self.rows[top - 1][left - 1 : left]):
                merged += [(top, bottom, at - 1) for at in range(left, min(right, wide) + 1)]
        return tuple(merged)

    def _say_rows(self, code: str, numbers: list[int]) -> None:
        listed = ", ".join(map(str, numbers[:20])) + " …" * (len(numbers) > 20)
        said = say(f"read_as.{code}", rows=f"{plural(len(numbers), 'row')} {listed}")
        self.findings.read_file(self.source, said, rows=len(numbers), row=numbers[0])


def _comments(page: Any) -> list[tuple[str, str]]:  # noqa: ANN401
    """Texts of comments on cells, by cell."""
    archive, path = page.parent._archive, get_rels_path(page._worksheet_path)
    if path not in archive.namelist():
        return []
    found = []
    for relation in get_dependents(archive, path).find(COMMENTS_NS):
        listed = CommentSheet.from_tree(fromstring(archive.read(relation.target)))
        found += [(ref, " ".join(comment.text.split())) for ref, comment in listed.comments]
    return [(ref, text) for ref, text in found if text]


@lru_cache
def _literals(code: str) -> list[tuple[str, str, str, bool, bool]]:
    """Read what each section of a number format puts around a number (ECMA-376 part 1, 18.8.31).

    Returns texts before and behind it, its digits, whether it is of a hundred, and whether the
    number may be shown otherwise than between these texts.
    """
    sections, own = [], ["", "", ""]
    percent, odd = False, False
    for piece in (*_PIECE.finditer(code), None):
        if piece is None or piece[0] == ";":
            sections.append((own[0].lstrip(), own[1].rstrip(), own[2], percent, odd))
            own, percent, odd = ["", "", ""], False, False
        elif piece["digits"]:
            odd |= bool(own[1].strip())
            own[2] += piece["digits"]
        elif piece["condition"]:
            odd = True
        elif piece[0] == "%":
            percent = True
        else:
            own[bool(own[2])] += piece["quoted"] or piece["escaped"] or piece["sign"] or ""
    return sections


def _as_shown(value: float, text: str, code: str) -> str:
    """Write a number with what its format shows around it, which may be what was meant."""
    if code == "General":
        return text
    sections = _literals(code)
    place = 1 if value < 0 and len(sections) > 1 else 2 if not value and len(sections) > 2 else 0
    before, behind, digits, percent, odd = sections[place]
    if percent:
        text, behind = as_number_typed(round(value * 100, 9)), "%" + behind
    if not before.strip(" -") and not behind.strip():
        return text
    if odd or any(section[4] for section in sections):
        return f"{text} ({code})"  # no number, so that it is refused where one is wanted
    if not digits:
        return before if value else text
    if isinstance(value, int) and value > 0:
        text = text.zfill(digits.partition(".")[0].count("0"))  # P007 of "P"000
    return f"{before}{text}{behind}"


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
