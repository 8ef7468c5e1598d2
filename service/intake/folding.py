"""Rows that hold one pass each become one placement of several passes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.frames import PASS_MINUTES
from service.intake.columns import SHEETS
from service.intake.numbers import number_column, numbers_of
from service.intake.shapes import NOTED
from service.intake.times import time_column
from service.intake.wording import Wording, say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping as Dict

    from numpy.typing import NDArray

    from layers.arrays import Objects
    from service.intake.columns import Column
    from service.intake.findings import Cells
    from service.intake.times import DateOrder

__all__ = ["Fold", "fold_passes", "fold_repeats"]

_COLUMNS: Final = {column.name: column for column in SHEETS["placements"]}
# What becomes of the cells of a placement, and the kinds of column that it makes sense for.
_WAYS: Final = {
    "sum": ("number", "whole"),
    "min": ("number", "whole", "time"),
    "max": ("number", "whole", "time"),
    "first": ("text", "number", "whole", "yes_no", "time", "choice"),
    "join": ("text",),
}
_KEYS: Final = {"by", "only", "pass_no", *_WAYS}


@dataclass(frozen=True)
class Fold:
    """How rows are folded.

    Attributes
    ----------
    by
        Their columns that are equal within one placement.
    only
        Their column and the values of the rows that are folded at all; others stay.
    pass_no
        Their column with the number of the pass.
    how
        By our column: `sum` of numbers, `min` or `max` of numbers or times, `first`, or `join`
        (texts, each once, by "; "); any other must not differ within one.
    """

    by: tuple[str, ...]
    pass_no: str
    only: dict[str, list[str]]
    how: dict[str, str]

    @classmethod
    def read(cls, table: Dict[str, Any], faults: list[Wording]) -> Fold:
        """Take the table of a mapping file; what is wrong is added to `faults`."""
        strange = sorted(set(table) - _KEYS)
        turned = [n for n in strange if n in _COLUMNS and str(table[n]) in _WAYS]
        faults += [say("mapping_unclear.fold_turned", column=n, way=table[n]) for n in turned]
        if strange := [name for name in strange if name not in turned]:
            faults.append(say("mapping_unclear.fold_keys", keys=", ".join(strange)))
        if not table.get("by") or not table.get("pass_no"):
            faults.append(say("mapping_unclear.fold_needs"))
        only = {
            name: [str(one) for one in ([values] if isinstance(values, str) else values)]
            for name, values in table.get("only", {}).items()
        }
        how: dict[str, str] = {}
        for way, kinds in _WAYS.items():
            named = table.get(way, [])
            for name in map(str, [named] if isinstance(named, str) else named):
                column = _COLUMNS.get(name)
                if column is None:
                    near = did_you_mean(name, list(_COLUMNS))
                    faults.append(
                        say("mapping_unclear.fold_column", way=way, column=name, near=near)
                    )
                elif name in how:
                    both = {"column": name, "one": how[name], "other": way}
                    faults.append(say("mapping_unclear.fold_twice", **both))
                elif column.kind not in kinds:
                    faults.append(_unfit(way, column))
                how[name] = way
        return cls(tuple(table.get("by", ())), str(table.get("pass_no", "")), only, how)


def _unfit(way: str, column: Column) -> Wording:
    kind = {"whole": "numbers", "number": "numbers", "time": "times"}.get(column.kind, "words")
    ways = " or ".join(_fitting(column))
    return say("mapping_unclear.fold_unfit", way=way, column=column.name, kind=kind, ways=ways)


def _fitting(column: Column) -> list[str]:
    return [way for way, kinds in _WAYS.items() if column.kind in kinds]


def fold_passes(
    fold: Fold,
    theirs: Cells,
    sheets: dict[str, Cells],
    file: str,
    date_order: DateOrder | None = None,
    *,
    from_one: bool = False,
) -> dict[str, Cells]:
    """Fold the rows of the placement sheet, and point catches and lengths to what they became.

    The placement takes the id and row number of its first row; `passes` is its highest pass
    number, each catch gets the pass of its row as `pass_no`, and where minutes are summed each
    pass keeps its own. In a sheet of their own catches name the row by its id; the pass of one
    that names several rows is what stands beside it.

    `theirs` is the placement sheet under its own headers, with the same rows as ours in `sheets`;
    `from_one` says whether catches and lengths stand in rows of it.
    """
    absent = [n for n in (*fold.by, *fold.only, fold.pass_no) if n not in theirs.frame]
    if absent:
        said = say("mapping_unclear.fold_absent", file=theirs.file, absent=", ".join(absent))
        theirs.findings.refuse_file(file, said)
        return sheets
    placements = sheets["placements"]
    group = _groups(fold, theirs)
    rows = _Rows(placements, group, date_order)
    ids = placements.column("placement_id").to_numpy(object)
    passes = theirs.column(fold.pass_no)
    first = np.unique(group, return_index=True)[1]
    folded = {
        name: rows.one_each(name, fold.how.get(name))
        for name in placements.frame.columns
        if name != "placement_id"
    }
    number = pd.to_numeric(pd.Series(passes.to_numpy(object)), errors="coerce")
    highest = number.groupby(group).max().to_numpy(float)
    index = placements.frame.index[first]
    frame = pd.DataFrame(folded, index=index).astype("str")
    frame.insert(0, "placement_id", ids[first])
    if "passes" not in frame:
        frame["passes"] = [str(int(n)) if n == n and n > 0 else "" for n in highest.tolist()]
    if fold.how.get("minutes") == "sum":
        for at, name in enumerate(PASS_MINUTES, start=1):
            if name not in frame and (own := (number == at).to_numpy(bool)).any():
                frame[name] = rows.summed(placements.column("minutes").where(own, ""))
    out = sheets | {"placements": replace(placements, frame=frame)}
    became = pd.Series(ids[first][group], index=ids)
    became = became[~became.index.duplicated()]
    pairs = pd.DataFrame({"id": ids, "pass": passes.to_numpy(object)}).drop_duplicates()
    of_id = pairs[~pairs["id"].duplicated(keep=False)].set_index("id")["pass"]
    for sheet in ("catches", "lengths", NOTED):
        if sheet in sheets:
            frame = sheets[sheet].frame.copy()
            old = sheets[sheet].column("placement_id")
            by_row = passes.reindex(frame.index) if from_one else old.map(of_id.to_dict().get)
            beside = by_row.astype(object).fillna("")
            frame["placement_id"] = old.map(became).fillna(old)
            frame["pass_no"] = sheets[sheet].column("pass_no").mask(beside != "", beside)
            out[sheet] = replace(sheets[sheet], frame=frame.astype("str"))
    return out


def fold_repeats(placements: Cells) -> Cells:
    """Make one placement of the rows that repeat it; refuse rows that differ, by column."""
    ids = placements.column("placement_id").to_numpy(object)
    group = pd.factorize(np.where(ids == "", [f"\x1f{n}" for n in range(len(ids))], ids))[0]
    first = np.unique(group, return_index=True)[1]
    rows = _Rows(placements, group)
    folded = {
        name: rows.first_filled(name, say("rows_differ.repeat", column=name))
        for name in placements.frame.columns
    }
    frame = pd.DataFrame(folded, index=placements.frame.index[first], dtype="str")
    return replace(placements, frame=frame)


def _groups(fold: Fold, theirs: Cells) -> NDArray[np.intp]:
    """Give the number of the placement that each row belongs to, in the order of first rows."""
    key = pd.Series("", index=theirs.frame.index, dtype="str")
    for name in fold.by:
        key = key + "\x1f" + theirs.frame[name]
    alone = pd.Series(False, index=theirs.frame.index)
    for name, values in fold.only.items():
        alone |= ~theirs.frame[name].isin(values)
    number = pd.Series(np.arange(len(key)).astype(str), index=key.index)
    codes, _ = pd.factorize(key.mask(alone, "\x1e" + number).to_numpy(object))
    return codes


@dataclass(frozen=True)
class _Rows:
    """Rows of placements by the number of the group that each belongs to; one value for each."""

    placements: Cells
    group: NDArray[np.intp]
    date_order: DateOrder | None = None

    def one_each(self, name: str, how: str | None) -> Objects:
        """Give what becomes of a column; without a way its cells must not differ in a group."""
        if how in ("min", "max"):
            return self._extreme(_COLUMNS[name], how)
        text = self.placements.column(name)
        if how == "sum":
            return self.summed(text)
        if how == "join":
            own = text[text != ""].groupby(self.group[(text != "").to_numpy(bool)])
            picked = own.agg(lambda texts: "; ".join(dict.fromkeys(texts)))
            return picked.reindex(np.unique(self.group)).fillna("").to_numpy(object)
        *most, last = _fitting(_COLUMNS[name])
        ways = " or ".join(filter(None, [", ".join(most), last]))
        said = None if how == "first" else say("rows_differ.fold", column=name, ways=ways)
        return self.first_filled(name, said)

    def first_filled(self, name: str, differing: Wording | None) -> Objects:
        """Take the first filled cells; `differing` refuses groups with several texts."""
        text = self.placements.column(name)
        filled = text.mask(text == "").groupby(self.group)
        if differing is not None:
            differs = ((text != "") & (text != filled.transform("first"))).to_numpy(bool)
            self.placements.refuse(np.isin(self.group, self.group[differs]), name, differing)
        return filled.first().fillna("").to_numpy(object)

    def _extreme(self, column: Column, how: str) -> Objects:
        """Take the least or greatest as written; what cannot be compared is refused."""
        group, text = self.group, self.placements.column(column.name).to_numpy(object)
        if column.kind == "time":
            moments = time_column(self.placements, column.name, self.date_order)
            read = ~np.isnat(moments.wall)
            written = np.isfinite(moments.offset_s) * 2 + moments.day_only
            several = pd.Series(written[read]).groupby(group[read]).nunique() > 1
            mixed = read & np.isin(group, several.index[several])
            self.placements.refuse(mixed, column.name, say("rows_differ.times", way=how))
            value = moments.wall.astype(np.int64) - np.nan_to_num(moments.offset_s) * 1e6
        else:
            value = number_column(self.placements, column)
            read = np.isfinite(value)
        self.placements.doubt(np.isin(group, group[(text != "") & ~read]))
        value = np.where(read, value if how == "max" else -value, 0.0)
        order = np.lexsort((value, text != "", read, group))
        last = np.append(np.diff(group[order]) > 0, True)[: len(order)]
        picked: Objects = text[order[last]]
        return picked

    def summed(self, text: pd.Series) -> Objects:
        """Sum cells; a group with something that is no number keeps that, to be refused."""
        cells = text.to_numpy(object)
        number = numbers_of(cells, decimal_comma=self.placements.decimal_comma)
        odd = np.isnan(number)
        total = np.bincount(self.group, weights=np.nan_to_num(number))
        filled = np.bincount(self.group, weights=cells != "") > 0
        sums = np.array([repr(value) for value in total.tolist()], dtype=object)
        sums[~filled] = ""
        sums[self.group[odd]] = cells[odd]
        return sums
