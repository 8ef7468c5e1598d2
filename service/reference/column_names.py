"""Names that others give to our columns of reference layers, taken where the trade is agreed.

Each such taking is reported. Codes that one country or agency uses are left to `--map`: the code of
a unit is not always the key that is wanted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal, TypeVar

import pandas as pd

from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["LAYER_SYNONYMS", "named_as_ours"]

Frame = TypeVar("Frame", bound=pd.DataFrame)
Layer = Literal["reaches", "catchments", "species"]

LAYER_SYNONYMS: Final[Mapping[Layer, Mapping[str, tuple[str, ...]]]] = {
    "reaches": {
        "reach_id": ("reachid", "reach", "id"),
        "stream_name": ("streamname", "river_name", "name"),
        "strahler": ("strahler_order", "strahlerorder", "stream_order", "streamorder"),
        "kind": ("feature_kind", "reach_kind", "feature_type"),
    },
    "catchments": {
        "catchment_id": ("catchmentid", "id"),
        "name": ("catchment_name", "basin_name"),
        "parent_id": ("parentid", "parent"),
    },
    "species": {
        "species": ("scientific_name", "scientificname"),
        "vernacular_name": ("vernacularname", "common_name"),
    },
}
"""Our column -> other names for it, in lower case, the more telling one first."""


def named_as_ours(frame: Frame, layer: Layer) -> tuple[Frame, list[str]]:
    """Take columns by their usual other names, and say so.

    Parameters
    ----------
    frame
        As read, after `--map`. Its first named entry of `LAYER_SYNONYMS` is the key.
    layer
        Which layer it is to be.

    Returns
    -------
    frame
        With the columns that were understood named as ours; others are left alone.
    list of str
        At most one sentence: what was taken for what.

    Raises
    ------
    RequestError
        There is no key column.

    Examples
    --------
    >>> rivers = pd.DataFrame({"ID": ["7"], "strahler_order": [2]})
    >>> found, notes = named_as_ours(rivers, "reaches")
    >>> list(found.columns), notes
    (['reach_id', 'strahler'], ['Columns taken: ID as reach_id, strahler_order as strahler.'])
    """
    theirs = {str(name).lower(): name for name in reversed(frame.columns) if name != "geometry"}
    taken: dict[str, str] = {}
    for ours, synonyms in LAYER_SYNONYMS[layer].items():
        if ours in frame.columns or frame.index.name == ours:
            continue
        fits = [theirs[name] for name in (ours, *synonyms) if name in theirs]
        free = [name for name in fits if name not in taken and name not in LAYER_SYNONYMS[layer]]
        if free:
            taken[free[0]] = ours
    key = next(iter(LAYER_SYNONYMS[layer]))
    if key not in (*frame.columns, frame.index.name, *taken.values()):
        known = ", ".join([str(name) for name in frame.columns if name != "geometry"][:20])
        raise RequestError(
            f"There is no column {key} among {known}; say which one it is with --map {key}=THEIRS."
        )
    words = [f"{name} as {ours}" for name, ours in taken.items()]
    return frame.rename(columns=taken), [f"Columns taken: {', '.join(words)}."] if words else []
