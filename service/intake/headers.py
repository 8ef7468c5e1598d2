"""What a column of somebody's sheet seems to be, by its header and its cells.

Words are compared by rapidfuzz, contents by what a column must hold. A guess is for people to
read and correct; only names that are exactly ours are taken without being shown first.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

from service.intake.columns import NO_FISH, PRESENT, SHEETS, WORDS, known_names, plain
from service.intake.numbers import number_of, spelt_number
from service.intake.times import BEFORE_DATE, shown_orders
from service.intake.units import CLOCK, STOPWATCH, canonical_unit, duration_parts, known_units
from service.reference.species_lists import language_names
from service.reference.spelling import misspelt

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from service.intake.columns import Column
    from service.intake.findings import Cells
    from service.intake.times import DateOrder

__all__ = [
    "DENIED",
    "HHMM",
    "LOST",
    "OPEN",
    "Header",
    "Names",
    "date_order",
    "disagreeing",
    "is_of_counts",
    "meanings",
    "said_of_gear",
    "spelt",
    "unit_of_time",
    "word_for",
]

_NEAR: Final = 88.0  # of 100: a letter or two of a long word
_LOOKED_AT: Final = 500  # distinct values of a column
_UNIT: Final = re.compile(r"^(?P<words>.*?)[\s,]*[(\[](?P<unit>[^()\[\]]*)[)\]]\s*\.?$")
# Without brackets "in" says when gear came into the water, not inches.
_TAIL: Final = re.compile(r"(?i)^(?:(?P<words>.+?)[\s_]+)?(?!in$)(?P<unit>\S+)$")
_NUMERO: Final = re.compile(r"N\s*[°º]\.?|№", re.IGNORECASE)  # numbers of what, not how many
_ZONE: Final = re.compile(r"UTM\s*(?:zone)?\s*(\d{1,2})\s*([NS])?", re.IGNORECASE)
_PASS_WORDS: Final = "|".join(sorted(WORDS["passes"]["words"], key=len, reverse=True))
_PASS: Final = re.compile(
    rf"\b(?:{_PASS_WORDS})\s*(?P<behind>[1-9])\b|"
    rf"\b(?P<before>[1-9])\s?(?:st|nd|rd|th|er|re|eme|e|de|ste|te|a|o)?\s+(?:{_PASS_WORDS})\b"
)
_PASS_TAIL: Final = re.compile(r"^(.+\S)\s+([1-9])$")
_OF_TIME: Final = ("min", "s", "h")
# T1 with a unit of time is how long the first pass took.
_TIME_OF_PASS: Final = re.compile(r"t\s*([1-9])")
_LETTERS: Final = str.maketrans({"ø": "o", "æ": "ae", "œ": "oe"})
_SURE_DEGREES: Final = re.compile(
    r"(?:.+ )?(?:lon|lng|lat|longitude|latitude)|(?:end )?long|.*(?:grad|graad)|"
    r"(?:end )?(?:(?:ooster|wester)lengte|(?:noorder|zuider)breedte)"
)
_DIRECTIONS: Final = {
    side: re.compile(rf"\b(?:{'|'.join(words)})\b") for side, words in WORDS["directions"].items()
}
_ROUND_HOURS: Final = 10  # from here on 12:30:00 may be minutes and seconds of a spreadsheet
OPEN: Final = "?"
"""Unit of durations such as 0:45, of which nobody says what their parts are."""
# What stands below these is a number of fish, or is refused with its place.
_SURE_COUNTS: Final = frozenset(
    {"count", *WORDS["headers"]["catches"]["count"]}
    - {"no", "total", "number", "catch", "caught", "n", "nb"}
)
_OF_PASSES: Final = ("minutes", "count", "passes", "pass_no")  # that Pass 1 may stand above
_OF_FISH: Final = frozenset({"length", *WORDS["headers"]["lengths"]["length_mm"]})
DENIED: Final = re.compile(
    r"\b(?:not|no|non|without|never|nicht|kein\w*|ohne|niet|geen|pas|sans|inte|"
    r"ingen|inga|aucune?)\b"
)
"""Words that deny what stands behind them, in what `spelt` gives."""
_DAY: Final = re.compile(
    rf"{BEFORE_DATE}"
    r"(?:\d{1,2}[-/.]\d{1,2}[-/.]\d\d( .*)?|\d{4}[-/.]\d{1,2}[-/.]\d{1,2}([T ].*)?|"
    r"\d{1,2}[-/.]\d{1,2}[-/. ]\d{4}( .*)?|"
    r"\d{1,2}\.?[ \-/][^\W\d]{3,9}\.?[ \-/]\d{4}( .*)?|[^\W\d]{3,9}\.? \d{1,2},? \d{4}( .*)?|"
    r"\d{1,2}(?:st|nd|rd|th) [^\W\d]{3,9},? \d{4}( .*)?|20\d\d[01]\d[0-3]\d)"
)
_CLOCK: Final = re.compile(
    r"(kl\.? ?)?(\d{1,2}[:.hu]\d\d(:\d\d)?(\s*([ap]\.?m\.?|uhr|uur|u|h))?|\d{1,2}\s*(uhr|uur|u|h))",
    re.IGNORECASE,
)
# A time of day that is no number: what else stands in its column is refused with its place.
_SURE_CLOCK: Final = re.compile(
    r"\d{1,2}[:h]\d\d(:\d\d)?(\s*[ap]\.?m\.?)?|\d{1,2}(\.\d\d)?\s*(h|[ap]\.?m\.?)", re.IGNORECASE
)
HHMM: Final = re.compile(r"(?:[01]?\d|2[0-3])[0-5]\d")
"""A time of day without a mark, as 0830, or 830 where a spreadsheet took the 0 away."""
# A time of day, if it is no duration: 830, or 8.3 where a spreadsheet took the 0 of 8.30 away.
_MAY_BE_CLOCK: Final = re.compile(rf"{HHMM.pattern}|(?:1?\d|2[0-3])[.,][0-5]\d?0*")
_GRID: Final = re.compile(r"epsg|utm|^\d{4,5}$", re.IGNORECASE)
_SERIAL: Final = re.compile(r"[2-7]\d{4}([.,]\d+)?")
# Words beside the name of a fish that say no more than that fish of it were counted.
_OF_COUNTS: Final = frozenset(
    word for listed in WORDS["headers"]["catches"]["count"] for word in listed.split()
) | {"of", "count", "older", "other", "others"}
_DECIMAL_DEGREES: Final = re.compile(
    r"[NSEW]?\s*[+-]?\d{1,3}[.,]\d{3,}\s*°?\s*[NSEW]?", re.IGNORECASE
)


def _unit_in_words(word: str) -> str:
    """Tell the unit of time that a word names; other units are not told from words."""
    unit = canonical_unit(word) if len(word) > 2 else ""
    return unit if unit in ("min", "s", "h") else ""


def _is_number(text: str) -> bool:
    return number_of(text, decimal_comma=True) is not None


def spelt(text: str) -> str:
    """Bring words to the form in which they are compared: no accents, case or signs.

    Examples
    --------
    >>> spelt("Cours d'eau"), spelt("Gewässer-Nr."), spelt("Længde_Ø")
    ('cours d eau', 'gewasser nr', 'laengde o')
    """
    bare = unicodedata.normalize("NFKD", text.casefold().translate(_LETTERS))
    bare = "".join(sign for sign in bare if not unicodedata.combining(sign))
    return " ".join(re.sub(r"[^a-z0-9+]+", " ", bare).split())


LOST: Final = frozenset({spelt(word) for word in ("lost", *WORDS["outcomes"]["lost"])})
"""What people write where a gear was lost, as `spelt` gives it."""


def is_of_counts(words: str) -> bool:
    """Whether words say no more than that fish were counted."""
    return set(words.split()) <= _OF_COUNTS


def unit_of_time(text: str) -> str:
    """Find the one unit of time that words name, as in "net hours": s, min or h; else ''.

    Examples
    --------
    >>> unit_of_time("seconds of current"), unit_of_time("net hours"), unit_of_time("nets per hour")
    ('s', 'h', '')
    """
    words = spelt(text).split()
    units = {canonical_unit(word) for word in words} & {"s", "min", "h"}
    return units.pop() if len(units) == 1 and "per" not in words else ""


@dataclass(frozen=True)
class Header:
    """A column of somebody's sheet: its header, each filled value once, whether some are empty."""

    text: str
    cells: tuple[str, ...]
    blank: bool

    @classmethod
    def of(cls, cells: Cells) -> list[Header]:
        """Every column of a sheet."""
        headers = []
        for name, column in cells.frame.items():
            texts = dict.fromkeys(column.tolist())
            filled = [text for text in texts if text]
            headers.append(cls(str(name), tuple(filled[:_LOOKED_AT]), len(filled) < len(texts)))
        return headers

    @cached_property
    def unit(self) -> str:
        """Unit that the header states, as in `UNITS`; '' where it states none."""
        fit = _UNIT.match(self.text)
        stated = canonical_unit(fit["unit"]) if fit else ""
        if stated or (fit and fit["words"]):
            return stated
        tail = _TAIL.match(self.text)
        if tail and (of_tail := canonical_unit(tail["unit"])):
            return of_tail
        return next(filter(None, map(_unit_in_words, spelt(self.text).split())), "")

    @cached_property
    def utm(self) -> str:
        """CRS that the header names by its UTM zone on WGS 84; '' where it names none."""
        fit = _ZONE.search(self.text)
        if not fit or not 1 <= int(fit[1]) <= 60:
            return ""
        south = (fit[2] or "N").upper() == "S"
        return f"EPSG:{(32700 if south else 32600) + int(fit[1])}"

    @cached_property
    def words(self) -> str:
        """The words of the header without unit and number of a pass."""
        if _NUMERO.fullmatch(self.text):
            return "nr"
        tail = _TAIL.match(self.text)
        apart = tail if tail and tail["words"] and canonical_unit(tail["unit"]) else None
        fit = _UNIT.match(self.text) or apart
        words = spelt(fit["words"] if fit and fit["words"] else self.text)
        if self.pass_no:
            words = _PASS.sub(" ", "" if _TIME_OF_PASS.fullmatch(words) else words)
            last = _PASS_TAIL.match(words)
            words = last[1] if last and last[2] == self.pass_no else words
        return " ".join(words.split())

    @cached_property
    def pass_no(self) -> str:
        """Number of the pass that the header names; '' where it names none."""
        text = spelt(_UNIT.sub(lambda fit: fit["words"] or fit[0], self.text))
        fit = _PASS.search(text)
        if fit:
            return fit["behind"] or fit["before"]
        if self.unit in _OF_TIME and (fit := _TIME_OF_PASS.fullmatch(text)):
            return fit[1]
        tail = _PASS_TAIL.match(text)
        return tail[2] if tail else ""

    def share(self, pattern: re.Pattern[str]) -> float:
        """Share of the values that a pattern fits."""
        return sum(bool(pattern.fullmatch(t)) for t in self.cells) / max(len(self.cells), 1)

    @cached_property
    def numeric(self) -> bool:
        """Whether nine in ten values, and at least one, are numbers."""
        numbers = sum(_is_number(text) or text.startswith("=") for text in self.cells)
        return bool(self.cells) and numbers >= 0.9 * len(self.cells)

    def read_as(self, column: Column, least: float = 0.9) -> bool:
        """Whether this share of values, and at least one, are numbers for a column, or durations.

        Units may stand in them.
        """
        read = sum(
            _is_number(text)
            or spelt_number(text, column, decimal_comma=True) is not None
            or (column.name == "minutes" and least < 0.9 and bool(duration_parts(text)))
            or (column.name == "count" and plain(text) in PRESENT)
            for text in self.cells
        )
        return bool(self.cells) and read >= least * len(self.cells)

    @cached_property
    def in_cells(self) -> bool:
        """Whether every value has its unit, or other words, with it."""
        return bool(self.cells) and not any(map(_is_number, self.cells))

    @cached_property
    def duration(self) -> str:
        """Unit of durations such as 1:20 or 0:45:00, `OPEN` where none is stated; '' if no such."""
        parts = [duration_parts(text) for text in self.cells]
        if not parts or [] in parts:
            return ""
        if self.unit in ("h", CLOCK, STOPWATCH):
            return STOPWATCH if self.unit == STOPWATCH else CLOCK
        sure = all(len(own) == 3 and own[0] < _ROUND_HOURS for own in parts)
        return CLOCK if sure and not self.unit else OPEN

    def side(self, name: str) -> str:
        """Give the letter of the side that the header of a column of degrees says, or ''.

        Numbers below one of the north or the east need none.
        """
        if not name.endswith(("longitude", "latitude")):
            return ""
        sides = "WE" if name.endswith("longitude") else "SN"
        sides = sides[:1] if self.numeric else sides
        return next((one for one in sides if _DIRECTIONS[one].search(spelt(self.text))), "")

    @property
    def counts(self) -> bool:
        """Whether a column may have counts: whole numbers, or words for none."""
        odd = [
            text
            for text in self.cells
            if not re.fullmatch(r"[<>~]?\s*\d+\+?", text) and plain(text) not in NO_FISH
        ]
        return len(odd) <= 0.2 * len(self.cells)

    @property
    def is_day(self) -> bool:
        """Whether nine in ten values are days, with or without a time; but for lost gear."""
        told = [text for text in self.cells if spelt(text) not in LOST]
        return sum(bool(_DAY.fullmatch(text)) for text in told) >= 0.9 * max(len(told), 1)

    @property
    def is_serial(self) -> bool:
        """Whether nine in ten values may be a spreadsheet's numbers of days."""
        return self.share(_SERIAL) >= 0.9

    @property
    def is_clock(self) -> bool:
        """Whether nine in ten values are times of day."""
        return self.share(_CLOCK) >= 0.9

    @property
    def may_be_clock(self) -> bool:
        """Whether each value is a time of day, if it is no duration."""
        return self.share(_MAY_BE_CLOCK) == 1

    @property
    def some_clock(self) -> bool:
        """Whether some value can only be a time of day, and not all are days."""
        return not self.is_day and any(map(_SURE_CLOCK.fullmatch, self.cells))

    @property
    def is_degrees(self) -> bool:
        """Whether the values are decimal degrees, or degrees with minutes or letters."""
        return self.share(_DECIMAL_DEGREES) >= 0.5 or any("°" in text for text in self.cells)


@dataclass(frozen=True)
class Names:
    """A species list by what people write."""

    species: pd.DataFrame

    @cached_property
    def exact(self) -> dict[str, str]:
        """Names by scientific name, and by a vernacular name that no other has."""
        listed = {spelt(str(name)): str(name) for name in self.species.index}
        common: dict[str, set[str]] = {}
        for name, vernacular in language_names(self.species).items():
            common.setdefault(spelt(str(vernacular)), set()).add(str(name))
        single = {word: min(names) for word, names in common.items() if len(names) == 1}
        return single | listed

    @cached_property
    def _near(self) -> dict[str, str]:
        """Names by a shortened genus, and by the last word of a vernacular, where one has it."""
        several: dict[str, set[str]] = {}
        for words, name in self.exact.items():
            if " " not in name:
                continue
            first, _, last = words.rpartition(" ")
            genus, epithet = spelt(name).split(" ", 1)
            short = f"{genus[0]} {epithet}" if words == spelt(name) else last if first else ""
            if short:
                several.setdefault(short, set()).add(name)
        return {short: min(names) for short, names in several.items() if len(names) == 1}

    def find(self, text: str, *, exact: bool = False) -> str:
        """Find the species meant, '' where none or several may be."""
        words = spelt(text)
        if words in self.exact:
            return self.exact[words]
        if exact or not words:
            return ""
        if words in self._near:
            return self._near[words]
        if words.endswith("s") and (
            one := self.exact.get(words[:-1]) or self._near.get(words[:-1])
        ):
            return one  # eels
        bare = " ".join(word for word in words.split() if word not in _OF_COUNTS)
        if bare and bare != words:
            return self.find(bare)
        near = {name for of, name in self.exact.items() if _written_for(words, of)}
        return near.pop() if len(near) == 1 else ""

    @cached_property
    def _words(self) -> frozenset[str]:
        """Words of vernacular names, and of scientific ones those below the genus."""
        scientific = {spelt(str(name)) for name in self.species.index}
        return frozenset(
            word
            for words in self.exact
            for word in (words.split()[1:] if words in scientific else words.split())
            if len(word) > 3
        )

    def mentioned(self, text: str) -> bool:
        """Whether a word stands here that names of fish have, such as trout."""
        return bool(self._words & set(spelt(text).split()))


def _written_for(words: str, name: str) -> bool:
    """Whether words are a long name with a letter or two wrong; loach is no roach."""
    return min(len(words), len(name)) >= 9 and misspelt(words, name, letters=6)


def word_for(text: str, lists: dict[str, list[str]]) -> str:
    """Find the list that has a word near to this one, or one of its words; '' where not one has."""
    from rapidfuzz import fuzz  # loaded when words are compared

    words = spelt(text)
    denied = bool(DENIED.search(words))
    best: dict[str, float] = {}
    for name, known in lists.items():
        for word in {spelt(one) for one in (*known, name)}:
            score = 100.0 if word == words else 0.0
            if min(len(word), len(words)) >= 5 and not denied:
                score = max(score, fuzz.ratio(word, words))
            if len(word) >= 4 and not denied and re.search(rf"\b{re.escape(word)}\b", words):
                score = max(score, _NEAR + 4 * len(word) / len(words))
            best[name] = max(best.get(name, 0.0), score)
    top = max(best.values(), default=0.0)
    names = [name for name, score in best.items() if score == top]
    return names[0] if top >= _NEAR and len(names) == 1 else ""


def said_of_gear(text: str) -> str:
    """Find a word in a remark that says that gear was lost or moved; '' where none does."""
    words = f" {spelt(text)} "
    denied = DENIED.search(words)
    return next((w for w in WORDS["remarks"]["gear"] if f" {w} " in words and not denied), "")


def meanings(header: Header) -> list[tuple[float, str, str]]:
    """List what a header may mean: likelihood of 100, sheet and our column, best first.

    A column that must have numbers, or another unit, is not meant.
    """
    from rapidfuzz import fuzz, process

    found: list[tuple[float, str, str]] = []
    bare = not header.words or header.words in WORDS["times"]["clock"]
    if header.pass_no and bare and header.unit in known_units("min"):
        return [(100.0, "placements", "minutes")]
    of_pass = bool(_PASS.search(spelt(header.text)))
    undirected = header.words
    for pattern in _DIRECTIONS.values():
        undirected = " ".join(pattern.sub(" ", undirected).split()) or header.words
    for sheet in ("placements", "catches", "lengths", "sites"):
        exact = known_names(sheet).get(plain(header.text))
        words = WORDS["headers"].get(sheet, {})
        for column in SHEETS[sheet]:
            listed = [spelt(one) for one in (column.name, *column.aliases)]
            if column.unit:
                listed.append(spelt(column.name.rsplit("_", 1)[0]))
            listed += words.get(column.name, [])
            whole = column.unit != "degrees" or header.words in listed
            said = header.words if whole else undirected
            best = process.extractOne(said, listed, scorer=fuzz.ratio)
            score = 101.0 if exact == column.name else best[1] if best else 0.0
            if score < 100 and len(said) < 5:
                continue
            if of_pass and column.name not in _OF_PASSES:
                continue
            directed, sure = said != header.words, score >= 100
            if score >= _NEAR and _fits(header, column, directed=directed, sure=sure):
                found.append((score, sheet, column.name))
    return sorted(found, key=lambda one: -one[0])


def disagreeing(header: Header) -> tuple[str, str]:
    """Find the column of numbers that a header names, where most of its cells are none."""
    if header.numeric or not header.cells or header.unit == "degrees":
        return "", ""
    for sheet in ("placements", "lengths"):
        words = WORDS["headers"][sheet]
        for column in SHEETS[sheet]:
            listed = {spelt(one) for one in (column.name, *column.aliases)}
            known = header.words in listed | set(words.get(column.name, []))
            number = column.kind in ("number", "whole") and column.unit != "degrees"
            if known and number and not header.read_as(column, 0.5):
                return sheet, column.name
    return "", ""


def _fits(header: Header, column: Column, *, directed: bool, sure: bool) -> bool:
    """Whether the contents and the stated unit may be those of a column.

    Below a header that names the column (`sure`), half the values may be no numbers: they are
    refused with their rows, not left out.
    """
    name, kind, unit = column.name, column.kind, column.unit
    of_ground = header.unit in ("m", "km")
    if name == ("length_mm" if of_ground else "stretch_length_m") and header.words in _OF_FISH:
        return False  # a fish is not so long, and a stretch not so short
    # A number of fish released, an age in years, a place in a grid. Days and times of day are
    # looked for by their contents.
    numeric = name in ("fate", "life_stage") and header.numeric
    place = name == "crs" and not all(map(_GRID.search, header.cells))
    if numeric or place or kind == "time":
        return False
    if header.unit:
        if unit == "degrees" or header.unit == "degrees":
            return unit == header.unit
        if header.unit not in known_units(unit):
            return False
    if unit == "degrees":
        named = directed or header.unit == "degrees" or _SURE_DEGREES.fullmatch(header.words)
        return header.is_degrees or bool(named and (header.numeric or header.read_as(column)))
    if name == "minutes" and header.duration:
        return True
    if kind in ("number", "whole") and header.cells and not header.numeric:
        if name == "count":
            return header.counts or header.words in _SURE_COUNTS or header.read_as(column)
        return header.read_as(column, 0.5 if sure else 0.9)
    if name in ("easting", "northing"):
        return not header.is_degrees
    return True


def date_order(headers: Iterable[Header]) -> DateOrder | None:
    """Say how dates such as 03/04/2024 are meant, if a date of these columns settles it."""
    settled = {
        order
        for header in headers
        for orders in shown_orders(header.cells).values()
        for order in orders
    }
    return settled.pop() if len(settled) == 1 else None
