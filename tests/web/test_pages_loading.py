"""Catchments, reaches and species from the browser: checked first, then stored whole or not."""

import io
import re
import sqlite3

import geopandas as gpd
import pyogrio
import pytest
from shapely import LineString, box

from service import create_app
from service.records import LOCAL_KEEPER, StoreSettings, Viewer
from service.store import create_store

CRS = "EPSG:25830"
SPECIES = "species,vernacular_name\nCottus gobio,Bullhead\nSalmo trutta,Brown trout\n"


@pytest.fixture
def store(tmp_path):
    store = create_store(tmp_path / "e.gpkg", StoreSettings(CRS, "UTC"))
    yield store
    store.close()


@pytest.fixture
def files(tmp_path):
    """A GeoPackage of two reaches and two catchments, and one more layer."""
    path = tmp_path / "water.gpkg"
    x, y = 500_000, 6_000_000
    reaches = gpd.GeoDataFrame(
        {"reach_id": ["R1", "R2"]},
        geometry=[
            LineString([(x, y), (x + 500, y)]), LineString([(x + 500, y), (x + 900, y)]),
        ],
        crs=CRS,
    )  # fmt: skip
    halves = gpd.GeoDataFrame(
        {"code": ["A", "B"]},
        geometry=[box(x, y - 300, x + 500, y + 300), box(x + 500, y - 300, x + 900, y + 300)],
        crs=CRS,
    )
    pyogrio.write_dataframe(reaches, path, layer="reaches")
    pyogrio.write_dataframe(halves, path, layer="halves")
    return path.read_bytes()


def client_of(store, viewer=LOCAL_KEEPER):
    app = create_app(store, viewer=viewer)
    app.config["WTF_CSRF_ENABLED"] = False
    return app.test_client()


def send(client, kind, content, name):
    return client.post(
        f"/load/{kind}", data={"file": (io.BytesIO(content), name)}, follow_redirects=True
    )


def waiting_of(answer):
    return answer.request.path


def test_a_check_stores_nothing_and_storing_stores_what_was_checked(store, files):
    """Each kind in turn: found, then stored; the page names what comes next."""
    client = client_of(store)
    assert "1. Catchments: next" in client.get("/load").text
    version = store.version
    checked = send(client, "catchments", files, "water.gpkg")
    assert "choose one" in checked.text  # neither layer is called catchments
    again = client.post(
        waiting_of(checked),
        data={"layer": "halves", "columns": "catchment_id=code"},
        follow_redirects=True,
    )
    assert "Catchments read, nothing stored: 2" in again.text
    assert store.version == version
    done = client.post(waiting_of(checked) + "/store", follow_redirects=True)
    assert "The catchments are stored" in done.text
    assert "2. Reaches: next" in done.text
    assert store.catchments().index.tolist() == ["A", "B"]
    checked = send(client, "reaches", files, "water.gpkg")
    assert "Reaches read, nothing stored: 2, 0.900 km" in checked.text
    assert store.reaches().empty
    client.post(waiting_of(checked) + "/store")
    assert len(store.reaches()) == 2
    checked = send(client, "species", SPECIES.encode(), "species.csv")
    done = client.post(waiting_of(checked) + "/store", follow_redirects=True)
    assert sorted(store.species().index) == ["Cottus gobio", "Salmo trutta"]
    assert "import field sheets" in done.text
    assert client.post(waiting_of(checked) + "/store").status_code == 404  # stored once


def test_what_cannot_be_used_is_said_and_not_stored(store, files):
    """Findings are those of the command, by row; without them there is no button to store."""
    client = client_of(store)
    answer = send(client, "species", b"species,sensitivity\nCottus gobio,7\n,none\n", "species.csv")
    assert "Row 2" in answer.text
    assert "Row 3" in answer.text
    assert "Store these" not in answer.text
    assert client.post(waiting_of(answer) + "/store").status_code == 422
    assert store.species().empty
    answer = send(client, "reaches", files, "water.gpkg")
    answer = client.post(waiting_of(answer), data={"layer": "halves"}, follow_redirects=True)
    assert "Store these" not in answer.text
    assert store.reaches().empty


def hostile(tmp_path):
    """Files that are not what they seem."""
    view = tmp_path / "view.gpkg"
    line = gpd.GeoDataFrame({"reach_id": ["R"]}, geometry=[LineString([(0, 0), (9, 9)])], crs=CRS)
    pyogrio.write_dataframe(line, view, layer="stored")
    with sqlite3.connect(view) as connection:
        connection.execute("CREATE VIEW reaches AS SELECT * FROM stored")
        connection.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) "
            "VALUES ('reaches', 'features', 'reaches')"
        )
    return [
        ("reaches", b"<OGRVRTDataSource></OGRVRTDataSource>", "reaches.geojson"),
        ("reaches", b"<OGRVRTDataSource></OGRVRTDataSource>", "reaches.gpkg"),
        ("reaches", b"<OGRVRTDataSource></OGRVRTDataSource>", "reaches.vrt"),
        ("species", b"\0" * 100, "species.xlsx"),
        ("catchments", b'{"type": "FeatureCollection", "features": []}', "c.geojson"),
        ("reaches", view.read_bytes(), "view.gpkg"),
    ]


def test_hostile_files_are_refused(store, tmp_path):
    """What is not what its ending says, or is computed by a view, is never loaded."""
    client = client_of(store)
    for kind, content, name in hostile(tmp_path):
        answer = send(client, kind, content, name)
        assert answer.status_code < 500, name
        assert "Store these" not in answer.text, name
    assert store.reaches().empty
    assert store.catchments().empty


@pytest.mark.parametrize("role", ["public", "viewer", "member", "editor"])
def test_only_a_keeper_loads(store, files, role):
    """Everybody else is refused, on every address of the page."""
    client = client_of(store, Viewer("x", role))
    assert client.get("/load").status_code == 403
    assert send(client, "reaches", files, "water.gpkg").status_code == 403
    assert "/load" not in client.get("/").text


def test_forms_of_others_are_refused(store, files):
    """Without the mark of our own page nothing is taken."""
    client = create_app(store, viewer=LOCAL_KEEPER).test_client()
    assert send(client, "reaches", files, "water.gpkg").status_code == 400


def test_columns_with_spaces_are_named_one_a_line(store):
    """Names of columns in other people's files have spaces."""
    client = client_of(store)
    answer = send(client, "species", b"Our fish,Local name\nCottus gobio,Bullhead\n", "s.csv")
    assert "Store these" not in answer.text
    columns = "species=Our fish\r\n\r\nvernacular_name=Local name\r\n"
    answer = client.post(waiting_of(answer), data={"columns": columns}, follow_redirects=True)
    client.post(waiting_of(answer) + "/store")
    assert store.species()["vernacular_name"].to_dict() == {"Cottus gobio": "Bullhead"}


def test_what_to_do_is_said_in_the_words_of_the_page(store):
    """No option of the command stands there; the line to be written does."""
    page = send(client_of(store), "species", b"a,b\nCottus gobio,Bullhead\n", "s.csv").text
    assert "There is no column species among a, b; say which one it is, as species=THEIRS." in page
    client = client_of(store)
    where = waiting_of(send(client, "species", b"a,b\nCottus gobio,Bullhead\n", "s.csv"))
    for lines in ("species", "species=c", "species=a\nspecies=b"):
        page += client.post(where, data={"columns": lines}, follow_redirects=True).text
    assert "write OURS=THEIRS" in page
    assert page.count('role="alert"') == 4
    page = re.sub(r'\b(?:action|content|href|nonce|value)="[^"]*"', "", page)  # random words
    assert "--" not in page.replace("<!--", "").replace("-->", "")


def test_the_number_of_findings_that_are_not_shown_is_said(store):
    """The page lists 200 of 203."""
    rows = "".join(f"Cottus g{k},7\n" for k in range(203))
    answer = send(client_of(store), "species", f"species,sensitivity\n{rows}".encode(), "s.csv")
    assert answer.text.count("<li>Row ") == 200
    assert "And 3 more" in answer.text
