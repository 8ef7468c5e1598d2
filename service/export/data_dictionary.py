"""The data dictionary: every column of every table of a hand-over, with unit and meaning."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from service.columns import column
from service.intake.stored_sheets import csv_text

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["data_dictionary", "dictionary_rows"]


def data_dictionary(tables: Mapping[str, pd.DataFrame], *, public: bool = False) -> bytes:
    """Write the dictionary as CSV: table, column, unit, meaning.

    `public` as for `service.columns.column`.
    """
    rows = dictionary_rows(tables, public=public)
    return csv_text(pd.DataFrame(rows, columns=["table", "column", "unit", "meaning"]))


def dictionary_rows(
    tables: Mapping[str, pd.DataFrame], *, public: bool = False
) -> list[tuple[str, str, str, str]]:
    """Table, column, unit and meaning of every column, in order; `public` as there."""
    return [
        (table, described.name, described.unit, described.meaning)
        for table, frame in tables.items()
        for described in (column(table, str(name), public=public) for name in frame.columns)
    ]
