"""A mapping file suggested for sheets never seen before, to be read and corrected by people.

What each column seems to be comes from `service.intake.headers`; here tables get their parts, and
the mapping is written with the first values of every column beside it.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from layers.frames import PASS_MINUTES
from service import reference
from service.intake.column_guesses import NOT_NEEDED, Table, beside_nothing, read_table
from service.intake.columns import SHEETS, WORDS, known_names, plain
from service.intake.headers import (
    OPEN,
    Header,
    Names,
    date_order,
    spelt,
    unit_of_time,
)
from service.intake.numbers import numbers_of
from service.intake.shapes import fill_down
from service.intake.tables import TITLE
from service.intake.units import CLOCK, STOPWATCH

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd
    import pandas as pd

    from service.intake.findings import Cells
    from service.intake.times import DateOrder
    from service.store import Store

__all__ = ["METHOD_OF_ALL", "suggest", "suggest_for"]

METHOD_OF_ALL: Final = ("", "method")
"""Key of `Suggestion.meant` and of what is chosen, where no column names the method."""

_UNITS: Final = {(sheet, c.name): c.unit for sheet, own in SHEETS.items() for c in own}
_YEAR_LAST: Final = re.compile(r"(?<!\d)\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d\d(?!\d))")
_SHOWN: Final = 3  # values beside a column
_ASKED: Final = ("mm", "g", "m²", "m/s", "µS/cm", "mg/l")  # not to be guessed where not stated
_LINKED: Final = 0.8  # share of rows of fish whose placement is found, at least
_BELOW_SPECIES: Final = ("subspecies", "ssp", "subsp", "variety", "var", "form")
_LONGEST: Final = 30  # characters of a value that is shown
_COUNTED_IN: Final = ("mm", "g", "m²")  # units of what figures are made of
_OF_PLACE: Final = tuple(("placements", name) for name in ("site", "stream_name", "method"))
_NEAR_M: Final = 5_000.0  # around the network


@dataclass(frozen=True)
class Suggestion:
    """A mapping as text, and what it takes the sheets for.

    Attributes
    ----------
    text
        TOML; empty where no sheet is one of placements.
    said
        What was seen, in sentences.
    open_questions
        What somebody has to decide; those that change figures stop an import by the mapping.
    meant
        What each column is taken for, by file and header: `sheet.column`, `day:begin`,
        `clock:end`, `count:` with a species or nothing; '' = left out, `NOT_NEEDED` = left out
        and not asked about. Where no column names the
        method, `METHOD_OF_ALL` has that of all placements, '' = not known.
    """

    text: str
    said: tuple[str, ...]
    open_questions: tuple[str, ...]
    meant: dict[tuple[str, str], str]


def suggest(
    tables: Sequence[Cells],
    species: pd.DataFrame,
    methods: Sequence[str],
    crs: str = "",
    chosen: Mapping[tuple[str, str], str] | None = None,
    *,
    order: DateOrder | None = None,
    reaches: gpd.GeoDataFrame | None = None,
) -> Suggestion:
    """Suggest a mapping for the tables of all files, under their own headers.

    Parameters
    ----------
    crs
        CRS of the store, offered for positions in metres.
    chosen
        What somebody takes columns for, as `Suggestion.meant`; it is followed.
    order
        How dates such as 03/04/2024 are meant, where somebody says it.
    reaches
        The store's, in `crs`: easting and northing are exchanged where only so they lie near.
    """
    names = Names(species)
    read = [read_table(cells, names, methods, chosen or {}) for cells in tables]
    for table in read:
        _exchange(table, reaches, chosen or {})
    meant = {key: own for key, own in (chosen or {}).items() if own == NOT_NEEDED}
    meant |= {(t.cells.file, header.text): t.meant(header) for t in read for header in t.headers}
    roles = _roles(read)
    if "placements" not in roles:
        nothing = "No sheet has dates beside a method, a position or fish; none is of placements."
        return Suggestion("", (), (nothing,), meant)
    said_method = (chosen or {}).get(METHOD_OF_ALL, "")
    writer = _Writer(roles, crs, said_method, order)
    if "method" not in writer.placement:
        meant[METHOD_OF_ALL] = said_method
    used = [table.cells.file for table in roles.values()]
    unread = [table.cells.file for table in read if table.cells.file not in used]
    if unread:
        writer.questions.append(f"Not read by this mapping: {', '.join(unread)}.")
    text = writer.text()
    questions = (*writer.stops.values(), *writer.questions)
    return Suggestion(text, tuple(_said(writer)), questions, meant)


def suggest_for(
    store: Store,
    tables: Sequence[Cells],
    chosen: Mapping[tuple[str, str], str] | None = None,
    order: DateOrder | None = None,
) -> Suggestion:
    """Suggest a mapping by the lists and the network of a store; else as `suggest`."""
    about = store.species(), [str(name) for name in store.methods().index], store.settings.crs
    reaches = reference.network(store).reaches
    return suggest(tables, *about, chosen, order=order, reaches=reaches)


def _exchange(
    table: Table, reaches: gpd.GeoDataFrame | None, chosen: Mapping[tuple[str, str], str]
) -> None:
    """Exchange easting and northing where only so the positions lie near the network."""
    keys = ("placements", "easting"), ("placements", "northing")
    if reaches is None or not len(reaches) or not all(key in table.from_ for key in keys):
        return
    pair = tuple(table.from_[key] for key in keys)
    x, y = (
        numbers_of(table.cells.column(header.text).to_numpy(object), decimal_comma=True)
        for header in pair
    )
    west, south, east, north = reaches.total_bounds + _NEAR_M * np.array([-1, -1, 1, 1])
    as_said, exchanged = (
        (a > west) & (a < east) & (b > south) & (b < north) for a, b in ((x, y), (y, x))
    )
    said = any((table.cells.file, header.text) in chosen for header in pair)
    if not said and not as_said.any() and exchanged[(x != 0) & (y != 0)].all() and exchanged.any():
        table.from_.update(zip(keys, pair[::-1], strict=True))
        table.open.append(
            f"{pair[0].text} and {pair[1].text} look exchanged, and are read so: only then the "
            "positions lie near the network."
        )


def _roles(tables: list[Table]) -> dict[str, Table]:
    """Which table has the placements, which the fish, which the sites."""

    def likely(table: Table) -> int:
        known = sum(sheet == "placements" for sheet, _ in table.from_)
        return (known + 5) * bool(table.days) if table.places or table.has(
            "placements", "method"
        ) or table.fish else 0  # fmt: skip

    roles: dict[str, Table] = {}
    best = max(tables, key=likely, default=None)
    if best is None or not likely(best):
        return roles
    roles["placements"] = best
    others = [table for table in tables if table is not best]
    if not best.fish:
        fish = [table for table in others if table.fish]
        if len(fish) == 1:
            roles["catches"] = fish[0]
    sites = [table for table in others if not table.days and not table.fish and table.places]
    if len(sites) == 1 and not best.places:
        roles["sites"] = sites[0]
    return roles


class _Writer:
    """Writes the mapping of tables whose roles are known."""

    def __init__(
        self, roles: dict[str, Table], crs: str, method: str, order: DateOrder | None
    ) -> None:
        self.roles, self.crs, self.method, self.order = roles, crs, method, order
        self.stops: dict[str, str] = {}
        self.main = roles["placements"]
        self.fish = roles.get("catches", self.main)
        self.one = self.fish is self.main
        self.rows = "placement"
        if self.fish.has("catches", "species"):
            measured = any(sheet == "lengths" for sheet, _ in self.fish.from_)
            self.rows = "fish" if measured else "catch"
        self.repeats = self.one and self.rows != "placement"
        self.questions: list[str] = []
        # Numbers beside fish that nobody counted may be how many there were.
        settled = {*self.fish.doubtful, *self.fish.totals}
        self.uncounted = [
            header.text
            for header in self.fish.left
            if header.cells and header.counts and set(header.cells) != {"1"} and not header.unit
            and not self.fish.has("catches", "count") and header.text not in settled
        ]  # fmt: skip
        if self.uncounted:
            columns, many = ", ".join(self.uncounted), len(self.uncounted) > 1
            said = f"Whether fish are counted in {columns} is not clear"
            if not self.fish.has("catches", "species"):
                names = "are no names" if many else "is no name"
                said += (
                    f": {columns} {names} in the species list. Add the species to the list, or say "
                    "which listed species it is; where no fish are counted, leave the column out"
                )
            self.questions.append(f"{said}.")
        for name in self.fish.doubtful:
            self.questions.append(
                f"What is counted in {name} is not clear: say which species, pass and stage, or "
                "leave the column out."
            )
        if self.main.unsettled:
            days = ", ".join(self.main.unsettled)
            self.questions.append(f"Which of these is the day of fishing is not clear: {days}.")
        self._take_codes()
        self.folded = self._pass_of_rows()
        self._ask_set_apart()
        self.down = self._filled_down() if self.repeats else []
        self.frame = fill_down(self.main.cells, tuple(self.down)).frame
        self.key = self._key()
        self.placement = {
            column: header
            for header in self.main.headers
            for (sheet, column), own in self.main.from_.items()
            if own is header and sheet == "placements"
        }
        differing = {
            column
            for column, header in self.placement.items()
            if self.repeats and not (self._constant([header.text]) or self._said_once(header))
        }
        catches = {column.name for column in SHEETS["catches"]}
        for header in filter(self._tells_apart, self.main.left if self.repeats else ()):
            self.stops[header.text] = (
                f"{header.text} differs within what is read as one placement; where it tells "
                "placements apart, add it to placement_id, and to fill_down where cells repeat."
            )
        self.of_catches = {c: self.placement.pop(c) for c in sorted(differing & catches)}
        for column in sorted(differing - catches):
            name = self.placement.pop(column).text
            self.stops[name] = f"{name} differs within a placement, and is left out."

    def _take_codes(self) -> None:
        """Take a column of codes for the ids of placements, where each row with a day has its own.

        Codes that repeat are those of places or species, or of placements in a row for each pass.
        """
        main, day = self.main, next(iter(self.main.days.values()), None)
        if main.has("placements", "placement_id") or day is None:
            return
        dated = main.cells.frame[day.text] != ""
        for header in main.left if not self.repeats or not dated.all() else ():
            own = main.cells.frame[header.text]
            if not set(header.words.split()) & set(WORDS["gear_names"]["codes"]):
                continue
            if ((own != "") == dated).all() and (
                own[dated].is_unique or self._pass_of_rows(header) == [header.text]
            ):
                main.from_["placements", "placement_id"] = header
                main.left.remove(header)
                return

    def _ask_set_apart(self) -> None:
        """Ask where words of a column say that a row is of setting, another of lifting."""
        words = [{*map(spelt, WORDS["times"][which])} for which in ("begin", "end")]
        for header in self.main.left:
            began, ended = ([t for t in header.cells if spelt(t) in own] for own in words)
            if not (began and ended and len(began) + len(ended) == len(header.cells)):
                continue
            when = [_toml({"when": {header.text: own}})[2:-2] for own in (began, ended)]
            times = [h.text for k in (self.main.days, self.main.clocks) for h in k.values()]
            made = _toml({"text": " ".join(f"{{{name}}}" for name in times)})[2:-2]
            self.stops[header.text] = (
                f"{header.text}: {began[0]} and {ended[0]} stand in rows of their own, which would "
                'be two placements. Give both rows one placement_id, and write rows = "catch", '
                f"set_at = [{{ {made}, {when[0]} }}] and lifted_at = [{{ {made}, {when[1]} }}]."
            )

    def _pass_of_rows(self, named: Header | None = None) -> list[str]:
        """Columns that name a placement of which each row is one pass; none where rows are not."""
        main = self.main
        number = main.from_.get(("catches", "pass_no"))
        if self.repeats or not self.one or number is None:
            return []
        named = named or main.from_.get(("placements", "placement_id"))
        place = [main.from_[k] for k in _OF_PLACE if k in main.from_]
        of_day = [h.text for h in (*place, *main.days.values())] if place and main.days else []
        for own in filter(None, ([named.text] if named else [], of_day)):
            ids = main.cells.frame[own]
            unique = not main.cells.frame[[*own, number.text]].duplicated().any()
            if (ids != "").all(axis=None) and ids.duplicated().any() and unique:
                return own
        if of_day and main.cells.frame[of_day].duplicated().any() and {*number.cells} - {"1"}:
            self.stops[number.text] = (
                f"{number.text}: whether rows of one place and day are passes of one placement is "
                "not clear. Where they are, join them by a table [fold]."
            )
        return []

    def _fold(self) -> list[str]:
        """Write how rows of one pass become a placement; where other columns differ, notes do."""
        if not (self.folded and self.fish.columns):
            return []
        number = self.main.from_["catches", "pass_no"].text
        lines = ["", "[fold]", f"by = {_toml(self.key)}", f"pass_no = {_toml(number)}"]
        for which, line in (("begin", 'min = ["set_at"]'), ("end", 'max = ["lifted_at"]')):
            lines += [line] * (which in self.main.clocks)
        if self.main.rules.get("minutes"):
            lines.append('sum = ["minutes"]  # of all passes; each pass keeps its own too')
        if "notes" in self.placement:
            lines.append('join = ["notes"]')
        return lines

    def _ids(self, names: Sequence[str]) -> pd.Series:
        first, others = self.frame[names[0]], list(names[1:])
        return first.str.cat(self.frame[others], sep="\x1f") if others else first

    def _constant(self, names: Sequence[str]) -> bool:
        """Whether columns are the same in all rows of a placement."""
        ids = self._ids(self.key)
        return bool((self._ids(names).groupby(ids).nunique() <= 1).all())

    def _said_once(self, header: Header) -> bool:
        """Whether a column is filled in first rows alone, where all that repeats is left empty."""
        first = ~self._ids(self.key).duplicated()
        return bool(self.down and (first | (self.frame[header.text] == "")).all())

    def _tells_apart(self, header: Header) -> bool:
        """Whether a column left out may name placements that the key makes one of.

        It stands where placements begin, or is named as a gear, station or code of no species is.
        """
        frame = self.main.cells.frame
        own = frame[header.text]
        begins = any(np.array_equal(own == "", frame[name] == "") for name in self.down[:1])
        words = set(header.words.split())
        named = bool(words & set(WORDS["gear_names"]["words"]))
        # Said in every row, it makes blocks of rows within a placement.
        pairs = self._ids(self.key) + "\x1f" + own
        blocks = int((pairs != pairs.shift()).sum()) == pairs.nunique() < len(pairs)
        if (self.rows == "catch" and words & set(WORDS["gear_names"]["codes"])) or (
            blocks and not header.blank
        ):
            species = self.fish.cells.frame[self.fish.from_["catches", "species"].text]
            named |= bool((own.groupby(species).nunique() > 1).any())
        filled = own.mask(own == "").ffill().fillna("") if self.down else own
        return (begins or named) and bool((filled.groupby(self._ids(self.key)).nunique() > 1).any())

    def _filled_down(self) -> list[str]:
        """Columns that are empty in the same rows, all but the first of a placement."""
        frame, found = self.main.cells.frame, dict[tuple[bool, ...], list[str]]()
        fish = (frame[self.fish.from_["catches", "species"].text] != "").to_numpy(bool)
        own = [h for (sheet, _), h in self.main.from_.items() if sheet == "placements"]
        for header in (*own, *self.main.days.values(), *self.main.clocks.values()):
            empty = (frame[header.text] == "").to_numpy(bool)
            if empty.any() and not empty[0] and (fish | ~empty).all():
                found.setdefault(tuple(empty.tolist()), []).append(header.text)
        heads = {h.text for h in self.main.days.values()}
        if ("placements", "placement_id") in self.main.from_:
            heads.add(self.main.from_["placements", "placement_id"].text)
        return max((own for own in found.values() if heads & set(own)), key=len, default=[])

    def _key(self) -> list[str]:
        """Their columns that name a placement: one with ids, else as few as tell them apart."""
        main = self.main
        if self.folded:
            return self.folded
        named = main.from_.get(("placements", "placement_id"))
        times = [*main.days.values(), *main.clocks.values()]
        place, of_method = (
            [main.from_[k] for k in keys if k in main.from_]
            for keys in (_OF_PLACE[:2], _OF_PLACE[2:])
        )
        about = [h.text for h in (*place[:1], *times, *of_method)]
        if named is not None:
            self.key = [named.text]
            filled = bool((self.frame[named.text] != "").all())
            alone = not self.repeats and self.frame[named.text].is_unique
            # Times that differ below one id are refused by the check: they may be of no placement.
            sure = [h.text for h in (*place[:1], *main.days.values(), *of_method)]
            if filled and (alone or (self.repeats and self._constant(sure))):
                return self.key
        for n in range(len(place[:1]) + len(main.days), len(about) + 1):
            self.key = about[:n]
            if self.repeats and self._constant(about):
                break
            if not self.repeats and self._ids(self.key).is_unique:
                break
        else:
            self.questions.append("No columns tell every placement from every other.")
        return self.key

    def text(self) -> str:
        """Write everything."""
        files = dict.fromkeys(table.cells.file for table in self.roles.values())
        lines = [
            f"# Suggested for {', '.join(files)}. Left is our column, right theirs.",
            "# Read every line, those with a ? first.",
            *["", "[shape]", *self._shape()],
            *["", "[placements]", *self._placements()],
            *self._sites(),
            *self._catches(),
            *self._fold(),
        ]
        for table in self.roles.values():
            used = {header.text for header in self.of_catches.values()}
            left = [header for header in table.left if header.text not in used]
            if left:
                lines += ["", f"# Left out of {table.cells.file}:"]
                lines += [f"#   {_toml(header.text)}{_values(header)}" for header in left]
            named = {*self.uncounted, *table.doubtful, *table.totals, *self.stops, *table.stops}
            asked = [h.text for h in left if h.cells and not any(h.text in one for one in named)]
            if asked:
                self.questions.append(
                    f"Left out of {table.cells.file}: {', '.join(asked)}. Whatever is needed gets "
                    "a line above, our column = theirs; then delete this one."
                )
            self.questions += table.open
            self.stops |= table.stops
        if self.stops:
            lines += ["", "[open]  # settle each above, then delete its line here"]
            lines += [f"{_bare(what)} = {_toml(asked)}" for what, asked in self.stops.items()]
        lines += ["", *(f"# ? {question}" for question in self.questions)]
        return "\n".join(lines).rstrip() + "\n"

    def _shape(self) -> list[str]:
        lines = []
        if self.repeats or self.rows == "fish":
            lines.append(f'rows = "{self.rows}"  # what a row of the sheet with the fish is')
        if self.down:
            lines.append(f"fill_down = {_toml(self.down)}  # empty cells repeat the one above")
        days = [*self.main.days.values()]
        if any(_YEAR_LAST.search(text) for day in days for text in day.cells):
            order = self.order or date_order(days)
            if order:
                by = "as somebody said" if self.order else "settled by a date of the sheet"
                lines.append(f'date_order = "{order}"  # {by}')
            else:
                lines.append(
                    '# date_order = "dmy"  # ? or "mdy": no date settles it; take out the #'
                )
                self.questions.append("No date settles whether day or month comes first.")
        nothing = '# no_rows_mean = "nil"  # ? without the #: where no fish stand, none were caught'
        return [*lines, nothing]

    def _placements(self) -> list[str]:
        main = self.main
        named = main.from_.get(("placements", "placement_id"))
        own = named is not None and self.key == [named.text]
        made = " ".join(f"{{{name}}}" for name in self.key)
        rule = _toml(self.key[0]) if own else _toml({"text": made})
        lines = [f"placement_id = {rule}" + ("" if own else "  # no column has ids of placements")]
        titled = [header for header in main.left if header.text == TITLE and not header.blank]
        if "survey" not in self.placement and titled:
            lines.append(f"survey = {_toml(TITLE)}  # ?{_values(titled[0])[3:]}")
            main.left.remove(titled[0])
        elif "survey" not in self.placement:
            stem = re.sub(r"[\W_]+", " ", main.cells.file.partition(".")[0]).strip()
            lines.append(f"survey = {_toml({'constant': stem})}  # ? no column names the survey")
        lines += self._times()
        lines += [
            self._line(column, "placements", main, header)
            for column, header in self.placement.items()
            if column not in ("placement_id", "minutes")
        ]
        if "method" not in self.placement and self.method:
            lines.append(f"method = {_toml({'constant': self.method})}  # no column names it")
        elif "method" not in self.placement:
            self.questions.append("No column names the method.")
            lines.append(f"# method = {_toml({'constant': 'kick_net'})}  # ? which; take out the #")
        lines += self._effort()
        if "easting" in self.placement and "crs" not in self.placement:
            lines.append(self._crs(self.placement["easting"]))
        return lines

    def _crs(self, easting: Header) -> str:
        if easting.utm:
            return f"crs = {_toml({'constant': easting.utm})}  # stated in the header"
        self.questions.append("No header says in which grid the positions are.")
        return f"# crs = {_toml({'constant': self.crs})}  # ? the store's; theirs may be another"

    def _times(self) -> list[str]:
        lines = []
        days, clocks = self.main.days, self.main.clocks
        day = days.get("begin")
        for ours, which in (("set_at", "begin"), ("lifted_at", "end")):
            on, at = days.get(which) or (day if which in clocks else None), clocks.get(which)
            if on is None:
                continue
            if at is not None and which not in days and any(":" in text for text in on.cells):
                # The day of the beginning has the time of the beginning, not that of the end.
                self.stops[at.text] = f"On which day the times in {at.text} are is not clear."
                self.main.left.append(at)
                continue
            if which in self.main.timed:
                timed = self.main.timed[which]
                rule = _toml({"from": [timed.text, on.text]} | _in_utc(timed, [timed.text]))
            elif at is not None and not any(":" in text for text in on.cells):
                rule = _toml({"text": f"{{{on.text}}} {{{at.text}}}"})
            else:
                about = {"serial": True} if on.is_serial else _in_utc(on, True)
                rule = _toml({"from": on.text} | about if about else on.text)
            maybe = self.main.maybe_clocks.get(which)
            if maybe in self.main.left and at is None and maybe.may_be_clock:
                self.questions.append(self.main.stops.pop(maybe.text))  # its line asks for it
                whole = _toml({"text": f"{{{on.text}}} {{{maybe.text}}}"})
                rule = f'"?"  # {whole} where {maybe.text} has times of day, else {rule}'
            doubt = "# ? " if on.text in self.main.unsettled else ""
            lines.append(f"{doubt}{ours} = {rule}{_values(on)}")
        return lines

    def _effort(self) -> list[str]:
        parts = self.main.rules.get("minutes", {})
        of_pass = [h.text for h in self.main.headers if h.text in parts and h.pass_no]
        if whole := [name for name in parts if of_pass and name not in of_pass]:
            self.stops[", ".join(whole)] = (
                f"{', '.join(whole)} may be the sum of {', '.join(of_pass)} and is left out; where "
                "it is not, add it to minutes."
            )
            parts = {name: parts[name] for name in of_pass}
        if not parts:
            return self._effort_by_unit()
        names, units = list(parts), set(parts.values())
        columns = ", ".join(names)
        if OPEN in units:
            first = next(h.cells[0] for h in self.main.headers if parts.get(h.text) == OPEN)
            self.stops[columns] = (
                f"{columns}: {first} may be hours and minutes or minutes and seconds; take out one "
                f'# before minutes, unit = "{CLOCK}" or unit = "{STOPWATCH}", or choose above the '
                "column."
            )
        if units == {""}:
            self.stops[columns] = (
                f"The unit of {columns} is not stated: choose it above the column, or write it."
            )
        if len(units) > 1:
            self.stops[columns] = f"{columns} are in several units, and left out."
            return []
        written = units.pop()
        if written == OPEN:
            hours, minutes = (self._minutes(parts, unit) for unit in (CLOCK, STOPWATCH))
            return [
                *(f"# {line}  # ? if hours and minutes; take out the #" for line in hours),
                *(f"# {line}  # ? if minutes and seconds; take out the #" for line in minutes),
                *self._passes(names, hours),
            ]
        lines = self._minutes(parts, written)
        if not written:
            lines = [f"# {line}  # ? no unit stated; take out the # if minutes" for line in lines]
        return [*lines, *self._passes(names, lines)]

    def _passes(self, names: list[str], minutes: list[str]) -> list[str]:
        """Count the passes that have minutes, where these are summed."""
        summed = len(names) > 1 and "minutes =" in minutes[0]
        return [f"passes = {_toml({'filled': names})}"] * (
            summed and "passes" not in self.placement
        )

    def _minutes(self, parts: Mapping[str, str], written: str) -> list[str]:
        """Write how long it took, by pass where every column is one of a pass."""
        names = list(parts)
        unit = {"unit": written} if written not in ("min", "") else {}
        of_pass: dict[str, list[str]] = {}
        for header in self.main.headers:
            if header.text in parts and header.pass_no:
                of_pass.setdefault(str(header.pass_no), []).append(header.text)
        by_pass = written and max(map(int, of_pass), default=0) <= len(PASS_MINUTES)
        if len(names) > 1 and by_pass and sum(map(len, of_pass.values())) == len(names):
            rules = {k: {"sum": own} if own[1:] else {"from": own[0]} for k, own in of_pass.items()}
            return [f"minutes_pass_{k} = {_toml(own | unit)}" for k, own in rules.items()]
        rule: dict[str, object] = {"from": names[0]} if len(names) == 1 else {"sum": names}
        return [f"minutes = {_toml(names[0] if len(names) == 1 and not unit else rule | unit)}"]

    def _effort_by_unit(self) -> list[str]:
        """Minutes from a column of numbers whose units stand in another: effort, effort unit."""
        left = self.main.left
        for beside in left:
            fit = re.fullmatch(r"(.+) units?", spelt(beside.text))
            stems = {fit[1], f"{fit[1]} value"} if fit else set()
            value = next((h for h in left if spelt(h.text) in stems and h.numeric), None)
            units = {text: unit_of_time(text) for text in beside.cells}
            if value is None or not units or not set(units.values()) <= {"s", "min", "h"}:
                continue
            if not stems & {"minutes", *WORDS["headers"]["placements"]["minutes"]}:
                continue
            rules = [
                _toml({"from": value.text, "unit": unit, "when": {beside.text: text}})
                for text, unit in units.items()
            ]
            self.main.left = [header for header in left if header not in (value, beside)]
            return [
                "minutes = [  # ? each number in the unit beside it",
                *(f"    {rule}," for rule in rules),
                "]",
            ]
        return []

    def _sites(self) -> list[str]:
        """Positions from a sheet of places, and that sheet."""
        sites = self.roles.get("sites")
        if sites is None or ("placements", "site") not in sites.from_:
            return []
        lines = []
        for (_, column), header in sites.from_.items():
            if column in ("longitude", "latitude", "easting", "northing"):
                rule = _toml(_rule(column, "placements", header, "from_site"))
                lines.append(f"{column} = {rule}{_values(header)}")
        if ("placements", "easting") in sites.from_:
            lines.append(self._crs(sites.from_["placements", "easting"]))
        known = {column.name for column in SHEETS["sites"]}
        lines += ["", "[sites]"]
        for (_, column), header in sites.from_.items():
            if column in known:
                lines.append(self._line(column, "sites", sites, header))
        return lines

    def _catches(self) -> list[str]:
        fish, lines = self.fish, list[str]()
        own = {c: h for (sheet, c), h in fish.from_.items() if sheet == "catches"} | self.of_catches
        if not self.one:
            catches = {column.name for column in SHEETS["catches"]} - {"placement_id"}
            own = {c: h for (_, c), h in fish.from_.items() if c in catches} | own
            lines.append(f"placement_id = {self._owner()}")
        lines += [self._line(column, "catches", fish, header) for column, header in own.items()]
        if self.uncounted and self.fish.has("catches", "species") and not fish.columns:
            near = " or ".join(map(_toml, self.uncounted[:_SHOWN]))
            lines.append(f'count = "?"  # ? the column that counts the fish, as {near}; or no line')
        if lines:
            lines = ["", "[catches]", *lines]
        lengths = {c: h for (sheet, c), h in fish.from_.items() if sheet == "lengths"}
        if self.rows == "fish":
            lines += ["", "[lengths]"]
            lines += [self._line(name, "lengths", fish, own) for name, own in lengths.items()]
            kind = _length_type(lengths)
            if kind and not lines[-1].startswith("#"):
                lines.append(f"length_type = {_toml({'constant': kind})}  # as the header says")
        lines += self._species_list()
        if fish.columns or fish.doubtful:
            lines += ["", "[columns]  # columns with counts, and what is counted"]
            lines += [f"{_toml(name)} = {_toml(about)}" for name, about in fish.columns.items()]
        if unsure := [*fish.doubtful, *beside_nothing(fish, self.uncounted)]:
            unclear = ", ".join(unsure)
            lines.append(f'"?" = {{}}  # ? what is counted in {unclear}; settled: delete this line')
        return lines

    def _species_list(self) -> list[str]:
        """Say what makes a species list, where the store has none of these names."""
        named = self.fish.from_.get(("catches", "species"))
        if named is None or self.fish.rules.get("species") or not self.fish.unlisted:
            return []
        lines = ["", "[species]  # for --missing-species", f"species = {_toml(named.text)}"]
        for column, words in WORDS["headers"]["species"].items():
            own = [h for h in self.fish.left if h.words in words]
            if len(own) == 1:
                below = {t: "species" for t in own[0].cells if spelt(t) in _BELOW_SPECIES}
                rule = {"from": own[0].text, "values": below} if below else own[0].text
                lines.append(f"{column} = {_toml(rule)}{_values(own[0])}")
                self.fish.left.remove(own[0])
        return lines

    def _owner(self) -> str:
        """How the sheet of fish names its placements."""
        fish = self.fish.cells.frame
        if all(name in fish for name in self.key):
            same = " ".join(f"{{{name}}}" for name in self.key)
            return _toml(self.key[0] if len(self.key) == 1 else {"text": same})
        ids = set(self.frame[self.key[0]])
        shares = {name: fish[name].isin(ids).mean() for name in fish.columns}
        best = max(shares, key=lambda name: shares[name])
        if len(self.key) > 1 or shares[best] < _LINKED:
            asked = "Which column of the fish names the placement is not clear."
            self.stops["placement_id of catches"] = asked
        return _toml(best)

    def _line(self, column: str, sheet: str, table: Table, header: Header) -> str:
        """Write the rule of one column, with its first values beside it."""
        rule, unit = _rule(column, sheet, header), _UNITS[sheet, column]
        if table.rules.get(column):
            rule["values"] = table.rules[column]
        line = f"{column} = {_toml(rule if len(rule) > 1 else header.text)}{_values(header)}"
        ours = known_names(sheet).get(plain(header.text)) == column
        other = re.search(r"[(\[]\s*(%|\w+/\w+)\s*[)\]]", header.text)
        if unit in _ASKED and other and not header.unit:
            return f"# {line}  ? {other[1]} is not {unit}, nor converted to it; leave it out"
        if unit not in _ASKED or header.unit or header.in_cells or ours:
            return line
        if unit in _COUNTED_IN:
            self.stops[header.text] = f"The unit of {header.text} is not stated, such as {unit}."
        return f"# {line}  ? no unit stated; take out the # if {unit}"


def _length_type(lengths: Mapping[str, Header]) -> str:
    """How fish were measured, where the header of their lengths says it and no column does."""
    if "length_mm" not in lengths or "length_type" in lengths:
        return ""
    words = lengths["length_mm"].words
    return next((kind for kind, listed in WORDS["length_types"].items() if words in listed), "")


def _in_utc(header: Header, rule: object) -> dict[str, object]:
    """Say that times are in UTC where the header does."""
    return {"utc": rule} if {"utc", "gmt"} & set(spelt(header.text).split()) else {}


def _rule(column: str, sheet: str, header: Header, source: str = "from") -> dict[str, object]:
    """Write where a column comes from, and in which unit it stands there."""
    rule: dict[str, object] = {source: header.text}
    unit = _UNITS.get((sheet, column), "")
    if side := header.side(column):
        rule["unit"] = f"°{side}"
    elif header.unit and header.unit != unit and unit != "degrees":
        rule["unit"] = header.unit
    return rule


def _values(header: Header) -> str:
    shown = ", ".join(text[:_LONGEST].replace("\n", " ") for text in header.cells[:_SHOWN])
    return f"  # {shown}" + ", …" * (len(header.cells) > _SHOWN) if shown else ""


def _toml(value: object) -> str:
    """Write a value on one line of TOML."""
    if isinstance(value, dict):
        own = ", ".join(f"{_bare(name)} = {_toml(each)}" for name, each in value.items())
        return f"{{ {own} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False)


def _bare(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)


def _said(writer: _Writer) -> list[str]:
    """Say in sentences what the sheets are taken for."""
    rows = {
        "placement": "each row is one pass" if writer.folded else "each row is a placement",
        "catch": "each row is a catch",
        "fish": "each row is a fish",
    }
    said = [f"{table.cells.file}: taken for {role}" for role, table in writer.roles.items()]
    said[0] += f"; {rows[writer.rows]}" if writer.one else ""
    counted = writer.fish.columns
    kinds = [word for word, key in (("species", "species"), ("passes", "pass_no"))
             if any(key in about for about in counted.values())]  # fmt: skip
    if kinds:
        said.append(f"{' and '.join(kinds)} are columns: {', '.join(counted)}")
    return said
