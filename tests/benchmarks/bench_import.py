"""Import of field sheets with all checks, against pyogrio writing the same rows to a GeoPackage.

The peer writes rows that are read, checked and typed already, without history, flags or snaps.
"""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyogrio
import pyproj

from service.intake.importing import check, take
from service.intake.sheets import read_sheets
from service.records import StoreSettings
from service.reference.loading_layers import load_reaches
from service.reference.method_files import shipped_methods
from service.store import create_store
from tests.benchmarks.synthetic import CRS, river_network

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd

    from service.intake.importing import CheckResult
    from service.intake.sheets import Sheets
    from service.store import Store

PLACEMENTS, CATCHES, REACHES, SPECIES = 100_000, 300_000, 20_000, 40


def run(scale: float = 1.0) -> None:
    """Import sheets of 100,000 placements and 300,000 catch rows, then one with a column a fish."""
    n, m = int(PLACEMENTS * scale), int(CATCHES * scale)
    reaches = river_network(int(REACHES * scale), vertices=8)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        placements, catches, wide = _sheets(folder, reaches, n, m)
        store = _store(folder / "store.gpkg", reaches)
        result, times, busy = _import(store, lambda: read_sheets(placements, catches, survey="B24"))
        assert result.records is not None
        assert (len(result.records.placements), len(result.records.catches)) == (n, m)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        peer, peer_busy = _peer(folder, result.records.placements, result.records.catches)
        again = time.perf_counter()
        same = check(read_sheets(placements, catches, survey="B24"), store)
        again = time.perf_counter() - again
        assert len(same.unchanged) == n
        store.close()
        store = _store(folder / "wide.gpkg", reaches)
        by_species, _, wide_busy = _import(
            store, lambda: read_sheets(files=[wide], survey="B24", species=store.species())
        )
        assert by_species.records is not None
        assert by_species.records.catches["count"].sum() == result.records.catches["count"].sum()
        store.close()
    print(
        f"   {n:,} placements, {m:,} catches: {sum(times):.1f} s (reading {times[0]:.1f}, checking "
        f"{times[1]:.1f}, storing {times[2]:.1f}); pyogrio {peer:.1f} s; ratio "
        f"{sum(times) / peer:.1f} (aim 4 or less); peak {peak:.1f} GB"
    )
    print(
        f"   processor time alone: {busy:.1f} s against {peer_busy:.1f} s; "
        f"ratio {busy / peer_busy:.1f}"
    )
    print(
        f"   species as columns: {wide_busy:.1f} s of processor time, "
        f"{wide_busy / busy:.2f} times the long form (aim 1.5 or less)"
    )
    print(f"   the same content again, found unchanged: {again:.1f} s")


def _store(path: Path, reaches: gpd.GeoDataFrame) -> Store:
    store = create_store(path, StoreSettings(crs=CRS, timezone="Europe/London"))
    store.put_methods(shipped_methods(), who="benchmark")
    store.put_species(_species(), who="benchmark")
    load_reaches(store, reaches, who="benchmark")
    return store


def _import(
    store: Store, read: Callable[[], Sheets]
) -> tuple[CheckResult, tuple[float, float, float], float]:
    """Seconds of reading, checking and storing, and those of the processor for all."""
    busy, moments = time.process_time(), [time.perf_counter()]
    sheets = read()
    moments.append(time.perf_counter())
    result = check(sheets, store)
    moments.append(time.perf_counter())
    assert result.records is not None, result.refused[:3]
    assert take(result, store, "benchmark") is not None
    moments.append(time.perf_counter())
    began, was_read, checked, stored = moments
    times = was_read - began, checked - was_read, stored - checked
    return result, times, time.process_time() - busy


def _species() -> pd.DataFrame:
    names = pd.Index([f"Genus species{k:02d}" for k in range(SPECIES)], name="species")
    return pd.DataFrame(
        {"vernacular_name": None, "rank": "species", "sensitivity": "none"}, index=names
    ).astype("str")


def _sheets(folder: Path, reaches: gpd.GeoDataFrame, n: int, m: int) -> tuple[Path, Path, Path]:
    rng = np.random.default_rng(1)
    lines = reaches.geometry.iloc[rng.integers(0, len(reaches), n)]
    spots = lines.interpolate(rng.random(n), normalized=True)
    x, y = spots.x.to_numpy() + rng.normal(0, 8, n), spots.y.to_numpy() + rng.normal(0, 8, n)
    lon, lat = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True).transform(x, y)
    method = rng.choice([name for name in shipped_methods().index if name != "other"], n)
    passive = np.isin(method, ["minnow_trap", "fyke_net"])
    night = method == "spotlight"
    hour = np.where(passive, 18, np.where(night, 23, 11))
    began = pd.Timestamp("2019-01-10") + pd.to_timedelta(rng.integers(0, 2_000, n), unit="D")
    began = began + pd.to_timedelta(hour * 60 + rng.integers(0, 50, n), unit="min")
    ended = began + pd.to_timedelta(np.where(passive, 14 * 60, 50), unit="min")
    ids = np.char.add("B24-", np.char.zfill(np.arange(n).astype(str), 6))
    long = np.isin(method, ["kick_net", "hand_net", "spotlight", "electric_fishing"])
    electric = method == "electric_fishing"
    sheet = pd.DataFrame(
        {
            "placement_id": ids,
            "method": method,
            "set_at": began.strftime("%Y-%m-%dT%H:%M"),
            "lifted_at": ended.strftime("%Y-%m-%dT%H:%M"),
            "longitude": lon.round(6),
            "latitude": lat.round(6),
            "stretch_length_m": np.where(long, rng.integers(30, 200, n).astype(str), ""),
            "position_uncertainty_m": rng.integers(3, 15, n),
            "gear_count": np.where(passive, rng.integers(1, 9, n).astype(str), ""),
            "lifts": np.where(method == "kick_net", rng.integers(5, 20, n).astype(str), ""),
            "minutes": np.where(long, rng.integers(20, 60, n).astype(str), ""),
            "passes": np.where(electric, "3", ""),
            "outcome": "caught",
            "water_temperature_c": rng.normal(14, 4, n).clip(0).round(1),
            "dissolved_oxygen_mg_l": rng.normal(9, 1.5, n).clip(0).round(1),
            "conductivity_us_cm": rng.integers(80, 400, n),
            "crew": rng.choice(["crew A", "crew B", "crew C"], n),
            "operator_certificate": np.where(electric, "yes", ""),
            "machine_check": np.where(electric, "yes", ""),
            "gear_cleaned": "yes",
            "notes": "",
        }
    )
    owner = np.concatenate([np.arange(n), rng.integers(0, n, m - n)])
    catches = pd.DataFrame(
        {
            "placement_id": ids[owner],
            "species": _species().index.to_numpy(object)[rng.integers(0, SPECIES, m)],
            "count": rng.integers(1, 40, m),
            "count_kind": rng.choice(["exact", "exact", "at_least"], m),
            "pass_no": 1,
            "fate": "released",
        }
    )
    counts = catches.groupby(["placement_id", "species"])["count"].sum().unstack().loc[ids]
    wide = sheet.join(counts.astype("Int64").set_index(sheet.index))
    paths = folder / "placements.csv", folder / "catches.csv", folder / "wide.csv"
    for frame, path in zip((sheet, catches, wide), paths, strict=True):
        frame.to_csv(path, index=False)
    return paths


def _peer(folder: Path, placements: gpd.GeoDataFrame, catches: pd.DataFrame) -> tuple[float, float]:
    """Seconds, and those of the processor, for the same rows and columns in two layers."""
    points = placements.drop(columns="shape").reset_index()
    for name in points.columns[points.dtypes == "boolean"]:
        points[name] = points[name].astype(float)
    began, busy = time.perf_counter(), time.process_time()
    pyogrio.write_dataframe(points, folder / "peer.gpkg", layer="placements")
    pyogrio.write_dataframe(catches, folder / "peer.gpkg", layer="catches", append=False)
    return time.perf_counter() - began, time.process_time() - busy


if __name__ == "__main__":
    run()
