"""The seven collections: what they contain, how they are filtered, where they come from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from service.errors import NotFoundError
from service.web.feed.layer_source import (
    LayerSource,
    read_catchments,
    read_gaps,
    read_reaches,
    read_streams,
)
from service.web.feed.record_source import RecordSource

__all__ = ["COLLECTIONS", "Collection", "find_collection"]


@dataclass(frozen=True)
class Collection:
    """One collection of the feed, as `collections.toml` describes it."""

    name: str
    source: RecordSource | LayerSource
    title: str
    description: str
    geometry: str
    filters: dict[str, str]  # parameter: what it selects
    columns: list[str]  # properties of its features


_SOURCES: Final[dict[str, RecordSource | LayerSource]] = {
    "placements": RecordSource("placement"),
    "detections": RecordSource("detection"),
    "stretches": RecordSource("stretch"),
    "reaches": LayerSource("reaches", read_reaches),
    "streams": LayerSource("streams", read_streams),
    "catchments": LayerSource("catchments", read_catchments),
    "gaps": LayerSource("gaps", read_gaps),
}
_DESCRIBED: Final = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
COLLECTIONS: Final = {
    name: Collection(name, _SOURCES[name], **entry) for name, entry in _DESCRIBED.items()
}


def find_collection(name: str) -> Collection:
    """Find a collection; raises NotFoundError where there is none of this name."""
    if name not in COLLECTIONS:
        raise NotFoundError(f"There is no collection {name!r}; there are {', '.join(COLLECTIONS)}.")
    return COLLECTIONS[name]
