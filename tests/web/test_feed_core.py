"""OGC API - Features, Part 1: Core, OGC 17-069r4 (1.0.1); tests are named by requirement."""

import gzip
import json
import re

import pandas as pd
import pytest
from openapi_spec_validator import OpenAPIV30SpecValidator

from service import create_app
from service.answers import summaries
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from service.web.feed.collections import COLLECTIONS
from tests.feed_server import read_pages
from tests.small_store import NASTY, make_small_store

ITEMS = "/feed/collections/placements/items"
GEOJSON = "application/geo+json"
NAMES = list(COLLECTIONS)
CORE = "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/"


@pytest.fixture(scope="module")
def client(store):
    return create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()


def ids(answer):
    assert answer.status_code == 200, answer.text
    return [feature["id"] for feature in answer.json["features"]]


def rels(document):
    return {link["rel"] for link in document["links"]}


def test_the_list_of_collections_computes_no_coverage(store, monkeypatch):
    """What lies along the network has its box; gaps of a million placements take seconds."""
    monkeypatch.setattr(summaries, "gaps", None)
    monkeypatch.setattr(summaries, "streams", None)
    monkeypatch.setattr(summaries, "coverage", None)
    fresh = create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()
    boxes = {
        each["id"]: each["extent"]["spatial"]["bbox"]
        for each in fresh.get("/feed/collections?f=json").json["collections"]
    }
    assert boxes["gaps"] == boxes["streams"] == boxes["reaches"]


def test_root_success(client):
    """/req/core/root-success: links to the API definition, the conformance, the data."""
    document = client.get("/feed/").json
    assert {"service-desc", "service-doc", "conformance", "data", "self"} <= rels(document)
    for link in document["links"]:
        assert client.get(link["href"]).status_code == 200
        assert client.get(link["href"]).content_type.startswith(link["type"])


def test_conformance_success(client):
    """/req/core/conformance-success: the classes that the feed conforms to."""
    classes = client.get("/feed/conformance").json["conformsTo"]
    assert {f"{CORE}{name}" for name in ("core", "geojson", "html", "oas30")} <= set(classes)
    assert "http://www.opengis.net/spec/ogcapi-features-2/1.0/conf/crs" in classes


def test_api_definition_success(client):
    """/req/oas30/oas-definition-1: OpenAPI 3.0 with every address, reference and parameter."""
    answer = client.get("/feed/api")
    assert answer.content_type == "application/vnd.oai.openapi+json;version=3.0"
    document = answer.json
    assert document["openapi"].startswith("3.0.")
    for name in NAMES:
        assert f"/collections/{name}/items" in document["paths"]
        assert f"/collections/{name}/items/{{featureId}}" in document["paths"]
    for reference in re.findall(r'"#/([^"]+)"', answer.text):
        place = document
        for part in reference.split("/"):
            place = place[part]
    asked = document["paths"]["/collections/placements/items"]["get"]["parameters"]
    named = {given["$ref"].rsplit("/")[-1] if "$ref" in given else given["name"] for given in asked}
    assert {
        "limit",
        "bbox",
        "datetime",
        "crs",
        "bbox-crs",
        *COLLECTIONS["placements"].filters,
    } <= named


def test_api_definition_is_valid(client):
    """The published JSON Schema of OpenAPI 3.0, by openapi-spec-validator."""
    OpenAPIV30SpecValidator(client.get("/feed/api").json).validate()


def test_what_can_be_asked_is_told_to_people(client):
    """/req/html/content: the page of the API holds every path, its summary and parameters."""
    document, page = client.get("/feed/api").json, client.get("/feed/api?f=html").text
    for path, operations in document["paths"].items():
        assert f"<h2><code>{path}</code></h2>" in page
        assert f"<p>{operations['get']['summary']}.</p>" in page
    for name in ("bbox", "bbox-crs", "datetime", "limit", "f", *COLLECTIONS["placements"].filters):
        assert f"<td><code>{name}</code></td>" in page
    assert "whole day in UTC" in page


def test_fc_md_success(client):
    """/req/core/fc-md-success, fc-md-items-links: every collection, every link with its type."""
    document = client.get("/feed/collections").json
    assert [held["id"] for held in document["collections"]] == NAMES
    for held in document["collections"]:
        assert [link["type"] for link in held["links"] if link["rel"] == "items"] == [
            GEOJSON,
            "text/html",
        ]
        for link in held["links"]:
            assert link["rel"]
            assert client.get(link["href"]).content_type.startswith(link["type"])
        assert client.get(f"/feed/collections/{held['id']}").json == held


@pytest.mark.parametrize("name", NAMES)
def test_fc_md_extent(client, name):
    """/req/core/fc-md-extent: the extent covers every feature in space and time."""
    extent = client.get(f"/feed/collections/{name}").json["extent"]
    west, south, east, north = extent["spatial"]["bbox"][0]
    for feature in read_pages(client, f"/feed/collections/{name}/items")[0]:
        numbers = re.findall(
            r"-?\d+\.?\d*(?:e-?\d+)?", json.dumps(feature["geometry"]["coordinates"])
        )
        assert all(west <= float(x) <= east for x in numbers[::2])
        assert all(south <= float(y) <= north for y in numbers[1::2])
        if name == "placements":
            first, last = extent["temporal"]["interval"][0]
            assert first[:19] <= feature["properties"]["set_at"][:19]
            assert feature["properties"]["lifted_at"][:19] <= last[:19]


@pytest.mark.parametrize("name", NAMES)
def test_columns_are_described(client, name):
    """The properties that the API describes are those of the features, and all have words."""
    features = read_pages(client, f"/feed/collections/{name}/items")[0]
    public = {"generalised_km", "year", "coordinate_uncertainty_m", "data_generalizations"}
    described = set(COLLECTIONS[name].columns)
    assert set(features[0]["properties"]) <= described
    assert described - set(features[0]["properties"]) <= public
    schemas = client.get("/feed/api").json["components"]["schemas"]
    words = schemas[f"{name.capitalize()}Properties"]["properties"]
    assert all(words[column]["description"] for column in described)


def test_fc_limit_response(client):
    """/req/core/fc-limit-response-1: at most limit features; above the maximum is no error."""
    assert len(ids(client.get(f"{ITEMS}?limit=3"))) == 3
    assert len(ids(client.get(f"{ITEMS}?limit=10001"))) == 8
    assert len(ids(client.get(f"{ITEMS}?limit={10**25}"))) == 8


@pytest.mark.parametrize(
    "query",
    ["limit=0", "limit=-1", "limit=a", "limit=", "limit=1.5", "limit=2&limit=3", "bbox=1,2,3",
     "bbox=1,2,3,4,5", "bbox=a,b,c,d", "bbox=nan,0,1,1", "bbox=inf,0,1,1", "bbox=0,5,1,4",
     "bbox=0,0,200,1", "bbox=0,-91,1,1", "datetime=2024", "datetime=2024-13-01T00:00:00Z",
     "datetime=2024-01-01T00:00:00", "datetime=2024-02-30", "datetime=2024-1-1",
     "datetime=20240101", "datetime=2024-W01-1", "datetime=2024-01-02/2024-01-01",
     "datetime=2024-01-01Z", "datetime=../..", "datetime=/", "datetime=",
     "datetime=2024-01-01T00:00:00Z/2023-01-01T00:00:00Z", "datetime=2024-01-01T25:00:00Z",
     "datetime=0001-01-01T00:00:00+14:00",
     "datetime=a/b/c", "f=xml", "species=Cotus+gobio", "method=trawl", "catchment=C9",
     "after=x", "after=e30", "after=W10", "before=WyJhIl0", "after=WzFd&before=WzJd",
     "after=WzFlMzBd", "after=Wzk5OTk5OTk5OTk5OTk5OTk5OTldCg",
     "bbox-crs=http://www.opengis.net/def/crs/OGC/1.3/CRS84"],
)  # fmt: skip
def test_query_param_invalid(client, query):
    """/req/core/query-param-invalid: 400, as problem details (RFC 9457)."""
    answer = client.get(f"{ITEMS}?{query}")
    assert answer.status_code == 400
    assert answer.mimetype == "application/problem+json"
    assert answer.json["status"] == 400
    assert answer.json["detail"]


@pytest.mark.parametrize(
    "path", ["", "conformance", "api", "collections", "collections/gaps", "collections/gaps/items",
             "collections/reaches/items/R1", "collections/gaps/whole.geojson"]
)  # fmt: skip
def test_query_param_unknown(client, path):
    """/req/core/query-param-unknown: 400 for a parameter that the API does not define."""
    assert client.get(f"/feed/{path}").status_code == 200
    answer = client.get(f"/feed/{path}?colour=red")
    assert answer.status_code == 400
    assert "colour" in answer.json["detail"]


def test_fc_bbox_response(client):
    """/req/core/fc-bbox-response: 4 or 6 numbers, also over 180 degrees."""
    west, south, east, north = client.get("/feed/collections/placements").json["extent"]["spatial"][
        "bbox"
    ][0]
    middle = (south + north) / 2
    half = ids(client.get(f"{ITEMS}?bbox={west},{south},{east},{middle}"))
    assert 0 < len(half) < 8
    assert ids(client.get(f"{ITEMS}?bbox={west},{south},-90,{east},{middle},900")) == half
    assert len(ids(client.get(f"{ITEMS}?bbox=170,-90,10,90"))) == 8
    assert ids(client.get(f"{ITEMS}?bbox=170,-90,-170,90")) == []
    assert len(ids(client.get(f"{ITEMS}?bbox=-180,-90,180,90"))) == 8


@pytest.mark.parametrize(
    ("period", "expected"),
    [
        # T1 stood from 09:00 to 10:00 UTC; an instant meets the hour, both ends included.
        ("2022-05-03T09:00:00Z", ["T1"]),
        ("2022-05-03T10:00:00Z", ["T1"]),
        ("2022-05-03T11:30:00+01:00", []),
        ("2022-05-03T12:00:00%2b02:00", ["T1"]),
        ("2022-05-03T10:00:00.001Z", []),
        ("2022-05-03t09:30:00z", ["T1"]),
        ("../2022-12-31T00:00:00Z", ["T1", "T2"]),
        ("/2022-12-31T00:00:00Z", ["T1", "T2"]),
        ("2024-07-02T00:00:00Z/..", ["T7", "T8"]),
        ("2024-07-02T00:00:00Z/", ["T7", "T8"]),
        ("2023-06-10T00:00:00Z/2023-06-11T17:00:00Z", ["T3", "T4", "T5"]),
        # A trap set on the 11th and lifted on the 12th met the night between.
        ("2023-06-12T01:00:00Z/2023-06-12T02:00:00Z", ["T4", "T5"]),
        # A date alone is that whole day in UTC, its last moment included.
        ("2022-05-03", ["T1", "T2"]),
        ("2022-05-02", []),
        ("../2022-12-31", ["T1", "T2"]),
        ("2024-07-02/..", ["T7", "T8"]),
        ("2023-06-10/2023-06-11", ["T3", "T4", "T5"]),
        ("2023-06-12T01:00:00Z/2023-06-12", ["T4", "T5"]),
    ],
)  # fmt: skip
def test_fc_time_response(client, period, expected):
    """/req/core/fc-time-response: the time from setting to lifting meets the period."""
    if "+01:00" in period:  # a bare plus is a blank in a query: not a date-time
        assert client.get(f"{ITEMS}?datetime={period}").status_code == 400
        return
    assert ids(client.get(f"{ITEMS}?datetime={period}")) == expected


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
def test_coverage_is_that_of_the_summaries(store, viewer):
    """Reaches and streams carry what this viewer's summaries of coverage say."""
    client = create_app(store, Settings(), viewer=viewer).test_client()
    coverage = summaries.coverage(store, Selection(), viewer).set_index("reach_id")
    streams = summaries.streams(store, Selection(), viewer).set_index("stream_id")
    for name, expected, numbers, words in (
        ("reaches", coverage, ["visited_fraction", "sampled_fraction"], ["state", "methods"]),
        ("streams", streams, ["visited_length_m", "species_found", "placements"], ["stream"]),
    ):
        items = client.get(f"/feed/collections/{name}/items?limit=100").json["features"]
        found = pd.DataFrame({feature["id"]: feature["properties"] for feature in items}).T
        assert len(found) == len(expected) > 0
        assert found[words].equals(expected.loc[found.index, words].astype(object))
        assert found[numbers].to_numpy(float) == pytest.approx(
            expected.loc[found.index, numbers].to_numpy(float), abs=0.001
        )
    chosen = client.get("/feed/collections/reaches/items?state=no_visit").json
    assert {feature["id"] for feature in chosen["features"]} == set(
        coverage.index[coverage["state"] == "no_visit"]
    )


@pytest.mark.parametrize("name", ["reaches", "streams", "catchments", "gaps"])
def test_features_without_time_meet_every_period(client, name):
    """/req/core/fc-time-response: what has no time is in every answer."""
    path = f"/feed/collections/{name}/items"
    assert ids(client.get(f"{path}?datetime=1990-01-01T00:00:00Z")) == ids(client.get(path))


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("placements/items?method=kick_net", ["T1", "T2"]),
        ("placements/items?species=Cottus+gobio", ["T1", "T3"]),
        ("placements/items?outcome=nil", ["T2", "T7"]),
        ("placements/items?survey=S1&method=seine", ["T7"]),
        ("placements/items?catchment=C2", []),
        ("placements/items?catchment=C1&outcome=lost", ["T4"]),
        ("placements/items?reach_id=R2", []),
        ("detections/items?species=Salmo+trutta", ["T3:Salmo trutta"]),
        ("detections/items?method=kick_net", ["T1:Cottus gobio"]),
        ("stretches/items?method=electric_fishing", ["T3:R1:400.00"]),
        ("reaches/items?strahler=3", ["R1", "R2", "R3"]),
        ("catchments/items?parent_id=C1", ["C2"]),
        ("catchments/items?name=Whole+brook", ["C1"]),
    ],
)
def test_fc_filters(client, path, expected):
    """Clause 7.15.5: features whose property has the value given."""
    answer = client.get(f"/feed/collections/{path}")
    assert ids(answer) == expected
    assert answer.json["numberMatched"] == len(expected)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
def test_fc_next_and_prev(store, name, viewer):
    """/rec/core/fc-next-1 and /per/core/fc-prev: forward and back give the same features."""
    client = create_app(store, Settings(), viewer=viewer).test_client()
    path = f"/feed/collections/{name}/items"
    whole = ids(client.get(path))
    paged, last = read_pages(client, path, limit=2)
    assert [feature["id"] for feature in paged] == whole
    assert len(set(whole)) == len(whole) == last["numberMatched"]
    back, document = [], last
    while True:
        assert document["numberReturned"] == len(document["features"])
        back = [feature["id"] for feature in document["features"]] + back
        before = [link["href"] for link in document["links"] if link["rel"] == "prev"]
        if not before:
            break
        document = client.get(before[0]).json
    assert back == whole
    streamed = client.get(f"/feed/collections/{name}/whole.geojson")
    assert ids(streamed) == whole


@pytest.mark.parametrize("name", NAMES)
def test_f_success_and_links(client, name):
    """/req/core/f-success, f-links, /req/geojson/content: the same feature, by its id."""
    page = client.get(f"/feed/collections/{name}/items").json
    assert {"self", "alternate", "collection"} <= rels(page)
    assert all(link["rel"] and link["type"] for link in page["links"])
    for listed in page["features"]:
        answer = client.get(f"/feed/collections/{name}/items/{listed['id']}")
        assert answer.content_type == GEOJSON
        feature = answer.json
        assert {"self", "alternate", "collection"} <= {link["rel"] for link in feature.pop("links")}
        assert feature == listed


def test_timestamp_is_rfc_3339(client):
    """/req/core/fc-timeStamp: when the answer was made."""
    stamp = client.get(ITEMS).json["timeStamp"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp)


@pytest.mark.parametrize(
    "path",
    ["collections/fish", "collections/fish/items", "collections/placements/items/T99",
     "collections/detections/items/T1", "collections/detections/items/T2:Cottus gobio",
     "collections/stretches/items/T3:R1", "collections/reaches/items/%00", "nothing"],
)  # fmt: skip
def test_unknown_addresses_are_missing(client, path):
    """Table 1 of clause 7.4: 404 where a path names nothing, as problem details."""
    answer = client.get(f"/feed/{path}")
    assert answer.status_code == 404
    assert answer.mimetype == "application/problem+json"


@pytest.mark.parametrize(
    ("accept", "status", "kind"),
    [
        ("application/geo+json", 200, GEOJSON),
        ("application/json", 200, GEOJSON),
        ("text/html,application/xhtml+xml,*/*;q=0.8", 200, "text/html"),
        ("*/*", 200, GEOJSON),
        ("text/html;q=0.2, application/geo+json;q=0.9", 200, GEOJSON),
        ("image/png", 406, "application/problem+json"),
    ],
)
def test_content_negotiation(client, accept, status, kind):
    """Clauses 7.4 and 8: Accept chooses the encoding, `f` comes before it, 406 when none fits."""
    answer = client.get(ITEMS, headers={"Accept": accept})
    assert answer.status_code == status
    assert answer.mimetype == kind
    assert client.get(f"{ITEMS}?f=json", headers={"Accept": accept}).mimetype == GEOJSON
    assert client.get(f"{ITEMS}?f=html", headers={"Accept": accept}).mimetype == "text/html"


def test_methods_are_named(client):
    """HTTP: 405 with the methods that are allowed; HEAD as GET without the body."""
    assert client.post(ITEMS).status_code == 405
    assert "GET" in client.post(ITEMS).headers["Allow"]
    head = client.head(ITEMS)
    assert head.status_code == 200
    assert head.content_type == GEOJSON
    assert not head.data


def test_html_pages(tmp_path):
    """/req/html/content: every address as a page; stored text is never markup."""
    held = make_small_store(tmp_path / "nasty.gpkg", NASTY)
    client = create_app(held, Settings()).test_client()
    paths = ["", "conformance", "api", "collections"]
    for name in NAMES:
        first = client.get(f"/feed/collections/{name}/items?f=json").json["features"][0]["id"]
        paths += [f"collections/{name}{rest}" for rest in ("", "/items", f"/items/{first}")]
    for path in paths:
        answer = client.get(f"/feed/{path}?f=html")
        assert answer.status_code == 200
        assert answer.mimetype == "text/html"
        assert "<h1>" in answer.text
        assert NASTY not in answer.text
    assert "&lt;script&gt;" in client.get(f"{ITEMS}?f=html").text
    assert 'rel="next"' in client.get(f"{ITEMS}?f=html&limit=2").text
    held.close()


def test_same_answer_is_not_sent_twice(store):
    """RFC 9110, section 13: 304 for who holds it; another sight has another tag."""
    tags = set()
    for viewer in (LOCAL_KEEPER, PUBLIC):
        client = create_app(store, Settings(), viewer=viewer).test_client()
        for path in (ITEMS, "/feed/collections", f"{ITEMS}?limit=2"):
            first = client.get(path)
            again = client.get(path, headers={"If-None-Match": first.headers["ETag"]})
            assert again.status_code == 304
            assert not again.data
            tags.add(first.headers["ETag"])
    assert len(tags) == 6


def test_gzip(client):
    """RFC 9110, section 8.4.1.3: compressed for who takes it, with the same content."""
    for path in (ITEMS, "/feed/collections/placements/whole.geojson"):
        plain = client.get(path)
        zipped = client.get(path, headers={"Accept-Encoding": "gzip"})
        assert "Content-Encoding" not in plain.headers
        assert zipped.headers["Content-Encoding"] == "gzip"
        assert "Accept-Encoding" in zipped.headers.getlist("Vary")
        assert len(zipped.data) < len(plain.data)
        assert json.loads(gzip.decompress(zipped.data))["features"] == plain.json["features"]


def test_empty_store(tmp_path):
    """A store without network and records has seven empty collections without extent."""
    from service.records import StoreSettings
    from service.store import create_store

    held = create_store(tmp_path / "new.gpkg", StoreSettings("EPSG:32629", "Europe/Dublin"))
    client = create_app(held, Settings()).test_client()
    for name in NAMES:
        assert "extent" not in client.get(f"/feed/collections/{name}").json
        for path in ("items", "whole.geojson", "items?bbox=0,0,1,1"):
            assert ids(client.get(f"/feed/collections/{name}/{path}")) == []
        assert client.get(f"/feed/collections/{name}/items?f=html").status_code == 200
    held.close()
