"""The coverage page and its files say what the summaries say."""

import io
import json
import re
import xml.etree.ElementTree as ET

import geopandas as gpd
import gpxpy
import numpy as np
import pandas as pd
import pytest
import shapely

from layers.estimates.coverage_bands import BANDS, coverage_bands
from service import create_app
from service.answers import coverage_answers, summaries
from service.answers.coverage_answers import CoverageQuestion
from service.answers.waypoints import gpx_waypoints
from service.records import LOCAL_KEEPER, PUBLIC, Selection, StoreSettings
from service.store import create_store
from tests.small_store import NASTY, make_small_store
from tests.web.test_as_read import unmarked

GPX = "{http://www.topografix.com/GPX/1/1}"


@pytest.fixture(scope="module")
def client(store):
    return create_app(store, viewer=LOCAL_KEEPER).test_client()


def tables(page):
    return {
        re.sub(r"\s+", " ", frame[0]): frame[1]
        for frame in re.findall(r"<caption[^>]*>(.*?)</caption>(.*?)</table>", page, re.DOTALL)
    }


def shown_values(part, row):
    """Values behind the cells of the table row that has this mark."""
    return re.findall(r'data-value="([^"]*)"', re.search(row + r".*?</tr>", part, re.DOTALL)[0])


def test_page_shows_the_figures_of_the_summaries(client, store):
    """Sampled lengths, gaps and next places on the page are those of the command line."""
    page = client.get("/coverage").text
    parts = tables(page)
    lengths = summaries.sampled_length(store, Selection(), LOCAL_KEEPER).set_index("method")
    cells = shown_values(parts["Sampled length by gear"], r'<tr class="total">')
    assert float(cells[0]) == pytest.approx(lengths.loc["all", "sampled_length_m"])
    assert float(cells[1]) == pytest.approx(lengths.loc["all", "effort_length_m"])
    words = " ".join(unmarked(page).split())
    assert "<strong>0.32 km</strong> of them sampled" in words  # tests/answers/test_summaries.py
    frame = summaries.coverage(store, Selection(), LOCAL_KEEPER)
    visited_km = (frame["visited_fraction"] * frame["length_m"]).sum() / 1000
    assert visited_km > 0.32
    assert f"<strong>{visited_km:.2f} km</strong> of 5.10 km were visited" in words
    gaps = summaries.gaps(store, Selection(), LOCAL_KEEPER)
    for gap in gaps.itertuples():
        cells = shown_values(parts["Gaps in coverage, longest first"], f'<tr data-gap="{gap.gap}">')
        assert float(cells[1]) == pytest.approx(gap.length_m)
        assert int(cells[2]) == gap.reaches
    places = summaries.next_places(store, Selection(), LOCAL_KEEPER)
    for place in places.itertuples():
        cells = shown_values(parts["Next places, in order"], f'<tr data-place="{place.rank}">')
        assert float(cells[1]) == pytest.approx(place.adds_m)
        assert float(cells[2]) == pytest.approx(place.remaining_share)


def test_page_warns_and_tells_what_is_left_out(client):
    """Usual cautions stand below the next places; what does not count is said."""
    page = client.get("/coverage").text
    assert "do not work in or beside water alone" in page
    assert "Not counted: " in page
    assert "gear lost" in page


def test_filters_narrow_what_counts(client, store):
    """Methods and years in the address narrow page and files alike."""
    narrow = Selection(methods=("electric_fishing",))
    page = client.get("/coverage?method=electric_fishing").text
    assert "<strong>0.10 km</strong> of them" in unmarked(page)
    file = client.get("/coverage/reaches.csv?method=electric_fishing&since=2023")
    frame = pd.read_csv(io.BytesIO(file.data))
    expected = summaries.coverage(store, narrow, LOCAL_KEEPER)
    assert frame["sampled_fraction"].to_numpy() == pytest.approx(
        expected["sampled_fraction"].to_numpy(), abs=1e-6
    )
    assert "Nobody was here" in client.get("/coverage?until=1990").text
    assert 'value="electric_fishing" checked' in page


@pytest.mark.parametrize(
    ("query", "selection", "counts"),
    [
        ("hours=night&hours=overnight", Selection(hours=("night", "overnight")), "visited"),
        ("able_to_find=Cottus+gobio", Selection(able_to_find="Cottus gobio"), "visited"),
        ("upstream_of=R1", Selection(upstream_of="R1"), "visited"),
        ("upstream_of=R2:50&counts=sampled", Selection(upstream_of="R2:50"), "sampled"),
    ],
)
def test_a_target_is_that_of_the_summaries(client, store, query, selection, counts):
    """Hours, gear that can find a species, and a part of the network: page and files alike."""
    page = client.get(f"/coverage?{query}")
    assert page.status_code == 200
    gaps = summaries.gaps(store, selection, LOCAL_KEEPER, counts=counts)
    frame = pd.read_csv(io.BytesIO(client.get(f"/coverage/gaps.csv?{query}").data))
    assert frame["length_m"].to_numpy() == pytest.approx(gaps["length_m"].to_numpy(), abs=0.01)
    part = tables(page.text).get("Gaps in coverage, longest first", "")
    assert part.count("<tr data-gap") == len(gaps)
    streams = summaries.streams(store, selection, LOCAL_KEEPER)
    never = (streams["visited_length_m"] == 0).sum()
    assert f"<p>{never} of {len(streams)} " in " ".join(page.text.split())


def test_min_order_leaves_small_streams_out(client, store):
    """Reaches and gaps below a stream order are left out of map, lists and files."""
    orders = summaries.coverage(store, Selection(), LOCAL_KEEPER).set_index("reach_id")["strahler"]
    frame = pd.read_csv(io.BytesIO(client.get("/coverage/reaches.csv?min_order=2").data))
    assert set(frame["reach_id"]) == set(orders.index[orders >= 2])
    view = client.get("/coverage/view.json?min_order=2&bbox=-180,-85,180,85&zoom=18").json
    assert set(view["reach_id"]) == set(frame["reach_id"])
    gaps = pd.read_csv(io.BytesIO(client.get("/coverage/gaps.csv?min_order=2").data))
    assert (gaps["highest_strahler"] >= 2).all()


@pytest.mark.parametrize("what", ["gaps", "next-places", "reaches"])
def test_geojson_is_the_summary(client, store, what):
    """Files of lines and points read back by GDAL hold the rows of the summary."""
    answer = client.get(f"/coverage/{what}.geojson")
    assert answer.mimetype == "application/geo+json"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{what}.geojson"'
    read = gpd.read_file(io.BytesIO(answer.data))
    name = {"gaps": "gaps", "next-places": "next_places", "reaches": "coverage"}[what]
    frame = getattr(summaries, name)(store, Selection(), LOCAL_KEEPER)
    assert len(read) == len(frame)
    back = read.geometry.to_crs(frame.crs)
    lengths = frame.geometry.length.to_numpy()
    assert back.length.to_numpy() == pytest.approx(lengths, rel=1e-4, abs=0.1)


def test_waypoints_read_back_at_the_places(client, store):
    """GPX of next places: schema 1.1, read back by gpxpy, within a centimetre of the places."""
    answer = client.get("/coverage/next-places.gpx")
    assert answer.mimetype == "application/gpx+xml"
    assert ET.fromstring(answer.data).tag == f"{GPX}gpx"
    read = gpxpy.parse(answer.text)
    frame = summaries.next_places(store, Selection(), LOCAL_KEEPER)
    points = gpd.GeoSeries(
        [shapely.Point(p.longitude, p.latitude) for p in read.waypoints], crs=4326
    )
    off = points.to_crs(frame.crs).distance(frame.geometry, align=False)
    assert len(read.waypoints) == len(frame)
    assert off.max() < 0.02
    assert [p.name for p in read.waypoints] == [f"N{rank:03d}" for rank in frame["rank"]]
    assert "water alone" in read.description


def test_gap_waypoints_lie_on_their_gaps(client, store):
    """Each gap has one waypoint, on the gap, at its farthest point where there is one."""
    read = gpxpy.parse(client.get("/coverage/gaps.gpx").text)
    gaps = summaries.gaps(store, Selection(), LOCAL_KEEPER)
    points = gpd.GeoSeries(
        [shapely.Point(p.longitude, p.latitude) for p in read.waypoints], crs=4326
    )
    assert points.to_crs(gaps.crs).distance(gaps.geometry, align=False).max() < 0.02


def test_waypoints_hold_any_text():
    """Marks of XML, and characters that XML cannot hold, do no harm in a GPX file."""
    text = gpx_waypoints([("<a&\x00b>", "\x1f'\"", 1.0, 2.0)], title="]]>", note="\ud7ff\uffff")
    read = gpxpy.parse(b"".join(text).decode())
    assert read.waypoints[0].name == "<a&b>"
    assert read.waypoints[0].description == "'\""


def test_gap_without_any_sample_has_a_place(store):
    """Where nothing was ever sampled the waypoint is the middle of the gap's longest piece."""
    nobody = CoverageQuestion(Selection(methods=("fyke_net",)))
    found = coverage_answers.gaps(store, nobody, LOCAL_KEEPER)
    assert found["farthest_m"].isna().all()
    places = coverage_answers.gap_places(found)
    points = gpd.GeoSeries(shapely.points(places), crs=4326).to_crs(found.crs)
    assert points.distance(found.geometry, align=False).max() < 0.02


def test_view_of_the_map(client, store):
    """Reaches of a view carry the figures of the coverage summary, and lie where they lie."""
    view = client.get("/coverage/view.json?bbox=-180,-85,180,85&zoom=18").json
    frame = summaries.coverage(store, Selection(), LOCAL_KEEPER).set_index("reach_id")
    assert set(view["reach_id"]) == set(frame.index)
    for at, name in enumerate(view["reach_id"]):
        row = frame.loc[name]
        assert view["sampled"][at] == pytest.approx(row["sampled_fraction"], abs=1e-4)
        assert view["visited"][at] == pytest.approx(row["visited_fraction"], abs=1e-4)
        assert view["length_m"][at] == pytest.approx(row["length_m"], abs=0.1)
        assert BANDS[view["band"][at]].state == row["state"]
    outside = client.get("/coverage/view.json?bbox=100,0,101,1&zoom=10").json
    assert outside["paths"] == []


def test_gap_outline(client):
    """A gap is outlined; one that is not there is not found."""
    gap = client.get("/coverage/gap.json?gap=1").json
    assert gap["paths"]
    assert client.get("/coverage/gap.json?gap=999").status_code == 404


def test_bands_by_hand():
    """A year more or less at each edge; a date that is not known; a reach never visited."""
    rows = pd.DataFrame(
        {
            "state": ["sampled", "visited"] * 3 + ["visited", "no_visit"],
            "years_since": [0, 1.999, 2, 4.99, 9.99, 10, np.nan, np.nan],
        }
    )
    found = [BANDS[band] for band in coverage_bands(rows)]
    ages = ["fresh", "fresh", "recent", "recent", "old", "stale", "undated", "never"]
    assert [band.age for band in found] == ages
    assert [band.state for band in found] == rows["state"].tolist()
    assert coverage_bands(rows.iloc[:0]).tolist() == []


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("within=0", "no number of metres"),
        ("within=nan", "no number of metres"),
        ("within=far", "no number of metres"),
        ("count=0", "count"),
        ("count=100000", "fewer"),
        ("min_order=x", "min_order"),
        ("method=harpoon", "no method"),
        ("since=2024&until=2020", "after"),
        ("gap=1", "no parameter"),
        ("hours=dusk", "use any of day, night, overnight"),
        ("counts=seen", "neither of visited and sampled"),
        ("represents=0", "no number of metres"),
        ("able_to_find=Draco+draco", "no species"),
        ("stream=Styx", "no stream"),
        ("upstream_of=R99", "no reach"),
    ],
)
def test_questions_that_cannot_be_answered(client, query, words):
    """What is wrong with an address is said, with status 400."""
    answer = client.get(f"/coverage?{query}", headers={"Accept": "application/json"})
    assert answer.status_code == 400
    assert words in answer.json["detail"]


@pytest.mark.parametrize(
    "address",
    ["/coverage/reaches.csv", "/coverage/gaps.geojson", "/coverage/gaps.gpx", "/records.csv",
     "/catchments/occurrence.csv"],
)  # fmt: skip
def test_files_are_sent_while_they_are_written(client, address):
    """A file of rows is never in memory as a whole, and its beginning comes before its end."""
    answer = client.get(address, buffered=False)
    assert answer.status_code == 200
    assert answer.is_streamed
    pieces = list(answer.iter_encoded())
    assert len(pieces) > 1
    assert b"".join(pieces) == client.get(address).data


@pytest.mark.parametrize("path", ["gaps.exe", "nothing.csv", "reaches.gpx"])
def test_files_that_there_are_not(client, path):
    """Other names and forms are not found."""
    assert client.get(f"/coverage/{path}").status_code == 404


def test_store_without_network_says_what_to_do(tmp_path):
    """Without reaches the page says how to load some; its files are refused in words."""
    store = create_store(tmp_path / "e.gpkg", StoreSettings("EPSG:32629", "UTC"))
    page = create_app(store, viewer=LOCAL_KEEPER).test_client().get("/coverage")
    assert page.status_code == 200
    assert "No stream network is loaded" in page.text
    assert "rifflebook load reaches" in page.text
    store.close()


def test_public_page_counts_what_is_public(store):
    """Who may not see exact places is told so, and gets the figures of the gate."""
    client = create_app(store, viewer=PUBLIC).test_client()
    page = client.get("/coverage").text
    assert "Placements in closed cells are not counted" in page
    frame = pd.read_csv(io.BytesIO(client.get("/coverage/reaches.csv").data))
    expected = summaries.coverage(store, Selection(), PUBLIC)
    assert frame["sampled_fraction"].to_numpy() == pytest.approx(
        expected["sampled_fraction"].to_numpy(), abs=1e-6
    )


def test_stored_text_is_escaped(tmp_path):
    """Names that hold marks of HTML show as they are and begin no element."""
    store = make_small_store(tmp_path / "n.gpkg", NASTY)
    catchments = store.catchments()
    parts = store.reach_parts()
    store.replace_catchments(catchments.assign(name=NASTY), parts, who="t")
    page = create_app(store, viewer=LOCAL_KEEPER).test_client().get("/coverage").text
    assert NASTY not in page
    assert "&lt;script&gt;" in page
    config = re.search(r'id="coverage-view">(.*?)</script>', page, re.DOTALL)[1]
    assert json.loads(config)["bands"]
    store.close()
