"""The data dictionary: every column of every table of a hand-over, with unit and meaning."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from service.export.column_words import dictionary_rows
from service.export.sheets import csv_text

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["data_dictionary"]


def data_dictionary(tables: Mapping[str, pd.DataFrame]) -> bytes:
    """Write the dictionary as CSV: table, column, unit, meaning."""
    rows = dictionary_rows(tables)
    return csv_text(pd.DataFrame(rows, columns=["table", "column", "unit", "meaning"]))
