"""Ditto marks: signs in a cell that say what the cell above it says."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from service.intake.cell_texts import among
from service.intake.columns import DITTO, NO_FISH, PRESENT, SHEETS, WORDS, known_names, plain
from service.intake.headers import Header
from service.intake.numbers import number_of, spelt_number

if TYPE_CHECKING:
    from collections.abc import Iterable

    from service.intake.findings import Cells

__all__ = ["with_dittos"]

_OF_WORDS: Final = {
    c.name: c.kind not in ("number", "whole") and c.name not in ("notes", "note")
    for own in SHEETS.values()
    for c in own
}
_COUNT: Final = next(column for column in SHEETS["catches"] if column.name == "count")
# What stands above columns of words and times, and above those of numbers and notes.
_SAID: Final = {
    word: _OF_WORDS.get(name, True)
    for listed in WORDS["headers"].values()
    for name, words in listed.items()
    for word in words
} | {word: True for which in ("day", "clock", "begin", "end") for word in WORDS["times"][which]}


def with_dittos(cells: Cells, names: Iterable[str] | None = None) -> Cells:
    """Read ditto marks as the filled cell above them, in columns of words, days and times.

    Notes stay as they are. A mark below a number may be a number too, such as 11; it stays, to be
    refused, but in the columns `names`, where these are given, all of which are read.
    """
    frame = cells.frame.copy(deep=False)
    for name in frame.columns if names is None else [n for n in names if n in frame]:
        text = frame[name]
        marks = among(text, DITTO)
        if not marks.any() or (names is None and not _of_words(name, text[~marks].unique())):
            continue
        above = text.mask(marks).ffill().fillna("").astype("str")
        which = marks & (above != "")
        first = next(iter(above[which]), "")
        cells.read_as(which, name, "ditto", above=first)
        frame[name] = text.mask(which, above).astype("str")
    return replace(cells, frame=frame)


def _of_words(header: str, texts: Iterable[str]) -> bool:
    """Whether a column is of words or times, by its header or else by its cells."""
    known = [own[plain(header)] for own in map(known_names, SHEETS) if plain(header) in own]
    if known:
        return _OF_WORDS[known[0]]
    words = Header(header, (), blank=False).words
    return _SAID[words] if words in _SAID else not any(map(_counted, texts))


def _counted(text: str) -> bool:
    words = plain(text) in PRESENT | NO_FISH or spelt_number(text, _COUNT) is not None
    return words or number_of(text, decimal_comma=True) is not None
