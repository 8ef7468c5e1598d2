"""Other people's sheets, by a mapping file: how their columns become ours, without editing them.

A mapping is TOML. A table named like a sheet gives, for each of our columns, where it comes from:

    [placements]
    placement_id = "sample"                                   # their column
    survey = { constant = "Brook 2024" }
    site = { text = "{river} {point}" }                       # several columns in one text
    set_at = { from = ["set_utc", "day"], utc = ["set_utc"] } # the first that is filled; in UTC
    minutes = { from = "seconds", unit = "s" }                # converted to our unit
    minutes = { from = "took", unit = "h:mm" }                # hours and minutes, or "min:s"
    longitude = { from = "lon", unit = "°W" }                 # degrees west of Greenwich
    method = { from = "gear", values = { "e-fisher" = "electric_fishing" } }
    lifts = [{ from = "effort", when = { effort_unit = "lifts" } }]   # only in these rows

    set_at = { from = "day", serial = true }                  # a spreadsheet's number of a day
    minutes = { sum = ["sec 1", "sec 2"], unit = "s" }        # parts in several columns
    passes = { filled = ["sec 1", "sec 2"] }                  # how many of these are filled

`[catches]` and `[lengths]` may say `{ from_placement = "their column" }` to look a value up in the
placement sheet, `[placements]` `{ from_site = "their column" }` in that of sites. `[species]` names
the columns of the catch sheet that make a species list. `[fold]` joins rows that hold one pass each
into one placement. `[shape]` and `[columns]` say how a sheet is laid out, see
`service.intake.shapes`. `[open]` has questions that somebody has to settle first: each refuses.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from service.intake.cell_texts import stripped
from service.intake.columns import NO_FISH, SHEETS, known_names, plain
from service.intake.dittos import with_dittos
from service.intake.findings import Cells
from service.intake.folding import Fold, fold_passes, fold_repeats
from service.intake.numbers import number_of
from service.intake.shapes import (
    NOTED,
    ZERO,
    Shape,
    declare_nil,
    fill_down,
    gather,
    per_fish,
    with_notes,
    with_outcome,
)
from service.intake.spellings import as_written_by_us
from service.intake.tables import refuse_spread
from service.intake.units import in_ours, known_units, rewriting
from service.intake.wording import say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterable
    from collections.abc import Mapping as Dict
    from pathlib import Path

    from layers.arrays import Objects
    from service.intake.columns import Column
    from service.intake.findings import Findings
    from service.intake.times import DateOrder
    from service.intake.wording import Wording

__all__ = ["Mapping", "Rules", "apply_mapping", "own_number_columns"]

# Rules that look a value up: in which other sheet, and by which column of ours.
_LOOKED_UP: Final = {
    "from_site": ("sites", "site"),
    "from_placement": ("placements", "placement_id"),
}
_SOURCES: Final = {"from", "constant", "text", "sum", "filled", *_LOOKED_UP}
_KEYS: Final = _SOURCES | {"unit", "values", "utc", "when", "serial"}
_TOP: Final = {*SHEETS, "fold", "species", "about", "shape", "columns", "open"}
# Sites come first, since placements look up in them; catches look up in placements.
_IN_ORDER: Final = ("sites", "surveys", "placements", "catches", "lengths")
_NO_SHAPE: Final = Shape()
# Days of a spreadsheet are counted from here (ECMA-376 part 1, 18.17.4.1, the 1900 date base).
_DAY_ZERO: Final = dt.datetime(1899, 12, 30)  # noqa: DTZ001  wall-clock time
_OPEN: Final = "?"  # stands in a suggested mapping where a person has to decide
_SERIAL_DAYS: Final = (20_000, 80_000)  # 1954 to 2119

Rules = dict[str, list[dict[str, Any]]]
_Rules = dict[str, Rules]
_Lookups = dict[str, tuple[str, pd.DataFrame]]  # by source: our key, and the sheet as it came by it
_SPECIES: Final = ("species", "vernacular_name", "rank", "family", "taxon_id")


@dataclass(frozen=True)
class Mapping:
    """A mapping file as read: column rules by sheet, folding, and the species columns."""

    file: str
    sheets: _Rules
    species: dict[str, dict[str, Any]]
    fold: Fold | None
    shape: Shape = _NO_SHAPE
    date_order: DateOrder | None = None

    @classmethod
    def read(cls, path: Path, findings: Findings) -> Mapping | None:
        """Read a mapping file; what is wrong with it goes to `findings`."""
        try:
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as problem:
            findings.refuse_file(path.name, say("mapping_unclear.toml", problem=problem))
            return None
        return cls.of_text(text, path.name, findings)

    @classmethod
    def of_text(cls, text: str, file: str, findings: Findings) -> Mapping | None:
        """Read the text of a mapping file of this name."""
        try:
            read = tomllib.loads(text)
        except tomllib.TOMLDecodeError as problem:
            findings.refuse_file(file, say("mapping_unclear.toml", problem=problem))
            return None
        except RecursionError:
            findings.refuse_file(file, "mapping_unclear.nested")
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
        shape = Shape.read(read.get("shape", {}), read.get("columns", {}), faults)
        if _OPEN in shape.columns:
            faults.append(say("mapping_unclear.open_columns"))
        if shape.columns and "count" in sheets["catches"]:
            faults.append(say("mapping_unclear.counted_twice"))
        order = read.get("shape", {}).get("date_order")
        for what, asked in read.get("open", {}).items():
            said = say(
                "mapping_unclear.open_question", what=what, question=asked.removeprefix(f"{what}: ")
            )
            findings.refuse_file(file, said)
        for asked in re.findall(r"(?m)^# \? (.+)$", text):
            findings.note(file, say("mapping_question", question=asked), "")
        for fault in faults:
            findings.refuse_file(file, fault)
        return None if faults else cls(file, sheets, species, fold, shape, order)

    def needs(self, sheet: str) -> set[str]:
        """Their columns that the rules of a sheet read."""
        parts = [part for own in self.sheets[sheet].values() for part in own]
        if sheet == "catches":
            parts += self.species.values()
        return set().union(*map(_needs, parts))

    def number_columns(self, raw: Dict[str, Cells]) -> dict[str, dict[str, Column | None]]:
        """Their columns that become numbers: see `with_decimal_marks`."""
        out: dict[str, dict[str, Column | None]] = {sheet: {} for sheet in raw}

        def add(headers: Iterable[str], column: Column | None, sheets: tuple[str, ...]) -> None:
            for header in headers:
                at = next((s for s in sheets if s in raw and header in raw[s].frame), None)
                if at is not None:
                    out[at].setdefault(header, column)

        for sheet, rules in self.sheets.items():
            columns = {one.name: one for one in SHEETS[sheet] if one.kind in ("number", "whole")}
            for name in columns.keys() & rules.keys():
                for part in rules[name]:
                    own = (
                        columns[name] if part.get("unit", "") in ("", columns[name].unit) else None
                    )
                    add(_needs({**part, "when": {}}), own, (sheet, "catches", "placements"))
                    for source in _LOOKED_UP.keys() & part.keys():
                        add([part[source]], own, _LOOKED_UP[source][:1])
            if not rules and not (sheet == "catches" and self.shape.columns) and sheet in raw:
                out[sheet] |= own_number_columns(raw[sheet])
        count = next(one for one in SHEETS["catches"] if one.name == "count")
        add(self.shape.columns, count, ("catches", "placements"))
        if self.fold is not None:
            add([self.fold.pass_no], None, ("placements",))
        return out


def own_number_columns(cells: Cells) -> dict[str, Column | None]:
    """Columns of numbers of a sheet under our headers, or under other names for them."""
    names = known_names(cells.sheet)
    numbers = {one.name: one for one in SHEETS[cells.sheet] if one.kind in ("number", "whole")}
    named = {header: names.get(plain(header), "") for header in cells.frame.columns}
    return {header: numbers[name] for header, name in named.items() if name in numbers}


def apply_mapping(
    mapping: Mapping,
    raw: Dict[str, Cells],
    findings: Findings,
    date_order: DateOrder | None = None,
) -> tuple[dict[str, Cells], pd.DataFrame | None]:
    """Turn sheets under other people's headers into ours.

    A sheet that the mapping has no table for is left as it is. Returned too is the species list
    made of the catch sheet, where the mapping names its columns.
    """
    shape, from_one = mapping.shape, "catches" not in raw
    raw = {
        sheet: with_dittos(fill_down(cells, shape.fill_down), shape.ditto)
        for sheet, cells in raw.items()
    }
    rules = dict(mapping.sheets)
    if shape.one_sheet and "placements" in raw:
        _one_sheet_as_several(shape, raw, rules, from_one=from_one)
    _say_what_is_left(mapping, raw, rules)
    _refuse_merged(shape, raw, rules)
    ours: dict[str, Objects] = {}
    if shape.columns and "catches" in raw:
        absent = set(shape.columns) - set(raw["catches"].frame.columns)
        if absent:
            _refuse_absent(mapping.file, raw["catches"], "columns", absent)
            return {}, None
        of_rules = [part for own in rules["catches"].values() for part in own]
        needed = mapping.needs("catches").union(*map(_needs, of_rules))
        raw["catches"], ours = gather(raw["catches"], shape, needed)
    out = _by_rules(mapping, raw, rules, ours, findings)
    if from_one and shape.rows != "placement" and "catches" in out:
        out |= _without_fish(out, shape)
    out = {sheet: as_written_by_us(cells, date_order) for sheet, cells in out.items()}
    species = None
    if mapping.species and "catches" in raw:
        species = _species(mapping, raw["catches"])
    for sheet, cells in out.items():
        # A mapping that reads the name of the tab tells them apart, or means them together.
        if cells.tab and not any(cells.tab in mapping.needs(name) for name in SHEETS):
            refuse_spread(replace(cells, sheet=sheet))
    if "placements" not in out:
        return out, species
    out = _one_row_each(mapping, raw, out, date_order, from_one=from_one)
    known = set(out["placements"].column("placement_id"))
    for sheet in ("catches", "lengths") if rules["placements"] else ():
        owners = set(out[sheet].column("placement_id")) - {""} if sheet in out else set()
        if known and owners and not owners & known:
            example = {"sheet": sheet, "own": min(owners), "other": min(known)}
            findings.refuse_file(mapping.file, say("mapping_unclear.owners", **example))
    out = declare_nil(out)
    if shape.no_rows_mean:
        owned = set(out["catches"].column("placement_id")) if "catches" in out else set()
        none = ~out["placements"].column("placement_id").isin(owned)
        out["placements"] = with_outcome(out["placements"], none)
    return out, species


def _ask_of_passes(mapping: Mapping, out: Dict[str, Cells]) -> None:
    """Ask whether placements of one site, day and method that have one pass each are passes of one.

    Each has another pass; without [fold] they would be as many placements.
    """
    placements = out["placements"]
    catches = out.get("catches", placements)
    owner, number = catches.column("placement_id"), catches.column("pass_no")
    passes = number[number != ""].groupby(owner[number != ""])
    single = passes.first()[passes.nunique() == 1]
    own = placements.column("placement_id").map(single)
    names = ["site", "stream_name", "set_at", "method"]
    keys = pd.DataFrame({name: placements.column(name) for name in names})
    keys["set_at"] = keys["set_at"].str.extract(r"^(.*?)(?:[T ,]\s*\d{1,2}[:.h]\d\d.*)?$")[0]
    keys["lacks"] = own.isna() | (keys[names[:2]] == "").all(axis=1)
    groups = own.groupby([keys[name] for name in keys])
    apart = (groups.transform("nunique") == groups.transform("size")) & ~keys["lacks"]
    apart &= groups.transform("size") > 1
    if apart.any():
        ids = placements.column("placement_id")[apart]
        pairs = zip(ids.head(3), own[apart].head(3), strict=True)
        examples = ", ".join(f"{name} (pass {number})" for name, number in pairs)
        placements.findings.note(mapping.file, say("passes_apart", examples=examples), "", "")


def _refuse_merged(shape: Shape, raw: Dict[str, Cells], rules: _Rules) -> None:
    """Refuse numbers of fish in merged cells: they may be of one row or of all of them."""
    for sheet, names in (("catches", {"count"}), ("lengths", {"length_mm", "weight_g"})):
        own = [part for name in names & rules[sheet].keys() for part in rules[sheet][name]]
        of_fish = names.union(*map(_needs, own), shape.columns)
        for first, last, name in raw[sheet].merged if sheet in raw else ():
            if name in of_fish:
                index = raw[sheet].frame.index.to_numpy()
                inside = index[(index >= first) & (index <= last)]
                said = say("count_unclear.merged", rows=f"{first} to {last}")
                which = index == inside.min(initial=last)
                raw[sheet].refuse(which, name, said)


def _one_row_each(
    mapping: Mapping,
    raw: Dict[str, Cells],
    sheets: dict[str, Cells],
    date_order: DateOrder | None,
    *,
    from_one: bool,
) -> dict[str, Cells]:
    """Make a row of each placement and of each catch, where several say it."""
    shape, out = mapping.shape, sheets
    if mapping.fold is not None:
        out = fold_passes(
            mapping.fold, raw["placements"], out, mapping.file, date_order, from_one=from_one
        )
    if shape.rows == "fish" and "catches" in out and "lengths" in out:
        out["catches"], out["lengths"] = per_fish(out["catches"], out["lengths"])
    if mapping.fold is None and from_one and shape.rows != "placement":
        out["placements"] = fold_repeats(out["placements"])
    if mapping.file and mapping.fold is None:
        _ask_of_passes(mapping, out)
    if NOTED in out:
        out["placements"] = with_notes(out["placements"], out.pop(NOTED))
    return out


def _by_rules(
    mapping: Mapping,
    raw: Dict[str, Cells],
    rules: _Rules,
    ours: Dict[str, Objects],
    findings: Findings,
) -> dict[str, Cells]:
    """Fill our columns by the rules; `ours` has what columns of counts say of their catches."""
    lookups: _Lookups = {}
    out: dict[str, Cells] = {}
    for sheet in _IN_ORDER:
        cells = raw.get(sheet)
        if cells is None and rules[sheet] and sheet == "surveys":
            cells = Cells(sheet, mapping.file, pd.DataFrame(index=pd.RangeIndex(2, 3)), findings)
        if cells is None:
            continue
        if not rules[sheet] and not (sheet == "catches" and ours):
            out[sheet] = cells
            continue
        columns: dict[str, pd.Series] = {}
        for name, parts in rules[sheet].items():
            unit = next(column.unit for column in SHEETS[sheet] if column.name == name)
            columns[name] = _column(parts, columns, cells, lookups, unit, mapping.file, name)
        arrays = {name: column.to_numpy(object) for name, column in columns.items()}
        if sheet == "catches" and ours:
            arrays = {**ours, **arrays}
            if "species" in columns:
                zero = ours["species"] == ZERO
                arrays["species"] = np.where(zero, ZERO, columns["species"].to_numpy(object))
        frame = pd.DataFrame(arrays, index=cells.frame.index, dtype="str")
        out[sheet] = replace(cells, sheet=sheet, frame=frame, one_day=_one_day(rules[sheet]))
        for source, (of, key) in _LOOKED_UP.items():
            if sheet == of and key in columns:
                keyed = cells.frame.set_axis(columns[key].to_numpy(object))
                lookups[source] = key, keyed[~keyed.index.duplicated()]
    return out


def _one_sheet_as_several(
    shape: Shape, raw: dict[str, Cells], rules: _Rules, *, from_one: bool
) -> None:
    """Let one sheet be read as placements, catches and lengths, each by its own rules."""
    if from_one:
        raw["catches"] = replace(raw["placements"], sheet="catches")
        own = {"placement_id": rules["placements"].get("placement_id", [])}
        rules["catches"] = own | rules["catches"]
    if shape.rows == "fish":
        raw["lengths"] = replace(raw["catches"], sheet="lengths")
        shared = ("placement_id", "species", "pass_no")
        taken = {name: rules["catches"][name] for name in shared if name in rules["catches"]}
        rules["lengths"] = taken | rules["lengths"]


def _without_fish(sheets: Dict[str, Cells], shape: Shape) -> dict[str, Cells]:
    """Take rows that only give a placement out of the fish; `NOTED` has those with a note."""
    own = ["catches", "lengths"] if shape.rows == "fish" and "lengths" in sheets else ["catches"]
    columns = ("species", "count", "count_kind", "length_mm", "weight_g")
    cells = [sheets[name].column(column) for name in own for column in columns]
    fish = np.logical_or.reduce([(one != "").to_numpy(bool) for one in cells])
    catches = sheets["catches"]
    # Where a row of a pass says in a remark that there were none, they stand for its species.
    none = (
        catches.column("notes").map(plain).isin(NO_FISH) & (catches.column("pass_no") != "") & ~fish
    )
    if none.any():
        named = catches.column("species").mask(none, catches.column("notes"))
        about = catches.frame.assign(species=named, notes=catches.column("notes").mask(none, ""))
        sheets = {**sheets, "catches": replace(catches, frame=about.astype("str"))}
        fish |= none.to_numpy(bool)
    out = {name: sheets[name].rows(fish) for name in own}
    notes = sheets["catches"].column("notes")
    known = sheets["placements"].column("notes").reindex(notes.index)
    noted = ~fish & ((notes != "") & (notes != known)).to_numpy(bool)
    sheets["catches"].read_as(noted, "notes", "note_of_placement")
    return out | {NOTED: replace(sheets["catches"].rows(noted), tab="")}


def _one_day(rules: Rules) -> bool:
    """Whether one column gives the day of both times, and others the times of day."""
    began, ended = (
        set().union(*(_needs(part) for part in rules.get(name, []) if "text" in part))
        for name in ("set_at", "lifted_at")
    )
    return bool(began & ended)


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
        if len(set(part) & _SOURCES) != 1:
            faults.append(say("mapping_unclear.source", **at))
        if _OPEN in {*_needs(part), *map(str, part.get("values", {}).values())}:
            faults.append(say("mapping_unclear.open", **at))
        units = known_units(known[ours])
        if "unit" in part and part["unit"] not in units:
            choices = ", ".join(units) or "none, as it has no unit"
            faults.append(say("mapping_unclear.unit", **at, unit=part["unit"], units=choices))
    return faults


def _column(
    parts: list[dict[str, Any]],
    done: Dict[str, pd.Series],
    cells: Cells,
    lookups: _Lookups,
    unit: str,
    file: str,
    ours: str,
) -> pd.Series:
    """One of our columns: the first rule that gives a value in a row."""
    value = pd.Series("", index=cells.frame.index, dtype="str")
    for part in parts:
        absent = _needs(part) - set(cells.frame.columns)
        if absent:
            _refuse_absent(file, cells, ours, absent)
            continue
        source = next((name for name in _LOOKED_UP if name in part), "")
        key, keyed = lookups.get(source, ("", pd.DataFrame()))
        if not source:
            new = _raw(part, cells, unit)
        elif key in done and part[source] in keyed:
            new = done[key].map(keyed[part[source]]).fillna("").astype("str")
        else:
            new = pd.Series("", index=value.index, dtype="str")
        if part.get("serial"):
            new = new.map({text: _day_of_serial(text) for text in new.unique()}).astype("str")
        if "values" in part:
            new = new.map({name: str(value) for name, value in part["values"].items()}).fillna(new)
        if "unit" in part and part["unit"] != unit and "sum" not in part:
            read = partial(number_of, decimal_comma=cells.decimal_comma)
            write = rewriting(part["unit"], unit, read)
            new = new.map({text: write(text) for text in new.unique().tolist()}).astype("str")
        for column, wanted in part.get("when", {}).items():
            allowed = wanted if isinstance(wanted, list) else [wanted]
            new = new.where(cells.frame[column].isin([str(one) for one in allowed]), "")
        value = value.where(value != "", new)
    return value


def _refuse_absent(file: str, cells: Cells, column: str, absent: set[str]) -> None:
    said = say(
        "mapping_unclear.absent",
        sheet=cells.sheet,
        column=column,
        file=cells.file,
        absent=", ".join(sorted(absent)),
        near=did_you_mean(min(absent), list(cells.frame.columns)),
    )
    cells.findings.refuse_file(file, said)


def _needs(part: Dict[str, Any]) -> set[str]:
    """Their columns that a rule reads."""
    names = set(part.get("when", {}))
    for key in ("from", "sum", "filled"):
        own = part.get(key, [])
        names |= set(own if isinstance(own, list) else [own])
    if "text" in part:
        names |= set(re.findall(r"\{([^{}]+)\}", part["text"]))
    return names


def _raw(part: Dict[str, Any], cells: Cells, unit: str) -> pd.Series:
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
        return stripped(text.where(filled, ""))
    if "filled" in part:
        number = sum((cells.frame[name] != "").to_numpy(np.int64) for name in part["filled"])
        return pd.Series(number, index=index).astype("str").replace("0", "")
    if "sum" in part:
        return _summed(part["sum"], cells, part.get("unit", unit), unit)
    names = part["from"] if isinstance(part["from"], list) else [part["from"]]
    utc = part.get("utc", [])
    text = pd.Series("", index=index, dtype="str")
    for name in names:
        own = cells.column(name)
        if utc is True or name in utc:
            own = own.where((own == "") | own.str.endswith("Z"), own + "Z")
        text = text.where(text != "", own)
    return text


def _summed(names: list[str], cells: Cells, written: str, unit: str) -> pd.Series:
    """Sum columns, in our unit; a cell that is no number stays, to be refused with its place.

    What is added to it beside others keeps it from being read as the whole sum.
    """
    total = np.zeros(len(cells.frame))
    text = np.full(len(cells.frame), "", dtype=object)
    odd = np.zeros(len(cells.frame), dtype=bool)
    reader = partial(number_of, decimal_comma=cells.decimal_comma)
    write = rewriting(written, unit, reader) if written != unit else str
    for name in names:
        codes, uniques = pd.factorize(cells.frame[name].to_numpy(object))
        read = [in_ours(one, written, unit, reader) if one else 0.0 for one in uniques]
        total += np.array([one or 0.0 for one in read])[codes]
        strange = np.array([one is None for one in read], dtype=bool)[codes]
        takes = strange | ((uniques[codes] != "") & ~odd)
        text[takes] = np.array([write(one) for one in uniques], dtype=object)[codes][takes]
        odd |= strange
    several = sum((cells.frame[name] != "").to_numpy(np.int64) for name in names) > 1
    text[odd & several] += " + …"
    summed = np.array([repr(value) for value in total.tolist()], dtype=object)
    return pd.Series(np.where((text == "") | odd, text, summed), cells.frame.index, dtype="str")


def _day_of_serial(text: str) -> str:
    """Write a spreadsheet's number of a day as a date, with the time of day that it has."""
    number = number_of(text, decimal_comma=True)
    if number is None or not _SERIAL_DAYS[0] <= number <= _SERIAL_DAYS[1]:
        return text
    moment = _DAY_ZERO + dt.timedelta(seconds=round(number * 86_400))
    return (moment.date() if number.is_integer() else moment).isoformat()


def _species(mapping: Mapping, catches: Cells) -> pd.DataFrame:
    columns = {}
    for ours, part in mapping.species.items():
        none: dict[str, pd.Series] = {}
        columns[ours] = _column([part], none, catches, {}, "", mapping.file, ours)
    listed = pd.DataFrame(columns)
    if "species" not in listed:
        return listed.head(0)
    listed = listed[listed["species"] != ""].drop_duplicates("species").sort_values("species")
    return listed.reset_index(drop=True)


def _say_what_is_left(mapping: Mapping, raw: Dict[str, Cells], rules: _Rules) -> None:
    """Say which columns of each sheet are not read; it may be read as several of ours."""
    every = [part for each in rules.values() for own in each.values() for part in own]
    used: dict[int, set[str]] = {}
    for sheet, cells in raw.items():
        if not rules[sheet] and not (sheet == "catches" and mapping.shape.columns):
            used[id(cells.frame)] = set(cells.frame.columns)  # under our own headers
            continue
        parts = [part for own in rules[sheet].values() for part in own]
        names = mapping.needs(sheet).union(mapping.shape.columns, mapping.shape.fill_down)
        if mapping.fold is not None and sheet == "placements":
            names.update(mapping.fold.by, mapping.fold.only, [mapping.fold.pass_no])
        key = next((source for source, (of, _) in _LOOKED_UP.items() if of == sheet), "")
        names = names.union(*map(_needs, parts), (part[key] for part in every if key in part))
        used.setdefault(id(cells.frame), {cells.tab}).update(names)
    for cells in {id(own.frame): own for own in raw.values()}.values():
        left = [name for name in cells.frame.columns if name not in used[id(cells.frame)]]
        if left:
            columns = ", ".join(left)
            said = say("unmapped_columns.mapping", mapping=mapping.file, columns=columns)
            if not mapping.file:
                said = say("unmapped_columns.own", columns=columns)
            cells.findings.note(cells.file, said, "")
