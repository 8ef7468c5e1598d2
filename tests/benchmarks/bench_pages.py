"""Every page of the program on 1,000,000 placements, and the aims beside.

Addresses come from the application's own URL map, with ids that are in the store, so that no page
is forgotten. The service runs in a process of its own; one visitor requests page after page:
`first` since the start (what one page made, the next may use), `again`, and `after a form`, the
first answer after one form was saved: until its first byte, where a large answer takes longer, and
until its last. The whole feed and hand-overs are in the benchmarks `feed` and `export`.
"""

import io
import itertools
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote, urlencode

import numpy as np
import pandas as pd
import pyproj
import requests

from service import create_app
from service.answers.coverage_files import FILES
from service.records import LOCAL_KEEPER, StoreSettings
from service.store import create_store, open_store
from tests.benchmarks.bench_map import CRS, PLACEMENTS, REACHES, SPECIES, make_store, serve
from tests.feed_server import serving

CLIENTS, PAGES_A_CLIENT = 20, 12
DENSE, DENSE_REACHES = 100_000, 6_400  # in one square of 40 km
AIM_FIRST_S, AIM_AGAIN_S, AIM_FORM_S = 5.0, 1.0, 1.0
AIM_TOGETHER_S, AIM_SAVE_S, AIM_PUBLIC_S, AIM_MB = 2.0, 0.3, 2.0, 1500
# No page of records: files of the program, the text of a mapping, whole files of records, work
# that goes on, what needs a login or an upload of layers, and tiles of a background.
LEFT_OUT = {
    "static", "frame.map_asset", "frame.versioned_asset", "frame.versioned_static", "feed.whole",
    "hand_over.file", "imports.mapping", "record_files.download", "own_account.show",
    "loading.checked", "work.show", "work.status", "work.file", "backgrounds.tile",
}  # fmt: skip
_LONGEST_S = 900


def run(scale: float = 1.0) -> None:
    """Print the table of pages, and the figures beside it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.gpkg"
        n, n_reaches = int(PLACEMENTS * scale), int(REACHES * scale)
        began = time.perf_counter()
        extent, places = make_store(path, n, n_reaches)
        size = path.stat().st_size / 1e6
        print(
            f"   store of {n:,} placements, {n_reaches:,} reaches, {SPECIES} species made in "
            f"{time.perf_counter() - began:.0f} s, {size:.0f} MB",
            flush=True,
        )
        pages = addresses(path, extent, places, n_reaches)
        in_turn(path, places, pages)
        together(path, places, pages)
        public_count(path, extent)
        verified(path)
        one_cell(Path(folder) / "dense.gpkg", scale)


class Took(NamedTuple):
    """Seconds until the first and the last byte of an answer."""

    first: float
    last: float

    def __str__(self) -> str:
        return f"{self.last:.2f}" if self.last < 1.0 else f"{self.first:.2f} … {self.last:.2f}"


class Visitor:
    """Somebody with a browser at a served store."""

    def __init__(self, host: str, port: int, places: np.ndarray) -> None:
        self.root = f"http://{host}:{port}"
        self.browser = requests.Session()
        back = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)
        rng = np.random.default_rng(11)
        self.places = zip(
            *back.transform(*places[rng.integers(0, len(places), 10_000)].T), strict=True
        )
        self.saved = itertools.count()

    def get(self, address: str) -> tuple[Took, int]:
        """Seconds of an answer, and its bytes; whatever is not 200 is an error of the benchmark."""
        began = time.perf_counter()
        with self.browser.get(self.root + address, timeout=_LONGEST_S, stream=True) as answer:
            assert answer.status_code == 200, (address, answer.status_code, answer.text[-300:])
            pieces = answer.iter_content(1 << 16)
            size = len(next(pieces, b""))
            first = time.perf_counter() - began
            size += sum(map(len, pieces))
        return Took(first, time.perf_counter() - began), size

    def json(self, address: str) -> dict:
        return self.browser.get(self.root + address, timeout=_LONGEST_S).json()

    def post(self, address: str, **sent: object) -> tuple[float, requests.Response]:
        word = self.json("/entry/token")["token"]
        began = time.perf_counter()
        answer = self.browser.post(
            self.root + address,
            headers={"X-CSRFToken": word},
            timeout=_LONGEST_S,
            allow_redirects=False,
            **sent,
        )
        took = time.perf_counter() - began
        assert answer.status_code in (201, 303), (address, answer.status_code, answer.text[-300:])
        return took, answer

    def save_form(self) -> float:
        """Seconds of saving one new placement, where another one lies."""
        longitude, latitude = next(self.places)
        placement = {
            "placement_id": f"FORM-{time.time_ns()}-{next(self.saved)}",
            "survey": "S01",
            "method": "kick_net",
            "set_at": "2024-05-02T11:00",
            "lifted_at": "2024-05-02T11:40",
            "longitude": f"{longitude:.6f}",
            "latitude": f"{latitude:.6f}",
            "crs": "EPSG:4326",
            "lifts": "12",
            "outcome": "caught",
        }
        catch = {"species": "Genus species07", "count": "3", "count_kind": "exact"}
        form = {"placement": placement, "catches": [catch], "lengths": [], "base": None}
        took, answer = self.post("/entry/save", json=form)
        assert answer.json()["outcome"] == "stored"
        return took


# Addresses ---------------------------------------------------------------------------------
def addresses(path: Path, extent: list[float], places: np.ndarray, n_reaches: int) -> list[str]:
    """Addresses of every page, with ids and boxes from the middle of the store."""
    server, host, port = serve(path)
    try:
        return _addresses(Visitor(host, port, places), extent, len(places), n_reaches)
    finally:
        stop(server)


def _addresses(visitor: Visitor, extent: list[float], n: int, n_reaches: int) -> list[str]:
    back = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)
    x, y = (extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2
    box = ",".join(f"{edge:.5f}" for edge in back.transform_bounds(x, y, x + 5_000, y + 5_000))
    longitude, latitude = back.transform(x, y)
    reach = f"S{n_reaches // 2:0{len(str(n_reaches))}d}"
    here = {"longitude": f"{longitude:.5f}", "latitude": f"{latitude:.5f}"}
    opened = visitor.json(f"/map/reach.json?{urlencode({'reach': reach, **here})}")
    told = visitor.json("/feed/collections?f=json")["collections"]
    collections = [one["id"] for one in told]
    placement, catchment = f"B{n // 2:07d}", "C210"
    species, method = "Genus species07", "fyke_net"
    features = {
        "placements": placement, "reaches": reach, "catchments": catchment, "species": species,
        "methods": method,
    }  # fmt: skip
    known: dict[str, list[dict[str, str]]] = {
        "problems.show": [{"slug": "field-file"}],
        "feed.collection": [{"collection_id": one} for one in collections],
        "feed.schema": [{"collection_id": one} for one in collections],
        "feed.items": [{"collection_id": one} for one in collections],
        "feed.item": [
            {"collection_id": one, "feature_id": features.get(one) or _an_item(visitor, one)}
            for one in collections
        ],
        "catchment.show": [{"catchment": catchment}],
        "species.show": [{"name": species}],
        "placement.show": [{"placement_id": placement}],
        "entry.edit": [{"placement_id": placement}],
        "methods.one": [{"name": method}],
        "water.reach": [{"reach_id": reach}],
        "water.stream": [{"stream_id": opened["stream_id"]}],
        "water.upstream": [{"reach_id": reach}],
        "coverage.download": [
            {"what": what, "form": form} for what, forms in FILES.items() for form in forms
        ],
        "guide.show": [{"page": "figures"}],
    }
    view = f"bbox={box}&zoom=12"
    queries = {
        "map_views.placements": [view, f"{view}&{urlencode({'species': species})}"],
        "map_views.lines": [view],
        "map_views.cards": [f"placement={placement}"],
        "map_views.position": [urlencode(here)],
        "geojson.placements": [f"bbox={box}"],
        "geojson.detections": [f"bbox={box}"],
        "geojson.stretches": [f"bbox={box}"],
        "geojson.reaches": [f"bbox={box}"],
        "geojson.catchments": [f"bbox={box}"],
        "coverage.view": [view],
        "coverage.gap": ["gap=1"],
        "water.opened": [urlencode({"reach": reach, **here})],
        "entry.nearest": [urlencode(here)],
        "entry.area": [f"bbox={box}"],
        "record_files.offline": [f"catchment={catchment}"],
        "feed.items": ["limit=10", f"limit=10&bbox={box}"],
        "figures.lengths": [urlencode({"species": species})],
        "figures.effort": [f"catchment={catchment}"],
        "figures.accumulation": [f"catchment={catchment}"],
        "figures.catch_rate": [urlencode({"species": species})],
        "figures.change": [urlencode({"species": species, "catchment": catchment})],
        "records.show": [
            "", "page=100", "sort=fish&order=down", f"catchment={catchment}",
            urlencode({"species": species}),
        ],
        "catchments.show": ["", f"catchment={catchment}", urlencode({"species": species})],
        "species.show": ["", f"catchment={catchment}"],
        "coverage.show": ["", "method=fyke_net"],
    }  # fmt: skip
    found = []
    for rule in sorted(_rules(), key=lambda rule: (rule.rule != "/", rule.rule)):
        named = rule.arguments and rule.arguments != {"token"}
        for row in known[rule.endpoint] if named else [{}]:
            address = rule.rule
            for name, value in row.items():
                for kind in ("", "path:"):
                    address = address.replace(f"<{kind}{name}>", quote(value, safe=""))
            found += [
                f"{address}?{query}" if query else address
                for query in queries.get(rule.endpoint, [""])
            ]
    return found


def _rules() -> list:
    """Read rules of the application that answer GET, those in `LEFT_OUT` not."""
    with tempfile.TemporaryDirectory() as folder:
        store = create_store(Path(folder) / "a.gpkg", StoreSettings(crs=CRS, timezone="UTC"))
        rules = list(create_app(store, viewer=LOCAL_KEEPER).url_map.iter_rules())
        store.close()
    return [rule for rule in rules if "GET" in rule.methods and rule.endpoint not in LEFT_OUT]


def _an_item(visitor: Visitor, collection: str) -> str:
    found = visitor.json(f"/feed/collections/{collection}/items?limit=1&f=json")["features"]
    return str(found[0]["id"])


def with_upload(pages: list[str], visitor: Visitor) -> list[str]:
    """Put in the token of an upload: a sheet of ten placements that waits for its import."""
    rows = [next(visitor.places) for _ in range(10)]
    sheet = pd.DataFrame(rows, columns=["longitude", "latitude"]).assign(
        placement_id=[f"UP{k}" for k in range(10)], survey="S01", Gear="kick_net",
        set_at="2024-05-02T11:00", lifted_at="2024-05-02T11:40", lifts=12, outcome="caught",
    )  # fmt: skip
    catches = pd.DataFrame({"placement_id": sheet["placement_id"], "count": 2})
    catches["species"], catches["count_kind"] = "Genus unlisted", "exact"
    files = [
        ("files", (name, io.BytesIO(frame.to_csv(index=False).encode())))
        for name, frame in (("placements.csv", sheet), ("catches.csv", catches))
    ]
    _, answer = visitor.post("/import", files=files)
    token = answer.headers["Location"].rsplit("/", 1)[1]
    return [address.replace("<token>", token) for address in pages]


# Measures ----------------------------------------------------------------------------------
def in_turn(path: Path, places: np.ndarray, pages: list[str]) -> None:
    """Print the table of one visitor."""
    server, host, port = serve(path)
    try:
        idle = memory_mb(server.pid, "VmRSS")
        visitor = Visitor(host, port, places)
        print(
            f"   {'page':78} {'first, s':>14} {'again, s':>14} {'after a form, s':>15} {'MB':>6}\n"
            f"   {'aims':78} {AIM_FIRST_S:14.1f} {AIM_AGAIN_S:14.1f} {AIM_FORM_S:15.1f} {AIM_MB:6}"
        )
        table, saves, failed = [], [], []
        for address in with_upload(pages, visitor):
            try:
                first, size = visitor.get(address)
                again, _ = visitor.get(address)
                saves.append(visitor.save_form())
                form, _ = visitor.get(address)
            except AssertionError as problem:  # the other pages are measured all the same
                failed.append(address)
                print(f"   {address}: failed, {problem}", flush=True)
                continue
            table.append((first, again, form))
            print(
                f"   {address[:78]:78} {first!s:>14} {again!s:>14} {form!s:>15} "
                f"{memory_mb(server.pid, 'VmRSS'):6.0f}  {size / 1000:,.0f} kB",
                flush=True,
            )
        begun = np.array(table)[:, :, 0]
        p95, worst = np.percentile(begun, 95, axis=0), np.max(begun, axis=0)
        print(
            f"   first bytes of {len(table)} pages, p95 and longest: first {p95[0]:.2f} and "
            f"{worst[0]:.2f} s, again {p95[1]:.2f} and {worst[1]:.2f} s, after a form "
            f"{p95[2]:.2f} and {worst[2]:.2f} s"
        )
        print(
            f"   saving one form: {told_ms(saves)} (aim {AIM_SAVE_S * 1000:.0f}); resident memory "
            f"{idle:.0f} MB at the start, {memory_mb(server.pid, 'VmHWM'):.0f} MB at most",
            flush=True,
        )
        assert not failed, failed
    finally:
        stop(server)


def together(path: Path, places: np.ndarray, pages: list[str]) -> None:
    """Let 20 clients at once request pages that one visitor requested before.

    Files of all reaches, gaps or streams (up to 300 MB each) are told in the table above alone.
    """
    server, host, port = serve(path)
    try:
        visitor = Visitor(host, port, places)
        files = {f"/coverage/{what}.{form}" for what, forms in FILES.items() for form in forms}
        pages = [page for page in with_upload(pages, visitor) if page not in files]
        for address in pages:
            visitor.get(address)
        alone = memory_mb(server.pid, "VmHWM")
        Path(f"/proc/{server.pid}/clear_refs").write_text("5")  # proc(5): the mark is set anew

        def one(number: int) -> list[float]:
            own = Visitor(host, port, places)
            order = np.random.default_rng(number).permutation(len(pages))[:PAGES_A_CLIENT]
            return [own.get(pages[at])[0].last for at in order.tolist()]

        with ThreadPoolExecutor(CLIENTS) as pool:
            seconds = [took for all_of in pool.map(one, range(CLIENTS)) for took in all_of]
        print(
            f"   {CLIENTS} clients at once: {told_ms(seconds)} a page (aim of p95 "
            f"{AIM_TOGETHER_S * 1000:.0f}), {memory_mb(server.pid, 'VmHWM'):.0f} MB at most "
            f"(aim {AIM_MB}); {alone:.0f} MB while one visitor requested each for the first time",
            flush=True,
        )
    finally:
        stop(server)


def public_count(path: Path, extent: list[float]) -> None:
    """Time the first public count in a box with half of the placements."""
    back = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)
    west, south, east, north = back.transform_bounds(*extent)
    box = f"{west:.5f},{south:.5f},{(west + east) / 2:.5f},{north:.5f}"
    with serving(path, role="public") as feed:
        for name in ("first", "second"):
            began = time.perf_counter()
            answer = requests.get(
                f"{feed}/collections/placements/items?limit=10&f=json&bbox={box}",
                timeout=_LONGEST_S,
            )
            took = time.perf_counter() - began
            print(
                f"   {name} public count in a box, {answer.json()['numberMatched']:,} placements: "
                f"{took:.2f} s (aim {AIM_PUBLIC_S:.0f})",
                flush=True,
            )


def verified(path: Path) -> None:
    """Time the command that checks a whole store."""
    began = time.perf_counter()
    command = [sys.executable, "-c", "from service.program import main; main()", "verify", path]
    ended = subprocess.run(command, check=False, capture_output=True, text=True)
    # The store was filled without an import, which it may find fault with.
    assert ended.returncode in (0, 1), ended.stderr
    print(f"   verify: {time.perf_counter() - began:.0f} s", flush=True)


def one_cell(path: Path, scale: float) -> None:
    """Time forms where all placements share one 50 km cell, with sensitive catches and without."""
    n = int(DENSE * scale)
    _, places = make_store(path, n, DENSE_REACHES)
    for sensitive in ("none", "10"):
        store = open_store(path)
        species = store.species()
        species.loc["Genus species39", "sensitivity"] = sensitive
        store.put_species(species, who="benchmark")
        store.close()
        server, host, port = serve(path)
        try:
            visitor = Visitor(host, port, places)
            visitor.save_form()  # reads the network
            busy = busy_s(server.pid)
            saves = [visitor.save_form() for _ in range(10)]
            busy = (busy_s(server.pid) - busy) / len(saves)
            print(
                f"   saving one form beside {n:,} placements in one 50 km cell, a species of "
                f"sensitivity {sensitive}: {told_ms(saves)} (aim {AIM_SAVE_S * 1000:.0f}), "
                f"{busy * 1000:.0f} ms of the processor each",
                flush=True,
            )
        finally:
            stop(server)


def stop(server: subprocess.Popen) -> None:
    server.terminate()
    server.wait(timeout=60)


def told_ms(seconds: list[float]) -> str:
    p50, p95 = np.percentile(seconds, [50, 95]) * 1000
    return f"p50 {p50:.0f} ms, p95 {p95:.0f} ms"


def busy_s(pid: int) -> float:
    """Seconds of the processor that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int, mark: str) -> float:
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return float(status.split(f"{mark}:")[1].split()[0]) / 1024
