"""Storage: the only place that knows SQL. Callers use what is named here."""

from service.store.changes import Moment, Stamp
from service.store.exchange import LayerStyle, dress_geopackage
from service.store.finding import Key, Unit, Wanted
from service.store.geopackage_store import Store
from service.store.history import content_digest, content_digests, documents
from service.store.opening import create_store, open_store
from service.store.tile_files import SQLITE_BEGINS, TileFile, foreign_database, quoted, tile_file

__all__ = [
    "SQLITE_BEGINS",
    "Key",
    "LayerStyle",
    "Moment",
    "Stamp",
    "Store",
    "TileFile",
    "Unit",
    "Wanted",
    "content_digest",
    "content_digests",
    "create_store",
    "documents",
    "dress_geopackage",
    "foreign_database",
    "open_store",
    "quoted",
    "tile_file",
]
