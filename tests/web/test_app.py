"""The web frame: pages answer, GeoJSON is filtered rightly, problems are said in one way."""

import json
import re

import geopandas as gpd
import pytest
import shapely

import layers.errors
import service.errors
from layers.drawing.map_assets import STYLES
from service import create_app
from service.answers import features
from service.records import LOCAL_KEEPER, PUBLIC, Selection, StoreSettings
from service.settings import Settings
from service.store import create_store
from service.web.problems import PROBLEMS, problem_of
from tests.small_store import NASTY, make_small_store


@pytest.fixture(scope="module")
def app(store):
    return create_app(store, Settings())


@pytest.fixture
def client(app):
    return app.test_client()


def ids_of(answer):
    assert answer.status_code == 200, answer.text
    assert answer.mimetype == "application/geo+json"
    return [feature["id"] for feature in json.loads(answer.data)["features"]]


def test_map_page_names_no_other_host(client):
    """Every script, style and picture of the page comes from the service itself."""
    page = client.get("/")
    assert page.status_code == 200
    addresses = re.findall(r"(?:src|href)=\"([^\"]+)\"", page.text)
    assert addresses
    assert all(address.startswith(("/", "#")) for address in addresses)
    for address in addresses:
        if address.startswith("/v/"):
            with client.get(address) as answer:  # a file that is sent stays open till then
                assert answer.status_code == 200, address
    for name in ("leaflet.js", "view.js", *STYLES):
        assert f"/assets/{name}" in page.text


def test_scripts_run_by_nonce_only(client):
    """Content-Security-Policy lets run our files and what bears this answer's nonce, no more."""
    first, second = client.get("/"), client.get("/")
    policy = first.headers["Content-Security-Policy"]
    assert "unsafe-inline" not in policy
    assert "unsafe-eval" not in policy
    assert "frame-ancestors 'none'" in policy
    nonce = re.search(r"script-src 'self' 'nonce-([^']+)'", policy)[1]
    assert f'<script type="module" nonce="{nonce}">' in first.text
    assert nonce not in second.text
    for tag in re.findall(r"<script[^>]*>", first.text):
        assert "src=" in tag or nonce in tag or "application/json" in tag


@pytest.mark.parametrize("path", ["/", "/healthz", "/placements.geojson", "/no-such", "/assets/x"])
def test_every_answer_carries_the_guarding_headers(client, path):
    """Also answers that say that something went wrong."""
    headers = client.get(path).headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]


def test_healthz(client, tmp_path):
    """`/healthz` says ok while the store answers, and not when its file is gone."""
    assert client.get("/healthz").json == {"status": "ok"}
    path = tmp_path / "gone.gpkg"
    held = create_store(path, StoreSettings("EPSG:32629", "Europe/Dublin"))
    held.close()
    for file in tmp_path.iterdir():
        file.unlink()
    assert create_app(held, Settings()).test_client().get("/healthz").status_code == 500


def test_placements_have_what_was_stored(client):
    """Position, catch, lower bounds, reach and flags of a feature are the stored ones."""
    collection = json.loads(client.get("/placements.geojson").data)
    by_id = {feature["id"]: feature for feature in collection["features"]}
    assert sorted(by_id) == ["T1", "T2", "T3", "T4", "T5", "T6", "T7", "T8"]
    third = by_id["T3"]["properties"]
    assert third["catch"] == [
        {"species": "Cottus gobio", "vernacular_name": "Bullhead", "individuals": 20.0,
         "lower_bound": True},
        {"species": "Salmo trutta", "vernacular_name": "Brown trout", "individuals": 1.0,
         "lower_bound": True},
    ]  # fmt: skip
    assert third["individuals"] == 21
    assert third["individuals_lower_bound"] is True
    assert third["species"] == "Cottus gobio;Salmo trutta"
    assert third["reach_id"] == "R1"
    assert third["measure_m"] == pytest.approx(449.0)  # ten metres off, one up the bank
    assert third["flags"] == ["The water was warm."]
    assert third["set_at"] == "2023-06-10T10:00:00Z"
    assert third["set_local"] == "2023-06-10 11:00"
    assert by_id["T4"]["properties"]["outcome"] == "lost"
    assert by_id["T2"]["properties"]["catch"] == []


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("method=kick_net", ["T1", "T2"]),
        ("method=kick_net&method=seine", ["T1", "T2", "T7"]),
        ("since=2024", ["T6", "T7", "T8"]),
        ("until=2022", ["T1", "T2"]),
        ("since=2023-06&until=2023-06-10", ["T3"]),
        ("survey=S1&until=2022-05-03", ["T1", "T2"]),
        ("catchment=C1", ["T1", "T2", "T3", "T4", "T5", "T6", "T7", "T8"]),
        ("catchment=C2", []),
        ("species=&method=", ["T1", "T2", "T3", "T4", "T5", "T6", "T7", "T8"]),
        # Set at 23:30 local time in summer is 22:30 UTC: the local date counts.
        ("since=2024-07-01&until=2024-07-01", ["T6"]),
    ],
)
def test_filters(client, query, expected):
    """Each filter leaves in exactly what it says; dates are local dates of setting."""
    assert sorted(ids_of(client.get(f"/placements.geojson?{query}"))) == expected


def test_species_filter_keeps_looking(client):
    """Asking for a species keeps placements that did not catch it: they looked."""
    collection = json.loads(client.get("/placements.geojson?species=Salmo+trutta").data)
    caught = {feature["id"]: feature["properties"]["catch"] for feature in collection["features"]}
    assert len(caught) == 8
    assert [key for key, rows in caught.items() if rows] == ["T3"]
    assert ids_of(client.get("/detections.geojson?species=Salmo+trutta")) == ["T3:Salmo trutta"]


def test_bbox_agrees_with_shapely(client, store):
    """A box in degrees gives exactly the placements that Shapely finds in it."""
    whole = features.placements(store, Selection(), LOCAL_KEEPER).to_crs(4326)
    lon, lat = whole.geometry.x, whole.geometry.y
    for south in (lat.min(), lat.median()):
        box = (lon.min() - 1e-4, south + 1e-7, lon.max() + 1e-4, lat.max() + 1e-4)
        inside = whole.index[shapely.intersects(shapely.box(*box), whole.geometry.to_numpy())]
        query = ",".join(f"{edge:.9f}" for edge in box)
        assert sorted(ids_of(client.get(f"/placements.geojson?bbox={query}"))) == sorted(inside)
    # Everything, in a box over 180 degrees that holds the half of the earth where it lies.
    assert len(ids_of(client.get("/placements.geojson?bbox=170,-90,10,90"))) == 8
    assert ids_of(client.get("/placements.geojson?bbox=170,-90,-170,90")) == []


@pytest.mark.parametrize(
    "query",
    [
        "bbox=1,2,3",
        "bbox=a,b,c,d",
        "bbox=nan,0,1,1",
        "bbox=0,5,1,4",
        "bbox=0,0,200,1",
        "bbox=0,0,1,1&bbox=0,0,1,1",
        "since=31.05.2024",
        "since=2024-02-30",
        "since=2024&until=2023",
        "species=Cotus+gobio",
        "method=trawl",
        "catchment=C9",
        "survey=none",
        "colour=red",
    ],
)
def test_bad_parameters_are_problems(client, query):
    """RFC 9457, section 3: type, title, status, detail, instance; status 400; what is right."""
    answer = client.get(f"/placements.geojson?{query}")
    assert answer.status_code == 400
    assert answer.mimetype == "application/problem+json"
    document = json.loads(answer.data)
    assert document["status"] == 400
    assert document["type"].endswith("/problems/request")
    assert document["title"]
    assert document["detail"]
    assert document["instance"] == "/placements.geojson"
    assert client.get("/problems/request").status_code == 200


def test_unknown_name_gets_a_suggestion(client):
    """A mistyped species is answered with the nearest known one."""
    assert "Cottus gobio" in client.get("/placements.geojson?species=Cotus+gobio").json["detail"]


def test_browser_gets_a_page_program_gets_a_document(client):
    """The same problem, as HTML for who asks for HTML."""
    asked = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
    page = client.get("/?since=never", headers=asked)
    assert page.status_code == 400
    assert page.mimetype == "text/html"
    assert "never" in page.text
    missing = client.get("/no-such-place")
    assert missing.status_code == 404
    assert missing.mimetype == "application/problem+json"
    assert client.post("/healthz").status_code == 405
    assert "GET" in client.post("/healthz").headers["Allow"]


def test_unforeseen_errors_show_no_internals(client, monkeypatch, caplog):
    """What was not foreseen is logged whole and shown without its words."""

    def fail(*_args, **_options):
        raise KeyError("the secret inside")

    monkeypatch.setattr(features, "placements", fail)
    answer = client.get("/placements.geojson")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "the secret inside" in caplog.text


def test_filters_travel_with_the_address(client):
    """The page's layers ask for what the page's address asks for, and the form shows it."""
    page = client.get("/?species=Salmo+trutta&since=2023").text
    config = json.loads(re.search(r'id="map_records_view">(.*?)</script>', page, re.DOTALL)[1])
    assert config["live"]["placements"] == "/map/placements.json?species=Salmo+trutta&since=2023"
    assert config["chosen_species"] == "Salmo trutta"
    assert '<option value="Salmo trutta" selected>' in page
    assert 'value="2023-01-01"' in page


def test_public_viewer_does_not_learn_of_sensitive_placements(store):
    """A placement that caught a sensitive species is in no answer, whatever is asked for."""
    client = create_app(store, Settings(), viewer=PUBLIC).test_client()
    for query in ("", "?species=Salmo+trutta", "?species=Lampetra+fluviatilis", "?method=hand_net"):
        assert "T8" not in ids_of(client.get(f"/placements.geojson{query}"))
        assert not [key for key in ids_of(client.get(f"/detections.geojson{query}")) if "T8" in key]
    member = create_app(store, Settings()).test_client()
    assert "T8" in ids_of(member.get("/placements.geojson?species=Salmo+trutta"))


def test_stored_text_is_never_markup(tmp_path):
    """Script in stored text leaves the map page and the documents as text only."""
    held = make_small_store(tmp_path / "nasty.gpkg", NASTY)
    client = create_app(held, Settings()).test_client()
    assert NASTY not in client.get("/").text
    page = client.get(f"/?species={NASTY}", headers={"Accept": "text/html"})
    assert page.status_code == 400
    assert NASTY not in page.text
    assert client.get("/placements.geojson").mimetype == "application/geo+json"
    held.close()


def test_empty_store_says_what_to_do_next(tmp_path):
    """Without network and records the map still answers, and names the next steps."""
    held = create_store(tmp_path / "new.gpkg", StoreSettings("EPSG:32629", "Europe/Dublin"))
    client = create_app(held, Settings()).test_client()
    page = client.get("/")
    assert page.status_code == 200
    assert 'href="/load"' in page.text
    assert "rifflebook load" in " ".join(page.text.split())
    assert "rifflebook import" in " ".join(page.text.split())
    for name in ("placements", "detections", "reaches", "catchments", "stretches"):
        assert ids_of(client.get(f"/{name}.geojson")) == []
    held.close()


def test_reaches_and_catchments(client):
    """Reference layers come whole, by box, by order, and by catchment."""
    assert len(ids_of(client.get("/reaches.geojson"))) == 12
    assert sorted(ids_of(client.get("/reaches.geojson?min_order=3"))) == ["R1", "R2", "R3"]
    assert ids_of(client.get("/reaches.geojson?bbox=0,0,1,1")) == []
    assert sorted(ids_of(client.get("/catchments.geojson"))) == ["C1", "C2"]
    assert client.get("/reaches.geojson?min_order=0").status_code == 400


def test_stretches_lie_on_their_reaches(client, store, drawn_reaches):
    """Lines of sampled stretches have the lengths that their measures say."""
    answer = client.get("/stretches.geojson").data
    lines = gpd.read_file(answer.decode()).to_crs(drawn_reaches.crs)
    # UTM-like scale is in both; rounding to 7 decimals moves ends by up to a centimetre.
    assert sorted(lines.length.round(1)) == [100.0, 120.0, 120.0]


def test_same_answer_is_not_sent_twice(client):
    """An ETag made from the answer spares sending it again."""
    first = client.get("/reaches.geojson")
    again = client.get("/reaches.geojson", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304
    assert not again.data


def test_tiles_only_when_configured(store):
    """Background tiles stay off until an address and its attribution are given."""
    plain = create_app(store, Settings()).test_client().get("/")
    assert "https://tiles.invalid" not in plain.headers["Content-Security-Policy"]
    settings = Settings(tile_url="https://tiles.invalid/{z}/{x}/{y}.png", tile_attribution="T")
    tiled = create_app(store, settings).test_client().get("/")
    assert "img-src 'self' data: https://tiles.invalid" in tiled.headers["Content-Security-Policy"]
    assert "tiles.invalid" in tiled.text


def test_every_kind_of_problem_belongs_to_an_error():
    """A name in the table that no error bears would send that error to the unforeseen ones."""
    known = {name for module in (layers.errors, service.errors) for name in vars(module)}
    assert set(PROBLEMS) - {"Exception"} <= known
    assert problem_of(service.errors.StoreBusyError("busy")).status == 503
    assert problem_of(service.errors.StoreOutdatedError("old")) == PROBLEMS["StoreError"]
    assert problem_of(ValueError("odd")).slug == "unforeseen"
