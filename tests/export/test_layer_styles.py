"""Layer styles against the formats they are written in.

SLD 1.0.0 is OGC 02-070: the order of elements below is that of its schema, StyledLayerDescriptor,
as programs that read it repeat it beside their code. QML has no published schema; what is held
here is common practice, no source: the elements and options that GIS programs write themselves.
"""

import re
import sqlite3
from contextlib import closing
from xml.etree import ElementTree as ET

import pyogrio
import pytest

from service.export.layer_styles import STYLED, layer_rules, qml, sld
from tests.handed_over import hand_over

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
# Children of each element, in order: a name, and how often it may stand there.
ANY, ONE, MAYBE = "*", "1", "?"
SEQUENCES = {
    "StyledLayerDescriptor": [("Name", MAYBE), ("NamedLayer", ANY)],
    "NamedLayer": [("Name", ONE), ("UserStyle", ANY)],
    "UserStyle": [("Name", MAYBE), ("Title", MAYBE), ("Abstract", MAYBE), ("IsDefault", MAYBE),
                  ("FeatureTypeStyle", ANY)],
    "FeatureTypeStyle": [("Name", MAYBE), ("Title", MAYBE), ("FeatureTypeName", MAYBE),
                         ("Rule", ANY)],
    "Rule": [("Name", MAYBE), ("Title", MAYBE), ("Abstract", MAYBE), ("LegendGraphic", MAYBE),
             ("Filter", MAYBE), ("MinScaleDenominator", MAYBE), ("MaxScaleDenominator", MAYBE),
             ("LineSymbolizer|PointSymbolizer|PolygonSymbolizer", ANY)],
    "PointSymbolizer": [("Geometry", MAYBE), ("Graphic", MAYBE)],
    "LineSymbolizer": [("Geometry", MAYBE), ("Stroke", MAYBE)],
    "PolygonSymbolizer": [("Geometry", MAYBE), ("Fill", MAYBE), ("Stroke", MAYBE)],
    "Graphic": [("Mark", ANY), ("Opacity", MAYBE), ("Size", MAYBE), ("Rotation", MAYBE)],
    "Mark": [("WellKnownName", MAYBE), ("Fill", MAYBE), ("Stroke", MAYBE)],
    "Fill": [("GraphicFill", MAYBE), ("CssParameter", ANY)],
    "Stroke": [("GraphicFill|GraphicStroke", MAYBE), ("CssParameter", ANY)],
}  # fmt: skip
MARKS = {"square", "circle", "triangle", "star", "cross", "x"}  # 02-070, WellKnownName
STROKE = {"stroke", "stroke-opacity", "stroke-width", "stroke-linejoin", "stroke-linecap",
          "stroke-dasharray", "stroke-dashoffset"}  # fmt: skip
FILL = {"fill", "fill-opacity"}
WRITTEN = [(name, cells) for name in STYLED for cells in (False, True)]


def pattern_of(sequence):
    return "".join(f"(?:(?:{name}) ){'' if often == ONE else often}" for name, often in sequence)


@pytest.mark.parametrize(("name", "cells"), WRITTEN)
def test_sld_follows_the_order_of_its_schema(name, cells):
    """OGC 02-070: every element holds what it may, in order; values are of their kind."""
    root = ET.fromstring(sld(name, cells=cells))
    assert root.tag == f"{SLD}StyledLayerDescriptor"
    assert root.attrib == {"version": "1.0.0"}
    for node in root.iter():
        own = node.tag.removeprefix(SLD)
        if own in SEQUENCES:
            children = "".join(f"{child.tag.split('}')[1]} " for child in node)
            assert re.fullmatch(pattern_of(SEQUENCES[own]), children), (own, children)
    for node in root.iter(f"{SLD}WellKnownName"):
        assert node.text in MARKS
    for kind, known in (("Stroke", STROKE), ("Fill", FILL)):
        for node in root.iter(f"{SLD}{kind}"):
            given = {css.get("name"): css.text for css in node}
            assert set(given) <= known
            assert re.fullmatch(r"#[0-9a-f]{6}", given[kind.lower()])
    for node in (*root.iter(f"{SLD}Size"), *root.iter(f"{SLD}Rotation")):
        assert float(node.text) >= 0
    assert len(list(root.iter(f"{SLD}Rule"))) == len(layer_rules(name, cells=cells))


@pytest.mark.parametrize(("name", "cells"), WRITTEN)
def test_filters_are_those_of_filter_encoding(name, cells):
    """OGC 02-059: one operator in a filter; a comparison is a property and a literal."""
    compared = {"PropertyIsEqualTo", "PropertyIsLessThan", "PropertyIsGreaterThanOrEqualTo"}
    for node in ET.fromstring(sld(name, cells=cells)).iter():
        own = node.tag.removeprefix(OGC)
        children = [child.tag.removeprefix(OGC) for child in node]
        if own == "Filter":
            assert len(children) == 1
        elif own in ("And", "Or"):
            assert len(children) >= 2
            assert set(children) <= compared | {"And", "Or"}
        elif own in compared:
            assert children == ["PropertyName", "Literal"]
            assert node[0].text
            assert node[1].text


@pytest.mark.parametrize(("name", "cells"), WRITTEN)
def test_qml_is_a_rule_renderer_with_a_symbol_for_every_rule(name, cells):
    """Each rule names a symbol that is there, of a kind and with layers that fit the geometry."""
    root = ET.fromstring(qml(name, cells=cells))
    assert root.tag == "qgis"
    renderer = root.find("renderer-v2")
    assert renderer.get("type") == "RuleRenderer"
    rules = renderer.findall("rules/rule")
    symbols = {symbol.get("name"): symbol for symbol in renderer.findall("symbols/symbol")}
    assert [rule.get("symbol") for rule in rules] == list(symbols)
    assert len({rule.get("key") for rule in rules}) == len(rules)
    fitting = {"marker": {"SimpleMarker"}, "line": {"SimpleLine"}, "fill": {"SimpleLine"}}
    for symbol in symbols.values():
        layers = symbol.findall("layer")
        assert layers
        assert {layer.get("class") for layer in layers} <= fitting[symbol.get("type")]
        for layer in layers:
            options = layer.find("Option[@type='Map']")
            given = {option.get("name"): option.get("value") for option in options}
            for key, value in given.items():
                if key.endswith("color"):
                    parts = [int(part) for part in value.split(",")]
                    assert len(parts) == 4
                    assert all(0 <= part <= 255 for part in parts)
                if key.endswith("_unit"):
                    assert value == "Point"
                if key in ("size", "outline_width", "line_width", "angle"):
                    float(value)


def test_expressions_of_both_languages_choose_the_same_features():
    """What a rule of QML lets through in SQLite is what its SLD filter does in plain Python."""
    path = hand_over("gpkg", "public")
    for name in ("placements", "reaches"):
        cells = name == "placements"
        frame = pyogrio.read_dataframe(path, layer=name, read_geometry=False)
        rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
        filters = [node.find(f"{OGC}Filter") for node in
                   ET.fromstring(sld(name, cells=cells)).iter(f"{SLD}Rule")]  # fmt: skip
        rules = ET.fromstring(qml(name, cells=cells)).findall("renderer-v2/rules/rule")
        chosen = 0
        with closing(sqlite3.connect(path)) as file:
            for rule, asked in zip(rules, filters, strict=True):
                (count,) = file.execute(
                    f"SELECT count(*) FROM {name} WHERE {rule.get('filter')}"
                ).fetchone()
                assert count == sum(lets_through(asked[0], row) for row in rows)
                chosen += count
        assert chosen >= len(frame) > 0  # none is without a mark


def lets_through(node, row):
    own = node.tag.removeprefix(OGC)
    if own in ("And", "Or"):
        return (all if own == "And" else any)(lets_through(child, row) for child in node)
    value, literal = row[node[0].text], node[1].text
    if value is None:
        return False
    if own == "PropertyIsEqualTo":
        return value == literal
    return value < float(literal) if own == "PropertyIsLessThan" else value >= float(literal)


@pytest.mark.parametrize("audience", ["public", "precise"])
def test_layer_styles_has_the_columns_that_are_looked_for(audience):
    """Columns, one default style for each layer, and the geometry column it is for.

    Columns as in the GeoPackage extension `qgis_layer_styles` (P. Kalberer, qgpkg), under the
    name by which programs ask.
    """
    with closing(sqlite3.connect(hand_over("gpkg", audience))) as file:
        columns = [row[1] for row in file.execute("PRAGMA table_info('layer_styles')")]
        assert columns == [
            "id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column",
            "styleName", "styleQML", "styleSLD", "useAsDefault", "description", "owner", "ui",
            "update_time",
        ]  # fmt: skip
        asked = (
            "SELECT s.f_table_name, length(s.styleName) FROM layer_styles s"
            " JOIN gpkg_geometry_columns g ON g.table_name = s.f_table_name"
            " AND g.column_name = s.f_geometry_column"
            " WHERE s.useAsDefault = 1 AND s.f_table_catalog = '' AND s.f_table_schema = ''"
        )
        styled = dict(file.execute(asked))
        assert set(styled) == set(STYLED)
        assert max(styled.values()) <= 30
        (text,) = file.execute(
            "SELECT styleQML FROM layer_styles WHERE f_table_name = 'placements'"
        ).fetchone()
        assert ("generalised_km" in text) == (audience == "public")
