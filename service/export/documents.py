"""XML files and the account, filled in from the templates beside this module."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from jinja2 import Environment, FileSystemLoader
from markupsafe import Markup

from layers.drawing.colours import COLOURS

__all__ = ["environment", "xml_document"]


@cache
def environment(*, xml: bool = False) -> Environment:
    """Return the templates of this room; every value is escaped, for XML or for HTML."""
    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=xml,
        finalize=_xml_value if xml else None,
    )
    made.filters["g"] = "{:g}".format
    made.filters["rgba"] = _rgba
    made.filters["quoted"] = lambda text: Markup(quoteattr(text))  # noqa: S704
    return made


def xml_document(template: str, **values: Any) -> str:  # noqa: ANN401
    """Fill in an XML file; breaks between elements, which only help to read a template, go."""
    head, body = environment(xml=True).get_template(template).render(values).split("\n", 1)
    joined = re.sub(r">\s+<", "><", body.strip())
    return f"{head}\n{joined}\n"


def _xml_value(value: Any) -> Any:  # noqa: ANN401
    """Escape a value, and leave out of it what XML 1.0 has no way to write."""
    if hasattr(value, "__html__"):
        return value
    text = re.sub("[^\t\n\r -\ud7ff\ue000-\U0010ffff]", "", str(value))
    return Markup(escape(text))  # noqa: S704


def _rgba(colour: str | None) -> str:
    """Red, green, blue and opacity, each 0 … 255; without a colour nothing is seen."""
    red_green_blue = bytes.fromhex((colour or COLOURS["white"])[1:7])
    return ",".join(map(str, (*red_green_blue, 255 if colour else 0)))
