"""A served demonstration island, and a browser that may speak to it alone."""

import os
import shutil
import socket
import threading
from contextlib import contextmanager

import pytest

from service import create_app
from service.commands.demo_store import build_demo
from service.settings import Settings
from service.store import open_store
from service.web.serving import make_server
from service.web.waiting import close_jobs
from tests.small_store import NASTY, make_small_store

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_collection_modifyitems(items):
    for item in items:
        if "tests/browser/" in item.nodeid or "tests/browser" in str(item.path.parent):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def chromium():
    """One headless Chromium; where there is none the tests are skipped, but not in CI."""
    if CHROMIUM is None:
        if os.environ.get("CI") == "true":
            pytest.fail("CI needs Chromium: apt-get install chromium")
        pytest.skip("no Chromium is installed here (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


_CONTEXTS = []  # of open_page, those of the running test


@contextmanager
def served(store):
    """Serve a store on a free port of this machine; the address.

    Pages end before the server does, so that none still asks a server that is gone.
    """
    app = create_app(store, Settings())
    server = make_server(app, socket.create_server(("127.0.0.1", 0)), threads=8)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    for context in _CONTEXTS:
        context.close()
    server.asyncore.close_all(server._map)  # ends the loop, which has nothing left
    server.task_dispatcher.shutdown(timeout=1)
    thread.join(timeout=10)
    close_jobs(app)
    store.close()


def arrived(page, held):
    """Wait for a request that a route holds."""
    for _ in range(300):
        if held:
            return
        page.wait_for_timeout(50)
    raise AssertionError("no such request")


@pytest.fixture(scope="session")
def island(tmp_path_factory):
    """Address of the served island."""
    store = open_store(build_demo(tmp_path_factory.mktemp("island")))
    with served(store) as address:
        yield address


@pytest.fixture(scope="session")
def nasty_brook(tmp_path_factory):
    """Address of a small store that has a script in its texts."""
    store = make_small_store(tmp_path_factory.mktemp("nasty") / "nasty.gpkg", NASTY)
    with served(store) as address:
        yield address


@pytest.fixture
def open_page(chromium):
    """Open an address on a screen of a given size.

    The browser asks for less motion, so that nothing pressed is still on its way; a test of motion
    itself says `reduced_motion="no-preference"`. After the test: every request went to the host of
    the first one, nothing was written to the console as an error, and no script failed.
    """
    opened = []

    def opening(
        address, width=1440, height=900, ready=".folium-map[data-ready=yes]", script="", **options
    ):
        options = {"reduced_motion": "reduce", **options}
        context = chromium.new_context(viewport={"width": width, "height": height}, **options)
        _CONTEXTS.append(context)
        context.add_init_script(script)
        context.set_default_timeout(15_000)
        page = context.new_page()
        troubles, asked = [], []
        page.on("console", lambda said: said.type == "error" and troubles.append(said.text))
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        opened.append((context, address, troubles, asked))
        page.goto(address)
        if ready:
            page.wait_for_selector(ready)
        return page

    yield opening
    _CONTEXTS.clear()
    for context, address, troubles, asked in opened:
        context.close()
        own = "/".join(address.split("/", 3)[:3])
        strangers = [url for url in asked if not url.startswith((own, "data:", "blob:"))]
        assert not strangers
        assert not troubles
