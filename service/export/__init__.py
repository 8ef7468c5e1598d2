"""Files that leave the store: one module per form, and what they have in common.

`FORMS` lists every form by its name on the command line; `hand_over.write` makes any of them.
"""

from __future__ import annotations

from typing import Final

__all__ = ["AUDIENCES", "FORMS"]

# Name of the form: ending of its file, and what it is in a few words.
FORMS: Final[dict[str, tuple[str, str]]] = {
    "geojson": (".geojson", "One RFC 7946 file of placements with their catch"),
    "gpkg": (".gpkg", "One GeoPackage: layers with styles, tables, described columns"),
    "csv": (".zip", "The field sheets again, as CSV files in one zip"),
    "dwca": (".zip", "Darwin Core Archive: events, occurrences, measurements, Humboldt table"),
    "bundle": (".zip", "Everything a council needs in one zip, with map and account"),
}
AUDIENCES: Final = ("public", "precise")
