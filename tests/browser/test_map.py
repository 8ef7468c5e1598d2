"""The map in a browser: found by those who look, from disk too, and no script of others runs."""

import json
import re
import urllib.request

import pytest

from service.answers.map_files import offline_map
from service.records import LOCAL_KEEPER, Selection
from service.web.wording import number
from tests.small_store import make_small_store

MARKS = ".rb-mark"


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
    """All placements are marked, the whole page fits the screen."""
    page = open_page(f"{island}/", width, height)
    stored = fetched(f"{island}/placements.geojson")["features"]
    page.wait_for_function(f"document.querySelectorAll('{MARKS}').length === {len(stored)}")
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
    assert page.locator(".rb-mark-caught").count() == len(found)
    assert tally_of(page, "caught Salmo trutta") == str(len(found))
    assert page.locator(".rb-mark-nil").count() > 0


def test_card_tells_the_record(island, open_page):
    """A card opens by keyboard, shows the stored catch, and pages through what lies beneath."""
    page = open_page(f"{island}/")
    mark = page.locator("[aria-label*='BRK21-001']")
    mark.focus()
    page.keyboard.press("Enter")
    card = page.locator(".rb-card")
    card.wait_for()
    assert card.locator("h3").inner_text() == "BRK21-001"
    stored = {
        feature["id"]: feature["properties"]
        for feature in fetched(f"{island}/placements.geojson")["features"]
    }["BRK21-001"]
    for row in stored["catch"]:
        line = card.locator("tbody tr", has_text=row["species"]).inner_text()
        assert re.search(rf"\b{int(row['individuals'])}\b", line)
    assert stored["reach_id"] in card.inner_text()
    page.get_by_role("button", name="Next placement here").click()
    assert page.locator(".rb-card h3").inner_text() != "BRK21-001"


def test_gear_can_be_switched_off(island, open_page):
    """Switching a gear off takes its marks away and tells the new count."""
    page = open_page(f"{island}/")
    before = page.locator(MARKS).count()
    seines = len(fetched(f"{island}/placements.geojson?method=seine")["features"])
    page.locator(".rb-switch", has_text="Seine").locator("input").uncheck()
    assert page.locator(MARKS).count() == before - seines
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
    for label, sign in legend.items():
        marks = page.locator(f"{MARKS}[aria-label^='{label} ']")
        assert set(marks.locator("svg text").all_text_contents()) == {sign}
    page.locator(f"{MARKS}[aria-label^='Fyke net ']").first.focus()
    page.keyboard.press("Enter")
    page.locator(".rb-card").wait_for()
    assert page.locator(".rb-card .rb-gear").inner_text().split() == [
        legend["Fyke net"],
        "Fyke",
        "net",
    ]


@pytest.mark.parametrize("letters", ["100%", "170%"])
@pytest.mark.parametrize("height", [900, 420])
def test_every_line_of_the_legend_can_be_reached(island, open_page, height, letters):
    """Whatever its letters measure, the panel stays on the map and scrolls to its last line."""
    page = open_page(f"{island}/", 1440, height)
    page.locator(".rb-panel").evaluate(
        "(box, size) => { box.open = true; box.style.fontSize = size; }", letters
    )
    page.locator(".rb-tally").first.wait_for()
    outer = page.locator(".folium-map").bounding_box()
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
    """A figure on a card reads as the same figure in a table."""
    told = island_page.evaluate(
        f"import('/assets/numbers.js').then((own) => own.formatNumber({value}, {digits}))"
    )
    assert told == number(value, digits)


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
    """Every placement whose reach is in doubt bears a question mark at its foot."""
    page = open_page(f"{island}/")
    doubts = [
        feature
        for feature in fetched(f"{island}/placements.geojson")["features"]
        if feature["properties"]["ambiguous"]
    ]
    assert len(doubts) > 0
    assert page.locator(".leaflet-pane .rb-doubt").count() == len(doubts)


def test_stored_script_does_not_run(nasty_brook, open_page):
    """Script in notes and flags shows as the text that it is."""
    page = open_page(f"{nasty_brook}/")
    page.locator("[aria-label*='T3']").focus()
    page.keyboard.press("Enter")
    card = page.locator(".rb-card")
    card.wait_for()
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
    assert page.locator(MARKS).count() == count == 8
    if width < 700:
        page.locator(".rb-panel summary").click()
    page.locator(".rb-panel select").select_option("Cottus gobio")
    assert tally_of(page, "caught Cottus gobio") == "2"
    page.locator("[aria-label*='T3']").focus()
    page.keyboard.press("Enter")
    page.locator(".rb-card").wait_for()
    assert page.evaluate("window.ran === undefined")


def test_no_serious_findings_of_axe(island, open_page):
    """axe-core finds nothing serious on the map, with its panel and a card open."""
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(f"{island}/")
    page.locator(".filters summary").click()
    page.locator("[aria-label*='BRK21-001']").focus()
    page.keyboard.press("Enter")
    page.locator(".rb-card").wait_for()
    found = Axe().run(page).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious


def test_closed_squares_stand_in_place_of_marks(island, chromium, tmp_path):
    """The public sees one sign in each closed square, which says what was found in it and who
    looked, and no mark; served and in a file the same."""
    context = chromium.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.goto(f"{island}/")
    page.get_by_role("button", name="See as public").click()
    page.wait_for_selector(".rb-many-square")
    rows = fetched_as(page, f"{island}/placements.geojson")["features"]
    closed = [row for row in rows if row["properties"]["generalised_km"]]
    squares = {tuple(row["geometry"]["coordinates"]) for row in closed}
    page.wait_for_function(
        f"document.querySelectorAll('.rb-many-square').length === {len(squares)}"
    )
    assert page.locator(".rb-mark:not(.rb-many-square)").count() == len(rows) - len(closed)
    assert str(len(rows)) in counts_of(page)
    signs = page.locator(".rb-many-square")
    total = 0
    for sign in signs.all():
        total += int(sign.get_attribute("title").split(": ")[1].split()[0])
    assert total == len(closed)
    sign = signs.first
    name = sign.get_attribute("title")
    assert name.startswith("Closed square of")
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
