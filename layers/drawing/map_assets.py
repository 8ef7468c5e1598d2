"""Scripts and styles of a map page, out of installed packages and this one."""

from __future__ import annotations

import base64
import mimetypes
import re
from functools import cache
from importlib import resources
from typing import Final

from layers.errors import LayersError

__all__ = ["LIVE_SCRIPTS", "SCRIPTS", "STYLES", "asset", "inline_script", "inline_style"]

# Order matters: each script builds on those before it.
SCRIPTS: Final = (
    "leaflet.js", "numbers.js", "fetching.js", "marks.js", "cards.js", "panel.js", "view.js",
)  # fmt: skip
# Those of a map that fetches what is in view.
LIVE_SCRIPTS: Final = (
    "leaflet.js", "numbers.js", "fetching.js", "marks.js", "cards.js", "panel.js",
    "screen_paths.js", "live.js", "view.js",
)  # fmt: skip
STYLES: Final = ("leaflet.css", "view.css")
_LEAFLET: Final = frozenset(
    {
        "leaflet.js",
        "leaflet.css",
        "images/layers.png",
        "images/layers-2x.png",
        "images/marker-icon.png",
        "images/marker-icon-2x.png",
        "images/marker-shadow.png",
    }
)
_OWN: Final = frozenset(
    {
        "cards.js",
        "fetching.js",
        "live.js",
        "marks.js",
        "numbers.js",
        "panel.js",
        "screen_paths.js",
        "view.css",
        "view.js",
    }
)


@cache
def asset(name: str) -> tuple[bytes, str]:
    """Content and media type of one asset.

    Raises
    ------
    LayersError
        There is no asset of this name.
    """
    if name in _LEAFLET:
        place = resources.files("xstatic.pkg.leaflet") / "data"
    elif name in _OWN:
        place = resources.files("layers.drawing") / "scripts"
    else:
        raise LayersError(f"There is no asset {name!r}.")
    content = place.joinpath(*name.split("/")).read_bytes()
    if name.endswith((".js", ".css")):
        # A browser's tools would look for a source map that is not served.
        content = re.sub(rb"\n//# sourceMappingURL=\S+\s*$", b"\n", content)
    return content, mimetypes.guess_type(name)[0] or "application/octet-stream"


def inline_script(name: str) -> str:
    """Script text that can stand inside a `script` element.

    Raises
    ------
    LayersError
        The text would end the element early.
    """
    text = asset(name)[0].decode()
    if re.search(r"</script|<!--", text, re.IGNORECASE):
        raise LayersError(f"{name} cannot stand inside a page: it holds an end of script.")
    return text


def inline_style(name: str) -> str:
    """Style text that can stand inside a `style` element, its pictures as data addresses."""
    text = asset(name)[0].decode()

    def picture(match: re.Match[str]) -> str:
        address = match.group(1)
        if not address.startswith("images/"):
            return match.group(0)
        content, kind = asset(address)
        return f"url(data:{kind};base64,{base64.b64encode(content).decode()})"

    return re.sub(r"url\(([^)]+)\)", picture, text)
