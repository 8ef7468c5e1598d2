"""The coverage page in a browser: read a gap, fly there, take the next places along."""

import csv
import io
import re
import urllib.request

import gpxpy
import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import arrived

READY = "#coverage-map[data-ready=yes]"


def fetched(address):
    with urllib.request.urlopen(address) as answer:
        return answer.read().decode()


@pytest.fixture
def coverage(island, open_page):
    def opening(query="", width=1440, height=900):
        return open_page(f"{island}/coverage{query}", width, height, ready=READY)

    return opening


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (380, 760)])
@pytest.mark.parametrize("query", ["", "?hours=night&hours=overnight&catchment=C1"])
def test_the_list_begins_within_the_first_screen(coverage, query, width, height):
    """Both figures and the first place to go to are seen without scrolling."""
    page = coverage(query, width, height)
    for seen in (".say", "tr[data-place='1'] button"):
        box = page.locator(seen).bounding_box()
        assert box["y"] + box["height"] <= height


def test_lines_differ_without_colour(coverage):
    """Every line of the legend has a width and dashes of its own."""
    page = coverage()
    looks = page.eval_on_selector_all(
        ".bands .swatch line",
        "all => all.map((one) => { const style = getComputedStyle(one);"
        " return style.strokeWidth + ' ' + style.strokeDasharray; })",
    )
    assert len(looks) >= 9
    assert len(set(looks)) == len(looks)


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844), (360, 640)])
def test_page_fits_the_screen(coverage, width, height):
    """No screen has to be moved sideways; the map has its scale."""
    page = coverage("", width, height)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator(".leaflet-control-scale-line").count() == 1
    assert page.locator(".next-place").count() == 10


def test_read_a_gap_and_fly_there(island, coverage):
    """The keyboard alone opens a gap on the map: it lies in view and is marked."""
    rows = list(csv.DictReader(io.StringIO(fetched(f"{island}/coverage/gaps.csv"))))
    page = coverage()
    page.get_by_role("button", name="Show gap 3 on the map").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#coverage-map[data-gap='3']")
    assert "Gap 3 is marked" in page.locator("#coverage-state").inner_text()
    cell = page.locator("tr[data-gap='3'] td").nth(1).inner_text()
    assert cell == f"{float(rows[2]['length_m']) / 1000:,.2f}"
    assert "chosen" in page.locator("tr[data-gap='3']").get_attribute("class")


def test_a_late_gap_does_not_take_the_place_of_a_later_one(coverage):
    """The answer for the gap chosen first comes last; marked stays the gap chosen last."""
    page = coverage()
    late = []
    page.route(re.compile(r"[?&]gap=1$"), lambda route: late.append(route))  # noqa: PLW0108 - playwright wants one
    page.get_by_role("button", name="Show gap 1 on the map").click()
    page.get_by_role("button", name="Show gap 2 on the map").click()
    page.wait_for_selector("#coverage-map[data-gap='2']")
    arrived(page, late)
    with page.expect_event("requestfinished", lambda one: one.url.endswith("gap=1")):
        late[0].continue_()
    page.evaluate("fetch('/healthz').then((answer) => answer.text())")  # comes after it
    assert page.locator("#coverage-map").get_attribute("data-gap") == "2"
    assert "Gap 2 is marked" in page.locator("#coverage-state").inner_text()


def as_stored(cell):
    """Text of a cell as the server wrote it, before the reader's browser wrote its figures."""
    return cell.evaluate(
        """(cell) => {
          const copy = cell.cloneNode(true);
          copy.querySelectorAll("[data-written]").forEach((one) => {
            one.textContent = one.dataset.written;
          });
          return copy.textContent.trim();
        }"""
    )


def test_download_next_places(island, coverage):
    """The waypoints of the file are those of the list."""
    page = coverage("?count=4")
    with page.expect_download() as taking:
        page.get_by_role("link", name="GPX waypoints").first.click()
    read = gpxpy.parse(taking.value.path().read_text())
    rows = page.locator("tr[data-place]")
    assert len(read.waypoints) == rows.count() == 4
    for number, point in enumerate(read.waypoints):
        told = rows.nth(number).locator("td").all_inner_texts()
        assert f"{point.latitude:.5f}, {point.longitude:.5f}" in told[0]
        adds = re.search(r"adds (\d+) m", point.description)[1]
        assert adds == as_stored(rows.nth(number).locator("td").nth(1)).replace("\u202f", "")


def test_next_place_opens_on_the_map(coverage):
    """A place of the list comes to the middle of the map and says what it adds as the list does."""
    page = coverage("", 390, 844)
    adds = page.locator("tr[data-place='2'] td").nth(1).inner_text()
    assert adds == "5,008"
    page.get_by_role("button", name="Show place 2 on the map").click()
    popup = page.locator(".leaflet-popup-content")
    popup.wait_for()
    assert f"{adds} m" in popup.inner_text()


def test_tables_sort_by_their_headings(coverage):
    """A press sorts up, another down; what is not known stays last."""
    page = coverage()
    table = page.locator("table.sortable", has=page.get_by_text("Gaps in coverage"))
    head = table.get_by_role("button", name="Farthest, m")
    for direction in ("ascending", "descending"):
        head.click()
        assert table.locator("th[aria-sort]").get_attribute("aria-sort") == direction
        values = [
            cell.get_attribute("data-value") for cell in table.locator("tbody td:last-child").all()
        ]
        known = [float(value) for value in values if value]
        assert known == sorted(known, reverse=direction == "descending")
        assert all(not value for value in values[len(known) :])


def test_filter_is_kept_in_the_address(coverage):
    """What is ticked goes into the address, and the page says it in words."""
    page = coverage()
    page.locator(".filters summary").click()
    page.get_by_label("Spotlight").check()
    page.get_by_role("button", name="Show", exact=True).click()
    page.wait_for_url("**method=spotlight**")
    page.wait_for_selector(READY)
    assert "gear: Spotlight" in page.locator(".filters summary").inner_text()
    assert page.get_by_label("Spotlight").is_checked()


def test_print_shows_tables_whole(coverage):
    """On paper there are no buttons, filters or scrolling lists."""
    page = coverage()
    page.emulate_media(media="print")
    assert not page.locator("button.go").first.is_visible()
    assert not page.locator(".filters form").is_visible()
    for box in page.locator(".tall").all():
        assert box.evaluate("box => box.scrollHeight - box.clientHeight") <= 1
    assert page.locator(".caution").is_visible()


@pytest.mark.parametrize("width", [1440, 390])
def test_no_serious_finding_of_axe(coverage, width):
    """axe-core finds nothing serious on the page, with its filters open."""
    page = coverage("", width)
    page.locator(".filters summary").click()
    found = Axe().run(page).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []


def test_stored_script_does_not_run(nasty_brook, open_page):
    """Text of the store that holds a script shows as text, on the page and on the map."""
    page = open_page(f"{nasty_brook}/coverage", ready=READY)
    page.locator("button.go").first.click()
    page.locator(".leaflet-popup-content").wait_for()
    assert page.evaluate("window.ran") is None
