"""Loading plain lists, of species, surveys and sites: file → checked frame → store."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.crs import read_crs
from layers.errors import CrsError
from layers.frames import FRAMES
from layers.totals import ALL_IS_TOTALS, is_all
from service.columns import SHEETS
from service.errors import Fault, FieldFileError, RequestError
from service.records import is_zone
from service.reference.closing import sentences_of_effect
from service.reference.column_names import named_as_ours
from service.reference.loading_layers import Loaded
from service.reference.species_lists import with_names, with_parents
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from layers.arrays import Bools
    from service.store import Store

__all__ = ["load_list"]

# Key of each list, and its other columns.
_LISTS: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "species": ("species", tuple(FRAMES["species"].kinds)),
    "surveys": ("survey", tuple(column.name for column in SHEETS["surveys"][1:])),
    "sites": ("site", tuple(column.name for column in SHEETS["sites"][1:])),
}
# What a column may hold, and whether several of them, with semicolons between.
_WORDS: Final[dict[str, tuple[tuple[str, ...], bool]]] = {
    "rank": (("species", "genus", "family"), False),
    "habitats": (("stream", "still", "brackish"), True),
    "sensitivity": (("none", "1", "10", "50", "withheld"), False),
}


def load_list(
    store: Store,
    name: str,
    raw: pd.DataFrame,
    *,
    who: str,
    file: str = "list",
    check_only: bool = False,
    parents: bool = False,
) -> Loaded:
    """Add to, or change, the species list, the surveys or the sites; whole or not at all.

    Parameters
    ----------
    raw
        The list as read, its columns named as ours; the index has rows as a spreadsheet counts.
    check_only
        Store nothing; say what is wrong, and of species what their sensitivity would hide.
    parents
        Add an entry for each genus and family of the species, for fish not taken further.

    Raises
    ------
    RequestError
        The key column is missing.
    FieldFileError
        A key is empty or doubled, or a value is none that its column may have; all of them, by
        row.
    """
    key, columns = _LISTS[name]
    taken = list(filter(None, [raw.attrs.get("read_as", "")]))
    if name == "species":
        raw, renamed = named_as_ours(raw, "species")
        raw, also = with_names(raw, store.species())
        taken += renamed + also
    if key not in raw:
        raise RequestError(
            f"There is no column {key} among {', '.join(map(str, raw.columns[:20]))}; "
            f"say which one it is, as {key}=THEIRS.",
            option=f"--map {key}=THEIRS",
        )
    frame = raw[[column for column in (key, *columns) if column in raw]].copy()
    checks = _Checks(file, [int(row) for row in frame.index])
    frame = frame.reset_index(drop=True)
    for column in frame.columns:
        if column.startswith(("min_", "max_")):
            frame[column] = checks.lengths(frame[column], column)
        else:
            text = frame[column].astype("str").str.strip()
            frame[column] = text.where(text.ne(""), None)
    checks.keys(frame[key], key)
    if name == "species":
        _check_species(frame, store, checks)
        checks.genera(frame["species"], raw)
    if name == "surveys":
        _check_surveys(frame, store, checks)
    if checks.faults:
        raise FieldFileError(sorted(checks.faults, key=lambda fault: fault.row))
    sentences = []
    if parents:
        frame, added_above = with_parents(frame, store.species().index)
        taken.append(f"Entries for fish not taken further: {', '.join(added_above) or 'none'}.")
    if name == "species":
        sentences = sentences_of_effect(store, frame)
        taken += _changes(store.species(), frame.set_index(key)) if check_only else []
    if check_only:
        sentences = [f"{name.capitalize()}: {len(frame)} read, nothing stored.", *taken, *sentences]
    else:
        put = {"species": store.put_species, "surveys": store.put_surveys, "sites": store.put_sites}
        added, changed = put[name](frame, who=who)
        same = len(frame) - added - changed
        counts = f"{added} added, {changed} changed, {same} the same as stored"
        sentences = [f"{name.capitalize()}: {counts}.", *taken, *sentences]
    left = [
        str(column) for column in raw.columns if column not in (key, *columns, "genus", "geometry")
    ]
    if left:
        sentences.append(f"Columns not used: {', '.join(left)}.")
    return Loaded(sentences)


def _changes(stored: pd.DataFrame, given: pd.DataFrame) -> list[str]:
    """Say by column what a list would change of what is stored."""
    known = given[given.index.isin(stored.index)]
    said = []
    for column in known.columns:
        before, after = (
            own[column].reindex(known.index).astype(object).where(own[column].notna(), "")
            for own in (stored, known)
        )
        differs = before != after
        if differs.any():
            first = known.index[differs][0]
            example = f"{first}: {before[first] or 'empty'} → {after[first] or 'empty'}"
            said.append(f"Would change {column} of {differs.sum()} species, such as {example}.")
    return [f"Would add {len(given) - len(known)} species.", *said]


class _Checks:
    """Faults of one list, gathered before anything is said."""

    def __init__(self, file: str, rows: list[int]) -> None:
        self.file = file
        self.rows = rows
        self.faults: list[Fault] = []

    def refuse(
        self,
        which: Bools | pd.Series,
        column: str,
        values: Sequence[object],
        remedy: str | Callable[[str], str],
    ) -> None:
        """Refuse the marked rows."""
        for place in np.flatnonzero(np.asarray(which, dtype=bool)).tolist():
            own: Any = values[place]
            value = "" if pd.isna(own) else str(own)
            said = remedy if isinstance(remedy, str) else remedy(value)
            self.faults.append(Fault(self.file, self.rows[place], column, value[:200], said))

    def keys(self, names: pd.Series, key: str) -> None:
        """Refuse keys that are empty, name total rows, or stand there more than once."""
        self.refuse(names.map(is_all), key, names.tolist(), ALL_IS_TOTALS)
        self.refuse(names.isna(), key, names.tolist(), "it is empty; give a name")
        doubled = names.notna() & names.duplicated()
        first = dict(zip(map(str, names.tolist()[::-1]), self.rows[::-1], strict=True))
        self.refuse(
            doubled,
            key,
            names.tolist(),
            lambda value: f"it stands there twice, first in row {first[value]}; keep one",
        )

    def lengths(self, column: pd.Series, name: str) -> pd.Series:
        """Read lengths in millimetres."""
        text = column.astype("str").str.strip()
        filled = column.notna() & text.ne("")
        values = pd.to_numeric(
            text.where(filled, None).str.replace(",", ".", regex=False), errors="coerce"
        )
        wrong = filled & ~((values > 0) & np.isfinite(values))
        self.refuse(
            wrong, name, column.tolist(), "it is not a length above 0 in mm; give a number alone"
        )
        return values.where(~wrong).astype(float)

    def genera(self, names: pd.Series, raw: pd.DataFrame) -> None:
        """Refuse a genus with which the name of its species does not begin."""
        genera = raw["genus"] if "genus" in raw else pd.Series(None, index=raw.index, dtype="str")
        genus = genera.reset_index(drop=True).astype("str").str.strip()
        filled = genera.reset_index(drop=True).notna() & genus.ne("")
        wrong = filled & names.notna() & names.str.split(" ").str[0].ne(genus)
        wrong &= names.str.contains(" ", na=False)
        self.refuse(wrong, "genus", genus.tolist(), "the name of the species begins with another")

    def words(self, frame: pd.DataFrame, column: str, known: Sequence[str], *, many: bool) -> None:
        """Refuse words that a column does not know."""
        if column not in frame:
            return
        texts = frame[column]
        strange = {
            str(text): word
            for text in texts.dropna().unique().tolist()
            for word in [one.strip() for one in (str(text).split(";") if many else [str(text)])][
                ::-1
            ]
            if word not in known
        }
        some = "one or more, with semicolons between, of " if many else "one of "
        self.refuse(
            texts.isin(list(strange)),
            column,
            texts.tolist(),
            lambda value: (
                f"{strange[value]!r} is not known; give {some}{', '.join(known)}"
                + did_you_mean(strange[value], list(known))
            ),
        )


def _check_species(frame: pd.DataFrame, store: Store, checks: _Checks) -> None:
    if "sensitivity" in frame:
        # Spreadsheets turn 1 into 1.0.
        frame["sensitivity"] = frame["sensitivity"].str.replace(r"\.0$", "", regex=True)
    for column, (known, many) in _WORDS.items():
        checks.words(frame, column, known, many=many)
    checks.words(frame, "detected_by", tuple(map(str, store.methods().index)), many=True)
    for column in ("sensitive_from", "sensitive_until"):
        if column in frame:
            text = frame[column]
            days = pd.to_datetime("2000-" + text, format="%Y-%m-%d", errors="coerce")
            checks.refuse(
                text.notna() & days.isna(),
                column,
                text.tolist(),
                lambda value: "it is not a day; write month and day, such as 03-15" + _day(value),
            )
    if {"min_length_mm", "max_length_mm"} <= set(frame):
        checks.refuse(
            frame["min_length_mm"] > frame["max_length_mm"],
            "min_length_mm",
            [f"{value:g}" for value in frame["min_length_mm"].tolist()],
            "min_length_mm is above max_length_mm; exchange them",
        )


def _day(value: str) -> str:
    """Offer a whole date without its year."""
    fit = re.fullmatch(r"\d{4}-(\d\d-\d\d)", value)
    return f"; here {fit[1]}" if fit else ""


def _check_surveys(frame: pd.DataFrame, store: Store, checks: _Checks) -> None:
    frame["timezone"] = (
        frame["timezone"] if "timezone" in frame else pd.Series(None, frame.index, dtype="str")
    ).fillna(store.settings.timezone)
    zones = frame["timezone"]
    wrong = [zone for zone in zones.unique().tolist() if not is_zone(zone)]
    checks.refuse(
        zones.isin(wrong),
        "timezone",
        zones.tolist(),
        lambda value: f"there is no zone {value!r}; give an IANA name such as Europe/Dublin",
    )
    for code in frame["crs"].dropna().unique().tolist() if "crs" in frame else ():
        try:
            read_crs(code)
        except CrsError as problem:
            checks.refuse(frame["crs"] == code, "crs", frame["crs"].tolist(), str(problem))
