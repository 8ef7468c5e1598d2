"""The reach and catchment of one position, said at once while somebody stands there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from layers.crs import choose_operation, outside_area_of_use, rounded
from layers.network.catchments import catchment_of
from layers.network.snapping import snap_to_reaches
from service import reference
from service.errors import RequestError
from service.reference.transformations import Operations

if TYPE_CHECKING:
    from service.store import Store

__all__ = ["nearest_reach"]


def nearest_reach(
    store: Store,
    longitude: float,
    latitude: float,
    *,
    uncertainty_m: float | None = None,
    stream_name: str = "",
) -> dict[str, Any]:
    """Refer one position on WGS 84 [deg] to the network, by the rules that an import uses.

    `uncertainty_m` says how far off it may be; `stream_name` settles which of two near reaches is
    meant. Gives `reach_id`, `stream_name`, `strahler`, `measure_m`, `offset_m`, `ambiguous`,
    `ambiguous_with`, `ambiguous_stream`, `snapped` (longitude, latitude), `catchment`,
    `tolerance_m`, `has_network`; None where there is none. RequestError outside the area of use of
    the store's CRS.
    """
    settings = store.settings
    if outside_area_of_use([longitude], [latitude], settings.crs)[0]:
        raise RequestError(
            f"{latitude:.5f}, {longitude:.5f} lies outside the area where {settings.crs} is used; "
            "check the position."
        )
    x, y = Operations(store).into_store("EPSG:4326").move([longitude], [latitude])
    position = gpd.GeoDataFrame(
        {
            "position_uncertainty_m": [np.nan if uncertainty_m is None else uncertainty_m],
            "stream_name": [stream_name or None],
        },
        geometry=[shapely.Point(x[0], y[0])],
        crs=settings.crs,
    )
    network = reference.network(store)
    answer: dict[str, Any] = {
        "reach_id": None,
        "catchment": _catchment(store, position),
        "tolerance_m": max(settings.snap_tolerance_m, uncertainty_m or 0.0),
        "has_network": bool(len(network.reaches)),
    }
    if not answer["has_network"]:
        return answer
    snap = snap_to_reaches(position, network, tolerance_m=settings.snap_tolerance_m).iloc[0]
    if not isinstance(snap["reach_id"], str):
        return answer
    lon, lat = choose_operation(settings.crs, "EPSG:4326").move(
        np.array([snap["snapped_x"]]), np.array([snap["snapped_y"]])
    )
    own = network.reaches.loc[snap["reach_id"]]
    rival = snap["ambiguous_with"] if isinstance(snap["ambiguous_with"], str) else None
    return answer | {
        "reach_id": snap["reach_id"],
        "stream_name": _text(own["stream_name"]),
        "strahler": int(own["strahler"]),
        "measure_m": round(float(snap["measure_m"]), 1),
        "offset_m": round(float(snap["offset_m"]), 1),
        "ambiguous": bool(snap["ambiguous"]),
        "ambiguous_with": rival,
        "ambiguous_stream": _text(network.reaches.loc[rival, "stream_name"]) if rival else None,
        "snapped": rounded([lon[0], lat[0]], 4326).tolist(),
    }


def _catchment(store: Store, position: gpd.GeoDataFrame) -> str | None:
    catchments = reference.catchments(store)
    if catchments.empty:
        return None
    inside = catchment_of(position, catchments).iloc[0]
    if not isinstance(inside, str):
        return None
    return reference.catchment_names(store)[inside]


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
