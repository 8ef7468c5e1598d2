"""Effort and scope of every placement in the terms of the Humboldt Extension."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from layers.fieldwork.effort import effort_of, soak_time_h
from layers.fieldwork.looking import looked

if TYPE_CHECKING:
    from layers.arrays import Bools, Objects
    from service.export.absences import Scope
    from service.export.contents import Contents

__all__ = ["humboldt_table"]

_BETWEEN = " | "  # as the terms' own comments ask for lists


def humboldt_table(
    contents: Contents, event_id: pd.Series, scope: Scope, effort: pd.DataFrame
) -> pd.DataFrame:
    """One row for each placement.

    `event_id` is the identifier of each placement's event, `scope` what it looked for, `effort` its
    `value`, `unit` and `words`; index `placement_id`.
    """
    placements = contents.records.placements
    properly = looked(placements)
    exact = contents.generalised.isna()  # of a generalised place no scope is public
    beyond = _caught_beyond(contents, scope)
    hours = soak_time_h(placements)
    area = _area_m2(contents)
    known = effort["value"].notna()
    habitats = placements["method"].map(contents.methods["habitats"]).astype("str")
    frame = pd.DataFrame(
        {
            "eventID": event_id,
            "siteCount": 1,
            "verbatimSiteNames": placements["site"],
            "protocolNames": placements["method"].map(contents.methods["label"]),
            "inventoryTypes": "restrictedSearch",
            "targetTaxonomicScope": _names(scope.species, scope.sought),
            "isTaxonomicScopeFullyReported": _truth(pd.Series(properly, exact.index), exact),
            "absentTaxa": _names(scope.species, scope.absent),
            "isAbsenceReported": scope.absent.any(axis=1),
            "hasNonTargetTaxa": _truth(beyond.notna(), exact),
            "nonTargetTaxa": beyond.where(exact),
            "isAbundanceReported": _counted(contents),
            "targetHabitatScope": habitats.str.replace(r"\s*;\s*", _BETWEEN, regex=True),
            "isSamplingEffortReported": known,
            "samplingEffortValue": effort["value"],
            "samplingEffortUnit": effort["unit"],
            "samplingEffortProtocol": effort["words"],
            "eventDurationValue": hours.round(4),
            "eventDurationUnit": pd.Series("hours", index=placements.index).where(hours.notna()),
            "totalAreaSampledValue": area,
            "totalAreaSampledUnit": pd.Series("m²", index=placements.index).where(area.notna()),
        },
        index=placements.index,
    )
    if contents.audience == "precise":
        frame["samplingPerformedBy"] = placements["crew"]
    return frame.reset_index(drop=True)


def _truth(values: pd.Series, known: pd.Series) -> pd.Series:
    """Write true or false, and nothing where nothing is known."""
    return values.map({True: "true", False: "false"}).where(known)


def _names(species: pd.Index, marked: Bools) -> Objects:
    """Join the marked species of each row to one text; each different set is joined once."""
    texts = np.full(len(marked), None, dtype=object)
    if not marked.size:
        return texts
    sets, place = np.unique(marked, axis=0, return_inverse=True)
    joined = np.array([_BETWEEN.join(species[one]) or None for one in sets], dtype=object)
    return np.asarray(joined[np.asarray(place).ravel()], dtype=object)


def _caught_beyond(contents: Contents, scope: Scope) -> pd.Series:
    """Name what a placement caught that it was not looking for; missing where there is nothing."""
    placements, catches = contents.records.placements, contents.records.catches
    row = placements.index.get_indexer(pd.Index(catches["placement_id"]))
    column = scope.species.get_indexer(pd.Index(catches["species"]))
    listed = column >= 0
    sought = np.zeros(len(catches), dtype=bool)
    sought[listed] = scope.sought[row[listed], column[listed]]
    others = catches.loc[~sought, ["placement_id", "species"]].drop_duplicates()
    others = others.sort_values(["placement_id", "species"])
    joined = others.groupby("placement_id")["species"].agg(_BETWEEN.join)
    return joined.reindex(placements.index)


def _counted(contents: Contents) -> pd.Series:
    """Whether every fish of a placement was counted, at least as a lower bound."""
    catches = contents.records.catches
    uncounted = catches.loc[catches["count"].isna(), "placement_id"].unique()
    ids = contents.records.placements.index
    looked_there = looked(contents.records.placements)
    return pd.Series(~ids.isin(uncounted) & looked_there, index=ids)


def _area_m2(contents: Contents) -> pd.Series:
    """Area fished in m², also of methods that count effort in other units."""
    placements = contents.records.placements
    units = pd.Series([["square_metre"]] * len(contents.methods), index=contents.methods.index)
    effort = effort_of(placements, contents.methods.assign(effort_units=units))
    return effort.set_index("placement_id")["effort"].reindex(placements.index).round(2)
