"""Storage: the only place that knows SQL. Callers use the interface in `interface.py`."""

from service.store.geopackage_store import GeoPackageStore
from service.store.interface import Store
from service.store.opening import create_store, open_store

__all__ = ["GeoPackageStore", "Store", "create_store", "open_store"]
