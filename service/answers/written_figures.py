"""Figures as files and summaries give them, by the one table of columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import uncoded
from service.columns import column

if TYPE_CHECKING:
    from collections.abc import Hashable

__all__ = ["as_written"]

Frame = TypeVar("Frame", bound=pd.DataFrame)
_NARROW: Final = (np.int8, np.int16, np.int32)


def as_written(frame: Frame, table: str) -> Frame:
    """Round computed figures and turn counts into whole numbers, as `service.columns` states.

    A count that is missing stays missing (`Int64`), one that is not whole is left as it is. What
    was recorded is not rounded. A truth that nobody stated stays a truth (`boolean`). Words and
    days stand in place of their codes. `table` is the name in `service/columns.toml`; KeyError
    where a column is not described there.

    Examples
    --------
    >>> frame = pd.DataFrame({"passes": [2.0, None], "stretch_length_m": [12.34567, 1.0]})
    >>> written = as_written(frame.assign(snapped_longitude=-11 / 3), "placements")
    >>> written["passes"].tolist(), written["stretch_length_m"].tolist()
    ([2, <NA>], [12.34567, 1.0])
    >>> written["snapped_longitude"].tolist()
    [-3.6666667, -3.6666667]
    """
    changed: dict[Hashable, pd.Series] = {}
    shape = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
    for name in frame.columns.drop(shape) if shape else frame.columns:
        described, figures = column(table, str(name)), frame[name]
        if described.kind == "yes_no" and figures.isna().all():  # else a file would declare a text
            changed[name] = figures.astype("boolean")
        elif isinstance(figures.dtype, pd.CategoricalDtype):
            changed[name] = uncoded(figures)
        elif figures.dtype in _NARROW:  # a file would declare them so
            changed[name] = figures.astype("int64")
        elif not pd.api.types.is_float_dtype(figures.dtype):
            continue
        elif described.kind == "whole":
            changed[name] = _whole_numbers(figures)
        elif described.decimals is not None:
            changed[name] = figures.round(described.decimals)
    return frame.assign(**{str(name): figures for name, figures in changed.items()})


def _whole_numbers(counts: pd.Series) -> pd.Series:
    values = counts.replace([np.inf, -np.inf], np.nan)
    return counts if (values.dropna() % 1).any() else values.astype("Int64")
