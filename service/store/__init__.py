"""Storage: the only place that knows SQL. Callers use the interface in `interface.py`."""

from service.store.geopackage_store import GeoPackageStore, create_store, open_store
from service.store.interface import Store

__all__ = ["GeoPackageStore", "Store", "create_store", "open_store"]
