"""RFC 7946 text: placements with their catch, or any one layer.

Placements are read, reduced to what the audience may see and written piece by piece, so that
a million of them need no more memory than ten thousand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from layers.drawing.geojson import feature_stream
from service.access import open_record_chunks
from service.answers import features
from service.answers.hand_over import viewer_of
from service.answers.written_figures import as_written

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import geopandas as gpd

    from service.answers.hand_over import Audience
    from service.records import Selection, Viewer
    from service.store import Store

_AT_ONCE: Final = 2_500  # placements in memory; more are no faster

__all__ = ["layer_geojson", "write_geojson"]


def write_geojson(
    path: Path,
    store: Store,
    selection: Selection,
    audience: Audience,
    *,
    viewer: Viewer | None = None,
    members: dict[str, Any] | None = None,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write one FeatureCollection of placements.

    A feature is a placement; its catch is a list in the property `catch`, so that the file
    stands alone. `members` are foreign members of the collection, such as the licence.
    """
    reader = viewer_of(audience, viewer)

    def layers() -> Iterator[gpd.GeoDataFrame]:
        for records in open_record_chunks(store, selection, reader, size=_AT_ONCE):
            layer = features.placement_features(store, records)
            yield as_written(layer, "placements")
            if progress is not None:
                progress(len(layer))

    with path.open("wb") as file:
        for piece in feature_stream(layers(), members=members):
            file.write(piece)


def layer_geojson(
    layer: gpd.GeoDataFrame, name: str, *, members: dict[str, Any] | None = None
) -> bytes:
    """One layer as a FeatureCollection; its first column is the features' id where unique."""
    key = layer.columns[0]
    if layer[key].is_unique and layer.index.name != key and not isinstance(
        layer.index.dtype, pd.StringDtype
    ):  # fmt: skip
        layer = layer.set_index(key, drop=False)
    dated = as_written(layer, name)
    for name in dated.columns:
        if pd.api.types.is_datetime64_dtype(dated[name].dtype):  # a day, not a moment
            dated[name] = dated[name].dt.strftime("%Y-%m-%d")
    return b"".join(feature_stream([dated], members=members))
