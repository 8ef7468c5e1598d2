"""Placements: every column read, and what cannot be understood refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.frames import PASS_MINUTES
from service.intake.checks.catches import refuse_without_id
from service.intake.columns import SHEETS
from service.intake.coordinates import read_positions
from service.intake.times import localise, time_column
from service.intake.values import method_column, read_columns
from service.intake.wording import say

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    from layers.arrays import Bools, Floats
    from layers.crs import Operation
    from service.intake.findings import Cells
    from service.intake.sheets import Sheets
    from service.intake.times import DateOrder
    from service.intake.wording import Wording

__all__ = ["REQUIRED", "read_placements", "refuse_doubled_ids"]

REQUIRED: Final = ("placement_id", "method", "set_at", "survey")

_BY_NIGHT: Final = ("night", "overnight")
_SKIPPED: Final = ("crs", "geometry", "waypoint")
_POSITION_NUMBERS: Final = [
    end + axis for end in ("", "end_") for axis in ("longitude", "latitude", "easting", "northing")
]


def read_placements(
    sheets: Sheets,
    cells: Cells,
    methods: pd.DataFrame,
    surveys: pd.DataFrame,
    store_crs: str,
    *,
    now: dt.datetime,
    into_store: Callable[[str], Operation],
) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Read a placement sheet.

    Parameters
    ----------
    sheets, cells
        All sheets, for their defaults, and that of placements.
    surveys
        Those of the store, with those that this import adds.
    now
        Times after this are refused.
    into_store
        As for `service.intake.coordinates.read_positions`.

    Returns
    -------
    placements
        Of its kind (`layers.frames`), without `batch_id`; rows of the sheet, index its row numbers,
        `placement_id` a column. `outcome` is missing where not declared.
    day_only
        Whether `set_at` is a day without a time.
    """
    special = {"method": lambda: method_column(cells, methods)}
    placements = read_columns(cells, special).drop(columns=list(_SKIPPED))
    numbers = {
        column.name: placements[column.name].to_numpy(np.float64)
        for column in SHEETS["placements"]
        if column.kind in ("number", "whole")
    }
    _settle_passes(cells, placements)
    placements["survey"] = placements["survey"].fillna(sheets.survey or None).astype("str")
    _refuse_empty(cells, placements)
    own = surveys.reindex(placements["survey"])
    own.index = placements.index
    placements["timezone"] = own["timezone"].astype("str")
    hours = methods["hours"].reindex(placements["method"])
    by_night = cells.one_day & hours.isin(_BY_NIGHT).to_numpy(bool)
    _read_times(cells, placements, by_night, sheets.date_order, now)
    day_only = placements.pop("day_only")
    positions = read_positions(
        cells,
        numbers,
        own["crs"].fillna("").astype("str"),
        store_crs,
        default_crs=sheets.crs,
        into_store=into_store,
    )
    placements = placements.drop(columns=_POSITION_NUMBERS)
    placements["shape_kind"] = pd.Series(positions.kind, index=placements.index, dtype="str")
    placements["original_x"] = positions.original_x
    placements["original_y"] = positions.original_y
    for name in ("original_crs", "transformation"):
        values = getattr(positions, name)
        placements[name] = pd.Series(values, index=placements.index, dtype="str")
    placements["transformation_accuracy_m"] = positions.accuracy_m
    placements["shape"] = gpd.GeoSeries(positions.shape, index=placements.index, crs=store_crs)
    whole = gpd.GeoDataFrame(placements, geometry=positions.point, crs=store_crs)
    return whole, day_only


def _settle_passes(cells: Cells, placements: pd.DataFrame) -> None:
    """Fill in how many passes and minutes there were where the minutes of each pass say so."""
    parts = placements[list(PASS_MINUTES)].to_numpy(np.float64)
    known = ~np.isnan(parts)
    last = np.where(known.any(axis=1), known.shape[1] - known[:, ::-1].argmax(axis=1), 0)
    stated = placements["passes"].to_numpy(np.float64)
    for number, name in enumerate(PASS_MINUTES, start=1):
        beyond = known[:, number - 1] & (stated < number)
        cells.refuse(beyond, name, "pass_unclear.minutes")
    blank = (last > 0) & np.isnan(stated)
    placements["passes"] = passes = np.where(blank, last, stated)
    _read_ids(cells, blank, "passes_by_minutes", passes)
    whole = (last > 0) & (known.sum(axis=1) == passes)
    total, minutes = np.nansum(parts, axis=1), placements["minutes"].to_numpy(np.float64)
    blank = whole & np.isnan(minutes)
    placements["minutes"] = np.where(blank, total, minutes)
    _read_ids(cells, blank, "minutes_summed", total)
    differs = (whole & (abs(minutes - total) > 0.5)) | (total > minutes + 0.5)
    cells.flag(differs, "pass_minutes_differ", "minutes")


def _read_ids(cells: Cells, rows: Bools, code: str, values: Floats) -> None:
    """Say what rows with an id were read as; those without are refused."""
    if cells.findings.audience != "form":
        ids = cells.column("placement_id")
        rows = rows & (ids != "").to_numpy(bool)
        shown = dict(zip(ids[rows], (f"{value:g}" for value in values[rows]), strict=True))
        cells.read_as(rows, "placement_id", code, shown)


def _refuse_empty(cells: Cells, placements: pd.DataFrame) -> None:
    for name in REQUIRED:
        if name == "placement_id" and name in cells.frame:
            refuse_without_id(cells, "value_missing.placement_id")
            continue
        empty = placements["survey"].isna() if name == "survey" else cells.column(name) == ""
        # A column that is absent altogether is said once, with the header.
        if name == "survey" or name in cells.frame:
            cells.refuse(empty, name, say(f"value_missing.{name}"))


def _read_times(
    cells: Cells,
    placements: pd.DataFrame,
    by_night: Bools,
    date_order: DateOrder | None,
    now: dt.datetime,
) -> None:
    """Add `set_at`, `lifted_at` and `day_only`.

    Rows `by_night` have one day for both times, and gear that fishes through the night: a lift
    earlier on the clock was on the next day.
    """
    zones = placements["timezone"].fillna("UTC")
    known = placements["timezone"].mask(placements["timezone"] == "UTC")  # it stands for unknown
    began = time_column(cells, "set_at", date_order, known)
    ended = time_column(cells, "lifted_at", date_order, known)
    next_day = by_night & ~began.day_only & ~ended.day_only & (ended.wall < began.wall)
    ended.wall[next_day] += np.timedelta64(1, "D")
    cells.read_as(next_day, "lifted_at", "next_day")
    both = ~np.isnat(began.wall) & ~np.isnat(ended.wall)
    mixed = both & (began.day_only != ended.day_only)
    cells.refuse(mixed, "lifted_at", "time_impossible.mixed")
    placements["set_at"] = localise(began, zones, cells, "set_at")
    placements["lifted_at"] = localise(ended, zones, cells, "lifted_at")
    latest = pd.Timestamp(now)
    for name in ("set_at", "lifted_at"):
        cells.refuse(placements[name] > latest, name, say("time_impossible.future", now=latest))
    backwards = (placements["lifted_at"] < placements["set_at"]) & ~mixed
    cells.refuse(backwards, "lifted_at", "time_impossible.backwards")
    placements["day_only"] = began.day_only
    cells.flag(began.day_only, "time_missing", "set_at")


def refuse_doubled_ids(cells: Cells) -> None:
    """Refuse an id that stands in two rows of the sheet.

    What to do depends on whether the rows say the same of the placement: a sheet with a row for
    each catch repeats it, and new ids would make more placements than there were.
    """
    ids = cells.column("placement_id")
    doubled = ids.duplicated(keep=False) & (ids != "")
    if not doubled.any():
        return
    own = cells.frame.loc[doubled].groupby(ids[doubled])
    rows = own.groups
    differs = own.nunique() > 1

    def remedy(value: str) -> Wording:
        where = ", ".join(map(str, rows[value][:5])) + (" and others" * (len(rows[value]) > 5))
        columns = [str(name) for name in differs if differs.at[value, name]]
        if not columns:
            return say("id_doubled.same", rows=where)
        return say("id_doubled.differing", rows=where, columns=", ".join(columns))

    cells.refuse(doubled, "placement_id", remedy)
