"""Colours of pages, maps, figures and layer styles: the one table, `scripts/colours.css`."""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from layers.drawing.map_assets import asset_text

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["COLOURS"]

COLOURS: Final[Mapping[str, str]] = MappingProxyType(
    dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]+);", asset_text("colours.css")))
)
"""Colour of each name, as `#rrggbb` or `#rrggbbaa`."""
