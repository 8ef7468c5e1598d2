"""Putting placements, and what belongs to them, into the tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import sqlalchemy as sa

from layers.fieldwork.looking import local_dates
from layers.fieldwork.stretches import stretch_lines
from layers.network.graph import build_network
from service.errors import StoreError
from service.store import history, schema
from service.store.columns import rows_from_frame
from service.store.geopackage import clear_layer, insert, insert_layer, update_layer
from service.store.named_tables import put_named
from service.store.network_tables import read_reaches
from service.store.standing_gear import take_out

if TYPE_CHECKING:
    from collections.abc import Callable

    from layers.arrays import Objects
    from service.records import FieldRecords

__all__ = [
    "add_records",
    "clear_network_findings",
    "delete_placements",
    "insert_network_findings",
    "stored_rows",
    "update_placement",
]

# Tables of rows that belong to one placement and are replaced with it.
OWNED = ("placement_shapes", "catches", "lengths", "snaps", "stretches", "flags")
# Flags that follow from where the network lies: computed anew when it is replaced.
NETWORK_FLAG_STARTS = ("snap_", "stretch_", "network_")


def add_records(
    connection: sa.Connection,
    records: FieldRecords,
    digests: pd.Series,
    *,
    who: str,
    batch_id: int | None,
    report: Callable[[float], None] = lambda _: None,
) -> pd.Series:
    """Insert placements with all that belongs to them, and note each in the history.

    Returns their row numbers by id. `report` gets the part of an import's time that has gone by
    then, as measured on a large one.
    """
    for table, frame in ((schema.surveys, records.surveys), (schema.sites, records.sites)):
        put_named(connection, frame, table=table, who=who, batch_id=batch_id)
    placements = records.placements
    take_out(connection, placements.index.tolist(), who=who, batch_id=batch_id)
    values = _placement_values(placements, digests)
    values["batch_id"] = [batch_id] * len(placements)
    fids = insert_layer(
        connection, schema.placements, values, np.asarray(placements.geometry, object)
    )
    report(0.3)
    rows = pd.Series(np.asarray(fids, np.int64), index=placements.index)
    _insert_owned(connection, records, rows)
    report(0.6)
    written = history.document_texts(placements, records.catches, records.lengths)
    report(0.75)
    history.note(
        connection, who=who, entity="placement", action="add", batch_id=batch_id,
        keys=placements.index.tolist(), after=written,
    )  # fmt: skip
    report(0.85)
    return rows


def stored_rows(connection: sa.Connection) -> pd.Series:
    """Row number of every placement that is stored, by its id."""
    own = schema.placements.c
    stored = connection.execute(sa.select(own.placement_id, own.fid)).fetchall()
    index = pd.Index([row[0] for row in stored], dtype="str")
    return pd.Series([row[1] for row in stored], index=index, dtype="int64")


def _placement_values(placements: gpd.GeoDataFrame, digests: pd.Series) -> dict[str, list[Any]]:
    plain = pd.DataFrame(placements.drop(columns=[placements.geometry.name])).reset_index()
    own = ("fid", "geom", "batch_id", "content_digest", "set_on")
    columns = [column for column in schema.placements.columns if column.name not in own]
    values = rows_from_frame(plain, columns)
    days = local_dates(placements).to_numpy().astype("datetime64[D]")
    dates = np.datetime_as_string(days).astype(object)
    dates[np.isnat(days)] = None
    values["set_on"] = dates.tolist()
    values["content_digest"] = digests.loc[placements.index].tolist()
    return values


def _insert_owned(connection: sa.Connection, records: FieldRecords, rows: pd.Series) -> None:
    placements = records.placements
    if "shape" in placements:
        drawn = placements["shape"].notna()
        insert_layer(
            connection,
            schema.placement_shapes,
            {"placement_row": rows[drawn].tolist()},
            placements.loc[drawn, "shape"].to_numpy(object),
        )
    for table, frame in (
        (schema.catches, records.catches),
        (schema.lengths, records.lengths),
    ):
        _insert_by_placement(connection, table, frame, rows)
    insert_network_findings(connection, records.snaps, records.stretches, records.flags, rows)


def insert_network_findings(
    connection: sa.Connection,
    snaps: pd.DataFrame,
    stretches: pd.DataFrame,
    flags: pd.DataFrame,
    rows: pd.Series,
) -> None:
    """Insert snaps, stretches and flags of placements whose row numbers are given by id."""
    owned = snaps if "placement_id" in snaps else snaps.rename_axis("placement_id").reset_index()
    _insert_by_placement(connection, schema.snaps, owned, rows)
    if len(stretches):
        values = rows_from_frame(stretches, schema.stretches.columns)
        values["placement_row"] = _rows_of(stretches, rows)
        insert_layer(connection, schema.stretches, values, _lines(connection, stretches))
    if len(flags):
        network = flags["code"].str.startswith(NETWORK_FLAG_STARTS)
        sourced = flags.assign(source=np.where(network, "network", "sheet"))
        _insert_by_placement(connection, schema.flags, sourced, rows)


def _lines(connection: sa.Connection, stretches: pd.DataFrame) -> Objects:
    """Geometry of stretches, cut from their reaches where the frame brings none."""
    if isinstance(stretches, gpd.GeoDataFrame) and "geometry" in stretches:
        return np.asarray(stretches.geometry, object)
    names = sorted(set(stretches["reach_id"]))
    network = build_network(read_reaches(connection, names))
    return np.asarray(stretch_lines(stretches, network).geometry, object)


def _rows_of(frame: pd.DataFrame, rows: pd.Series) -> list[int]:
    places = rows.index.get_indexer(pd.Index(frame["placement_id"]))
    if (places < 0).any():
        lost = frame["placement_id"].to_numpy(object)[places < 0][0]
        raise StoreError(f"Placement {lost!r} is named but is not among the placements.")
    return list(rows.to_numpy()[places].tolist())


def _insert_by_placement(
    connection: sa.Connection, table: sa.Table, frame: pd.DataFrame, rows: pd.Series
) -> None:
    if frame.empty:
        return
    key = next(iter(table.primary_key)).name
    columns = [column for column in table.columns if column.name not in (key, "placement_row")]
    values = rows_from_frame(frame, columns)
    values["placement_row"] = _rows_of(frame, rows)
    insert(connection, table, values)


def update_placement(
    connection: sa.Connection, records: FieldRecords, fid: int, digest: str
) -> None:
    """Write one placement and all that belongs to it over what is there."""
    placements = records.placements
    values = _placement_values(placements, pd.Series([digest], index=placements.index))
    own = ("fid", "geom", "batch_id", "placement_id")
    change: dict[str, Any] = {
        column.name: values[column.name][0] if column.name in values else None
        for column in schema.placements.columns
        if column.name not in own
    }
    update_layer(connection, schema.placements, fid, change, placements.geometry.iloc[0])
    for name in OWNED:
        owned = schema.metadata.tables[name]
        connection.execute(owned.delete().where(owned.c.placement_row == fid))
    _insert_owned(connection, records, pd.Series([fid], index=placements.index))


def delete_placements(connection: sa.Connection, chosen: sa.ColumnElement[bool]) -> None:
    """Delete placements; what belongs to them goes with them."""
    rows = sa.select(schema.placements.c.fid).where(chosen)
    for name in OWNED:
        owned = schema.metadata.tables[name]
        connection.execute(owned.delete().where(owned.c.placement_row.in_(rows)))
    connection.execute(schema.placements.delete().where(chosen))


def clear_network_findings(connection: sa.Connection) -> None:
    """Take away all that followed from the network."""
    connection.execute(schema.snaps.delete())
    clear_layer(connection, schema.stretches)
    connection.execute(schema.flags.delete().where(schema.flags.c.source == "network"))
