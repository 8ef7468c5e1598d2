"""Packed answers: the same content, in less, without growing memory or giving secrets away."""

import gzip
import secrets
import tracemalloc
import zlib

import pytest
from flask import Flask, Response
from waitress.buffers import ReadOnlyFileBasedBuffer

from layers.drawing.csv_rows import csv_rows
from service import create_app
from service.settings import Settings
from service.store import open_store
from service.web.compression import register_compression
from service.web.viewer import AS_PUBLIC_COOKIE
from tests.small_store import make_small_store

PACKED = {"Accept-Encoding": "gzip, deflate, br"}
SECURE = {"base_url": "https://localhost"}


@pytest.fixture
def client(tmp_path):
    make_small_store(tmp_path / "brook.gpkg").close()
    store = open_store(tmp_path / "brook.gpkg")
    yield create_app(store, Settings()).test_client()
    store.close()


@pytest.mark.parametrize("address", ["/static/layout.css", "/static/riffle.svg"])
def test_files_are_packed_as_the_real_server_hands_them_over(client, address):
    """waitress wraps files in a buffer of its own, which unlike others knows its length."""
    wrapped = {"wsgi.file_wrapper": ReadOnlyFileBasedBuffer}
    plain = client.get(address, buffered=True)
    answer = client.get(address, headers=PACKED, environ_overrides=wrapped, buffered=True)
    assert answer.status_code == 200
    assert gzip.decompress(answer.data) == plain.data


@pytest.mark.parametrize(
    "address",
    ["/records", "/placements.geojson", "/static/entry.js", "/assets/leaflet.js",
     "/feed/collections/reaches/items", "/feed/collections/reaches/whole.geojson"],
)  # fmt: skip
def test_packed_is_the_same_in_less(client, address):
    """RFC 9110, 8.4 and 12.5.5: the encoding is named, and caches keep both apart."""
    headers = {"Accept": "text/html"} if address == "/records" else {}
    plain = client.get(address, headers=headers, buffered=True)
    packed = client.get(address, headers=headers | PACKED, buffered=True)
    assert packed.headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in ", ".join(packed.headers.getlist("Vary"))
    assert "Accept-Encoding" in ", ".join(plain.headers.getlist("Vary"))
    assert len(packed.data) < 0.7 * len(plain.data)
    assert abs(len(gzip.decompress(packed.data)) - len(plain.data)) < 100  # marks, moments
    if "Content-Length" in packed.headers:
        assert packed.content_length == len(packed.data)
    head = client.head(address, headers=headers | PACKED, buffered=True)
    assert head.headers.get("Content-Encoding") == "gzip"
    refused = client.get(address, headers={"Accept-Encoding": "gzip;q=0, br"}, buffered=True)
    assert refused.content_encoding is None


def test_what_is_made_in_pieces_is_made_once_until_the_next_write(client, monkeypatch):
    """For each address, in each encoding, day by day; for the public each time anew."""
    made, written, days = [], csv_rows, ["2026-05-01"]

    def noted(*given):
        made.append(given)
        yield from written(*given)

    monkeypatch.setattr("service.answers.tables.csv_rows", noted)
    monkeypatch.setattr("service.web.compression.today", lambda _: days[-1])

    def get(what="", headers=PACKED):
        answer = client.get(f"/coverage/reaches.csv{what}", headers=headers, buffered=True)
        assert answer.content_type == "text/csv; charset=utf-8"
        packed = answer.content_encoding == "gzip"
        return (gzip.decompress(answer.data) if packed else answer.data), len(made)

    first, count = get()
    assert [get() for _ in range(2)] == [(first, count)] * 2
    assert get("?method=fyke_net") != (first, count)
    assert get(headers={}) == (first, count + 2)
    days.append("2026-05-02")
    assert get() == (first, count + 3)
    store = client.application.extensions["rifflebook"].store
    store.put_species(store.species().assign(vernacular_name="new"), who="x")
    assert get() == (first, count + 4)
    client.set_cookie(AS_PUBLIC_COOKIE, "1")
    assert [get()[1] for _ in range(2)] == [count + 5, count + 6]


@pytest.mark.parametrize("address", ["/placements.geojson", "/static/entry.js"])
def test_an_etag_serves_packed_and_plain(client, address):
    """RFC 9110, 8.8.1: what names two encodings must be weak; either gives 304 for both."""
    first = client.get(address, headers=PACKED, buffered=True)
    second = client.get(address, buffered=True)
    assert first.headers["ETag"] == second.headers["ETag"]
    assert first.headers["ETag"].startswith("W/")
    for headers in ({}, PACKED):
        known = client.get(
            address, headers=headers | {"If-None-Match": first.headers["ETag"]}, buffered=True
        )
        assert (known.status_code, known.data) == (304, b"")
        assert known.headers["ETag"] == first.headers["ETag"]


def test_what_is_streamed_stays_streamed():
    """Fifty megabytes pass through while memory stays below two, and the source is closed."""
    app, closed = Flask(__name__), []
    register_compression(app)

    def pieces():
        try:
            for _ in range(5_000):
                yield secrets.token_hex(5_000).encode()  # packs to the half
        finally:
            closed.append(True)

    app.add_url_rule("/", "all", lambda: Response(pieces(), mimetype="application/geo+json"))
    unpacker, length = zlib.decompressobj(wbits=31), 0
    app.test_client().get("/", headers=PACKED).close()  # loads what it needs
    closed.clear()
    tracemalloc.start()
    answer = app.test_client().get("/", headers=PACKED, buffered=False)
    for piece in answer.iter_encoded():
        length += len(unpacker.decompress(piece))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    answer.close()
    assert length == 50_000_000
    assert peak < 2_000_000
    assert closed
    stopped = app.test_client().get("/", headers=PACKED, buffered=False)
    next(stopped.iter_encoded())
    stopped.close()
    assert len(closed) == 2


@pytest.mark.parametrize(
    ("site", "packed"),
    [("same-origin", True), ("none", True), ("cross-site", False), ("same-site", False)],
)
def test_what_others_made_a_browser_ask_for_is_not_packed(client, site, packed):
    """Its length would tell a guess in the address from what the page says (BREACH, 2013)."""
    headers = PACKED | {"Accept": "text/html", "Sec-Fetch-Site": site}
    assert (client.get("/records", headers=headers).content_encoding == "gzip") == packed


def test_an_old_browser_with_a_cookie_gets_plain_answers_over_https(client):
    """It does not say whose page asked; a program without a cookie cannot be made to ask."""
    headers = PACKED | {"Accept": "text/html"}
    assert client.get("/records", headers=headers, **SECURE).content_encoding == "gzip"
    client.set_cookie("rifflebook", "some session")
    assert client.get("/records", headers=headers, **SECURE).content_encoding is None
