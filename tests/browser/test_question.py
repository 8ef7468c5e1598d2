"""One question from page to page in a browser: by mouse, by keyboard and on a phone."""

import csv
import json
from urllib.parse import parse_qs, urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe

MAP = ".folium-map[data-ready=yes]"
FOUND = "Cottus gobio"
ASKED = "species=Cottus+gobio&method=electric_fishing&since=2022-01-01"
# Every page that somebody opens without a form of their own.
PAGES = [
    "/",
    "/records",
    "/species",
    "/species/Anguilla%20anguilla",
    "/catchments",
    "/catchments/C1",
    "/coverage",
    "/coverage/by-catchment",
    "/hand-over",
    "/placements/BRK21-001",
    "/reaches/R296",
    "/upstream/R296?measure=50",
    "/methods",
    "/methods/electric_fishing",
    "/guide",
    "/import",
    "/placements/new",
    "/in-the-water",
    "/returns",
    "/accounts",
]
_STANDARDS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def test_the_map_of_one_placement_is_drawn(island, open_page):
    """Its box has no width, which fits at every zoom; the map stayed empty, with an error."""
    page = open_page(f"{island}/records?since=2025-08-22&until=2025-08-22", 1280, 800)
    assert page.locator("tbody tr").count() == 1
    assert page.locator(".leaflet-marker-icon").count() == 1


@pytest.mark.parametrize("width", [1280, 1060, 620, 360])
def test_words_on_a_copied_link_leave_the_question_its_room(island, open_page, width):
    """The words of the question stood one letter to a line, and the map below the screen."""
    page = open_page(
        f"{island}/?{ASKED}", width, 740, permissions=["clipboard-read", "clipboard-write"]
    )
    page.get_by_role("button", name="Copy link").click()
    page.locator("[data-copied]").get_by_text("Copied").wait_for()
    assert page.locator(".question").bounding_box()["height"] < 200
    assert page.evaluate("document.documentElement.scrollWidth") == width


def test_a_printed_map_has_nothing_to_press(island, open_page):
    page = open_page(f"{island}/?{ASKED}", 1280, 800)
    page.emulate_media(media="print")
    for part in (".bar nav", ".who", ".taking", ".leaflet-control-zoom"):
        assert not page.locator(part).first.is_visible(), part
    assert page.locator(".filters summary").is_visible()  # the question, in words


@pytest.mark.parametrize("width", [1280, 360])
def test_where_it_was_found_and_not_as_file_and_link(island, open_page, width, tmp_path):
    """Seven actions from the map: found, looked for in vain, since 2022, by electric fishing."""
    page = open_page(island, width, 740, permissions=["clipboard-read", "clipboard-write"])
    actions = [
        lambda: page.locator(".filters summary").click(),
        lambda: page.locator(".filters [name=species]").select_option(FOUND),
        lambda: page.get_by_label("Set since").fill("2022-01-01"),
        lambda: page.locator(".filters [value=electric_fishing]").check(),
        lambda: page.get_by_role("button", name="Show", exact=True).click(),
    ]
    for act in actions:
        act()
    page.wait_for_url("**species=Cottus+gobio**")
    page.wait_for_selector(MAP)
    page.get_by_role("button", name="Copy link").click()
    said = page.locator("[data-copied]")
    said.get_by_text("Copied").wait_for()
    assert "on this machine alone" in said.inner_text()
    link = page.evaluate("navigator.clipboard.readText()")
    with page.expect_download() as taking:
        page.get_by_role("link", name="These rows as CSV").click()
    assert len(actions) + 2 <= 7  # with the link and the file
    rows = list(csv.DictReader(taking.value.path().read_text(encoding="utf-8").splitlines()))
    assert {row["state"] for row in rows} == {"found", "not_found"}
    assert {row["method"] for row in rows} == {"electric_fishing"}
    assert min(row["date"] for row in rows) >= "2022"
    # The link shows the same, in words with names.
    again = open_page(link, width, 740)
    words = again.locator(".filters summary").inner_text()
    assert "species: Bullhead (Cottus gobio)" in words
    assert "gear: Electric fishing" in words
    shown = again.evaluate(
        f"fetch('/map/placements.json?{ASKED}&zoom=12&bbox=-180,-90,180,90').then((a) => a.json())"
    )
    assert shown["total"] == len(rows)


@pytest.mark.parametrize("start", ["/", "/records", "/catchments", "/coverage", "/hand-over"])
def test_the_question_goes_along_and_is_cleared_in_one(island, open_page, start):
    """Every page of records gets it from the menu; one tap shows everything again."""
    page = open_page(f"{island}{start}?{ASKED}&hours=day", ready=None)
    for name in ("Map", "Records", "Species", "Catchments", "Coverage", "Hand-over"):
        address = page.get_by_label("Pages").get_by_role("link", name=name).get_attribute("href")
        given = parse_qs(urlsplit(address).query)
        assert given["species"] == [FOUND]
        assert given["method"] == ["electric_fishing"]
        assert given["hours"] == ["day"]
        assert given["since"] == ["2022-01-01"]
    page.get_by_role("link", name="Show everything").first.click()
    page.wait_for_url(lambda address: "species=" not in address)
    assert page.locator(".clear").count() == 0


def test_the_legend_is_part_of_the_question(island, open_page):
    """Gear switched off there is in the address, the words, the links, and after a reload."""
    page = open_page(island)
    page.locator(".rb-panel").get_by_label("Fyke net").uncheck()
    page.locator(".filters summary", has_text="gear:").wait_for()
    assert "Fyke net" not in page.locator(".filters summary").inner_text()
    given = parse_qs(urlsplit(page.url).query)["method"]
    assert "fyke_net" not in given
    assert len(given) > 3
    link = page.get_by_label("Pages").get_by_role("link", name="Records").get_attribute("href")
    assert parse_qs(urlsplit(link).query)["method"] == given
    page.reload()
    page.wait_for_selector(MAP)
    tick = page.locator(".rb-panel").get_by_label("Fyke net")
    assert not tick.is_checked()
    tick.check()
    page.locator(".filters summary", has_not_text="gear:").wait_for()
    assert "method=" not in page.url


def test_the_legend_leaves_what_is_being_entered(island, open_page):
    """A species chosen but not yet asked for is there when the answer for the legend comes."""
    page = open_page(island)
    page.locator(".filters summary").click()
    species = page.locator(".filters [name=species]")
    species.select_option(FOUND)
    page.get_by_label("Set since").fill("2022-01-01")
    page.locator(".rb-panel").get_by_label("Fyke net").uncheck()
    page.locator(".filters summary", has_text="gear:").wait_for()
    assert species.input_value() == FOUND
    assert page.get_by_label("Set since").input_value() == "2022-01-01"
    assert not page.locator(".filters [value=fyke_net]").is_checked()
    page.get_by_role("button", name="Show", exact=True).click()
    page.wait_for_url("**species=Cottus+gobio**")
    assert "fyke_net" not in page.url


def test_no_gear_at_all_is_kept(island, open_page):
    """All switched off: in the address, the words and the links, and so after a reload."""
    page = open_page(island)
    for tick in page.locator(".rb-panel .rb-switch input").all():
        tick.uncheck()
    page.locator(".filters summary", has_text="no gear").wait_for()
    assert parse_qs(urlsplit(page.url).query)["method"] == ["none"]
    link = page.get_by_label("Pages").get_by_role("link", name="Guide").get_attribute("href")
    page.goto(island + link)
    page.get_by_label("Pages").get_by_role("link", name="Map").click()
    page.wait_for_selector(MAP)
    assert page.locator(".rb-panel .rb-switch input:checked").count() == 0
    assert page.locator(".rb-mark").count() == 0
    page.locator(".rb-panel").get_by_label("Fyke net").check()
    page.wait_for_selector(".rb-mark")
    assert parse_qs(urlsplit(page.url).query)["method"] == ["fyke_net"]


def test_by_keyboard_alone(island, open_page):
    """From the map to the rows of one species without a mouse."""
    page = open_page(island)
    active = "document.activeElement"

    def tab_to(wanted, most=60):
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate(f"{active}.matches({json.dumps(wanted)})"):
                return
        raise AssertionError(f"{wanted} is not reached by Tab")

    tab_to(".filters summary")
    page.keyboard.press("Enter")
    tab_to(".filters select[name=species]")
    page.keyboard.type("Cottus")
    tab_to(".filters input[value=electric_fishing]")
    page.keyboard.press("Space")
    tab_to(".filters button")
    page.keyboard.press("Enter")
    page.wait_for_url("**species=Cottus+gobio**")
    page.wait_for_selector(MAP)
    tab_to("header nav a[href^='/records']")
    page.keyboard.press("Enter")
    page.wait_for_url("**/records?**")
    assert page.locator("tbody tr").count() > 0
    assert "Bullhead" in page.locator(".filters summary").inner_text()


def test_the_table_is_one_stop_and_moved_through_by_arrows(island, open_page):
    """WAI-ARIA grid: one element takes Tab; arrows, Home and End move; Enter opens."""
    page = open_page(f"{island}/catchments", ready=None)
    assert page.locator("#occurrence").get_attribute("role") == "grid"
    assert page.locator("#occurrence [tabindex='0']").count() == 1
    page.locator("#occurrence [tabindex='0']").focus()
    page.keyboard.press("Home")
    first = page.locator("#occurrence tbody tr").first
    assert page.evaluate("document.activeElement.closest('tr').dataset.catchment") == (
        first.get_attribute("data-catchment")
    )
    page.keyboard.press("ArrowDown")
    second = page.locator("#occurrence tbody tr").nth(1)
    assert page.evaluate("document.activeElement.closest('tr').dataset.catchment") == (
        second.get_attribute("data-catchment")
    )
    page.keyboard.press("End")
    column = page.evaluate("document.activeElement.closest('th, td').cellIndex")
    assert column == page.locator("#occurrence thead th").count() - 1
    page.keyboard.press("Tab")
    assert not page.evaluate("document.activeElement.closest('#occurrence')")
    page.keyboard.press("Shift+Tab")
    assert page.evaluate("document.activeElement.closest('th, td').cellIndex") == column


@pytest.mark.parametrize("paper_px", [1047, 1512], ids=["A4", "A3"])
def test_the_table_is_as_wide_as_the_paper(island, open_page, paper_px):
    """Landscape paper less margins of 10 mm, at 96 dots an inch: no column lies beyond it."""
    page = open_page(f"{island}/catchments?fold=nothing", paper_px, 700, ready=None)
    page.emulate_media(media="print")
    right = page.locator("#occurrence").evaluate("table => table.getBoundingClientRect().right")
    assert right <= paper_px
    beyond = page.locator("#occurrence td, #occurrence th").evaluate_all(
        "cells => cells.filter((cell) => cell.scrollWidth > cell.clientWidth + 1).length"
    )
    assert beyond == 0


_NAME_MARKS_UNDER_BUTTONS = """
() => {
  const boxes = [...document.querySelectorAll(".leaflet-control")].map(
    (button) => button.getBoundingClientRect(),
  );
  for (const mark of document.querySelectorAll(".rb-mark")) {
    const own = mark.getBoundingClientRect();
    const under = (box) =>
      own.left < box.right && box.left < own.right && own.top < box.bottom && box.top < own.bottom;
    if (boxes.some(under)) mark.dataset.underButton = "";
  }
}
"""


@pytest.mark.parametrize("width", [1280, 360])
@pytest.mark.parametrize("path", PAGES)
def test_nothing_for_axe_to_find(island, open_page, path, width):
    """WCAG 2.2 A and AA with the size of targets, and best practices; nothing sticks out."""
    page = open_page(island + path, width, 740, ready=None)
    if page.locator(".folium-map").count():
        page.wait_for_selector(MAP)
    if path == "/placements/new":
        page.wait_for_selector("#entry[data-ready=yes]")
    look_over(page, width)


def look_over(page, width):
    """Run axe on a page as it is; see that nothing is wider than it, and the menu in one line."""
    options = {
        "runOnly": {"type": "tag", "values": _STANDARDS},
        "rules": {"target-size": {"enabled": True}},
    }
    # Places on the map of coverage may lie near each other; each has a button in the list beside.
    # A mark that lies under a button of the map comes out when the map is moved.
    page.evaluate(_NAME_MARKS_UNDER_BUTTONS)
    context = {"exclude": [[".next-place"], [".rb-mark[data-under-button]"]]}
    found = Axe().run(page, context=context, options=options).response["violations"]
    assert not [
        (one["id"], node["html"][:160], node["failureSummary"][:160])
        for one in found
        for node in one["nodes"][:3]
    ]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    menu = page.locator("header nav li")
    tops = {round(menu.nth(i).bounding_box()["y"]) for i in range(menu.count())}
    assert len(tops) == 1, "the menu has one line"


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (360, 740)])
@pytest.mark.parametrize("path", ["/catchments/C1", "/catchments/C2"])
def test_a_catchment_fits_three_screens(island, open_page, path, width, height):
    """Rates, effort, richness and gaps are behind folds, and a link to one opens it."""
    page = open_page(island + path, width, height)
    assert page.evaluate("document.documentElement.scrollHeight") <= 3 * height
    assert not page.locator("#rates table").is_visible()
    page.locator(".jumps").get_by_role("link", name="Catch per unit effort").click()
    page.locator("#rates table").first.wait_for()
