"""A page that is being computed shows how far it is and opens by itself, with scripts and without.

The work stops at a gate that the test opens; nothing is awaited by the clock.
"""

import re
import threading

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from service.access import current_picture
from service.progress import report
from service.web import jobs
from tests.browser.conftest import served
from tests.intake_sheets import make_store

MOST_S = 15


@pytest.fixture
def brook(tmp_path, monkeypatch):
    """Address of a store whose picture stops at a gate, and the gate."""
    gate, mended = threading.Event(), current_picture._mended

    def gated(*given):
        report("reading the records", 350_000, 1_000_000, "placement")
        assert gate.wait(MOST_S)
        return mended(*given)

    monkeypatch.setattr(current_picture, "_mended", gated)
    monkeypatch.setattr(jobs, "PATIENCE_S", 0.0)
    with served(make_store(tmp_path / "brook.gpkg")) as address:
        yield address, gate
        gate.set()


@pytest.mark.parametrize("scripts", [True, False])
def test_a_page_opens_by_itself_once_it_is_computed(brook, open_page, scripts):
    address, gate = brook
    page = open_page(
        f"{address}/records", width=360, height=700, ready="progress", java_script_enabled=scripts
    )
    expect(page.locator(".far")).to_have_text(
        re.compile("reading the records: 350\\s000 of 1\\s000\\s000 placements")
    )
    if scripts:
        assert not Axe().run(page).response["violations"]
        assert page.evaluate("document.documentElement.scrollWidth") == 360
    gate.set()
    expect(page.get_by_role("heading", level=1)).to_have_text("Records")
