"""Paging and filters against a plain reading of everything, under writes, and for the public."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import shapely

from service import create_app
from service.answers import features
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from service.web.feed import record_source
from service.web.feed.collections import COLLECTIONS
from tests.feed_server import read_pages
from tests.sensitive_store import Plan, add_plan, make_store, random_plan, twin

RECORDS = ["placements", "detections", "stretches"]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    held = make_store(tmp_path_factory.mktemp("feed") / "a.gpkg", random_plan(11, n=90))
    yield held
    held.close()


def client_of(store, viewer):
    return create_app(store, Settings(), viewer=viewer).test_client()


def meets(shown, start, end):
    """Plain reading of the times that are shown: from set to lifted, or the whole year."""
    begun, ended = shown["set_at"].copy(), shown["lifted_at"].copy()
    if "year" in shown:
        for row in np.flatnonzero(begun.isna() & shown["year"].notna()):
            year = int(shown["year"].iloc[row])
            begun.iloc[row] = pd.Timestamp(year, 1, 1, tz="UTC")
            ended.iloc[row] = pd.Timestamp(year + 1, 1, 1, tz="UTC") - pd.Timedelta("1ms")
    begun, ended = begun.fillna(ended), ended.fillna(begun)
    return begun.isna() | ((begun <= end) & (ended >= start))


def renamed(plan, start):
    """Give the placements of a plan other ids."""
    return Plan(
        plan.placements.set_axis(start + plan.placements.index, axis=0),
        plan.catches.assign(placement_id=start + plan.catches["placement_id"]),
    )


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
@pytest.mark.parametrize("name", RECORDS)
def test_every_filter_agrees_with_a_plain_reading(store, monkeypatch, viewer, name):
    """Box, period and properties leave exactly what pandas and Shapely leave of what is shown."""
    monkeypatch.setattr(record_source, "_LOOKED_AT", 7)  # many pieces
    client, rng = client_of(store, viewer), np.random.default_rng(4)
    path = f"/feed/collections/{name}/items"
    shown = features.placements(store, Selection(), viewer)
    all_features = read_pages(client, path, limit=1000)[0]
    assert all_features
    for _ in range(8):
        first, other = rng.integers(0, len(shown), 2)
        corners = shown.geometry.iloc[[first, other]].to_crs(4326)
        west, south, east, north = corners.total_bounds
        start = pd.Timestamp("2023-01-01T00:00Z") + pd.Timedelta(days=int(rng.integers(0, 500)))
        end = start + pd.Timedelta(days=int(rng.integers(0, 300)))
        method = str(rng.choice(["kick_net", "hand_net", "electric_fishing"]))
        query = {
            "bbox": f"{west - 1e-6},{south - 1e-6},{east + 1e-6},{north + 1e-6}",
            "datetime": f"{start:%Y-%m-%dT%H:%M:%SZ}/{end:%Y-%m-%dT%H:%M:%SZ}",
        } | ({"method": method} if rng.random() < 0.5 else {})
        if name == "detections" and rng.random() < 0.5:
            query["species"] = "Cottus gobio"
        box = shapely.box(west - 1e-6, south - 1e-6, east + 1e-6, north + 1e-6)
        in_time = shown.index[meets(shown, start, end)]
        expected = [
            feature["id"]
            for feature in all_features
            if feature["properties"]["placement_id"] in in_time
            and shapely.intersects(box, shapely.geometry.shape(feature["geometry"]))
            and query.get("method") in (None, feature["properties"]["method"])
            and query.get("species") in (None, feature["properties"].get("species"))
        ]
        found, last = read_pages(client, path, limit=5, **query)
        assert [feature["id"] for feature in found] == expected
        assert last["numberMatched"] == len(expected)


def test_next_links_are_stable_under_writes(tmp_path):
    """What stood there all along comes once and only once, whatever is added or removed."""
    held = make_store(tmp_path / "a.gpkg", random_plan(2, n=40))
    for viewer in (LOCAL_KEEPER, PUBLIC):
        client = client_of(held, viewer)
        before = {f["id"] for f in read_pages(client, "/feed/collections/detections/items")[0]}
        path, seen, turn = "/feed/collections/detections/items?limit=7", [], 0
        while path:
            answer = client.get(path).json
            seen += [feature["id"] for feature in answer["features"]]
            path = next((k["href"] for k in answer["links"] if k["rel"] == "next"), None)
            turn += 1
            if turn == 2:
                gone = held.records(Selection()).placements.index[3]
                held.remove_placement(gone, who="test")
            if turn == 3:
                plan = renamed(random_plan(50 + len(viewer.role), n=6), f"NEW-{viewer.role}-")
                add_plan(held, plan, name=f"{viewer.role}.csv")
        after = {f["id"] for f in read_pages(client, "/feed/collections/detections/items")[0]}
        assert len(seen) == len(set(seen))
        assert before & after <= set(seen)
    held.close()


def test_features_without_geometry_meet_every_box(tmp_path):
    """/req/core/fc-bbox-response: a placement without a position is in the answer to any box."""
    plan = random_plan(3, n=20, shares=[1, 0, 0, 0, 0])
    plan.placements.loc[plan.placements.index[4], ["x", "y"]] = np.nan
    held = make_store(tmp_path / "a.gpkg", plan)
    client = client_of(held, LOCAL_KEEPER)
    answer = client.get("/feed/collections/placements/items?bbox=10,10,11,11").json
    assert [feature["geometry"] for feature in answer["features"]] == [None]
    assert answer["numberMatched"] == 1
    held.close()


PROBES = (
    "",
    "?bbox=-11.4,52.5,-11.2,52.55",
    "?bbox=-11.36,52.52,-11.35,52.53",
    "?datetime=2023-06-01T00:00:00Z/2023-06-05T00:00:00Z",
    "?datetime=../2023-12-31T23:59:59Z",
    "?species=Anguilla+anguilla",
    "?species=Misgurnus+fossilis",
    "?catchment=SMALL1",
    "?survey=RIVERA",
    "?limit=3",
    "?f=html",
)


@pytest.fixture(scope="module")
def twins(tmp_path_factory):
    folder, plan = tmp_path_factory.mktemp("twins"), random_plan(21, n=70)
    stores = [make_store(folder / f"{k}.gpkg", p) for k, p in enumerate((plan, twin(plan, 8)))]
    yield stores
    for held in stores:
        held.close()


@pytest.mark.parametrize("name", list(COLLECTIONS))
def test_twin_stores_answer_the_public_alike(twins, name):
    """Two stores that differ only in what is hidden give the public the same bytes and tags."""
    answers = []
    for held in twins:
        client, own = client_of(held, PUBLIC), []
        paths = [f"/feed/collections/{name}"]
        paths += [f"/feed/collections/{name}/items{probe}" for probe in PROBES]
        paths += [f"/feed/collections/{name}/whole.geojson"]
        for path in paths:
            answer = client.get(path)
            text = answer.text
            if answer.mimetype == "application/geo+json" and "timeStamp" in text:
                text = text[: text.index('"timeStamp"')]
            if answer.mimetype == "text/html":
                text = text[text.index("<h1>") :]
            own.append((path, answer.status_code, answer.headers.get("ETag"), text))
        answers.append(own)
    for one, other in zip(*answers, strict=True):
        assert one == other


def test_hidden_item_answers_as_a_missing_one(store):
    """A stored id that the public may not know is as unknown as one that never was."""
    client = client_of(store, PUBLIC)
    for stored_id in ("TRAP-0000", "TRAP-9999"):
        answer = client.get(f"/feed/collections/placements/items/{stored_id}")
        assert answer.status_code == 404
        assert answer.json["detail"].replace(stored_id, "") == "There is no placement ''."


def test_a_hidden_write_does_not_change_the_publics_tag(tmp_path):
    """The public's ETag is made from what it sees: a withheld record does not show in it."""
    held = make_store(tmp_path / "a.gpkg", random_plan(6, n=30))
    client, member = client_of(held, PUBLIC), client_of(held, LOCAL_KEEPER)
    path = "/feed/collections/placements/items"
    tags = [c.get(path).headers["ETag"] for c in (client, member)]
    plan = random_plan(7, n=1, shares=[0, 0, 0, 0, 1])  # caught a withheld species
    add_plan(held, renamed(plan, "HIDDEN-"), name="b.csv")
    assert client.get(path).headers["ETag"] == tags[0]
    assert member.get(path).headers["ETag"] != tags[1]
    held.close()


def test_period_reads_what_rfc_3339_writes():
    """RFC 3339, section 5.8, examples: fraction, offset, leap second."""
    from service.web.feed.query import read_period

    assert read_period("1985-04-12T23:20:50.52Z").start == dt.datetime(
        1985, 4, 12, 23, 20, 50, 520_000, dt.UTC
    )
    assert read_period("1996-12-19T16:39:57-08:00").start == dt.datetime(
        1996, 12, 20, 0, 39, 57, tzinfo=dt.UTC
    )
    assert read_period("1990-12-31T23:59:60Z").end == dt.datetime(
        1990, 12, 31, 23, 59, 59, tzinfo=dt.UTC
    )


def test_the_public_is_told_what_coverage_leaves_out(store):
    """Gaps, stretches and their columns say that what lies in closed cells is not among them."""
    for viewer, told in ((PUBLIC, True), (LOCAL_KEEPER, False)):
        client = client_of(store, viewer)
        gaps = client.get("/feed/collections/gaps").json["description"]
        assert ("closed cells are not counted here" in gaps) == told
        stretches = client.get("/feed/collections/stretches").json["description"]
        assert ("closed cells are not public" in stretches) == told
        schemas = client.get("/feed/api").json["components"]["schemas"]
        length = schemas["GapsProperties"]["properties"]["length_m"]["description"]
        assert ("their place on the network is not public" in length) == told
