"""Reference layers of a store as the summaries use them, cached until the store changes."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Final

from layers.network.catchments import ancestors as list_ancestors
from layers.network.graph import build_network
from service.cache import cached, renewed

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from layers.network.graph import Network
    from service.store import Store

__all__ = [
    "ancestors",
    "catchment_names",
    "catchments",
    "methods",
    "network",
    "reach_parts",
    "species",
    "stream_names",
    "version",
]

_NUMBERS: Final = count(1)
_COMPUTED: Final = ["from_node", "to_node", "upstream_length_m"]  # a network has them itself


def network(store: Store) -> Network:
    """Reaches of a store, joined to a network."""
    tolerance = store.settings.node_tolerance_m
    return cached(
        store,
        None,
        "network",
        lambda: build_network(store.reaches().drop(columns=_COMPUTED), tolerance_m=tolerance),
        of_network=True,
    )


def catchments(store: Store) -> gpd.GeoDataFrame:
    """Catchments of a store."""
    return cached(store, None, "catchments", store.catchments, of_network=True)


def catchment_names(store: Store) -> dict[str, str]:
    """Name of each catchment by its id, in order of names; the id where it has none."""
    own = catchments(store)["name"].sort_values()
    return {
        str(one): name if isinstance(name, str) and name else str(one) for one, name in own.items()
    }


def ancestors(store: Store) -> pd.DataFrame:
    """Every catchment with all that contain it, itself included."""
    return cached(
        store, None, "ancestors", lambda: list_ancestors(catchments(store)), of_network=True
    )


def reach_parts(store: Store) -> pd.DataFrame:
    """Which part of which reach lies in which catchment."""
    return cached(store, None, "reach_parts", store.reach_parts, of_network=True)


def stream_names(store: Store) -> list[str]:
    """Names of the streams of a store, sorted."""
    return cached(store, None, "stream names", store.stream_names, of_network=True)


def species(store: Store) -> pd.DataFrame:
    """Species list of a store."""
    return cached(store, None, "species", store.species)


def methods(store: Store) -> pd.DataFrame:
    """Methods of a store."""
    return cached(store, None, "methods", store.methods)


def version(store: Store) -> tuple[int, int]:
    """Numbers that change where the network, catchments, species or methods do.

    While they are the same in this process, so are all four.
    """

    def renew(last: tuple[int, list[pd.DataFrame]] | None) -> tuple[int, list[pd.DataFrame]]:
        now = [species(store), methods(store)]
        if last and all(one.equals(other) for one, other in zip(last[1], now, strict=True)):
            return last
        return next(_NUMBERS), now

    return store.network_version, renewed(store, None, "lists", renew)[0]
