"""Small invented stores and records for tests of the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.network.graph import build_network
from service.records import FieldRecords, Selection, StoreSettings
from service.reference.loading_layers import load_reaches
from service.reference.method_files import shipped_methods
from service.reference.placing import place_on_network
from service.store import content_digests, create_store

if TYPE_CHECKING:
    from pathlib import Path

    from service.store.geopackage_store import Store

CRS = "EPSG:32629"
X0, Y0 = 500_000.0, 5_830_000.0
FRAMES = ("catches", "lengths", "snaps", "stretches", "flags")
SPECIES = pd.DataFrame(
    {"vernacular_name": ["trout", "eel"], "habitats": ["stream", "stream;still"]},
    index=pd.Index(["Salmo trutta", "Anguilla anguilla"], name="species"),
)


def reaches() -> gpd.GeoDataFrame:
    """A fork: A and B join into C, drawn downstream, 1000 m each."""
    lines = [
        [(X0, Y0 + 2000), (X0 + 600, Y0 + 1200)],
        [(X0 + 1200, Y0 + 2000), (X0 + 600, Y0 + 1200)],
        [(X0 + 600, Y0 + 1200), (X0 + 600, Y0 + 200)],
    ]
    return gpd.GeoDataFrame(
        {"reach_id": ["A", "B", "C"], "stream_name": ["North", None, "Main"]},
        geometry=shapely.linestrings(lines),
        crs=CRS,
    )


def small_store(path: Path, *, network: bool = True) -> Store:
    store = create_store(path, StoreSettings(CRS, "Europe/Dublin", title="Test"))
    store.put_methods(shipped_methods(), who="tester")
    store.put_species(SPECIES, who="tester")
    if network:
        load_reaches(store, reaches(), who="tester")
    return store


def field_records(
    store: Store, count: int = 4, *, start: int = 0, survey: str = "Spring", seed: int = 1
) -> FieldRecords:
    """Placements along the fork with two catch rows each and a length for every second."""
    rng = np.random.default_rng(seed)
    ids = pd.Index([f"P{k:06d}" for k in range(start, start + count)], name="placement_id")
    xy = np.column_stack([X0 + rng.uniform(0, 1200, count), Y0 + rng.uniform(200, 2000, count)])
    number = np.arange(count)
    shape = np.full(count, None, dtype=object)
    kind = np.where(number % 4 == 1, "area", "point").astype(object)
    square = shapely.box(*(xy - 5).T, *(xy + 5).T)
    shape[kind == "area"] = square[kind == "area"]
    placements = gpd.GeoDataFrame(
        {
            "survey": survey,
            "site": pd.array(np.where(number % 2 == 0, f"{survey} ford", None), dtype="str"),
            "stream_name": pd.array([None] * count, dtype="str"),
            "method": np.where(kind == "area", "seine", "electric_fishing"),
            "set_at": pd.Timestamp("2024-05-01T09:30Z") + pd.to_timedelta(number, unit="h"),
            "lifted_at": pd.NaT,
            "timezone": "Europe/Dublin",
            "outcome": "caught",
            "gear_count": 1.0,
            "minutes": rng.uniform(5, 50, count),
            "passes": np.where(number % 3 == 0, 2.0, np.nan),
            "stretch_length_m": np.where(kind == "area", np.nan, 40.0),
            "stretch_anchor": pd.array([None] * count, dtype="str"),
            "trap_air_space": pd.array([None] * count, dtype="boolean"),
            "operator_certificate": pd.array([True, False, None, True] * count, dtype="boolean")[
                :count
            ],
            "notes": [f'<script>alert("{k}")</script> ø, "quoted"; =1+1' for k in number],
            "shape_kind": kind,
            "shape": shape,
            "original_x": xy[:, 0],
            "original_y": xy[:, 1],
            "original_crs": CRS,
            "transformation": "none needed",
            "transformation_accuracy_m": 0.0,
        },
        geometry=shapely.points(xy),
        index=ids,
        crs=CRS,
    )
    catches = pd.DataFrame(
        {
            "placement_id": np.repeat(ids, 2),
            "species": np.tile(["Salmo trutta", "Anguilla anguilla"], count),
            "count": np.tile([3.0, np.nan], count),
            "count_kind": np.tile(["exact", "present"], count),
            "pass_no": 1.0,
            "life_stage": None,
            "fate": "released",
            "notes": None,
        }
    )
    lengths = pd.DataFrame(
        {
            "placement_id": ids[::2],
            "species": "Salmo trutta",
            "pass_no": 1.0,
            "length_mm": 101.5,
            "weight_g": np.nan,
        }
    )
    network = build_network(store.reaches())
    placed = place_on_network(placements, network, store.methods(), tolerance_m=100.0)
    surveys = pd.DataFrame(
        {"name": [survey], "timezone": ["Europe/Dublin"]}, index=pd.Index([survey], name="survey")
    )
    sites = pd.DataFrame(
        {"name": ["Ford"], "survey": [survey]}, index=pd.Index([f"{survey} ford"], name="site")
    )
    return FieldRecords(
        surveys, sites, placements, catches, lengths, placed.snaps, placed.stretches, placed.flags
    )


def digests(records: FieldRecords) -> pd.Series:
    """Digest of each placement, as intake makes one."""
    return content_digests(records.placements, records.catches, records.lengths)


def add(store: Store, records: FieldRecords, digest: str = "files"):
    return store.add_batch(
        records, who="tester", files=("sheet.csv",), digest=digest, digests=digests(records)
    )


def whole(store: Store):
    return store.records(Selection())
