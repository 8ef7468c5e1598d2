"""What was done and found on each stream."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.fieldwork.counted_water import holds
from layers.fieldwork.looking import catch_numbers, detectable, extreme_dates
from layers.frames import codes_of, codes_within, reads
from layers.network.cutting import ReachLines
from layers.network.intervals import Intervals, overlay
from layers.network.reach_parts import main_part

if TYPE_CHECKING:
    from layers.arrays import Bools, Floats, Ints
    from layers.fieldwork.counted_water import CountedWater

__all__ = ["stream_summary"]


@reads("catches", "methods", species="species rank")
def stream_summary(
    water: CountedWater,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    *,
    shown: Bools | None = None,
    region: Intervals | None = None,
) -> gpd.GeoDataFrame:
    """Sum up per stream what was visited, sampled and found.

    Parameters
    ----------
    water
        What the placements of the question visited and sampled; its placements are points.
    catches, species, methods
        Frames of these kinds (`layers.frames`).
    shown
        Species whose absence may be stated, (s,); all if not given.
    region
        Parts of reaches that do not overlap; the rest is left out.

    Returns
    -------
    GeoDataFrame
        One row per stream, by name, then id: `stream`; `reaches`; `length_m`; what was visited,
        sampled, and visited by night or overnight, each counted once [m]; `placements` whose
        visited water or position lies on it, with `first_date` and `last_date`; of the entries
        of the list that are species, how many were found by placements whose position (else most
        of whose stretch) lies on it, how many were not although gear that can find them fished,
        and for how many no such gear did; `highest_strahler`; `stream_id`; geometry, its lines
        in the network's CRS. `attrs["inputs"]` says what was used and left out.

    Raises
    ------
    FrameError
        A column is missing, or a method is not in its list.
    """
    network = water.network
    m = len(network.length_m)
    whole = region
    if whole is None:
        whole = Intervals(np.arange(m, dtype=np.int32), np.broadcast_to(0.0, m), network.length_m)
    stream, named = network.streams
    of_part, count = stream[whole.group], len(named)

    def length(joined: Intervals) -> Floats:
        own, metres = stream[joined.group], joined.length_m
        if region is not None:
            inside = overlay(joined, whole)
            own, metres = of_part[inside.part], inside.to_m - inside.from_m
        return np.bincount(own, metres, minlength=count).astype(np.float64)

    placement, owner = water.visits(stream, region)
    day = water.day[placement]
    by_stream = np.argsort(of_part, kind="stable")
    size = np.bincount(of_part, minlength=count)
    table = pd.DataFrame(
        {
            "stream": named["stream"],
            "reaches": np.bincount(stream[distinct(whole.group)], minlength=count),
            "length_m": np.bincount(of_part, whole.length_m, minlength=count),
            "visited_length_m": length(water.distance("visited").sampled),
            "sampled_length_m": length(water.distance("sampled").sampled),
            "night_visited_length_m": length(water.by_night()),
            "placements": np.bincount(owner, minlength=count),
            "first_date": extreme_dates(day, owner, count, np.minimum),
            "last_date": extreme_dates(day, owner, count, np.maximum),
            **_species(water, region, catches, species, methods, shown),
            "highest_strahler": named["highest_strahler"],
            "stream_id": named["stream_id"],
        }
    )
    lines = ReachLines(network, whole, by_stream, np.cumsum(size) - size, size)
    frame = gpd.GeoDataFrame(table, geometry=lines)[size > 0]
    frame = frame.sort_values(["stream", "stream_id"], ignore_index=True)
    frame.attrs["inputs"] = water.inputs("visited")
    return frame


def _species(
    water: CountedWater,
    region: Intervals | None,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
    shown: Bools | None,
) -> dict[str, Ints]:
    """How many species each stream has in which state."""
    placements, count = water.placements, len(water.network.streams[1])
    place = _stream_of(water, region)
    kinds = species[(species["rank"].fillna("species") == "species").to_numpy(bool)]
    used = np.flatnonzero(place >= 0)
    method = codes_of(placements["method"].iloc[used], methods.index, "Method")
    worked = np.zeros((count, len(methods)), bool)
    worked[place[used], method] = True
    # 0 never looked, 1 looked, 2 found
    state = (worked @ detectable(kinds, methods).to_numpy(bool).T).astype(np.int64)
    individuals, _ = catch_numbers(catches)
    at = codes_within(catches["placement_id"], placements.index)
    kind = codes_within(catches["species"], kinds.index)
    hit = (individuals > 0) & (at >= 0) & (kind >= 0)
    hit[hit] = place[at[hit]] >= 0
    state[place[at[hit]], kind[hit]] = 2
    stated = np.ones(len(kinds), bool)
    if shown is not None:
        stated = shown[species.index.get_indexer(kinds.index)]
    return {
        "species_found": (state == 2).sum(axis=1),
        "species_not_found": (state[:, stated] == 1).sum(axis=1),
        "species_never_looked": (state[:, stated] == 0).sum(axis=1),
    }


def _stream_of(water: CountedWater, region: Intervals | None) -> Ints:
    """Stream on which each placement lies: by its position, else by most of its stretch; −1."""
    stream, _ = water.network.streams
    stretch, on = water.sampled.within(region), np.flatnonzero(water.row >= 0)
    off = water.row[stretch.placement] < 0
    own = stretch.intervals.at(off)
    place = main_part(
        stream[own.group], stretch.placement[off], own.length_m, len(water.placements)
    )
    row = water.row[on]
    place[on] = stream[row]
    if region is not None:
        place[on[~holds(region, row, water.measure_m[on])]] = -1
    return np.where(water.counted, place, -1)
