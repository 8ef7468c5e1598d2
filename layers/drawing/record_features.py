"""Records as features: what a map card, a GeoJSON file and a GIS get to see of them."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.crs import choose_operation, rounded
from layers.fieldwork.effort import effort_of, unit_words
from layers.fieldwork.looking import catch_numbers, local_times
from layers.fieldwork.public_frames import GENERALISED_COLUMNS
from layers.frames import PASS_MINUTES, reads

if TYPE_CHECKING:
    import pyproj

    from layers.arrays import Floats

__all__ = ["detection_features", "effort_words", "placement_features", "species_caught"]

# As recorded, in the order a reader wants them. The crew stays in the store: names of people
# are no business of a map.
_RECORDED: Final = (
    "survey", "site", "stream_name", "method", "outcome", "set_at", "lifted_at", "timezone",
    "gear_count", "lifts", "minutes", "passes", *PASS_MINUTES, "area_m2", "stretch_length_m",
    "mesh_mm", "bait", "position_uncertainty_m", "water_temperature_c", "dissolved_oxygen_mg_l",
    "conductivity_us_cm", "water_velocity_m_s", "visibility_m", "wetted_width_m", "notes",
    *GENERALISED_COLUMNS,
)  # fmt: skip


@reads("catches")
def species_caught(catches: pd.DataFrame) -> pd.DataFrame:
    """Sum the catch of each placement by species, by placement and species.

    Columns `placement_id`, `species`, `individuals`, `lower_bound` (bool: a row said "at least" or
    "present"). Rows that count zero are no catch.

    Examples
    --------
    >>> rows = pd.DataFrame({"placement_id": ["T1", "T1"], "species": ["Perca fluviatilis"] * 2,
    ...                      "count": [4, None], "count_kind": ["exact", "present"]})
    >>> species_caught(rows)[["individuals", "lower_bound"]].to_numpy().tolist()
    [[5.0, True]]
    """
    number, lower = catch_numbers(catches)
    kept = number > 0
    counted = pd.DataFrame(
        {
            "placement_id": catches["placement_id"].to_numpy()[kept],
            "species": catches["species"].to_numpy()[kept],
            "individuals": number[kept],
            "lower_bound": lower[kept],
        }
    ).astype({"placement_id": "str", "species": "str", "individuals": "float64"})
    return counted.groupby(["placement_id", "species"], as_index=False, sort=True).agg(
        individuals=("individuals", "sum"), lower_bound=("lower_bound", "any")
    )


@reads(
    "catches",
    "flags",
    placements="placement_id method set_at lifted_at timezone",
    snaps="placement_id reach_id measure_m offset_m ambiguous ambiguous_with snapped_x snapped_y",
    species="species vernacular_name",
    methods="method label gear_kind effort_units area_rule",
)
def placement_features(
    placements: gpd.GeoDataFrame,
    catches: pd.DataFrame,
    snaps: pd.DataFrame,
    flags: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
) -> gpd.GeoDataFrame:
    """Placements with their catch, effort, reach and flags, one feature each.

    Index and geometry of `placements`. The recorded columns; `method_label`, `gear_kind`;
    `set_local`, `lifted_local` (wall clock there); `effort_words`; `individuals`,
    `individuals_lower_bound`; `species` (`;`-separated); `catch` (list of dicts: species,
    vernacular_name, individuals, lower_bound); `reach_id`, `measure_m`, `offset_m` [m],
    `ambiguous`, `ambiguous_with`, `snapped_longitude`, `snapped_latitude` (WGS 84);
    `flags` (list of text). Catches of other placements are ignored.
    """
    ids = placements.index
    columns: dict[str, Any] = {"placement_id": ids.to_series()}
    for name in _RECORDED:
        if name in placements:
            columns[name] = placements[name]
        if name == "method":
            columns["method_label"] = placements["method"].map(methods["label"])
            columns["gear_kind"] = placements["method"].map(methods["gear_kind"])
    for name in ("set", "lifted"):
        local = local_times(placements, f"{name}_at").dt.strftime("%Y-%m-%d %H:%M")
        columns[f"{name}_local"] = local
    known = effort_of(placements, methods).dropna(subset=["effort"])
    columns["effort_words"] = effort_words(ids, known)
    columns |= _catch_columns(ids, catches, species)
    columns |= _snap_columns(ids, snaps, placements.crs)
    columns["flags"] = _lists(ids, flags["placement_id"], flags["message"].tolist())
    frame = pd.DataFrame(columns, index=ids)
    return gpd.GeoDataFrame(frame, geometry=placements.geometry, crs=placements.crs)


def effort_words(ids: pd.Index, known: pd.DataFrame) -> pd.Series:
    """Words for what is known of the effort of placements; missing where nothing is."""
    units = unit_words(known["effort"], known["effort_unit"])
    # Six digits hold any effort a field sheet states; %g drops what is not there.
    words = known["effort"].map("{:g}".format).astype("str") + " " + units
    return _joined(ids, known["placement_id"], words.tolist(), "; ")


def _catch_columns(
    ids: pd.Index, catches: pd.DataFrame, species: pd.DataFrame
) -> dict[str, pd.Series]:
    caught = species_caught(catches)
    by_placement = caught.groupby("placement_id")
    named = caught["species"].map(species["vernacular_name"]).astype(object)
    rows = [
        {"species": name, "vernacular_name": common, "individuals": count, "lower_bound": lower}
        for name, common, count, lower in zip(
            caught["species"].tolist(),
            named.where(named.notna(), None).tolist(),
            _as_counted(caught["individuals"]).tolist(),
            caught["lower_bound"].tolist(),
            strict=True,
        )
    ]
    return {
        "individuals": _as_counted(by_placement["individuals"].sum().reindex(ids, fill_value=0.0)),
        "individuals_lower_bound": by_placement["lower_bound"].any().reindex(ids, fill_value=False),
        "species": _joined(ids, caught["placement_id"], caught["species"].tolist(), ";"),
        "catch": _lists(ids, caught["placement_id"], rows),
    }


def _as_counted(fish: pd.Series) -> pd.Series:
    """Numbers of fish as whole numbers, which they are: floats are for the missing."""
    return fish.astype("int64") if (fish == np.trunc(fish)).all() else fish


def _lists(ids: pd.Index, owners: pd.Series, values: list[Any]) -> pd.Series:
    """Values of each placement as a list; an empty one where there are none."""
    row = ids.get_indexer(pd.Index(owners))
    order = np.argsort(row, kind="stable")
    order = order[row[order] >= 0]
    starts = np.searchsorted(row[order], np.arange(len(ids) + 1)).tolist()
    sorted_values = [values[at] for at in order.tolist()]
    cells = [sorted_values[start:stop] for start, stop in itertools.pairwise(starts)]
    return pd.Series(cells, index=ids, dtype=object)


def _joined(ids: pd.Index, owners: pd.Series, words: list[str], between: str) -> pd.Series:
    """Words of each placement joined; missing where there are none."""
    cells = _lists(ids, owners, words).tolist()
    return pd.Series([between.join(cell) if cell else None for cell in cells], ids, dtype="str")


def _snap_columns(
    ids: pd.Index, snaps: pd.DataFrame, crs: pyproj.CRS | None
) -> dict[str, pd.Series]:
    here = snaps.reindex(ids)
    lon, lat = _degrees(here["snapped_x"].to_numpy(float), here["snapped_y"].to_numpy(float), crs)
    return {
        "reach_id": here["reach_id"],
        "measure_m": here["measure_m"].round(2),
        "offset_m": here["offset_m"].round(2),
        "ambiguous": here["ambiguous"].astype("boolean").fillna(False).astype(bool),
        "ambiguous_with": here["ambiguous_with"],
        "snapped_longitude": pd.Series(lon, index=ids),
        "snapped_latitude": pd.Series(lat, index=ids),
    }


def _degrees(x: Floats, y: Floats, crs: pyproj.CRS | None) -> tuple[Floats, Floats]:
    if crs is None or not len(x):
        return np.full(len(x), np.nan), np.full(len(x), np.nan)
    longitude, latitude = choose_operation(crs, 4326).move(x, y)
    return rounded(longitude, 4326), rounded(latitude, 4326)


@reads(
    "catches",
    placements="placement_id method survey site set_at lifted_at timezone position_uncertainty_m",
    species="species vernacular_name",
    methods="method label",
)
def detection_features(
    placements: gpd.GeoDataFrame,
    catches: pd.DataFrame,
    species: pd.DataFrame,
    methods: pd.DataFrame,
) -> gpd.GeoDataFrame:
    """One feature for each species that a placement caught, where the placement is.

    Index `placement_id:species`; `placement_id`, `species`, `vernacular_name`, `individuals`,
    `individuals_lower_bound`, `method`, `method_label`, `survey`, `site`, `set_at`, `set_local`,
    `lifted_at`, `position_uncertainty_m`; of public placements also `GENERALISED_COLUMNS`.
    """
    caught = species_caught(catches)
    row = placements.index.get_indexer(caught["placement_id"])
    caught, row = caught[row >= 0], row[row >= 0]
    at = placements.iloc[row]
    frame = pd.DataFrame(
        {
            "placement_id": caught["placement_id"].to_numpy(),
            "species": caught["species"].to_numpy(),
            "vernacular_name": caught["species"].map(species["vernacular_name"]).to_numpy(),
            "individuals": _as_counted(caught["individuals"]).to_numpy(),
            "individuals_lower_bound": caught["lower_bound"].to_numpy(),
            "method": at["method"].to_numpy(),
            "method_label": at["method"].map(methods["label"]).to_numpy(),
            "survey": at["survey"].to_numpy(),
            "site": at["site"].to_numpy(),
            "set_at": pd.Series(at["set_at"].array),
            "set_local": local_times(at, "set_at").dt.strftime("%Y-%m-%d %H:%M").to_numpy(),
            "lifted_at": pd.Series(at["lifted_at"].array),
            "position_uncertainty_m": at["position_uncertainty_m"].to_numpy(),
            **{name: at[name].to_numpy() for name in GENERALISED_COLUMNS if name in at},
        },
        index=pd.RangeIndex(len(caught)),
    )
    frame.index = pd.Index(frame["placement_id"] + ":" + frame["species"], dtype="str")
    return gpd.GeoDataFrame(frame, geometry=at.geometry.to_numpy(), crs=placements.crs)
