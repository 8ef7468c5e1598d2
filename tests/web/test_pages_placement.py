"""The page of one placement: all of it for who may see it, no more for others."""

import json
import re

import pandas as pd
import pyproj
import pytest

from service import create_app
from service.access import open_records
from service.commands.demo_store import build_demo
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from service.settings import Settings
from service.store import open_store
from tests.small_store import CRS, drawn_reaches, field_records, make_small_store
from tests.web.test_as_read import unmarked
from tests.web.test_pages_catchments import BROWSER, text_of, without_nonce


def client_of(store, viewer=LOCAL_KEEPER):
    return create_app(store, Settings(), viewer=viewer).test_client()


def test_everything_on_record_is_there(store):
    """Place, reach, stretch, effort, catch, flags, cautions and history of one placement."""
    page = text_of(client_of(store).get("/placements/T3"))
    at = open_records(store, Selection(placements=("T3",)), LOCAL_KEEPER).placements.geometry.iloc[
        0
    ]
    # PROJ by way of pyproj gives the degrees.
    lon, lat = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True).transform(at.x, at.y)
    assert f"{lat:.6f}".rstrip("0") in page
    assert f"{lon:.6f}".rstrip("0") in page
    assert "EPSG:25830" in page
    assert "449 m from its upstream end" in page
    assert "100 m: R1 from 400 to 500 m" in page
    assert "2023-06-10 11:00 Europe/Dublin" in unmarked(page)
    assert "Cottus gobio ≥ 20" in page
    assert "≥ at least so many: not all of these fish were counted" in page
    assert "Brown trout Salmo trutta ≥ 1" in page
    assert "Minutes 30 min" in page
    assert "Length 100 m" in page
    assert "The water was warm." in page
    assert "Electricity in water can kill" in page
    assert "counts of 'at least' cannot be depleted" in page
    assert "closed site" in page
    assert "Added by test" in page


@pytest.mark.parametrize(
    ("placement", "words"),
    [
        ("T2", "this counts as looking"),
        ("T4", "was not looked for"),
        ("T5", "What it caught is not known"),
    ],
)
def test_outcome_says_what_it_is_worth(store, placement, words):
    """A nil catch is a look; a lost gear is none; an unrecorded catch is neither."""
    assert words in text_of(client_of(store).get(f"/placements/{placement}"))


def test_hidden_answers_as_missing(store):
    """The same status, headers and words, whether hidden or never there."""
    public = client_of(store, PUBLIC)
    answers = []
    for name in ("T8", "T9"):
        page = public.get(f"/placements/{name}", headers=BROWSER)
        headers = {key: re.sub(r"nonce-[\w-]+", "", value) for key, value in page.headers.items()}
        answers.append((page.status_code, headers, page.text.replace(name, "")))
    assert answers[0] == answers[1]
    assert answers[0][0] == 404
    assert public.get("/figures/lengths.svg?species=Cottus+gobio&placement=T8").data == (
        public.get("/figures/lengths.svg?species=Cottus+gobio&placement=T9").data
    )


def test_generalised_placement_says_so(store):
    """By its public id: the cell, the year, the catch; no day, reach, stretch, site or history."""
    catches = open_records(store, Selection(), PUBLIC).catches
    public_id = catches.loc[catches["species"] == "Lampetra fluviatilis", "placement_id"].item()
    answer = client_of(store, PUBLIC).get(f"/placements/{public_id}")
    page = text_of(answer)
    assert "generalised to the centre of a 10 km grid cell" in page
    assert "Year 2024" in page
    assert "River lamprey Lampetra fluviatilis 2" in page
    for absent in ("2024-08", "R1", "T8", "History", "Minutes", "14:00", "To look at again"):
        assert absent not in page, absent
    assert "T8" not in without_nonce(answer.text)


def test_exact_placement_of_the_public_has_no_history(tmp_path, store):
    """Who changed what, crew, permit and notes stay with members."""
    island = open_store(build_demo(tmp_path), read_only=True)
    seen = open_records(island, Selection(), PUBLIC).placements
    exact = seen.index[seen["generalised_km"].isna()]
    page = text_of(client_of(island, PUBLIC).get(f"/placements/{exact[0]}"))
    assert "Latitude, longitude" in page
    for absent in ("History", "Added by", "Crew", "PERMIT", "To look at again"):
        assert absent not in page
    island.close()
    visitor = client_of(store, Viewer("visitor", "viewer"))
    assert visitor.get("/placements/T8", headers=BROWSER).status_code == 404


def test_changes_are_told_field_by_field(tmp_path):
    """An edit shows what was and what is, and by whom."""
    held = make_small_store(tmp_path / "edited.gpkg")
    reaches = drawn_reaches()
    row = ("T1", "kick_net", "2022-05-03 10:00", "caught", 60.0, {"Cottus gobio": (7, "exact")})
    changed = field_records(reaches, notes="counted again", rows=[row])
    held.put_placement(
        changed.__class__(**{**changed.__dict__, "flags": changed.flags.iloc[:0]}),
        who="second look", digest="e", replaces="d",
    )  # fmt: skip
    page = text_of(client_of(held).get("/placements/T1"))
    assert "Changed by second look" in page
    assert "notes – counted again" in page
    assert re.search(r"1 catch row: Cottus gobio 4\.0 .* 1 catch row: Cottus gobio 7\.0", page)
    assert "Cottus gobio 7" in page
    held.close()


@pytest.mark.parametrize("name", ["A/1//b", "50 % & more", "#7?x=1", "é|ø"])
def test_odd_ids_have_addresses(tmp_path, name):
    """Whatever people number their placements with, the list leads to the page."""
    held = make_small_store(tmp_path / "odd.gpkg")
    row = (name, "kick_net", "2022-05-03 10:00", "nil", 60.0, {})
    plain = field_records(drawn_reaches(), rows=[(*row[:5], {"Cottus gobio": (1, "exact")})])
    digests = pd.Series("d", index=plain.placements.index)
    odd = plain.__class__(**{**plain.__dict__, "flags": plain.flags.iloc[:0]})
    held.add_batch(odd, who="test", files=("b.csv",), digest="y", digests=digests)
    client = client_of(held)
    links = re.findall(r'href="(/placements/(?!new")[^"]+)"', client.get("/records").text)
    pages = {client.get(link.replace("&amp;", "&")).status_code for link in links}
    assert len(links) == 9
    assert pages == {200}
    held.close()


def test_map_of_a_placement_holds_it_alone(store):
    """The small map has this placement and its stretch written into the page."""
    page = client_of(store).get("/placements/T3").text
    config = re.search(r'(?s)id="map_records_view">(.*?)</script>', page)[1]
    layers = json.loads(config)["layers"]
    drawn = layers["placements"]["data"]["features"]
    assert [feature["id"] for feature in drawn] == ["T3"]
    stretches = layers["stretches"]["data"]["features"]
    assert [feature["properties"]["placement_id"] for feature in stretches] == ["T3"]
