"""Plain lists, of species, surveys and sites: file → checked frame → store."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.frames import FRAMES
from service.columns import Column
from service.errors import FieldFileError, RequestError
from service.intake.cell_texts import as_number_typed, stripped
from service.intake.columns import SHEETS
from service.intake.findings import Cells, Findings
from service.intake.numbers import number_column
from service.intake.reading import TEXT_FILES, read_cells
from service.intake.surveys import refuse_crs, refuse_keys, refuse_zones
from service.intake.wording import say
from service.reference.closing import sentences_of_effect
from service.reference.column_names import named_as_ours
from service.reference.loading_layers import Loaded
from service.reference.species_lists import with_names, with_parents
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from pathlib import Path

    from service.intake.wording import Wording
    from service.store import Store

__all__ = ["load_list", "read_list"]

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
    frame = raw[[column for column in (key, *columns) if column in raw]]
    frame = frame.map(as_number_typed).fillna("").astype("str").apply(stripped)
    if name == "surveys":
        own = frame["timezone"] if "timezone" in frame else pd.Series("", frame.index)
        frame["timezone"] = own.replace("", store.settings.timezone)
    findings = Findings()
    cells = Cells(name, file, frame, findings)
    lengths = {
        name: number_column(cells, Column(name, "number", "", "mm", above_zero=True))
        for name in map(str, frame)
        if name.startswith(("min_", "max_"))
    }
    refuse_keys(cells, key)
    if name == "species":
        _check_species(cells, store)
        _check_genera(cells, raw)
    if name == "surveys":
        refuse_zones(cells)
        refuse_crs(cells)
    if len(lengths) == 2:
        crossed = lengths["min_length_mm"] > lengths["max_length_mm"]
        cells.refuse(crossed, "min_length_mm", "list_unclear.crossed")
    if findings.refused:
        raise FieldFileError(sorted(findings.refused, key=lambda fault: fault.row))
    frame = frame.mask(frame == "", None).assign(**lengths).reset_index(drop=True)
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


def read_list(path: Path, layer: str | None = None) -> pd.DataFrame:
    """Read a list as text: CSV as `read_cells` reads it, or what GDAL reads as a table.

    The index has rows as a spreadsheet counts them; `attrs["read_as"]` says in words how the file
    was read, '' where there is nothing to be said.

    Raises FieldFileError where it cannot be read, all that is wrong at once; RequestError where
    GDAL cannot.
    """
    if path.suffix.lower() not in TEXT_FILES:
        import pyogrio
        from pyogrio.errors import DataLayerError, DataSourceError

        try:
            frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
        except (DataSourceError, DataLayerError) as problem:
            raise RequestError(f"{path.name} cannot be read as a list: {problem}") from problem
        return pd.DataFrame(frame).set_axis(pd.RangeIndex(2, len(frame) + 2))
    findings = Findings()
    cells = read_cells(path, "", findings)
    if cells is None or findings.refused:
        raise FieldFileError(findings.refused)
    frame = cells.frame.mask(cells.frame == "", None)
    frame.attrs["read_as"] = " ".join(f"{one.message}." for one in findings.readings)
    return frame


def _check_species(cells: Cells, store: Store) -> None:
    if "sensitivity" in cells.frame:
        # Spreadsheets turn 1 into 1.0.
        own = cells.frame["sensitivity"].str.replace(r"\.0$", "", regex=True)
        cells.frame["sensitivity"] = own
    choices = _WORDS | {"detected_by": (tuple(map(str, store.methods().index)), True)}
    for column, (known, many) in choices.items():
        text = cells.column(column)
        strange = {value: _strange(value, known, many=many) for value in text.unique().tolist()}
        which = text.map(strange) != ""
        variant = "list_unclear.several" if many else "list_unclear.one"
        listed = ", ".join(known)

        def remedy(value: str) -> Wording:
            near = did_you_mean(strange[value], known)  # noqa: B023  called at once
            return say(variant, word=strange[value], choices=listed, near=near)  # noqa: B023

        cells.refuse(which, column, remedy)
    for column in ("sensitive_from", "sensitive_until"):
        text = cells.column(column)
        days = pd.to_datetime("2000-" + text, format="%Y-%m-%d", errors="coerce")
        cells.refuse((text != "") & days.isna(), column, _day)


def _strange(value: str, known: tuple[str, ...], *, many: bool) -> str:
    """Give the first word of a cell that is not known; '' where all are, or none stands there."""
    words = [one.strip() for one in (value.split(";") if many else [value])] if value else []
    return next((word for word in words if word not in known), "")


def _day(value: str) -> Wording:
    """Offer a whole date without its year."""
    fit = re.fullmatch(r"\d{4}-(\d\d-\d\d)", value)
    return say("list_unclear.day", near=f"; here {fit[1]}" if fit else "")


def _check_genera(cells: Cells, raw: pd.DataFrame) -> None:
    """Refuse a genus with which the name of its species does not begin."""
    if "genus" not in raw:
        return
    genus, names = raw["genus"].fillna("").astype("str").str.strip(), cells.column("species")
    wrong = (genus != "") & names.str.contains(" ") & (names.str.split(" ").str[0] != genus)
    cells.refuse(wrong, "genus", "list_unclear.genus", genus.tolist())
