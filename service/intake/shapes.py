"""Shapes of sheets: species or passes as columns, a row per catch, a row per fish.

A sheet of another shape is brought into ours by whole columns: cells above which a species or a
pass stands become rows, repeated columns of a placement become one placement, rows of single fish
become catches and lengths.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from service.intake.columns import NO_FISH, PRESENT, SHEETS, plain
from service.intake.numbers import numbers_of
from service.intake.reading import SUM
from service.intake.wording import Wording, say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping as Dict

    from numpy.typing import NDArray

    from layers.arrays import Objects
    from service.intake.findings import Cells

__all__ = [
    "NOTED",
    "ZERO",
    "Shape",
    "declare_nil",
    "fill_down",
    "gather",
    "last_empty_passes",
    "per_fish",
    "seen_not_counted",
    "with_notes",
    "with_outcome",
]

_CATCH: Final = {column.name for column in SHEETS["catches"]} - {"placement_id"}
# What [shape] may say, and how that is said.
_CHOICES: Final = {
    "rows": (("placement", "catch", "fish"), "placement, catch, fish"),
    "no_rows_mean": (("", "nil"), "nil"),
    "date_order": (("dmy", "mdy", "ymd"), "dmy, mdy, ymd"),
    "decimal": (("", ",", "."), '"," or "."'),
}
NOTED: Final = "rows of notes"  # beside the sheets: rows with a note of a placement and no fish
ZERO: Final = "0"  # as species: the row of the sheet has 0 under every species
# Cells that say nothing; in a column of a species they are no catch and no absence.
_EMPTY: Final = ("", "-", "–", "—", "--", "n/a", "N/A", "NA", "na")

# What says in a remark that a row is of several fish.
_BATCH: Final = re.compile(
    r"\b(?:lote?|batch|partij?|los|bulk)\s*(?:de|of|van|von|på|av|af|:)?\s*\d+\b|"
    r"\b(?!0*1\b)\d+\s*(?:fish|fische?|fisk|fiskar|vissen|poissons|peces|individuals|indiv)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Shape:
    """How a sheet is laid out.

    Attributes
    ----------
    rows
        What a row of the sheet with the fish is: a placement, a catch or a fish.
    columns
        Their columns whose cells are counts: what each is a count of, by our catch columns.
    fill_down
        Their columns in which an empty cell repeats the one above.
    no_rows_mean
        Outcome of placements without outcome and without catch rows: nil, or '' = not known.
    decimal
        Sign before the decimals of their numbers; '' = as the numbers show it.
    written
        Of `columns`: cells that are read as another text.
    ditto
        Their columns of numbers in which ditto marks repeat the cell above.
    """

    rows: str = "placement"
    columns: dict[str, dict[str, str]] = field(default_factory=dict)
    fill_down: tuple[str, ...] = ()
    no_rows_mean: str = ""
    decimal: str = ""
    written: dict[str, dict[str, str]] = field(default_factory=dict)
    ditto: tuple[str, ...] = ()

    @classmethod
    def read(cls, table: Dict[str, Any], columns: Dict[str, Any], faults: list[Wording]) -> Shape:
        """Take [shape] and [columns] of a mapping; what is wrong is added to `faults`."""
        known = (*_CHOICES, "fill_down", "ditto")
        for name, value in table.items():
            if name not in known:
                near = did_you_mean(name, known)
                faults.append(say("mapping_unclear.shape", name=name, near=near))
            elif name in _CHOICES and str(value) not in _CHOICES[name][0]:
                choices = _CHOICES[name][1]
                faults.append(say("mapping_unclear.shape_value", name=name, choices=choices))
        rows, nothing, decimal = (
            str(table.get(name, usual))
            for name, usual in (("rows", "placement"), ("no_rows_mean", ""), ("decimal", ""))
        )
        counted: dict[str, dict[str, str]] = {}
        written: dict[str, dict[str, str]] = {}
        for header, about in columns.items():
            own = about if isinstance(about, dict) else {"species": about}
            given = own.get("values", {})
            written[header] = {name: str(value) for name, value in given.items()}
            counted[header] = {name: str(own[name]) for name in own if name != "values"}
            for name in counted[header]:
                if name not in _CATCH - {"count"}:
                    near = did_you_mean(name, sorted(_CATCH))
                    faults.append(
                        say("mapping_unclear.counted", header=header, name=name, near=near)
                    )
        down, ditto = (
            tuple([own] if isinstance(own, str) else own)
            for own in (table.get("fill_down", []), table.get("ditto", []))
        )
        return cls(rows, counted, down, nothing, decimal, written, ditto)

    @property
    def one_sheet(self) -> bool:
        """Whether a sheet of placements may have the fish too."""
        return self.rows != "placement" or bool(self.columns)


def fill_down(cells: Cells, names: tuple[str, ...]) -> Cells:
    """Repeat the cell above in empty cells of these columns, of those that the sheet has."""
    own = [name for name in names if name in cells.frame]
    if not own:
        return cells
    frame = cells.frame.copy()
    for name in own:
        frame[name] = frame[name].mask(frame[name] == "").ffill().fillna("").astype("str")
    return replace(cells, frame=frame)


def gather(cells: Cells, shape: Shape, needed: set[str]) -> tuple[Cells, dict[str, Objects]]:
    """Make a row of every count that stands under one of the columns of a shape.

    `needed` are other columns of theirs to keep.

    Returns
    -------
    cells
        A row for each count, under their headers; one for each row without any but with 0, and for
        a last pass without any but with 0; and, where the columns do not say the species, one for
        each row without any.
    ours
        What the column of each count says, by our catch columns, `count` and `species` among
        them; species is '' where the columns do not say it, and `ZERO` in rows of zeros.
    """
    columns, names = shape.columns, list(shape.columns)
    _refuse_sums_of_passes(cells, columns)
    _flag_totals(cells, names)
    written = {name: cells.frame[name].replace(own) for name, own in shape.written.items() if own}
    counts = np.column_stack(
        [written.get(name, cells.frame[name]).to_numpy(object) for name in names]
    )
    codes, uniques = pd.factorize(counts.ravel())
    said = np.array([text not in _EMPTY for text in uniques], dtype=bool)
    none = np.array([text == "0" or plain(text) in NO_FISH for text in uniques], dtype=bool)
    words = [text for text in uniques[none] if text != "0"]
    for name in names if words else ():
        cells.read_as(cells.column(name).isin(words), name, "none_of_it")
    filled = (said & ~none)[codes].reshape(counts.shape)
    zeros = none[codes].reshape(counts.shape)
    passes = _numbers_of_passes(pd.Series([own.get("pass_no", "") for own in columns.values()]))
    zero = zeros.any(axis=1) & ~filled.any(axis=1)
    zero |= (zeros * passes).max(axis=1) > (filled * passes).max(axis=1)
    stands = zero.copy()
    if not any("species" in own for own in columns.values()):
        stands |= ~filled.any(axis=1)  # its own column may say that there was no fish
    # One cell stands for the row or its last pass, and is no count.
    marks = np.zeros_like(filled)
    marks[stands, (zeros * passes).argmax(axis=1)[stands]] = True
    rows, places = np.nonzero(filled | marks)
    of_none = marks[rows, places]
    ours: dict[str, Objects] = {"count": counts[rows, places]}
    for name in dict.fromkeys(key for own in columns.values() for key in own):
        value = np.array([columns[header].get(name, "") for header in names], dtype=object)
        ours[name] = value[places]
    ours.setdefault("species", np.full(len(rows), "", dtype=object))
    ours["species"] = np.where(of_none & zero[rows], ZERO, ours["species"])
    ours["count"][of_none] = ""
    kept = [name for name in cells.frame.columns if name in needed and name not in columns]
    headers = np.array(names, dtype=object)[places]
    frame = cells.frame[kept].iloc[rows]
    return replace(cells, sheet="catches", frame=frame, headers={"count": headers}), ours


def _refuse_sums_of_passes(cells: Cells, columns: Dict[str, Dict[str, str]]) -> None:
    """Refuse numbers without a pass that may be the sum of those of passes beside them."""
    by_pass: dict[str, list[str]] = {}
    for name, own in columns.items():
        if "pass_no" in own and "species" in own:
            by_pass.setdefault(own["species"], []).append(name)
    for name, own in columns.items():
        parts = by_pass.get(own.get("species", ""), [])
        if parts and not {"pass_no", "life_stage"} & own.keys():
            whole, *each = (numbers_of(cells.column(n).to_numpy(object)) for n in (name, *parts))
            may_be = (cells.column(name) != "") & (whole >= sum(each)) & (sum(each) > 0)
            said = say("count_unclear.sum_of_passes", parts=", ".join(parts))
            cells.refuse(may_be, name, said)


def _flag_totals(cells: Cells, parts: list[str]) -> None:
    """Flag rows in which a column of totals that is left out says another number than its parts."""
    each = [numbers_of(cells.column(name).to_numpy(object)) for name in parts]
    sums = np.sum(each, axis=0)
    for name in map(str, cells.frame):
        if name in parts or not SUM.fullmatch(name):
            continue
        stated = numbers_of(cells.column(name).to_numpy(object))
        differs = (cells.column(name) != "").to_numpy(bool) & (np.abs(stated - sums) > 0)
        own, columns = stated[differs], [", ".join(parts)] * int(differs.sum())
        cells.flag(differs, "total_differs", name, total=own, sum=sums[differs], columns=columns)


def _numbers_of_passes(pass_no: pd.Series) -> NDArray[np.float64]:
    """Read numbers of passes; 0 where none stands."""
    return pd.to_numeric(pass_no, errors="coerce").fillna(0.0).to_numpy(np.float64)


def last_empty_passes(
    ids: pd.Series, none: pd.DataFrame, kept: pd.DataFrame
) -> NDArray[np.float64]:
    """Give the last pass of each placement where it caught nothing, NaN where it caught fish.

    `none` are rows of the catch that say so, `kept` the others; both have `placement_id` and
    `pass_no`.
    """
    last_none, last_kept = (
        pd.Series(_numbers_of_passes(own["pass_no"]), own.index)
        .groupby(own["placement_id"])
        .max()
        .reindex(ids, fill_value=0.0)
        .to_numpy(np.float64)
        for own in (none, kept)
    )
    return np.where(last_none > last_kept, last_none, np.nan)


def seen_not_counted(catches: Cells) -> Cells:
    """Take a word or sign for present in place of a number: seen, and not counted."""
    count, kind = catches.column("count"), catches.column("count_kind")
    words = [text for text in count.unique().tolist() if plain(text) in PRESENT]
    which = count.isin(words) & kind.isin(["", "present"])
    if not which.any() or catches.findings.audience == "form":
        return catches
    catches.read_as(which, "count", "present")
    frame = catches.frame.assign(
        count=count.mask(which, ""), count_kind=kind.mask(which, "present")
    )
    return replace(catches, frame=frame.astype("str"))


def per_fish(catches: Cells, lengths: Cells) -> tuple[Cells, Cells]:
    """Make catches and lengths of rows that are a fish each, or several that nobody measured.

    A row without a number is one fish. A row with a length or weight must be one.
    """
    measured = (lengths.column("length_mm") != "") | (lengths.column("weight_g") != "")
    count = catches.column("count")
    several = measured.to_numpy(bool) & ~count.isin(["", "1"]).to_numpy(bool)
    catches.refuse(several, "count", "count_unclear.measured")
    named = (catches.column("species") != "").to_numpy(bool)
    notes = catches.column("notes")
    batch = named & count.isin(["", "1"]).to_numpy(bool) & notes.str.contains(_BATCH).to_numpy(bool)
    catches.refuse(batch, "notes", "count_unclear.batch")
    fish = named | measured.to_numpy(bool) | (count != "").to_numpy(bool)
    number = np.where(count == "", 1.0, numbers_of(count.to_numpy(object)))
    keys = [name for name in catches.frame.columns if name != "count"]
    together = ~np.isnan(number) & fish & (catches.column("count_kind") == "").to_numpy(bool)
    together &= ~catches.column("species").map(plain).isin(NO_FISH).to_numpy(bool)
    kept = catches.frame.assign(count=count)
    summed = kept[together].assign(count=number[together])
    first = summed.reset_index(names="\x1frow").groupby(keys, sort=False)
    rows = first.agg(**{"\x1frow": ("\x1frow", "first"), "count": ("count", "sum")}).reset_index()
    rows["count"] = rows["count"].map(lambda value: repr(value).removesuffix(".0"))
    rows = rows.set_index("\x1frow")[kept.columns]
    rows = pd.concat([rows, kept[fish & ~together]]).astype("str").rename_axis(None)
    own = lengths.frame[measured]
    return (
        replace(catches, frame=rows.sort_index(kind="stable"), headers={}),
        replace(lengths, frame=own, headers={}),
    )


def declare_nil(sheets: Dict[str, Cells]) -> dict[str, Cells]:
    """Take "no fish" in words as the outcome nil of its placement, and its row out of the catches.

    A placement with such a row and with fish is left as it is, to be refused; but a pass of its
    own that caught nothing is counted among its passes. A row of `ZERO` stands for zeros under
    every species; fish in other rows do not contradict it.
    """
    out = dict(sheets)
    placements, catches = sheets.get("placements"), sheets.get("catches")
    if placements is None or catches is None or "species" not in catches.frame:
        return out
    species, owner = catches.column("species"), catches.column("placement_id")
    words = [text for text in species.unique().tolist() if plain(text) in NO_FISH]
    count = catches.column("count")
    # Some write it where the number of fish would stand.
    none_counted = [text for text in count.unique().tolist() if plain(text) in NO_FISH]
    if not words and not none_counted:
        return out
    zero = (species == ZERO).to_numpy(bool)
    worded = (species.isin(words) & count.isin(["", "0"])).to_numpy(bool) & ~zero
    worded |= (species.isin(["", *words]) & count.isin(none_counted)).to_numpy(bool) & ~zero
    fish = ~worded & ~zero
    caught = owner.isin(set(owner[fish])).to_numpy(bool)
    pass_no = catches.column("pass_no")
    of_pass = owner.str.cat(pass_no, sep="\x1f").where(pass_no != "")
    worded &= ~caught | (of_pass.notna() & ~of_pass.isin(of_pass[fish].dropna())).to_numpy(bool)
    ids = placements.column("placement_id")
    in_words, in_zeros = (ids.isin(set(owner[one & ~caught])) for one in (worded, zero))
    named = (species != "").to_numpy(bool) & ~caught
    catches.read_as(worded & named, "species", "no_fish")
    catches.read_as(worded & ~named & ~caught, "count", "none_counted")
    first = zero & owner.isin(set(ids[in_zeros])).to_numpy(bool)
    catches.read_as(first & ~owner.duplicated().to_numpy(bool), "species", "all_zero")
    none = worded | zero
    out["catches"] = catches.rows(~none)
    passes, own = (
        placements.column("passes"),
        pd.DataFrame({"placement_id": owner, "pass_no": pass_no}),
    )
    last = last_empty_passes(ids, own[none], own[~none])
    beyond = (passes == "").to_numpy(bool) & ~np.isnan(last)
    texts = {str(name): f"{n:.0f}" for name, n in zip(ids[beyond], last[beyond], strict=True)}
    placements.read_as(beyond, "placement_id", "zero_passes", texts)
    placements = with_notes(placements, catches.rows(worded))
    if beyond.any():
        own_passes = passes.mask(beyond, ids.map(texts)).astype("str")
        placements = replace(placements, frame=placements.frame.assign(passes=own_passes))
    out["placements"] = with_outcome(placements, in_words | in_zeros)
    return out


def with_notes(placements: Cells, none: Cells) -> Cells:
    """Keep the notes of rows without fish with their placements, but where they stand there."""
    noted = none.frame[none.column("notes") != ""]
    if not len(noted):
        return placements
    ids, own = placements.column("placement_id"), placements.column("notes")
    texts = noted.groupby("placement_id")["notes"].agg(lambda each: "; ".join(each.unique()))
    more = ids.map(texts).fillna("").astype("str")
    both = own.where((more == "") | (own == more), own.str.cat(more, sep="; ").str.strip("; "))
    return replace(placements, frame=placements.frame.assign(notes=both.astype("str")))


def with_outcome(placements: Cells, nothing: pd.Series) -> Cells:
    """Write nil where nothing was caught and no outcome stands."""
    outcome = placements.column("outcome")
    blank = nothing & (outcome == "")
    if not blank.any():
        return placements
    frame = placements.frame.assign(outcome=outcome.mask(blank, "nil").astype("str"))
    return replace(placements, frame=frame)
