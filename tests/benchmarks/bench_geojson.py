"""Writing 200,000 points with five properties as GeoJSON, beside GeoPandas and pyogrio."""

from __future__ import annotations

import time
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from layers.drawing.geojson import feature_stream

COUNT = 200_000


def run(scale: float = 1.0) -> None:
    """Print seconds, rows per second and ratios."""
    count = int(COUNT * scale)
    random = np.random.default_rng(5)
    frame = gpd.GeoDataFrame(
        {
            "method": random.choice(["kick_net", "seine", "spotlight"], count),
            "minutes": random.uniform(1, 60, count),
            "passes": random.integers(1, 4, count),
            "notes": "as planned",
            "lost": random.random(count) < 0.1,
        },
        geometry=shapely.points(
            random.uniform(600_000, 620_000, count), random.uniform(5_800_000, 5_820_000, count)
        ),
        crs="EPSG:32629",
    )
    with TemporaryDirectory() as folder:
        ours = _seconds(lambda: _write(frame, Path(folder) / "ours.geojson"))
        pandas = _seconds(
            lambda: (Path(folder) / "pandas.geojson").write_text(frame.to_crs(4326).to_json())
        )
        gdal = _seconds(
            lambda: pyogrio.write_dataframe(
                frame.to_crs(4326), Path(folder) / "gdal.geojson", driver="GeoJSON", RFC7946="YES"
            )
        )
    print(
        f"geojson: {count} features in {ours:.2f} s ({count / ours:,.0f} rows/s); "
        f"GeoPandas {pandas:.2f} s ({pandas / ours:.1f}x as long), "
        f"pyogrio {gdal:.2f} s ({gdal / ours:.1f}x as long)"
    )


def _write(frame: gpd.GeoDataFrame, path: Path) -> None:
    chunks = (frame.iloc[start : start + 10_000] for start in range(0, len(frame), 10_000))
    with path.open("wb") as file:
        for piece in feature_stream(chunks):
            file.write(piece)


def _seconds(work: object) -> float:
    started = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - started
