"""Accounts in a browser: the first hour of a keeper, and what every size of screen shows."""

import pytest

from service.records import StoreSettings
from service.store import create_store
from tests.browser.conftest import served
from tests.browser.test_question import look_over

PASSWORD = "three wet boots"


@pytest.fixture
def empty(tmp_path):
    """Address of a store without accounts."""
    store = create_store(tmp_path / "a.gpkg", StoreSettings("EPSG:32629", "Europe/Dublin"))
    with served(store) as address:
        yield address


def log_in(page, name):
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("button", name="Log out").wait_for()


@pytest.mark.parametrize("width", [1280, 360])
def test_from_the_first_keeper_to_a_second_person(empty, open_page, width):
    """A keeper and an editor get in without a terminal; axe finds nothing on the way, nothing is
    wider than the screen, and the menu has one line."""
    page = open_page(f"{empty}/accounts", width, 740, ready=None)

    look_over(page, width)
    page.get_by_label("Name of the first keeper").fill("anna")
    page.get_by_label("Password, at least 12 characters").fill(PASSWORD)
    page.get_by_role("button", name="Add the first keeper").click()
    log_in(page, "anna")
    page.goto(f"{empty}/accounts")
    page.get_by_label("Name").fill("bo")
    page.get_by_label("Role", exact=True).select_option("editor")
    page.get_by_role("button", name="Add", exact=True).click()
    link = page.get_by_label("Shown this once").input_value()
    page.wait_for_load_state()
    look_over(page, width)
    page.get_by_role("button", name="Log out").click()
    page.get_by_role("button", name="Log out").wait_for(state="detached")
    page.wait_for_load_state()
    page.goto(link)
    look_over(page, width)
    page.get_by_label("New password").fill(PASSWORD)
    page.get_by_label("The same again").fill(PASSWORD)
    page.get_by_role("button", name="Set the password").click()
    log_in(page, "bo")
    page.get_by_role("link", name="bo, editor").click()
    page.get_by_label("What for").fill("GIS of the council")
    page.get_by_role("button", name="Make a token").click()
    assert page.get_by_label("Shown this once").input_value().startswith("rb_")
    page.wait_for_load_state()
    look_over(page, width)
