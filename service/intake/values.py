"""Where a cell becomes a value, by the kind of its column; `numbers` and `times` read the text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from service.intake.columns import NO_FISH, SHEETS, plain
from service.intake.numbers import number_column
from service.intake.wording import say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from service.intake.columns import Column
    from service.intake.findings import Cells
    from service.intake.wording import Wording

__all__ = ["method_column", "read_columns", "text_column", "word_column"]

_YES: Final = ("yes", "y", "true", "1", "x", "ja", "j", "oui", "si", "sí")
_NO: Final = ("no", "n", "false", "0", "nein", "non")


def read_columns(cells: Cells, special: Mapping[str, Callable[[], pd.Series]]) -> pd.DataFrame:
    """Read a sheet column by column; what cannot be understood is refused and comes back missing.

    `special` has by name of a column what reads it in place of the reader of its kind. Times are
    not read here.
    """
    columns: dict[str, object] = {}
    for column in SHEETS[cells.sheet]:
        if column.name in special:
            columns[column.name] = special[column.name]()
        elif column.kind in ("number", "whole"):
            columns[column.name] = number_column(cells, column)
        elif column.kind == "yes_no":
            columns[column.name] = _yes_no_column(cells, column.name)
        elif column.kind == "choice":
            columns[column.name] = _choice_column(cells, column)
        elif column.kind == "text":
            columns[column.name] = text_column(cells, column.name)
    return pd.DataFrame(columns, index=cells.frame.index)


def text_column(cells: Cells, name: str) -> pd.Series:
    """Text as it stands; empty becomes missing."""
    text = cells.column(name)
    return text.where(text != "").astype("str")


def word_column(
    cells: Cells, name: str, meaning: Mapping[str, str], remedy: Callable[[str], Wording]
) -> pd.Series:
    """Replace every filled cell by what it means; a cell without meaning is refused."""
    text = cells.column(name)
    values = text.unique().tolist()
    result = text.map({value: meaning.get(plain(value)) for value in values}).astype("str")
    cells.refuse(result.isna() & (text != ""), name, remedy)
    return result


def _choice_column(cells: Cells, column: Column) -> pd.Series:
    """Read a column of fixed words, in any case."""
    meaning = {plain(choice): choice for choice in column.words}
    variant = "count_kind" if column.name == "count_kind" else "listed"

    def remedy(value: str) -> Wording:
        if column.name == "outcome" and plain(value) in {*NO_FISH, "no"}:
            return say("not_a_choice.outcome")
        near = did_you_mean(value, column.words)
        return say(f"not_a_choice.{variant}", choices=", ".join(column.words), near=near)

    return word_column(cells, column.name, meaning, remedy)


def _yes_no_column(cells: Cells, name: str) -> pd.Series:
    """Read yes and no as true and false; empty is missing."""
    meaning = dict.fromkeys(map(plain, _YES), "yes") | dict.fromkeys(map(plain, _NO), "no")
    short = say("not_a_choice.yes_no")
    long = say("not_a_choice.yes_no_notes")
    words = word_column(cells, name, meaning, lambda v: long if len(v) > 1 else short)
    truths = pd.array((words == "yes").to_numpy(bool), dtype="boolean")
    truths[words.isna().to_numpy(bool)] = pd.NA
    return pd.Series(truths, index=words.index)


def method_column(cells: Cells, methods: pd.DataFrame) -> pd.Series:
    """Read the method by its name, or by a label that no other has, in any case."""
    labels = methods["label"].map(plain)
    meaning = {label: str(name) for name, label in labels[~labels.duplicated(keep=False)].items()}
    meaning |= {plain(str(name)): str(name) for name in methods.index}
    names = [str(name) for name in methods.index]

    def remedy(value: str) -> Wording:
        several = methods.index[labels == plain(value)]
        if len(several):
            return say("method_unknown.label", names=" or ".join(map(str, several)))
        near = did_you_mean(value, names)
        if near:
            return say("method_unknown.near", near=near)
        return say("method_unknown.listed", names=", ".join(names))

    return word_column(cells, "method", meaning, remedy)
