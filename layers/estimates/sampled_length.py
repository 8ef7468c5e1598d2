"""Sampled stream length: the union of stretches, by catchment, order, reach, year or survey."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.errors import FrameError
from layers.fieldwork.looking import nested_catchments, rolled_up
from layers.frames import codes_of, codes_within, reads
from layers.network.catchments import ancestors
from layers.network.intervals import Intervals, overlay, union_intervals
from layers.network.reach_parts import cover_with_parts
from layers.totals import ALL, RECORDS_ANEW, refuse_all

if TYPE_CHECKING:
    from collections.abc import Sequence

    from layers.arrays import Floats, Ints
    from layers.fieldwork.counted_water import CountedWater
    from layers.network.graph import Network

__all__ = ["GROUPINGS", "sampled_length"]

GROUPINGS: Final = ("catchment", "strahler", "reach", "year", "survey")
_OF_NETWORK: Final = ("catchment", "strahler", "reach")
_WHOLE: Final = "whole"  # a key that all rows share, so that grouping by nothing needs no case
_MOST_REMEMBERED: Final = 20_000  # rows that spare joining most intervals after a write
_NO_YEAR: Final = 2**31  # sorts after every year


@reads("reach_parts", "catchments")
def sampled_length(
    water: CountedWater,
    reach_parts: pd.DataFrame,
    catchments: pd.DataFrame,
    by: Sequence[str] = (),
    *,
    region: Intervals | None = None,
) -> pd.DataFrame:
    """Measure how much stream was sampled, per method and across all methods.

    Parameters
    ----------
    water
        What the placements of the question sampled; they have a `survey`.
    by
        Any of `catchment`, `strahler`, `reach`, `year` (local year of setting), `survey`.
    region
        Parts of reaches that do not overlap; the rest is left out.

    Returns
    -------
    DataFrame
        The `by` columns; `method` (`all` = union across methods); `sampled_length_m`,
        overlapping and repeated stretches counted once [m]; `effort_length_m`, every stretch
        counted each time [m]; `placements`, how many reach into the row; `network_length_m`,
        length of the network in the row's catchment, order or reach [m]; `network_share`,
        sampled by network length, 0 to 1.

        A catchment's rows count what lies in its nested catchments too, counted once; a
        missing catchment means outside all. Without `year` or `survey` every part of the
        network has a row for `all`, also where nothing was sampled. Sorted by the `by`
        columns, then method, `all` last. `attrs["inputs"]` says what was used and left out.

    Raises
    ------
    FrameError
        A column is missing, `by` names an unknown or a repeated grouping, a reach or
        catchment is unknown, or a catchment lies within itself.
    """
    columns = list(by)
    if not set(columns) <= set(GROUPINGS) or len(set(columns)) < len(columns):
        msg = f"by {', '.join(columns)}: give any of {', '.join(GROUPINGS)}, each once."
        raise FrameError(msg)
    network, sampled = water.network, water.sampled.within(region)
    holding = _Holding(network, reach_parts, catchments) if "catchment" in columns else None
    rows = np.arange(len(network.length_m), dtype=np.int64)
    whole = region or Intervals(rows, np.zeros(len(rows)), network.length_m)
    names = _Names(water, holding)

    spatial = [_WHOLE, *(name for name in columns if name in _OF_NETWORK)]
    cells = _pieces(network, whole, whole.group, holding)
    cells["network_length_m"] = cells["to_m"] - cells["from_m"]
    lengths = cells.groupby(spatial)["network_length_m"].sum().reset_index()

    keys = [_WHOLE, *columns, "method"]
    pieces = _pieces(network, sampled.intervals, sampled.placement, holding)
    for name in ("method", "survey", "year"):
        if name in keys:
            pieces[name] = names.codes(name)[pieces["owner"]]
    every_method = len(names.of["method"])
    both = pd.concat([pieces, pieces.assign(method=every_method)], ignore_index=True)
    frame = _measured(both, keys, water, names, region)
    if len(spatial) == len(columns) + 1:
        unsampled = lengths[spatial].assign(method=every_method)
        frame = frame.merge(unsampled, on=keys, how="outer").fillna(0)
    frame = frame.merge(lengths, on=spatial, how="left").sort_values(keys, ignore_index=True)

    result = pd.DataFrame({name: names.decoded(name, frame[name]) for name in keys[1:]})
    result["sampled_length_m"] = frame["sampled_length_m"]
    result["effort_length_m"] = frame["effort_length_m"]
    result["placements"] = frame["placements"].astype(np.int64)
    result["network_length_m"] = frame["network_length_m"]
    result["network_share"] = (frame["sampled_length_m"] / frame["network_length_m"]).clip(upper=1)
    result.attrs["inputs"] = water.inputs("sampled")
    return result


class _Holding:
    """Parts of reaches by catchment, and what lies in what. Outside all comes last."""

    def __init__(
        self, network: Network, reach_parts: pd.DataFrame, catchments: pd.DataFrame
    ) -> None:
        self.parts = cover_with_parts(network, reach_parts)
        self.names, inner, outer = nested_catchments(ancestors(catchments))
        self.outside = len(self.names)
        own = codes_of(pd.Series(self.parts.names, dtype="str"), self.names, "Catchment")
        self.code = np.append(own, self.outside)[self.parts.catchment]
        # What lies outside all lies in nothing but itself.
        self.nesting = np.append(inner, self.outside), np.append(outer, self.outside)


class _Names:
    """Codes and names of what rows are grouped by; codes sort as names do, missing last."""

    def __init__(self, water: CountedWater, holding: _Holding | None) -> None:
        self.water = water
        self.of: dict[str, pd.Index] = {
            "reach": water.network.reaches.index,
            "catchment": holding.names if holding else pd.Index([], dtype="str"),
        }
        for name in ("method", "survey"):
            words = pd.Index(water.placements[name].unique())
            self.of[name] = words.dropna().astype("str").sort_values()
        refuse_all(self.of["method"], "method", RECORDS_ANEW)

    def codes(self, name: str) -> Ints:
        """Code of each placement."""
        if name == "year":
            known = pd.Series(self.water.day).dt.year
            year: Ints = known.fillna(_NO_YEAR).to_numpy(np.int64)
            return year
        code = codes_within(self.water.placements[name], self.of[name])
        missing = len(self.of[name]) + (name == "method")  # the code of `all` lies between
        return np.where(code < 0, missing, code)

    def decoded(self, name: str, codes: pd.Series) -> pd.Series:
        """Names again; missing where there is none."""
        if name == "strahler":
            return codes.astype(np.int64)
        if name == "year":
            return codes.mask(codes == _NO_YEAR).astype("Int64")
        last = [ALL, None] if name == "method" else [None]
        table = np.array([*self.of[name], *last], dtype=object)
        return pd.Series(table[codes.to_numpy()], index=codes.index, dtype="str")


def _pieces(
    network: Network, intervals: Intervals, owner: Ints, holding: _Holding | None
) -> pd.DataFrame:
    """Intervals with the part of the network each lies in, once per catchment that it lies in."""
    row, from_m, to_m = intervals
    frame: dict[str, Ints | Floats | int] = {}
    if holding is not None:
        cut = overlay(intervals, holding.parts.intervals)
        piece, frame["catchment"] = rolled_up(
            holding.code[cut.part], holding.nesting, holding.outside + 1
        )
        row, owner = row[cut.interval[piece]], owner[cut.interval[piece]]
        from_m, to_m = cut.from_m[piece], cut.to_m[piece]
    frame |= {
        "strahler": network.strahler[row], "reach": row, "owner": owner,
        "from_m": from_m, "to_m": to_m,
    }  # fmt: skip
    return pd.DataFrame(frame).assign(**{_WHOLE: 0})


def _measured(
    pieces: pd.DataFrame,
    keys: list[str],
    water: CountedWater,
    names: _Names,
    region: Intervals | None,
) -> pd.DataFrame:
    """Union, effort length and number of placements of each combination of `keys`.

    Intervals of a combination are joined anew where it has, or had, any on a reach that changed.
    """
    reaches, owners = len(water.network.length_m), max(len(water.placements), 1)
    cell = pieces.groupby(keys, sort=True).ngroup().to_numpy(np.int64)
    table = pieces[keys].iloc[np.unique(cell, return_index=True)[1]].reset_index(drop=True)
    row = pieces["reach"].to_numpy(np.int64)
    from_m, to_m = pieces["from_m"].to_numpy(), pieces["to_m"].to_numpy()
    count = len(table)
    table["pieces"] = np.bincount(cell, minlength=count)
    words = {key: names.decoded(key, table[key]) for key in keys[1:]}
    made, last = water.found.get(("sampled length", *keys), (-1, None))
    anew, known = np.ones(count, bool), np.zeros(count)
    if last is not None and region is None:
        before = pd.DataFrame(words).merge(last, on=keys[1:], how="left")
        anew = before["pieces"].to_numpy() != table["pieces"].to_numpy()
        anew[cell[(water.changed_in > made)[row]]] = True
        known = before["sampled_length_m"].to_numpy()
    some = anew[cell]
    joined = union_intervals(cell[some] * reaches + row[some], from_m[some], to_m[some])
    metres = np.bincount(joined.group // reaches, weights=joined.length_m, minlength=count)
    table["sampled_length_m"] = np.where(anew, metres, known)
    table["effort_length_m"] = np.bincount(cell, weights=to_m - from_m, minlength=count)
    pairs = distinct(cell * owners + pieces["owner"].to_numpy(np.int64))
    table["placements"] = np.bincount(pairs // owners, minlength=count)
    if region is None and count <= _MOST_REMEMBERED:
        left = table[["pieces", "sampled_length_m"]].assign(**words)
        water.found["sampled length", *keys] = water.made, left
    return table.drop(columns="pieces")
