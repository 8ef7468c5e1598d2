"""Records and reference layers as features, for the map, for files and for a GIS."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyproj
import shapely

from layers.drawing import record_features
from layers.drawing.geojson import box_shapes, to_wgs84
from service import reference
from service.access import keep_placements, open_records
from service.answers import summaries

if TYPE_CHECKING:
    import geopandas as gpd
    from geopandas.array import GeometryArray

    from layers.arrays import Bools
    from service.records import Records, Selection, Viewer
    from service.store import Store

__all__ = [
    "BOX_MARGIN_M",
    "Box",
    "catchments",
    "covered_reaches",
    "degrees_around",
    "detection_features",
    "detections",
    "near_box",
    "placement_features",
    "placements",
    "reaches",
    "store_box",
    "stretches",
]

# PROJ may move the edges of a box by another datum shift than the places in it; the shifts
# between two CRS differ by some metres.
BOX_MARGIN_M: Final = 100.0
_DECIMALS: Final = 5  # of degrees, rounded outward

Box = tuple[float, float, float, float]
"""West, south, east, north in degrees on WGS 84; west > east crosses 180 degrees."""


def placements(
    store: Store, selection: Selection, viewer: Viewer, *, within: Box | None = None
) -> gpd.GeoDataFrame:
    """Placements with their catch, effort, reach and flags, one feature each."""
    return placement_features(store, _records(store, selection, viewer, within))


def placement_features(store: Store, records: Records) -> gpd.GeoDataFrame:
    """Draw these placements with their catch, effort, reach and flags, one feature each."""
    return record_features.placement_features(
        records.placements,
        records.catches,
        records.snaps,
        records.flags,
        reference.species(store),
        reference.methods(store),
    )


def detections(
    store: Store, selection: Selection, viewer: Viewer, *, within: Box | None = None
) -> gpd.GeoDataFrame:
    """One feature for each species that a placement caught."""
    return detection_features(store, _records(store, selection, viewer, within))


def detection_features(store: Store, records: Records) -> gpd.GeoDataFrame:
    """Draw one feature for each species that these placements caught."""
    return record_features.detection_features(
        records.placements,
        records.catches,
        reference.species(store),
        reference.methods(store),
    )


def stretches(
    store: Store, selection: Selection, viewer: Viewer, *, within: Box | None = None
) -> gpd.GeoDataFrame:
    """Lines of the sampled stretches: `placement_id`, `method`, `reach_id`, `from_m`, `to_m`."""
    lines = reference.network(store).reaches
    box = store_box(store, within)
    near = lines.index[near_box(lines.geometry.array, box)] if box else None
    lines = summaries.stretch_lines(store, selection, viewer, reaches=near)
    return lines[_meets(store, lines, within)] if within else lines


def reaches(
    store: Store,
    *,
    within: Box | None = None,
    min_order: int = 1,
    selection: Selection | None = None,
) -> gpd.GeoDataFrame:
    """Reaches as lines, with `stream_name`, `strahler`, `kind`, `length_m`; of chosen water."""
    frame = reference.network(store).reaches
    water = reference.chosen_water(store, selection) if selection else None
    if water is not None:
        frame = frame.iloc[np.unique(water.group)]
    frame = frame[["stream_name", "strahler", "kind", "length_m", frame.geometry.name]]
    if min_order > 1:
        frame = frame[frame["strahler"] >= min_order]
    return frame[_meets(store, frame, within)] if within else frame


def covered_reaches(store: Store, selection: Selection, viewer: Viewer) -> gpd.GeoDataFrame:
    """Reaches of the chosen water with what was visited and sampled of them.

    Without coverage where most of a reach lies outside of what is chosen.
    """
    frame = reaches(store, selection=selection)
    if not len(frame):
        return frame
    coverage = summaries.coverage(store, selection, viewer).set_index("reach_id")
    more = [name for name in coverage if name not in frame and name != "note"]
    return frame.assign(**{name: coverage[name] for name in more})  # a join would copy them


def catchments(store: Store, *, within: Box | None = None) -> gpd.GeoDataFrame:
    """Catchments as polygons, with `name`, `parent_id`."""
    frame = reference.catchments(store)
    frame = frame[["name", "parent_id", frame.geometry.name]]
    return frame[_meets(store, frame, within)] if within else frame


def _records(store: Store, selection: Selection, viewer: Viewer, within: Box | None) -> Records:
    records = open_records(store, selection, viewer)
    if within is None:
        return records
    inside = _meets(store, records.placements, within)
    return records if inside.all() else keep_placements(records, inside)


def _meets(store: Store, frame: gpd.GeoDataFrame, within: Box) -> Bools:
    """Which geometries in the store's CRS meet a box in degrees, exactly."""
    shapes = frame.geometry.array
    near = store_box(store, within)
    met: Bools = near_box(shapes, near) if near else np.ones(len(shapes), dtype=bool)
    box = shapely.union_all(box_shapes(*within))
    shapely.prepare(box)
    met[met] = shapely.intersects(box, to_wgs84(np.asarray(shapes[met], object), frame.crs))
    return met


def near_box(shapes: GeometryArray, box: Box) -> Bools:
    """Which geometries may meet a box in their own CRS: few, and only those need be placed."""
    low_x, low_y, high_x, high_y = shapes.bounds.T
    near: Bools = (low_x <= box[2]) & (low_y <= box[3]) & (high_x >= box[0]) & (high_y >= box[1])
    return near


def store_box(store: Store, within: Box | None) -> Box | None:
    """Box in the store's CRS [m] that surely holds a box in degrees; None where none is known.

    For `Selection.bbox`, so that the store reads only what is near. Sides of a box in degrees
    are curves in metres; they are followed closely, and a tenth and 100 m are added all
    around. A box that reaches beyond where the CRS is meant for is not narrowed.
    """
    if within is None or within[0] > within[2]:
        return None
    crs = pyproj.CRS.from_user_input(store.settings.crs)
    area = crs.area_of_use
    west, south, east, north = within
    if area is None or area.west > area.east or east - west > 20 or north - south > 20:
        return None
    if west < area.west - 3 or east > area.east + 3 or south < -84 or north > 84:
        return None
    transformer = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
    low_x, low_y, high_x, high_y = transformer.transform_bounds(
        west, south, east, north, densify_pts=21
    )
    edges = np.array([low_x, low_y, high_x, high_y])
    if not np.isfinite(edges).all():
        return None
    margin = 0.1 * max(high_x - low_x, high_y - low_y) + BOX_MARGIN_M
    return (low_x - margin, low_y - margin, high_x + margin, high_y + margin)


def degrees_around(store: Store, box: Box | None) -> Box | None:
    """Box in degrees on WGS 84 that holds one of the store's CRS [m]; west > east crosses 180."""
    if box is None:
        return None
    transformer = pyproj.Transformer.from_crs(store.settings.crs, 4326, always_xy=True)
    edges = np.array(transformer.transform_bounds(*box, densify_pts=21))
    if not np.isfinite(edges).all():
        return None
    scale = 10.0**_DECIMALS
    low, high = np.floor(edges[:2] * scale) - 1, np.ceil(edges[2:] * scale) + 1
    west, south, east, north = (np.concatenate([low, high]) / scale).tolist()
    return (max(west, -180.0), max(south, -90.0), min(east, 180.0), min(north, 90.0))
