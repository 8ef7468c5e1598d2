"""One function per summary: store -> what the viewer may see -> layers -> frame.

The command line, the pages, the feed and every file take their figures from here, so that
the same question has one answer. Each result leads with its public columns (`SUMMARY_COLUMNS`)
and keeps what it was computed from in `frame.attrs["inputs"]`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.estimates.sampled_length import GROUPINGS
from layers.fieldwork.looking import local_dates
from layers.fieldwork.stretches import stretch_lengths
from layers.totals import ALL
from service import reference
from service.access import (
    open_records,
    placement_catchments,
    refuse_unknown,
    surveys,
    within_catchments,
)
from service.cache import cached
from service.columns import SUMMARY_COLUMNS
from service.errors import RequestError
from service.records import EVERYTHING, OF_EFFORT, OF_STRETCHES, OF_WATER, Selection
from service.reference import network

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from layers.estimates.seasons import Days, Unit
    from layers.fieldwork.counted_water import Counted, CountedWater
    from layers.network.graph import Network
    from service.records import Needed, Records, Viewer
    from service.store import Store

__all__ = [
    "OCCURRENCE_BY",
    "accumulation",
    "any_sensitive",
    "chance_present",
    "change",
    "change_by_year",
    "counted",
    "coverage",
    "depletion",
    "detection",
    "effort",
    "effort_by_year",
    "fish_condition",
    "fully_shown",
    "gaps",
    "length_classes",
    "lengths",
    "network",
    "next_places",
    "occurrence",
    "placement_reaches",
    "reach_summary",
    "returns",
    "richness",
    "sampled_length",
    "standard_richness",
    "streams",
    "stretch_lines",
    "today",
]

OCCURRENCE_BY: Final = ("catchment", "stream", "reach", "site", "year")


@dataclass(frozen=True)
class _Opened:
    """Records and reference layers that one question needs."""

    records: Records
    species: pd.DataFrame
    methods: pd.DataFrame

    def to_compare(
        self,
    ) -> tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Give what says who looked for which species where, and what was caught."""
        records = self.records
        return records.placements, records.catches, records.snaps, self.species, self.methods


def _opened(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    whole_catch: bool = False,
    needed: Needed = EVERYTHING,
) -> _Opened:
    """Open the records of a selection; `whole_catch` leaves its species open."""
    refuse_unknown(store, selection, viewer)
    wanted = selection.without_species() if whole_catch else selection
    records = open_records(store, wanted, viewer, needed)
    return _Opened(records, reference.species(store), reference.methods(store))


def _along_network(
    store: Store, selection: Selection, viewer: Viewer, needed: Needed = EVERYTHING
) -> _Opened:
    """Open records for a question about lengths, also from outside the chosen catchments.

    Their stretches may reach into them; the rows of the answer are narrowed instead. So are
    questions about a part of the network.
    """
    refuse_unknown(store, selection, viewer)
    return _opened(store, selection.anywhere(), viewer, needed=needed)


def _in_chosen(store: Store, frame: pd.DataFrame, selection: Selection) -> pd.DataFrame:
    """Rows whose catchment is chosen or nested in a chosen one, and holds chosen water."""
    region = reference.chosen_region(store, selection)
    if region is not None and "catchment" in frame:
        own = frame["catchment"]
        frame = frame[own.isna() | own.isin(reference.catchments_along(store, region))]
    if not selection.catchments:
        return frame
    return frame[within_catchments(store, frame["catchment"], selection.catchments)]


def any_sensitive(species: pd.DataFrame) -> bool:
    """Whether the public has to know that places are hidden from it.

    The list of species is public; whether it has records that are withheld altogether is not.
    """
    return bool(_sensitive(species).any())


def _sensitive(species: pd.DataFrame) -> pd.Series:
    return species["sensitivity"].fillna("none").ne("none")


def fully_shown(
    names: Sequence[str] | pd.Series, species: pd.DataFrame, viewer: Viewer
) -> NDArray[np.bool_]:
    """Mark the species of which this viewer sees everything.

    Where the public does not see a sensitive species found, it may be found and hidden; and
    placements shown as grid cells bring neither effort nor reach.
    """
    secret = species.index[_sensitive(species)]
    return np.asarray(~pd.Index(names).isin(secret) | viewer.sees_exact_places, bool)


def _of_species(frame: pd.DataFrame, selection: Selection) -> pd.DataFrame:
    return frame[frame["species"].isin(selection.species)] if selection.species else frame


def _finished(
    frame: pd.DataFrame,
    name: str,
    found: pd.DataFrame,
    *,
    first: Sequence[str] = (),
    place: str = "catchment",
) -> Any:  # noqa: ANN401 - a GeoDataFrame stays one
    """Public columns first, then the rest; what `found` was computed from stays with the frame.

    `place` names the column that stands for `catchment`.
    """
    public = [*first, *(place if each == "catchment" else each for each in SUMMARY_COLUMNS[name])]
    others = [column for column in frame.columns if column not in public]
    finished = frame[[*public, *others]].reset_index(drop=True)
    coded = finished.select_dtypes("category").columns
    finished = finished.astype(dict.fromkeys(coded, "str"))  # codes are no business of readers
    finished.attrs |= {"inputs": found.attrs.get("inputs", {}), "summary": name}
    return finished


def today(store: Store) -> dt.date:
    """Today's date where the store's surveys are."""
    return dt.datetime.now(ZoneInfo(store.settings.timezone)).date()


def placement_reaches(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """Reach, measure and offset of every placement."""
    from layers.estimates import reach_summary as computing

    opened = _opened(store, selection, viewer, needed=OF_EFFORT)
    found = computing.placement_reaches(opened.records.placements, opened.records.snaps)
    return _finished(found, "placement_reaches", found)


def reach_summary(
    store: Store, selection: Selection, viewer: Viewer, *, every_reach: bool = False
) -> gpd.GeoDataFrame:
    """Placements, species, dates and sampled fraction of each reach."""
    from layers.estimates import reach_summary as computing
    from layers.fieldwork.effort import effort_of

    opened = _along_network(store, selection, viewer, OF_EFFORT)
    records = opened.records
    found = computing.reach_summary(
        network(store),
        records.snaps,
        records.placements,
        records.catches,
        records.stretches,
        reference.reach_parts(store),
        effort=effort_of(records.placements, opened.methods, stretch_lengths(records.stretches)),
        every_reach=every_reach,
        region=reference.chosen_region(store, selection),
    )
    rows = _in_chosen(store, found, selection)
    return _finished(rows, "reach_summary", found)


def sampled_length(
    store: Store, selection: Selection, viewer: Viewer, *, by: Sequence[str] = ()
) -> pd.DataFrame:
    """Length of stream sampled per method, and by any of `GROUPINGS`.

    Where catchments are chosen, `catchment` is the first grouping.
    """
    from layers.estimates import sampled_length as computing

    if strange := [name for name in by if name not in GROUPINGS]:
        raise RequestError(
            f"{strange[0]!r} is no grouping; use any of {', '.join(GROUPINGS)}, with commas."
        )
    groups = tuple(by)
    if selection.catchments and "catchment" not in groups:
        groups = ("catchment", *groups)
    records = _along_network(store, selection, viewer, OF_STRETCHES).records
    found = computing.sampled_length(
        network(store),
        records.stretches,
        records.placements,
        reference.reach_parts(store),
        reference.catchments(store),
        by=groups,
        region=reference.chosen_region(store, selection),
    )
    rows = _in_chosen(store, found, selection)
    return _finished(rows, "sampled_length", found, first=groups)  # type: ignore[no-any-return]


def effort(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    units: dict[str, str] | None = None,
) -> pd.DataFrame:
    """Effort and catch per unit effort by method, catchment and species.

    `units` names another effort unit than a method's first. Catchment `all` holds every
    placement of the selection.
    """
    from layers.estimates.catch_rate import catch_per_unit_effort
    from layers.fieldwork.effort import effort_of

    opened = _opened(store, selection, viewer, whole_catch=True, needed=OF_EFFORT)
    records = opened.records
    found = catch_per_unit_effort(
        records.placements,
        records.catches,
        effort_of(records.placements, opened.methods, stretch_lengths(records.stretches)),
        opened.species,
        opened.methods,
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
        units=units,
    )
    rows = _of_species(found[fully_shown(found["species"], opened.species, viewer)], selection)
    if selection.catchments:
        chosen = within_catchments(store, rows["catchment"], selection.catchments)
        rows = rows[chosen | (rows["catchment"] == ALL).to_numpy()]
    return _finished(rows, "effort", found)  # type: ignore[no-any-return]


def effort_by_year(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Effort by method, catchment and local year of setting, in every unit of the method.

    Columns of `layers.fieldwork.effort.effort_totals`.
    """
    from layers.fieldwork.effort import effort_of, effort_totals

    opened = _opened(store, selection, viewer, needed=OF_EFFORT)
    records = opened.records
    return effort_totals(
        records.placements,
        effort_of(records.placements, opened.methods, stretch_lengths(records.stretches)),
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
        by_year=True,
    )


def occurrence(
    store: Store, selection: Selection, viewer: Viewer, *, by: str = "catchment"
) -> pd.DataFrame:
    """Found, possible, looked for and not found, or never looked for: each place and species.

    Places are `by` one of `OCCURRENCE_BY`; other than catchments, only those with placements
    of the selection. Who may not see exact places sees of sensitive species only where they
    were found.
    """
    from layers.estimates import occurrence as computing
    from layers.fieldwork.effort import effort_of

    if by not in OCCURRENCE_BY:
        raise RequestError(f"{by!r} is no grouping; use one of {', '.join(OCCURRENCE_BY)}.")
    opened = _opened(store, selection, viewer, whole_catch=True, needed=OF_EFFORT)
    records = opened.records
    found = computing.occurrence(
        records.placements,
        records.catches,
        opened.species,
        opened.methods,
        place_of=_places(store, records, by),
        snaps=records.snaps,
        effort=effort_of(records.placements, opened.methods, stretch_lengths(records.stretches)),
        ancestors=reference.ancestors(store) if by == "catchment" else None,
        by=by,
    )
    rows = _in_chosen(store, found, selection) if by == "catchment" else found
    rows = _of_species(rows, selection)
    rows = rows[rows["state"].eq("found") | fully_shown(rows["species"], opened.species, viewer)]
    if by == "year":
        rows = rows.astype({"year": "int64"})
    return _finished(rows, "occurrence", found, place=by)  # type: ignore[no-any-return]


def _places(store: Store, records: Records, by: str) -> pd.Series:
    """Place of each placement for `occurrence`, as text; missing where none is known."""
    placements = records.placements
    if by == "catchment":
        return placement_catchments(store, placements)
    if by == "site":
        site: pd.Series = placements["site"]
        return site
    if by in ("reach", "stream"):
        reaches = records.snaps["reach_id"].reindex(placements.index)
        return reaches if by == "reach" else reaches.map(_stream_names(store)).astype("str")
    year = local_dates(placements).dt.year.astype("Int64")
    if "year" in placements:
        year = year.fillna(placements["year"].astype("Int64"))
    named: pd.Series = year.astype("str").where(year.notna())
    return named


def _stream_names(store: Store) -> pd.Series:
    """Name of the stream of each reach, with its `stream_id` where several have that name."""
    from layers.network.streams import streams

    joined = network(store)
    number, table = streams(joined)
    several = table["stream"].duplicated(keep=False)
    names = table["stream"].mask(several, table["stream"] + " (" + table["stream_id"] + ")")
    return pd.Series(names.to_numpy()[number], index=joined.reaches.index)


def counted(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    represents_m: float | None = None,
    as_of: dt.date | None = None,
) -> CountedWater:
    """Work out what the placements of a selection visited and sampled, wherever they lie.

    Raises
    ------
    RequestError
        The selection names something unknown, or `represents_m` is not above 0.
    """
    from layers.fieldwork.counted_water import counted_water

    refuse_unknown(store, selection, viewer)
    if represents_m is not None and not 0 < represents_m < np.inf:
        raise RequestError(f"represents {represents_m} m must be a distance above 0.")
    everywhere = selection.anywhere().without_species()

    def make() -> CountedWater:
        records = open_records(store, everywhere, viewer, OF_WATER)
        return counted_water(
            network(store),
            records.stretches,
            records.snaps,
            records.placements,
            reference.methods(store),
            represents_m=represents_m,
            as_of=as_of,
        )

    return cached(store, viewer, ("counted water", everywhere, represents_m, as_of), make)


def coverage(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    as_of: dt.date | None = None,
    represents_m: float | None = None,
) -> gpd.GeoDataFrame:
    """Who was at each reach, how much of it, when last, and how far the nearest such water is."""
    from layers.estimates import coverage as computing

    water = counted(store, selection, viewer, represents_m=represents_m, as_of=as_of)
    found = computing.coverage(
        water,
        reference.reach_parts(store),
        as_of=as_of or today(store),
        region=reference.chosen_region(store, selection),
    )
    rows = _in_chosen(store, found, selection)
    joined = water.network
    lines = joined.reaches.geometry.reindex(rows["reach_id"]).to_numpy()
    drawn = gpd.GeoDataFrame(rows, geometry=lines, crs=joined.crs)
    return _finished(drawn, "coverage", found)


def streams(
    store: Store, selection: Selection, viewer: Viewer, *, represents_m: float | None = None
) -> gpd.GeoDataFrame:
    """How much of each stream was visited and sampled, when last, and what was found there."""
    from layers.estimates import stream_summary as computing

    opened = _opened(store, selection.anywhere(), viewer, whole_catch=True, needed=OF_EFFORT)
    found = computing.stream_summary(
        counted(store, selection, viewer, represents_m=represents_m),
        opened.records.catches,
        opened.species,
        opened.methods,
        shown=fully_shown(opened.species.index.to_series(), opened.species, viewer),
        region=reference.chosen_water(store, selection),
    )
    return _finished(found, "streams", found)


def gaps(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    min_order: int = 1,
    counts: Counted = "visited",
    represents_m: float | None = None,
) -> gpd.GeoDataFrame:
    """List the connected parts of the network that nobody visited, or sampled, longest first."""
    from layers.estimates import gaps as computing

    found = computing.gaps(
        counted(store, selection, viewer, represents_m=represents_m),
        reference.reach_parts(store),
        count=counts,
        min_order=min_order,
        region=reference.chosen_region(store, selection),
    )
    return _finished(_in_chosen(store, found, selection), "gaps", found)


def next_places(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    count: int = 10,
    within_m: float = 1_000.0,
    counts: Counted = "visited",
    represents_m: float | None = None,
    weight: str | None = None,
) -> gpd.GeoDataFrame:
    """Places to go to next, each adding the most length still open to the selection as target.

    They lie in the catchments and the part of the network that are chosen, at least as far from
    water that counts as a placement stands for. `weight` is a column of numbers of the reaches.
    """
    from layers.estimates import next_places as computing
    from layers.fieldwork.counted_water import REPRESENTS_M

    if count < 1 or not within_m > 0:
        raise RequestError(f"count {count} and within {within_m} m must both be above 0.")
    water = counted(store, selection, viewer, represents_m=represents_m)
    found = computing.next_places(
        water,
        counted(store, Selection(), viewer, represents_m=represents_m),
        reference.methods(store),
        count=count,
        within_m=within_m,
        counts=counts,
        clear_m=min(represents_m or REPRESENTS_M, within_m),
        region=reference.chosen_water(store, selection),
        weight=None if weight is None else _weights(water.network, weight),
    )
    return _finished(found, "next_places", found)


def _weights(joined: Network, name: str) -> NDArray[np.float64]:
    reaches = joined.reaches.assign(strahler=joined.strahler)
    known = [str(column) for column in reaches.select_dtypes("number").columns]
    if name not in known:
        raise RequestError(
            f"{name!r} is no column of numbers of the reaches; there are {', '.join(known)}."
        )
    weights: NDArray[np.float64] = reaches[name].to_numpy(np.float64, na_value=0.0)
    if not (np.isfinite(weights).all() and (weights >= 0).all()):
        raise RequestError(f"{name!r} of the reaches must be numbers from 0 up to weigh by.")
    return weights


def depletion(
    store: Store, selection: Selection, viewer: Viewer, *, all_estimators: bool = False
) -> gpd.GeoDataFrame:
    """Fish present by removal over passes, for each placement fished in passes.

    `all_estimators` adds the joint, weighted and two-pass forms to the likelihood estimate.
    """
    from layers.estimates import depletion as computing

    records = _opened(store, selection, viewer, whole_catch=True).records
    areas = computing.fished_area_m2(
        records.placements, stretch_lengths(records.stretches)["sampled_m"]
    )
    more = ("joint", "weighted", "two_pass") if all_estimators else ()
    found = computing.depletion(
        records.placements, records.catches, areas, estimators=("likelihood", *more)
    )
    rows = _of_species(found, selection)
    at = records.placements.geometry.reindex(rows["placement_id"]).to_numpy()
    drawn = gpd.GeoDataFrame(rows, geometry=at, crs=records.placements.crs)
    return _finished(drawn, "depletion", found)


def detection(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    unit: Unit = "reach",
    years: Sequence[int] | None = None,
    days: Days | None = None,
    segment_m: float | None = None,
    covariates: Sequence[str] = (),
) -> pd.DataFrame:
    """Occupancy, detection by method, and the chance of a species missed so far, year by year.

    `days` are the first and the last of the season, each month and day; without them it is the
    calendar year. `segment_m` is the length of the pieces of `unit` `segment`. `covariates` are
    candidates, some of `layers.estimates.covariates.COVARIATES`.
    """
    from layers.estimates import detection as computing
    from layers.estimates.covariates import COVARIATES, covariates_of
    from layers.estimates.seasons import SEGMENT_M

    if segment_m is not None and unit != "segment":
        raise RequestError("A length of segments needs segments as units.")
    for name in covariates:
        if name not in COVARIATES:
            raise RequestError(f"{name!r} is no covariate; use any of {', '.join(COVARIATES)}.")
    opened, effort = _with_effort(store, selection, viewer, EVERYTHING if covariates else OF_EFFORT)
    records = opened.records
    values = None
    if covariates:
        values = covariates_of(records.placements, records.snaps, opened.methods, network(store))
        values = values[list(dict.fromkeys(covariates))]
    found = computing.detection(
        *opened.to_compare(),
        effort,
        unit=unit,
        years=years,
        days=days,
        reach_length_m=network(store).reaches["length_m"] if unit == "segment" else None,
        segment_m=segment_m or SEGMENT_M,
        covariates=values,
    )
    rows = _of_species(found[fully_shown(found["species"], opened.species, viewer)], selection)
    return _finished(rows, "detection", found)  # type: ignore[no-any-return]


def chance_present(
    store: Store, selection: Selection, viewer: Viewer, *, years: Sequence[int] | None = None
) -> pd.DataFrame:
    """Chance that a species lives, unfound, on the visited reaches of each catchment.

    Columns of `layers.estimates.detection.CHANCE_COLUMNS`; `years` as there.
    """
    from layers.estimates import detection as computing

    opened, effort = _with_effort(store, selection, viewer)
    found = computing.chance_present_by_catchment(
        *opened.to_compare(),
        effort,
        catchment_of=placement_catchments(store, opened.records.placements),
        ancestors=reference.ancestors(store),
        years=years,
    )
    inputs = found.attrs.get("inputs", {})
    found = found[fully_shown(found["species"], opened.species, viewer)]
    rows = _of_species(_in_chosen(store, found, selection), selection).reset_index(drop=True)
    rows.attrs["inputs"] = inputs
    return rows


def _with_effort(
    store: Store, selection: Selection, viewer: Viewer, needed: Needed = OF_EFFORT
) -> tuple[_Opened, pd.DataFrame]:
    """Open the records of all species, and compute the effort of their placements."""
    from layers.fieldwork.effort import effort_of

    opened = _opened(store, selection, viewer, whole_catch=True, needed=needed)
    records = opened.records
    lengths = stretch_lengths(records.stretches)
    return opened, effort_of(records.placements, opened.methods, lengths)


def accumulation(
    store: Store, selection: Selection, viewer: Viewer, catchment: str
) -> pd.DataFrame:
    """Species expected in 1, 2, … placements of one catchment and those nested in it.

    Columns of `layers.estimates.richness.accumulation`; empty where nobody looked.
    """
    from layers.estimates import richness as computing

    opened = _opened(
        store, replace(selection, catchments=(catchment,), species=()), viewer, needed=OF_EFFORT
    )
    records = opened.records
    found, samples = computing.species_incidence(
        records.placements,
        records.catches,
        opened.species,
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
    )
    counts = found.loc[found["catchment"] == catchment, "placements"].to_numpy()
    return computing.accumulation(counts, int(samples.get(catchment, 0)))


def richness(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Species found per catchment, and estimates of how many there are."""
    from layers.estimates import richness as computing

    opened = _opened(store, selection, viewer, needed=OF_EFFORT)
    records = opened.records
    found = computing.richness(
        records.placements,
        records.catches,
        opened.species,
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
    )
    return _finished(_in_chosen(store, found, selection), "richness", found)  # type: ignore[no-any-return]


def _shown_whole(
    store: Store, selection: Selection, viewer: Viewer, needed: Needed = EVERYTHING
) -> Records:
    """Open records with what this viewer sees all of: no cells, no species that may be hidden."""
    records = _opened(store, selection, viewer, needed=needed).records
    if viewer.sees_exact_places:
        return records
    exact = records.placements[records.placements["generalised_km"].isna()]
    species = reference.species(store)

    def own(frame: pd.DataFrame) -> pd.DataFrame:
        shown = frame[frame["placement_id"].isin(exact.index)]
        return shown[fully_shown(shown["species"], species, viewer)]

    return replace(
        records, placements=exact, catches=own(records.catches), lengths=own(records.lengths)
    )


def returns(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Fish by permit, survey, species and fate; permits are for those who see exact places."""
    from layers.estimates.permit_returns import permit_returns

    records = _shown_whole(store, selection, viewer)
    found = permit_returns(
        records.placements, records.catches, surveys(store, viewer)["permit"].dropna()
    )
    return _finished(found, "returns", found)  # type: ignore[no-any-return]


def lengths(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Lengths and weights of measured fish, by species and kind of length."""
    from layers.estimates import fish_lengths as computing

    records = _shown_whole(store, selection, viewer)
    found = computing.lengths_by_species(records.placements, records.catches, records.lengths)
    return _finished(found, "lengths", found)  # type: ignore[no-any-return]


def length_classes(
    store: Store, selection: Selection, viewer: Viewer, *, class_mm: float = 10.0
) -> pd.DataFrame:
    """Fish by class of length, as measured and raised to the catch."""
    from layers.estimates import fish_lengths as computing

    records = _shown_whole(store, selection, viewer)
    found = computing.length_classes(
        records.placements, records.catches, records.lengths, class_mm=class_mm
    )
    return _finished(found, "length_classes", found)  # type: ignore[no-any-return]


def fish_condition(store: Store, selection: Selection, viewer: Viewer) -> pd.DataFrame:
    """Weight of each weighed fish, over that expected at its length."""
    from layers.estimates import fish_lengths as computing

    records = _shown_whole(store, selection, viewer)
    found = computing.condition_of_fish(records.placements, records.catches, records.lengths)
    return _finished(found, "fish_condition", found)  # type: ignore[no-any-return]


def change(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    by: str = "catchment",
    unit: str = "",
) -> pd.DataFrame:
    """Change of species over years: units gained and lost, yearly ratios, what would have shown.

    `by` is catchment or stream; `unit` site or reach, where empty site if half of the placements
    have one.
    """
    from layers.estimates import change as computing

    return _changes(computing.change, "change", store, selection, viewer, by, unit)


def change_by_year(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    by: str = "catchment",
    unit: str = "",
) -> pd.DataFrame:
    """Occupancy and catch per effort of species by year; parameters as of `change`."""
    from layers.estimates import change as computing

    return _changes(computing.change_by_year, "change_by_year", store, selection, viewer, by, unit)


def _changes(
    compute: Callable[..., pd.DataFrame],
    name: str,
    store: Store,
    selection: Selection,
    viewer: Viewer,
    by: str,
    unit: str,
) -> pd.DataFrame:
    from layers.fieldwork.effort import effort_of

    if by not in ("catchment", "stream"):
        raise RequestError(f"{by!r} is no grouping of change; use catchment or stream.")
    if unit not in ("", "site", "reach"):
        raise RequestError(f"{unit!r} is no unit of change; use site or reach.")
    records = _shown_whole(store, selection.without_species(), viewer, OF_EFFORT)
    placements, methods = records.placements, reference.methods(store)
    species = reference.species(store)
    listed = species.loc[[*selection.species]] if selection.species else species
    if not unit:
        unit = "site" if placements["site"].notna().mean() >= 0.5 else "reach"
    found = compute(
        placements,
        records.catches[records.catches["species"].isin(listed.index)],
        effort_of(placements, methods, stretch_lengths(records.stretches)),
        listed,
        methods,
        units=_places(store, records, unit),
        place_of=_places(store, records, by),
    )
    found.attrs["inputs"] |= {"unit": unit}
    return _finished(found.rename(columns={"place": by}), name, found, place=by)  # type: ignore[no-any-return]


def standard_richness(
    store: Store, selection: Selection, viewer: Viewer, *, coverage: float | None = None
) -> pd.DataFrame:
    """Species by catchment, gear and group at equal coverage."""
    from layers.estimates import standard_richness as computing

    opened = _opened(store, selection, viewer, needed=OF_EFFORT)
    records = opened.records
    found = computing.standard_richness(
        records.placements,
        records.catches,
        opened.species,
        catchment_of=placement_catchments(store, records.placements),
        ancestors=reference.ancestors(store),
        coverage=coverage,
    )
    return _finished(_in_chosen(store, found, selection), "standard_richness", found)  # type: ignore[no-any-return]


def stretch_lines(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """Draw the sampled stretches of a selection as lines, drawn downstream."""
    from layers.fieldwork import stretches as computing

    records = open_records(store, selection, viewer, OF_STRETCHES)
    return computing.stretch_lines(records.stretches, network(store))
