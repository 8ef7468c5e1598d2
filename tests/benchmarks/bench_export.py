"""Streaming a million placements as GeoJSON, beside GDAL converting the same store.

Both write RFC 7946 from the same placements table; ours adds each placement's catch, effort
and reach, which GDAL's does not. ROWS sets another number of placements.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from tests.store_records import add, field_records, small_store

ROWS = int(os.environ.get("ROWS", "1000000"))
_OURS = """
import sys, time
from pathlib import Path
from service.answers.hand_over import HandOver
from service.export import write_hand_over as write
from service.records import Selection
from service.store import open_store
store = open_store(Path(sys.argv[1]), read_only=True)
write(store, Path(sys.argv[2]), HandOver(Selection(), "geojson", sys.argv[3], overwrite=True))
"""
_GDAL = """
import sys, pyogrio
frame = pyogrio.read_dataframe(sys.argv[1], layer="placements")
pyogrio.write_dataframe(frame, sys.argv[2], driver="GeoJSON", layer_options={"RFC7946": "YES"})
"""


# The kernel's own mark of the most memory held, since the program began; a parent's is no part.
_PEAK = """
from pathlib import Path as _Path
_status = _Path("/proc/self/status").read_text()
print(_status.split("VmHWM:")[1].split()[0])
"""


def _timed(code: str, *given: str) -> tuple[float, float]:
    """Seconds and peak memory [MB] of a process of its own."""
    began = time.perf_counter()
    command = [sys.executable, "-c", code + _PEAK, *given]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    return time.perf_counter() - began, float(told.split()[-1]) / 1024


def make_big_store(path: Path, rows: int, *, at_once: int = 50_000) -> None:
    """Store placements along the small fork, two catch rows each, in batches."""
    store = small_store(path)
    for start in range(0, rows, at_once):
        count = min(at_once, rows - start)
        records = field_records(store, count, start=start, survey=f"Round {start}", seed=start)
        records.placements["set_at"] -= pd.Timedelta(days=3650)  # a million hours is a century
        add(store, records, digest=f"files {start}")
        print(f"stored {start + count:,}", file=sys.stderr)
    store.close()


def run(scale: float = 1.0) -> None:
    """Print rows per second and peak memory of both, and their ratio."""
    rows = max(1, int(ROWS * scale))
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "big.gpkg"
        make_big_store(store, rows)
        out = str(Path(folder) / "out.geojson")
        idle, base = _timed("import service.export\n")
        gdal_s, gdal_mb = _timed(_GDAL, str(store), out)
        Path(out).unlink()
        print(
            f"{rows:,} placements; GDAL via pyogrio: {rows / gdal_s:,.0f} rows/s, {gdal_mb:,.0f} MB"
        )
        for audience in ("precise", "public"):
            ours_s, ours_mb = _timed(_OURS, str(store), out, audience)
            print(
                f"rifflebook, {audience}: {rows / ours_s:,.0f} rows/s, {ours_mb:,.0f} MB; "
                f"{gdal_s / ours_s:.2f} times GDAL's speed (start-up {idle:.1f} s, {base:.0f} MB)"
            )


if __name__ == "__main__":
    run()
