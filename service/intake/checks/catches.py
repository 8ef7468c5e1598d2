"""Catches and lengths: every column read, and what cannot belong to its placement refused."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.checks.fish_names import ListedNames
from service.intake.columns import STAGES, WORDS, plain
from service.intake.headers import spelt
from service.intake.shapes import last_empty_passes
from service.intake.values import read_columns, text_column, word_column
from service.intake.wording import say
from service.records import IN_THE_WATER
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    import geopandas as gpd

    from service.intake.findings import Cells

# Comparing every stranger with every id would take minutes beyond this.
_MOST_COMPARED: Final = 1_000_000
_AGE: Final = re.compile(r"[>≥]?\s*\d\+")  # classes of age, which stay as they are

__all__ = [
    "read_catches",
    "read_lengths",
    "refuse_misplaced",
    "refuse_without_id",
    "without_zeros",
]


def read_catches(cells: Cells, species: pd.DataFrame) -> pd.DataFrame:
    """Read a catch sheet into a frame of its kind, index its row numbers.

    An empty `count_kind` beside a count is `exact`.
    """
    frame = _read(cells, species)
    kind, count = frame["count_kind"], frame["count"]
    blank = cells.column("count") == ""
    cells.refuse(
        blank & (kind != "present") & (cells.column("species") != ""),
        "count",
        "value_missing.count",
    )
    cells.refuse(~blank & (kind == "present"), "count_kind", "count_of_present.count_kind")
    # Nobody says how many there are at least, or about, where there are none.
    none = (count == 0) & (kind.notna() & (kind != "exact") | (cells.findings.audience == "form"))
    cells.refuse(none, "count", "no_fish.row")
    frame["count_kind"] = kind.fillna("exact")
    return frame


def without_zeros(
    owned: Cells, catches: pd.DataFrame, cells: Cells, placements: gpd.GeoDataFrame
) -> tuple[Cells, pd.DataFrame]:
    """Leave out rows of 0: the species was looked for and not found, which is no catch.

    Such rows make the looking explicit. A placement that has no other rows and declares no
    outcome is `nil`; a last pass with nothing but zeros counts among `passes` where these are not
    given; notes go to the placement. All three are written into `placements`.
    """
    zero = (catches["count"] == 0).to_numpy(bool)
    if not zero.any() or owned.findings.audience == "form":
        return owned, catches
    owned.read_as(zero, "species", "zero")
    none, kept = catches[zero & catches["species"].notna().to_numpy(bool)], catches[~zero]
    ids = placements["placement_id"]
    only = ids.isin(none["placement_id"]) & ~ids.isin(kept["placement_id"])
    only &= placements["outcome"].isna()
    placements["outcome"] = placements["outcome"].mask(only, "nil")
    cells.read_as(only, "placement_id", "nil")
    last = last_empty_passes(ids, none, kept)
    beyond = placements["passes"].isna().to_numpy(bool) & ~np.isnan(last)
    placements["passes"] = np.where(beyond, last, placements["passes"].to_numpy(float))
    passes = {str(name): f"{n:.0f}" for name, n in zip(ids[beyond], last[beyond], strict=True)}
    cells.read_as(beyond, "placement_id", "zero_passes", passes)
    noted = none[none["notes"].notna()]
    if len(noted):
        texts = (noted["species"] + ": " + noted["notes"]).groupby(noted["placement_id"])
        more = pd.Series(ids.map(texts.agg("; ".join)), placements.index, dtype="str")
        both = placements["notes"].str.cat(more, sep="; ")
        placements["notes"] = both.fillna(placements["notes"]).fillna(more)
    return owned.rows(~zero), kept


def read_lengths(cells: Cells, species: pd.DataFrame) -> pd.DataFrame:
    """Read a sheet of lengths; a row needs a length or a weight."""
    frame = _read(cells, species)
    empty = (cells.column("length_mm") == "") & (cells.column("weight_g") == "")
    empty &= cells.column("species") != ""  # else the row as a whole is answered
    cells.refuse(empty, "length_mm", "value_missing.measure")
    return frame


def _read(cells: Cells, species: pd.DataFrame) -> pd.DataFrame:
    special = {
        "species": lambda: _species_column(cells, species),
        "life_stage": lambda: _stage_column(cells),
    }
    frame = read_columns(cells, special)
    if "placement_id" in cells.frame:
        refuse_without_id(cells, "value_missing.owner")
    if "species" in cells.frame:
        nameless = cells.column("species") == ""
        amounts = ("count", "count_kind", "length_mm", "weight_g")
        empty = np.logical_and.reduce([cells.column(name) == "" for name in amounts])
        cells.refuse(nameless & ~empty, "species", "value_missing.species")
        cells.refuse(nameless & empty, "species", "value_missing.row")
    return frame


def refuse_without_id(cells: Cells, code: str) -> None:
    """Refuse rows without an id; those below an id may be meant to repeat it."""
    stands = (cells.column("placement_id") != "").to_numpy(bool)
    below = np.logical_or.accumulate(stands) & (cells.findings.audience == "sheet")
    cells.refuse(~stands & ~below, "placement_id", code)
    cells.refuse(~stands & below, "placement_id", "value_missing.below")


def _stage_column(cells: Cells) -> pd.Series:
    """Life stages by the words of the trade in several languages; of a form as they stand."""
    if cells.findings.audience == "form":
        return text_column(cells, "life_stage")
    text = cells.column("life_stage")
    words = [value for value in text.unique().tolist() if not _AGE.fullmatch(value)]
    known = {value: STAGES[spelt(value)] for value in words if spelt(value) in STAGES}
    other = [value for value, stage in known.items() if plain(value) != plain(stage)]
    cells.read_as(text.isin(other), "life_stage", "stage", known)
    choices = say("stage_unknown.listed", choices=", ".join(WORDS["stages"]))
    meaning = {plain(value): stage for value, stage in known.items()}
    meaning |= {plain(value): value for value in text.unique().tolist() if _AGE.fullmatch(value)}
    return word_column(cells, "life_stage", meaning, lambda _: choices)


def _species_column(cells: Cells, species: pd.DataFrame) -> pd.Series:
    """Scientific names as in the list, letter for letter but for white space; or what means one."""
    text = cells.column("species")
    known, means = {}, {}
    names, strict = ListedNames(species), cells.findings.audience == "form"
    for value in text.unique().tolist():
        known[value] = names.exact(value)
        if known[value] is None and not strict and (found := names.meant(value)):
            known[value], means[value] = found[0], found
    exact = text.map(known).astype("str")
    for code in dict.fromkeys(kind for _, kind in means.values()):
        own = {value: name for value, (name, kind) in means.items() if kind == code}
        cells.read_as(text.isin(list(own)), "species", code, own)
    cells.refuse(exact.isna() & (text != ""), "species", names.remedy)
    return exact


def refuse_misplaced(
    cells: Cells, frame: pd.DataFrame, placements: pd.DataFrame, stored: pd.Index
) -> None:
    """Refuse rows of unknown placements, and of those declared nil or lost but for counts of 0.

    `stored` are ids among these rows that the store has and the placement sheet has not.
    """
    if not len(frame):
        return
    ids = frame["placement_id"]
    by_id = placements.drop_duplicates("placement_id").set_index("placement_id")["outcome"]
    row = by_id.index.get_indexer(pd.Index(ids))
    unknown = (row < 0) & ids.notna().to_numpy(bool)
    elsewhere = unknown & ids.isin(stored).to_numpy(bool)
    cells.refuse(elsewhere, "placement_id", "id_stored.catch")
    strangers = ids[unknown & ~elsewhere].nunique()
    names = []
    if 0 < strangers <= _MOST_COMPARED / max(len(by_id), 1):
        names = by_id.index.dropna().tolist()
    cells.refuse(
        unknown & ~elsewhere,
        "placement_id",
        lambda value: say("placement_unknown.near", near=did_you_mean(value, names)),
    )
    fish = (frame["count"] != 0).to_numpy(bool) if "count" in frame else True
    for declared in ("nil", "lost", IN_THE_WATER):
        so_declared = np.append((by_id == declared).to_numpy(bool), False)  # row -1: unknown
        cells.refuse(
            so_declared[row] & fish, "placement_id", say("rows_of_none.declared", outcome=declared)
        )
