"""What every column of a hand-over means, in words and units."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, NamedTuple

from service.intake.columns import SHEETS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

__all__ = ["ColumnWords", "column_words", "dictionary_rows"]


class ColumnWords(NamedTuple):
    """Meaning of one column."""

    description: str
    unit: str


@cache
def _written() -> dict[str, dict[str, ColumnWords]]:
    text = files("service.export").joinpath("columns.toml").read_text(encoding="utf-8")
    return {
        table: {name: ColumnWords(*words) for name, words in columns.items()}
        for table, columns in tomllib.loads(text).items()
    }


# Tables whose columns mean what those of another mean.
_SAME = {"sampled_length_all": "sampled_length", "placement_sheet": "placements"}


@cache
def _from_sheets() -> dict[str, ColumnWords]:
    """Columns of the field sheets, the placements' first."""
    words: dict[str, ColumnWords] = {}
    for columns in SHEETS.values():
        for column in columns:
            words.setdefault(column.name, ColumnWords(column.explanation, column.unit))
    return words


def column_words(table: str, column: str) -> ColumnWords:
    """Meaning of a column: said for the table, for any table, or in the field sheets.

    Raises
    ------
    KeyError
        Nobody has said what it means; `columns.toml` is the place.
    """
    table = _SAME.get(table, table)
    written = _written()
    for words in (written.get(table, {}), written["any"], _sheet_words(table), _from_sheets()):
        if column in words:
            return words[column]
    raise KeyError(f"{table}.{column}")


def _sheet_words(table: str) -> dict[str, ColumnWords]:
    columns = SHEETS.get(table, ())
    return {column.name: ColumnWords(column.explanation, column.unit) for column in columns}


def dictionary_rows(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str, str, str]]:
    """Table, column, unit and description of every column, in order."""
    return [
        (table, str(column), words.unit, words.description)
        for table, frame in tables.items()
        for column in frame.columns
        for words in [column_words(table, str(column))]
    ]
