"""The guide is served by the program itself, without a network and without raw HTML."""

import re

import pytest

from service import create_app
from service.settings import Settings
from service.web.pages import guide
from tests.small_store import make_small_store


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    store = make_small_store(tmp_path_factory.mktemp("guide") / "brook.gpkg")
    yield create_app(store, Settings()).test_client()
    store.close()


def links_of(page):
    return re.findall(r'<a [^>]*href="([^"]+)"', page)


@pytest.mark.parametrize("address", ["/guide", *(f"/guide/{name}" for name in guide.GUIDE)])
def test_guide_answers_and_its_links_lead_somewhere(client, address):
    """Each page answers, and so does every page and section that it links to."""
    page = client.get(address)
    assert page.status_code == 200
    # Addresses are resolved as a browser would: relative to /guide/.
    for link in set(links_of(page.text)):
        target, _, section = link.partition("#")
        if target.startswith(("http:", "https:")):
            continue
        if target and not target.startswith("/"):
            target = f"/guide/{target}"
        answer = client.get(target or address, headers={"Accept": "text/html"})
        assert answer.status_code == 200, link
        assert not section or f'id="{section}"' in answer.text, link


def test_every_markdown_file_is_a_page(client):
    """No file of the guide is left out, and a page that is not there is a plain 404."""
    folder = guide.resources.files("service") / "guide"
    assert {f"{name}.md" for name in guide.GUIDE} == {file.name for file in folder.iterdir()}
    assert client.get("/guide/nothing").status_code == 404
    assert client.get("/guide/..%2F..%2FREADME").status_code == 404


def test_raw_html_of_a_guide_page_is_text(client, tmp_path, monkeypatch):
    """What stands in a file as HTML is escaped, and a link runs no script."""
    (tmp_path / "guide").mkdir()
    text = "# <b>T</b>\n\n<script>x()</script> <i>a</i>\n\n<p onclick='x()'>\n\n[l](javascript:x)"
    (tmp_path / "guide" / "sheets.md").write_text(text, encoding="utf-8")
    monkeypatch.setattr(guide.resources, "files", lambda _: tmp_path)
    guide.guide_page.cache_clear()
    try:
        shown, listed = client.get("/guide/sheets").text, guide.guide_page("sheets").lead
    finally:
        guide.guide_page.cache_clear()
    article = shown.split("<article")[1].split("</article>")[0]
    assert not re.search(r"<(script|i|b|p on)", article + listed)
    assert "&lt;script&gt;" in article
    assert "&lt;script&gt;" in listed
    assert 'href="javascript' not in article


def test_pages_link_to_what_explains_them(client):
    """The bar on top leads to the guide, and a page to the part that explains it."""
    assert 'href="/guide"' in client.get("/").text
    for address, name in (("/coverage", "coverage"), ("/hand-over", "hand-over")):
        assert f'href="/guide/{name}"' in client.get(address).text
    registered = set(client.application.blueprints)
    assert set(guide.EXPLAINED_BY) <= registered
    assert set(guide.EXPLAINED_BY.values()) <= set(guide.GUIDE)
