"""Loading a network with all checks, beside GDAL merely writing the same lines to a GeoPackage."""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path

import pyogrio

from service.records import StoreSettings
from service.reference.loading_layers import load_reaches
from service.store import create_store
from tests.benchmarks.synthetic import CRS, river_network


def run(scale: float = 1.0) -> None:
    """Print seconds, peak memory and the ratio to pyogrio's writing."""
    count = int(300_000 * scale)
    raw = river_network(count).reset_index()
    with tempfile.TemporaryDirectory() as folder:
        began, busy = time.perf_counter(), time.process_time()
        pyogrio.write_dataframe(raw, Path(folder) / "peer.gpkg", layer="reaches", driver="GPKG")
        peer, peer_busy = time.perf_counter() - began, time.process_time() - busy
        before = _peak_mb()
        store = create_store(Path(folder) / "own.gpkg", StoreSettings(CRS, "Europe/Dublin"))
        steps: list[tuple[str, float]] = []
        began, busy = time.perf_counter(), time.process_time()
        load_reaches(
            store, raw, who="benchmark",
            progress=lambda words: steps.append((words, time.perf_counter())),
        )  # fmt: skip
        ended, busy = time.perf_counter(), time.process_time() - busy
        after = _peak_mb()
        assert len(store.reaches()) == count
        store.close()
    own = ended - began
    print(
        f"load {count:,} reaches of 15 vertices with all checks: {own:.1f} s, "
        f"peak {after:.0f} MB ({before:.0f} MB before); "
        f"pyogrio writing them: {peer:.1f} s; ratio {own / peer:.1f}; "
        f"processor time alone {busy:.1f} s against {peer_busy:.1f} s, ratio "
        f"{busy / peer_busy:.1f}"
    )
    ends = [moment for _, moment in steps[1:]] + [ended]
    spent = [
        f"{words} {end - begin:.1f} s" for (words, begin), end in zip(steps, ends, strict=True)
    ]
    print(f"  of which {', '.join(spent)}")


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
