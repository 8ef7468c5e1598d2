"""What a viewer is shown of stored records, and where that surely lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from layers.fieldwork.generalising import generalised_squares, public_site_names
from layers.fieldwork.public_frames import public_catches, public_owned, public_placements
from layers.network.catchments import catchment_of
from service import reference
from service.records import Records

if TYPE_CHECKING:
    import geopandas as gpd

    from service.store import Store

__all__ = ["as_public", "placement_catchments"]


def as_public(store: Store, stored: Records, views: pd.DataFrame) -> Records:
    """Turn stored records into what the public sees of them."""
    names = public_site_names(stored.placements["site"], store.public_key)
    return Records(
        placements=public_placements(stored.placements, views, names),
        catches=public_catches(stored.catches, views),
        lengths=public_owned(stored.lengths, views),
        snaps=public_owned(stored.snaps, views),
        stretches=public_owned(stored.stretches, views),
        flags=stored.flags.iloc[:0],  # they name other placements and waters
    )


def placement_catchments(store: Store, placements: gpd.GeoDataFrame) -> pd.Series:
    """Smallest catchment that holds the place of each placement; missing = outside all.

    A placement shown as a grid cell belongs to a catchment only if that holds the whole cell.
    """
    if "catchment_id" in placements:  # of the picture
        known: pd.Series = placements["catchment_id"]
        return known
    catchments = reference.catchments(store)
    if catchments.empty or placements.empty:
        return pd.Series(None, index=placements.index, name="catchment_id", dtype="str")
    # A placement shown as a grid cell belongs to what surely holds it: the whole cell.
    if "generalised_km" in placements:
        placements = placements.set_geometry(generalised_squares(placements))
    return catchment_of(placements, catchments)
