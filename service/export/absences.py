"""What a placement looked for: the species it could have detected, and those it did not catch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.fieldwork.looking import catch_numbers, detectable, looked, may_include
from layers.frames import codes_of

if TYPE_CHECKING:
    from layers.arrays import Bools
    from service.export.contents import Contents

__all__ = ["Scope", "scope_of"]


@dataclass(frozen=True)
class Scope:
    """Placements in rows, species in columns, in the order of `Contents`.

    `sought`: the placement fished properly, by a method that can detect the species, and what it
    did not catch is public. `absent`: it did not catch it either, nor anything that was not taken
    further than the species' genus or family.
    """

    species: pd.Index
    sought: Bools
    absent: Bools


def scope_of(contents: Contents) -> Scope:
    """Tell what was looked for by each placement, and what of it was absent.

    The public does not see absences of sensitive species: where one is missing among the
    absences it would have been found. Nor does it learn more of a generalised placement.
    """
    placements, listed = contents.records.placements, contents.species
    wanted_species = contents.selection.species
    wanted = (listed["rank"].fillna("species") == "species").to_numpy(bool, copy=True)
    if wanted_species:
        wanted &= np.asarray(listed.index.isin(wanted_species), dtype=bool)
    if contents.audience == "public":
        wanted &= (listed["sensitivity"].fillna("none") == "none").to_numpy(bool)
    species = listed[wanted]
    can = detectable(species, contents.methods).to_numpy(bool).T
    method = codes_of(placements["method"], contents.methods.index, "Method")
    exact = contents.generalised.isna().to_numpy(bool)
    sought = can[method] & (looked(placements) & exact)[:, None]
    caught = _caught(contents)
    found = caught[:, listed.index.get_indexer(species.index)]
    return Scope(species.index, sought, sought & ~found & ~_perhaps(caught, listed, species))


def _caught(contents: Contents) -> Bools:
    """Whether each placement caught each entry of the species list."""
    catches = contents.whole_catches
    number, _ = catch_numbers(catches)
    caught = catches[number > 0]
    table = pd.crosstab(caught["placement_id"], caught["species"])
    ids, names = contents.records.placements.index, contents.species.index
    return table.reindex(index=ids, columns=names, fill_value=0).to_numpy() > 0


def _perhaps(caught: Bools, listed: pd.DataFrame, species: pd.DataFrame) -> Bools:
    """Whether fish not taken further than genus or family may have been of a species."""
    columns = listed.index.get_indexer(species.index)
    members = may_include(listed)[:, columns].astype(np.int64)
    return np.asarray((caught.astype(np.int64) @ members) > 0, dtype=bool)
