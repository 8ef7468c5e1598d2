"""Catches and lengths: every column read, and what cannot belong to its placement refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.checks.fish_names import name_remedy
from service.intake.values import read_columns
from service.intake.wording import say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from service.intake.findings import Cells, Findings

# Comparing every stranger with every id would take minutes beyond this.
_MOST_COMPARED: Final = 1_000_000

__all__ = ["read_catches", "read_lengths", "refuse_misplaced"]


def read_catches(cells: Cells, species: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Read a catch sheet.

    Returns
    -------
    DataFrame
        Columns as in DEVELOPERS.md, "catches", index the sheet's row numbers. An empty
        `count_kind` beside a count is `exact`.
    """
    frame = _read(cells, species, findings)
    kind, count = frame["count_kind"], frame["count"]
    blank = cells.column("count") == ""
    findings.refuse(
        cells,
        blank & (kind != "present") & (cells.column("species") != ""),
        "count",
        "value_missing.count",
    )
    findings.refuse(
        cells,
        ~blank & (kind == "present"),
        "count_kind",
        "count_of_present.count_kind",
    )
    findings.refuse(cells, count == 0, "count", "no_fish.row")
    frame["count_kind"] = kind.fillna("exact")
    return frame


def read_lengths(cells: Cells, species: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Read a sheet of lengths; a row needs a length or a weight."""
    frame = _read(cells, species, findings)
    empty = (cells.column("length_mm") == "") & (cells.column("weight_g") == "")
    empty &= cells.column("species") != ""  # else the row as a whole is answered
    findings.refuse(cells, empty, "length_mm", "value_missing.measure")
    return frame


def _read(cells: Cells, species: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    special = {"species": lambda: _species_column(cells, species, findings)}
    frame = read_columns(cells, findings, special)
    if "placement_id" in cells.frame:
        unowned = cells.column("placement_id") == ""
        findings.refuse(cells, unowned, "placement_id", "value_missing.owner")
    if "species" in cells.frame:
        nameless = cells.column("species") == ""
        amounts = ("count", "count_kind", "length_mm", "weight_g")
        empty = np.logical_and.reduce([cells.column(name) == "" for name in amounts])
        findings.refuse(cells, nameless & ~empty, "species", "value_missing.species")
        findings.refuse(cells, nameless & empty, "species", "value_missing.row")
    return frame


def _species_column(cells: Cells, species: pd.DataFrame, findings: Findings) -> pd.Series:
    """Scientific names as in the list, letter for letter but for white space."""
    spelt = {" ".join(str(name).split()): str(name) for name in species.index}
    text = cells.column("species")
    known = {value: spelt.get(" ".join(value.split())) for value in text.unique().tolist()}
    exact = text.map(known).astype("str")
    findings.refuse(cells, exact.isna() & (text != ""), "species", name_remedy(species))
    return exact


def refuse_misplaced(
    cells: Cells,
    frame: pd.DataFrame,
    placements: pd.DataFrame,
    stored: pd.Index,
    findings: Findings,
) -> None:
    """Refuse rows of unknown placements, and of those declared nil or lost.

    Parameters
    ----------
    cells, frame
        Catches or lengths, as text and read.
    placements
        Read placements with `placement_id` and declared `outcome`.
    stored
        Ids among these rows that the store holds and the placement sheet does not.
    """
    if not len(frame):
        return
    ids = frame["placement_id"]
    by_id = placements.drop_duplicates("placement_id").set_index("placement_id")["outcome"]
    row = by_id.index.get_indexer(pd.Index(ids))
    unknown = (row < 0) & ids.notna().to_numpy(bool)
    elsewhere = unknown & ids.isin(stored).to_numpy(bool)
    findings.refuse(cells, elsewhere, "placement_id", "id_stored.catch")
    strangers = ids[unknown & ~elsewhere].nunique()
    names = []
    if 0 < strangers <= _MOST_COMPARED / max(len(by_id), 1):
        names = by_id.index.dropna().tolist()
    findings.refuse(
        cells,
        unknown & ~elsewhere,
        "placement_id",
        lambda value: say("placement_unknown.near", near=did_you_mean(value, names)),
    )
    for declared in ("nil", "lost"):
        so_declared = np.append((by_id == declared).to_numpy(bool), False)  # row -1: unknown
        findings.refuse(
            cells,
            so_declared[row],
            "placement_id",
            say("rows_of_none.declared", outcome=declared),
        )
