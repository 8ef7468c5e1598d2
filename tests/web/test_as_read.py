"""Figures and days are marked so that a browser can write them as its reader does."""

import re

import pytest

from service import create_app
from service.records import LOCAL_KEEPER
from service.settings import Settings
from service.web.wording import marked
from tests.small_store import make_small_store

PAGES = (
    "/", "/records", "/species/Cottus gobio", "/catchments", "/catchments/C1", "/coverage",
    "/coverage/by-catchment", "/placements/T3", "/reaches/R1", "/hand-over", "/methods",
    "/returns", "/import", "/accounts",
)  # fmt: skip


def unmarked(page):
    """A page as its words read, without the marks of figures and days."""
    return re.sub(r"</?(?:data|time)\b[^>]*>", "", page)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("12", "12"),
        ("1\u202f234", '<data value="1234">1\u202f234</data>'),
        ("≥\u202f1\u202f234\u202f567", '≥\u202f<data value="1234567">1\u202f234\u202f567</data>'),
        ("-0.25", '<data value="-0.25">-0.25</data>'),
        ("–", "–"),
        ("<\u202f1\u202f%", "&lt;\u202f1\u202f%"),
        ("2024-05-31", '<time datetime="2024-05-31">2024-05-31</time>'),
        ("2024-05-31 23:05", '<time datetime="2024-05-31T23:05">2024-05-31 23:05</time>'),
        ("2024-05-31 23:05 UTC", '<time datetime="2024-05-31T23:05Z">2024-05-31 23:05 UTC</time>'),
        ("<b>1.5", '&lt;b&gt;<data value="1.5">1.5</data>'),
    ],
)
def test_what_is_marked(text, written):
    """HTML Living Standard, 4.5.13 `data` and 4.5.14 `time`: values that programs read."""
    assert marked(text) == written


def test_marks_stand_where_elements_may(tmp_path):
    """In no attribute, title or choice, and never as text."""
    store = make_small_store(tmp_path / "brook.gpkg")
    client = create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()
    marks = 0
    for address in PAGES:
        page = client.get(address, headers={"Accept": "text/html"})
        assert page.status_code == 200, address
        marks += len(re.findall(r"<data |<time ", page.text))
        assert not re.findall(r'="[^"]*<(?:data|time)\b', page.text), address
        assert not re.findall(r"&lt;/?(?:data|time)\b", page.text), address
        assert not re.findall(r"<(?:title|option)[^>]*>[^<]*<(?:data|time)\b", page.text), address
    store.close()
    assert marks > 50
