"""One placement whole: where, how hard, what it caught, what looked odd, and how it changed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyproj

from layers.crs import choose_operation
from layers.drawing.record_features import species_caught
from layers.fieldwork.effort import EFFORT_UNITS, effort_of, unit_words
from layers.fieldwork.looking import local_times
from layers.fieldwork.stretches import stretch_lengths
from layers.plurals import counted
from service import reference
from service.access import open_records, placement_catchments, sites, surveys
from service.answers import summaries
from service.answers.names import catchments_around
from service.answers.tables import plain_rows
from service.errors import NotFoundError
from service.records import Selection

if TYPE_CHECKING:
    from service.records import Records, Viewer
    from service.store import Store

__all__ = ["placement_account"]

# Fields that hold rows of their own in the history.
_ROWS: Final = {"catches": ("catch row", "catch rows"), "lengths": ("measured fish",) * 2}


def placement_account(store: Store, placement_id: str, viewer: Viewer) -> dict[str, Any]:
    """Gather one placement as this viewer may see it; NotFoundError where they may see none.

    Rows are those of the frames, None where missing. `catchments`: id and name, outermost first.
    `totals`: by species, `individuals`, `lower_bound`, `by_pass`. `lengths`: by species, how many,
    shortest, median, longest [mm]. `history`: `entry`, and `fields` with what was and what is.
    """
    selection = Selection(placements=(placement_id,))
    records = open_records(store, selection, viewer)
    placements = records.placements
    if len(placements) != 1:
        raise NotFoundError(f"There is no placement {placement_id!r}.")
    row = plain_rows(placements.drop(columns=placements.geometry.name))[0]
    point = placements.geometry.iloc[0]
    row |= {"x": point.x, "y": point.y}
    crs = pyproj.CRS.from_user_input(placements.crs)
    (longitude,), (latitude,) = choose_operation(crs, 4326).move(point.x, point.y)
    methods = reference.methods(store)
    inside = placement_catchments(store, placements).iloc[0]
    depletion = summaries.depletion(store, selection, viewer)
    return {
        "placement_id": placement_id,
        "row": row,
        "method": plain_rows(methods.loc[[row["method"]]])[0],
        "survey_name": _name(surveys(store, viewer), row.get("survey")),
        "site_name": _name(sites(store, viewer), row.get("site")),
        "set_local": _moment(placements, "set_at"),
        "lifted_local": _moment(placements, "lifted_at"),
        "longitude": float(longitude) if np.isfinite(longitude) else None,
        "latitude": float(latitude) if np.isfinite(latitude) else None,
        "crs_name": f"{store.settings.crs}, {crs.name}",
        "catchments": catchments_around(store, inside) if isinstance(inside, str) else [],
        "snap": next(iter(plain_rows(records.snaps)), None),
        "reach": _reach(store, records),
        "stretches": plain_rows(records.stretches),
        "effort": _effort(records, methods),
        "catches": plain_rows(records.catches.sort_values(["pass_no", "species"], kind="stable")),
        "totals": _totals(records),
        "passes": _passes(records, row),
        "lengths": _lengths(records),
        "flags": plain_rows(records.flags),
        "depletion": plain_rows(depletion.drop(columns=depletion.geometry.name)),
        "depletion_inputs": depletion.attrs["inputs"],
        "history": _history(store, placement_id) if viewer.sees_exact_places else [],
        "records": records,
    }


def _name(named: pd.DataFrame, key: str | None) -> str | None:
    name = named["name"].get(key) if key is not None else None
    return name if isinstance(name, str) else None


def _moment(placements: pd.DataFrame, column: str) -> pd.Timestamp | None:
    local: pd.Timestamp = local_times(placements, column).iloc[0]
    return None if pd.isna(local) else local


def _reach(store: Store, records: Records) -> dict[str, Any] | None:
    reaches = reference.network(store).reaches
    own = reaches[reaches.index.isin(records.snaps["reach_id"].dropna())]
    if own.empty:
        return None
    return plain_rows(own[["stream_name", "strahler", "kind", "length_m"]])[0]


def _effort(records: Records, methods: pd.DataFrame) -> list[dict[str, Any]]:
    found = effort_of(records.placements, methods, stretch_lengths(records.stretches))
    units = found["effort_unit"]
    return plain_rows(
        found.assign(
            label=units.map({key: unit.label for key, unit in EFFORT_UNITS.items()}),
            unit=unit_words(found["effort"], units),
        )
    )


def _passes(records: Records, row: dict[str, Any]) -> list[int]:
    """Numbers of the passes, also of those that caught nothing."""
    seen = records.catches["pass_no"].dropna()
    last = max([int(row.get("passes") or 0), *seen.astype(int).tolist()])
    return list(range(1, last + 1))


def _totals(records: Records) -> list[dict[str, Any]]:
    """Catch by species, and by pass where catch rows say theirs."""
    totals = plain_rows(species_caught(records.catches))
    passes: dict[tuple[str, int], tuple[float, bool]] = {}
    caught_in = records.catches["pass_no"].astype("float64")
    for number in caught_in.dropna().unique().tolist():
        for one in plain_rows(species_caught(records.catches[caught_in == number])):
            key = (one["species"], int(number))
            passes[key] = (one["individuals"], one["lower_bound"])
    for total in totals:
        total["by_pass"] = {
            number: caught for (name, number), caught in passes.items() if name == total["species"]
        }
    return totals


def _lengths(records: Records) -> list[dict[str, Any]]:
    measured = records.lengths.dropna(subset=["length_mm"])
    return plain_rows(
        measured.groupby("species", as_index=False)["length_mm"].agg(
            ["count", "min", "median", "max"]
        )
    )


def _history(store: Store, placement_id: str) -> list[dict[str, Any]]:
    return [
        {"entry": entry, "fields": _changed(entry.before or {}, entry.after or {})}
        for entry in store.history("placement", placement_id)
    ]


def _changed(before: dict[str, Any], after: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Fields that differ, with what was and what is; all filled fields of what is new or gone."""
    return [
        (name, _told(name, before.get(name)), _told(name, after.get(name)))
        for name in dict.fromkeys([*before, *after])
        if before.get(name) != after.get(name) and name != "placement_id"
    ]


def _told(name: str, value: Any) -> str:  # noqa: ANN401 - whatever the history holds
    if value is None:
        return ""
    if name in _ROWS and isinstance(value, list):
        rows = "; ".join(" ".join(f"{cell}" for cell in row.values()) for row in value)
        one, many = _ROWS[name]
        return f"{counted(len(value), one, many)}: {rows}" if value else f"no {many}"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
