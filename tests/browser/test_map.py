"""The map in a browser: found by those who look, from disk too, and no script of others runs."""

import json
import re
import urllib.request

import numpy as np
import pandas as pd
import pytest

from service.answers.map_files import offline_map
from service.records import LOCAL_KEEPER, Selection
from service.store import open_store
from service.web.wording import number
from tests.benchmarks.bench_map import make_store
from tests.browser.conftest import arrived, served
from tests.small_store import make_small_store

MARKS = ".rb-mark"
# Boxes of all marks with what belongs to them, and how many placements each says it stands for,
# and how many gears in the water.
DRAWN = """() => [...document.querySelectorAll('.rb-mark')].map((mark) => {
  const boxes = [mark, ...mark.querySelectorAll('svg, .rb-doubt')]
    .map((one) => one.getBoundingClientRect());
  const many = /(?:^|: )([\\d,]+) placements?: /.exec(mark.title);
  const gear = /(?:^|; )(?:(\\d+)|[^;]+) in the water/.exec(mark.title);
  const alone = gear ? 0 : 1;
  return {
    name: mark.title, count: many ? Number(many[1].replaceAll(',', '')) : alone,
    water: gear ? Number(gear[1] || 1) : 0,
    left: Math.min(...boxes.map((box) => box.left)), top: Math.min(...boxes.map((box) => box.top)),
    right: Math.max(...boxes.map((box) => box.right)),
    bottom: Math.max(...boxes.map((box) => box.bottom)),
  };
})"""


def hidden_by_others(marks):
    """Pairs of marks of which one lies over a part of the other."""
    return [
        (one["name"], other["name"])
        for at, one in enumerate(marks)
        for other in marks[:at]
        if min(one["right"], other["right"]) - max(one["left"], other["left"]) > 0
        and min(one["bottom"], other["bottom"]) - max(one["top"], other["top"]) > 0
    ]


def go_to(page, lat, lng, zoom):
    """Open the map at a place, as its own address does."""
    address = page.url.split("#")[0]
    page.goto("about:blank")  # from where the same page with another end is fetched anew
    page.goto(f"{address}#{zoom:g}/{lat:.5f}/{lng:.5f}")
    page.wait_for_selector(".folium-map[data-ready=yes]")


def zoomed_in(page):
    """Press the button that zooms in: the map is there at once, and draws its marks anew."""
    page.locator(".leaflet-control-zoom-in").click()


def middle_of(page):
    """Latitude, longitude and zoom of a map, out of its address after one step closer."""
    page.locator(".folium-map").focus()
    page.keyboard.press("+")
    page.wait_for_function("() => location.hash")
    zoom, lat, lng = map(float, page.evaluate("location.hash")[1:].split("/"))
    return lat, lng, zoom - 1


def open_mark(page, placement_id):
    """Zoom to where a placement has a mark of its own, or open it out of the list of many."""
    at = fetched(page.url.split("#")[0] + f"map/cards.json?placement={placement_id}")
    lng, lat = at["features"][0]["geometry"]["coordinates"]
    go_to(page, lat, lng, 18)
    own = page.locator(f".rb-mark[aria-label*='{placement_id}']")
    if own.count():
        own.focus()
        page.keyboard.press("Enter")
    else:
        many = page.locator(".rb-many")
        entry = page.locator(".rb-entries button", has_text=placement_id)
        for at in range(many.count()):
            many.nth(at).focus()
            page.keyboard.press("Enter")
            page.locator(".rb-entries").last.wait_for()
            if entry.count():
                break
        entry.last.click()
    page.locator(".rb-card dl").wait_for()


def fetched(address):
    with urllib.request.urlopen(address) as answer:
        return json.load(answer)


@pytest.mark.parametrize(
    ("answer", "said", "faults"),
    [("abort", "could not be fetched", 0), ("<p>Log in</p>", "could not be fetched", 0),
     ("{}", "", 1)],
    ids=["no connection", "a page of the network's", "a fault of the script"],
)  # fmt: skip
def test_a_fault_of_the_script_is_not_put_on_the_connection(chromium, island, answer, said, faults):
    """Both are a TypeError to a browser; the map blames the connection for its own alone."""
    page = chromium.new_page()
    found = []
    page.on("pageerror", lambda error: found.append(str(error)))
    page.route(
        "**/map/lines.json*",
        lambda route: route.abort() if answer == "abort" else route.fulfill(body=answer),
    )
    page.goto(f"{island}/")
    page.wait_for_function(
        "(said) => !said || document.querySelector('.rb-trouble')?.textContent.includes(said)",
        arg=said,
    )
    if faults:
        page.wait_for_event("pageerror") if not found else None
    assert bool(found) == bool(faults)
    assert bool(said) == page.locator(".rb-trouble", has_text="fetched").is_visible()
    page.close()


@pytest.fixture(scope="module")
def island_page(chromium, island):
    page = chromium.new_page()
    page.goto(f"{island}/")
    yield page
    page.close()


def counts_of(page):
    return page.locator(".rb-count").inner_text()


def tally_of(page, words):
    return page.locator(".rb-states li", has_text=words).locator(".rb-tally").inner_text()


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844), (360, 640)])
def test_map_shows_every_placement(island, open_page, width, height):
    """All placements are marked, alone or counted; the whole page fits the screen; and where the
    legend is open it takes no place from the map."""
    page = open_page(f"{island}/", width, height)
    stored = fetched(f"{island}/placements.geojson")["features"]
    page.wait_for_selector(MARKS)
    assert sum(mark["count"] for mark in page.evaluate(DRAWN)) == len(stored)
    panel, outer = (page.locator(one).bounding_box() for one in (".rb-panel", ".folium-map"))
    beside = panel["x"] >= outer["x"] + outer["width"]
    assert beside == (page.locator(".rb-panel[open]").count() == 1) == (width > 800)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("document.documentElement.scrollHeight") <= height
    assert page.locator(".leaflet-control-scale-line").count() == 1


def test_find_a_species(island, open_page):
    """Choosing a species marks where it was caught, and where one looked in vain."""
    page = open_page(f"{island}/")
    page.locator(".filters summary").click()
    page.locator("select[name=species]").select_option("Salmo trutta")
    page.get_by_role("button", name="Show", exact=True).click()
    page.wait_for_url("**species=Salmo+trutta**")
    page.wait_for_selector(".rb-mark-caught")
    found = fetched(f"{island}/detections.geojson?species=Salmo+trutta")["features"]
    assert tally_of(page, "caught Salmo trutta") == str(len(found))
    names = [mark["name"] for mark in page.evaluate(DRAWN)]
    many = [re.search(r"(\d+) caught Salmo trutta", name) for name in names]
    alone = [name for name in names if name.endswith(": caught Salmo trutta")]
    assert sum(int(one[1]) for one in many if one) + len(alone) == len(found)
    assert any("Salmo trutta not caught" in name for name in names)


def test_card_tells_the_record(island, open_page):
    """A card opens by keyboard and shows the stored catch."""
    page = open_page(f"{island}/")
    open_mark(page, "BRK21-001")
    card = page.locator(".rb-card").last
    assert card.locator("h3").inner_text() == "BRK21-001"
    stored = {
        feature["id"]: feature["properties"]
        for feature in fetched(f"{island}/placements.geojson")["features"]
    }["BRK21-001"]
    for row in stored["catch"]:
        line = card.locator("tbody tr", has_text=row["species"]).inner_text()
        assert re.search(rf"\b{int(row['individuals'])}\b", line)
    assert stored["reach_id"] in card.inner_text()


def test_gear_can_be_switched_off(island, open_page):
    """Switching a gear off takes its marks away and tells the new count."""
    page = open_page(f"{island}/")
    before = sum(mark["count"] for mark in page.evaluate(DRAWN))
    seines = len(fetched(f"{island}/placements.geojson?method=seine")["features"])
    page.locator(".rb-switch", has_text="Seine").locator("input").uncheck()
    assert sum(mark["count"] for mark in page.evaluate(DRAWN)) == before - seines
    assert counts_of(page).startswith(f"{before - seines} placements")


def test_gear_of_one_kind_is_told_apart(island, open_page):
    """Each method has letters of its own, in its marks, in the legend and on its card."""
    page = open_page(f"{island}/")
    legend = {
        line.locator("span").inner_text(): line.locator("svg text").text_content()
        for line in page.locator(".rb-switch").all()
    }
    assert len(set(legend.values())) == len(legend) > 5
    assert legend["Kick net"] != legend["Hand net"]
    first = {}
    for row in fetched(f"{island}/placements.geojson")["features"]:
        first.setdefault(row["properties"]["method_label"], row["id"])
    assert set(first) == set(legend)
    for label, sign in legend.items():
        open_mark(page, first[label])
        assert page.locator(".rb-card .rb-gear").inner_text().split() == [sign, *label.split()]


@pytest.mark.parametrize("letters", ["100%", "170%"])
@pytest.mark.parametrize("height", [900, 420])
def test_every_line_of_the_legend_can_be_reached(island, open_page, height, letters):
    """Whatever its letters measure, the panel stays on the map and scrolls to its last line."""
    page = open_page(f"{island}/", 1440, height)
    page.locator(".rb-panel").evaluate(
        "(box, size) => { box.open = true; box.style.fontSize = size; }", letters
    )
    page.locator(".rb-tally").first.wait_for()
    outer = page.locator(".rb-map").bounding_box()
    panel = page.locator(".rb-panel").bounding_box()
    assert outer["y"] <= panel["y"]
    assert panel["y"] + panel["height"] <= outer["y"] + outer["height"]
    page.mouse.move(panel["x"] + 20, panel["y"] + panel["height"] / 2)
    page.mouse.wheel(0, 10_000)
    page.wait_for_function(
        "box => box.scrollTop + box.clientHeight >= box.scrollHeight - 1",
        arg=page.locator(".rb-panel").element_handle(),
    )
    line = page.locator(".rb-panel li:visible, .rb-panel .rb-switch:visible").last.bounding_box()
    assert panel["y"] <= line["y"]
    assert line["y"] + line["height"] <= panel["y"] + panel["height"]
    assert outer["x"] <= line["x"]
    assert line["x"] + line["width"] <= outer["x"] + outer["width"]


@pytest.mark.parametrize("value", [0, -0.2, 0.5, 999, 1000, 5147.25, 1234567.9, -4321])
@pytest.mark.parametrize("digits", [0, 1, 2])
def test_scripts_write_numbers_as_pages_do(island_page, value, digits):
    """A figure on a card reads as the same figure in a table; in a file as the server writes it."""
    written = number(value, digits)
    plain = written.replace("\u202f", "")
    shown, wanted, in_file = island_page.evaluate(
        f"""async () => {{
          const {{ formatNumber }} = await import('/assets/numbers.js');
          const shown = formatNumber({value}, {digits});
          const own = globalThis.asRead;
          delete globalThis.asRead;
          const inFile = formatNumber({value}, {digits});
          globalThis.asRead = own;
          const decimals = {{ minimumFractionDigits: {len(plain.partition(".")[2])} }};
          return [shown, ({plain}).toLocaleString(navigator.languages, decimals), inFile];
        }}"""
    )
    assert shown == wanted
    assert in_file == written


def test_pointer_tells_its_position(island, open_page):
    """Degrees under the pointer follow the map."""
    page = open_page(f"{island}/")
    page.mouse.move(700, 500)
    first = page.locator(".rb-position").inner_text()
    page.mouse.move(760, 560)
    page.wait_for_function(
        "told => document.querySelector('.rb-position').innerText !== told", arg=first
    )
    second = page.locator(".rb-position").inner_text()
    lat, lon = (float(part) for part in re.findall(r"(\d+\.\d+)°", second))
    assert first != second
    assert 52 < lat < 53.2
    assert 10.5 < lon < 11.9
    assert second.endswith("W")


def test_ambiguous_placement_is_marked(island, open_page):
    """Every placement with a mark of its own, whose reach is in doubt, bears a question mark."""
    page = open_page(f"{island}/")
    doubts = [
        feature
        for feature in fetched(f"{island}/placements.geojson")["features"]
        if feature["properties"]["ambiguous"]
    ]
    assert len(doubts) > 0
    seen = 0
    for one in doubts[:6]:
        lng, lat = one["geometry"]["coordinates"]
        go_to(page, lat, lng, 18)
        own = page.locator(f".rb-mark[aria-label*='{one['id']}']")
        assert own.locator(".rb-doubt").count() == own.count()
        seen += own.count()
    assert seen > 0


def test_stored_script_does_not_run(nasty_brook, open_page):
    """Script in notes and flags shows as the text that it is."""
    page = open_page(f"{nasty_brook}/")
    open_mark(page, "T3")
    card = page.locator(".rb-card")
    assert card.get_by_text("<script>window.ran").count() == 2
    assert page.evaluate("window.ran === undefined")


@pytest.mark.parametrize("width", [1440, 390])
def test_page_from_disk(tmp_path, open_page, width):
    """The written page draws its marks from disk, with no request but for itself."""
    store = make_small_store(tmp_path / "brook.gpkg", "<img src=x onerror='window.ran = 1'>")
    page_text, count = offline_map(store, Selection(), LOCAL_KEEPER)
    store.close()
    file = tmp_path / "map.html"
    file.write_text(page_text, encoding="utf-8")
    page = open_page(file.as_uri(), width, 844)
    assert sum(mark["count"] for mark in page.evaluate(DRAWN)) == count == 8
    assert not hidden_by_others(page.evaluate(DRAWN))
    if width < 700:
        page.locator(".rb-panel summary").click()
    page.locator(".rb-panel select").select_option("Cottus gobio")
    assert tally_of(page, "caught Cottus gobio") == "2"
    for _ in range(20):
        if page.locator("[aria-label*=' T3:']").count():
            break
        zoomed_in(page)
    page.locator("[aria-label*=' T3:']").focus()
    page.keyboard.press("Enter")
    page.locator(".rb-card dl").wait_for()
    assert page.evaluate("window.ran === undefined")


def test_no_serious_findings_of_axe(island, open_page):
    """axe-core finds nothing serious on the map, with its panel and a card open."""
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import expect

    page = open_page(f"{island}/")
    page.locator(".filters summary").click()
    page.locator(".rb-many").first.focus()
    page.keyboard.press("Enter")
    page.locator(".rb-card").wait_for()
    # While a card fades in its words are as pale as the card.
    expect(page.locator(".leaflet-popup")).to_have_css("opacity", "1")
    found = Axe().run(page).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious


def test_closed_squares_stand_in_place_of_marks(island, chromium):
    """The public sees a square where places are closed, at every zoom; alone it says what was
    found in it and who looked, among others it is one of the list."""
    context = chromium.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.goto(f"{island}/")
    page.get_by_role("button", name="See as public").click()
    page.wait_for_selector(".rb-many-square")
    rows = fetched_as(page, f"{island}/placements.geojson")["features"]
    closed = [row for row in rows if row["properties"]["generalised_km"]]
    assert str(len(rows)) in counts_of(page)
    lat, lng, _ = middle_of(page)
    alone = {}
    for zoom in (6, 8, 10, 12, 14):
        go_to(page, lat, lng, zoom)
        signs = page.locator(".rb-many-square")
        assert signs.count() > 0 or zoom == 14
        assert signs.count() == page.locator(".rb-mark:has(.rb-cell-closed)").count()
        for name in page.locator(".rb-square").evaluate_all("signs => signs.map((s) => s.title)"):
            assert name.startswith("Closed square of")
            alone[name] = int(name.split(": ")[1].split()[0])
        marked = [mark["name"] for mark in page.evaluate(DRAWN)]
        assert not [row["id"] for row in closed if any(row["id"] in name for name in marked)]
    assert 0 < max(alone.values()) <= len(closed)
    sign = page.locator(".rb-square").first
    if not sign.count():
        go_to(page, lat, lng, 12)
    name = sign.get_attribute("title")
    sign.focus()
    page.keyboard.press("Enter")
    card = page.locator(".leaflet-popup .rb-card")
    card.wait_for()
    mine = card.locator("table").last.locator("tbody td:last-child").all_inner_texts()
    assert sum(map(int, mine)) == int(name.split(": ")[1].split()[0])
    context.close()


def fetched_as(page, address):
    """What a page's own visitor gets."""
    return page.evaluate("address => fetch(address).then((answer) => answer.json())", address)


@pytest.fixture(scope="module")
def crowded(tmp_path_factory):
    """Address of a store of 20,000 placements, far more than a view shows one by one."""
    path = tmp_path_factory.mktemp("crowded") / "crowded.gpkg"
    make_store(path, 20_000, 6_000)
    with served(open_store(path)) as address:
        yield address


@pytest.fixture(scope="module")
def watered(tmp_path_factory):
    """Address of a store of 1,500 placements and 60 gears in the water: two in each place, half of
    these places on placements and half 20 m beside one."""
    path = tmp_path_factory.mktemp("watered") / "watered.gpkg"
    make_store(path, 1_500, 600)
    store = open_store(path)
    placed = store.records(Selection()).placements
    at = placed.geometry.iloc[:: len(placed) // 30][:30].to_crs(4326)
    gear = pd.DataFrame(
        {
            "survey": None, "method": "minnow_trap", "set_at": pd.Timestamp("2026-06-01T19:30Z"),
            "longitude": np.repeat(at.x + np.arange(30) % 2 * 0.0003, 2), "digest": "first",
            "latitude": np.repeat(at.y, 2), "cells": [{}] * 60, "draft": "d1",
        }
    ).set_axis([f"W-{k}" for k in range(60)])  # fmt: skip
    store.put_in_the_water(gear.rename_axis("placement_id"), who="crew")
    with served(store) as address:
        yield address


@pytest.mark.parametrize(
    ("store", "total", "water", "size"),
    [
        ("island", 260, 0, (1280, 800)),
        ("island", 260, 0, (360, 640)),
        ("crowded", 20_000, 0, (1280, 800)),
        ("crowded", 20_000, 0, (360, 640)),
        ("watered", 1_500, 60, (1280, 800)),
    ],
)
def test_no_mark_hides_another(store, total, water, size, request, open_page):
    """At five zooms no mark lies over a part of another, whatever was found; where all is in view
    the marks together count every placement, and apart from these all gear in the water."""
    page = open_page(f"{request.getfixturevalue(store)}/", *size)
    lat, lng, zoom = middle_of(page)
    for closer in (-2, 0, 1.5, 3, 5):
        go_to(page, lat, lng, zoom + closer)
        marks = page.evaluate(DRAWN)
        assert not hidden_by_others(marks)
        if closer <= 0:
            assert sum(mark["count"] for mark in marks) == total
            assert sum(mark["water"] for mark in marks) == water


def test_gear_under_a_mark_opens_from_it(watered, open_page):
    """A mark for placements and gear lists both; gear leads to its form with the question."""
    page = open_page(f"{watered}/?since=2000-01-01")
    both = page.locator(".rb-many.rb-in-water").first
    placed = int(re.search(r"([\d,]+) placements?: ", both.get_attribute("title"))[1])
    both.focus()
    page.keyboard.press("Enter")
    heading = page.locator(".rb-card h3").first.inner_text()
    assert re.fullmatch(rf"{placed} placements?, \d+ in the water", heading)
    page.locator(".rb-entries button", has_text="in the water, overdue").first.click()
    link = page.locator(".rb-card a", has_text="Lift").get_attribute("href")
    assert re.fullmatch(r"/placements/new\?since=2000-01-01&lift=W-\d+", link)
    assert page.locator(".rb-count").inner_text().startswith("1,500 placements")


def test_many_open_to_all_of_them(crowded, open_page):
    """A sign of many lists each placement that it counts, however many, and opens their cards."""
    page = open_page(f"{crowded}/")
    lat, lng, zoom = middle_of(page)
    go_to(page, lat, lng, zoom - 2)
    marks = [(mark["count"], mark["name"]) for mark in page.evaluate(DRAWN)]
    count, name = min(mark for mark in marks if mark[0] > 1_200)  # more than one answer lists
    page.locator(f".rb-many[title='{name}']").focus()
    page.keyboard.press("Enter")
    more = page.locator(".rb-card > button", has_text="List")
    entries = page.locator(".rb-entries li")
    more.wait_for()
    while more.is_visible():
        before = entries.count()
        more.click()
        page.wait_for_function(
            "before => document.querySelectorAll('.rb-entries li').length > before ||"
            " !document.querySelector('.rb-card > button:last-child:not([hidden])')",
            arg=before,
        )
    words = entries.all_inner_texts()
    assert len(set(words)) == len(words) == count
    entries.first.locator("button").click()
    page.locator(".rb-card dl").wait_for()
    page.get_by_role("button", name="Back to all").click()
    assert entries.count() == count


def test_a_late_card_does_not_take_the_place_of_a_later_one(island, open_page):
    """Of two placements of one list, pressed one after the other, the second is shown."""
    page = open_page(f"{island}/")
    go_to(page, 52.57, -11.1, 9)
    page.locator(".rb-many").first.focus()
    page.keyboard.press("Enter")
    entries = page.locator(".rb-entries button")
    entries.nth(1).wait_for()
    first, second = (re.search(r"(\S+):", entries.nth(n).inner_text())[1] for n in (0, 1))
    late = []
    of_first = re.compile(rf"/map/cards\.json\?placement={re.escape(first)}$")
    page.route(of_first, lambda route: late.append(route))  # noqa: PLW0108 - playwright wants one
    # The map may still move its popup into view, and a pointer that presses would miss.
    entries.nth(0).dispatch_event("click")
    entries.nth(1).dispatch_event("click")
    page.locator(".rb-card h3", has_text=second).wait_for()
    arrived(page, late)
    with page.expect_event("requestfinished", lambda one: one.url.endswith(first)):
        late[0].continue_()
    page.evaluate("fetch('/healthz').then((answer) => answer.text())")  # comes after it
    assert page.locator(".rb-card h3").inner_text() == second


def test_own_position_is_shown_and_not_sent(island, open_page):
    """The button marks where the device is, brings it into view and lets go of it again."""
    where = {"latitude": 52.6, "longitude": -11.3, "accuracy": 12}
    page = open_page(f"{island}/", 360, 640, geolocation=where, permissions=["geolocation"])
    button = page.get_by_role("button", name="My position")
    button.click()
    page.locator(".rb-own").wait_for()
    page.wait_for_function(
        """() => {
          const middle = (one) => {
            const box = document.querySelector(one).getBoundingClientRect();
            return box.left + box.width / 2;
          };
          return Math.abs(middle(".rb-own") - middle(".folium-map")) < 2;
        }"""
    )
    assert "12 m" in button.get_attribute("title")
    button.click()
    assert page.locator(".rb-own").count() == 0


# Rectangles of letters as the browser draws them (SVG 2, getExtentOfChar), by name.
_LETTERS = """async (lines) => {
  const { streamNames } = await import('/assets/reaches.js');
  const box = document.createElement('div');
  box.style = 'position: fixed; inset: 0; width: 900px; height: 700px';
  document.body.append(box);
  const map = L.map(box, { zoomAnimation: false }).setView([0, 0], 12);
  const names = streamNames(map);
  const area = L.divIcon({ className: 'rb-name', html: '<span>Area name</span>', iconSize: null });
  map.on('moveend', () => {
    L.marker(map.containerPointToLatLng([500, 500]), { icon: area }).addTo(map);
  });
  names({ features: lines.map(([name, points]) => ({
    properties: { stream_name: name },
    geometry: { type: 'LineString', coordinates: points.map((at) => {
      const place = map.containerPointToLatLng(at);
      return [place.lng, place.lat];
    }) },
  })) });
  const texts = () => [...box.querySelectorAll('.rb-streams text')];
  const written = () => Object.fromEntries(texts().map((text) => [
    text.textContent,
    Array.from({ length: text.getNumberOfChars() }, (_, k) => text.getExtentOfChar(k))
      .map(({ x, y, width, height }) => [x, y, x + width, y + height]),
  ]));
  const before = written();
  map.panBy([1, 0], { animate: false });
  await new Promise((resolve) => requestAnimationFrame(() => requestAnimationFrame(resolve)));
  const after = written();
  map.remove();
  box.remove();
  return [before, after];
}"""


def test_names_of_streams_stand_side_by_side_and_never_across(island_page):
    """Their letters are compared with one another, not the room around a whole name."""
    slope = [[100 + 2 * k, 100 + 2 * k] for k in range(150)]
    beside = [[x + 60, y] for x, y in slope]
    across = [[90 + 2 * k, 210 - 2 * k] for k in range(70)]
    under_area = [[350 + 2 * k, 500] for k in range(150)]
    lines = [["Long Slope Water", [*slope, [410, 410]]], ["Beside It Brook", beside],
             ["Across The Long Slope", across], ["Under An Area", under_area]]  # fmt: skip
    before, after = island_page.evaluate(_LETTERS, lines)
    assert set(before) == {"Long Slope Water", "Beside It Brook", "Under An Area"}
    assert set(after) == {"Long Slope Water", "Beside It Brook"}
    for written in (before, after):
        letters = [(name, box) for name, boxes in written.items() for box in boxes]
        for name, (left, top, right, low) in letters:
            for other, box in letters:
                apart = left >= box[2] or box[0] >= right or top >= box[3] or box[1] >= low
                assert name == other or apart, (name, other)
