"""Streams: reaches of one name that join, and unnamed ones by the stream they flow to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.arrays import narrow
from layers.coded import word_codes
from layers.network.stream_order import connected_parts

if TYPE_CHECKING:
    from layers.arrays import Bools, Ints
    from layers.network.graph import Network

__all__ = ["NO_NAME", "streams"]

NO_NAME: Final = "unnamed water"
TRIBUTARY: Final = "tributary of {}"


def streams(network: Network) -> tuple[Ints, pd.DataFrame]:
    """Gather reaches into streams.

    Reaches of one name that share a node are one stream; two brooks of one name that do not
    meet are two. Unnamed reaches of which one flows on into the other, and to the same named
    stream, are one "tributary of …"; those that reach no named stream are "unnamed water".

    Returns
    -------
    stream
        Number of each reach's stream, (m,).
    table
        One row for each stream: `stream_id`, the `reach_id` of its reach with the greatest
        upstream length (the lowest of equal ones), so that it stays when reaches are added
        above; `stream`, the name or the words above; `named`; `reaches`; `length_m` [m];
        `highest_strahler`.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from layers.network.graph import build_network
    >>> lines = ["LINESTRING (0 900, 0 500)", "LINESTRING (300 900, 0 500)",
    ...          "LINESTRING (0 500, 0 0)"]
    >>> lines = gpd.GeoSeries.from_wkt(lines, index=["A", "B", "C"], crs="EPSG:25830")
    >>> names = {"geometry": lines, "stream_name": ["Alder Burn", None, "Alder Burn"]}
    >>> stream, table = streams(build_network(gpd.GeoDataFrame(names)))
    >>> stream.tolist()
    [1, 0, 1]
    >>> table[["stream_id", "stream", "length_m"]].values.tolist()
    [['B', 'tributary of Alder Burn', 500.0], ['C', 'Alder Burn', 900.0]]
    """
    m = len(network.length_m)
    code, words = word_codes(network.reaches["stream_name"])
    text = pd.Index([*words.str.strip(), ""], dtype="str")  # the last answers to a missing name
    name, spelled = pd.factorize(text, sort=True)
    name, named = name[code].astype(np.int64), (text != "")[code]
    flows_to = _named_below(network, name, named)
    # Reaches join where they share a node and both the name and, unnamed, what they flow to.
    kind = np.where(named, name, len(spelled) + 1 + flows_to)
    reach = np.arange(m)
    key = np.concatenate([network.from_node, network.to_node]) * (2 * len(spelled) + 2)
    key = key + np.concatenate([kind, kind])
    _, meeting = np.unique(key, return_inverse=True)
    places = int(meeting.max(initial=-1)) + 1
    leaves = np.bincount(meeting[:m], minlength=places) > 0
    arrives = np.bincount(meeting[m:], minlength=places) > 0
    # Two unnamed brooks that only end at one place of a named stream stay two.
    joins = np.concatenate([named, named]) | (leaves & arrives)[meeting]
    end = np.concatenate([reach, reach])[joins]
    label = connected_parts(end, m + meeting[joins], m + places)[1][:m]
    # The reach that stands for a stream: greatest upstream length, then lowest id.
    first = np.lexsort((reach, -network.upstream_length_m.round(6), label))
    outlet = first[np.unique(label[first], return_index=True)[1]]
    order = np.argsort(outlet)
    stream = narrow(np.argsort(order)[np.unique(label, return_inverse=True)[1].ravel()])
    outlet = outlet[order]
    highest = np.zeros(len(outlet), np.int64)
    np.maximum.at(highest, stream, network.strahler)
    below = flows_to[outlet]
    tributaries = np.array([*map(TRIBUTARY.format, spelled), NO_NAME], object)
    own = named[outlet]
    texts = np.where(own, spelled.to_numpy(object)[name[outlet]], tributaries[below])
    count = len(outlet)
    table = pd.DataFrame(
        {
            "stream_id": pd.Series(network.reaches.index[outlet], dtype="str"),
            "stream": pd.Series(texts, dtype="str"),
            "named": own,
            "reaches": np.bincount(stream, minlength=count),
            "length_m": np.bincount(stream, weights=network.length_m, minlength=count),
            "highest_strahler": highest,
        }
    )
    return stream, table


def _named_below(network: Network, name: Ints, named: Bools) -> Ints:
    """Name that the water of each reach comes to first, by the main way down; −1 where none.

    Pointers are doubled: each round looks twice as far as the one before.
    """
    following = network.downstream_next.copy()
    found = np.where(named, name, -1)
    for _ in range(max(len(following), 1).bit_length() + 1):
        open_ = (found < 0) & (following >= 0)
        if not open_.any():
            break
        ahead = following[open_]
        found[open_] = found[ahead]
        on = following.copy()
        on[open_] = np.where(found[open_] < 0, following[ahead], following[open_])
        following = on
    return found
