"""Flags about gear: hours, papers, soaking, effort and shape, driven by the methods' columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from layers.areas import ellipsoidal_area_m2
from layers.crs import choose_operation
from layers.fieldwork.daylight import is_day
from layers.fieldwork.effort import EFFORT_UNITS, effort_of, nights, soak_time_h
from service.intake.headers import said_of_gear
from service.intake.wording import say

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Floats
    from service.intake.findings import Cells

__all__ = ["flag_gear"]

# Below this many trapped fish may suffocate overnight. Common practice, no source. [mg/l]
LOW_OXYGEN_MG_L: Final = 5.0
# From here on traps roll, clog and fish poorly. Common practice, no source. [m/s]
FAST_WATER_M_S: Final = 0.3
# Stated length or area against the shape's own. Common practice, no source; as in stretches.
LENGTH_DIFFERENCE: Final = 0.25


def flag_gear(
    cells: Cells,
    placements: gpd.GeoDataFrame,
    methods: pd.DataFrame,
    day_only: pd.Series,
    stretch_lengths: pd.DataFrame,
) -> None:
    """Flag what looks odd about the gear of each placement, read whole and without refusals.

    Columns of the methods alone decide what a placement needs. `day_only` marks times that are days
    alone; `stretch_lengths` are as `layers.fieldwork.stretches` gives them.
    """
    own = methods.loc[placements["method"]].set_axis(placements.index)
    _flag_hours(cells, placements, own, day_only)
    _flag_papers(cells, placements, own)
    _flag_notes(cells, placements, own)
    _flag_soak(cells, placements, own, day_only)
    _flag_effort(cells, placements, methods, stretch_lengths)
    _flag_shape(cells, placements, methods)
    trap = (own["gear_kind"] == "trap") & own["passive"]
    little = placements["dissolved_oxygen_mg_l"] < LOW_OXYGEN_MG_L
    airless = ~placements["trap_air_space"].fillna(False).astype(bool)
    said = say("low_oxygen", low=LOW_OXYGEN_MG_L)
    cells.flag(trap & little & airless, said, "dissolved_oxygen_mg_l")
    fast = trap & (placements["water_velocity_m_s"] >= FAST_WATER_M_S)
    cells.flag(fast, say("fast_water", fast=FAST_WATER_M_S), "water_velocity_m_s")


def _flag_hours(
    cells: Cells, placements: gpd.GeoDataFrame, own: pd.DataFrame, day_only: pd.Series
) -> None:
    """Day work after dark, night work by day, by the sun at that place and date."""
    timed = ~day_only.to_numpy(bool) & own["hours"].isin(["day", "night"]).to_numpy(bool)
    at = np.flatnonzero(timed)
    if not len(at):
        return
    x, y = shapely.get_x(placements.geometry.array), shapely.get_y(placements.geometry.array)
    lon, lat = choose_operation(placements.crs, "EPSG:4326").move(x[at], y[at])
    current = own["gear_kind"].to_numpy(object) == "current"
    placed = np.isfinite(lon) & np.isfinite(lat)
    for name, what in (("set_at", "began"), ("lifted_at", "ended")):
        times = placements[name].iloc[at]
        day, known = np.zeros((2, len(placements)), dtype=bool)
        day[at] = is_day(lon, lat, times)
        known[at] = placed & times.notna().to_numpy()
        dark = (own["hours"] == "day").to_numpy(bool) & known & ~day
        bright = (own["hours"] == "night").to_numpy(bool) & day
        cells.flag(dark & current, say("outside_hours.current", what=what), name)
        cells.flag(dark & ~current, say("outside_hours.day", what=what), name)
        cells.flag(bright, say("outside_hours.night", what=what), name)


def _flag_papers(cells: Cells, placements: gpd.GeoDataFrame, own: pd.DataFrame) -> None:
    for column, code in (
        ("operator_certificate", "certificate_missing"),
        ("machine_check", "machine_check_missing"),
    ):
        shown = placements[column].fillna(False).astype(bool)
        cells.flag(own[column].astype(bool) & ~shown, code, column)


def _flag_notes(cells: Cells, placements: gpd.GeoDataFrame, own: pd.DataFrame) -> None:
    """Flag gear left alone whose notes say that it was lost or moved, and its outcome does not."""
    notes = placements["notes"].where(~placements["outcome"].isin(["lost", "disturbed"]))
    found = {text: word for text in notes.dropna().unique() if (word := said_of_gear(text))}
    which = notes.isin(list(found)) & own["passive"].astype(bool)
    words, outcomes = notes[which].map(found), placements.loc[which, "outcome"]
    cells.flag(which, "gear_in_notes", "notes", word=words, outcome=outcomes)


def _flag_soak(
    cells: Cells, placements: gpd.GeoDataFrame, own: pd.DataFrame, day_only: pd.Series
) -> None:
    passive = own["passive"].astype(bool)
    hours = soak_time_h(placements)
    limit = own["max_soak_h"].astype(float)
    # Days alone tell hours only to a day.
    slack = np.where(day_only.to_numpy(bool), 24.0, 0.0)
    long = (passive & (hours > limit + slack)).to_numpy(bool)
    cells.flag(long, "soak_too_long", "lifted_at", hours=hours[long], most=limit[long])
    overnight = passive & (own["hours"] == "overnight")
    cells.flag(overnight & (nights(placements) == 0), "lifted_same_day", "lifted_at")
    unlifted = passive & placements["lifted_at"].isna() & (placements["outcome"] != "lost")
    cells.flag(unlifted, "lift_time_missing", "lifted_at")


def _flag_effort(
    cells: Cells, placements: gpd.GeoDataFrame, methods: pd.DataFrame, stretch_lengths: pd.DataFrame
) -> None:
    effort = effort_of(placements.set_index("placement_id"), methods, stretch_lengths)
    known = placements["placement_id"].isin(effort.loc[effort["effort"].notna(), "placement_id"])
    lacking = ~known & ~placements["outcome"].isin(["lost", "disturbed"])
    wanted = methods["effort_units"].map(_what_tells_effort)
    columns = placements.loc[lacking, "method"].map(wanted)
    cells.flag(lacking, "effort_missing", "method", columns=columns)


def _what_tells_effort(units: list[str]) -> str:
    """Name the columns of which any unit is made; gear_count may be missing, it is then one."""
    sets = [
        " and ".join(name for name in EFFORT_UNITS[unit].columns if name != "gear_count")
        for unit in units
    ]
    return ", or ".join(dict.fromkeys(sets))


def _flag_shape(cells: Cells, placements: gpd.GeoDataFrame, methods: pd.DataFrame) -> None:
    usual = methods["geometry"].explode().dropna()
    given = pd.MultiIndex.from_frame(placements[["method", "shape_kind"]])
    odd = ~given.isin(list(usual.items()))
    own = placements.loc[odd, "shape_kind"]
    known = placements.loc[odd, "method"].map(methods["geometry"].map(" or ".join))
    cells.flag(odd, "geometry_unusual", "geometry", kind=own, kinds=known)
    shape = placements["shape"].to_numpy(object)
    length = np.where(placements["shape_kind"] == "track", shapely.length(shape), np.nan)
    _flag_difference(cells, placements["stretch_length_m"], length, "stated_length_differs")
    area = (placements["shape_kind"] == "area").to_numpy(bool)
    drawn = np.full(len(placements), np.nan)
    if area.any():
        drawn[area] = ellipsoidal_area_m2(shape[area], placements.crs)
    _flag_difference(cells, placements["area_m2"], drawn, "stated_area_differs")


def _flag_difference(cells: Cells, column: pd.Series, drawn: Floats, code: str) -> None:
    stated = column.to_numpy(float)
    far = np.abs(stated - drawn) > LENGTH_DIFFERENCE * drawn
    cells.flag(far, code, str(column.name), stated=stated[far], drawn=drawn[far])
