"""What is found in field sheets: values refused, flagged, or read as another way of writing them.

All is gathered before anything is said.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.plurals import counted
from service.errors import Fault
from service.intake.wording import Wording, say
from service.records import Reading

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from layers.arrays import Bools, Ints, Objects
    from service.intake.wording import Audience

    Marked = Bools | pd.Series  # a truth for each row

__all__ = ["FLAG_COLUMNS", "Cells", "Findings"]

# `message` is stored; `shown` says the same to whoever sent the sheets or the form.
FLAG_COLUMNS = (
    "file", "sheet", "row", "placement_id", "code", "column", "value", "message", "shown",
)  # fmt: skip
_SHOWN = 200  # characters of a value in a finding; the file keeps the whole
_EXAMPLES = 3  # of the values that were read as something
_OF_HEADERS = ("header_unclear", "column_missing")
_OF_AN_EXAMPLE = 40  # characters


@dataclass(frozen=True)
class Cells:
    """One sheet as text.

    Attributes
    ----------
    sheet
        `placements`, `catches`, `lengths`, `surveys` or `sites`.
    file
        Name to show in findings.
    frame
        Text cells, '' = empty; the index is the row numbers as a spreadsheet counts them.
    findings
        Where what is found in it goes.
    decimal_comma
        The file's own separator is the semicolon, so a comma in a number is a decimal one.
    headers
        Of a column that was gathered from several: the header that each cell stood under.
    parts
        Of a sheet put together of several: index from which the rows of each are counted, and its
        file. A part that is one feature of a layer has one row, of number 0.
    sources
        Where single cells come from, by index and column, if not from their row.
    tab
        Column that says in which of several tabs a row stands.
    header_row
        Row of the header, as a spreadsheet counts.
    typed
        Texts of cells that a workbook holds as numbers: their points say nothing of its texts.
    merged
        Cells that a workbook merges with others: first and last row, and the header.
    one_day
        One column of the sheet gave the day of both times of a placement.
    """

    sheet: str
    file: str
    frame: pd.DataFrame
    findings: Findings
    decimal_comma: bool = False
    headers: dict[str, Objects] = field(default_factory=dict)
    parts: tuple[tuple[int, str], ...] = ()
    sources: dict[tuple[int, str], str] = field(default_factory=dict)
    tab: str = ""
    header_row: int = 1
    typed: frozenset[str] = frozenset()
    merged: tuple[tuple[int, int, str], ...] = ()
    one_day: bool = False

    def where(self, index: Ints, column: str = "") -> tuple[list[str], list[int]]:
        """Tell the file and the number, in that, of rows or their cells by their index."""
        files, rows = [self.file] * len(index), index.tolist()
        if self.parts:
            first = np.array([first for first, _ in self.parts])
            part = np.searchsorted(first, index, side="right") - 1
            files = [self.parts[k][1] for k in part.tolist()]
            rows = (index - first[part]).tolist()
        for k, row in enumerate(index.tolist() if self.sources else ()):
            if (row, column) in self.sources:
                files[k], rows[k] = self.sources[row, column], 0
        return files, rows

    def column(self, name: str) -> pd.Series:
        """Cells of a column, stripped; all empty where the sheet lacks it."""
        if name not in self.frame:
            return pd.Series("", index=self.frame.index, dtype="str")
        return self.frame[name]

    def rows(self, kept: Bools) -> Cells:
        """Take these rows alone."""
        headers = {name: own[kept] for name, own in self.headers.items()}
        return replace(self, frame=self.frame.loc[kept], headers=headers)

    def doubt(self, which: Marked) -> None:
        """Count rows as refused that depend on something refused elsewhere."""
        rows = self.frame.index[np.asarray(which, dtype=bool)].tolist()
        self.findings.rows.update((self.sheet, row) for row in rows)

    def refuse(
        self,
        which: Marked,
        column: str,
        wording: str | Wording | Callable[[str], Wording],
        values: Sequence[object] | None = None,
    ) -> None:
        """Refuse the marked rows; the wording may be worked out from the value."""
        at = np.flatnonzero(np.asarray(which, dtype=bool))
        if not len(at):
            return
        files, rows = self.where(self.frame.index.to_numpy()[at], column)
        self.doubt(which)
        source = self.column(column).tolist() if values is None else list(values)
        found: dict[str, tuple[str, str]] = {}
        for file, row, place in zip(files, rows, at.tolist(), strict=True):
            value = str(source[place])
            if value not in found:
                said = wording(value) if callable(wording) else _wording(wording)
                found[value] = said.text(self.findings.audience), said.code
            remedy, code = found[value]
            name = str(self.headers[column][place]) if column in self.headers else column
            fault = Fault(file, int(row), name, value[:_SHOWN], remedy, self.sheet, code)
            self.findings.refused.append(fault)
            if not row:
                self.findings.of_rows.add(fault)

    def flag(
        self, which: Marked, wording: str | Wording, column: str, **parts: Iterable[object]
    ) -> None:
        """Flag the marked rows; `parts` fill in the sentence of a code, a value for each row."""
        at = np.flatnonzero(np.asarray(which, dtype=bool))
        if not len(at):
            return
        files, rows = self.where(self.frame.index.to_numpy()[at])
        each = [dict(zip(parts, own, strict=True)) for own in zip(*parts.values(), strict=True)]
        self.findings.add(
            [say(str(wording), **own) for own in each] if parts else _wording(wording),
            file=files,
            sheet=self.sheet,
            row=rows,
            placement_id=self.column("placement_id").to_numpy(object)[at],
            column=column,
            value=[str(value)[:_SHOWN] for value in self.column(column).iloc[at].tolist()],
        )

    def read_as(
        self,
        which: Marked,
        column: str,
        code: str,
        became: Mapping[str, object] | None = None,
        **parts: object,
    ) -> None:
        """Say once how the marked cells of a column were read.

        `code` is a variant of the sentence `read_as`, which says `{rows}` and `{examples}`;
        `became` has what each value was read as, where the sentence does not say it; `parts` fill
        in the rest.
        """
        at = np.flatnonzero(np.asarray(which, dtype=bool))
        if not len(at):
            return
        written = self.column(column).iloc[at]
        values = [str(value) for value in written.unique()[: _EXAMPLES + 1].tolist()]
        first = values[:_EXAMPLES]
        said = [f"{_cut(v)} as {became[v]}" if became is not None else _cut(v) for v in first]
        files, rows = self.where(self.frame.index.to_numpy()[at[:1]])
        self.findings.read_file(
            files[0] if len(self.parts) < 2 else self.file,
            say(
                f"read_as.{code}",
                rows=counted(len(at), "row"),
                examples=", ".join(said) + " …" * (len(values) > _EXAMPLES),
                **parts,
            ),
            rows=len(at),
            row=rows[0],
            column=column,
            value=", ".join(map(_cut, first)),
            sheet=self.sheet,
        )


@dataclass
class Findings:
    """Refusals, flags and readings as they come up, in the words of `audience`."""

    audience: Audience = "sheet"
    refused: list[Fault] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    flagged: list[pd.DataFrame] = field(default_factory=list)
    rows: set[tuple[str, int]] = field(default_factory=set)  # refused, by sheet
    of_rows: set[Fault] = field(default_factory=set)  # of features, which have no row

    def copy(self) -> Findings:
        """Everything so far, to be added to without changing the original."""
        lists = [*self.refused], [*self.readings], [*self.flagged]
        return Findings(self.audience, *lists, {*self.rows}, {*self.of_rows})

    def refused_rows(self, sheet: str) -> list[int]:
        """Rows of a sheet, as its index counts them, in which something was refused."""
        return sorted(row for own, row in self.rows if own == sheet)

    @property
    def of_a_whole_file(self) -> bool:
        """Whether a file, or the header of one, was refused: then what it says is not known."""
        return any(
            (fault.row <= 1 and fault not in self.of_rows) or fault.code in _OF_HEADERS
            for fault in self.refused
        )

    def refuse_file(
        self, file: str, wording: str | Wording, *, row: int = 0, column: str = "", sheet: str = ""
    ) -> None:
        """Refuse a file, or one row of it."""
        said = _wording(wording)
        self.refused.append(
            Fault(file, row, column, "", said.text(self.audience), sheet, said.code)
        )

    def read_file(
        self,
        file: str,
        wording: Wording,
        *,
        rows: int = 0,
        row: int = 0,
        column: str = "",
        value: str = "",
        sheet: str = "",
    ) -> None:
        """Say how a file as a whole was read, or rows of it."""
        kind = wording.key.partition(".")[2]
        said = wording.text(self.audience)
        self.readings.append(
            Reading(
                file, sheet, column, kind, rows, row, value[:_SHOWN], said[0].upper() + said[1:]
            )
        )

    def note(self, file: str, wording: str | Wording, column: str, value: str = "") -> None:
        """Say something about a file as a whole; it belongs to no placement."""
        self.add(
            _wording(wording),
            file=file, sheet="", row=[0], placement_id="", column=column, value=value,
        )  # fmt: skip

    def add(self, wording: Wording | Sequence[Wording], **columns: object) -> None:
        """Add flags of these `FLAG_COLUMNS`."""
        each = [wording] if isinstance(wording, Wording) else wording
        message = [one.text() for one in each]
        shown = message if self.audience == "sheet" else [one.text("form") for one in each]
        if isinstance(wording, Wording):
            columns |= {"message": message[0], "shown": shown[0]}
        else:
            columns |= {"message": message, "shown": shown}
        self.flagged.append(pd.DataFrame(columns | {"code": each[0].code})[list(FLAG_COLUMNS)])

    def flags(self) -> pd.DataFrame:
        """All flags, in the order of the sheets' rows."""
        none = pd.DataFrame(columns=[*FLAG_COLUMNS])
        frame = pd.concat(self.flagged, ignore_index=True) if self.flagged else none
        frame = frame.astype(dict.fromkeys(FLAG_COLUMNS, "str") | {"row": "int64"})
        return frame.sort_values(["file", "row"], kind="stable", ignore_index=True)


def _cut(value: str) -> str:
    return value if len(value) <= _OF_AN_EXAMPLE else f"{value[:_OF_AN_EXAMPLE]}…"


def _wording(wording: str | Wording) -> Wording:
    return say(wording) if isinstance(wording, str) else wording
