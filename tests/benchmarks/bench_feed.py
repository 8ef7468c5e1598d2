"""The feed on a million placements: the whole collection as GeoJSON, and pages, beside GDAL.

The service runs by itself on loopback; its peak memory is the kernel's own mark. GDAL, through
pyogrio, converts the placements table of the same store; ours adds each placement's catch,
effort and reach. ROWS sets another number of placements, STORE a store made before.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.request import Request, urlopen

from tests.benchmarks.bench_export import _GDAL, _timed, make_big_store

ROWS = int(os.environ.get("ROWS", "1000000"))
_SERVER = [sys.executable, "-m", "tests.feed_server"]


def run(scale: float = 1.0) -> None:
    """Print rows per second, peak memory and the ratio, and times of pages."""
    rows = int(ROWS * scale)
    with tempfile.TemporaryDirectory() as folder:
        store = Path(os.environ.get("STORE") or Path(folder) / "big.gpkg")
        if not store.exists():
            make_big_store(store, rows)
        gdal_s, gdal_mb = _timed(_GDAL, str(store), str(Path(folder) / "out.geojson"))
        print(
            f"{rows:,} placements; GDAL via pyogrio: {rows / gdal_s:,.0f} rows/s, {gdal_mb:,.0f} MB"
        )
        for role in ("keeper", "public"):
            _serve(store, role, rows, gdal_s)


def _serve(store: Path, role: str, rows: int, gdal_s: float) -> None:
    process = subprocess.Popen([*_SERVER, str(store), role, ""], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        feed = f"{process.stdout.readline().strip()}/feed/collections/placements"
        _get(f"{feed}/items?limit=1")
        idle = _peak_mb(process.pid)
        began = time.perf_counter()
        with urlopen(f"{feed}/whole.geojson") as answer:
            received = 0
            while piece := answer.read(1 << 20):
                received += piece.count(b'{"type":"Feature",')
        took = time.perf_counter() - began
        assert received > 0.99 * rows, received
        print(
            f"feed, {role}: {received / took:,.0f} rows/s, {_peak_mb(process.pid):,.0f} MB (idle "
            f"{idle:,.0f} MB); {gdal_s / took:.2f} times GDAL's speed"
        )
        first, of_first = _get(f"{feed}/items?limit=10000")
        again, _ = _get(f"{feed}/items?limit=10000")
        onward = next(link["href"] for link in of_first["links"] if link["rel"] == "next")
        second, _ = _get(onward)
        west, south, east, north = _get(feed)[1]["extent"]["spatial"]["bbox"][0]
        box = f"{west},{south},{(west + east) / 2},{north}"
        boxed, in_box = _get(f"{feed}/items?limit=100&bbox={box}")
        period = "datetime=2020-01-01T00:00:00Z/2020-02-01T00:00:00Z"
        timed, in_period = _get(f"{feed}/items?limit=100&{period}")
        print(
            f"feed, {role}: 10,000 in a page {first:.2f} s, again {again:.2f} s, the next "
            f"{second:.2f} s; 100 and the count of {in_box['numberMatched']:,} in a box "
            f"{boxed:.2f} s, of {in_period['numberMatched']:,} in a month {timed:.2f} s; "
            f"{_peak_mb(process.pid):,.0f} MB"
        )
    finally:
        process.terminate()
        process.wait()


def _get(address: str) -> tuple[float, dict]:
    began = time.perf_counter()
    with urlopen(
        Request(address, headers={"Accept": "application/json, application/geo+json"})
    ) as a:
        document = json.load(a)
    return time.perf_counter() - began, document


def _peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return float(status.split("VmHWM:")[1].split()[0]) / 1024


if __name__ == "__main__":
    run()
