"""What a GeoPackage for other people gets beside its layers: words, styles, metadata.

OGC 12-128r19: schema extension (annex F.9, `gpkg_data_columns`), metadata extension (annex
F.8). `layer_styles` is a plain table that GIS programs look for (common practice, no source).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, NamedTuple

from service.store.session import plain_errors

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["LayerStyle", "dress_geopackage"]

_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
    table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
    scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
    table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,
    description TEXT, mime_type TEXT, constraint_name TEXT,
    CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
    CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
    constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
    min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
    CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_metadata (
    id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL
    DEFAULT 'dataset', md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL
    DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS gpkg_metadata_reference (
    reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
    timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
    md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
    CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
    CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT,
    f_table_name TEXT, f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT,
    useAsDefault BOOLEAN, description TEXT, owner TEXT, ui TEXT, update_time DATETIME);
"""
_SCHEMA_URI = "http://www.geopackage.org/spec/#extension_schema"
_METADATA_URI = "http://www.geopackage.org/spec/#extension_metadata"
_EXTENSIONS = [
    ("gpkg_data_columns", "gpkg_schema", _SCHEMA_URI),
    ("gpkg_data_column_constraints", "gpkg_schema", _SCHEMA_URI),
    ("gpkg_metadata", "gpkg_metadata", _METADATA_URI),
    ("gpkg_metadata_reference", "gpkg_metadata", _METADATA_URI),
]


class LayerStyle(NamedTuple):
    """Default style of one layer in two languages."""

    layer: str
    name: str
    qml: str
    sld: str


def dress_geopackage(
    path: Path,
    *,
    tables: Sequence[tuple[str, str]],
    columns: Sequence[tuple[str, str, str]],
    styles: Sequence[LayerStyle],
    metadata: tuple[str, str],
    moment: str,
) -> None:
    """Add descriptions, styles and metadata to a GeoPackage that GDAL has written.

    Nobody else may have it open. Raises StoreError where the disk is full or it cannot be written.

    Parameters
    ----------
    tables, columns
        Table and its description; table, column and the column's description.
    metadata
        Address that names the standard, and the XML text that follows it.
    moment
        Time to be stated as that of the last change, RFC 3339 in UTC.
    """
    with plain_errors(path), closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.executescript(f"BEGIN; {_TABLES}")
        file.executemany(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')", _EXTENSIONS
        )
        file.executemany(
            "UPDATE gpkg_contents SET description = ?2 WHERE table_name = ?1", list(tables)
        )
        file.executemany(
            "INSERT INTO gpkg_data_columns (table_name, column_name, name, description)"
            " VALUES (?1, ?2, ?2, ?3)",
            list(columns),
        )
        file.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name,"
            " f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description,"
            " update_time) SELECT '', '', ?1, column_name, ?2, ?3, ?4, 1, ?2, ?5"
            " FROM gpkg_geometry_columns WHERE table_name = ?1",
            [(*style, moment) for style in styles],
        )
        file.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description,"
            " last_change) VALUES ('layer_styles', 'attributes', 'layer_styles',"
            " 'Styles of the layers', ?)",
            (moment,),
        )
        file.execute(
            "INSERT INTO gpkg_metadata (id, md_scope, md_standard_uri, mime_type, metadata)"
            " VALUES (1, 'dataset', ?, 'text/xml', ?)",
            metadata,
        )
        file.execute(
            "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id)"
            " VALUES ('geopackage', ?, 1)",
            (moment,),
        )
        file.execute("UPDATE gpkg_contents SET last_change = ?", (moment,))
        file.execute("COMMIT")
