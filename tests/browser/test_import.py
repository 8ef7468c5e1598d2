"""Import and hand-over in a browser: faults seen, mended, taken, taken back; the file in hand."""

import zipfile

import pytest

from service.records import Selection
from service.store import open_store
from tests.browser.conftest import served
from tests.intake_sheets import CATCHES, PLACEMENTS, make_store


@pytest.fixture
def brook(tmp_path):
    """Address of a store of one brook without records, and its path."""
    path = tmp_path / "brook.gpkg"
    make_store(path).close()
    with served(open_store(path)) as address:
        yield address, path


def sheet(name, text):
    return {"name": name, "mimeType": "text/csv", "buffer": text.encode()}


def held_ids(path):
    store = open_store(path, read_only=True)
    try:
        return sorted(store.known_placements(["P1", "P2"]).dropna().index)
    finally:
        store.close()


def test_faulty_seen_mended_imported_undone(brook, open_page):
    """The whole way, with every finding before anything is stored."""
    address, path = brook
    page = open_page(f"{address}/import", ready="main")
    faulty = PLACEMENTS.replace("kick_net", "kick_nett").replace(",-11.2128", ",-191")
    page.locator("input[type=file]").set_input_files(
        [sheet("placements.csv", faulty), sheet("catches.csv", CATCHES)]
    )
    page.locator(".chosen", has_text="catches.csv").wait_for()
    page.get_by_role("button", name="Check", exact=True).click()
    page.get_by_role("heading", name="Not stored").wait_for()
    page.wait_for_load_state()  # the whole table, and the script that sorts it
    rows = page.locator(".findings tbody tr")
    assert rows.filter(has_text="kick_nett").count() == 1
    assert rows.filter(has_text="-191").count() == 1
    page.get_by_role("button", name="Row").click()
    cells = page.locator(".findings td:nth-child(3)").all_inner_texts()
    numbers = [int(cell) for cell in cells if cell]  # what is said of a whole file has no row
    assert numbers == sorted(numbers)
    with page.expect_download() as download:
        page.get_by_role("link", name="All as CSV").click()
    assert "kick_nett" in download.value.path().read_text(encoding="utf-8-sig")
    assert held_ids(path) == []
    page.locator(".drop.small input").set_input_files([sheet("placements.csv", PLACEMENTS)])
    page.get_by_role("button", name="Check again", exact=True).click()
    page.get_by_role("heading", name="Checked; nothing is stored yet").wait_for()
    assert held_ids(path) == []
    page.get_by_label("I looked at the findings").check()
    page.get_by_role("button", name="Store all 2 placements").click()
    page.get_by_text("Import 1 is stored").wait_for()
    assert held_ids(path) == ["P1", "P2"]
    page.locator("td summary", has_text="Take back").click()
    page.get_by_label("Take it back").check()
    page.get_by_role("button", name="Take back import 1").click()
    page.get_by_text("Import 1 is taken back").wait_for()
    assert held_ids(path) == []


def test_hand_over_is_downloaded(island, open_page):
    """What the file will hold is said first; the file holds it."""
    page = open_page(f"{island}/hand-over", 390, 844, ready="main")
    page.locator("input[name=form][value=csv]").check()
    page.locator("select[name=survey]").select_option("LOW22")
    page.get_by_role("button", name="Show what it holds").click()
    page.wait_for_url("**form=csv**")
    page.locator("#download").wait_for()
    told = page.locator("tbody tr", has_text="Placements").locator("td.num").inner_text()
    with page.expect_download() as download:
        page.locator("#download").click()
    assert download.value.suggested_filename.endswith("-csv-public.zip")
    with zipfile.ZipFile(download.value.path()) as held:
        rows = held.read("placements.csv").decode("utf-8-sig").strip().splitlines()
    assert len(rows) - 1 == int(told)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("path", ["/import", "/hand-over", "checked"])
@pytest.mark.parametrize("width", [1440, 360])
def test_no_serious_findings_of_axe(island, open_page, path, width):
    """axe-core finds nothing serious, and the pages fit the screen."""
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(f"{island}/import" if path == "checked" else f"{island}{path}", width, 800,
                     ready="main")  # fmt: skip
    if path == "checked":
        faulty = "<script>window.ran=1</script>"
        files = [sheet("placements.csv", PLACEMENTS.replace("kick_net", faulty))]
        page.locator("input[type=file]").set_input_files(files)
        page.get_by_role("button", name="Check", exact=True).click()
        page.get_by_text(faulty).wait_for()
        page.wait_for_load_state()
        assert page.evaluate("window.ran === undefined")
    found = Axe().run(page).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious
    assert page.evaluate("document.documentElement.scrollWidth") <= width


SEASON = (
    "Sample,Water,Date,How,Lat,Long,Bullhead,Stone loach\n"
    "A,Long Brook,2024-05-02,kick_net,52.6035,-11.2128,3,1\n"
    "B,Long Brook,2024-05-03,kick_net,52.6000,-11.2127,smudged,2\n"
)


def test_a_sheet_with_faults_is_understood_mended_and_stored_on_a_phone(brook, open_page, tmp_path):
    """A sheet laid out otherwise: suggested, its fault read, mended, kept, stored; 360 px wide."""
    address, path = brook
    sheet = tmp_path / "season.csv"
    sheet.write_text(SEASON, encoding="utf-8")
    page = open_page(f"{address}/import", 360, 740, ready="main")
    page.set_input_files('input[type="file"]', str(sheet))
    page.get_by_text("How the files are meant").click()
    page.get_by_label("Survey of rows that name none").fill("S24")
    page.get_by_role("button", name="Check").click()
    page.get_by_role("button", name="Suggest a mapping").click()
    page.get_by_label("Bullhead").first.wait_for()
    # Half of its cells are no number: they are refused, not left out with the column.
    assert page.get_by_label("Bullhead").input_value() == "count:Cottus gobio"
    page.get_by_role("button", name="Read the columns so").click()
    row = page.locator("tr.refused")
    row.first.wait_for()
    page.wait_for_load_state()
    assert row.count() == 1
    said = " ".join(row.inner_text().split())
    assert "3" in said.split("season.csv")[1]
    assert "smudged" in said
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    sheet.write_text(SEASON.replace(",smudged,", ",0,"), encoding="utf-8")
    page.set_input_files(".drop.small input", str(sheet))
    page.get_by_role("button", name="Check again", exact=True).click()
    page.get_by_text("2 placements, 3 catches").wait_for()
    page.get_by_label("Keep this mapping for next season").fill("loach survey")
    page.get_by_role("button", name="Keep the mapping").click()
    page.get_by_text("Kept as loach survey.").wait_for()
    page.wait_for_load_state()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.get_by_label("I looked at the findings").check()
    page.get_by_role("button", name="Store all 2 placements").click()
    page.get_by_text("Import 1 is stored: 2 placements").wait_for()
    store = open_store(path, read_only=True)
    assert list(store.mappings()) == ["loach survey"]
    assert store.batches()[0].catches == 3
    store.close()


TRAPS = (
    "Trap,Set on,Lifted on,Lat,Lon,Spiny ones,Bullhead\n"
    "1,03-May-2024 18:30,04-May-2024 08:15,52.6035 N,11.2128 W,4,12\n"
    "2,03-May-2024 18:40,04-May-2024 08:25,52.6000 N,11.2127 W,0,0\n"
)


def test_which_duration_is_meant_is_chosen_on_a_phone(brook, open_page):
    """5:30 may be hours or minutes: both are named, and one is chosen above the column."""
    address, path = brook
    page = open_page(f"{address}/import", 360, 740, ready="main")
    rows = SEASON.replace(",smudged,", ",0,").splitlines()
    more = zip(rows, ("Duration", "5:30", "3:00"), strict=True)
    text = "".join(f"{row},{cell}\n" for row, cell in more)
    page.set_input_files('input[type="file"]', sheet("timed.csv", text))
    page.get_by_role("button", name="Check").click()
    page.get_by_role("button", name="Suggest a mapping").click()
    asked = page.locator(".box").get_by_text("5:30 may be hours and minutes or minutes and seconds")
    asked.wait_for()
    page.get_by_label("Duration").select_option(
        "placements: minutes, in minutes and seconds (min:s)"
    )
    page.get_by_role("button", name="Read the columns so").click()
    asked.wait_for(state="detached")
    page.wait_for_load_state()
    assert page.get_by_label("Duration").input_value() == "placements.minutes:min:s"
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.get_by_label("I looked at the findings").check()
    page.get_by_role("button", name="Store all 2 placements").click()
    page.get_by_text("Import 1 is stored: 2 placements").wait_for()
    store = open_store(path, read_only=True)
    records = store.records(Selection())
    store.close()
    assert records.placements["minutes"].tolist() == [5.5, 3]


def test_what_a_sheet_does_not_say_is_said_on_a_phone(brook, open_page):
    """No column names the method, and a fish has a name of its own."""
    address, path = brook
    page = open_page(f"{address}/import", 360, 740, ready="main")
    page.set_input_files('input[type="file"]', sheet("traps.csv", TRAPS))
    page.get_by_role("button", name="Check").click()
    page.get_by_role("button", name="Suggest a mapping").click()
    page.get_by_text("No column names the method.", exact=True).wait_for()
    page.get_by_label("Method of all placements").select_option("minnow_trap")
    page.get_by_label("Spiny ones").select_option("count:Barbatula barbatula")
    page.get_by_role("button", name="Read the columns so").click()
    page.get_by_text("2 placements, 2 catches").wait_for()
    page.wait_for_load_state()
    assert page.get_by_label("Method of all placements").input_value() == "minnow_trap"
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.get_by_label("I looked at the findings").check()
    page.get_by_role("button", name="Store all 2 placements").click()
    page.get_by_text("Import 1 is stored: 2 placements").wait_for()
    store = open_store(path, read_only=True)
    records = store.records(Selection())
    store.close()
    assert records.placements["method"].tolist() == ["minnow_trap"] * 2
    assert sorted(records.placements["outcome"]) == ["caught", "nil"]
    assert sorted(records.catches["count"]) == [4, 12]
