"""Catchments, species, records, placement and methods in a browser, by eye, keyboard and phone."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

PAGES = [
    "/catchments",
    "/catchments/C1",
    "/species",
    "/species/Anguilla%20anguilla",
    "/records?species=Cottus+gobio&catchment=C1",
    "/placements/BRK21-001",
    "/reaches/R296",
    "/upstream/R296?measure=50",
    "/methods",
    "/methods/electric_fishing",
]
MAP = ".folium-map[data-ready=yes]"


def opened(open_page, address, width=1440, height=900):
    """Open a page, and wait for its map where it has one."""
    page = open_page(address, width, height, ready=None)
    if page.locator(".folium-map").count():
        page.wait_for_selector(MAP)
    return page


@pytest.mark.parametrize("path", PAGES)
def test_accessible_and_narrow(island, open_page, path):
    """axe-core (WCAG 2.2 A and AA rules and its best practices) finds nothing serious."""
    page = opened(open_page, island + path)
    if path == "/catchments":
        page.locator("#reasons").wait_for(timeout=60_000)
    found = Axe().run(page).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"][:200])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious
    # At 360 px nothing sticks out: wide tables scroll within themselves.
    page.set_viewport_size({"width": 360, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_find_a_species_and_open_its_record(island, open_page):
    """From the table by a cell to the records, and on to one placement with its catch."""
    page = opened(open_page, f"{island}/catchments")
    row = page.locator("tr[data-catchment=C1]")
    cell = row.locator("a[href*='Cottus+gobio'], a[href*='Cottus%20gobio']").first
    looked = cell.locator(".small").inner_text().split("/")[1].split()[0]
    cell.click()
    page.wait_for_url("**/records?**")
    assert f"{looked} placements listed" in page.locator("main").inner_text()
    line = page.locator("tbody tr", has_text="found").filter(has_not_text="not found").first
    fish = line.locator("td").nth(3).inner_text().split()[0]
    name = line.locator("th a").inner_text()
    line.locator("th a").click()
    page.wait_for_url("**/placements/**")
    page.wait_for_selector(MAP)
    assert name in page.locator("h1").inner_text()
    assert page.locator(".rb-mark").count() == 1
    caught = page.locator("tbody tr", has_text="Cottus gobio").first
    assert caught.locator("td").last.inner_text() == fish


def test_nested_catchments_fold_by_keyboard(island, open_page):
    """Folding a catchment hides what is nested in it, and says so; unfolding shows it again."""
    page = opened(open_page, f"{island}/catchments")
    inner = page.locator("tr[data-parent=C1]")
    assert inner.count() == 3
    button = page.locator("tr[data-catchment=C1] .fold")
    button.focus()
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-expanded") == "false"
    assert not any(inner.nth(i).is_visible() for i in range(3))
    assert page.locator("tr[data-parent=C2]").first.is_visible()
    page.keyboard.press("Space")
    assert all(inner.nth(i).is_visible() for i in range(3))


def test_chances_fill_in_later(island, open_page):
    """The chance that a species is there comes by a second request, with interval and year."""
    page = opened(open_page, f"{island}/catchments?survey=OCC24&season=2024")
    page.locator("#reasons").wait_for(timeout=60_000)
    assert "95 % interval" in page.locator("#chances-state").inner_text()
    told = [words for words in page.locator("[data-chance]").all_inner_texts() if words.strip()]
    assert told
    assert all(
        re.fullmatch(r"there\? .+\s%\s\(.+\s% to .+\s%\), \d+ reach(es)?, 2024", w) for w in told
    )
    page.locator("#reasons summary").click()
    assert "Assumes closed seasons" in page.locator("#assumes").inner_text()


def test_heads_stay_in_view(island, open_page):
    """Scrolled far, the names of species and catchments are still there."""
    page = opened(open_page, f"{island}/catchments", 390, 844)
    room = page.locator(".table-room")
    room.evaluate("room => room.scrollTo(900, 600)")
    box = room.bounding_box()
    corner = page.locator(".corner").bounding_box()
    assert corner["x"] == pytest.approx(box["x"], abs=2)
    assert corner["y"] == pytest.approx(box["y"], abs=2)
    row = page.locator("tr[data-catchment=C2] th").bounding_box()
    assert row["x"] == pytest.approx(box["x"], abs=2)


def test_printed_table_is_whole(island, open_page):
    """On paper the bar and the filters are gone and no part of the table is scrolled away."""
    page = opened(open_page, f"{island}/catchments")
    page.emulate_media(media="print")
    assert not page.locator("header.bar").is_visible()
    assert not page.locator(".filters").is_visible()
    assert page.locator(".table-room").evaluate(
        "room => getComputedStyle(room).overflowX === 'visible'"
    )


def test_figures_load(island, open_page):
    """Every figure of a page is drawn where its fold opens, and has words for who cannot see it."""
    page = opened(open_page, f"{island}/catchments/C1")
    for fold in ("Effort and sampled length", "Richness"):
        page.locator("summary", has_text=fold).click()
    figures = page.locator(".drawn:visible img")
    expect(figures).to_have_count(2)
    for i in range(figures.count()):
        figures.nth(i).scroll_into_view_if_needed()
        page.wait_for_function(
            "image => image.naturalWidth > 100", arg=figures.nth(i).element_handle()
        )
        assert len(figures.nth(i).get_attribute("alt")) > 20


@pytest.mark.parametrize(
    "path",
    ["/catchments", "/catchments/C1", "/species/Cottus%20gobio", "/records", "/placements/T3"],
)
def test_stored_script_never_runs(nasty_brook, open_page, path):
    """Notes, messages and names with a script in them are read, not run; nor by map cards."""
    page = opened(open_page, nasty_brook + path)
    marks = page.locator(".rb-mark")
    if marks.count():
        marks.first.focus()
        page.keyboard.press("Enter")
        page.locator(".rb-card").wait_for()
    assert page.evaluate("window.ran") is None
