"""Questions that somebody brings to the map, each answered within three clicks."""

import json
import urllib.request
from urllib.parse import urlencode

import pytest
from axe_playwright_python.sync_playwright import Axe

CLICKS = "window.clicks = Number(sessionStorage.clicks || 0); addEventListener('click', (event) => \
  event.isTrusted && (sessionStorage.clicks = window.clicks += 1), true)"


def place_on(island, reach, longitude, latitude):
    """The place on a reach nearest to a position, as the server says it."""
    query = urlencode({"reach": reach, "longitude": longitude, "latitude": latitude})
    with urllib.request.urlopen(f"{island}/map/reach.json?{query}") as answer:
        return json.load(answer)


@pytest.fixture
def culvert(island, open_page):
    """The map with a reach of the lower Orbrelle Water in its middle; clicks are counted."""

    def opening(width=1280, height=800):
        at = place_on(island, "R296", -11.1027, 52.5763)
        page = open_page(f"{island}/#16/{at['latitude']}/{at['longitude']}", width, height)
        page.evaluate(CLICKS)
        page.context.add_init_script(CLICKS)
        return page

    return opening


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (380, 760)])
def test_what_lives_above_this_culvert(culvert, width, height):
    """A click on the reach, one on the link: species above the point, in their states."""
    page = culvert(width, height)
    box = page.locator(".folium-map").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.get_by_role("link", name="What lives upstream of here").click()
    page.wait_for_url("**/upstream/R296?measure=*")
    assert "Everything upstream of reach R296" in page.locator("h1").inner_text()
    assert page.locator("#species ~ .scrolls tbody tr").count() > 5
    assert page.evaluate("window.clicks") <= 3
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_reach_opens_by_keyboard(culvert):
    """Enter opens the reach under the cross, and its links are the next to be reached by Tab."""
    page = culvert()
    page.locator(".folium-map").focus()
    page.keyboard.press("Enter")
    page.locator(".leaflet-popup a", has_text="Reach R296").wait_for()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/reaches/R296")
    assert Axe().run(page).response["violations"] == []


def test_a_placement_begins_where_the_reach_was_opened(culvert):
    """The form has the position and the stream of the reach, and the map shows the point."""
    page = culvert()
    box = page.locator(".folium-map").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.get_by_role("link", name="Start a placement here").click()
    page.wait_for_selector("#entry[data-ready=yes]")
    page.locator("#reach", has_text="reach R296 (Orbrelle Water)").wait_for()
    assert page.locator("[name=stream_name]").input_value() == "Orbrelle Water"
    assert page.url.endswith("/placements/new")


def test_names_run_along_their_streams_and_never_across_another(culvert):
    """Names of streams are drawn in the map's view, apart from one another."""
    page = culvert()
    for _ in range(3):
        page.locator(".leaflet-control-zoom-out").click()
        page.wait_for_timeout(600)
    page.wait_for_selector(".rb-streams textPath")
    boxes = page.eval_on_selector_all(
        ".rb-streams text",
        "all => all.map((one) => { const b = one.getBoundingClientRect();"
        " return [one.textContent, b.left, b.top, b.right, b.bottom]; })",
    )
    assert "Orbrelle Water" in [box[0] for box in boxes]
    for k, (_, left, top, right, bottom) in enumerate(boxes):
        for _, low_x, low_y, high_x, high_y in boxes[k + 1 :]:
            assert right <= low_x or high_x <= left or bottom <= low_y or high_y <= top
