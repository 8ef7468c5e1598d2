"""Tiles over the web: to everybody who may open a map, kept by browsers until they are replaced."""

import io
import threading

import numpy as np
import pytest

from service import create_app
from service.answers.kept_area import kept_tiles
from service.answers.map_files import offline_map
from service.progress import Progress, StoppedError
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from service.reference.loading_backgrounds import load_background
from service.settings import Settings
from service.web import jobs, waiting
from service.web.work_notes import NotedProgress
from tests.small_store import make_small_store
from tests.tile_pictures import BLUE, GREEN, RED, png, quarters, write_mbtiles, write_picture

PAGE = {"Accept": "text/html"}
MOST_S = 30
TILES = {
    (0, 0, 0): png(RED), (1, 0, 1): png(GREEN, form="JPEG"), (1, 1, 1): png(BLUE, form="WEBP"),
}  # fmt: skip
NAME, PATH = "Île <1> {z}", "/background/%C3%8Ele%20%3C1%3E%20%7Bz%7D"


@pytest.fixture
def store(tmp_path):
    store = make_small_store(tmp_path / "small.gpkg")
    path = write_mbtiles(tmp_path / "a.mbtiles", TILES)
    load_background(store, path, who="ann", name=NAME, attribution="Owner & &lt;script>sons")
    yield store
    store.close()


def client_of(store, viewer=PUBLIC, settings=None):
    return create_app(store, settings or Settings(), viewer=viewer).test_client()


def test_a_tile_is_given_under_its_number_with_its_kind(store):
    """Rows count from the north in addresses (WebMercatorQuad), from the south in MBTiles."""
    client = client_of(store)
    for address, content, kind in (
        ("/0/0/0", TILES[0, 0, 0], "image/png"), ("/1/0/0", TILES[1, 0, 1], "image/jpeg"),
        ("/1/1/0", TILES[1, 1, 1], "image/webp"),
    ):  # fmt: skip
        answer = client.get(PATH + address)
        assert (answer.status_code, answer.mimetype, answer.data) == (200, kind, content)
        assert "no-cache" in answer.headers["Cache-Control"]
        again = client.get(PATH + address, headers={"If-None-Match": answer.headers["ETag"]})
        assert (again.status_code, again.data) == (304, b"")
        named = client.get(f"{PATH}{address}?v={store.backgrounds()[0].digest[:12]}")
        assert "max-age=31536000" in named.headers["Cache-Control"]
        assert "no-cache" not in named.headers["Cache-Control"]
    missing = client.get(f"{PATH}/1/0/1")
    assert (missing.status_code, missing.data) == (204, b"")
    for wrong in (f"{PATH}/1/2/0", f"{PATH}/1/0/2", f"{PATH}/99/0/0", "/background/x/0/0/0"):
        assert client.get(wrong).status_code == 404
    assert client.get(f"{PATH}/-1/0/0").status_code == 404


@pytest.mark.parametrize("viewer", [PUBLIC, LOCAL_KEEPER], ids=["public", "keeper"])
def test_maps_name_it_escaped_and_nothing_elsewhere(store, viewer):
    client = client_of(store, viewer)
    addresses = ["/", "/coverage", "/species/Cottus%20gobio"]
    for address in addresses + ["/placements/new"] * viewer.may_edit:
        page = client.get(address)
        assert page.status_code == 200, address
        assert "%7Bz%7D/{z}/{x}/{y}?v=" in page.text, address
        assert "<script>sons" not in page.text
        assert "img-src 'self' data:;" in page.headers["Content-Security-Policy"]


def test_the_choice_goes_along_with_links_and_narrows_nothing(store):
    client = client_of(store, LOCAL_KEEPER)
    page = client.get("/?background=none&species=Cottus+gobio")
    assert page.status_code == 200
    assert "/records?species=Cottus+gobio&amp;background=none" in page.text
    assert '<input type="hidden" name="background" value="none">' in page.text
    every = client.get("/records.csv").data
    assert client.get("/records.csv?background=none").data == every
    assert client.get("/?backgroun=none").status_code == 400


def test_a_configured_one_stands_beside_it(store):
    settings = Settings(tile_url="https://{s}.tiles.invalid/{z}/{x}/{y}.png", tile_attribution="T")
    page = client_of(store, settings=settings).get("/")
    assert page.text.index("/background/") < page.text.index('"tiles.tiles.invalid"')
    assert "https://*.tiles.invalid" in page.headers["Content-Security-Policy"]


def test_files_that_leave_have_none(store):
    page, _ = offline_map(store, Selection(), LOCAL_KEEPER)
    assert NAME not in page
    assert "/background/" not in page


def test_an_area_lists_its_tiles_until_they_are_too_many(store, monkeypatch):
    """By level: both tiles of zoom 1 north of the equator, or only the coarser level."""
    whole = kept_tiles(store, (-170, 10, 170, 80), NAME)
    assert whole["tiles"] == [[0, 0, 0], [1, 0, 0], [1, 1, 0]]
    assert whole["size_bytes"] == sum(map(len, TILES.values()))
    assert (whole["zoom"], whole["finest"]) == (1, 1)
    assert kept_tiles(store, (-170, 10, -160, 20), NAME)["tiles"] == [[0, 0, 0], [1, 0, 0]]
    monkeypatch.setattr("service.answers.kept_area._MOST_TILES", 2)
    less = kept_tiles(store, (-170, 10, 170, 80), NAME)
    assert (less["tiles"], less["zoom"]) == ([[0, 0, 0]], 0)
    assert kept_tiles(store, (-170, 10, 170, 80), "other") is None
    editor = client_of(store, Viewer("ed", "editor"))
    answer = editor.get(
        "/entry/area.json", query_string={"bbox": "-4,50,-2,60", "background": NAME}
    )
    assert answer.json["background"]["tiles"] == [[0, 0, 0], [1, 0, 0]]


def send(client, content, file_name, **fields):
    return client.post(
        "/load/backgrounds", data={"file": (io.BytesIO(content), file_name), **fields},
        follow_redirects=True,
    )  # fmt: skip


def test_a_keeper_loads_and_removes_one_in_the_browser(store, tmp_path):
    """Stored at once or refused in a sentence, with what was stored before as it was."""
    client = keeper_of(store)
    picture = write_picture(tmp_path / "p.tif", quarters()).read_bytes()
    answer = send(client, picture, "../p.tif")
    assert answer.status_code == 422
    assert "whose picture it is" in answer.text
    answer = send(
        client, picture, "p.tif", attribution="<b>Owner</b>", name="<i>Air", max_zoom="12"
    )
    assert answer.status_code == 200
    assert "Background stored: &lt;i&gt;Air" in answer.text
    assert [one.zooms[1] for one in store.backgrounds()] == [1, 12]
    for content, name, words in (
        (b"<OGRVRTDataSource></OGRVRTDataSource>", "x.tif", "no GeoTIFF"),
        (b"<VRTDataset></VRTDataset>", "x.vrt", "Choose one file"),
        (b"SQLite format 3\0" + b"\0" * 99, "x.gpkg", "cannot be read"),
        (picture, "p.tif", "The finest level"),
    ):
        fields = {"attribution": "A"} | ({"max_zoom": "deep"} if "finest" in words else {})
        answer = send(client, content, name, **fields)
        assert answer.status_code == 422, name
        assert words in answer.text, name
    assert len(store.backgrounds()) == 2
    done = client.post("/load/backgrounds/remove", data={"name": NAME}, follow_redirects=True)
    assert [one.name for one in store.backgrounds()] == ["<i>Air"]
    assert "Remove &lt;i&gt;Air" in done.text
    assert client.post("/load/backgrounds/remove", data={"name": NAME}).status_code == 404


def test_a_picture_is_cut_in_a_job_that_shows_how_far_it_is(store, tmp_path, monkeypatch):
    """Of all tiles looked at, then of all stored; it is left, found again, and stopped at any."""
    client, stopped_at = keeper_of(store), threading.Event()
    work = client.application.extensions[waiting._JOBS][False]
    said = []

    def say(progress, words, *figures):
        said.append((words, *figures))
        if figures[:1] == (2,) and not stopped_at.is_set():
            stopped_at.set()
            raise StoppedError
        progress.words, progress.done, progress.total, progress.unit = words, *figures

    monkeypatch.setattr(Progress, "say", say)
    monkeypatch.setattr(NotedProgress, "say", say)
    monkeypatch.setattr(jobs, "PATIENCE_S", 0.0)
    # Most of it shows nothing: such tiles are looked at, and left out.
    picture = write_picture(tmp_path / "p.tif", with_hole(), compress="DEFLATE").read_bytes()
    fields = {"attribution": "A", "name": "Air", "max_zoom": "15"}
    file = {"file": (io.BytesIO(picture), "p.tif")}
    address = client.post("/load/backgrounds", data=fields | file, headers=PAGE).location
    assert address.startswith("/work/")
    job = ended(work, address)
    assert job.state == "stopped"
    assert [one.name for one in store.backgrounds()] == [NAME]
    said.clear()
    file = {"file": (io.BytesIO(picture), "p.tif")}
    address = client.post("/load/backgrounds", data=fields | file, headers=PAGE).location
    ended(work, address)
    page = client.get(address, headers=PAGE, follow_redirects=True)
    stored = store.backgrounds()[1].tiles
    assert f"Background stored: Air, {stored} tiles" in page.text
    cut = [figures for words, *figures in said if words == "cutting"]
    total = cut[0][1]
    assert cut == [[done, total, "tile"] for done in range(1, total + 1)]
    assert [figures for words, *figures in said if words == "storing"] == [
        [done, stored, "tile"] for done in range(1, stored + 1)
    ]
    assert stored < total
    waiting.close_jobs(client.application)


def ended(work, address):
    job = work.find(address.rpartition("/")[2])
    assert job.wait(MOST_S)
    for thread in list(work._threads):
        thread.join(MOST_S)
    return job


def with_hole():
    """Quarters with an alpha band: nothing but at the top."""
    picture = quarters(1_000)
    alpha = np.full((1, *picture.shape[1:]), 255, np.uint8)
    alpha[:, 50:, :] = 0
    return np.concatenate([picture, alpha])


def test_a_picture_of_too_many_tiles_names_the_level_that_fits(store, tmp_path, monkeypatch):
    monkeypatch.setattr("service.web.pages.backgrounds._MOST_TILES", 3)
    picture = write_picture(tmp_path / "p.tif", quarters()).read_bytes()
    answer = send(keeper_of(store), picture, "p.tif", attribution="A")
    assert "3 are the most. Choose level 13 or less" in answer.text


@pytest.mark.parametrize("role", ["public", "member", "editor"])
def test_nobody_but_a_keeper_loads_or_removes(store, tmp_path, role):
    client = keeper_of(store, Viewer("x", role))
    assert client.get("/load/backgrounds").status_code == 403
    good = (tmp_path / "a.mbtiles").read_bytes()
    assert send(client, good, "b.mbtiles", attribution="A").status_code == 403
    assert client.post("/load/backgrounds/remove", data={"name": NAME}).status_code == 403
    assert len(store.backgrounds()) == 1


def keeper_of(store, viewer=LOCAL_KEEPER):
    client = client_of(store, viewer)
    client.application.config["WTF_CSRF_ENABLED"] = False
    return client
