"""Figures as files bear them: counts as whole numbers, computed lengths to the millimetre.

What stood on a field sheet goes out digit by digit as it was recorded; only what was computed
here is rounded, to less than any of it can be known.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
import pandas as pd

from service.intake.columns import SHEETS

if TYPE_CHECKING:
    from collections.abc import Hashable

__all__ = ["as_written"]

Frame = TypeVar("Frame", bound=pd.DataFrame)

# Counts that are floats in a frame only because some are missing, besides those of the sheets.
_COUNTS: Final = frozenset({"individuals", "year", "generalised_km"})
# Decimals by the end of a column's name.
_DECIMALS: Final = {
    "_m": 3,
    "longitude": 8,  # a millimetre of latitude
    "latitude": 8,
    "_fraction": 6,
    "_share": 6,
    "proportion": 6,
    "wilson_low": 6,
    "wilson_high": 6,
    "years_since": 3,
    "effort": 6,
    "cpue": 6,
    "cpue_low": 6,
    "cpue_high": 6,
}


@cache
def _recorded() -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
    """All columns of the field sheets, and of them the whole numbers and the truths."""
    columns = [column for sheet in SHEETS.values() for column in sheet]
    return (
        frozenset(column.name for column in columns),
        frozenset(column.name for column in columns if column.kind == "whole"),
        frozenset(column.name for column in columns if column.kind == "yes_no"),
    )


def as_written(frame: Frame) -> Frame:
    """Turn the columns of a frame into what a file bears.

    By a column's name, so that a column has one type in every file: counts become whole
    numbers (`Int64`, missing stays missing), computed lengths are rounded to 0.001 m, degrees
    of computed places to 1e-8, shares to 1e-6. A count that is not whole is left as it is, and
    so is every column of a field sheet, `longitude` and `latitude` among them. A truth of a sheet
    that nobody stated stays a truth (`boolean`).

    Examples
    --------
    >>> written = as_written(pd.DataFrame({"passes": [2.0, None], "to_m": [12.34567, 1.0]}))
    >>> written["passes"].tolist(), written["to_m"].tolist()
    ([2, <NA>], [12.346, 1.0])
    >>> figures = pd.DataFrame({"wilson_low": [1 / 3], "cpue": [2 / 3], "longitude": [-11 / 3],
    ...     "network_share": [0.12345678], "snapped_longitude": [-11 / 3]})
    >>> as_written(figures).iloc[0].tolist()
    [0.333333, 0.666667, -3.6666666666666665, 0.123457, -3.66666667]
    """
    recorded, whole, truths = _recorded()
    changed: dict[Hashable, pd.Series] = {}
    for name in frame.columns:
        if name in truths and frame[name].isna().all():  # else a file would declare a text
            changed[name] = frame[name].astype("boolean")
        if not pd.api.types.is_float_dtype(frame[name].dtype):
            continue
        if name in whole or name in _COUNTS:
            changed[name] = _whole_numbers(frame[name])
        elif name not in recorded:
            ends = [end for end in _DECIMALS if str(name).endswith(end)]
            if ends:
                changed[name] = frame[name].round(_DECIMALS[ends[0]])
    return frame.assign(**{str(name): column for name, column in changed.items()})


def _whole_numbers(column: pd.Series) -> pd.Series:
    values = column.to_numpy(np.float64, na_value=np.nan)
    known = np.isfinite(values)
    if (values[known] != np.trunc(values[known])).any() or np.isinf(values).any():
        return column
    numbers = pd.array(np.where(known, values, 0).astype(np.int64), dtype="Int64")
    numbers[~known] = pd.NA
    return pd.Series(numbers, index=column.index, name=column.name)
