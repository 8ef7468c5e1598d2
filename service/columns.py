"""The one description of every public column, read from `columns.toml` beside this module."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any, Final, Literal

from layers.frames import FRAMES

__all__ = ["SHEETS", "SUMMARY_COLUMNS", "TABLE_WORDS", "Column", "column", "public_words"]

Kind = Literal["text", "number", "whole", "yes_no", "time", "day", "list", "choice"]


@dataclass(frozen=True)
class Column:
    """One column of a sheet, table or layer.

    `decimals` is missing for what is written as recorded. `choices` are the words of a stored
    record, `also` further ones that a sheet may have. What follows it is for field sheets:
    `low` and `high` are included limits; `above_zero` refuses 0 too.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    decimals: int | None = None
    aliases: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    required: bool = False
    low: float | None = None
    high: float | None = None
    above_zero: bool = False
    example: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """All words that a cell of a field sheet may have."""
        return self.choices + self.also


_FILE: Final[dict[str, Any]] = tomllib.loads(
    files("service").joinpath("columns.toml").read_text(encoding="utf-8")
)
TABLE_WORDS: Final[dict[str, str]] = _FILE["table_words"]
"""What each layer and table of a hand-over contains."""
SUMMARY_COLUMNS: Final = {name: tuple(columns) for name, columns in _FILE["summaries"].items()}
"""Columns with which each summary begins, in order; `sampled_length` has its groupings before."""


def _column(name: str, entry: dict[str, Any]) -> Column:
    rest: dict[str, Any] = {
        key: tuple(cell) if isinstance(cell, list) else cell for key, cell in entry.items()
    }
    kind: Kind = rest.pop("type", "number" if "unit" in rest or "decimals" in rest else "text")
    return Column(name, kind, **rest)


def _sheets() -> dict[str, tuple[Column, ...]]:
    before: dict[str, dict[str, Any]] = {}
    sheets = {}
    for sheet, entries in _FILE["sheets"].items():
        whole = {name: entry or before[name] for name, entry in entries.items()}
        before = whole | before
        words = FRAMES[sheet].words if sheet in FRAMES else {}
        sheets[sheet] = tuple(
            _column(name, {"choices": words.get(name, ()), **entry})
            for name, entry in whole.items()
        )
    return sheets


SHEETS: Final = _sheets()
"""Columns of each field sheet, in order."""


_OF_SHEET: Final = {(sheet, each.name): each for sheet in SHEETS for each in SHEETS[sheet]}


@cache
def column(table: str, name: str, *, public: bool = False) -> Column:
    """Describe a column of a summary, layer or table; KeyError where `columns.toml` does not.

    `public` is whether the reader does not see protected places: what that does to the column is
    added to its meaning.
    """
    entry: dict[str, Any] = {}
    for place in ("any", _FILE["same_as"].get(table), table):
        entry |= _FILE["tables"].get(place, {}).get(name, {})
    in_sheets = (_OF_SHEET.get((sheet, name)) for sheet in (table, *SHEETS))
    described = _column(name, entry) if entry else next(filter(None, in_sheets), None)
    if described is None:
        raise KeyError(f"{table}.{name}")
    added = public_words(table, name) if public else ""
    return replace(described, meaning=f"{described.meaning} {added}") if added else described


def public_words(table: str, name: str) -> str:
    """Say what the public has to know of a column besides its meaning; empty = nothing."""
    key = f"{_FILE['same_as'].get(table, table)}.{name}"
    return next((each["words"] for each in _FILE["when_public"] if key in each["columns"]), "")
