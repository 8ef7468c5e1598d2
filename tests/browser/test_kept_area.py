"""An area kept on the device: shown after a restart without a connection, with the way to go."""

import networkx as nx
import numpy as np
import pytest
import shapely

from service.commands.demo_store import build_demo
from service.records import Selection
from service.store import open_store
from tests.browser.conftest import served
from tests.browser.test_day_on_the_water import READY, Phone


@pytest.fixture
def island_store(tmp_path):
    store = open_store(build_demo(tmp_path))
    with served(store) as address:
        yield address, store


def test_a_kept_area_is_there_after_a_restart_in_flight_mode(island_store, chromium, tmp_path):
    address, store = island_store
    phone = Phone(chromium.browser_type, tmp_path / "profile", address)
    phone.start("2025-06-10T10:00")
    page = phone.page
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    page.wait_for_selector(READY)
    phone.button("Keep this area")
    page.locator("#locate-state", has_text="This area is kept").wait_for()
    said = page.locator("#locate-state").inner_text()
    assert f"{len(store.reaches())} reaches" in said
    reach = store.reaches().to_crs("EPSG:4326").geometry.iloc[3]
    middle = reach.interpolate(0.5, normalized=True)
    phone.place = (middle.y, middle.x)
    phone.restart("2025-06-10T11:00", offline=True)
    page = phone.page
    page.locator(".next-place").first.wait_for()
    assert page.locator(".next-place").count() >= 3
    phone.located(phone.place)
    page.locator("#reach", has_text=f"reach {store.reaches().index[3]}").wait_for()
    phone.button("Where am I")
    page.locator("#locate-state", has_text="You are here, good to about 6 m").wait_for()
    visits = reaches_visited(store)
    said = page.locator("#reach").inner_text()
    assert ("last visited" in said) == (store.reaches().index[3] in visits)
    page.locator(".next-place").first.dispatch_event("click")
    told = page.locator("#locate-state", has_text="Next place")
    told.wait_for()
    assert "along the stream" in told.inner_text() or "no way along" in told.inner_text()
    phone.context.close()
    assert not phone.troubles


def reaches_visited(store):
    """Reaches that any placement lies on."""
    return set(store.records(Selection()).snaps["reach_id"].dropna())


def test_the_way_along_the_stream_is_the_shortest(island_store, open_page):
    """Against networkx, shortest_path_length over the lengths of the reaches in the store's CRS.

    The page measures on a sphere: the grid's scale and the ellipsoid leave less than 0.6 %.
    """
    address, store = island_store
    page = open_page(f"{address}/placements/new", ready=READY)
    reaches = store.reaches()
    graph = nx.MultiGraph()
    for row in reaches.itertuples():
        graph.add_edge(row.from_node, row.to_node, weight=row.length_m)
    ends = reaches.to_crs("EPSG:4326").geometry
    place = {}
    for row, line in zip(reaches.itertuples(), ends, strict=True):
        place[row.from_node], place[row.to_node] = line.coords[0], line.coords[-1]
    part = sorted(max(nx.connected_components(graph), key=len))
    rng = np.random.default_rng(1)
    pairs = [rng.choice(part, 2, replace=False).tolist() for _ in range(12)]
    asked = [[list(place[a]), list(place[b])] for a, b in pairs]
    found = page.evaluate(
        """async (asked) => {
          const { wayAlong } = await import("/static/entry_way.js");
          const box = "-13,51,-9,54";
          const area = await (await fetch("/entry/area.json?bbox=" + box)).json();
          return asked.map(([from, to]) => wayAlong(area.reaches.features, from, to));
        }""",
        asked,
    )
    for (a, b), way in zip(pairs, found, strict=True):
        right = nx.shortest_path_length(graph, a, b, weight="weight")
        assert way["length_m"] == pytest.approx(right, rel=0.006, abs=2)
        assert shapely.LineString(way["path"]).is_valid


def test_only_who_may_enter_records_keeps_an_area(island_store):
    from service import create_app
    from service.records import Viewer
    from service.settings import Settings

    for role, status in (("public", 403), ("member", 403), ("editor", 200)):
        app = create_app(island_store[1], Settings(), viewer=Viewer("x", role))
        answer = app.test_client().get("/entry/area.json?bbox=-13,51,-9,54")
        assert answer.status_code == status
    assert app.test_client().get("/entry/area.json").status_code == 400
