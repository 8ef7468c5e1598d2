"""A reach, a stream, or all that lies above a point: what is known of that water."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
import shapely

from layers.coded import coded_labels
from layers.crs import choose_operation
from layers.drawing.geojson import bounding_box, to_wgs84
from layers.estimates.fish_lengths import FEWEST
from layers.estimates.occurrence import occurrence
from layers.fieldwork.counted_water import holds
from layers.fieldwork.effort import effort_of, effort_totals, main_units, unit_words
from layers.fieldwork.looking import local_dates
from layers.fieldwork.stretches import stretch_lengths
from layers.frames import codes_within
from layers.network.cutting import cut_lines, place_on_reach
from layers.network.directions import upstream_of
from layers.network.intervals import Intervals
from service import reference
from service.access import keep_placements, open_records
from service.answers import coverage_answers, summaries
from service.answers.coverage_answers import CoverageQuestion
from service.answers.following import picture_and_effort
from service.answers.occurrence_table import looking_words
from service.answers.tables import plain_rows
from service.cache import cached, renewed
from service.errors import NotFoundError, RequestError
from service.records import OF_EFFORT, OF_NOTHING, Selection

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Bools, Ints
    from layers.fieldwork.counted_water import CountedWater
    from layers.network.graph import Network
    from service.records import Records, Viewer
    from service.store import Store

__all__ = [
    "Water",
    "reach_at",
    "reach_water",
    "stream_of",
    "stream_water",
    "upstream_water",
    "water_account",
]

_NEEDED: Final = OF_EFFORT.and_tables("lengths")
_MOST_BY_ID: Final = 2_000  # more placements are sooner taken from all than read one by one
_MOST_LISTED: Final = 30
_MOST_GAPS: Final = 5
_MOST_PLACES: Final = 3
# What the water of a reach alone decides, not how far other water is.
_OF_REACH: Final = ["visited_fraction", "sampled_fraction", "methods", "first_date", "last_date"]
_HERE: Final = "here"


class Water(NamedTuple):
    """Part of the network: at most one interval of each reach, by row.

    `where` selects it. Next places are looked for in `around`: there, or on the stream of a single
    reach.
    """

    network: Network
    parts: Intervals
    where: Selection
    around: Selection


@dataclass(frozen=True)
class WaterAccount:
    """What is known of some water, as a viewer may see it.

    Attributes
    ----------
    length_m, highest_strahler, kinds
        Its length [m], the highest order of its `reaches`, what they are.
    bounds, outline, middle
        Box in degrees; paths for a map (`layers.drawing.screen_lines`); longitude and latitude
        half way along its longest part.
    effort
        By year, newest first, and gear: `placements`, `looked` of them, and the `efforts` of
        those as numbers with units.
    species
        Rows of the occurrence summary, as if this water were one catchment.
    measured
        Fish measured at placements whose position lies in it, of species with enough of them for
        a histogram.
    placements, placement_count
        The newest ones, and how many there are.
    states, catchments, own_reach
        Of the coverage summary: how many of its reaches each state has, in which catchments they
        lie, and of a single one who was there, and when.
    places
        Rows of the summary: next places in it, or on the stream of a reach.
    gaps, gap_count
        Gaps that lie in it, longest first, as rows of the summary with `here_m`, the length
        within this water.
    """

    reaches: int
    length_m: float
    highest_strahler: int
    kinds: tuple[str, ...]
    bounds: list[float] | None
    outline: dict[str, Any]
    middle: tuple[float, float] | None
    effort: list[dict[str, Any]]
    species: list[dict[str, Any]]
    measured: dict[str, int]
    placements: list[dict[str, Any]]
    placement_count: int
    states: dict[str, int]
    catchments: list[str]
    own_reach: dict[str, Any] | None
    gaps: list[dict[str, Any]]
    gap_count: int
    places: list[dict[str, Any]]


def reach_water(store: Store, reach_id: str) -> tuple[Water, int]:
    """One reach, and its row; NotFoundError if there is none of this id."""
    joined = reference.network(store)
    (row,) = joined.rows([reach_id]).tolist()
    if row < 0:
        raise NotFoundError(f"There is no reach {reach_id!r}.")
    whole = _whole(joined, np.array([row]))
    # The water above its lower end that lies below its upper one.
    where = Selection(
        upstream_of=f"{reach_id}:{float(whole.to_m[0])!r}", downstream_of=f"{reach_id}:0"
    )
    stream = stream_of(joined, row)["stream_id"]
    return Water(joined, whole, where, Selection(streams=(stream,))), row


def stream_of(joined: Network, row: int) -> dict[str, Any]:
    """Give the row of a reach's stream in `Network.streams`."""
    number, table = joined.streams
    return plain_rows(table.iloc[[number[row]]])[0]


def stream_water(store: Store, stream_id: str) -> tuple[Water, dict[str, Any]]:
    """All reaches of one stream, and its row in `Network.streams`."""
    joined = reference.network(store)
    number, table = joined.streams
    found = np.flatnonzero(table["stream_id"] == stream_id)
    if not len(found):
        raise NotFoundError(f"There is no stream {stream_id!r}.")
    whole = _whole(joined, np.flatnonzero(number == found[0]))
    where = Selection(streams=(stream_id,))
    return Water(joined, whole, where, where), plain_rows(table.iloc[found])[0]


def upstream_water(store: Store, reach_id: str, measure_m: float | None) -> tuple[Water, int]:
    """All water that flows through a point of a reach, its downstream end if none is given."""
    whole, row = reach_water(store, reach_id)
    length = float(whole.network.length_m[row])
    measure = length if measure_m is None else measure_m
    if not 0.0 <= measure <= length:
        raise RequestError(
            f"measure {measure:g} m lies outside reach {reach_id!r}; give one from 0 to "
            f"{length:.1f}, from its upstream end."
        )
    parts = upstream_of(whole.network, row, measure)
    where = Selection(upstream_of=f"{reach_id}:{measure!r}")
    return Water(whole.network, parts, where, where), row


def _whole(joined: Network, rows: Ints) -> Intervals:
    return Intervals(rows, np.zeros(len(rows)), joined.length_m[rows])


def reach_at(
    store: Store, reach_id: str, longitude: float, latitude: float, viewer: Viewer
) -> dict[str, Any]:
    """Say of a reach and a point near it what a map shows when the reach is opened.

    Returns
    -------
    dict
        `reach_id`, `stream`, `stream_id`, `strahler`, `kind`, `length_m`, `measure_m` of the
        nearest place on the reach, `longitude` and `latitude` of that place; `catchment`, the
        smallest that it lies in, and `catchment_name`, None outside all; and of its row of the
        coverage summary `state`, `visited_fraction`, `sampled_fraction`, `last_date` and the
        labels of its `methods`.
    """
    water, row = reach_water(store, reach_id)
    joined = water.network
    (x,), (y,) = choose_operation(4326, joined.crs).move(longitude, latitude)
    line = joined.reaches.geometry.iloc[row]
    if not (np.isfinite(x) and np.isfinite(y)):
        raise RequestError("This position lies outside the area of use of the reaches' CRS.")
    measure = float(shapely.line_locate_point(line, shapely.Point(x, y)))
    at = _degrees(joined, row, measure)
    own = _coverage(store, water, viewer).iloc[0]
    stream = stream_of(joined, row)
    labels = reference.methods(store)["label"]
    kind = joined.reaches["kind"].iloc[row]
    catchment = own["catchment"] if isinstance(own["catchment"], str) else None
    return {
        "reach_id": reach_id,
        "catchment": catchment,
        "catchment_name": reference.catchment_names(store)[catchment] if catchment else None,
        "stream": stream["stream"],
        "stream_id": stream["stream_id"],
        "strahler": int(joined.strahler[row]),
        "kind": kind if isinstance(kind, str) else None,
        "length_m": round(float(joined.length_m[row]), 1),
        "measure_m": round(measure, 1),
        "longitude": at[0],
        "latitude": at[1],
        "state": own["state"],
        "methods": [labels.get(name, name) for name in own["methods"].split(";") if name],
        "visited_fraction": round(float(own["visited_fraction"]), 4),
        "sampled_fraction": round(float(own["sampled_fraction"]), 4),
        "last_date": None if pd.isna(own["last_date"]) else f"{own['last_date']:%Y-%m-%d}",
    }


def _degrees(joined: Network, row: int, measure_m: float) -> tuple[float, float]:
    xy = place_on_reach(joined, np.array([row]), np.array([measure_m]))
    longitude, latitude = choose_operation(joined.crs, 4326).move(xy[:, 0], xy[:, 1])
    return round(float(longitude[0]), 6), round(float(latitude[0]), 6)


def _middle(water: Water) -> tuple[float, float] | None:
    parts = water.parts
    if not len(parts.group):
        return None
    at = int(parts.length_m.argmax())
    middle = float(parts.from_m[at] + parts.to_m[at]) / 2
    return _degrees(water.network, int(parts.group[at]), middle)


class _Known(NamedTuple):
    """An account, and what it was made of."""

    account: WaterAccount
    made: int


def water_account(store: Store, water: Water, viewer: Viewer) -> WaterAccount:
    """Gather what is known of some water; anew where something changed in it."""

    def renew(last: _Known | None) -> _Known:
        everywhere = summaries.counted(store, Selection(), viewer)
        planned = CoverageQuestion(water.around, count=_MOST_PLACES)
        places = coverage_answers.next_places(store, planned, viewer)
        listed, count = _gaps(store, water, viewer)
        now: dict[str, Any] = {
            "gaps": listed,
            "gap_count": count,
            "places": plain_rows(places.drop(columns="geometry")),
        }
        if last and not (everywhere.changed_in[water.parts.group] > last.made).any():
            return last._replace(account=replace(last.account, **now))
        return _Known(_account(store, water, viewer, everywhere, now), everywhere.made)

    return renewed(store, viewer, ("water", water.where), renew).account


def _account(
    store: Store, water: Water, viewer: Viewer, everywhere: CountedWater, now: dict[str, Any]
) -> WaterAccount:
    joined, parts = water.network, water.parts
    records, effort, there = _records(store, water, viewer, everywhere)
    units = main_units(records.placements, effort)
    kinds = joined.reaches["kind"].iloc[parts.group].dropna().unique()
    listed, count = _listed(store, records)
    bounds, outline = cached(
        store, None, ("water", water.where), lambda: _drawn(joined, parts), of_network=True
    )
    coverage = _coverage(store, water, viewer)
    return WaterAccount(
        reaches=len(parts.group),
        length_m=float(parts.length_m.sum()),
        highest_strahler=int(joined.strahler[parts.group].max(initial=0)),
        kinds=tuple(sorted(kinds)),
        bounds=bounds,
        outline=outline,
        middle=_middle(water),
        effort=_effort(records, effort, units),
        species=_species(store, records, effort, units, viewer),
        measured=_measured(records, there),
        placements=listed,
        placement_count=count,
        states=coverage["state"].value_counts().to_dict(),
        catchments=coverage["catchment"].dropna().unique().tolist(),
        own_reach=plain_rows(coverage[_OF_REACH])[0] if len(coverage) == 1 else None,
        **now,
    )


def _drawn(joined: Network, parts: Intervals) -> tuple[list[float] | None, dict[str, Any]]:
    """Box around some water, in degrees, and its outline."""
    lines = cut_lines(joined, *parts)
    return bounding_box(to_wgs84(lines, joined.crs)), coverage_answers.outline(lines, joined.crs)


def _records(
    store: Store, water: Water, viewer: Viewer, everywhere: CountedWater
) -> tuple[Records, pd.DataFrame, Bools]:
    """Open records and effort of placements whose position or stretch lies in some water.

    The last marks those whose position does.
    """
    sampled = everywhere.sampled.within(water.parts)
    there = holds(water.parts, everywhere.row, everywhere.measure_m)
    inside = there.copy()
    inside[sampled.placement[sampled.intervals.length_m > 0]] = True
    ids = everywhere.placements.index[inside]
    if len(ids) <= _MOST_BY_ID:
        # No placement has an empty id, and without any all would be read.
        few = open_records(store, Selection(placements=tuple(ids) or ("",)), viewer, _NEEDED)
        methods, lengths = reference.methods(store), stretch_lengths(few.stretches)
        there = few.placements.index.isin(everywhere.placements.index[there])
        return few, effort_of(few.placements, methods, lengths), there
    picture, effort = picture_and_effort(store, viewer)
    if not picture.names.is_(everywhere.placements.index):  # written to just now
        there = picture.names.isin(everywhere.placements.index[there])
        inside = picture.names.isin(ids)
    place = np.where(inside, np.cumsum(inside) - 1, -1)
    own = place[effort["placement_id"].cat.codes]
    needed = OF_NOTHING.and_tables("catches", "snaps", "lengths")
    records = keep_placements(picture.records(needed), inside)
    named, effort = coded_labels(own[own >= 0], records.placements.index), effort[own >= 0]
    units = effort["effort_unit"].cat
    effort = effort.assign(
        placement_id=named,
        # Units are listed by name, as those of few placements are.
        effort_unit=units.reorder_categories(units.categories.sort_values()),
    )
    return records, effort, there[inside]


def _measured(records: Records, there: Bools) -> dict[str, int]:
    own = records.lengths.dropna(subset="length_mm")
    at = codes_within(own["placement_id"], records.placements.index)
    count = own["species"][there[at]].value_counts()
    return {str(name): int(fish) for name, fish in count[count >= FEWEST].sort_index().items()}


def _one_place(records: Records) -> dict[str, Any]:
    """Let all records lie in one catchment."""
    ids = records.placements.index
    return {
        "catchment_of": pd.Series(_HERE, index=ids, dtype="str"),
        "ancestors": pd.DataFrame({"catchment_id": [_HERE], "ancestor_id": [_HERE]}, dtype="str"),
    }


def _effort(records: Records, effort: pd.DataFrame, units: pd.Series) -> list[dict[str, Any]]:
    place = _one_place(records)
    totals = effort_totals(records.placements, effort, by_year=True, main=units, **place)
    totals = totals[(totals["catchment"] == _HERE) & totals["effort"].notna()]
    totals = totals.assign(unit=unit_words(totals["effort"], totals["effort_unit"]))
    year = local_dates(records.placements).dt.year
    looked = records.placements["outcome"].isin(("caught", "nil"))
    counts = (
        records.placements.assign(year=year, looked=looked)
        .groupby(["year", "method"], dropna=False, as_index=False)
        .agg(placements=("looked", "size"), looked=("looked", "sum"))
        .sort_values(["year", "method"], ascending=[False, True])
    )
    by_key: dict[tuple[int, str], list[tuple[float, str]]] = {}
    columns = (totals[name] for name in ("year", "method", "effort", "unit"))
    for year_, method, *amount in zip(*columns, strict=True):
        by_key.setdefault((year_, method), []).append(tuple(amount))
    return [
        row | {"efforts": by_key.get((row["year"], row["method"]), [])}
        for row in plain_rows(counts)
    ]


def _species(
    store: Store, records: Records, effort: pd.DataFrame, units: pd.Series, viewer: Viewer
) -> list[dict[str, Any]]:
    listed, methods = reference.species(store), reference.methods(store)
    place = _one_place(records)
    found = occurrence(
        records.placements,
        records.catches,
        listed,
        methods,
        place_of=place["catchment_of"],
        snaps=records.snaps,
        effort=effort,
        ancestors=place["ancestors"],
        units=units,
    )
    found = found.assign(looking=looking_words(found, methods["label"].to_dict()))
    shown = found["state"].eq("found") | summaries.fully_shown(found["species"], listed, viewer)
    return plain_rows(found[shown])


def _listed(store: Store, records: Records) -> tuple[list[dict[str, Any]], int]:
    """Newest placements, and how many there are."""
    day = local_dates(records.placements).to_numpy()
    number, few = day.view(np.int64), np.ones(len(day), bool)  # of a missing day the least
    if (~np.isnat(day)).sum() > _MOST_LISTED:  # only these are sorted
        few = number >= np.partition(number, -_MOST_LISTED)[-_MOST_LISTED]
    newest = records.placements.loc[few, ["method", "outcome"]].assign(day=day[few]).reset_index()
    newest = newest.sort_values(["day", "placement_id"], ascending=[False, True])
    rows = newest.head(_MOST_LISTED)
    labels = reference.methods(store)["label"]
    return plain_rows(rows.assign(gear=rows["method"].map(labels))), len(records.placements)


def _coverage(store: Store, water: Water, viewer: Viewer) -> gpd.GeoDataFrame:
    found = coverage_answers.coverage(store, CoverageQuestion(Selection()), viewer)
    own = np.zeros(len(water.network.length_m) + 1, bool)
    own[water.parts.group] = True
    return found[own[coverage_answers.network_rows(water.network, found)]]


def _gaps(store: Store, water: Water, viewer: Viewer) -> tuple[list[dict[str, Any]], int]:
    """Longest gaps of the whole network that have length in common with some water; of how many."""
    found = coverage_answers.gaps(store, CoverageQuestion(Selection()), viewer)
    gap, pieces = found.geometry.array.pieces
    part = np.full(len(water.network.length_m), -1)
    part[water.parts.group] = np.arange(len(water.parts.group))
    near = np.flatnonzero(part[pieces.group] >= 0)
    pieces, own = pieces.at(near), water.parts.at(part[pieces.group[near]])
    shared = np.minimum(pieces.to_m, own.to_m) - np.maximum(pieces.from_m, own.from_m)
    metres = np.bincount(gap[near], np.maximum(shared, 0.0), minlength=len(found))
    rows = np.flatnonzero(metres > 0)
    few = rows[:_MOST_GAPS]
    shown = found.iloc[few].drop(columns="geometry").assign(here_m=metres[few])
    return plain_rows(shown), len(rows)
