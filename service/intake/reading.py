"""From files to sheets of text cells: CSV here, workbooks and GIS files in their own modules."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.drawing.csv_rows import GUARDED
from layers.plurals import counted
from service.intake.cell_texts import stripped
from service.intake.columns import NO_FISH, SHEETS, known_names, plain
from service.intake.dittos import with_dittos
from service.intake.findings import Cells
from service.intake.numbers import numbers_of
from service.intake.positions_in_cells import with_positions_apart
from service.intake.text_bounds import text_fault
from service.intake.wording import say
from service.reference.files import as_utf8, western_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from layers.arrays import Bools, Ints, Objects
    from service.intake.findings import Findings

__all__ = [
    "DELIMITERS", "LOOKED_AT", "NARROWEST", "PAIR", "SPATIAL_FILES", "SUM", "TEXT_FILES", "TOTAL",
    "WORKBOOKS", "by_rows", "decoded", "is_value", "read_cells", "read_text", "row_of_header",
    "split_text", "unguarded", "whole_sheet", "widths",
]  # fmt: skip

LOOKED_AT: Final = 45
"""Rows that show how wide a table is."""
PAIR: Final = re.compile(r"([^:]{1,40}[^:\s\d])\s*:\s*(.*)", re.DOTALL)
"""What is said above a table, such as `Site: Mill ford`."""
NARROWEST: Final = 3
"""Columns of a table below which notes are told from rows."""
_WITHIN: Final = 15  # rows
_NAMED_WITHIN: Final = 5  # rows: what is named ours stands at the top
_VALUE: Final = re.compile(r"[=#+\-<>~]?\s*[\d.,:/\-\s]*\d[\d.,:/\-\s]*[%+]?|\d{1,2}[. ]\w+[. ]\d+")

TEXT_FILES: Final = (".csv", ".txt", ".tsv")
WORKBOOKS: Final = (".xlsx", ".xlsm")
SPATIAL_FILES: Final = (".geojson", ".json", ".gpkg", ".shp", ".fgb")

DELIMITERS: Final = (",", ";", "\t")
_ANY_GUARDED: Final = re.compile("|".join(map(re.escape, GUARDED)))
_MOST_OF_A_NOTE: Final = 3  # cells
_LONGEST_TITLE: Final = 120  # characters that are said
SUM: Final = re.compile(
    r"(?:grand ?|sub[ -]?)?totals?|sums?|all ?fish|summe|gesamt\w*|somme|totaux|som|totaal|suma|"
    r"summa|totalt|i alt",
    re.IGNORECASE,
)
"""What stands above a column of sums."""
TOTAL: Final = re.compile(
    rf"(?:{SUM.pattern}|mean|average|mittel(?:wert)?|moyenne|gemiddelde?|media|medel|gennemsnit)"
    r"\s*:?",
    re.IGNORECASE,
)
"""What stands in place of a name in a row of totals."""
_BEGINS: Final = re.compile(rf"{TOTAL.pattern}\b.*", re.IGNORECASE | re.DOTALL)
_REMARK: Final = re.compile(
    r"(?:remarks?|notes?|comments?|bemerkung(?:en)?|anmerkung(?:en)?|remarques?|opmerking(?:en)?)"
    r"(?:\s*:.*)?|\*+\s*[^\W\d].*",
    re.IGNORECASE | re.DOTALL,
)
_NAMES: Final = {",": "comma", ";": "semicolon", "\t": "tab"}


def read_cells(
    path: Path, sheet: str, findings: Findings, *, delimiter: str | None = None
) -> Cells | None:
    """Read one sheet out of a file by its ending, under its own headers; None where it cannot be.

    Parameters
    ----------
    path
        CSV, XLSX, GeoJSON, GeoPackage, Shapefile or FlatGeobuf.
    sheet
        Which sheet is looked for, where a file may hold several.
    delimiter
        Separator of a CSV; found from the header where not given.
    """
    try:
        content = path.read_bytes()
    except OSError as problem:
        said = say("file_unreadable.open", problem=problem.strerror or problem)
        findings.refuse_file(path.name, said)
        return None
    if not content.removeprefix(b"\xef\xbb\xbf").strip():
        findings.refuse_file(path.name, "file_empty.file")
        return None
    ending = path.suffix.lower()
    read: tuple[pd.DataFrame, str] | None = None
    # What reads a kind of file is heavy, and loaded when one of that kind comes.
    if ending in WORKBOOKS:
        from service.intake.workbooks import read_workbook

        for source, grid in read_workbook(content, path.name, findings, sheet).items():
            read = _under_header(grid, source, sheet, findings), source
    elif ending in SPATIAL_FILES:
        from service.intake.spatial_files import read_spatial_file

        read = read_spatial_file(path, sheet, findings)
    elif ending == ".xls":
        findings.refuse_file(path.name, "file_kind.xls")
        return None
    else:
        return read_text(content, path.name, sheet, findings, delimiter=delimiter)
    return None if read is None else whole_sheet(*read, sheet, findings)


def read_text(
    content: bytes, file: str, sheet: str, findings: Findings, *, delimiter: str | None = None
) -> Cells | None:
    """Read a CSV, as `decoded` reads text; comma, semicolon or tab; quoted line breaks.

    What is no `sheet` of ours may have one column, and each row must have all cells.
    """
    text = decoded(content, file, findings)
    if text is None:
        return None
    separator = delimiter or (_separator(text, sheet) if sheet else by_rows(text))
    if separator is None or (sheet and max(_fit(text, separator, sheet)) == 0):
        _refuse_delimiter(text, file, sheet, findings, delimiter)
        return None
    # Titles above a header have fewer cells than it.
    records = _first_records(text, separator)
    below = row_of_header(records, sheet)
    if not sheet and records:
        _refuse_ragged(text, separator, file, findings, below=below or 0)
    if findings.refused and not sheet:
        return None
    wide = max(widths(text, separator), default=0) if below else 0
    frame = split_text(text, separator, file, findings, wide=wide)
    if frame is None:
        return None
    body = _under_header(frame, file, sheet, findings)
    return whole_sheet(body, file, sheet, findings, separator == ";")


def decoded(content: bytes, file: str, findings: Findings) -> str | None:
    """Decode UTF-8, or UTF-16 with its mark; else code page 1252 where it can only be that."""
    content = as_utf8(content)
    if content[:2] == b"PK" or b"\x00" in content:
        workbook = content[:2] == b"PK"
        findings.refuse_file(file, "file_kind.workbook" if workbook else "not_utf8.file")
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        row = len(_records(content[: problem.start].decode() + "x"))
    western = western_text(content)
    if western is None:
        findings.refuse_file(file, "not_utf8.file", row=row)
        return None
    findings.read_file(file, say("read_as.cp1252", word=western[1]))
    return western[0]


def is_value(text: str) -> bool:
    """Whether a cell is a number, a date or a formula rather than words."""
    return _VALUE.fullmatch(text) is not None


def row_of_header(records: Sequence[Sequence[str]], sheet: str = "") -> int | None:
    """Find the header among the first `LOOKED_AT` rows, from 0; None where no row can be one.

    Of a `sheet` of ours, where names of ours stand in it, the header is the row of the first five
    that alone has some, and all that the sheet needs; else the first.
    """
    if sheet:
        known = known_names(sheet)
        needed = {column.name for column in SHEETS[sheet] if column.required}
        ours = [
            {known[plain(text)] for text in row if plain(text) in known}
            for row in records[:_WITHIN]
        ]
        named = [place for place, names in enumerate(ours) if names]
        if named:
            near = [place for place in named if place < _NAMED_WITHIN]
            alone = len(near) == 1 and len(ours[near[0]]) > 1 and needed <= ours[near[0]]
            return near[0] if alone else 0
    return _by_width(records)


def _by_width(records: Sequence[Sequence[str]]) -> int | None:
    """Find the first row that is about as wide as the widest and has words, not values."""
    rows = [[text.strip() for text in row if text.strip()] for row in records[:LOOKED_AT]]
    most = max(map(len, rows), default=0)
    if len(rows) < 2 or most < 2:
        return None
    for place, own in enumerate(rows[: min(_WITHIN, len(rows) - 1)]):
        if len(own) < max(2, 0.6 * most) or sum(map(is_value, own)) > len(own) / 3:
            continue
        if 2 * sum(PAIR.fullmatch(text) is not None for text in own) < len(own):
            return place
    return None


def _under_header(grid: pd.DataFrame, file: str, sheet: str, findings: Findings) -> pd.DataFrame:
    """Put rows of cells under their header, which is the first row or stands below titles."""
    records = grid.iloc[:LOOKED_AT].to_numpy(object).tolist()
    top = row_of_header(records, sheet) or 0
    if top:
        titles = "; ".join(" ".join(filter(None, row)) for row in records[:top])[:_LONGEST_TITLE]
        findings.read_file(
            file, say("read_as.header", row=top + 1, titles=titles), row=top + 1, sheet=sheet
        )
    body = grid.iloc[top + 1 :].set_axis(grid.iloc[top].tolist(), axis=1)
    body.index = pd.RangeIndex(top + 2, top + 2 + len(body))
    return body


def split_text(
    text: str, separator: str, file: str, findings: Findings, *, wide: int = 0
) -> pd.DataFrame | None:
    """Split text into cells, header and all; None where it cannot be, which is refused.

    `wide` is the number of columns where the first record has fewer than others.
    """
    if fault := text_fault(text.encode(), separator):
        findings.refuse_file(file, fault[1], row=fault[0])
        return None
    try:
        frame = pd.read_csv(
            io.StringIO(text),
            sep=separator,
            header=None,
            names=range(wide) if wide else None,
            dtype="str",
            keep_default_na=False,
            na_filter=False,
            skip_blank_lines=False,
            index_col=False,
        )
    except pd.errors.ParserError as problem:
        open_quote = re.search(r"EOF inside string starting at row (\d+)", str(problem))
        if open_quote:
            findings.refuse_file(file, "cells_unclear.quote", row=int(open_quote[1]) + 1)
        else:
            _refuse_ragged(text, separator, file, findings)
        return None
    if frame.iloc[:1].isna().any(axis=None):  # of columns that no record goes as far as
        frame = frame.fillna("")
    if _ANY_GUARDED.search(text):  # rare, and looking into every cell is slow
        frame = frame.apply(unguarded)
    return frame


def whole_sheet(
    frame: pd.DataFrame,
    file: str,
    sheet: str,
    findings: Findings,
    decimal_comma: bool = False,
    header_row: int = 0,
) -> Cells | None:
    """Make cells of a frame under its own headers; refuse what cannot be a sheet.

    Rows without any value are left out, columns without header and value too. The header is in
    the row before the first of the frame where `header_row` does not say another.
    """
    if not header_row:
        header_row = max(int(frame.index[0]) - 1, 1) if len(frame) else 1
    headers = [str(header).strip() for header in frame.columns]
    frame = frame.set_axis(range(len(headers)), axis=1).apply(stripped)
    stands = (frame != "").to_numpy(bool)
    filled, some = stands.sum(axis=1), {*np.flatnonzero(stands.any(axis=0)).tolist()}
    if not filled.all():
        if findings.audience == "sheet" and len(headers) >= NARROWEST:
            filled = _without_notes(frame, filled, file, sheet, findings)
        frame = frame.loc[filled > 0]
    keep = [k for k, header in enumerate(headers) if header or k in some]
    nameless = [k for k in keep if not headers[k]]
    # Programs of statistics write the numbers of rows into a first column without a header.
    if nameless == [0] and frame[0].tolist() == [str(n) for n in range(1, len(frame) + 1)]:
        findings.read_file(file, say("read_as.row_numbers"), sheet=sheet)
        keep, nameless = keep[1:], []
    if nameless:
        said = say("header_unclear.nameless", number=nameless[0] + 1)
        findings.refuse_file(file, said, row=header_row, sheet=sheet)
    seen: dict[str, str] = {}
    for k in keep:
        header = headers[k]
        if header and plain(header) in seen:
            said = say("header_unclear.twice", header=header)
            findings.refuse_file(file, said, row=header_row, column=header, sheet=sheet)
        seen[plain(header)] = header
    if nameless or len(seen) < len(keep):
        return None
    if not len(frame) and sheet == "placements":
        findings.refuse_file(file, "file_empty.rows", sheet=sheet)
        return None
    named = frame[keep].set_axis([headers[k] for k in keep], axis=1)
    typed = frame.attrs.get("typed", frozenset())
    whole = Cells(sheet, file, named, findings, decimal_comma, header_row=header_row, typed=typed)
    merged = tuple((*rows, headers[at]) for *rows, at in frame.attrs.get("merged", ()))
    whole = replace(whole, merged=merged)
    if findings.audience == "form":
        return whole
    whole = with_dittos(_without_totals(whole))
    return with_positions_apart(whole)


def _without_notes(
    frame: pd.DataFrame, filled: Ints, file: str, sheet: str, findings: Findings
) -> Ints:
    """Leave out notes and legends below an empty row, if nothing else stands there.

    No row of one cell is a record, unless it says that there was no fish. A legend has an equals
    sign, or explains a word that stands in other columns of the table alone, as K of kick net.
    Returns how many cells of each row are filled; of those left out, 0.
    """
    last = int(np.flatnonzero(filled > _MOST_OF_A_NOTE).max(initial=-1))
    for gap in np.flatnonzero(filled == 0).tolist():
        rest = np.flatnonzero((filled > 0) & (np.arange(len(filled)) > max(gap, last)))
        if gap < last or not len(rest):
            continue
        above = frame.iloc[:gap]
        notes = [[text for text in row if text] for row in frame.iloc[rest].to_numpy(object)]
        places = [int((frame.iloc[k] != "").to_numpy(bool).argmax()) for k in rest.tolist()]
        if all(_is_note(own, above, at) for own, at in zip(notes, places, strict=True)):
            said = say("read_as.notes", rows=counted(len(rest), "row"), first=notes[0][0][:60])
            row, first = int(frame.index[rest[0]]), notes[0][0]
            findings.read_file(file, said, rows=len(rest), row=row, value=first, sheet=sheet)
            return np.where(np.isin(np.arange(len(filled)), rest), 0, filled)
    return filled


def _is_note(own: Sequence[str], above: pd.DataFrame, at: int) -> bool:
    """Whether the cells of a row, of which the first is in column `at`, are a note of a table."""
    if len(own) == 1 or any(text.startswith("=") or text.endswith("=") for text in own):
        return len(own) > 1 or plain(own[0]) not in NO_FISH
    word = own[0].rstrip(": ")
    elsewhere = (above == word).any().tolist()
    return len(own) == 2 and not is_value(word) and any(elsewhere) and not elsewhere[at]


def _without_totals(whole: Cells) -> Cells:
    """Leave out rows of totals and remarks.

    One of totals begins with a word for it and lacks what every row gives that has a cell there,
    as do the rows below it that are to be filled down from it; or it has nothing else than sums of
    the rows above, from the total before. Any other that begins with such a word is refused. Where
    the word does not come first, it lacks what every other row gives, and the rest are numbers. A
    remark stands in a row of its own.
    """
    cells = whole.frame.to_numpy(object)
    filled = cells != ""
    usual = 2 * filled.sum(axis=0) > len(cells)
    start = filled.argmax(axis=1)
    first = cells[np.arange(len(cells)), start]
    worded = _with_words(first[:, None], _BEGINS)
    at = np.flatnonzero(~filled[:, usual].all(axis=1))
    worded[at] |= _with_words(cells[at], TOTAL)
    if not worded.any() or worded.all():
        return whole
    always, before = filled[~worded].all(axis=0), 0
    left, doubtful = np.zeros((2, len(cells)), dtype=bool)
    given = {k: filled[_heads(filled, worded, k)].all(axis=0) for k in np.unique(start[worded])}
    for row in np.flatnonzero(worded).tolist():
        own = np.flatnonzero(filled[row])
        word = np.array([TOTAL.fullmatch(text) is not None for text in cells[row, own]])
        numbers = numbers_of(cells[row, own], decimal_comma=True)
        if not _BEGINS.fullmatch(first[row]):
            rest = np.isfinite(numbers[~word]).all() if word.any() else len(own) <= 2
            left[row] |= not filled[row, always].all() and rest
            continue
        lacks = given[start[row]] & ~filled[row]
        left[row] |= lacks.any() and (word[0] or 2 * lacks.sum() >= given[start[row]].sum())
        if left[row]:
            below = filled[row + 1 :, : start[row] + 1].any(axis=1)
            below |= filled[row + 1 :, lacks].any(axis=1)
            left[row + 1 : row + 1 + int(np.append(below, True).argmax())] = True
        if word[0]:
            above = cells[before:row][~worded[before:row]][:, own[1:]]
            sums = [numbers_of(column, decimal_comma=True).sum() for column in above.T]
            left[row] |= bool(sums) and sums == numbers[1:].tolist()
            before = row + 1
        doubtful[row] = not left[row] and (word[0] or lacks.any())
    for k in np.unique(start[doubtful]):
        own_column = doubtful & (start == k)
        whole.refuse(own_column, str(whole.frame.columns[k]), "name_is_total.row")
    if rows := int(left.sum()):
        texts = [" ".join(own[own != ""])[:80] for own in cells[left][:3]]
        examples = "; ".join(texts) + " …" * (rows > len(texts))
        said = say("read_as.left_out", rows=counted(rows, "row"), examples=examples)
        row = int(whole.frame.index[left][0])
        whole.findings.read_file(
            whole.file, said, rows=rows, row=row, sheet=whole.sheet, value=texts[0]
        )
    return whole.rows(~left)


def _heads(filled: Bools, worded: Bools, column: int) -> Bools:
    """Rows with a cell in this column, among others: with those of totals it is filled in."""
    own: Bools = ~worded & filled[:, column] & (filled.sum(axis=1) > 1)
    return own if own.any() else ~worded


def _with_words(cells: Objects, total: re.Pattern[str]) -> Bools:
    """Rows with a word for totals in a cell, or for remarks in the first."""
    words = {text for text in pd.unique(cells.ravel()) if total.fullmatch(text)}
    remark = np.array([_REMARK.fullmatch(text) is not None for text in cells[:, 0]], dtype=bool)
    found: Bools = pd.Index(cells.ravel()).isin(words).reshape(cells.shape).any(axis=1) | remark
    return found


def unguarded(cells: pd.Series) -> pd.Series:
    """Take off the apostrophe that keeps a spreadsheet from running text as a formula.

    Our own CSV files put one before such text; one is taken off again.
    """
    guarded = cells.str.startswith(GUARDED)
    return cells.mask(guarded, cells.str.slice(1)) if guarded.any() else cells


def _records(text: str, separator: str = ",", most: int | None = None) -> list[list[str]]:
    """Split into records, which may have line breaks in quotes; none where they cannot be."""
    try:
        return list(islice(csv.reader(io.StringIO(text), delimiter=separator), most))
    except csv.Error:
        return []


def _first_records(text: str, separator: str) -> list[list[str]]:
    return _records(text[:100_000], separator, LOOKED_AT)


def widths(text: str, separator: str) -> list[int]:
    """Numbers of cells of the records; none where they cannot be split."""
    try:
        return [len(row) for row in csv.reader(io.StringIO(text), delimiter=separator) if row]
    except csv.Error:
        return []


def _separator(text: str, sheet: str) -> str | None:
    """Find what splits the header into the most known columns, then into most at all."""
    best = max(DELIMITERS, key=lambda separator: _fit(text, separator, sheet))
    return best if max(_fit(text, best, sheet)) else None


def by_rows(text: str) -> str:
    """Find what splits most of the first records into equally many cells."""

    def fit(separator: str) -> tuple[float, int]:
        cells = widths(text[:100_000], separator)
        width, times = Counter(cells).most_common(1)[0] if cells else (1, 1)
        return (times / max(len(cells), 1) if width > 1 else 0.0, width)

    return max(DELIMITERS, key=fit)


def _fit(text: str, separator: str, sheet: str) -> tuple[int, int]:
    """How many headers are known, and how many times a separator splits them; 0, 0 is no header."""
    records, known = _first_records(text, separator), known_names(sheet)
    headers = records[row_of_header(records, sheet) or 0] if records else []
    return sum(plain(header) in known for header in headers), max(len(headers) - 1, 0)


def _refuse_delimiter(
    text: str, file: str, sheet: str, findings: Findings, delimiter: str | None
) -> None:
    header = text.splitlines()[0] if text.splitlines() else ""
    used = _separator(text, sheet)
    if delimiter and used:
        said = say("cells_unclear.separator", given=delimiter, used=_NAMES[used])
    else:
        said = say("cells_unclear.one_column", header=header[:60])
    findings.refuse_file(file, said, row=1, sheet=sheet)


def _refuse_ragged(
    text: str, separator: str, file: str, findings: Findings, *, below: int | None = None
) -> None:
    """Name every row with more cells than the header; those with fewer too `below` one, from 0."""
    rows = csv.reader(io.StringIO(text), delimiter=separator)
    wide = len(_first_records(text, separator)[below or 0])
    sign, headers = _NAMES.get(separator, separator), counted(wide, "header")
    try:
        for number, record in enumerate(rows):
            short = below is not None and number > below and 0 < len(record) < wide
            if len(record) > wide or short:
                cells = counted(len(record), "cell")
                ragged = say("cells_unclear.ragged", cells=cells, headers=headers, sign=sign)
                findings.refuse_file(file, ragged, row=number + 1)
    except csv.Error as also:
        findings.refuse_file(file, say("cells_unclear.split", problem=also))
