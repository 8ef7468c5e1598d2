"""Reaches, streams, catchments and gaps: whole layers in memory, by id."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from hashlib import blake2b
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
import shapely

from layers.crs import read_crs
from layers.network.cutting import ReachLines
from service import reference
from service.access import within_catchments
from service.answers import coverage_answers, features
from service.answers.coverage_answers import CoverageQuestion
from service.cache import cached, renewed
from service.errors import NotFoundError, RequestError
from service.records import Selection
from service.web.feed.source import Extent, Page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import geopandas as gpd
    from numpy.typing import NDArray

    from layers.arrays import Bools, Ints
    from service.records import Viewer
    from service.store import Store
    from service.web.feed.query import FeatureQuery

__all__ = ["LayerSource", "read_catchments", "read_gaps", "read_reaches", "read_streams"]

_WRITTEN: Final = 5_000
_ANY_GEAR: Final = CoverageQuestion(Selection())


class _Layer(NamedTuple):
    """A whole layer, and the ids of its features, ascending, with the row of each."""

    frame: gpd.GeoDataFrame
    ids: NDArray[Any]  # texts, or the numbers that `_word` writes as such
    rows: Ints

    @property
    def nbytes(self) -> int:
        """Bytes besides the columns, which are those of answers that follow writes."""
        return self.ids.nbytes + self.rows.nbytes


class _Meant(NamedTuple):
    """Which of the ids of a layer are meant."""

    layer: _Layer
    at: Ints | range

    @property
    def nbytes(self) -> int:
        """Bytes besides the layer, which is kept anyway."""
        return 0 if isinstance(self.at, range) else self.at.nbytes


def read_reaches(store: Store, viewer: Viewer) -> _Layer:
    """Reaches by id, with the coverage by any method that this viewer would compute."""
    frame = features.covered_reaches(store, Selection(), viewer)
    frame.insert(0, "reach_id", pd.Series(frame.index.array, frame.index, copy=False))
    # What changes from one day to the next without a write would be out of date in the cache.
    return _named(frame.drop(columns="years_since", errors="ignore"), frame.index)


def read_streams(store: Store, viewer: Viewer) -> _Layer:
    """Streams by id, as this viewer would sum them up."""
    frame = coverage_answers.streams(store, _ANY_GEAR, viewer)
    return _named(frame, frame["stream_id"])


def read_catchments(store: Store, _: Viewer) -> _Layer:
    """Catchments by id; the same for everybody."""
    frame = features.catchments(store)
    frame.insert(0, "catchment_id", frame.index)
    return _named(frame, frame.index)


def read_gaps(store: Store, viewer: Viewer) -> _Layer:
    """Gaps that this viewer would compute, by a word made from the shape.

    Their numbers shift when another is closed; the shape of one that stays is the same.
    """

    def renew(last: _Layer | None) -> _Layer:
        frame = coverage_answers.gaps(store, _ANY_GEAR, viewer)
        lines, words = frame.geometry.array, np.zeros(len(frame), np.uint64)
        rows, fresh = np.empty(0, np.int32), np.ones(len(frame), bool)
        if last is not None:  # most have the shape and the word that they had
            before = lines.same_in(last.frame.geometry.array)
            same = np.flatnonzero(before >= 0)
            now = np.full(len(last.rows), -1, np.int32)
            now[before[same]] = same
            rows = now[last.rows]
            stays = rows >= 0
            rows = rows[stays]
            words[rows], fresh[rows] = last.ids[stays], False
        new = np.flatnonzero(fresh)
        for start in range(0, len(new), _WRITTEN):
            some = new[start : start + _WRITTEN]
            shapes = shapely.to_wkb(np.asarray(lines[some], dtype=object))
            words[some] = [int.from_bytes(blake2b(wkb, digest_size=8).digest()) for wkb in shapes]
        new = new[np.argsort(words[new])]
        rows = np.insert(rows, np.searchsorted(words[rows], words[new]), new)
        return _Layer(frame, words[rows], rows)

    return renewed(store, viewer, "feed gaps", renew)


def _named(frame: gpd.GeoDataFrame, names: pd.Index | pd.Series) -> _Layer:
    ids, rows = names.to_numpy(object), np.arange(len(names), dtype=np.int32)
    if not names.is_monotonic_increasing:
        rows = np.argsort(ids, kind="stable").astype(np.int32)
        ids = ids[rows]
    return _Layer(frame, ids, rows)


@dataclass(frozen=True)
class LayerSource:
    """One collection made of a whole layer."""

    name: str
    read: Callable[[Store, Viewer], _Layer]

    def page(self, store: Store, query: FeatureQuery, viewer: Viewer) -> Page:
        """Read one page."""
        layer, meant = self._meant(store, query, viewer)
        if query.before is not None:
            stop = bisect_left(meant, bisect_left(layer.ids, query.before[0], key=_word))
            start = max(0, stop - query.limit)
            turns = (start > 0, True)
        else:
            mark = query.after
            start = 0
            if mark is not None:
                start = bisect_left(meant, bisect_right(layer.ids, mark[0], key=_word))
            stop = start + query.limit
            turns = (mark is not None, stop < len(meant))
        frame = _chosen(layer, meant[start:stop])
        keys = [(str(name),) for name in frame.index[[0, -1]]] if len(frame) else [(), ()]
        return Page(frame, keys[0], keys[1], *turns)

    def count(self, store: Store, query: FeatureQuery, viewer: Viewer) -> int:
        """Count the features of all pages."""
        return len(self._meant(store, query, viewer)[1])

    def frames(
        self, store: Store, query: FeatureQuery, viewer: Viewer
    ) -> Iterator[gpd.GeoDataFrame]:
        """Yield all features, some at a time."""
        layer, meant = self._meant(store, query, viewer)
        for start in range(0, len(meant), _WRITTEN):
            yield _chosen(layer, meant[start : start + _WRITTEN])

    def one(self, store: Store, feature_id: str, viewer: Viewer) -> gpd.GeoDataFrame:
        """Read one feature, or raise NotFoundError."""
        layer = self._layer(store, viewer)
        at = bisect_left(layer.ids, feature_id, key=_word)
        if at == len(layer.ids) or _word(layer.ids[at]) != feature_id:
            raise NotFoundError(f"There is no feature {feature_id!r} in {self.name}.")
        return _chosen(layer, range(at, at + 1))

    def extent(self, store: Store, viewer: Viewer) -> Extent:
        """Box of all features; of what lies along the network, that of the network."""
        del viewer
        return Extent(store.layer_extent("catchments" if self.name == "catchments" else "reaches"))

    def check(self, store: Store, query: FeatureQuery, viewer: Viewer) -> None:
        """Refuse a catchment that is unknown, and a mark that is none of this collection."""
        del viewer
        chosen = query.filters.get("catchment")
        if chosen is not None and chosen not in reference.catchments(store).index:
            raise RequestError(f"There is no catchment {chosen!r} here.")
        query.refuse_marks(str)

    def _layer(self, store: Store, viewer: Viewer) -> _Layer:
        return cached(store, viewer, ("feed layer", self.name), lambda: self.read(store, viewer))

    def _meant(self, store: Store, query: FeatureQuery, viewer: Viewer) -> _Meant:
        def make() -> _Meant:
            layer = self._layer(store, viewer)
            if not query.filters and query.area is None:
                return _Meant(layer, range(len(layer.rows)))
            fits = _fits(store, layer.frame, query)[layer.rows]
            return _Meant(layer, np.flatnonzero(fits).astype(np.int32))

        return cached(store, viewer, ("feed", self.name, query.meaning), make)


def _word(name: str | int) -> str:
    return name if isinstance(name, str) else f"{name:016x}"


def _chosen(layer: _Layer, at: Ints | range) -> gpd.GeoDataFrame:
    names = [*map(_word, layer.ids[at])]
    return layer.frame.iloc[layer.rows[at]].set_axis(pd.Index(names, dtype="str"))


def _fits(store: Store, frame: gpd.GeoDataFrame, query: FeatureQuery) -> Bools:
    fits = np.ones(len(frame), dtype=bool)
    for name, value in query.filters.items():
        if name == "catchment":
            fits &= _in_catchment(store, frame, value)
        else:
            same = frame[name].astype("str") == value
            fits &= same.to_numpy(dtype=bool, na_value=False)
    if query.area is None:
        return fits
    shapes, near = frame.geometry.array, query.area.near(store)
    if near is not None and isinstance(shapes, ReachLines):  # no need to draw the rest
        shapes = shapes.near(near)
        fits &= ~shapes.isna()
    elif near is not None:
        fits &= shapes.isna() | features.near_box(shapes, near)
    rows = np.flatnonzero(fits)
    some = np.asarray(shapes[rows], dtype=object)
    fits[rows] = query.area.meets(some, read_crs(store.settings.crs))
    return fits


def _in_catchment(store: Store, frame: gpd.GeoDataFrame, chosen: str) -> Bools:
    if "reach_id" not in frame:
        return within_catchments(store, frame["catchment"], [chosen])
    parts = reference.reach_parts(store)
    inside_parts = parts.loc[within_catchments(store, parts["catchment_id"], [chosen]), "reach_id"]
    inside: Bools = frame["reach_id"].isin(inside_parts.unique()).to_numpy(bool)
    return inside
