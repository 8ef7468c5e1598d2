"""Take the picture of the map that README shows.

Run ``python -m demo_sites.map_picture`` to take it again after the map was changed. It serves the
demonstration on this machine and needs Playwright (of the tests) and an installed Chromium.
"""

from __future__ import annotations

import io
import logging
import shutil
import tempfile
import threading
from pathlib import Path
from typing import Final

from PIL import Image
from playwright.sync_api import sync_playwright
from werkzeug.serving import make_server

from service import create_app
from service.commands.demo_store import build_demo
from service.settings import Settings
from service.store import open_store

__all__ = ["PICTURE", "photograph"]

PICTURE: Final = Path(__file__).with_name("map.png")
_WIDTH, _HEIGHT = 1280, 800  # pixels
_COLOURS = 128  # of the palette; more would only make the file larger


def photograph(destination: Path = PICTURE) -> None:
    """Write the map of the demonstration, as a browser shows it, to a PNG file."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(build_demo(Path(folder)))
        server = make_server("127.0.0.1", 0, create_app(store, Settings()), threaded=True)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            shot = _shot(f"http://127.0.0.1:{server.server_port}/")
        finally:
            server.shutdown()
            store.close()
    picture = Image.open(io.BytesIO(shot)).convert("RGB").quantize(_COLOURS)
    picture.save(destination, optimize=True)


def _shot(address: str) -> bytes:
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": _WIDTH, "height": _HEIGHT})
        page.goto(address)
        page.wait_for_selector(".folium-map[data-ready=yes]")
        page.wait_for_load_state("networkidle")
        picture = page.screenshot()
        browser.close()
        return picture


if __name__ == "__main__":
    photograph()
    print(f"{PICTURE}: {PICTURE.stat().st_size:,} bytes")
