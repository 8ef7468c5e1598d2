"""What each column of a table is taken for, by its header and its cells.

A column that may be two things is taken for neither: it is left to be settled by whoever reads the
suggested mapping, which is refused until then.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.columns import NO_FISH, WORDS, plain
from service.intake.headers import (
    DENIED,
    HHMM,
    OPEN,
    Header,
    Names,
    disagreeing,
    is_of_counts,
    meanings,
    spelt,
    word_for,
)
from service.intake.numbers import numbers_of
from service.intake.reading import SUM
from service.intake.units import CLOCK, canonical_unit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from service.intake.findings import Cells

__all__ = ["NOT_NEEDED", "Table", "beside_nothing", "read_table"]

NOT_NEEDED: Final = "-"
"""What a column is taken for that somebody leaves out, and need not be asked about."""

_MOST_VALUES: Final = 200  # of a column whose words are translated
_MOST: Final = 2  # that a header may say of a day
_OR_DURATIONS: Final = ("time", "zeit", "tijd", "tid")  # may also be how long it took
_METRES: Final = 10_000  # of a grid: no count of fish is so large
_AGE: Final = re.compile(r"\s*(?P<age>[>≥]?\s*\d\+)$")  # a class of age, which is no stage
_NAMED: Final = 0.5  # share of values that are species, at least, in a column of species


@dataclass
class Table:
    """A sheet, and what its columns are taken for: rules by sheet and our column."""

    cells: Cells
    headers: list[Header]
    rules: dict[str, dict[str, str]] = field(default_factory=dict)
    from_: dict[tuple[str, str], Header] = field(default_factory=dict)
    columns: dict[str, dict[str, str | int]] = field(default_factory=dict)
    left: list[Header] = field(default_factory=list)
    days: dict[str, Header] = field(default_factory=dict)
    clocks: dict[str, Header] = field(default_factory=dict)
    maybe_clocks: dict[str, Header] = field(default_factory=dict)
    timed: dict[str, Header] = field(default_factory=dict)
    open: list[str] = field(default_factory=list)
    stops: dict[str, str] = field(default_factory=dict)  # questions by header, to be settled first
    unsettled: list[str] = field(default_factory=list)  # columns of days, of which one is meant
    doubtful: list[str] = field(default_factory=list)  # columns of fish whose meaning is not known
    totals: list[str] = field(default_factory=list)  # columns that are the sum of others
    unlisted: bool = False

    def has(self, sheet: str, column: str) -> bool:
        """Whether a column is taken for this one of ours."""
        return (sheet, column) in self.from_

    def meant(self, header: Header) -> str:
        """Say what a column is taken for, as `Suggestion.meant`."""
        if header.text in self.columns:
            return f"count:{self.columns[header.text].get('species', '')}"
        for kind, kept in (("day", self.days), ("clock", self.clocks), ("day", self.timed)):
            for which, own in kept.items():
                if own is header:
                    return f"{kind}:{which}"
        if (unit := self.rules.get("minutes", {}).get(header.text)) is not None:
            return "placements.minutes" + f":{unit}" * (unit != _unit_of_time(header))
        return next((".".join(key) for key, own in self.from_.items() if own is header), "")

    @property
    def used(self) -> set[str]:
        """Headers of the columns that are taken for something."""
        times = (*self.days.values(), *self.clocks.values(), *self.timed.values())
        own = {header.text for header in (*self.from_.values(), *times)}
        return own | {*self.columns, *self.rules.get("minutes", {})}

    @property
    def fish(self) -> bool:
        """Whether it says which fish."""
        return self.has("catches", "species") or any("species" in c for c in self.columns.values())

    @property
    def places(self) -> bool:
        """Whether it has positions."""
        pairs = (("longitude", "latitude"), ("easting", "northing"))
        return any(all(self.has("placements", one) for one in pair) for pair in pairs)


def read_table(
    cells: Cells, names: Names, methods: Sequence[str], chosen: Mapping[tuple[str, str], str]
) -> Table:
    """Say what each column of a table is taken for; the best guess of all takes its column."""
    said = {header: own for (file, header), own in chosen.items() if file == cells.file}
    table = Table(cells, [h for h in Header.of(cells) if said.get(h.text) != NOT_NEEDED])
    for header in table.headers:
        if said.get(header.text):
            _take(table, header, said[header.text], names, methods)
    _take_letters(table, said)
    _take_by_headers(table, said, names, methods)
    if table.places:
        table.from_.pop(("placements", "waypoint"), None)
    _without_totals(table)
    _doubt(table, names)
    named = table.from_.get(("catches", "species"))
    table.unlisted = named is not None and not any(map(names.find, named.cells))
    table.left = [header for header in table.headers if header.text not in table.used]
    for header in (h for h in table.left if h.text not in said):
        sheet, column = disagreeing(header)
        if header.words in WORDS["grid_references"]["words"] and header.cells:
            sheet, column = "placements", "a place in a grid"
        if column and not table.has(sheet, column):
            table.stops[header.text] = (
                f"{header.text}: its header says {column}, but {header.cells[0]} is not read as one"
            )
    return table


def _take_by_headers(
    table: Table, said: Mapping[str, str], names: Names, methods: Sequence[str]
) -> None:
    """Take columns by contents, others for what their headers say, the best guess first."""
    open_: list[tuple[float, Header, str, str]] = []
    for header in (h for h in table.headers if h.text not in {*said, *table.used}):
        if not _known_by_contents(table, header, names, methods):
            open_ += [(score, header, sheet, own) for score, sheet, own in meanings(header)]
    crosswise = WORDS["crosswise"]
    along = any(h.is_degrees and h.words in crosswise["longitude"] for h in table.headers)
    wrong = "wetted_width_m" if along else "latitude"
    for _, header, sheet, column in sorted(open_, key=lambda one: -one[0]):
        if header.words in crosswise["latitude"] and header.is_degrees and column == wrong:
            continue
        parts = column == "minutes" and (header.pass_no or table.has(sheet, column))
        if header.text in table.used or (table.has(sheet, column) and not parts):
            continue
        if column == "method":
            _take(table, header, "placements.method", names, methods)
        if column == "minutes":
            table.rules.setdefault("minutes", {})[header.text] = _unit_of_time(header)
        table.from_.setdefault((sheet, column), header)


def _take_letters(table: Table, said: Mapping[str, str]) -> None:
    """Take N beside E for a position: numbers so large, or degrees, are no counts."""
    own = {h.words: h for h in table.headers if h.text not in said}
    pair = next(((own[a], own[b]) for a in "ns" for b in "ewo" if {a, b} <= set(own)), None)
    if pair is None or table.places:
        return
    if all(header.is_degrees for header in pair):
        columns = "latitude", "longitude"
    elif all(h.cells and _numbers(table, h.text).replace(0, np.nan).min() > _METRES for h in pair):
        columns = "northing", "easting"
    else:
        return
    for column, header in zip(columns, pair, strict=True):
        table.from_["placements", column] = header


def _unit_of_time(header: Header) -> str:
    """Find the unit of a duration that the header or every cell states; '' where neither does."""
    return (
        header.duration
        or header.unit
        or canonical_unit(header.words)
        or ("min" if header.in_cells else "")
    )


def _numbers(table: Table, header: str) -> pd.Series:
    """Numbers of a column; 0 where nothing stands, NaN where no number does."""
    own = table.cells.column(header)
    return pd.Series(numbers_of(own.to_numpy(object), decimal_comma=True), own.index)


def beside_nothing(table: Table, left: Sequence[str]) -> list[str]:
    """Of columns left out, those with numbers in a row that otherwise says: nothing caught."""
    own = list(table.columns)
    nothing = (table.cells.frame[own] != "").any(axis=1)
    for name in own:
        nothing &= _numbers(table, name).eq(0)
    return [name for name in left if (nothing & _numbers(table, name).gt(0)).any()]


def _without_totals(table: Table) -> None:
    """Leave out columns that are the sum of others; doubt those that may be, or that are doubled.

    A column of a species without pass and stage, beside others of it with them, is their total, or
    those that are left; that it is less than they shows the latter.
    """
    # Where a row names its fish, a column with a name of fish counts that fish in no other row.
    named = table.has("catches", "species")
    apart = [name for name, about in table.columns.items() if named and "species" in about]
    for name in apart:
        del table.columns[name]
    if table.columns and table.has("catches", "count"):
        apart.append(table.from_.pop(("catches", "count")).text)
    whole = sum(_numbers(table, name) for name in table.columns)
    for name in apart:
        same = (_numbers(table, name) == whole) if table.columns else np.zeros(1, dtype=bool)
        # A total that is wrong in a few rows is one all the same, and is flagged there.
        is_total = same.all() or (SUM.fullmatch(name) is not None and 2 * same.mean() >= 1)
        (table.totals if is_total else table.doubtful).append(name)
    own: dict[tuple[object, object], list[str]] = {}
    for name, about in table.columns.items():
        own.setdefault((about.get("species"), about.get("pass_no")), []).append(name)
    for (species, pass_no), names in own.items():
        plain_ones = [name for name in names if "life_stage" not in table.columns[name]]
        others = [name for name in names if name not in plain_ones]
        if pass_no is None and species is not None:
            others += [
                name
                for name, about in table.columns.items()
                if about.get("species") == species and "pass_no" in about
            ]
        stages = [table.columns[name].get("life_stage") for name in names if name in others]
        if len(plain_ones) > 1 or len(set(stages)) < len(stages):
            table.doubtful += names
            continue
        for name in plain_ones if others else []:
            whole_numbers, parts = _numbers(table, name), sum(_numbers(table, n) for n in others)
            if (whole_numbers == parts).all():
                del table.columns[name]
                table.totals.append(name)
            elif not (whole_numbers < parts).any():
                table.doubtful.append(name)


def _doubt(table: Table, names: Names) -> None:
    """Doubt numbers below a name of fish and words that are not understood."""
    if table.has("catches", "species"):
        return
    for header in table.headers:
        if header.text in {*table.used, *table.totals, *table.doubtful}:
            continue
        if header.unit and "per" not in spelt(header.text).split():
            continue
        if header.numeric and names.mentioned(header.text):
            table.doubtful.append(header.text)


def _known_by_contents(table: Table, header: Header, names: Names, methods: Sequence[str]) -> bool:
    """Take a column whose cells say what it is: days, times, species, methods, outcomes, counts."""
    if _known_as_time(table, header):
        return True
    if header.cells and not header.numeric and not table.has("catches", "species"):
        meant = any(column == "species" for *_, column in meanings(header))
        fish = [text for text in header.cells if _fish(names, text, exact=not meant)]
        if len(fish) >= _NAMED * len([t for t in header.cells if not _nothing(t)]) and fish:
            table.from_["catches", "species"] = header
            table.rules["species"] = _translated(header, {t: _fish(names, t) for t in header.cells})
            table.open += [
                f"{header.text}: {text!r} is not in the species list"
                for text in header.cells
                if not _fish(names, text) and not _nothing(text)
            ]
            return True
    # Where a name of fish stands alone, signs for present are refused below it, not left out.
    own = _counted(header, names)
    listed = "species" in own and not any(len(text) > 20 for text in header.cells)
    if own and (listed or (header.counts and (header.numeric or not header.cells))):
        table.columns[header.text] = own
        return True
    if len(header.cells) > _MOST_VALUES or header.numeric or not header.cells:
        return False
    lists = _words_of_methods(methods)
    for column, known in (("method", lists), ("outcome", WORDS["outcomes"])):
        found = {text: word_for(text, known) for text in header.cells}
        if all(found.values()) and not table.has("placements", column):
            if column == "outcome" and not any(m == "outcome" for *_, m in meanings(header)):
                continue
            _take(table, header, f"placements.{column}", names, methods)
            return True
    return False


def _words_of_methods(methods: Sequence[str]) -> dict[str, list[str]]:
    """List what people call each method of the store."""
    return {name: [*WORDS["methods"].get(name, []), name] for name in methods}


def _methods_named(text: str, known: Mapping[str, list[str]]) -> list[str]:
    """Methods of which a cell has a word: all, where it has words of several."""
    words = f" {spelt(text)} "
    exact = [name for name, own in known.items() if words.strip() in map(spelt, own)]
    several = [
        name
        for name, own in known.items()
        if any(len(one) > 3 and f" {spelt(one)} " in words for one in own)
    ]
    if len(exact) == 1 or len(several) < 2:
        return [one] if (one := word_for(text, dict(known))) else []
    return several


def _take(table: Table, header: Header, meant: str, names: Names, methods: Sequence[str]) -> None:
    """Take a column for what somebody says that it is."""
    kind, _, what = meant.partition(":")
    if kind in ("day", "clock"):
        (table.days if kind == "day" else table.clocks)[what] = header
        return
    if kind == "count":
        about: dict[str, str | int] = {"species": what} if what else {}
        table.columns[header.text] = about | (
            {"pass_no": int(header.pass_no)} if header.pass_no else {}
        )
        return
    ours, _, unit = meant.partition(":")
    sheet, _, column = ours.partition(".")
    table.from_[sheet, column] = header
    if column == "minutes":
        table.rules.setdefault("minutes", {})[header.text] = unit or _unit_of_time(header)
    elif column == "species":
        table.rules[column] = _translated(header, {t: _fish(names, t) for t in header.cells})
    elif column in ("method", "outcome"):
        known = _words_of_methods(methods) if column == "method" else WORDS["outcomes"]
        table.rules[column] = _translated(header, {t: word_for(t, known) for t in header.cells})
        for text in header.cells[:_MOST_VALUES] if column == "method" else ():
            named = _methods_named(text, known)
            if len(named) != 1:
                table.rules[column][text] = OPEN
                which = " or ".join(named) or "which of the store's methods"
                table.open.append(f"{header.text}: {text!r} is {which}? Write it in place of the ?")


def _known_as_time(table: Table, header: Header) -> bool:
    """Take a column of days or times of day, at which something began or ended.

    Of several columns of days the one is taken whose header says more that it is one of fishing;
    where two say as much, neither is sure. Times of day need a word for it: they may be durations.
    """
    times = WORDS["times"]
    lists = {name: times[name] for name in ("begin", "end")}
    words = header.words
    if header.is_clock and not set(words.split()).isdisjoint(times["since"]):
        table.open.append(f"{header.text}: a time of day, or how long after something?")
        return False
    # Words for the time of day say nothing of what was done then.
    done = " ".join(word for word in words.split() if word not in times["clock"])
    which = "end" if word_for(done, lists) == "end" else "begin"
    named = words in {*times["begin"], *times["end"]} or _names_a_clock(words, done)
    if header.is_clock or (named and header.some_clock):
        lasting = ["minutes", *WORDS["headers"]["placements"]["minutes"]]
        meant = word_for(done, lists) or word_for(
            words, lists | {"clock": [*times["clock"], *times["day"]], "min": lasting}
        )
        return (
            meant not in ("", "min")
            and header.unit in ("", CLOCK)
            and table.clocks.setdefault(which, header) is header
        )
    if header.unit in ("", CLOCK) and header.numeric and _names_a_clock(words, done):
        odd = [text for text in header.cells if not HHMM.fullmatch(text)]
        zero = any(text.startswith("0") and len(text) == 4 for text in header.cells)
        if not odd and (words not in _OR_DURATIONS or header.unit == CLOCK or zero):
            return table.clocks.setdefault(which, header) is header
        one = (odd or header.cells)[0]
        table.maybe_clocks[which] = header
        table.stops[header.text] = f"{header.text}: whether {one} is a time of day is not clear."
    elif _names_a_clock(words, done) and header.cells and not (header.is_day or header.unit):
        one = header.cells[0]
        table.stops[header.text] = (
            f"{header.text}: its header says time of day, but {one} is not read as one"
        )
    sure = _says_a_day(words)
    # What cannot be read below such a word is refused with its place, not left out.
    dated = words in WORDS["times"]["day"] and header.cells and not header.is_serial
    if not (header.is_day or (header.is_serial and sure) or dated):
        return False
    kept = table.days.setdefault(which, header)
    if kept is header:
        return True
    # Of two columns of days one may have times where it is filled, the other every day.
    if which not in table.timed:
        exact, day = sorted((kept, header), key=lambda one: not one.blank)
        if exact.blank and not day.blank and all(":" in text for text in exact.cells):
            table.timed[which], table.days[which] = exact, day
            return True
    before = _says_a_day(kept.words)
    if sure > before:
        table.days[which] = header
        table.unsettled = [name for name in table.unsettled if name != kept.text]
    elif sure == before:
        table.unsettled += [
            name for name in (kept.text, header.text) if name not in table.unsettled
        ]
    return sure > before


def _names_a_clock(words: str, done: str) -> bool:
    """Whether a header has a word for a time of day, and `done`, if any, for begin or end."""
    times = WORDS["times"]
    marks = {*times["begin"], *times["end"]}
    compound = words in marks and any(one in words for one in times["clock"] if len(one) > 2)
    return compound or (done != words and (not done or done in marks))


def _says_a_day(words: str) -> int:
    """How much words say of a day of fishing: they name it, have a word for it, or nothing."""
    lists = {name: WORDS["times"][name] for name in ("begin", "end", "day")}
    if words in {spelt(one) for listed in lists.values() for one in listed}:
        return _MOST
    return int(bool(word_for(words, lists)))


def _nothing(text: str) -> bool:
    return plain(text) in NO_FISH


def _fish(names: Names, text: str, *, exact: bool = False) -> str:
    """Find the species that a cell names; no bullhead is none."""
    return "" if DENIED.match(spelt(text)) else names.find(text, exact=exact)


def _translated(header: Header, meaning: dict[str, str]) -> dict[str, str]:
    return {text: meaning[text] for text in header.cells if meaning[text] not in ("", text)}


def _counted(header: Header, names: Names) -> dict[str, str | int]:
    """Say what a column of counts counts: a species, a pass, a life stage of it."""
    age = _AGE.search(header.text)
    words = spelt(header.text[: age.start()]) if age else header.words
    if age and (known := names.find(words)):
        return {"species": known, "life_stage": "".join(age["age"].split())}
    stage = next(
        (
            name
            for name, listed in WORDS["stages"].items()
            for one in (name, *listed)
            if re.search(rf"(?:^|\s){re.escape(one)}$", words)
        ),
        "",
    )
    listed = sorted({*WORDS["stages"].get(stage, []), stage}, key=len, reverse=True)
    bare = re.sub(rf"\s+(?:{'|'.join(map(re.escape, listed))})$", "", words) if stage else words
    if header.pass_no and not header.unit and is_of_counts(bare):
        return {"pass_no": int(header.pass_no)}
    known = names.find(words) if stage and names.find(words, exact=True) else names.find(bare)
    if not known or header.unit:
        return {}
    own: dict[str, str | int] = {"species": known}
    if header.pass_no:
        own["pass_no"] = int(header.pass_no)
    if stage and bare != words:
        own["life_stage"] = stage
    return own
