"""What a device keeps of an area for work without a connection.

The network, next places, visits, and tiles of a background.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import orjson
import pandas as pd

from layers.drawing.geojson import feature_collection
from layers.fieldwork.counted_water import REPRESENTS_M
from layers.fieldwork.looking import local_dates
from layers.network.intervals import Intervals
from service.access import open_records
from service.answers import features
from service.answers.coverage_summaries import counted
from service.errors import RequestError
from service.records import Needed, Selection
from service.reference import methods, network

if TYPE_CHECKING:
    import geopandas as gpd

    from service.answers.features import Box
    from service.records import Viewer
    from service.store import Store

__all__ = ["kept_area"]

_MOST_REACHES: Final = 5_000
_MOST_PLACES: Final = 20
_MOST_TILES: Final = 2_000
_MOST_TILE_BYTES: Final = 40_000_000
_NEEDED: Final = Needed(
    tables=frozenset({"snaps"}), columns=frozenset({"set_at", "timezone", "method"})
)


def kept_area(store: Store, within: Box, viewer: Viewer, *, background: str = "") -> dict[str, Any]:
    """Gather what a device keeps of a box in degrees, with a background if one is named.

    `reaches` and `catchments` as GeoJSON; `next_places` (`rank`, `stream`, `at`, `done_before`) by
    the coverage of all gear; `visits`, by reach the day and method of its last placement;
    `background`, of :func:`kept_tiles`. RequestError where the area has too many reaches.
    """
    reaches = features.reaches(store, within=within)
    if len(reaches) > _MOST_REACHES:
        raise RequestError(
            f"This area has {len(reaches)} reaches; {_MOST_REACHES} are the most. Zoom in."
        )
    west, south, east, north = within
    near = Selection(bbox=features.store_box(store, within))
    places = _next_places(store, reaches, viewer)
    inside = places["longitude"].between(west, east) & places["latitude"].between(south, north)
    records = open_records(store, near, viewer, _NEEDED)
    seen = pd.DataFrame(
        {
            "reach_id": records.snaps["reach_id"].reindex(records.placements.index),
            "method": records.placements["method"].map(methods(store)["label"]),
            "day": local_dates(records.placements),
        }
    ).dropna()
    last = seen.sort_values("day", kind="stable").drop_duplicates("reach_id", keep="last")
    return {
        "reaches": orjson.loads(feature_collection(reaches)),
        "catchments": orjson.loads(feature_collection(features.catchments(store, within=within))),
        "next_places": [
            {
                "rank": int(row["rank"]),
                "stream": row["stream"] if isinstance(row["stream"], str) else "",
                "at": [row["longitude"], row["latitude"]],
                "done_before": row["done_before"] if isinstance(row["done_before"], str) else "",
            }
            for row in places[inside].to_dict("records")
        ],
        "visits": {
            str(row["reach_id"]): [str(row["day"])[:10], str(row["method"])]
            for row in last.to_dict("records")
        },
        "background": kept_tiles(store, within, background),
    }


def _next_places(store: Store, reaches: gpd.GeoDataFrame, viewer: Viewer) -> gpd.GeoDataFrame:
    """Places to go to next along these reaches, by the water that anybody visited."""
    from layers.estimates.next_places import next_places

    water, rows = counted(store, Selection(), viewer), network(store).rows(reaches.index)
    rows = np.sort(rows[rows >= 0])  # all, unless the network was replaced just now
    along = Intervals(rows, np.zeros(len(rows)), water.network.length_m[rows])
    return next_places(
        water, water, methods(store), count=_MOST_PLACES, clear_m=REPRESENTS_M, region=along
    )


def kept_tiles(store: Store, within: Box, background: str) -> dict[str, Any] | None:
    """List the tiles of a background that meet a box, level by level while they are few enough.

    `name`; `tiles` as level, column and row; `size_bytes` of all; `zoom`, the finest level that is
    among them; `finest`, that of the background. None where there is no such background.
    """
    found = {one.name: one for one in store.backgrounds()}.get(background)
    if found is None:
        return None
    first, finest = found.zooms
    kept: dict[str, Any] = {
        "name": background, "tiles": [], "size_bytes": 0, "zoom": first, "finest": finest
    }  # fmt: skip
    for zoom in range(first, finest + 1):
        level = store.tiles_of_box(background, within, zoom)
        size = kept["size_bytes"] + sum(each[2] for each in level)
        if len(kept["tiles"]) + len(level) > _MOST_TILES or size > _MOST_TILE_BYTES:
            break
        kept["tiles"] += [[zoom, column, row] for column, row, _ in level]
        kept["size_bytes"], kept["zoom"] = size, zoom
    return kept
