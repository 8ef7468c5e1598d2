"""A session that has ended leads to the login, and from there back."""

import sqlite3
from contextlib import closing

import pytest

from service import create_app
from service.access import accounts
from service.records import StoreSettings
from service.settings import Settings
from service.store import create_store
from service.store.guards import register_guard
from tests.access.test_accounts import PASSWORD, sign_in

PAGE = {"Accept": "text/html"}
HERE = "/records?hours=day&since=2022"


@pytest.fixture
def store(tmp_path):
    settings = StoreSettings(crs="EPSG:32629", timezone="Europe/Dublin")
    with closing(create_store(tmp_path / "a.gpkg", settings)) as store:
        accounts.add_account(store, "anna", "member", PASSWORD, who="test")
        yield store


def test_session_end_leads_to_the_login_and_back(store):
    """The page says that the session ended; after logging in the same question is shown."""
    client = create_app(store, Settings()).test_client()
    sign_in(client, "anna")
    assert client.get(HERE, headers=PAGE).status_code == 200
    with closing(sqlite3.connect(store.path)) as file, file:
        register_guard(file)
        file.execute("UPDATE sessions SET expires = '2020-01-01T00:00:00.000Z'")
    # What scripts fetch is answered as to anybody; a page leads to the login.
    assert client.get("/placements.geojson").status_code == 200
    sent = client.get(HERE, headers=PAGE)
    assert sent.status_code == 303
    form = client.get(sent.headers["Location"], headers=PAGE)
    assert "Your session has ended" in form.text
    back = sign_in(client, "anna", next=HERE)
    assert back.headers["Location"] == HERE


def test_the_public_is_not_sent_to_the_login(store):
    """Nor is whoever chose to go on without an account after a session ended."""
    client = create_app(store, Settings()).test_client()
    assert client.get(HERE, headers=PAGE).status_code == 200
    client.set_cookie("rifflebook", "an old session")
    assert client.get(HERE, headers=PAGE).status_code == 303
    assert client.get(HERE, headers=PAGE).status_code == 200


@pytest.mark.parametrize("goal", ["javascript:alert(1)", "//a.example/", "https://a.example/"])
def test_the_login_leads_nowhere_else(store, goal):
    """Neither its link nor its form names an address of others, whoever wrote the link here."""
    client = create_app(store, Settings()).test_client()
    page = client.get("/login", query_string={"ended": "yes", "next": goal}, headers=PAGE).text
    assert "go on without" in page
    assert f'href="{goal}"' not in page
    assert f'name="next" value="{goal}"' not in page
