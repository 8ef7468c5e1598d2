"""Gear in the water in sheets and forms: declared so, with a time of setting, not lifted yet.

It is read and checked as a placement whose catch was not recorded, as far as these checks make
sense before it is lifted, and then goes to the store apart from the placements.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from layers.crs import choose_operation
from service.intake.cell_texts import filled_cells
from service.intake.stored_sheets import field_sheets
from service.records import IN_THE_WATER

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd

    from layers.crs import Operation
    from service.intake.findings import Cells
    from service.records import FieldRecords
    from service.store import Store

__all__ = ["as_declared", "gear_set", "known_gear", "refuse_standing", "without_flags_of_lifting"]

# What is only known when the gear is lifted.
_OF_LIFTING: Final = ("lift_time_missing", "effort_missing")


def as_declared(placements: pd.DataFrame, standing: frozenset[str]) -> pd.DataFrame:
    """Return placements, index `placement_id`, with the outcome that the sheet declares."""
    here = placements.index.isin(list(standing))
    return placements.assign(outcome=placements["outcome"].mask(here, IN_THE_WATER))


def refuse_standing(
    cells: Cells, placements: gpd.GeoDataFrame, day_only: pd.Series, methods: pd.DataFrame
) -> frozenset[str]:
    """Refuse gear in the water that cannot be; the outcome of the others becomes `unrecorded`.

    Parameters as those of `checks.gear.flag_gear`; `placements` is changed in place.
    """
    here = (placements["outcome"] == IN_THE_WATER).to_numpy(bool)
    lifted = (cells.column("lifted_at") != "").to_numpy(bool)
    passive = ~placements["method"].isin(methods.index[~methods["passive"].astype(bool)])
    cells.refuse(here & lifted, "lifted_at", "in_the_water.lifted")
    cells.refuse(here & ~passive.to_numpy(bool), "outcome", "in_the_water.active")
    cells.refuse(here & day_only.to_numpy(bool), "set_at", "in_the_water.day_only")
    if cells.findings.audience == "sheet":
        cells.read_as(here, "placement_id", "in_the_water")
    placements.loc[here, "outcome"] = "unrecorded"
    return frozenset(placements.loc[here, "placement_id"].dropna())


def known_gear(
    cells: Cells, digests: pd.Series, standing: frozenset[str], store: Store, replaces: str | None
) -> tuple[str, ...]:
    """Compare with gear that is in the water: what of it is the same, lifted now, or refused.

    `digests` are of the content of the placement sheet, in its rows; `replaces` is gear that is
    being edited, which may be stored with other content. Returns gear that stands in the water just
    so.
    """
    known = store.in_the_water()["digest"].reindex(digests.index)
    here = digests.index.isin(list(standing))
    same = (known == digests).to_numpy(bool) & here
    new = here & (digests.index != (replaces or ""))
    other = known.notna().to_numpy(bool) & new & ~same
    cells.refuse(other, "placement_id", "id_stored.standing")
    stored = store.known_placements(digests.index[here].tolist()).index
    cells.refuse(digests.index.isin(stored) & new, "placement_id", "id_stored.lifted")
    if cells.findings.audience == "sheet":
        cells.read_as(known.notna().to_numpy(bool) & ~here, "placement_id", "lifted")
    return tuple(map(str, digests.index[same]))


def without_flags_of_lifting(flagged: pd.DataFrame, standing: frozenset[str]) -> pd.DataFrame:
    """Leave out what gear in the water cannot have yet."""
    early = flagged["placement_id"].isin(list(standing)) & flagged["code"].isin(_OF_LIFTING)
    return flagged[~early].reset_index(drop=True)


def gear_set(
    records: FieldRecords,
    standing: frozenset[str],
    digests: pd.Series,
    store: Store,
    operations: Mapping[str, Operation],
) -> FieldRecords:
    """Set gear in the water apart from the placements of an import; it is in `in_the_water`.

    `operations` were chosen for CRS that the store knew none for.
    """
    names = records.placements.index
    here = names.isin(list(standing))
    if not here.any():
        return records
    gear = records.of(names[here])
    surveys, sites = (
        pd.concat([stored, new])
        for stored, new in ((store.surveys(), gear.surveys), (store.sites(), gear.sites))
    )
    gear = replace(gear, placements=as_declared(gear.placements, standing))
    sheet = field_sheets(gear, surveys, sites, {**operations, **store.operations()})["placements"]
    at = gear.placements.geometry.array
    lon, lat = choose_operation(gear.placements.crs, "EPSG:4326").move(
        shapely.get_x(at), shapely.get_y(at)
    )
    in_the_water = pd.DataFrame(
        {
            "survey": gear.placements["survey"],
            "method": gear.placements["method"],
            "set_at": gear.placements["set_at"],
            "longitude": np.round(lon, 7),  # about a centimetre
            "latitude": np.round(lat, 7),
            "cells": [filled_cells(row) for row in sheet.to_dict("records")],
            "digest": digests.loc[gear.placements.index],
            "draft": pd.Series(None, index=gear.placements.index, dtype="str"),
        },
        index=gear.placements.index,
    )
    return replace(records.of(names[~here]), in_the_water=in_the_water)
