"""By which operation places come into a store: chosen once for each CRS, then kept.

The best datum shift depends on the area. Chosen by each file's own extent, network and
placements of one store could be moved by different shifts and lie metres apart.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.crs import choose_operation, crs_key, degree_box, read_crs
from service import reference
from service.cache import cached

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.crs import CrsLike, Operation
    from service.store import Store

__all__ = ["Operations"]


class Operations:
    """Operations into the CRS of a store, those that it keeps first.

    Where nothing is known of the store's area yet, an operation is chosen for where the reference
    layer lies that is being loaded.
    """

    def __init__(self, store: Store, layer: gpd.GeoDataFrame | None = None) -> None:
        self._store = store
        self._kept = store.operations()
        self._layer = layer
        self.chosen: dict[str, Operation] = {}

    def into_store(self, source: CrsLike) -> Operation:
        """Operation from a CRS: the kept one, else one chosen for the area of the store.

        That area is the one of the first operation that is kept, else of the network, else of
        the layer being loaded, else the area of use of the CRS.
        """
        target = read_crs(self._store.settings.crs)
        key = crs_key(source)
        known = self._kept.get(key) or self.chosen.get(key)
        if known is None:
            earlier = next(iter({**self._kept, **self.chosen}.values()), None)
            area = earlier.area if earlier is not None else self._area()
            known = choose_operation(source, target, area=area)
            if known.definition:  # else it lies in the store's CRS already
                self.chosen[key] = known
        return known

    def _area(self) -> tuple[float, float, float, float] | None:
        store = self._store
        if len(reference.network(store).reaches):
            return cached(
                store, None, "network in degrees",
                # Opened here, so that it is not older than the version that it is cached for.
                lambda: degree_box(reference.network(store).reaches),
                of_network=True,
            )  # fmt: skip
        if self._layer is not None and self._layer.crs is not None:
            return degree_box(self._layer)
        return None
