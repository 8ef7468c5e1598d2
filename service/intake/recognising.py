"""Which of our sheets a table is, by its columns; and sheets that need no mapping file."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from service.intake.columns import SHEETS, known_names, plain
from service.intake.headers import Header, Names, spelt
from service.intake.mapping import Mapping
from service.intake.shapes import Shape
from service.intake.wording import say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping as Dict
    from collections.abc import Sequence

    from service.intake.findings import Cells, Findings
    from service.intake.mapping import Rules

__all__ = ["by_content", "recognised"]

_SECONDS: Final = re.compile(r"secondspass([1-6])")
_OF_A_PASS: Final = re.compile(r"(.+) pass ([1-9])")


def by_content(tables: Sequence[Cells], mapping: Mapping, findings: Findings) -> dict[str, Cells]:
    """Find the table that has all columns which the rules of a sheet read.

    A sheet for which none or several are found is refused, but for fish that stand in the sheet
    of placements.
    """
    raw: dict[str, Cells] = {}
    for sheet in SHEETS:
        needed = mapping.needs(sheet)
        if sheet in ("placements", "catches") and mapping.shape.columns:
            separate = bool(mapping.sheets["catches"].get("placement_id"))
            if separate == (sheet == "catches"):
                needed |= set(mapping.shape.columns)
        if sheet == "lengths" and mapping.shape.rows == "fish":
            continue
        if not needed:
            continue
        own = [table for table in tables if needed <= set(table.frame.columns)]
        with_fish = sheet == "catches" and mapping.shape.one_sheet and "placements" in raw
        if with_fish and any(table.frame is raw["placements"].frame for table in own):
            continue
        if len(own) == 1:
            raw[sheet] = replace(own[0], sheet=sheet)
        elif own:
            names = ", ".join(table.file for table in own)
            findings.refuse_file(
                mapping.file, say("mapping_unclear.several", sheet=sheet, files=names)
            )
        else:
            headers = sorted({name for table in tables for name in table.frame.columns})
            lacking = sorted(needed - set(headers)) or sorted(needed)
            said = say(
                "mapping_unclear.none",
                sheet=sheet,
                columns=", ".join(lacking),
                near=did_you_mean(lacking[0], headers),
            )
            findings.refuse_file(mapping.file, said)
    used = [id(cells.frame) for cells in raw.values()]
    for table in tables:
        if id(table.frame) not in used:
            findings.note(table.file, say("unread_sheet"), "")
    return raw


def recognised(
    raw: Dict[str, Cells], tables: Sequence[Cells], species: pd.DataFrame | None
) -> Mapping | None:
    """Make the mapping of sheets whose columns all have our names, whatever their shape.

    `raw` has sheets that somebody said are these, `tables` those of which nobody said what they
    are. A column under exactly one of the names of the store's `species` has counts of it. None
    where nothing has to be told apart or brought into another shape.
    """
    if "catches" in raw or ("placements" not in raw and not tables):
        return None
    names = Names(species if species is not None else pd.DataFrame())
    rules: dict[str, Rules] = {sheet: {} for sheet in SHEETS}
    for table in [raw["placements"]] if "placements" in raw else tables:
        sheet = "placements" if "placements" in raw else _sheet_of(table)
        if sheet and not rules[sheet]:
            rules[sheet] = _own_names(sheet, table)
            if sheet == "placements":
                main = table
    if not rules["placements"]:
        return None
    shape = Shape()
    if not rules["catches"]:
        shape = _shape_of(main, names, rules)
    if not tables and not shape.one_sheet and len(rules["placements"].get("minutes", [])) < 2:
        return None
    return Mapping("", rules, {}, None, shape)


def _own_names(sheet: str, table: Cells) -> Rules:
    known = known_names(sheet)
    found = {known.get(plain(name)): name for name in table.frame.columns}
    rules: Rules = {ours: [{"from": name}] for ours, name in found.items() if ours}
    for name in table.frame.columns if sheet == "placements" else ():
        if fit := _SECONDS.fullmatch(plain(name)):
            rules.setdefault(f"minutes_pass_{fit[1]}", [{"from": name, "unit": "s"}])
    return rules


def _sheet_of(table: Cells) -> str:
    """Tell which sheet has these columns, by those that it needs; '' where none does."""
    names = {sheet: set(_own_names(sheet, table)) for sheet in SHEETS}
    if {"placement_id", "method", "set_at"} <= names["placements"]:
        return "placements"
    if {"placement_id", "species"} <= names["catches"]:
        return "lengths" if names["lengths"] & {"length_mm", "weight_g"} else "catches"
    if "survey" in names["surveys"] and names["surveys"] & {"leader", "timezone", "permit", "crs"}:
        return "surveys"
    return "sites" if {"site", "name"} <= names["sites"] else ""


def _shape_of(table: Cells, names: Names, rules: dict[str, Rules]) -> Shape:
    """Tell the shape of a sheet of placements that may have fish too; adds their rules."""
    catches = _own_names("catches", table)
    lengths = _own_names("lengths", table)
    if "species" in catches:
        own = rules["placements"]
        ids = table.column(own["placement_id"][0]["from"] if "placement_id" in own else "")
        rules["catches"] = {name: rule for name, rule in catches.items() if name not in own}
        for name in sorted(own.keys() & (catches.keys() - {"placement_id"})):
            cells = table.frame.groupby(ids.to_numpy(object))[own[name][0]["from"]]
            if cells.nunique().max() > 1:
                rules["catches"][name] = own.pop(name)
        measured = {"length_mm", "weight_g"} & lengths.keys()
        if measured:
            own_type = {"length_type"} & lengths.keys()
            rules["lengths"] = {name: lengths[name] for name in sorted(measured | own_type)}
        return Shape("fish" if measured else "catch")
    columns: dict[str, dict[str, str]] = {}
    for header in Header.of(table):
        words = spelt(header.text)
        fit = _OF_A_PASS.fullmatch(words)
        name = names.find(fit[1] if fit else words, exact=True)
        if name and plain(header.text) not in known_names("placements"):
            columns[header.text] = {"species": name} | ({"pass_no": fit[2]} if fit else {})
    return Shape(columns=columns)
