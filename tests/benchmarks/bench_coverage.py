"""Coverage, gaps and streams by target: 300,000 reaches and 1,000,000 placements of all methods."""

from time import perf_counter, process_time

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.estimates.coverage import coverage
from layers.estimates.gaps import gaps
from layers.estimates.stream_summary import stream_summary
from layers.fieldwork.counted_water import counted_water
from layers.fieldwork.hours import worked_at
from layers.network.graph import build_network
from service.reference.method_files import shipped_methods
from tests.benchmarks.synthetic import CRS, river_network

REACHES = 300_000
PLACEMENTS = 1_000_000
METHODS = shipped_methods()


def run(scale: float = 1.0) -> None:
    """Print the time for each step, the target being gear worked by night or overnight."""
    n, m = int(PLACEMENTS * scale), int(REACHES * scale)
    network = build_network(river_network(m, vertices=3))
    rng = np.random.default_rng(20240603)
    rows = rng.integers(0, m, n)
    measure = rng.uniform(0, 1, n) * network.length_m[rows]
    names = METHODS.index[:7].to_numpy(object)
    method = rng.integers(0, 7, n)
    ids = pd.Index([f"P{k:07d}" for k in range(n)], name="placement_id", dtype="str")
    began = pd.Timestamp("2016-01-01", tz="UTC") + pd.to_timedelta(
        rng.integers(0, 10 * 365 * 24 * 60, n) * 60, unit="s"
    )
    xy = network.node_xy[network.from_node[rows]]
    placements = gpd.GeoDataFrame(
        {
            "method": pd.Categorical(names[method]).astype("str"),
            "outcome": "nil",
            "set_at": began.as_unit("us"),
            "lifted_at": (began + pd.to_timedelta(rng.integers(1, 20, n), unit="h")).as_unit("us"),
            "timezone": pd.array(["Europe/Dublin"] * n, dtype="str"),
        },
        geometry=shapely.points(xy),
        crs=CRS,
        index=ids,
    )
    snaps = pd.DataFrame(
        {"reach_id": network.reaches.index[rows].astype("str"), "measure_m": measure}, index=ids
    )
    along = np.flatnonzero((METHODS["stretch_rule"] == "along").to_numpy()[method])
    stretches = pd.DataFrame(
        {
            "placement_id": ids[along],
            "reach_id": snaps["reach_id"].array[along],
            "from_m": np.maximum(measure[along] - 80, 0.0),
            "to_m": measure[along],
        }
    )
    catches = pd.DataFrame(
        {"placement_id": ids[:0], "species": ids[:0], "count": [], "count_kind": ids[:0]}
    )
    species = pd.DataFrame({"rank": ["species"]}, index=pd.Index(["Salmo trutta"], name="species"))
    parts = pd.DataFrame(
        {"reach_id": ids[:0], "from_m": [], "to_m": [], "catchment_id": ids[:0]}
    ).astype({"from_m": float, "to_m": float})
    start = began_at = perf_counter()
    computed = process_time()

    def said(what: str) -> None:
        nonlocal start
        now = perf_counter()
        print(f"  {what}: {now - start:.2f} s")
        start = now

    print(f"{m:,} reaches, {n:,} placements")
    dark = worked_at(placements, METHODS, ("night", "overnight"))
    said("hours of every placement")
    chosen = placements[dark]
    water = counted_water(network, stretches, snaps, chosen, METHODS)
    said(f"water of the {len(chosen):,} that count")
    coverage(water, parts, as_of=pd.Timestamp("2026-01-01").date())
    said("coverage")
    print(
        f"coverage by target: {perf_counter() - began_at:.2f} s, of which "
        f"{process_time() - computed:.2f} s of one processor"
    )
    gaps(water, parts)
    said("gaps")
    stream_summary(water, catches, species, METHODS)
    said("streams")


if __name__ == "__main__":
    run()
