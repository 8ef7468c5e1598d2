"""Placements, detections and stretches, page by page along their keys.

Which features are meant is found first, by what the viewer sees of them; the records of one page
are then opened through `service.access.gate` and turned into features as everywhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.crs import read_crs
from layers.fieldwork.generalising import positions
from service.access import (
    count_features,
    find_features,
    found_chosen,
    open_found,
    placement_catchments,
    placement_extent,
    refuse_unknown,
    sweep_features,
    within_catchments,
)
from service.answers import features
from service.answers.selecting import read_selection
from service.cache import cached
from service.errors import NotFoundError
from service.records import Selection
from service.store import Wanted
from service.web.feed.source import Extent, Page

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.arrays import Bools
    from service.records import Viewer
    from service.store import Key, Store, Unit
    from service.web.feed.query import FeatureQuery

__all__ = ["RecordSource"]

# Positions looked at in one go when a box or a catchment has to be compared exactly.
_LOOKED_AT: Final = 50_000
# Features read in one go while a whole collection is written.
_WRITTEN: Final = 4_000


@dataclass(frozen=True)
class RecordSource:
    """One of the three collections that depend on placements."""

    unit: Unit

    def page(self, store: Store, query: FeatureQuery, viewer: Viewer) -> Page:
        """Read one page."""
        rows = self._rows(store, query, viewer, query.limit + 1)
        more = len(rows) > query.limit
        if query.before is not None:
            rows = rows.iloc[-query.limit :]
            turns = (more, True)
        else:
            rows = rows.iloc[: query.limit]
            turns = (query.after is not None, more)
        keys: list[Key] = rows["key"].tolist() or [()]
        frame = self._features(store, rows, viewer)
        return Page(frame, keys[0], keys[-1], *turns)

    def count(self, store: Store, query: FeatureQuery, viewer: Viewer) -> int:
        """Count the features of all pages."""
        question = ("feed count", self.unit, query.meaning)
        return cached(store, viewer, question, lambda: self._count(store, query, viewer))

    def frames(
        self, store: Store, query: FeatureQuery, viewer: Viewer
    ) -> Iterator[gpd.GeoDataFrame]:
        """Yield all features, some at a time."""
        after: Key | None = None
        while True:
            rows = self._rows(store, query, viewer, _WRITTEN, after=after)
            if rows.empty:
                return
            yield self._features(store, rows, viewer)
            after = rows["key"].iloc[-1]

    def one(self, store: Store, feature_id: str, viewer: Viewer) -> gpd.GeoDataFrame:
        """Read one feature; NotFoundError where the viewer may see none of this id."""
        # Ids are joined with colons, which names may hold too: every beginning may be the
        # placement's name; the id of the feature decides.
        parts = feature_id.split(":")
        names = [":".join(parts[:end]) for end in range(1, len(parts) + 1)]
        names = names if self.unit != "placement" else [feature_id]
        wanted = Wanted(placements=tuple(dict.fromkeys(names)))
        rows = find_features(store, wanted, "placement", viewer, size=len(names))
        frame = self._read(store, rows, viewer)
        frame = frame[frame.index == feature_id]
        if frame.empty:
            raise NotFoundError(f"There is no {self.unit} {feature_id!r}.")
        return frame

    def extent(self, store: Store, viewer: Viewer) -> Extent:
        """Box and period of all features as shown."""
        box, period = cached(store, viewer, "feed extent", lambda: placement_extent(store, viewer))
        return Extent(self._network_bounds(store) or box, period)

    def _network_bounds(self, store: Store) -> features.Box | None:
        """Box of all reaches where stretches are meant, which lie along them."""
        return store.layer_extent("reaches") if self.unit == "stretch" else None

    def check(self, store: Store, query: FeatureQuery, viewer: Viewer) -> None:
        """Refuse a name that is unknown, and a mark that is none of this collection."""
        refuse_unknown(store, _selection(query), viewer)
        kinds: dict[Unit, tuple[type | tuple[type, ...], ...]] = {
            "placement": (),
            "detection": (str,),
            "stretch": (str, (int, float)),
        }
        first = int if viewer.sees_exact_places else str
        query.refuse_marks(first, *kinds[self.unit])

    # Finding ------------------------------------------------------------------------------
    def _wanted(self, store: Store, query: FeatureQuery) -> Wanted:
        given = {name: (value,) for name, value in query.filters.items()}
        area = query.area
        return Wanted(
            placements=given.get("placement_id", ()),
            surveys=given.get("survey", ()),
            methods=given.get("method", ()),
            outcomes=given.get("outcome", ()),
            species=given.get("species", ()),
            streams=given.get("stream_name", ()),
            reaches=given.get("reach_id", ()),
            box=None if area is None or self._holds_all(store, query) else area.near(store),
            start=query.period.start,
            end=query.period.end,
        )

    def _holds_all(self, store: Store, query: FeatureQuery) -> bool:
        """Tell whether the requested box surely contains all that there is."""
        box = self._network_bounds(store) or store.surroundings()
        if query.area is None or box is None:
            return True
        found = features.degrees_around(store, box)
        if found is None or not query.area.system.geographic:
            return False
        west, south, east, north = query.area.box
        return west <= found[0] <= found[2] <= east and south <= found[1] and north >= found[3]

    def _rows(
        self,
        store: Store,
        query: FeatureQuery,
        viewer: Viewer,
        size: int,
        *,
        after: Key | None = None,
    ) -> pd.DataFrame:
        """Keys of up to `size` features that are meant, in their order."""
        wanted = self._wanted(store, query)
        before = query.before
        after = query.after if after is None else after
        tested = self._tested(store, query)
        step = max(size, 1_000) if tested else size
        found: list[pd.DataFrame] = []
        left = size
        while left > 0:
            rows = find_features(
                store, wanted, self.unit, viewer,
                size=step, after=after, before=before, places=tested,
            )  # fmt: skip
            if rows.empty:
                break
            kept = rows[self._meets(store, rows, query, viewer)] if tested else rows
            found.append(kept)
            left -= len(kept)
            if len(rows) < step:
                break
            if before is not None:
                before = rows["key"].iloc[0]
            else:
                after = rows["key"].iloc[-1]
            step = min(2 * step, _LOOKED_AT)
        if not found:
            return rows
        if before is not None:
            return pd.concat(found[::-1], ignore_index=True).iloc[-size:]
        return pd.concat(found, ignore_index=True).iloc[:size]

    def _tested(self, store: Store, query: FeatureQuery) -> bool:
        """Tell whether positions have to be compared one by one."""
        if _selection(query).in_memory:
            return True
        return query.area is not None and not self._holds_all(store, query)

    def _meets(
        self, store: Store, rows: pd.DataFrame, query: FeatureQuery, viewer: Viewer
    ) -> Bools:
        crs = read_crs(store.settings.crs)
        shapes = np.asarray(rows["geometry"], dtype=object)
        met = np.ones(len(rows), dtype=bool)
        if query.area is not None:
            met = query.area.meets(shapes, crs)
        selection = _selection(query)
        if selection.catchments:
            left = rows[met]
            places = gpd.GeoDataFrame(left[["generalised_km"]], geometry=shapes[met], crs=crs)
            inside = placement_catchments(store, places)
            met[met] = within_catchments(store, inside, selection.catchments)
        others = replace(selection, catchments=())
        if others.in_memory:
            met[met] = found_chosen(store, rows[met], others, viewer)
        return met

    def _count(self, store: Store, query: FeatureQuery, viewer: Viewer) -> int:
        wanted = self._wanted(store, query)
        if not self._tested(store, query):
            return count_features(store, wanted, self.unit, viewer)
        bounds = None
        if query.area is not None and wanted.box is not None:
            bounds = query.area.bounds(store)
        if bounds is None or self.unit == "stretch" or _selection(query).in_memory:
            pieces = sweep_features(store, wanted, self.unit, viewer)
            return sum(int(self._meets(store, rows, query, viewer).sum()) for rows in pieces)
        # Only what lies along the sides of the box is compared one by one.
        around, within = bounds
        number = count_features(store, replace(wanted, box=within), self.unit, viewer)
        sides = replace(wanted, box=around, but=within)
        for rows in sweep_features(store, sides, self.unit, viewer):
            x, y = positions(rows["geometry"]).T
            counted = (within[0] <= x) & (x <= within[2]) & (within[1] <= y) & (y <= within[3])
            other = rows[~(counted | np.isnan(x))]
            number += int(self._meets(store, other, query, viewer).sum())
        return number

    # Reading ------------------------------------------------------------------------------
    def _features(self, store: Store, rows: pd.DataFrame, viewer: Viewer) -> gpd.GeoDataFrame:
        if rows.empty:
            return gpd.GeoDataFrame(geometry=[], crs=store.settings.crs)
        names = rows["placement_id"]
        ids = pd.Index(names, dtype="str")
        if self.unit == "detection":
            ids = pd.Index(names + ":" + [key[1] for key in rows["key"]], dtype="str")
        elif self.unit == "stretch":
            ids = pd.Index(
                [_stretch_id(name, *key[1:]) for name, key in zip(names, rows["key"], strict=True)],
                dtype="str",
            )
        frame = self._read(store, rows, viewer)
        return frame.loc[ids[ids.isin(frame.index)]]

    def _read(self, store: Store, rows: pd.DataFrame, viewer: Viewer) -> gpd.GeoDataFrame:
        if self.unit == "placement":
            return features.placement_features(store, open_found(store, rows, viewer))
        if self.unit == "detection":
            return features.detection_features(store, open_found(store, rows, viewer))
        selection = Selection(placements=tuple(rows["placement_id"].unique()))
        lines = features.stretches(store, selection, viewer)
        parts = zip(lines["placement_id"], lines["reach_id"], lines["from_m"], strict=True)
        return lines.set_index(pd.Index([_stretch_id(*part) for part in parts], dtype="str"))


def _selection(query: FeatureQuery) -> Selection:
    """Turn the filters of a query into what every other answer selects by."""
    return read_selection({name: [value] for name, value in query.filters.items()})


def _stretch_id(placement_id: str, reach_id: str, from_m: float) -> str:
    return f"{placement_id}:{reach_id}:{from_m:.2f}"
