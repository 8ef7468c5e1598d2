"""What maps may draw beneath the records."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote, urlsplit

from flask import url_for
from markupsafe import escape

from service.web.context import current_settings, current_store

__all__ = ["backgrounds"]


def tile_address(name: str, digest: str) -> str:
    """Address of the tiles of a background, with `{z}`, `{x}` and `{y}` in it.

    The digest makes it another one when the background is replaced, so that tiles may be kept.
    """
    root = url_for("map.show").rstrip("/")
    return f"{root}/background/{quote(name, safe='')}/{{z}}/{{x}}/{{y}}?v={digest[:12]}"


def backgrounds() -> list[dict[str, Any]]:
    """Backgrounds of the store in the order of loading, then the configured one, if any.

    `name`, `url`, `attribution` as HTML; of those of the store `zooms` and `bounds` too
    (`service.records.Background`).
    """
    listed: list[dict[str, Any]] = [
        {
            "name": one.name,
            "url": tile_address(one.name, one.digest),
            "attribution": str(escape(one.attribution)),
            "zooms": one.zooms,
            "bounds": one.bounds,
        }
        for one in current_store().backgrounds()
    ]
    settings = current_settings()
    if settings.shows_tiles:
        listed.append(
            {
                "name": urlsplit(settings.tile_url.replace("{s}", "tiles")).netloc,
                "url": settings.tile_url,
                "attribution": settings.tile_attribution,
            }
        )
    return listed
