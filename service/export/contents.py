"""What a hand-over holds: every layer and table, computed once for all its files."""

from __future__ import annotations

import datetime as dt
from dataclasses import InitVar, dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
import pandas as pd

from layers.crs import choose_operation, outside_area_of_use
from layers.drawing.geojson import bounding_box, to_wgs84
from layers.fieldwork.public_frames import GENERALISED_COLUMNS
from service import access
from service.access import open_records
from service.answers import features, summaries
from service.answers.hand_over import GENERALISED, Preview, viewer_of
from service.answers.methods_texts import with_assumptions
from service.answers.names import selection_words
from service.answers.opening import any_sensitive
from service.errors import StoreBusyError
from service.intake.stored_sheets import PRIVATE, field_sheets, in_columns

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd

    from service.answers.hand_over import Audience
    from service.records import Records, Selection, Viewer
    from service.store import Store

__all__ = [
    "Contents",
    "Facts",
    "computed_tables",
    "gather",
    "licence_of",
    "named_rows",
    "network_layers",
    "of_one_moment",
    "stated_transformation",
    "title_of",
    "with_place_words",
]

_ATTEMPTS: Final = 5
Made = TypeVar("Made")
_AS_RECORDED: Final = ("original_x", "original_y")


@dataclass
class Facts:
    """What metadata say of a hand-over.

    What it `holds`; `extent`, the box around all placements in degrees on WGS 84 (west, south,
    east, north); species `found`, by name; methods `used`.
    """

    title: str
    audience: Audience
    licence: str
    made_on: dt.date
    selection: Selection
    holds: Preview
    extent: list[float] | None
    species: InitVar[pd.DataFrame]
    methods: InitVar[pd.DataFrame]
    found: pd.DataFrame = field(init=False)
    used: pd.DataFrame = field(init=False)

    def __post_init__(self, species: pd.DataFrame, methods: pd.DataFrame) -> None:
        self.found = species[["rank", "vernacular_name"]].reindex(sorted(self.holds.species))
        self.used = methods[methods.index.isin(self.holds.methods)]


@dataclass(frozen=True)
class Contents:
    """Layers and tables of one hand-over.

    Attributes
    ----------
    layers
        `placements`, `detections`, `stretches`, `reaches`, `streams`, `catchments`,
        `gaps`, in the store's CRS.
    sheets
        `placements`, `catches`, `lengths`, `surveys`, `sites` as import takes them.
    tables, inputs
        Of :func:`computed_tables`; years, methods, placements used and left out with the reason.
    only
        What the selection leaves in, in words; empty where that is everything.
    records, whole_catches
        What the audience may see; and its catch of every species, also where only some were
        chosen: what was not caught follows from it alone.
    """

    title: str
    audience: Audience
    licence: str
    made_on: dt.date
    crs: str
    selection: Selection
    only: str
    records: Records
    whole_catches: pd.DataFrame
    species: pd.DataFrame
    methods: pd.DataFrame
    layers: dict[str, gpd.GeoDataFrame]
    sheets: dict[str, pd.DataFrame]
    tables: dict[str, pd.DataFrame]
    inputs: dict[str, Any]

    @property
    def keeps_places(self) -> bool:
        """Whether protected places are kept from the audience."""
        return self.audience == "public" and any_sensitive(self.species)

    @property
    def generalised(self) -> pd.Series:
        """What was done to the place of each placement; missing where nothing was."""
        placements = self.records.placements
        if GENERALISED not in placements:
            return pd.Series(pd.NA, index=placements.index, dtype="str")
        said: pd.Series = placements[GENERALISED]
        return said

    @cached_property
    def facts(self) -> Facts:
        """What metadata say of it."""
        holds = Preview()
        holds.add(self.records)
        extent = extent_degrees(self.layers["placements"])
        return Facts(
            self.title, self.audience, self.licence, self.made_on, self.selection, holds, extent,
            self.species, self.methods,
        )  # fmt: skip


def title_of(store: Store) -> str:
    """Name of the hand-overs of a store."""
    return store.settings.title or "Fish records"


def licence_of(words: str) -> str:
    """Words of the licence, or what has to be said where there are none."""
    return words or "No licence is stated; ask the keeper of the records before reuse."


def without_people(records: Records) -> Records:
    """Leave out people, papers, and the digits as they stood on the field sheet."""
    placements = records.placements.copy()
    count = len(placements)
    for name in PRIVATE:
        if name in placements:
            placements[name] = pd.Series(pd.NA, index=placements.index, dtype="str")
    for name in _AS_RECORDED:
        placements[name] = np.full(count, np.nan)
    placements["original_crs"] = pd.Series("EPSG:4326", index=placements.index, dtype="str")
    return replace(records, placements=placements)


def gather(
    store: Store,
    selection: Selection,
    audience: Audience,
    *,
    viewer: Viewer | None = None,
    licence: str = "",
    made_on: dt.date | None = None,
) -> Contents:
    """Compute all that a hand-over contains.

    The audience `public` sees what anybody may see, `precise` what `viewer` may see, the local
    keeper when nobody is named. `licence` is stated in every file that has a place for it;
    `made_on` is today when not given. Raises StoreBusyError where the store was changed again and
    again while it was read.
    """
    reader = viewer_of(audience, viewer)

    def gathered() -> Contents:
        records = whole = open_records(store, selection, reader)
        if selection.species:
            whole = open_records(store, selection.without_species(), reader)
        species, methods = store.species(), store.methods()
        surveys, sites = access.surveys(store, reader), access.sites(store, reader)
        if audience == "public":
            records = without_people(records)
        return Contents(
            title=title_of(store),
            audience=audience,
            licence=licence_of(licence),
            made_on=made_on or dt.datetime.now(dt.UTC).date(),
            crs=store.settings.crs,
            selection=selection,
            only=selection_words(store, selection, reader),
            records=records,
            whole_catches=whole.catches,
            species=species,
            methods=methods,
            layers=_layers(store, selection, reader, records),
            sheets=field_sheets(records, surveys, sites, store.operations()),
            tables=(tables := computed_tables(store, selection, reader, species, methods)),
            inputs={name: frame.attrs.get("inputs", {}) for name, frame in tables.items()},
        )

    return of_one_moment(store, gathered)


def of_one_moment(store: Store, make: Callable[[], Made]) -> Made:
    """Make something of the records again until nobody wrote to the store meanwhile.

    Raises StoreBusyError where the store was changed each time.
    """
    for _ in range(_ATTEMPTS):
        version = store.version
        made = make()
        if store.version == version:
            return made
    raise StoreBusyError("The store is being changed; hand over when nobody writes.")


def _layers(
    store: Store, selection: Selection, reader: Viewer, records: Records
) -> dict[str, gpd.GeoDataFrame]:
    return {
        "placements": with_place_words(features.placements(store, selection, reader), records),
        "detections": with_place_words(features.detections(store, selection, reader), records),
        **network_layers(store, selection, reader),
    }


def network_layers(
    store: Store, selection: Selection, reader: Viewer
) -> dict[str, gpd.GeoDataFrame]:
    """Layers along the network: `stretches`, `reaches`, `streams`, `catchments`, `gaps`."""
    return {
        "stretches": summaries.stretch_lines(store, selection, reader).reset_index(drop=True),
        "reaches": features.covered_reaches(store, selection, reader).reset_index(),
        "streams": summaries.streams(store, selection, reader),
        "catchments": features.catchments(store).reset_index(),
        "gaps": summaries.gaps(store, selection, reader),
    }


def with_place_words(layer: gpd.GeoDataFrame, records: Records) -> gpd.GeoDataFrame:
    """Add what was done to each place, where the features do not say it yet."""
    rows = records.placements.index.get_indexer(pd.Index(layer["placement_id"]))
    said = [
        name for name in GENERALISED_COLUMNS if name in records.placements and name not in layer
    ]
    return layer.assign(**{name: records.placements[name].array[rows] for name in said})


def named_rows(sheet: str, listed: pd.DataFrame, names: set[str]) -> pd.DataFrame:
    """Rows of these names out of the list of `surveys` or `sites`, in the columns of the sheet."""
    return in_columns(sheet, listed[listed.index.isin(names)].reset_index())


def computed_tables(
    store: Store, selection: Selection, reader: Viewer, species: pd.DataFrame, methods: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Tables that are computed from all records, and the lists of species and methods."""
    listed = methods.reset_index()
    for name in listed.columns:
        if listed[name].map(lambda cell: isinstance(cell, list)).any():
            listed[name] = listed[name].map("; ".join)
    if not reader.sees_exact_places:  # why a cell is closed is not public
        species = species.drop(columns=["sensitivity", "sensitive_from", "sensitive_until"])
    question = store, selection, reader
    computed = {
        "occurrence": summaries.occurrence(*question),
        "sampled_length": summaries.sampled_length(*question, by=("catchment",)),
        "sampled_length_all": summaries.sampled_length(*question),
        "effort": summaries.effort(*question),
    }
    return {
        **{name: with_assumptions(frame) for name, frame in computed.items()},
        "species": species.reset_index(),
        "methods": listed,
    }


def stated_transformation(contents: Contents, crs: str) -> tuple[str, float]:
    """Operation by which the layers come into a CRS, and its stated accuracy [m].

    Where the layers lie outside the area that the CRS is meant for, nobody states an accuracy.
    """
    way, layers = choose_operation(contents.crs, crs), contents.layers.values()
    if not way.definition or not any(map(len, layers)):
        return "none needed", 0.0
    boxes = [box for layer in layers if (box := extent_degrees(layer)) is not None]
    outside = any(outside_area_of_use(box[::2], box[1::2], crs).any() for box in boxes)
    return way.name, float("nan") if outside else way.accuracy_m


def extent_degrees(layer: gpd.GeoDataFrame) -> list[float] | None:
    """Box around a layer: west, south, east, north in degrees on WGS 84; None without places."""
    return bounding_box(to_wgs84(np.asarray(layer.geometry, dtype=object), layer.crs))
