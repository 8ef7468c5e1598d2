"""Backgrounds on maps: chosen, kept in the address, printed, and there in flight mode.

`open_page` fails a test that sends a request to any other machine.
"""

import pytest

from service.reference.loading_backgrounds import load_background
from service.store import open_store
from tests.browser.conftest import served
from tests.browser.test_day_on_the_water import READY, Phone
from tests.small_store import make_small_store
from tests.tile_pictures import quarters, write_picture

NAME, OWNER = "Air {photo} <i>2024", "Owner &amp; &lt;b>sons"
DRAWN = "img.leaflet-tile-loaded[src*='/background/']"


@pytest.fixture
def path(tmp_path):
    """A small store with two backgrounds around its reaches."""
    store = make_small_store(tmp_path / "small.gpkg")
    west, south, east, north = store.reaches().total_bounds
    side = max(east - west, north - south) + 2_000
    picture = write_picture(
        tmp_path / "p.tif", quarters(300), store.settings.crs, west - 1_000, north + 1_000, side
    )
    for name in (NAME, "Old map"):
        load_background(store, picture, who="ann", name=name, attribution=OWNER)
    store.close()
    return store.path


def sources(page):
    """Names of backgrounds whose tiles are drawn."""
    page.locator(DRAWN).first.wait_for(state="attached")
    return set(page.locator(DRAWN).evaluate_all("all => all.map(one => one.src.split('/')[4])"))


@pytest.fixture
def brook(path):
    """Address of that store."""
    with served(open_store(path)) as address:
        yield address


def test_a_background_is_chosen_kept_in_the_address_and_printed(brook, open_page):
    page = open_page(brook)
    assert sources(page) == {"Air%20%7Bphoto%7D%20%3Ci%3E2024"}
    choice = page.get_by_label("Background")
    assert choice.evaluate("one => [...one.options].map((o) => o.text)") == [
        NAME, "Old map", "none",
    ]  # fmt: skip
    choice.select_option("Old map")
    page.wait_for_function(
        "() => document.querySelectorAll('header nav a[href*=\"background=\"]').length"
    )
    assert "background=Old+map" in page.url
    assert sources(page) == {"Old%20map"}
    page.goto(page.url)
    page.wait_for_selector(".folium-map[data-ready=yes]")
    assert sources(page) == {"Old%20map"}
    page.emulate_media(media="print")
    assert page.locator(DRAWN).first.is_visible()
    owner = page.locator(".leaflet-control-attribution")
    assert owner.is_visible()
    assert "Owner & <b>sons" in owner.inner_text()
    for pressed in ("label.rb-background", ".rb-own-bar", ".leaflet-control-zoom"):
        assert page.locator(pressed).count() == 1
        assert page.locator(pressed).is_hidden()
    assert not owner.locator("b").count()
    page.emulate_media(media="screen")
    page.get_by_role("link", name="Coverage", exact=True).click()
    page.wait_for_selector("#coverage-map .leaflet-tile-loaded", state="attached")
    assert sources(page) == {"Old%20map"}
    page.emulate_media(media="print")
    assert page.locator("label.rb-background").is_hidden()
    page.emulate_media(media="screen")
    page.get_by_label("Background").select_option("none")
    page.wait_for_function("() => location.search.includes('background=none')")
    assert not page.locator(DRAWN).count()
    assert "Owner" not in page.locator(".leaflet-control-attribution").inner_text()


@pytest.fixture
def bare(tmp_path):
    """Address of a store without a background; it ends after the page that shows it."""
    with served(make_small_store(tmp_path / "bare.gpkg")) as address:
        yield address


def test_without_one_nothing_is_fetched_or_offered(bare, open_page):
    page = open_page(bare)
    assert not page.get_by_label("Background").count()
    assert not page.locator("img.leaflet-tile").count()


def test_a_kept_area_has_its_background_in_flight_mode(path, chromium, tmp_path):
    """The one that was chosen when the area was kept, after a restart; others are not there.

    The service is ended meanwhile, since a browser's flight mode leaves out its workers.
    """
    with served(open_store(path)) as address:
        phone = Phone(chromium.browser_type, tmp_path / "profile", address)
        phone.start("2025-06-10T10:00")
        page = phone.page
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.reload()
        page.wait_for_selector(READY)
        page.get_by_label("Background").select_option("Old map")
        phone.button("Keep this area")
        page.locator("#locate-state", has_text="Background: 0.").wait_for()
        kept = page.evaluate(
            "async () => (await (await caches.open('rifflebook-tiles-1')).keys()).map((r) => r.url)"
        )
    phone.restart("2025-06-10T11:00", offline=True)
    page = phone.page
    page.wait_for_function(
        "() => { const on = [...document.querySelectorAll('#map img.leaflet-tile-loaded')];"
        " return on.length && on.every((one) => one.src.includes('Old%20map')"
        " && one.naturalWidth === 256); }"
    )
    assert page.get_by_label("Background").input_value() == "Old map"
    assert page.locator("#map .leaflet-control-attribution", has_text="Owner & <b>sons").count()
    page.get_by_label("Background").select_option("none")
    assert not page.locator("#map img.leaflet-tile").count()
    phone.context.close()
    assert not phone.troubles
    store = open_store(path, read_only=True)
    box = tuple(store.reaches().to_crs("EPSG:4326").total_bounds)
    first, last = store.backgrounds()[1].zooms
    wanted = [
        f"/{zoom}/{column}/{row}?v="
        for zoom in range(first, last + 1)
        for column, row, _ in store.tiles_of_box("Old map", box, zoom)
    ]
    store.close()
    assert len(wanted) > 3
    assert all(any(one in address for address in kept) for one in wanted)
