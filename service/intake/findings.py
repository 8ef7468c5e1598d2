"""What is found in field sheets: refused values and flags, all gathered before anything is said."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from service.errors import Fault
from service.intake.checks.thresholds import FLAGS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

__all__ = ["FLAG_COLUMNS", "Cells", "Findings"]

FLAG_COLUMNS = ("file", "row", "placement_id", "code", "column", "value", "message")
_SHOWN = 200  # characters of a value in a finding; the file keeps the whole


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
        Text cells, '' = empty; the index holds row numbers as a spreadsheet counts them.
    decimal_comma
        The file's own separator is the semicolon, so a comma in a number is a decimal one.
    """

    sheet: str
    file: str
    frame: pd.DataFrame
    decimal_comma: bool = False

    def column(self, name: str) -> pd.Series:
        """Cells of a column, stripped; all empty where the sheet lacks it."""
        if name not in self.frame:
            return pd.Series("", index=self.frame.index, dtype="str")
        return self.frame[name]


@dataclass
class Findings:
    """Refusals and flags as they come up."""

    refused: list[Fault] = field(default_factory=list)
    _flags: list[pd.DataFrame] = field(default_factory=list)
    _rows: dict[str, set[int]] = field(default_factory=dict)

    def copy(self) -> Findings:
        """Everything so far, to be added to without changing what others hold."""
        rows = {sheet: set(own) for sheet, own in self._rows.items()}
        return Findings(list(self.refused), list(self._flags), rows)

    def doubt(self, cells: Cells, which: NDArray[np.bool_] | pd.Series) -> None:
        """Count rows as refused that hang on something refused elsewhere."""
        at = np.flatnonzero(np.asarray(which, dtype=bool))
        if len(at):
            rows = cells.frame.index.to_numpy()[at].tolist()
            self._rows.setdefault(cells.sheet, set()).update(rows)

    def refused_rows(self, sheet: str) -> list[int]:
        """Rows of a sheet, as its index counts them, in which something was refused."""
        return sorted(self._rows.get(sheet, ()))

    @property
    def of_a_whole_file(self) -> bool:
        """Whether a file, or the header of one, was refused: then what it says is not known."""
        return any(fault.row <= 1 for fault in self.refused)

    def refuse(
        self,
        cells: Cells,
        which: NDArray[np.bool_] | pd.Series,
        column: str,
        remedy: str | Callable[[str], str],
        values: Sequence[object] | None = None,
    ) -> None:
        """Refuse the marked rows; `remedy` may be worked out from the value."""
        at = np.flatnonzero(np.asarray(which, dtype=bool))
        if not len(at):
            return
        rows = cells.frame.index.to_numpy()[at].tolist()
        self.doubt(cells, which)
        source = cells.column(column).tolist() if values is None else list(values)
        said: dict[str, str] = {}
        for row, place in zip(rows, at.tolist(), strict=True):
            value = str(source[place])
            if value not in said:
                said[value] = remedy if isinstance(remedy, str) else remedy(value)
            self.refused.append(Fault(cells.file, int(row), column, value[:_SHOWN], said[value]))

    def refuse_file(self, file: str, remedy: str, *, row: int = 0, column: str = "") -> None:
        """Refuse a file, or one row of it."""
        self.refused.append(Fault(file, row, column, "", remedy))

    def flag(
        self,
        cells: Cells,
        which: NDArray[np.bool_] | pd.Series,
        code: str,
        column: str,
        message: str | Sequence[str],
        values: Sequence[object] | None = None,
    ) -> None:
        """Flag the marked rows; a message may be given per marked row."""
        assert code in FLAGS  # noqa: S101  every code is explained
        at = np.flatnonzero(np.asarray(which, dtype=bool))
        if not len(at):
            return
        source = cells.column(column).to_numpy(object) if values is None else np.asarray(values)
        shown = [str(value)[:_SHOWN] for value in source[at].tolist()]
        self._flags.append(
            pd.DataFrame(
                {
                    "file": cells.file,
                    "row": cells.frame.index.to_numpy()[at],
                    "placement_id": cells.column("placement_id").to_numpy(object)[at],
                    "code": code,
                    "column": column,
                    "value": shown,
                    "message": message if isinstance(message, str) else list(message),
                }
            )
        )

    def note(self, file: str, code: str, column: str, message: str, value: str = "") -> None:
        """Say something about a file as a whole; it belongs to no placement."""
        assert code in FLAGS  # noqa: S101
        self._flags.append(
            pd.DataFrame([[file, 0, "", code, column, value, message]], columns=list(FLAG_COLUMNS))
        )

    def flags(self) -> pd.DataFrame:
        """All flags, in the order of the sheets' rows."""
        if not self._flags:
            empty = pd.DataFrame({name: pd.Series(dtype="str") for name in FLAG_COLUMNS})
            return empty.astype({"row": "int64"})
        frame = pd.concat(self._flags, ignore_index=True)
        text = [name for name in FLAG_COLUMNS if name != "row"]
        frame = frame.astype(dict.fromkeys(text, "str") | {"row": "int64"})
        return frame.sort_values(["file", "row"], kind="stable", ignore_index=True)
