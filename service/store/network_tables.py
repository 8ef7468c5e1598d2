"""Reaches, catchments, and the parts of reaches in catchments."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import sqlalchemy as sa

from service.store import history, schema
from service.store.columns import pieces, read_frame, rows_from_frame
from service.store.geopackage import among, clear_layer, insert, insert_layer, store_crs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from layers.arrays import Objects

__all__ = [
    "layer_account",
    "read_catchments",
    "read_reach_parts",
    "read_reaches",
    "read_stream_names",
    "replace_catchments",
    "replace_reach_parts",
    "replace_reaches",
]


def _read_layer(
    connection: sa.Connection, table: sa.Table, key: str, names: Sequence[str] | None
) -> gpd.GeoDataFrame:
    columns = [column for column in table.columns if column.name not in ("fid", "geom")]
    wanted = sa.select(*columns, table.c.geom).order_by(table.c[key])
    if names is not None:
        wanted = wanted.where(among(table.c[key], names))
    frame = read_frame(connection, wanted, of_layer=True).set_index(key)
    shapes = frame.pop("geom")
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=store_crs(connection))


def read_reaches(connection: sa.Connection, names: Sequence[str] | None = None) -> gpd.GeoDataFrame:
    """Fetch reaches, all or the named ones, by ascending id.

    With `strahler`, `upstream_length_m`, `from_node` and `to_node`.
    """
    return _read_layer(connection, schema.reaches, "reach_id", names)


def read_catchments(connection: sa.Connection) -> gpd.GeoDataFrame:
    """Fetch all catchments by ascending id."""
    return _read_layer(connection, schema.catchments, "catchment_id", None)


def read_stream_names(connection: sa.Connection) -> list[str]:
    """Names of streams as the reaches have them, without spaces around, each once, sorted."""
    names = connection.scalars(sa.select(schema.reaches.c.stream_name).distinct())
    return sorted({name.strip() for name in names if name} - {""})


def read_reach_parts(connection: sa.Connection) -> pd.DataFrame:
    """Fetch which part of which reach lies in which catchment."""
    columns = [column for column in schema.reach_parts.columns if column.name != "fid"]
    wanted = sa.select(*columns).order_by(schema.reach_parts.c.fid)
    return read_frame(connection, wanted, of_layer=True)


def _replace_layer(
    connection: sa.Connection,
    table: sa.Table,
    frame: gpd.GeoDataFrame,
    shapes: Objects,
    *,
    who: str,
) -> None:
    before = layer_account(connection, table)
    clear_layer(connection, table)
    values = rows_from_frame(pd.DataFrame(frame.drop(columns=frame.geometry.name)).reset_index(),
                             table.columns)  # fmt: skip
    insert_layer(connection, table, values, shapes)
    history.note(
        connection, who=who, entity=table.name, keys=[table.name],
        action="change" if before else "add",
        before=[before], after=[layer_account(connection, table)],
    )  # fmt: skip


def layer_account(connection: sa.Connection, table: sa.Table) -> dict[str, Any] | None:
    """Count features and digest ids and geometry: a whole layer is one change."""
    key = table.columns[2]
    digest, count = hashlib.sha256(), 0
    for rows in pieces(connection, sa.select(key, table.c.geom).order_by(key)):
        for name, geometry in rows:
            digest.update(str(name).encode() + b"\0" + (geometry or b""))
        count += len(rows)
    return {"features": count, "sha256": digest.hexdigest()} if count else None


def replace_reaches(connection: sa.Connection, reaches: gpd.GeoDataFrame, *, who: str) -> None:
    """Replace all reaches; what refers to them has to be right again at the commit."""
    frame = reaches.rename_axis("reach_id")
    _replace_layer(connection, schema.reaches, frame, np.asarray(frame.geometry, object), who=who)


def replace_catchments(
    connection: sa.Connection, catchments: gpd.GeoDataFrame, *, who: str
) -> None:
    """Replace all catchments; single polygons are kept as multi-polygons of one part."""
    frame = catchments.rename_axis("catchment_id")
    shapes = np.asarray(frame.geometry, object).copy()
    single = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    shapes[single] = shapely.multipolygons(shapes[single][:, None]) if single.any() else []
    _replace_layer(connection, schema.catchments, frame, shapes, who=who)


def replace_reach_parts(connection: sa.Connection, reach_parts: pd.DataFrame) -> None:
    """Replace the parts, which follow from reaches and catchments."""
    connection.execute(schema.reach_parts.delete())
    insert(connection, schema.reach_parts, rows_from_frame(reach_parts, schema.reach_parts.columns))
