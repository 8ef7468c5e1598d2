"""The hand-over page: what is told is what the file holds, and exact places only for some."""

import html
import io
import re
import zipfile

import pandas as pd
import pyogrio
import pytest

from service import create_app
from service.answers.hand_over import FORMS
from service.commands.demo_store import build_demo
from service.records import Selection, Viewer
from service.reference.closing import sentences_of_effect
from service.settings import Settings
from service.store import open_store
from tests.intake_sheets import make_store

PAGE = {"Accept": "text/html"}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    held = open_store(build_demo(tmp_path_factory.mktemp("island")))
    yield held
    held.close()


def client_of(store, role="keeper"):
    return create_app(store, Settings(), viewer=Viewer("somebody", role)).test_client()


def counts(text):
    rows = re.findall(r'<th scope="row">([^<]+)</th>\s*<td class="num">([^<]+)</td>', text)
    return {name: int(number.replace("\u202f", "")) for name, number in rows}


def test_public_file_holds_what_the_page_tells(store, tmp_path):
    """Counts of the page are those of the layers in the GeoPackage."""
    client = client_of(store)
    told = counts(client.get("/hand-over?form=gpkg", headers=PAGE).text)
    answer = client.get("/hand-over/file?form=gpkg")
    assert answer.mimetype == "application/geopackage+sqlite3"
    path = tmp_path / "records.gpkg"
    path.write_bytes(answer.data)
    answer.close()
    for name in ("Placements", "Detections", "Reaches", "Catchments"):
        held = pyogrio.read_info(path, layer=name.lower())["features"]
        assert told[name] == held, name
    whole = len(store.records(Selection()).placements)
    page = " ".join(client.get("/hand-over", headers=PAGE).text.split())
    assert f"{whole - told['Placements']} placements are left out altogether" in page


def test_filters_narrow_both(store):
    """The survey chosen is the only one in the file."""
    client = client_of(store)
    told = counts(client.get("/hand-over?form=csv&survey=LOW22", headers=PAGE).text)
    answer = client.get("/hand-over/file?form=csv&survey=LOW22")
    with zipfile.ZipFile(io.BytesIO(answer.data)) as held:
        frame = pd.read_csv(held.open("placements.csv"))
    assert len(frame) == told["Placements"] > 0
    assert set(frame["survey"].dropna()) == {"LOW22"}
    answer.close()


@pytest.mark.parametrize("form", ["geojson", "dwca"])
def test_every_form_is_sent(store, form):
    """Each form comes as a file of its own name and leaves nothing behind."""
    answer = client_of(store).get(f"/hand-over/file?form={form}")
    assert answer.status_code == 200
    ending = FORMS[form][0]
    assert f"-{form}-public{ending}" in answer.headers["Content-Disposition"]
    assert len(answer.data) > 1_000
    answer.close()


@pytest.mark.parametrize("role", ["public", "viewer", "member", "editor"])
def test_precise_is_the_keepers(store, role):
    """Others are not offered exact places, and get none by address."""
    client = client_of(store, role)
    page = client.get("/hand-over", headers=PAGE)
    assert page.status_code == 200
    assert 'value="precise"' not in page.text
    for path in ("/hand-over", "/hand-over/file"):
        assert client.get(f"{path}?audience=precise").status_code == 403
    if role in ("public", "viewer"):
        assert "left out altogether" not in page.text


@pytest.mark.parametrize("role", ["keeper", "editor", "member", "viewer", "public"])
def test_keepers_see_what_each_step_hides(store, role):
    """Those who set how sensitive a species is read what that hides; nobody else does."""
    page = html.unescape(client_of(store, role).get("/hand-over", headers=PAGE).text)
    lines = sentences_of_effect(store)
    assert "shown exactly" in lines[-1]
    assert all((line in page) == (role == "keeper") for line in lines)


def test_precise_says_what_it_is(store):
    """The keeper is warned before the file is made."""
    page = client_of(store).get("/hand-over?audience=precise", headers=PAGE).text
    assert "Nothing is withheld or generalised" in page
    assert counts(page)["Placements"] == len(store.records(Selection()).placements)


def test_what_cannot_be_meant_is_refused(store, tmp_path):
    """Unknown words are named; with nothing to hand over, the page says so."""
    client = client_of(store)
    for query in ("form=x", "audience=x", "crs=EPSG:0", "species=x", "colour=red"):
        assert client.get(f"/hand-over?{query}").status_code == 400, query
    empty = make_store(tmp_path / "empty.gpkg")
    other = client_of(empty)
    assert "Import or enter records first" in other.get("/hand-over", headers=PAGE).text
    assert other.get("/hand-over/file").status_code == 404
    empty.close()


def test_licence_is_escaped(store):
    """Text of the address shows as text."""
    page = client_of(store).get("/hand-over?licence=%3Cscript%3Ex%3C/script%3E", headers=PAGE)
    assert "<script>x" not in page.text
