"""The first hour with an empty store, in the browser alone: a real network, then its map.

Network: NHDPlus Version 2.1 (USGS and US EPA, public domain; sample from nhdplusTools, CC0): 746
reaches beside the project, or the extract of 77 in tests/references/newhope.
"""

import geopandas as gpd
import pytest

from service.records import StoreSettings
from service.reference.method_files import shipped_methods
from service.store import create_store
from tests.browser.conftest import served
from tests.conftest import REFERENCES, SHARED

SPECIES = "species,vernacular_name\nLepomis auritus,Redbreast sunfish\nSemotilus atromaculatus,\n"


@pytest.fixture
def files(tmp_path):
    """Files as somebody would have them: catchments, reaches, species, and one field sheet."""
    whole = SHARED / "data" / "newhope" / "newhope.gpkg"
    if whole.exists():
        reaches = gpd.read_file(whole, layer="reaches")
        basins = whole
    else:
        reaches = gpd.read_file(REFERENCES / "newhope" / "reaches.fgb").to_crs("EPSG:26917")
        around = gpd.GeoDataFrame(
            {"catchment_id": ["all"]},
            geometry=[reaches.union_all().envelope.buffer(500)],
            crs=reaches.crs,
        )
        basins = tmp_path / "catchments.gpkg"
        around.to_file(basins, layer="catchments")
    lines = tmp_path / "reaches.gpkg"
    reaches.to_file(lines, layer="reaches")
    species = tmp_path / "species.csv"
    species.write_text(SPECIES)
    at = reaches.geometry.iloc[:6].interpolate(0.5, normalized=True).to_crs(4326)
    sheet = tmp_path / "placements.csv"
    rows = [
        f"P{k},NH,kick_net,2024-05-0{k + 1}T10:00,2024-05-0{k + 1}T10:30,8,16,"
        f"{point.y:.6f},{point.x:.6f},{'caught' if k % 2 else 'nil'}"
        for k, point in enumerate(at)
    ]
    head = "placement_id,survey,method,set_at,lifted_at,lifts,minutes,latitude,longitude,outcome"
    sheet.write_text("\n".join([head, *rows]) + "\n")
    catches = tmp_path / "catches.csv"
    catches.write_text(
        "placement_id,species,count\n"
        + "".join(f"P{k},Lepomis auritus,3\n" for k in range(6) if k % 2)
    )
    middle = at.iloc[:6].union_all().centroid
    return {"catchments": basins, "reaches": lines, "species": species}, sheet, catches, middle


@pytest.mark.parametrize("width", [1280, 360])
def test_first_hour_without_a_terminal(tmp_path, open_page, files, width):
    """From an empty map every step is one link away, says what it found, and names the next."""
    from axe_playwright_python.sync_playwright import Axe

    layers, sheet, catches, middle = files
    store = create_store(tmp_path / "hour.gpkg", StoreSettings("EPSG:26917", "America/New_York"))
    store.put_methods(shipped_methods(), who="test")  # as `rifflebook init` does
    with served(store) as address:
        page = open_page(f"{address}/", width, 800)
        page.get_by_role("link", name="Load catchments, reaches").click()
        for kind, path in layers.items():
            page.locator("main", has_text=f"{kind.capitalize()}: next").wait_for()
            page.get_by_label(f"File of {kind}").set_input_files(path)
            page.get_by_role("button", name=f"Check {kind}").click()
            page.locator("main", has_text="nothing stored").wait_for()
            page.wait_for_load_state()
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            found = Axe().run(page).response["violations"]
            assert not [one["id"] for one in found if one["impact"] in ("serious", "critical")]
            page.get_by_role("button", name=f"Store these {kind}").click()
            page.get_by_text(f"The {kind} are stored.").wait_for()
            page.wait_for_load_state()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.get_by_role("link", name="import field sheets", exact=True).click()
        page.locator("input[name=files]").set_input_files([sheet, catches])
        page.get_by_role("button", name="Check", exact=True).click()
        page.locator(".findings, input[name=sure]").first.wait_for()
        page.wait_for_load_state()
        assert "values are refused" not in page.inner_text("main"), page.inner_text("main")
        page.locator("input[name=sure]").check()
        page.locator("form[action$='/take'] button").click()
        page.get_by_text("is stored").first.wait_for()
        page.get_by_role("link", name="Map", exact=True).first.click()
        page.wait_for_selector(".folium-map[data-ready=yes]")
        page.wait_for_selector(".rb-mark")
        assert "6 placements" in page.locator(".rb-count").text_content()
        lat, lng = page.locator(".rb-position").inner_text().split(" · ")[-1].split(", ")
        assert abs(float(lat.split("°")[0]) - middle.y) < 0.3
        assert abs(-float(lng.split("°")[0]) - middle.x) < 0.3
