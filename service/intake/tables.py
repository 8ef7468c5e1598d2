"""The tables of files before anybody knows what they hold: header, blocks, notes below.

A table is found where it can only be meant in one way. What is left out of it (titles, totals,
notes below) is said; where something else stands below, all of it stays in, to be refused.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.cell_texts import stripped
from service.intake.columns import NO_FISH, plain
from service.intake.reading import (
    LOOKED_AT,
    NARROWEST,
    PAIR,
    TEXT_FILES,
    TOTAL,
    WORKBOOKS,
    by_rows,
    decoded,
    is_value,
    row_of_header,
    split_text,
    whole_sheet,
    widths,
)  # fmt: skip
from service.intake.text_bounds import MOST_CELLS
from service.intake.wording import say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from layers.arrays import Bools, Objects
    from service.intake.findings import Cells, Findings

__all__ = ["TITLE", "read_tables", "refuse_spread"]

# Rows of the second tab are counted from here, those of the third from twice this.
_FIRST_OF_TAB: Final = 1 << 21
_ALIKE: Final = 0.8  # share of the columns of both that both have, at least
_FEWEST: Final = 3  # columns that tabs of one kind share
_TABS: Final = ("sheet", "sheet name", "name of the sheet", "tab")
TITLE: Final = "title above the block"
"""Header of a column with the title that stands above the header of each of several blocks."""


def read_tables(path: Path, findings: Findings, *, delimiter: str | None = None) -> list[Cells]:
    """Read every table of a file, each under the headers found in it, for no sheet as yet.

    A workbook has a table in each sheet that is not empty; the separator of a CSV is found from its
    rows where it is not given.
    """
    ending = path.suffix.lower()
    if ending not in (*TEXT_FILES, *WORKBOOKS):
        endings = ", ".join((*TEXT_FILES, *WORKBOOKS))
        said = say("file_kind.ending", ending=ending or "nothing", endings=endings)
        findings.refuse_file(path.name, said)
        return []
    content = path.read_bytes()
    if not content.strip():
        findings.refuse_file(path.name, "file_empty.file")
        return []
    if ending in WORKBOOKS:
        from service.intake.workbooks import read_workbook  # heavy, so loaded when one comes

        tabs = read_workbook(content, path.name, findings)
        grids = tabs if len(tabs) != 1 else {path.name: next(iter(tabs.values()))}
        comma = False
    else:
        text = decoded(content, path.name, findings)
        if text is None:
            return []
        separator = delimiter or by_rows(text)
        cells = widths(text, separator)
        wide = max(cells, default=1)
        if wide * len(cells) > MOST_CELLS:  # titles above a table hide how wide it is
            findings.refuse_file(path.name, say("too_large.cells", most=MOST_CELLS))
            return []
        read = split_text(text, separator, path.name, findings, wide=wide)
        if read is None:
            return []
        grids = {path.name: read.set_axis(pd.RangeIndex(1, len(read) + 1), axis=0)}
        comma = separator == ";"
    found = [_table(grid.apply(stripped), file, comma, findings) for file, grid in grids.items()]
    tables = [table for table in found if table is not None]
    return _stacked(tables, findings) if len(tables) > 1 else tables


def _stacked(tables: Sequence[Cells], findings: Findings) -> list[Cells]:
    """Put tables of a workbook below one another where they have the same columns.

    A column says in which tab, the end of `file`, a row stands. What a tab lacks is empty.
    """
    groups: list[list[Cells]] = []
    for table in tables:
        own = next((group for group in groups if _alike(group[0], table)), [])
        groups += [] if own else [own]
        own.append(table)
    return [group[0] if len(group) == 1 else _one(group, findings) for group in groups]


def _alike(one: Cells, other: Cells) -> bool:
    ours, theirs = ({plain(str(name)) for name in table.frame} for table in (one, other))
    return len(ours & theirs) >= max(_FEWEST, _ALIKE * len(ours | theirs))


def _one(group: list[Cells], findings: Findings) -> Cells:
    book = group[0].file.partition(", sheet ")[0]
    tabs = [table.file.partition(", sheet ")[2] for table in group]
    spelt: dict[str, str] = {}
    for table in group:
        for name in table.frame:
            spelt.setdefault(plain(str(name)), str(name))
    tab = next(name for name in (*_TABS, *map(str, range(len(spelt) + 1))) if name not in spelt)
    frames = []
    for number, (name, table) in enumerate(zip(tabs, group, strict=True)):
        frame = table.frame.rename(columns=lambda own: spelt[plain(str(own))])
        frame = frame.set_axis(frame.index + number * _FIRST_OF_TAB, axis=0)
        frames.append(frame.assign(**{tab: name}))
    frame = pd.concat(frames).fillna("").astype("str")
    frame = frame[[*(name for name in frame if name != tab), tab]]
    listed = ", ".join(tabs)
    findings.read_file(book, say("read_as.tabs", tabs=listed, column=tab), rows=len(frame))
    parts = tuple((k * _FIRST_OF_TAB, table.file) for k, table in enumerate(group))
    typed = frozenset().union(*(table.typed for table in group))
    merged = tuple(
        (first + k * _FIRST_OF_TAB, last + k * _FIRST_OF_TAB, spelt[plain(name)])
        for k, table in enumerate(group)
        for first, last, name in table.merged
    )
    file = f"{book}, sheets {listed}"
    stacked = replace(group[0], file=file, frame=frame, parts=parts, tab=tab)
    return replace(stacked, typed=typed, merged=merged)


def refuse_spread(cells: Cells) -> None:
    """Refuse placements that stand in several tabs: one may be a copy, or another of its number."""
    if not cells.parts:
        return
    ids = cells.column("placement_id")
    tab = pd.Series(cells.frame.index.to_numpy() // _FIRST_OF_TAB, index=ids.index)
    spread = tab.groupby(ids.to_numpy(object)).transform("nunique").to_numpy(np.int64) > 1
    said = say("rows_differ.tabs", column=cells.tab)
    cells.refuse(spread & (ids != "").to_numpy(bool), "placement_id", said)


def _table(grid: pd.DataFrame, file: str, comma: bool, findings: Findings) -> Cells | None:
    """Cut a table out of a grid of cells; None where there is none."""
    cells = grid.to_numpy(object)
    filled = cells != ""
    top = row_of_header(cells[:LOOKED_AT].tolist())
    if top is None:
        return None
    headers = _joined(cells, filled, top)
    below = top + (1 if np.array_equal(cells[top], headers) else 2)
    headers = _under_groups(cells, filled, top) if below == top + 1 else headers
    wide = np.array([bool(header) for header in headers]) | filled[below:].any(axis=0)
    body = np.zeros(len(cells), dtype=bool)
    body[below:] = True
    like = np.flatnonzero(cells[:, 0] == cells[top, 0])
    repeated = like[(cells[like] == cells[top]).all(axis=1)]
    body[repeated] = False
    about, titles = _about_blocks(cells, filled, repeated, below - top)
    of_blocks, above = _block_titles(cells, filled, repeated, below - top)
    about |= of_blocks
    titles += above
    body[titles] = False
    if above:
        said = ", ".join(repr(str(cells[row][filled[row]][0])[:40]) for row in above[:3])
        findings.read_file(
            file,
            say("read_as.blocks", blocks=len(repeated), titles=said, column=TITLE),
            row=int(grid.index[above[0]]),
        )
    frame = pd.DataFrame(cells[:, wide][body], dtype="str")
    places = {int(at): k for k, at in enumerate(np.flatnonzero(wide))}
    merged = [(*rows, places[at]) for *rows, at in grid.attrs.get("merged", ()) if at in places]
    frame.index, frame.attrs = grid.index[body], grid.attrs | {"merged": merged}
    names = [str(header) for header, kept in zip(headers, wide, strict=True) if kept]
    named = frame.set_axis(names, axis=1)
    whole = whole_sheet(named, file, "", findings, comma, int(grid.index[top]))
    if whole is None:
        return None
    own = {plain(name) for name in names}
    more = {k: pd.Series(v, grid.index) for k, v in about.items() if plain(k) not in own}
    return replace(whole, frame=whole.frame.assign(**more).astype("str")) if more else whole


def _joined(cells: Objects, filled: Bools, row: int) -> Objects:
    """Join two header rows: an empty cell repeats the one before it, as merged cells do."""
    upper: Objects = cells[row]
    lower = cells[row + 1]
    grouped = ~filled[row] & filled[row + 1]
    starts = np.flatnonzero(np.diff(np.append(False, grouped).astype(int)) == 1) - 1
    words = not any(is_value(text) for text in lower[filled[row + 1]])
    if not len(starts) or starts[0] < 0 or not words or not filled[row + 1][starts].all():
        return upper
    if not (filled[row] & ~filled[row + 1]).any():
        return upper
    joined: Objects = np.where(filled[row + 1], _grouped(upper, filled[row], lower), upper)
    return joined


def _grouped(upper: Objects, filled: Bools, lower: Objects) -> Objects:
    """Put before each header what stands above it, or above one to its left."""
    above = pd.Series(upper).mask(~filled).ffill().fillna("")
    return np.array([f"{one} {two}".strip() for one, two in zip(above, lower, strict=True)], object)


def _under_groups(cells: Objects, filled: Bools, row: int) -> Objects:
    """Put names of groups from the row above before headers that stand once in each group.

    A group ends where the next begins, or a header of the row above stands alone; the last with the
    last header that stands twice. Columns of numbers behind it may be of it or not, and nothing is
    joined then.
    """
    own: Objects = cells[row]
    names = pd.Series(own).map(plain)
    twice = np.flatnonzero((names != "") & names.duplicated(keep=False))
    if not row or not len(twice):
        return own
    upper = cells[row - 1]
    starts = np.flatnonzero(filled[row - 1] & filled[row])
    end = int(twice[-1]) + 1
    behind = filled[row - 1 : row + 1].any(axis=0) & (np.arange(len(own)) >= end)
    for place in range(end, min(np.flatnonzero(filled[row - 1] & behind), default=len(own))):
        values = [text for text in cells[row + 1 :, place].tolist() if text]
        if values and all(map(is_value, values)) and not TOTAL.fullmatch(own[place]):
            return own
    both = _grouped(upper, filled[row - 1], own)
    joined: Objects = np.where(filled[row] & (np.arange(len(own)) < end), both, own)
    joined = np.where(filled[row - 1] & ~filled[row], upper, joined)
    clear = len(starts) and not pd.Series(joined[joined != ""]).map(plain).duplicated().any()
    return joined if clear else own


def _about_blocks(
    cells: Objects, filled: Bools, headers: NDArray[np.intp], high: int
) -> tuple[dict[str, Objects], list[int]]:
    """Read what stands above each header as `key: value`, for the rows of its block.

    Returns values by key, for every row of the grid; and the rows in which they stand.
    """
    about: dict[str, Objects] = {}
    titles: list[int] = []
    any_filled: Bools = np.asarray(filled.any(axis=1), dtype=bool)
    for place, header in enumerate(headers.tolist()):
        first = header if place else 0
        while place and any_filled[first - 1] and _pairs(cells[first - 1]):
            first -= 1
        end = headers[place + 1] if place + 1 < len(headers) else len(cells)
        for row in range(first, header):
            pairs = _pairs(cells[row])
            if pairs or place == 0:
                titles.append(row)
            for key, value in pairs.items():
                column = about.setdefault(key, np.full(len(cells), "", dtype=object))
                column[header + high : end] = value
    return about, titles


def _block_titles(
    cells: Objects, filled: Bools, headers: NDArray[np.intp], high: int
) -> tuple[dict[str, Objects], list[int]]:
    """Read the one cell that stands directly above the header of each of several blocks.

    Returns as `_about_blocks` does; nothing where a block below the first has none.
    """
    title = np.full(len(cells), "", dtype=object)
    rows: list[int] = []
    for place, header in enumerate(headers.tolist()):
        row = header - 1
        one = row >= 0 and filled[row].sum() == 1 and filled.shape[1] >= NARROWEST
        text = str(cells[row][filled[row]][0]) if one else ""
        if text and not PAIR.fullmatch(text) and plain(text) not in NO_FISH:
            end = headers[place + 1] if place + 1 < len(headers) else len(cells)
            title[header + high : end] = text
            rows.append(row)
        elif place:
            return {}, []
    return ({TITLE: title}, rows) if len(headers) > 1 and rows else ({}, [])


def _pairs(row: Sequence[str]) -> dict[str, str]:
    """Read `key: value` out of a row of cells; the value may stand in the cell after the key."""
    pairs: dict[str, str] = {}
    key = ""
    for text in row:
        fit = PAIR.fullmatch(text)
        if fit and fit[2]:
            pairs[fit[1].strip()] = fit[2].strip()
            key = ""
        elif fit:
            key = fit[1].strip()
        elif text and key:
            pairs[key], key = text, ""
    return pairs
