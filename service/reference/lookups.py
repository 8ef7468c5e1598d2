"""Reference layers of a store as the summaries use them, kept until the store changes."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import WeakKeyDictionary

from layers.network.catchments import ancestors as list_ancestors
from layers.network.graph import build_network

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd
    import pandas as pd

    from layers.network.graph import Network
    from service.store import Store

__all__ = [
    "ancestors",
    "catchment_names",
    "catchments",
    "kept",
    "methods",
    "network",
    "reach_parts",
    "species",
]

Made = TypeVar("Made")


@dataclass
class _Kept:
    """One value of each kind, with the version of the store that it was made from."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    values: dict[str, tuple[int, Any]] = field(default_factory=dict)


_OF_STORE: WeakKeyDictionary[Any, _Kept] = WeakKeyDictionary()
_LOCK = threading.Lock()


def kept(store: Store, name: str, make: Callable[[], Made], *, of_network: bool = False) -> Made:
    """Value made from the store as it is now; of each kind only the newest is kept.

    What is made `of_network`, of reaches and catchments alone, outlives all other writes.
    """
    with _LOCK:
        own = _OF_STORE.setdefault(store, _Kept())
    version = store.network_version if of_network else store.version
    held = own.values.get(name)
    if held is not None and held[0] == version:
        return held[1]  # type: ignore[no-any-return]
    with own.lock:  # two threads that ask at once make it once
        held = own.values.get(name)
        if held is not None and held[0] == version:
            return held[1]  # type: ignore[no-any-return]
        made = make()
        own.values[name] = (version, made)
    return made


def network(store: Store) -> Network:
    """Reaches of a store, joined to a network."""
    tolerance = store.settings.node_tolerance_m
    return kept(
        store,
        "network",
        lambda: build_network(store.reaches(), tolerance_m=tolerance),
        of_network=True,
    )


def catchments(store: Store) -> gpd.GeoDataFrame:
    """Catchments of a store."""
    return kept(store, "catchments", store.catchments, of_network=True)


def catchment_names(store: Store) -> dict[str, str]:
    """Name of each catchment by its id, in order of names; the id where it has none."""
    own = catchments(store)["name"].sort_values()
    return {
        str(one): name if isinstance(name, str) and name else str(one) for one, name in own.items()
    }


def ancestors(store: Store) -> pd.DataFrame:
    """Every catchment with all that hold it, itself included."""
    held = catchments(store)
    return kept(store, "ancestors", lambda: list_ancestors(held), of_network=True)


def reach_parts(store: Store) -> pd.DataFrame:
    """Which part of which reach lies in which catchment."""
    return kept(store, "reach_parts", store.reach_parts, of_network=True)


def species(store: Store) -> pd.DataFrame:
    """Species list of a store."""
    return kept(store, "species", store.species)


def methods(store: Store) -> pd.DataFrame:
    """Methods of a store."""
    return kept(store, "methods", store.methods)
