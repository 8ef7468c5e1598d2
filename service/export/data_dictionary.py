"""The data dictionary: every column of every table of a hand-over, with unit and meaning."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from service.answers.column_words import dictionary_rows
from service.intake.stored_sheets import csv_text

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["data_dictionary"]


def data_dictionary(tables: Mapping[str, pd.DataFrame], *, public: bool = False) -> bytes:
    """Write the dictionary as CSV: table, column, unit, meaning.

    `public` adds what it does to a column that protected places are kept from the reader.
    """
    rows = dictionary_rows(tables, public=public)
    return csv_text(pd.DataFrame(rows, columns=["table", "column", "unit", "meaning"]))
