"""What each gear sampled in each catchment, as a table: length where it has one, else effort."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from layers.fieldwork.effort import unit_words
from layers.totals import ALL
from service import reference
from service.answers import summaries

if TYPE_CHECKING:
    import pandas as pd

    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["gear_table"]


class GearCell(NamedTuple):
    """One gear in one catchment."""

    placements: int  # that fished properly
    effort: float  # NaN where none of them states it
    unit: str
    sampled_m: float  # NaN for gear that samples no length, and where nothing is public of it


@dataclass(frozen=True)
class GearRow:
    """One catchment, with those nested in it."""

    catchment: str
    name: str
    depth: int
    sampled_m: float  # union over all gear [m]
    share: float
    cells: tuple[GearCell | None, ...]  # None: the gear did not fish there


@dataclass(frozen=True)
class GearTable:
    """Gear as columns, catchments as rows, each under the one that holds it."""

    methods: tuple[str, ...]
    rows: tuple[GearRow, ...]


def gear_table(store: Store, selection: Selection, viewer: Viewer) -> GearTable:
    """Arrange effort and sampled length by catchment and gear.

    A gear is counted in its main unit (`layers.fieldwork.effort.main_units`) over all catchments.
    Species are left open, as a gear that caught none of them fished all the same.
    """
    selected = selection.without_species()
    totals = summaries.effort_by_year(store, selected, viewer)
    counted = totals[(totals["catchment"] != ALL) & totals["main_unit"]]
    summed = counted.groupby(["catchment", "method"]).agg(
        placements=("placements", "sum"),
        lacking=("placements_without_effort", "sum"),
        effort=("effort", "sum"),
        effort_unit=("effort_unit", "first"),
    )
    summed["effort"] = summed["effort"].where(summed["placements"] > summed["lacking"])
    lengths = summaries.sampled_length(store, selected, viewer, by=("catchment",))
    lengths = lengths.set_index(["catchment", "method"])[["sampled_length_m", "network_share"]]
    methods = tuple(sorted(counted["method"].unique()))
    joined = summed.join(lengths["sampled_length_m"], how="left")
    joined["unit"] = unit_words(joined["effort"], joined["effort_unit"])
    columns = (
        joined[name].tolist() for name in ("placements", "effort", "unit", "sampled_length_m")
    )
    cells = {place: GearCell(*cell) for place, *cell in zip(joined.index, *columns, strict=True)}
    whole = lengths.xs(ALL, level="method") if len(lengths) else lengths
    catchments, names = reference.catchments(store), reference.catchment_names(store)
    return GearTable(
        methods,
        tuple(
            GearRow(
                one,
                names[one],
                depth,
                float(whole["sampled_length_m"].get(one, 0.0)),
                float(whole["network_share"].get(one, 0.0)),
                tuple(cells.get((one, method)) for method in methods),
            )
            for one, depth in _nested(catchments)
            if not selected.catchments or any((one, method) in cells for method in methods)
        ),
    )


def _nested(catchments: pd.DataFrame) -> list[tuple[str, int]]:
    """Catchments and their depth, by name, each before those nested in it."""
    inside: dict[str, list[str]] = {}
    for one, parent in catchments.sort_values("name")["parent_id"].items():
        nested = isinstance(parent, str) and parent in catchments.index
        inside.setdefault(parent if nested else "", []).append(str(one))
    waiting = [(one, 0) for one in reversed(inside.get("", []))]
    out = []
    while waiting:
        one, depth = waiting.pop()
        out.append((one, depth))
        waiting += [(inner, depth + 1) for inner in reversed(inside.get(one, []))]
    return out
