"""Questions that somebody brings to the map, each answered within three clicks."""

import csv
import io
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
    # Where the machine is busy a page that says that it is computed comes first.
    page.get_by_role("heading", level=1, name="Everything upstream of reach R296").wait_for()
    page.locator("#species ~ .scrolls tbody tr").nth(5).wait_for(state="attached")
    assert page.evaluate("window.clicks") <= 3
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("figure", "paragraphs"), [([0.25, 0.04, 0.6, 5, 2024], 1), (None, 0)])
def test_an_opened_reach_says_the_chance_of_the_chosen_species(
    island, open_page, figure, paragraphs
):
    """With interval, reaches visited and year where there is a figure, else nothing of it.

    The figure is put in the place of the server's, which tests/web and tests/fieldwork check.
    """
    at = place_on(island, "R296", -11.1027, 52.5763)
    address = f"{island}/?species=Esox+lucius#16/{at['latitude']}/{at['longitude']}"
    page = open_page(address)
    cells = {at["catchment"]: {"Esox lucius": figure}} if figure else {}
    page.route(
        "**/catchments/chances.json*",
        lambda route: route.fulfill(json={"assumes": "", "cells": cells}),
    )
    box = page.locator(".folium-map").bounding_box()
    with page.expect_response("**/catchments/chances.json*"):
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    said = page.locator(".rb-chances")
    said.get_by_text("computing").wait_for(state="detached")
    said = said.locator("p")
    assert said.count() == paragraphs
    if figure:
        assert said.inner_text() == (
            "Esox lucius: chance 25\u202f% (95 % interval 4\u202f% to 60\u202f%) that it lived in "
            f"2024 on any of the 5 reaches of {at['catchment_name']} visited with gear that can "
            "find it, though not found there that year, were it as common there as elsewhere."
        )


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (380, 760)])
def test_which_streams_were_never_fished_at_night(island, open_page, width, height):
    """Coverage, at night: the list is that of the command, by name, longest first."""
    page = open_page(f"{island}/", width, height)
    page.evaluate(CLICKS)
    page.context.add_init_script(CLICKS)
    page.get_by_role("link", name="Coverage", exact=True).click()
    page.get_by_role("link", name="at night").click()
    page.wait_for_url("**hours=night**")
    page.get_by_role("link", name="streams", exact=True).click()
    assert page.evaluate("window.clicks") <= 3
    table = page.locator("table", has=page.get_by_text("Streams never visited"))
    with urllib.request.urlopen(f"{island}/coverage/streams.csv") as answer:
        rows = list(csv.DictReader(io.TextIOWrapper(answer, "utf-8-sig")))
    never = [row for row in rows if float(row["night_visited_length_m"]) == 0]
    never.sort(key=lambda row: -float(row["length_m"]))
    shown = table.locator("tbody th").all_inner_texts()
    assert len(shown) > 3
    assert shown == [row["stream"] for row in never][: len(shown)]
    assert f"{len(never)} of {len(rows)} streams" in page.locator("article").inner_text()
    assert page.locator("#streams-head").is_visible()


def test_where_to_go_in_this_catchment(island, open_page):
    """Catchments, one of them, where to go next: places in it, and what was done there before."""
    page = open_page(f"{island}/")
    page.evaluate(CLICKS)
    page.context.add_init_script(CLICKS)
    page.get_by_role("link", name="Catchments", exact=True).click()
    page.locator("a[href='/catchments/C1']").first.click()
    page.get_by_role("link", name="Where to go next here").click()
    page.wait_for_selector("#coverage-map[data-ready=yes]")
    assert page.evaluate("window.clicks") <= 3
    with urllib.request.urlopen(f"{island}/coverage/next-places.csv?catchment=C1") as answer:
        rows = list(csv.DictReader(io.TextIOWrapper(answer, "utf-8-sig")))
    shown = page.locator("tr[data-place]")
    assert shown.count() == len(rows) > 3
    for number, row in enumerate(rows):
        words = shown.nth(number).inner_text()
        assert row["stream"] in words
        assert row["reach_id"] in words
        assert row["done_before"] in words
    assert shown.first.bounding_box()["y"] < 800


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
    for zoom in (15, 14, 13):
        page.locator(".leaflet-control-zoom-out").click()
        page.wait_for_function("zoom => location.hash.startsWith(`#${zoom}/`)", arg=zoom)
    page.locator(".rb-streams text", has_text="Orbrelle Water").first.wait_for()
    boxes = page.eval_on_selector_all(
        ".rb-streams text",
        "all => all.map((one) => { const b = one.getBoundingClientRect();"
        " return [one.textContent, b.left, b.top, b.right, b.bottom]; })",
    )
    assert "Orbrelle Water" in [box[0] for box in boxes]
    for k, (_, left, top, right, bottom) in enumerate(boxes):
        for _, low_x, low_y, high_x, high_y in boxes[k + 1 :]:
            assert right <= low_x or high_x <= left or bottom <= low_y or high_y <= top


@pytest.mark.parametrize(
    ("motion", "moves"), [("reduce", False), ("no-preference", True)], ids=["less", "any"]
)
def test_who_asks_for_less_motion_finds_an_opened_reach_where_it_stays(
    island, open_page, motion, moves
):
    """A map that moves its popup into view does so at once, not while somebody presses in it."""
    at = place_on(island, "R296", -11.1027, 52.5763)
    address = f"{island}/#16/{at['latitude']}/{at['longitude']}"
    page = open_page(address, 380, 760, reduced_motion=motion)
    page.evaluate("""() => {
      window.tops = new Promise((done) => new MutationObserver((_, own) => {
        const link = document.querySelector(".leaflet-popup a[href*='/upstream/']");
        if (!link) return;
        own.disconnect();
        const top = () => link.getBoundingClientRect().top;
        const first = top();
        setTimeout(() => done([first, top()]), 600);
      }).observe(document.body, { childList: true, subtree: true }));
    }""")
    box = page.locator(".folium-map").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    first, last = page.evaluate("window.tops")
    assert (abs(first - last) > 1) == moves


def test_the_water_of_a_page_is_not_drawn_as_sampled(island, open_page):
    """The legend tells both lines apart, by words and by colours; the map of all has but one."""
    page = open_page(f"{island}/reaches/R296")
    page.locator(".rb-panel summary").click()
    colours = [
        page.locator(".rb-lines li", has_text=words)
        .locator(".rb-line")
        .evaluate("line => getComputedStyle(line).borderTopColor")
        for words in ("sampled stretch", "what this page is about")
    ]
    assert len(set(colours)) == 2
    page = open_page(f"{island}/")
    assert page.locator(".rb-lines li", has_text="what this page is about").count() == 0
