"""Scripts, styles and templates as they are written: colours from one table, lines of a width."""

import re
from pathlib import Path

import pytest
from matplotlib.colors import CSS4_COLORS

from layers.drawing.colours import COLOURS

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "layers/drawing/scripts/colours.css"
HEX = r"#(?:[0-9a-fA-F]{6}(?:[0-9a-fA-F]{2})?|[0-9a-fA-F]{3,4})"
# The names of CSS Color Module Level 4, as matplotlib lists them.
NAMED = rf"(?<![\w-])(?:{'|'.join(CSS4_COLORS)}|rgba?\(|hsla?\(|oklch\(|lab\()(?![\w-])"


def sources(*endings):
    found = [
        path
        for room in ("layers", "service")
        for path in sorted((ROOT / room).rglob("*"))
        if path.suffix in endings and "__pycache__" not in path.parts
    ]
    assert found
    return found


def literals(path, text):
    """Colours that a file names itself."""
    if path.suffix == ".css":
        values = " ".join(re.findall(r":\s([^;{}]+)[;}]", re.sub(r"(?s)/\*.*?\*/", "", text)))
        return re.findall(rf"{HEX}\b|{NAMED}", values)
    if path.suffix == ".js":
        by_option = r"""(?:[cC]olor|fill|stroke)\w*: ["'](?!none)[^"']*["']"""
        return re.findall(rf"""["']{HEX}["']|["']rgba?\(|{by_option}""", text)
    if path.suffix == ".py":
        return re.findall(rf"""["']{HEX}["']|[cC]olor=["'](?!none)[^"']*["']""", text)
    style = " ".join(re.findall(r"(?s)<style>.*?</style>", text))
    attributes = re.findall(r"""(?:fill|stroke|color)=["']([^"'{]*)["']""", text)
    return re.findall(rf"[:\s,(]({HEX})[\s;,)]", style) + [
        one for one in attributes if one not in ("none", "currentcolor")
    ]


@pytest.mark.parametrize("path", sources(".css", ".js", ".html", ".py"), ids=lambda path: path.name)
def test_colours_come_from_the_one_table(path):
    """A colour that is changed in the table changes on pages, maps, figures and in a GIS."""
    if path != TABLE:
        assert literals(path, path.read_text(encoding="utf-8")) == []


def test_every_colour_is_there_and_used():
    """No style or script names a colour that the table lacks; none stands in it for nothing."""
    styles = "".join(path.read_text(encoding="utf-8") for path in sources(".css"))
    styled = set(re.findall(r"var\(--([a-z0-9-]+)\)", styles))
    scripts = "".join(path.read_text(encoding="utf-8") for path in sources(".js"))
    drawn = set(re.findall(r'colour\("([a-z0-9-]+)"\)', scripts))
    python = "".join(path.read_text(encoding="utf-8") for path in sources(".py", ".html"))
    assert styled - {"shades"} <= set(COLOURS)
    assert drawn <= set(COLOURS)
    assert len(COLOURS) > 40
    for name in set(COLOURS) - styled - drawn:
        assert f'"{name}"' in python or name.startswith("figure-"), name


@pytest.mark.parametrize("path", sources(".css", ".js", ".html"), ids=lambda path: path.name)
def test_no_line_is_longer_than_a_reader_can_follow(path):
    """100 characters, as ruff and Prettier keep it in what they format."""
    lines = path.read_text(encoding="utf-8").splitlines()
    assert [number for number, line in enumerate(lines, 1) if len(line) > 100] == []
