"""Programs that others wrote read the feed: GDAL's OAPIF driver, OWSLib, schemathesis."""

import json
from urllib.request import Request, urlopen

import numpy as np
import pandas as pd
import pyogrio
import pytest
import schemathesis
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from owslib.ogcapi.features import Features
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup

from service import create_app
from service.answers import features
from service.answers.written_figures import as_written
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from service.web.feed.collections import COLLECTIONS
from tests.feed_server import serving
from tests.sensitive_store import make_store, random_plan
from tests.store_records import add, field_records, small_store

NATIONAL_GRID = "http://www.opengis.net/def/crs/EPSG/0/27700"


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("feed") / "a.gpkg"


@pytest.fixture(scope="module")
def store(path):
    held = make_store(path, random_plan(5, n=130))
    yield held
    held.close()


@pytest.fixture(scope="module")
def app(store):
    return create_app(store, Settings(), viewer=LOCAL_KEEPER)


@pytest.fixture(scope="module")
def feed(path, store):
    with serving(path, feed_crs="EPSG:27700,EPSG:3035") as address:
        yield address


@pytest.fixture(scope="module")
def public_feed(path, store):
    with serving(path, role="public") as address:
        yield address


def stored(store, name, viewer=LOCAL_KEEPER):
    """What the feed should hold, by the functions that the map uses."""
    if name in ("placements", "detections", "stretches"):
        return getattr(features, name)(store, Selection(), viewer)
    return COLLECTIONS[name].source.read(store, viewer).frame


def read(feed, name, **options):
    """Read a collection by GDAL, in pages smaller than it."""
    return pyogrio.read_dataframe(
        f"OAPIF:{feed}", layer=name, PAGE_SIZE="37", INITIAL_REQUEST_PAGE_SIZE="20", **options
    )


@pytest.mark.parametrize("name", list(COLLECTIONS))
def test_gdal_pages_through_every_collection(feed, store, name):
    """GDAL gets exactly the stored features, by itself in the CRS in which they are kept."""
    read_back, kept = read(feed, name), stored(store, name)
    assert len(read_back) == len(kept) > 0
    assert read_back.crs.to_epsg() == kept.crs.to_epsg()  # GDAL asks for storageCrs
    key = read_back.columns[0] if name != "gaps" else "gap"
    if name in ("placements", "reaches", "catchments"):
        assert sorted(read_back[key]) == sorted(kept.index)
        both = read_back.set_index(key).geometry
        apart = shapely.hausdorff_distance(
            both.loc[kept.index].to_numpy(), kept.geometry.to_numpy()
        )
        assert apart.max() < 0.001  # metres
    else:
        same = [
            column for column in ("placement_id", "species", "reach_id", "gap") if column in kept
        ]
        order = [tuple(row) for row in kept[same].astype(str).to_numpy()]
        assert sorted(tuple(row) for row in read_back[same].astype(str).to_numpy()) == sorted(order)
        assert read_back.length.sum() == pytest.approx(kept.length.sum(), rel=1e-6)


@pytest.mark.parametrize("name", list(COLLECTIONS))
def test_gdal_asks_by_box(feed, store, name):
    """A spatial filter of GDAL goes out as bbox and brings what Shapely finds in the box."""
    kept = stored(store, name)
    west, south, east, north = kept.total_bounds
    box = (west + (east - west) * 0.2, south + (north - south) * 0.3, (west + east) / 2, north)
    inside = shapely.intersects(shapely.box(*box), kept.geometry.to_numpy())
    assert inside.sum() > 0
    assert len(read(feed, name, bbox=box)) == inside.sum()


@pytest.mark.parametrize("name", ["placements", "detections", "stretches"])
def test_gdal_reads_what_a_period_leaves(feed, store, name):
    """With datetime in the address of the items GDAL reads what pandas leaves in that time."""
    start, end = pd.Timestamp("2023-06-01T00:00Z"), pd.Timestamp("2024-02-01T00:00Z")
    placements = stored(store, "placements")
    meant = placements.index[(placements["set_at"] <= end) & (placements["lifted_at"] >= start)]
    expected = stored(store, name)
    expected = expected[expected["placement_id"].isin(meant)]
    query = f"datetime={start:%Y-%m-%dT%H:%M:%SZ}/{end:%Y-%m-%dT%H:%M:%SZ}&limit=10000"
    with urlopen(f"{feed}/collections/{name}/items?{query}") as answer:
        found = pyogrio.read_dataframe(answer.read())
    assert 0 < len(found) == len(expected) < len(stored(store, name))
    assert sorted(found["placement_id"]) == sorted(expected["placement_id"])


@pytest.mark.filterwarnings("ignore:Best transformation is not available")  # no OSTN15 grid
@pytest.mark.parametrize("epsg", [27700, 3035, 4326, 32629])
def test_gdal_reads_in_another_crs(feed, store, epsg):
    """The officer reads in the national grid; GDAL minds the axis order of each definition."""
    read_back = read(feed, "placements", CRS=f"EPSG:{epsg}").set_index("placement_id")
    assert read_back.crs.to_epsg() == (epsg if epsg != 4326 else None)  # as OGC:CRS84
    kept = stored(store, "placements")
    assert len(read_back) == len(kept)
    # The operation of EPSG's list for the narrower area of use, which the feed states: the places
    # lie outside that of the national grid, where PROJ alone would take another for each place.
    area = (read_back.crs if epsg == 27700 else kept.crs).area_of_use
    group = TransformerGroup(
        kept.crs, read_back.crs, always_xy=True, area_of_interest=AreaOfInterest(*area.bounds)
    )
    points = kept.geometry.reindex(read_back.index)
    x, y = group.transformers[0].transform(points.x, points.y)
    apart = np.hypot(read_back.geometry.x - x, read_back.geometry.y - y).max()
    assert apart < (1e-6 if epsg == 4326 else 0.05)


def test_gdal_as_the_public(public_feed, store):
    """The public's layer is what the gate shows the public, and nothing of what it hides."""
    found, shown = read(public_feed, "placements"), stored(store, "placements", PUBLIC)
    assert sorted(found["placement_id"]) == sorted(shown.index)
    assert not set(found["placement_id"]) & set(stored(store, "placements").index)
    assert found["data_generalizations"].notna().sum() == shown["generalised_km"].notna().sum() > 0


@pytest.mark.parametrize("name", list(COLLECTIONS))
def test_owslib_reads_every_collection(feed, store, name):
    """OWSLib finds the collections, their items by box and period, and one item by its id."""
    client = Features(feed)
    assert client.conformance()["conformsTo"]
    assert set(client.feature_collections()) == set(COLLECTIONS)
    assert client.collection(name)["id"] == name
    whole = client.collection_items(name, limit=10_000)
    assert whole["numberMatched"] == whole["numberReturned"] == len(stored(store, name))
    one = client.collection_item(name, whole["features"][0]["id"])
    assert one["properties"] == whole["features"][0]["properties"]
    box = client.collection(name)["extent"]["spatial"]["bbox"][0]
    asked = {"bbox": box, "datetime_": "2023-01-01T00:00:00Z/2025-12-31T00:00:00Z"}
    assert client.collection_items(name, **asked)["numberMatched"] == len(stored(store, name))
    first, ids = client.collection_items(name, limit=60), []
    while True:
        ids += [feature["id"] for feature in first["features"]]
        onward = [link["href"] for link in first["links"] if link["rel"] == "next"]
        if not onward:
            break
        with urlopen(Request(onward[0], headers={"Accept": "application/geo+json"})) as answer:
            first = json.load(answer)
    assert ids == [feature["id"] for feature in whole["features"]]


@pytest.mark.parametrize("name", ["placements", "detections", "stretches"])
def test_owslib_asks_by_days(feed, store, name):
    """Users of OWSLib write dates alone: both days whole, in UTC, as pandas leaves them."""
    placements = stored(store, "placements")
    began, ended = (placements[name].dt.date for name in ("set_at", "lifted_at"))
    first, last = sorted(began.dropna())[10], sorted(began.dropna())[-40]
    meant = placements.index[(began <= last) & (ended >= first)]
    expected = stored(store, name)
    expected = expected[expected["placement_id"].isin(meant)]
    client = Features(feed)
    found = client.collection_items(name, datetime_=f"{first}/{last}", limit=10_000)
    assert 0 < found["numberMatched"] == len(expected) < len(stored(store, name))
    told = [feature["properties"]["placement_id"] for feature in found["features"]]
    assert sorted(told) == sorted(expected["placement_id"])


def test_gdal_counts_as_the_feed_does(feed, store):
    """The number of features that GDAL is told is the number of stored ones."""
    told = pyogrio.read_info(f"OAPIF:{feed}", layer="placements", force_feature_count=True)
    assert told["features"] == len(stored(store, "placements"))


def test_whole_collection_is_read_by_gdal(feed, store):
    """The file that is written while it is read opens in GDAL with every feature."""
    for name in COLLECTIONS:
        with urlopen(f"{feed}/collections/{name}/whole.geojson") as answer:
            found = pyogrio.read_dataframe(answer.read())
        assert len(found) == len(stored(store, name))


def test_schemathesis_finds_no_server_error(app, recwarn):
    """Requests made from the service's own OpenAPI document: no 5xx, and answers as described."""
    schema = schemathesis.openapi.from_dict(app.test_client().get("/feed/api?f=json").json)
    schema.app = app
    tried = 0
    for result in schema.get_all_operations():
        operation = result.ok()

        @given(case=operation.as_strategy())
        @settings(
            max_examples=5,
            deadline=None,
            database=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        def try_one(case):
            nonlocal tried
            tried += 1
            # Its client for applications does not unpack gzip.
            plain = {"Accept-Encoding": "identity"}
            answer = case.call(app=app, base_url="http://localhost/feed", headers=plain)
            assert answer.status_code < 500, case.as_curl_command()
            case.validate_response(
                answer,
                checks=[
                    schemathesis.checks.not_a_server_error,
                    schemathesis.checks.status_code_conformance,
                    schemathesis.checks.content_type_conformance,
                    schemathesis.checks.response_schema_conformance,
                ],
            )

        try_one()
    assert tried > 100


@pytest.mark.parametrize("name", list(COLLECTIONS))
@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
def test_the_schema_names_the_kinds_of_the_features(store, name, viewer):
    """Kinds and names are those of the frames that the feed is written from."""
    client = create_app(store, Settings(), viewer=viewer).test_client()
    answer = client.get(f"/feed/collections/{name}/schema")
    assert answer.content_type == "application/schema+json"
    told = answer.json["properties"]["properties"]["properties"]
    frame = as_written(pd.DataFrame(stored(store, name, viewer).drop(columns="geometry")), name)
    assert set(told) == set(frame.columns)
    for column, described in told.items():
        dtype = frame[column].dtype
        if isinstance(dtype, pd.DatetimeTZDtype):
            assert described["format"] == "date-time"
        else:
            kind = {"i": "integer", "u": "integer", "f": "number", "b": "boolean"}.get(dtype.kind)
            listed = "array" if column in ("catch", "flags") else "string"
            assert described["type"] == (kind or listed), column


def test_numbers_are_numbers_though_the_first_features_lack_them(tmp_path):
    """A GIS guesses kinds from the first page; the schema tells it (GDAL's OAPIF driver)."""
    held = small_store(tmp_path / "a.gpkg")
    records = field_records(held, 60)
    late = np.arange(60) >= 40  # gear counted on the third page of twenty, water never measured
    records.placements["gear_count"] = np.where(late, 2.0, np.nan)
    records.placements["minutes"] = np.where(late, 12.5, np.nan)
    records.placements["water_velocity_m_s"] = np.nan
    add(held, records)
    held.close()
    with serving(tmp_path / "a.gpkg") as address:
        found = read(address, "placements")
    assert found["gear_count"].dtype.kind == "f"  # whole numbers with gaps, as pandas has them
    assert found["gear_count"].dropna().tolist() == [2.0] * 20
    assert found["minutes"].dropna().tolist() == [12.5] * 20
    assert found["water_velocity_m_s"].dtype.kind == "f"
    assert str(found["set_at"].dtype).startswith("datetime64")
