"""Map views of a million placements, against pyogrio reading the same window and writing GeoJSON.

The service runs in a process of its own. A view is what a screen of 1440 × 900 pixels fetches,
with the margin that the page adds: placements or their counts, and reaches with catchments. The
peer reads three columns of the placements in the same window from the same file, turns them to
WGS 84 and writes them to memory; it draws no reaches and sets up no connection.
"""

import http.client
import io
import socket
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from service.records import FieldRecords, StoreSettings
from service.reference.loading_layers import load_catchments, load_reaches
from service.reference.method_files import shipped_methods
from service.store import create_store
from tests.benchmarks.synthetic import CRS, river_network

PLACEMENTS, REACHES, CATCHMENTS, SPECIES, SURVEYS = 1_000_000, 300_000, 400, 40, 20
ZOOMS, VIEWS_A_ZOOM, CLIENTS = (7, 9, 11, 13, 15), 10, 20
PIECE = 50_000
SCREEN_PX, PAD = (1440, 900), 0.3
FILTERS = ("", "&species=Genus+species07", "&method=fyke_net&since=2021&until=2022")


def run(scale: float = 1.0) -> None:
    """Fetch 50 views at five zooms, one at a time and by 20 clients at once."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.gpkg"
        began = time.perf_counter()
        extent, places = make_store(path, int(PLACEMENTS * scale), int(REACHES * scale))
        print(
            f"   store of {int(PLACEMENTS * scale):,} placements, {int(REACHES * scale):,} reaches "
            f"made in {time.perf_counter() - began:.0f} s, {path.stat().st_size / 1e6:.0f} MB",
            flush=True,
        )
        measure(path, extent, places)


def measure(path: Path, extent: list[float], places: np.ndarray) -> None:
    """Time the views of a store."""
    server, host, port = serve(path)
    try:
        views = make_views(places)
        client = http.client.HTTPConnection(host, port, timeout=300)
        for name, address in (("placements", views[0][2]), ("lines", views[0][3])):
            cold, _ = fetch(client, address)
            print(f"   cold, first answer with {name}: {cold:.1f} s", flush=True)
        for view in views:  # lines are simplified once for each zoom
            fetch(client, view[3])
        for words in FILTERS:
            seconds, sizes = [], []
            for _, _, placements, lines in views:
                parts = [fetch(client, placements + words), fetch(client, lines)]
                seconds.append(sum(part[0] for part in parts))
                sizes.extend(part[1] for part in parts)
            print(f"   one at a time{words or ', no filter'}: {told(seconds, sizes)}", flush=True)
        addresses = [view[part] for view in views for part in (2, 3)]
        together(host, port, addresses)
        peer(path, host, port, views)
    finally:
        server.terminate()
        server.wait(timeout=30)


def told(seconds: list[float], sizes: list[int]) -> str:
    p50, p95 = np.percentile(seconds, [50, 95]) * 1000
    return (
        f"p50 {p50:.0f} ms, p95 {p95:.0f} ms (aim 150) per view; answers of "
        f"{np.median(sizes) / 1000:.0f} kB, largest {max(sizes) / 1000:.0f} kB (aim 300)"
    )


def together(host: str, port: int, addresses: list[str]) -> None:
    """Let all clients fetch all addresses, each in an order of its own."""

    def one(number: int) -> list[float]:
        client = http.client.HTTPConnection(host, port, timeout=300)
        order = np.random.default_rng(number).permutation(len(addresses))
        return [fetch(client, addresses[at])[0] for at in order.tolist()]

    began = time.perf_counter()
    with ThreadPoolExecutor(CLIENTS) as pool:
        seconds = [took for all_of in pool.map(one, range(CLIENTS)) for took in all_of]
    whole = time.perf_counter() - began
    p50, p95 = np.percentile(seconds, [50, 95]) * 1000
    print(
        f"   {CLIENTS} clients at once: p50 {p50:.0f} ms, p95 {p95:.0f} ms per answer, "
        f"{len(seconds) / whole:.0f} answers a second",
        flush=True,
    )


def peer(path: Path, host: str, port: int, views: list[tuple]) -> None:
    """Read and write the first view of each zoom with pyogrio."""
    for zoom, window, placements, _ in views[::VIEWS_A_ZOOM]:
        client = http.client.HTTPConnection(host, port, timeout=300)  # the last was left idle
        ours = min(fetch(client, placements)[0] for _ in range(3))
        began = time.perf_counter()
        frame = pyogrio.read_dataframe(
            path, layer="placements", bbox=window, columns=["placement_id", "method", "outcome"]
        )
        frame = frame.to_crs(4326)
        pyogrio.write_dataframe(frame, io.BytesIO(), driver="GeoJSON")
        took = time.perf_counter() - began
        print(
            f"   zoom {zoom}, {len(frame):,} placements: {ours * 1000:.0f} ms; pyogrio "
            f"{took * 1000:.0f} ms; {took / ours:.1f} times as fast (aim 2)",
            flush=True,
        )


def fetch(client: http.client.HTTPConnection, address: str) -> tuple[float, int]:
    began = time.perf_counter()
    client.request("GET", address, headers={"Accept": "application/json"})
    answer = client.getresponse()
    size = len(answer.read())
    assert answer.status == 200, (address, answer.status)
    return time.perf_counter() - began, size


def serve(path: Path) -> tuple[subprocess.Popen, str, int]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = "from service.program import main; main()"
    server = subprocess.Popen(
        [sys.executable, "-c", command, "serve", str(path), "--port", str(port)],
        stdout=subprocess.DEVNULL,
    )
    for _ in range(300):
        try:
            fetch(http.client.HTTPConnection("127.0.0.1", port), "/healthz")
        except ConnectionError:
            time.sleep(0.2)
        else:
            return server, "127.0.0.1", port
    server.terminate()
    raise RuntimeError("the service did not start")


def make_views(places: np.ndarray) -> list[tuple]:
    """Zoom, window in the store's CRS, and addresses of each view, around placements."""
    rng = np.random.default_rng(5)
    middle = places[rng.integers(0, len(places), len(ZOOMS) * VIEWS_A_ZOOM)]
    back = pyproj.Transformer.from_crs(3857, 4326, always_xy=True)
    to_store = pyproj.Transformer.from_crs(4326, CRS, always_xy=True)
    east, north = pyproj.Transformer.from_crs(CRS, 3857, always_xy=True).transform(*middle.T)
    views = []
    for number, (x, y) in enumerate(zip(east.tolist(), north.tolist(), strict=True)):
        zoom = ZOOMS[number // VIEWS_A_ZOOM]
        metres = 2 * np.pi * 6_378_137 / (256 * 2**zoom)
        half = np.array(SCREEN_PX) * metres * (1 + 2 * PAD) / 2
        west, south = back.transform(x - half[0], y - half[1])
        far, top = back.transform(x + half[0], y + half[1])
        query = f"?bbox={west:.5f},{south:.5f},{far:.5f},{top:.5f}&zoom={zoom}"
        window = to_store.transform_bounds(west, south, far, top)
        addresses = (f"/map/placements.json{query}", f"/map/lines.json{query}")
        views.append((zoom, window, *addresses))
    return views


def make_store(path: Path, n: int, n_reaches: int) -> tuple[list[float], np.ndarray]:
    """Fill a store as an authority's might be; its extent, and the places of placements."""
    reaches = river_network(n_reaches, vertices=8)
    store = create_store(path, StoreSettings(crs=CRS, timezone="Europe/London"))
    store.put_methods(shipped_methods(), who="benchmark")
    names = pd.Index([f"Genus species{k:02d}" for k in range(SPECIES)], name="species")
    listed = pd.DataFrame({"rank": "species", "sensitivity": "none"}, index=names)
    store.put_species(listed.astype("str"), who="benchmark")
    extent = reaches.total_bounds.tolist()
    load_catchments(store, squares(extent), who="benchmark")
    load_reaches(store, reaches, who="benchmark")
    rng = np.random.default_rng(3)
    row = np.sort(rng.integers(0, len(reaches), n))  # neighbours together: batches stay local
    share = rng.random(n)
    lines = np.asarray(reaches.geometry)[row]
    feet = shapely.get_coordinates(shapely.line_interpolate_point(lines, share, normalized=True))
    places = feet + rng.normal(0, 6, (n, 2))
    length = shapely.length(lines)
    for start in range(0, n, PIECE):
        part = slice(start, min(start + PIECE, n))
        records = field_records(
            start, row[part], places[part], feet[part], share[part] * length[part], length[part],
            reaches.index.to_numpy(object), rng,
        )  # fmt: skip
        digests = pd.Series("-", index=records.placements.index, dtype="str")
        store.add_batch(
            records, who="benchmark", files=("made.csv",), digest=str(start), digests=digests
        )
    store.close()
    return extent, places


def squares(extent: list[float]) -> gpd.GeoDataFrame:
    side = int(CATCHMENTS**0.5)
    x = np.linspace(extent[0] - 1, extent[2] + 1, side + 1)
    y = np.linspace(extent[1] - 1, extent[3] + 1, side + 1)
    left, low = (edge.ravel() for edge in np.meshgrid(x[:-1], y[:-1]))
    right, top = (edge.ravel() for edge in np.meshgrid(x[1:], y[1:]))
    ids = [f"C{k:03d}" for k in range(len(left))]
    return gpd.GeoDataFrame(
        {"catchment_id": ids, "name": [f"Square {name}" for name in ids], "parent_id": None},
        geometry=shapely.box(left, low, right, top),
        crs=CRS,
    )


def field_records(start, row, places, feet, measure, length, names, rng) -> FieldRecords:
    n = len(row)
    ids = pd.Index([f"B{start + k:07d}" for k in range(n)], name="placement_id", dtype="str")
    methods = np.array([name for name in shipped_methods().index if name != "other"], dtype=object)
    method = rng.choice(methods, n)
    outcome = rng.choice(
        ["caught", "nil", "lost", "disturbed", "unrecorded"], n, p=[0.7, 0.22, 0.03, 0.03, 0.02]
    )
    began = pd.Timestamp("2016-01-10T10:00Z") + pd.to_timedelta(rng.integers(0, 3_600, n), unit="D")
    placements = gpd.GeoDataFrame(
        {
            "survey": rng.choice([f"S{k:02d}" for k in range(SURVEYS)], n),
            "method": method,
            "set_at": began,
            "lifted_at": began + pd.Timedelta("1h"),
            "timezone": "Europe/London",
            "outcome": outcome,
            "gear_count": 1.0,
            "minutes": 30.0,
            "shape_kind": "point",
            "original_x": places[:, 0],
            "original_y": places[:, 1],
            "original_crs": CRS,
        },
        geometry=shapely.points(places),
        index=ids,
        crs=CRS,
    )
    caught = np.flatnonzero(outcome == "caught")
    owner = np.concatenate([caught, rng.choice(caught, len(caught))])
    catches = pd.DataFrame(
        {
            "placement_id": ids.to_numpy(object)[owner],
            "species": [f"Genus species{k:02d}" for k in rng.integers(0, SPECIES, len(owner))],
            "count": rng.integers(1, 30, len(owner)).astype(float),
            "count_kind": "exact",
        }
    )
    snaps = pd.DataFrame(
        {
            "reach_id": names[row],
            "measure_m": measure,
            "offset_m": np.hypot(*(places - feet).T),
            "ambiguous": rng.random(n) < 0.02,
            "snapped_x": feet[:, 0],
            "snapped_y": feet[:, 1],
        },
        index=ids,
    )
    long = np.flatnonzero(np.isin(method, ["electric_fishing", "spotlight"]))
    stretches = pd.DataFrame(
        {
            "placement_id": ids.to_numpy(object)[long],
            "method": method[long],
            "reach_id": names[row[long]],
            "from_m": np.maximum(measure[long] - 60, 0.0),
            "to_m": np.minimum(measure[long] + 1, length[long]),
        }
    )
    nothing = pd.DataFrame()
    surveys = pd.DataFrame(
        {"timezone": "Europe/London"},
        index=pd.Index([f"S{k:02d}" for k in range(SURVEYS)], name="survey"),
    )
    lengths = pd.DataFrame({"placement_id": [], "species": []}, dtype="str")
    flags = pd.DataFrame({"placement_id": [], "code": [], "message": []}, dtype="str")
    return FieldRecords(
        surveys=surveys, sites=nothing, placements=placements, catches=catches, lengths=lengths,
        snaps=snaps, stretches=stretches, flags=flags,
    )  # fmt: skip
