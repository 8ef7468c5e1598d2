"""Cells that were written otherwise than the program writes them, and can mean only one thing.

They are rewritten before anything is checked, and how they were read is said once for each kind
and column. What may mean two things stays as it stands, to be refused with its remedy.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.cell_texts import among
from service.intake.columns import DITTO, SHEETS, WORDS, plain
from service.intake.coordinates import WGS84
from service.intake.headers import LOST, spelt
from service.intake.numbers import NO_VALUE, all_plain, spelt_number
from service.intake.times import settled_dates, spelt_times
from service.intake.units import minutes_of

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Objects
    from service.intake.columns import Column
    from service.intake.findings import Cells
    from service.intake.times import DateOrder

__all__ = ["as_written_by_us", "sides_by_network"]

# In a column of text NA may be a name or initials: see `_no_value`.
_NO_TEXT: Final = frozenset(
    form
    for word in (NO_VALUE - {"na"}) | {*WORDS["none"]["alone"]}
    for form in (word, word.upper(), word.capitalize())
)
_NA: Final = "NA"
# Text that stays as it stands, whatever it is.
_VERBATIM: Final = ("placement_id", "method", "species", "crew", "notes", "note")


def as_written_by_us(cells: Cells, date_order: DateOrder | None = None) -> Cells:
    """Rewrite the cells of a sheet under our headers that can mean only one thing.

    Read so are numbers with their unit, with a decimal comma or marks between thousands, degrees,
    minutes and seconds, lower bounds and estimates of counts, signs for an empty cell, and dates
    whose order another date of the column shows. A form is left as it is: whoever fills it is
    there to be asked.
    """
    if cells.findings.audience == "form":
        return cells
    frame = cells.frame.copy(deep=False)
    for column in SHEETS[cells.sheet]:
        if column.name in frame and column.kind == "text" and column.name not in ("notes", "note"):
            text = cells.column(column.name)
            cells.refuse(among(text, DITTO), column.name, "ditto_unclear.text")
        if column.name not in frame or column.name in _VERBATIM:
            continue
        if column.kind in ("number", "whole"):
            _numbers(cells, column, frame)
            continue
        none = _no_value(cells, column)
        if none.any():
            frame[column.name] = frame[column.name].mask(none, "")
            cells.read_as(none, column.name, "no_value", unit="")
        if column.name == "lifted_at":
            _lost(cells, frame)
        if column.kind == "time":
            _times(cells, column.name, frame, date_order)
    return replace(cells, frame=frame)


def _numbers(cells: Cells, column: Column, frame: pd.DataFrame) -> None:
    text = cells.column(column.name)
    codes, uniques = pd.factorize(text.to_numpy(object))
    if column.unit == "min" and any(minutes_of(one) is not None for one in uniques):
        as_clock = text.str.fullmatch(r"\d+[.,][0-5]\d")
        cells.refuse(as_clock, column.name, "amount_unclear.beside_times")
    odd = np.flatnonzero(~all_plain(uniques))
    if not len(odd):
        return
    spelt = {}
    other = _side_of_o(uniques) if column.name.endswith("longitude") else ""
    for place in odd.tolist():
        value = _O.sub(other, uniques[place]) if other else uniques[place]
        read = spelt_number(value, column, decimal_comma=cells.decimal_comma)
        if read is not None:
            spelt[place] = read
    if not spelt:
        return
    became = uniques.copy()
    became[list(spelt)] = [read.text for read in spelt.values()]
    kinds, what = (np.full(len(uniques), "", dtype=object) for _ in range(2))
    kinds[list(spelt)] = [read.kind for read in spelt.values()]
    what[list(spelt)] = [read.code for read in spelt.values()]
    read_as, kind = what[codes], kinds[codes]
    if kinds.any():  # beside another kind of count the two contradict each other
        own = cells.column("count_kind").map(plain).to_numpy(object)
        said = np.array([plain(word) for word in kinds], dtype=object)[codes]
        read_as[(kind != "") & (own != "") & (own != said)] = ""
        kind[read_as == ""] = ""
        stated = cells.column("count_kind").to_numpy(object)
        frame["count_kind"] = pd.Series(
            np.where(kind != "", kind, stated), index=frame.index, dtype="str"
        )
    done = read_as != ""
    values = np.where(done, became[codes], uniques[codes])
    frame[column.name] = pd.Series(values, index=frame.index, dtype="str")
    shown = {str(uniques[place]): read.text for place, read in spelt.items()}
    for code in sorted(set(what) - {""}):
        empty = code == "no_value"
        cells.read_as(
            read_as == code, column.name, code, None if empty else shown, unit=column.unit
        )


_NEAR_DEG: Final = 1.0  # beyond the network, as a place with this network may lie. [deg]
_O: Final = re.compile(r"^o(?=\s*\d)|(?<=[\d\s°'′’\"″”])o$", re.IGNORECASE)


def _side_of_o(longitudes: Objects) -> str:
    """Tell which side O is in a column of longitudes, by the other letters in it; '' where not.

    Who writes O for east writes W for west; who writes O for west writes E for east.
    """
    letters = {sign for text in longitudes for sign in (text[:1].upper(), text[-1:].upper())}
    sides = [side for side, shows in (("E", "W"), ("W", "E")) if shows in letters]
    return sides[0] if len(sides) == 1 else ""


def sides_by_network(cells: Cells, reaches: gpd.GeoDataFrame) -> Cells:
    """Read longitudes with an O, east or west, where one of the two alone is near the network."""
    if cells.findings.audience == "form":
        return cells
    frame = cells.frame.copy(deep=False)
    for column in SHEETS["placements"]:
        text = cells.column(column.name)
        if not column.name.endswith("longitude") or not text.str.contains("[oO]").any():
            continue
        west, _, east, _ = reaches.to_crs(WGS84).total_bounds
        became = {}
        for value in filter(_O.search, text.unique()):
            both = [spelt_number(_O.sub(side, value), column) for side in ("E", "W")]
            numbers = [one.text for one in both if one]
            near = [n for n in numbers if west - _NEAR_DEG <= float(n) <= east + _NEAR_DEG]
            if len(near) == 1:
                became[value] = near[0]
        _rewrite(cells, column.name, frame, became, "degrees")
    return replace(cells, frame=frame)


def _no_value(cells: Cells, column: Column) -> pd.Series:
    """Cells that hold nothing but a sign for nothing.

    NA is it in a column of text only in a sheet that writes it into every empty cell, as statistics
    programs do: it stands in a column of numbers or times, and no cell is empty.
    """
    text = cells.column(column.name)
    if column.kind == "text":
        none, na = text.isin(_NO_TEXT), text == _NA
        return none | na if na.any() and _writes_na(cells) else none
    # A dash may be the sign against a plus, and none may be an outcome, or a no.
    doubtful = column.kind == "yes_no" or column.name == "outcome"
    words = ("na", "n/a", "n.a.") if doubtful else (*NO_VALUE, "none")
    return among(text, words)


def _writes_na(cells: Cells) -> bool:
    kinds = {column.name: column.kind for column in SHEETS[cells.sheet]}
    elsewhere = any(
        (cells.frame[name] == _NA).any()
        for name in cells.frame
        if kinds[str(name)] in ("number", "whole", "time")
    )
    return elsewhere and not any((cells.frame[name] == "").any() for name in cells.frame)


def _lost(cells: Cells, frame: pd.DataFrame) -> None:
    """Take a word for lost in place of a time of lifting as the outcome, where none is stated."""
    stated = frame["outcome"] if "outcome" in frame else cells.column("outcome")
    text = cells.column("lifted_at")
    worded = (value for value in text.unique().tolist() if not value[:1].isdigit())
    words = [value for value in worded if spelt(value) in LOST]
    which = text.isin(words) & stated.map(plain).isin(["", "lost"])
    if which.any():
        cells.read_as(which, "lifted_at", "lost")
        frame["lifted_at"] = frame["lifted_at"].mask(which, "")
        frame["outcome"] = stated.mask(which, "lost").astype("str")


def _times(cells: Cells, name: str, frame: pd.DataFrame, date_order: DateOrder | None) -> None:
    """Bring dates such as 03/04/2024 into the order that another date of the column shows.

    And rewrite times such as 3 June 2024 9.45pm.
    """
    uniques = pd.unique(frame[name].to_numpy(object))
    for order, shown_by, became in settled_dates(uniques) if date_order is None else ():
        texts = {str(uniques[place]): text for place, text in became.items()}
        _rewrite(cells, name, frame, texts, f"date_{order}", shown_by=shown_by)
    uniques = pd.unique(frame[name].to_numpy(object))
    spelt = spelt_times(uniques, date_order)
    texts = {str(uniques[place]): text for place, text in spelt.items()}
    _rewrite(cells, name, frame, texts, "time")


def _rewrite(
    cells: Cells, name: str, frame: pd.DataFrame, became: dict[str, str], code: str, **parts: object
) -> None:
    """Put other texts in the place of those of a column, and say so."""
    if became:
        text = frame[name]
        which = text.isin(list(became))
        written = replace(cells, frame=frame.copy(deep=False))
        written.read_as(which, name, code, became, **parts)
        frame[name] = text.mask(which, text.map(became)).astype("str")
