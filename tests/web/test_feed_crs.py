"""OGC API - Features, Part 2: Coordinate Reference Systems by Reference, OGC 18-058r1."""

import numpy as np
import pyproj
import pytest

from service import create_app
from service.answers import features
from service.records import LOCAL_KEEPER, Selection
from service.settings import Settings
from service.web.feed.reference_systems import CRS84

ITEMS = "/feed/collections/placements/items"
EPSG = "http://www.opengis.net/def/crs/EPSG/0/"
# First axis by the EPSG register: latitude for 4326, northing for 3035 (checks against pyproj's
# own reading of the register below), easting for 27700 and 25830.
SWAPPED = {4326: True, 3035: True, 27700: False, 25830: False}


@pytest.fixture(scope="module")
def client(store):
    settings = Settings(feed_crs="EPSG:27700, EPSG:3035, EPSG:2193")
    return create_app(store, settings, viewer=LOCAL_KEEPER).test_client()


def positions(answer):
    assert answer.status_code == 200, answer.text
    return np.array([feature["geometry"]["coordinates"] for feature in answer.json["features"]])


def test_crs_uri_and_storage_crs(client):
    """/req/crs/crs-uri, /req/crs/fc-md-storageCrs: CRS84 first, the store's own among them."""
    document = client.get("/feed/collections").json
    listed = [CRS84, *(f"{EPSG}{code}" for code in (4326, 25830, 27700, 3035, 2193))]
    assert document["crs"] == listed
    for held in document["collections"]:
        assert held["crs"] == listed
        assert held["storageCrs"] == f"{EPSG}25830"
        assert held["storageCrs"] in held["crs"]


def test_default_is_crs84(client):
    """/req/crs/fc-crs-default-value: without `crs` longitude comes first, as the header says."""
    answer = client.get(ITEMS)
    assert answer.headers["Content-Crs"] == f"<{CRS84}>"
    assert (positions(answer)[:, 0] < 0).all()
    assert (positions(answer)[:, 1] > 50).all()


@pytest.mark.parametrize("code", list(SWAPPED))
def test_fc_crs_action(client, store, code):
    """/req/crs/fc-crs-action, ogc-crs-header: coordinates in the CRS and in its axis order."""
    answer = client.get(ITEMS, query_string={"crs": f"{EPSG}{code}"})
    assert answer.headers["Content-Crs"] == f"<{EPSG}{code}>"
    crs = pyproj.CRS.from_epsg(code)
    assert (crs.axis_info[0].direction == "north") is SWAPPED[code]
    kept = features.placements(store, Selection(), LOCAL_KEEPER)
    # The way of another route: pyproj in the order of the register.
    to_crs = pyproj.Transformer.from_crs(kept.crs, crs)
    expected = np.column_stack(to_crs.transform(kept.geometry.x, kept.geometry.y))
    apart = np.abs(positions(answer) - expected).max()
    assert apart < (1e-7 if code == 4326 else 1e-3)
    one = client.get(f"{ITEMS}/T1", query_string={"crs": f"{EPSG}{code}"})
    assert one.headers["Content-Crs"] == f"<{EPSG}{code}>"
    assert one.json["geometry"] == answer.json["features"][0]["geometry"]
    whole = client.get(
        "/feed/collections/placements/whole.geojson", query_string={"crs": f"{EPSG}{code}"}
    )
    assert np.array_equal(positions(whole), positions(answer))


@pytest.mark.parametrize("code", list(SWAPPED))
@pytest.mark.parametrize("name", ["placements", "reaches"])
def test_fc_bbox_crs_action(client, code, name):
    """/req/crs/fc-bbox-crs-action: a box in the axis order of its CRS picks what lies in it."""
    path = f"/feed/collections/{name}/items"
    named = f"{EPSG}{code}"
    shown = client.get(path, query_string={"crs": named}).json["features"]
    ends = {f["id"]: np.array(f["geometry"]["coordinates"]).reshape(-1, 2) for f in shown}
    every = np.concatenate(list(ends.values()))
    north = 0 if SWAPPED[code] else 1
    low, high = every.min(axis=0), every.max(axis=0)
    high[north] = every[:, north].mean()
    box = ",".join(str(number) for number in (*low, *high))
    found = client.get(path, query_string={"bbox": box, "bbox-crs": named}).json
    found_ids = [feature["id"] for feature in found["features"]]
    inside = [k for k, at in ends.items() if ((at >= low) & (at <= high)).all(axis=1).any()]
    assert 0 < len(inside) < len(shown)
    if name == "placements":
        assert found_ids == inside
    else:  # a reach may cross the box without a vertex in it
        assert set(inside) <= set(found_ids)
    assert found["numberMatched"] == len(found_ids)


@pytest.mark.parametrize("name", ["crs", "bbox-crs"])
def test_crs_valid_value(client, name):
    """/req/crs/fc-crs-valid-value and fc-bbox-crs-valid-value: 400 for what is not offered."""
    for value in (f"{EPSG}2154", "EPSG:27700", "", "http://example.org/none"):
        answer = client.get(ITEMS, query_string={name: value, "bbox": "0,0,1,1"})
        assert answer.status_code == 400
        assert f"{EPSG}27700" in answer.json["detail"]


def test_accuracy_is_stated(client):
    """The page of a collection says how places get into a CRS and how exact that is."""
    page = client.get("/feed/collections/placements?f=html").text
    assert "British National Grid" in page
    assert "accuracy" in page


@pytest.mark.parametrize("parameter", ["crs", "bbox-crs"])
def test_a_crs_of_another_part_of_the_world_is_refused_in_words(client, parameter):
    """EPSG:2193 is for New Zealand (EPSG register, area 3973); places there would be no places."""
    query = {parameter: f"{EPSG}2193"} | ({"bbox": "0,0,1,1"} if parameter == "bbox-crs" else {})
    answer = client.get(ITEMS, query_string=query)
    assert answer.status_code == 400
    assert "is meant for this area: New Zealand - North Island" in answer.json["detail"]
    assert CRS84 in answer.json["detail"]
    assert client.get(ITEMS, query_string={"crs": f"{EPSG}27700"}).status_code == 200
