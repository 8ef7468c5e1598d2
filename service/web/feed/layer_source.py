"""Reaches, streams, catchments and gaps: whole layers in memory, by id."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from layers.crs import read_crs
from service import reference
from service.access import within_catchments
from service.answers import coverage_answers, features
from service.answers.coverage_answers import CoverageQuestion
from service.cache import cached
from service.errors import NotFoundError, RequestError
from service.records import Selection
from service.web.feed.source import Extent, Page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import geopandas as gpd

    from layers.arrays import Bools
    from service.records import Viewer
    from service.store import Store
    from service.web.feed.query import FeatureQuery

__all__ = ["LayerSource", "read_catchments", "read_gaps", "read_reaches", "read_streams"]

_WRITTEN: Final = 5_000
_ANY_GEAR: Final = CoverageQuestion(Selection())


def read_reaches(store: Store, viewer: Viewer) -> gpd.GeoDataFrame:
    """Reaches by id, with the coverage by any method that this viewer would compute."""
    frame = features.covered_reaches(store, Selection(), viewer)
    frame.insert(0, "reach_id", frame.index)
    # What changes from one day to the next without a write would be out of date in the cache.
    return frame.drop(columns="years_since", errors="ignore")


def read_streams(store: Store, viewer: Viewer) -> gpd.GeoDataFrame:
    """Streams by id, as this viewer would sum them up."""
    if not len(reference.network(store).reaches):
        return features.reaches(store).iloc[:0]
    frame = coverage_answers.streams(store, _ANY_GEAR, viewer)
    return _named(frame, frame["stream_id"].tolist())


def read_catchments(store: Store, _: Viewer) -> gpd.GeoDataFrame:
    """Catchments by id; the same for everybody."""
    frame = features.catchments(store)
    frame.insert(0, "catchment_id", frame.index)
    return frame


def read_gaps(store: Store, viewer: Viewer) -> gpd.GeoDataFrame:
    """Gaps that this viewer would compute, by a word made from the shape.

    Their numbers shift when another is closed; the shape of one that stays is the same.
    """
    if not len(reference.network(store).reaches):
        return _named(features.reaches(store).iloc[:0], [])
    frame = coverage_answers.gaps(store, _ANY_GEAR, viewer)
    shapes = shapely.to_wkb(np.asarray(frame.geometry, dtype=object))
    return _named(frame, [hashlib.blake2b(wkb, digest_size=8).hexdigest() for wkb in shapes])


def _named(frame: gpd.GeoDataFrame, names: list[str]) -> gpd.GeoDataFrame:
    return frame.set_index(pd.Index(names, dtype="str"))


@dataclass(frozen=True)
class LayerSource:
    """One collection made of a whole layer."""

    name: str
    read: Callable[[Store, Viewer], gpd.GeoDataFrame]

    def page(self, store: Store, query: FeatureQuery, viewer: Viewer) -> Page:
        """Read one page."""
        frame = self._layer(store, viewer)
        meant = np.flatnonzero(self._meant(store, frame, query))
        ids = frame.index.to_numpy(object)
        if query.before is not None:
            stop = int(np.searchsorted(ids[meant], query.before[0], side="left"))
            start = max(0, stop - query.limit)
            turns = (start > 0, True)
        else:
            mark = query.after
            start = 0 if mark is None else int(np.searchsorted(ids[meant], mark[0], side="right"))
            stop = start + query.limit
            turns = (mark is not None, stop < len(meant))
        rows = meant[start:stop]
        keys = [(str(name),) for name in ids[rows[[0, -1]]]] if len(rows) else [(), ()]
        return Page(frame.iloc[rows], keys[0], keys[1], *turns)

    def count(self, store: Store, query: FeatureQuery, viewer: Viewer) -> int:
        """Count the features of all pages."""
        return int(self._meant(store, self._layer(store, viewer), query).sum())

    def frames(
        self, store: Store, query: FeatureQuery, viewer: Viewer
    ) -> Iterator[gpd.GeoDataFrame]:
        """Yield all features, some at a time."""
        frame = self._layer(store, viewer)
        meant = np.flatnonzero(self._meant(store, frame, query))
        for start in range(0, len(meant), _WRITTEN):
            yield frame.iloc[meant[start : start + _WRITTEN]]

    def one(self, store: Store, feature_id: str, viewer: Viewer) -> gpd.GeoDataFrame:
        """Read one feature, or raise NotFoundError."""
        frame = self._layer(store, viewer)
        found = frame[frame.index == feature_id]
        if found.empty:
            raise NotFoundError(f"There is no feature {feature_id!r} in {self.name}.")
        return found

    def extent(self, store: Store, viewer: Viewer) -> Extent:
        """Box of all features; of what lies along the network, that of the network."""
        frame = reference.network(store).reaches
        if self.name == "catchments":
            frame = self._layer(store, viewer)
        box = frame.total_bounds if len(frame) else np.full(4, np.nan)
        if not np.isfinite(box).all():
            return Extent()
        return Extent((float(box[0]), float(box[1]), float(box[2]), float(box[3])))

    def check(self, store: Store, query: FeatureQuery, viewer: Viewer) -> None:
        """Refuse a catchment that is unknown, and a mark that is none of this collection."""
        del viewer
        chosen = query.filters.get("catchment")
        if chosen is not None and chosen not in reference.catchments(store).index:
            raise RequestError(f"There is no catchment {chosen!r} here.")
        query.refuse_marks(str)

    def _layer(self, store: Store, viewer: Viewer) -> gpd.GeoDataFrame:
        def make() -> gpd.GeoDataFrame:
            frame = self.read(store, viewer)
            order = np.argsort(frame.index.to_numpy(object), kind="stable")
            return frame.iloc[order]

        return cached(store, viewer, ("feed layer", self.name), make)

    def _meant(self, store: Store, frame: gpd.GeoDataFrame, query: FeatureQuery) -> Bools:
        meant = np.ones(len(frame), dtype=bool)
        for name, value in query.filters.items():
            if name == "catchment":
                meant &= _in_catchment(store, frame, value)
            else:
                same = frame[name].astype("str") == value
                meant &= same.to_numpy(dtype=bool, na_value=False)
        if query.area is not None:
            near = query.area.near(store)
            shapes = np.asarray(frame.geometry, dtype=object)
            if near is not None:
                rows = frame.sindex.query(shapely.box(*near))
                within = shapely.is_missing(shapes)
                within[rows] = True
                meant &= within
            rows = np.flatnonzero(meant)
            meant[rows] = query.area.meets(shapes[rows], read_crs(store.settings.crs))
        return meant


def _in_catchment(store: Store, frame: gpd.GeoDataFrame, chosen: str) -> Bools:
    if "reach_id" not in frame:
        return within_catchments(store, frame["catchment"], [chosen])
    parts = reference.reach_parts(store)
    inside_parts = parts.loc[within_catchments(store, parts["catchment_id"], [chosen]), "reach_id"]
    inside: Bools = frame.index.isin(inside_parts.unique())
    return inside
