"""What every column of a hand-over means, in words and units."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, NamedTuple

from service.intake.columns import SHEETS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    import pandas as pd

__all__ = ["ColumnWords", "any_sensitive", "column_words", "dictionary_rows", "public_words"]


class ColumnWords(NamedTuple):
    """Meaning of one column."""

    description: str
    unit: str


@cache
def _file() -> dict[str, Any]:
    text = files("service.answers").joinpath("columns.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def _written() -> dict[str, dict[str, ColumnWords]]:
    return {
        table: {name: ColumnWords(*words) for name, words in columns.items()}
        for table, columns in _file().items()
        if table != "when_public"
    }


@cache
def _added_for_public() -> dict[str, str]:
    return {
        column: added["words"] for added in _file()["when_public"] for column in added["columns"]
    }


def any_sensitive(species: pd.DataFrame) -> bool:
    """Whether the public has to be told that places are kept from it.

    The list of species is public; the records are not asked, since whether there are any that
    are withheld altogether is nobody's business.
    """
    return bool(species["sensitivity"].fillna("none").ne("none").any())


def public_words(table: str, column: str) -> str:
    """Say what the public has to be told of a column besides its meaning; empty = nothing."""
    return _added_for_public().get(f"{_SAME.get(table, table)}.{column}", "")


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


def column_words(table: str, column: str, *, public: bool = False) -> ColumnWords:
    """Meaning of a column: said for the table, for any table, or in the field sheets.

    Parameters
    ----------
    table, column
        Which is meant.
    public
        Whether protected places are kept from the reader: what that does to the column is added.

    Raises
    ------
    KeyError
        Nobody has said what it means; `columns.toml` is the place.
    """
    table = _SAME.get(table, table)
    written = _written()
    for words in (written.get(table, {}), written["any"], _sheet_words(table), _from_sheets()):
        if column in words:
            meaning, unit = words[column]
            added = public_words(table, column) if public else ""
            return ColumnWords(f"{meaning} {added}".rstrip(), unit)
    raise KeyError(f"{table}.{column}")


def _sheet_words(table: str) -> dict[str, ColumnWords]:
    columns = SHEETS.get(table, ())
    return {column.name: ColumnWords(column.explanation, column.unit) for column in columns}


def dictionary_rows(
    tables: Mapping[str, pd.DataFrame], *, public: bool = False
) -> list[tuple[str, str, str, str]]:
    """Table, column, unit and description of every column, in order; `public` as there."""
    return [
        (table, str(column), words.unit, words.description)
        for table, frame in tables.items()
        for column in frame.columns
        for words in [column_words(table, str(column), public=public)]
    ]
