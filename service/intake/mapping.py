"""Other people's sheets, by a mapping file: how their columns become ours, without editing them.

A mapping is TOML. A table named like a sheet gives, for each of our columns, where it comes from:

    [placements]
    placement_id = "sample"                                   # their column
    survey = { constant = "Brook 2024" }
    site = { text = "{river} {point}" }                       # several columns in one text
    set_at = { from = ["set_utc", "day"], utc = ["set_utc"] } # the first that is filled; in UTC
    minutes = { from = "seconds", unit = "s" }                # converted to our unit
    method = { from = "gear", values = { "e-fisher" = "electric_fishing" } }
    lifts = [{ from = "effort", when = { effort_unit = "lifts" } }]   # only in these rows

`[catches]` and `[lengths]` may say `{ from_placement = "their column" }` to look a value up in the
placement sheet. `[species]` names the columns of the catch sheet that make a species list.
`[fold]` joins rows that hold one pass each into one placement.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from service.intake.columns import SHEETS
from service.intake.findings import Cells
from service.intake.folding import Fold, fold_passes
from service.intake.numbers import UNITS, read_number
from service.intake.wording import say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping as Dict
    from pathlib import Path

    from service.intake.findings import Findings
    from service.intake.times import DateOrder
    from service.intake.wording import Wording

__all__ = ["Mapping", "apply_mapping"]

_KEYS: Final = {
    "from",
    "constant",
    "text",
    "from_placement",
    "unit",
    "values",
    "utc",
    "when",
}
_TOP: Final = {*SHEETS, "fold", "species", "about"}
_SPECIES: Final = ("species", "vernacular_name", "rank", "family", "taxon_id")


@dataclass(frozen=True)
class Mapping:
    """A mapping file as read: column rules by sheet, folding, and the species columns."""

    file: str
    sheets: dict[str, dict[str, list[dict[str, Any]]]]
    species: dict[str, dict[str, Any]]
    fold: Fold | None

    @classmethod
    def read(cls, path: Path, findings: Findings) -> Mapping | None:
        """Read a mapping file; what is wrong with it goes to `findings`."""
        try:
            read = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
            findings.refuse_file(path.name, say("mapping_unclear.toml", problem=problem))
            return None
        except RecursionError:
            findings.refuse_file(path.name, "mapping_unclear.nested")
            return None
        faults = [
            say("mapping_unclear.table", name=name, near=did_you_mean(name, sorted(_TOP)))
            for name in read
            if name not in _TOP
        ]
        sheets: dict[str, dict[str, list[dict[str, Any]]]] = {}
        for sheet in SHEETS:
            known = {column.name: column.unit for column in SHEETS[sheet]}
            rules = read.get(sheet, {})
            sheets[sheet] = {ours: _rules(rule) for ours, rule in rules.items()}
            for ours in rules:
                faults += _faults(sheet, ours, sheets[sheet][ours], known)
        species = {ours: _rules(rule)[0] for ours, rule in read.get("species", {}).items()}
        faults += [
            say("mapping_unclear.species", column=name, columns=", ".join(_SPECIES))
            for name in species
            if name not in _SPECIES
        ]
        fold = Fold.read(read["fold"], faults) if "fold" in read else None
        for fault in faults:
            findings.refuse_file(path.name, fault)
        return None if faults else cls(path.name, sheets, species, fold)


def apply_mapping(
    mapping: Mapping,
    raw: Dict[str, Cells],
    findings: Findings,
    date_order: DateOrder | None = None,
) -> tuple[dict[str, Cells], pd.DataFrame | None]:
    """Turn sheets under other people's headers into ours.

    Returns
    -------
    sheets
        Under our headers; a sheet that the mapping has no table for is left as it is.
    species
        Species list made of the catch sheet, where the mapping names its columns.
    """
    theirs = raw.get("placements")
    keys = None
    out: dict[str, Cells] = {}
    for sheet in SHEETS:
        rules = mapping.sheets[sheet]
        cells = raw.get(sheet)
        if cells is None and rules and sheet == "surveys":
            cells = Cells(sheet, mapping.file, pd.DataFrame(index=pd.RangeIndex(2, 3)))
        if cells is None:
            continue
        if not rules:
            out[sheet] = cells
            continue
        if sheet in ("catches", "lengths") and theirs is not None and "placements" in out:
            keys = pd.Series(np.arange(len(theirs.frame)), out["placements"].column("placement_id"))
            keys = keys[~keys.index.duplicated()]
        columns: dict[str, pd.Series] = {}
        for ours, parts in rules.items():
            unit = next(column.unit for column in SHEETS[sheet] if column.name == ours)
            done = _column(parts, columns, cells, theirs, keys, unit, mapping.file, ours, findings)
            columns[ours] = done
        frame = pd.DataFrame(columns, index=cells.frame.index)
        out[sheet] = Cells(sheet, cells.file, frame, cells.decimal_comma)
        _say_what_is_left(mapping, rules, cells, findings)
    species = None
    if mapping.species and "catches" in raw:
        species = _species(mapping, raw["catches"], findings)
    if mapping.fold is not None and theirs is not None and "placements" in out:
        out = fold_passes(mapping.fold, theirs, out, findings, mapping.file, date_order)
    return out, species


def _rules(rule: object) -> list[dict[str, Any]]:
    parts = rule if isinstance(rule, list) else [rule]
    return [part if isinstance(part, dict) else {"from": part} for part in parts]


def _faults(
    sheet: str, ours: str, parts: list[dict[str, Any]], known: Dict[str, str]
) -> list[Wording]:
    at = {"sheet": sheet, "column": ours}
    if ours not in known:
        return [say("mapping_unclear.column", **at, near=did_you_mean(ours, list(known)))]
    faults = []
    for part in parts:
        strange = set(part) - _KEYS
        if strange:
            faults.append(say("mapping_unclear.keys", **at, keys=", ".join(sorted(strange))))
        if len(set(part) & {"from", "constant", "text", "from_placement"}) != 1:
            faults.append(say("mapping_unclear.source", **at))
        units = UNITS.get(known[ours], {})
        if "unit" in part and part["unit"] not in {known[ours], *units}:
            choices = ", ".join([known[ours], *units]) or "none, as it has no unit"
            faults.append(say("mapping_unclear.unit", **at, unit=part["unit"], units=choices))
    return faults


def _column(
    parts: list[dict[str, Any]],
    done: Dict[str, pd.Series],
    cells: Cells,
    theirs: Cells | None,
    keys: pd.Series | None,
    unit: str,
    file: str,
    ours: str,
    findings: Findings,
) -> pd.Series:
    """One of our columns: the first rule that gives a value in a row."""
    value = pd.Series("", index=cells.frame.index, dtype="str")
    for part in parts:
        absent = _needs(part) - set(cells.frame.columns)
        if absent:
            said = say(
                "mapping_unclear.absent",
                sheet=cells.sheet,
                column=ours,
                file=cells.file,
                absent=", ".join(sorted(absent)),
                near=did_you_mean(min(absent), list(cells.frame.columns)),
            )
            findings.refuse_file(file, said)
            continue
        if "from_placement" in part:
            new = _looked_up(part["from_placement"], done, theirs, keys, cells)
        else:
            new = _raw(part, cells)
        if "values" in part:
            new = new.map({name: str(value) for name, value in part["values"].items()}).fillna(new)
        if "unit" in part and part["unit"] != unit:
            new = _converted(new, *UNITS[unit][part["unit"]], cells.decimal_comma)
        for column, wanted in part.get("when", {}).items():
            allowed = wanted if isinstance(wanted, list) else [wanted]
            new = new.where(cells.frame[column].isin([str(one) for one in allowed]), "")
        value = value.where(value != "", new)
    return value


def _needs(part: Dict[str, Any]) -> set[str]:
    """Their columns that a rule reads."""
    names = set(part.get("when", {}))
    if "from" in part:
        names |= set(part["from"] if isinstance(part["from"], list) else [part["from"]])
    if "text" in part:
        names |= set(re.findall(r"\{([^{}]+)\}", part["text"]))
    return names


def _raw(part: Dict[str, Any], cells: Cells) -> pd.Series:
    index = cells.frame.index
    if "constant" in part:
        return pd.Series(str(part["constant"]), index=index, dtype="str")
    if "text" in part:
        text = pd.Series("", index=index, dtype="str")
        filled = pd.Series(False, index=index)
        for piece in re.split(r"(\{[^{}]+\})", part["text"]):
            if piece.startswith("{") and piece.endswith("}"):
                own = cells.frame[piece[1:-1]]
                filled |= own != ""
                text = text + own
            else:
                text = text + piece
        return text.where(filled, "")
    names = part["from"] if isinstance(part["from"], list) else [part["from"]]
    utc = part.get("utc", [])
    text = pd.Series("", index=index, dtype="str")
    for name in names:
        own = cells.column(name)
        if utc is True or name in utc:
            own = own.where((own == "") | own.str.endswith("Z"), own + "Z")
        text = text.where(text != "", own)
    return text


def _looked_up(
    name: str,
    done: Dict[str, pd.Series],
    theirs: Cells | None,
    keys: pd.Series | None,
    cells: Cells,
) -> pd.Series:
    empty = pd.Series("", index=cells.frame.index, dtype="str")
    if theirs is None or keys is None or "placement_id" not in done:
        return empty
    row = keys.reindex(done["placement_id"]).to_numpy(float)
    known = ~np.isnan(row)
    values = theirs.column(name).to_numpy(object)
    empty[known] = values[row[known].astype(np.int64)]
    return empty


def _converted(texts: pd.Series, factor: float, offset: float, decimal_comma: bool) -> pd.Series:
    """Numbers in our unit; what is no number stays, to be refused with its place."""

    def convert(text: str) -> str:
        number = read_number(text, decimal_comma=decimal_comma) if text else text
        return repr(number * factor + offset) if isinstance(number, float) else text

    converted = {text: convert(text) for text in texts.unique().tolist()}
    return texts.map(converted).astype("str")


def _species(mapping: Mapping, catches: Cells, findings: Findings) -> pd.DataFrame:
    columns = {}
    for ours, part in mapping.species.items():
        none: dict[str, pd.Series] = {}
        columns[ours] = _column([part], none, catches, None, None, "", mapping.file, ours, findings)
    listed = pd.DataFrame(columns)
    if "species" not in listed:
        return listed.head(0)
    listed = listed[listed["species"] != ""].drop_duplicates("species").sort_values("species")
    return listed.reset_index(drop=True)


def _say_what_is_left(
    mapping: Mapping, rules: Dict[str, list[dict[str, Any]]], cells: Cells, findings: Findings
) -> None:
    parts = [part for own in rules.values() for part in own]
    if cells.sheet == "catches":
        parts += mapping.species.values()
    used = set().union(*map(_needs, parts))
    left = [name for name in cells.frame.columns if name not in used]
    if left:
        said = say("unmapped_columns", mapping=mapping.file, columns=", ".join(left))
        findings.note(cells.file, said, "")
