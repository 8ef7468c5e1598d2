"""Scripts and styles of a map page, out of installed packages and this one."""

from __future__ import annotations

import base64
import mimetypes
import re
from functools import cache
from importlib import resources
from typing import Final

from layers.drawing.joined_modules import imported_modules
from layers.errors import LayersError

__all__ = ["STYLES", "asset", "asset_text", "inline_style", "map_asset_names", "modules_of"]

STYLES: Final = ("leaflet.css", "colours.css", "view.css")
_SCRIPTS: Final = resources.files("layers.drawing") / "scripts"
_PACKAGE: Final = resources.files("xstatic.pkg.leaflet") / "data"
_LEAFLET: Final = frozenset(
    [
        "leaflet.js",
        "leaflet.css",
        *(f"images/{one.name}" for one in (_PACKAGE / "images").iterdir()),
    ]
)


@cache
def asset(name: str) -> tuple[bytes, str]:
    """Content and media type of one asset; raises LayersError where there is none of this name."""
    place = _SCRIPTS
    if name in _LEAFLET:
        place = _PACKAGE
    elif name not in map_asset_names():
        raise LayersError(f"There is no asset {name!r}.")
    content = place.joinpath(*name.split("/")).read_bytes()
    if name.endswith((".js", ".css")):
        # A browser's tools would look for a source map that is not served.
        content = re.sub(rb"\n//# sourceMappingURL=\S+\s*$", b"\n", content)
    return content, mimetypes.guess_type(name)[0] or "application/octet-stream"


@cache
def map_asset_names() -> tuple[str, ...]:
    """Names of all assets."""
    own = {one.name for one in _SCRIPTS.iterdir() if one.name.endswith((".js", ".css"))}
    return tuple(sorted(own | _LEAFLET))


@cache
def modules_of(name: str) -> tuple[str, ...]:
    """Name of a module and of all that it needs, so that a page can fetch them at once."""
    found = {name: None}
    for each in imported_modules(asset_text(name)):
        found |= dict.fromkeys(modules_of(each))
    return tuple(found)


def asset_text(name: str) -> str:
    """Text of a script or style; raises LayersError where there is none of this name."""
    return asset(name)[0].decode()


def inline_style(name: str) -> str:
    """Style text that can stand inside a `style` element, its pictures as data addresses."""
    text = asset_text(name)

    def picture(match: re.Match[str]) -> str:
        address = match.group(1)
        if not address.startswith("images/"):
            return match.group(0)
        content, kind = asset(address)
        return f"url(data:{kind};base64,{base64.b64encode(content).decode()})"

    return re.sub(r"url\(([^)]+)\)", picture, text)
