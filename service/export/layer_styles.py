"""How layers look in a GIS: one description, written as SLD 1.0 and as QML.

SLD is OGC 02-070, with the symbology of its version 1.0. QML is read by GIS programs that take
the default style of a layer from the table `layer_styles`; both say the same. Kinds of gear are
told apart by shape and outcomes by filling and a cross, never by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from layers.drawing.colours import COLOURS

__all__ = ["STYLED", "Rule", "layer_rules", "qml", "sld"]

_INK, _CAUGHT, _PAPER, _WATER, _SAND, _CELL = (
    COLOURS[name] for name in ("ink", "found", "sheet", "water", "sand", "cell")
)
# Kind of gear: mark and rotation in degrees in SLD, which has six well-known names, and in QML.
_MARKS: Final = {
    "net": (("triangle", 180), ("triangle", 180)),
    "trap": (("square", 0), ("square", 0)),
    "light": (("circle", 0), ("circle", 0)),
    "haul": (("triangle", 0), ("semi_circle", 180)),
    "current": (("square", 45), ("diamond", 0)),
    "other": (("star", 0), ("pentagon", 0)),
}
_KIND_WORDS: Final = {
    "net": "Net",
    "trap": "Trap",
    "light": "Light",
    "haul": "Hauled net",
    "current": "Electric current",
    "other": "Other gear",
}
_STATES: Final = {
    "caught": ("caught fish", ("caught",), _CAUGHT),
    "nil": ("fished, caught nothing", ("nil",), _PAPER),
    "unusable": ("lost or disturbed", ("lost", "disturbed"), COLOURS["spent"]),
    "unrecorded": ("catch not recorded", ("unrecorded",), COLOURS["unrecorded"]),
}


@dataclass(frozen=True)
class Rule:
    """One line of a legend.

    `where` names columns and the values they may have; all must hold. `mark` is a key of the
    gear kinds, None for lines and areas; without `fill` it is hollow. `limits` are a column, its
    least value, included, and its upper limit, not included.
    """

    label: str
    kind: str  # "mark", "line" or "area"
    where: tuple[tuple[str, tuple[str, ...]], ...] = ()
    mark: str | None = None
    fill: str | None = None
    stroke: str = _INK
    width: float = 1.0  # points
    dash: tuple[float, ...] = ()
    crossed: bool = False
    size: float = 10.0  # points
    limits: tuple[str, float | None, float | None] | None = None


def _placement_rules() -> tuple[Rule, ...]:
    return tuple(
        Rule(
            f"{_KIND_WORDS[kind]}, {words}",
            "mark",
            (("gear_kind", (kind,)), ("outcome", outcomes)),
            mark=kind,
            fill=fill,
            crossed=state == "unusable",
        )
        for kind in _MARKS
        for state, (words, outcomes, fill) in _STATES.items()
    )


_RULES: Final[dict[str, tuple[Rule, ...]]] = {
    "placements": _placement_rules(),
    "detections": (Rule("Species found", "mark", mark="light", fill=_CAUGHT, size=7),),
    "stretches": (Rule("Sampled stretch", "line", stroke=_SAND, width=5),),
    "reaches": (
        Rule("No length sampled", "line", stroke=_WATER, width=1, dash=(4, 3),
             limits=("sampled_fraction", None, 1e-9)),
        Rule("Sampled in part", "line", stroke=_WATER, width=1.5,
             limits=("sampled_fraction", 1e-9, 0.999)),
        Rule("Sampled whole", "line", stroke=_WATER, width=3,
             limits=("sampled_fraction", 0.999, None)),
    ),
    "catchments": (Rule("Catchment", "area", stroke=COLOURS["ridge"], width=1, dash=(5, 3)),),
    "gaps": (Rule("Gap: no sample", "line", stroke=_INK, width=2.5, dash=(1, 3)),),
}  # fmt: skip
STYLED: Final = tuple(_RULES)


def _cell_rule(words: str, low: float, high: float | None, size: float) -> Rule:
    return Rule(
        f"Protected: somewhere in a square of {words}", "mark", mark="trap", stroke=_CELL,
        width=1.5, dash=(4, 3), size=size, limits=("generalised_km", low, high),
    )  # fmt: skip


# Drawn around the mark of a position that is the centre of a grid cell, larger for larger cells.
_CELL_RULES: Final = (
    _cell_rule("1 km", 0.5, 5, 18),
    _cell_rule("10 km", 5, 25, 24),
    _cell_rule("50 km", 25, None, 30),
)


def layer_rules(layer: str, *, cells: bool = False) -> tuple[Rule, ...]:
    """Legend of a layer, top to bottom.

    `cells`: the layer has the column `generalised_km`; what it holds is marked as a cell, beside
    the mark of its gear.
    """
    return (*_CELL_RULES, *_RULES[layer]) if cells else _RULES[layer]


def sld(layer: str, *, cells: bool = False) -> str:
    """Style of a layer as a Styled Layer Descriptor 1.0.0; `cells` as for `layer_rules`."""
    rules = "".join(_sld_rule(rule) for rule in layer_rules(layer, cells=cells))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld"'
        ' xmlns:ogc="http://www.opengis.net/ogc">'
        f"<NamedLayer><Name>{layer}</Name><UserStyle><Title>{layer}</Title>"
        f"<FeatureTypeStyle>{rules}</FeatureTypeStyle></UserStyle></NamedLayer>"
        "</StyledLayerDescriptor>\n"
    )


def _sld_rule(rule: Rule) -> str:
    return f"<Rule><Title>{escape(rule.label)}</Title>{_ogc_filter(rule)}{_sld_symbol(rule)}</Rule>"


def _ogc_filter(rule: Rule) -> str:
    tests = []
    for column, values in rule.where:
        equal = [_compare("PropertyIsEqualTo", column, value) for value in values]
        tests.append(equal[0] if len(equal) == 1 else f"<ogc:Or>{''.join(equal)}</ogc:Or>")
    if rule.limits:
        column, low, high = rule.limits
        if low is not None:
            tests.append(_compare("PropertyIsGreaterThanOrEqualTo", column, f"{low:g}"))
        if high is not None:
            tests.append(_compare("PropertyIsLessThan", column, f"{high:g}"))
    if not tests:
        return ""
    inner = tests[0] if len(tests) == 1 else f"<ogc:And>{''.join(tests)}</ogc:And>"
    return f"<ogc:Filter>{inner}</ogc:Filter>"


def _compare(operator: str, column: str, value: str) -> str:
    return (
        f"<ogc:{operator}><ogc:PropertyName>{column}</ogc:PropertyName>"
        f"<ogc:Literal>{escape(value)}</ogc:Literal></ogc:{operator}>"
    )


def _css(name: str, value: str | float) -> str:
    return f'<CssParameter name="{name}">{value}</CssParameter>'


def _sld_stroke(rule: Rule) -> str:
    dash = _css("stroke-dasharray", " ".join(f"{part:g}" for part in rule.dash))
    return (
        f"<Stroke>{_css('stroke', rule.stroke)}{_css('stroke-width', rule.width)}"
        f"{dash if rule.dash else ''}</Stroke>"
    )


def _sld_symbol(rule: Rule) -> str:
    if rule.kind == "line":
        return f"<LineSymbolizer>{_sld_stroke(rule)}</LineSymbolizer>"
    if rule.kind == "area":
        return f"<PolygonSymbolizer>{_sld_stroke(rule)}</PolygonSymbolizer>"
    name, turned = _MARKS[rule.mark or "other"][0]
    fill = f"<Fill>{_css('fill', rule.fill)}</Fill>" if rule.fill else ""
    marks = [f"<Mark><WellKnownName>{name}</WellKnownName>{fill}{_sld_stroke(rule)}</Mark>"]
    if rule.crossed:
        marks.append(f"<Mark><WellKnownName>cross</WellKnownName>{_sld_stroke(rule)}</Mark>")
    rotation = f"<Rotation>{turned}</Rotation>" if turned else ""
    return "".join(
        f"<PointSymbolizer><Graphic>{mark}<Size>{rule.size:g}</Size>{rotation}</Graphic>"
        "</PointSymbolizer>"
        for mark in marks
    )


def qml(layer: str, *, cells: bool = False) -> str:
    """Style of a layer as QML, with the same rules."""
    rules = layer_rules(layer, cells=cells)
    lines = "".join(
        f'<rule key="r{at}" symbol="{at}" label={quoteattr(rule.label)}'
        + (f" filter={quoteattr(condition)}" if (condition := _expression(rule)) else "")
        + "/>"
        for at, rule in enumerate(rules)
    )
    symbols = "".join(_qml_symbol(str(at), rule) for at, rule in enumerate(rules))
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.28" styleCategories="Symbology">'
        '<renderer-v2 type="RuleRenderer" symbollevels="0" enableorderby="0" forceraster="0">'
        f'<rules key="root">{lines}</rules><symbols>{symbols}</symbols></renderer-v2></qgis>\n'
    )


def _expression(rule: Rule) -> str:
    tests = [
        f'"{column}" IN ({", ".join(repr(value) for value in values)})'
        for column, values in rule.where
    ]
    if rule.limits:
        column, low, high = rule.limits
        tests += [f'"{column}" >= {low:g}'] if low is not None else []
        tests += [f'"{column}" < {high:g}'] if high is not None else []
    return " AND ".join(tests)


def _colour(text: str | None) -> str:
    if text is None:
        return "255,255,255,0"
    return ",".join(str(int(text[at : at + 2], 16)) for at in (1, 3, 5)) + ",255"


def _qml_symbol(name: str, rule: Rule) -> str:
    pen = {"solid": not rule.dash, "pattern": ";".join(f"{part:g}" for part in rule.dash)}
    if rule.kind == "mark":
        kind, layers = "marker", [_qml_mark(rule, *_MARKS[rule.mark or "other"][1])]
        if rule.crossed:
            layers.append(_qml_mark(rule, "cross2", 0))
    else:
        options = {
            "line_color": _colour(rule.stroke),
            "line_width": f"{rule.width:g}",
            "line_width_unit": "Point",
            "line_style": "solid",
            "use_custom_dash": "0" if pen["solid"] else "1",
            "customdash": str(pen["pattern"]) or "5;2",
            "customdash_unit": "Point",
        }
        kind = "line" if rule.kind == "line" else "fill"
        layers = [_qml_layer("SimpleLine", options)]
    return (
        f'<symbol type="{kind}" name="{name}" alpha="1" clip_to_extent="1" force_rhr="0">'
        f"{''.join(layers)}</symbol>"
    )


def _qml_mark(rule: Rule, shape: str, turned: int) -> str:
    return _qml_layer(
        "SimpleMarker",
        {
            "name": shape,
            "color": _colour(rule.fill),
            "outline_color": _colour(rule.stroke),
            "outline_style": "dash" if rule.dash else "solid",
            "outline_width": f"{rule.width:g}",
            "outline_width_unit": "Point",
            "size": f"{rule.size:g}",
            "size_unit": "Point",
            "angle": f"{turned}",
        },
    )


def _qml_layer(kind: str, options: dict[str, str]) -> str:
    inner = "".join(
        f'<Option type="QString" name="{name}" value={quoteattr(value)}/>'
        for name, value in options.items()
    )
    return (
        f'<layer class="{kind}" enabled="1" locked="0" pass="0">'
        f'<Option type="Map">{inner}</Option></layer>'
    )
