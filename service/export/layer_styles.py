"""How layers look in a GIS: one description, written as SLD 1.0 and as QML.

SLD is OGC 02-070, with the symbology of its version 1.0. QML is read by GIS programs that take
the default style of a layer from the table `layer_styles`; both say the same. Kinds of gear are
distinguished by shape and outcomes by filling and a cross, never by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from layers.drawing.colours import COLOURS
from service.export.documents import xml_document

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

    @property
    def bounds(self) -> list[tuple[str, str, float]]:
        """Each limit that there is: its column, how it is compared, and its value."""
        if self.limits is None:
            return []
        column, low, high = self.limits
        both = ((column, ">=", low), (column, "<", high))
        return [(name, sign, value) for name, sign, value in both if value is not None]

    @property
    def expression(self) -> str:
        """Condition of the rule in the language of QML; empty = always."""
        tests = [f'"{column}" IN ({", ".join(map(repr, values))})' for column, values in self.where]
        tests += [f'"{column}" {sign} {value:g}' for column, sign, value in self.bounds]
        return " AND ".join(tests)


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
    "streams": (Rule("Stream", "line", stroke=_WATER, width=2),),
    "gaps": (Rule("Gap: no visit", "line", stroke=_INK, width=2.5, dash=(1, 3)),),
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
    rules = layer_rules(layer, cells=cells)
    return xml_document("style.sld", layer=layer, rules=rules, marks=_MARKS)


def qml(layer: str, *, cells: bool = False) -> str:
    """Style of a layer as QML, with the same rules."""
    return xml_document("style.qml", rules=layer_rules(layer, cells=cells), marks=_MARKS)
