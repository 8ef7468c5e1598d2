"""One question on every page: each filter means the same wherever it is put."""

import re
from urllib.parse import urlencode

import numpy as np
import pandas as pd
import pytest

from layers.fieldwork.hours import hours_worked
from layers.fieldwork.looking import detectable
from service import access, create_app, reference
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from tests.sensitive_store import SPECIES, make_store, random_plan

BOX = "-180,-90,180,90"
SOLE = "Anguilla anguilla"  # found by two of the gears, see `store`
# What is selected, as a page's parameters: each new one alone, and some together.
QUESTIONS = [
    {"hours": ["night"]},
    {"hours": ["day", "overnight"]},
    {"able_to_find": [SOLE]},
    {"stream": ["Beck"]},
    {"upstream_of": ["R06-00:1500"]},
    {"downstream_of": ["R06-00:300"]},
    {"upstream_of": ["R06-04"], "hours": ["overnight", "night"]},
    {"able_to_find": [SOLE], "catchment": ["HALF0"]},
]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    plan = random_plan(31, 200, shares=[0.7, 0.14, 0.1, 0.04, 0.02])
    placed = plan.placements
    placed.loc[placed.index[::2], "method"] = "minnow_trap"
    placed.loc[placed.index[::2], "lifted_at"] += pd.Timedelta(days=1)
    dark = placed.index[1::6]
    placed.loc[dark, ["set_at", "lifted_at"]] += pd.Timedelta(hours=13)
    store = make_store(tmp_path_factory.mktemp("question") / "s.gpkg", plan)
    listed = SPECIES.loc[[SOLE]].assign(detected_by="minnow_trap;electric_fishing")
    store.put_species(listed, who="test")
    yield store
    store.close()


def expected(store, viewer, question):
    """Ids that meet a question, by a plain loop over what the viewer sees."""
    records = access.open_records(store, Selection(), viewer)
    hours = hours_worked(records.placements, reference.methods(store))
    able = detectable(reference.species(store), reference.methods(store))
    inside = access.placement_catchments(store, records.placements)
    ids = set()
    for name, row in records.placements.iterrows():
        reach = records.snaps["reach_id"].get(name)
        at = records.snaps["measure_m"].get(name)
        known = isinstance(reach, str)
        # Reaches of the drawn network follow each other along one line: R01-03 flows into R01-04.
        line, number = reach.split("-") if known else ("", "0")
        keep = True
        if "hours" in question:
            keep &= any(hours.loc[name, each] for each in question["hours"])
        if "able_to_find" in question:
            keep &= bool(able.loc[SOLE, row["method"]])
        if "stream" in question:
            keep &= known
        for kind, above in (("upstream_of", True), ("downstream_of", False)):
            if kind in question:
                place, _, measure = question[kind][0].partition(":")
                own, own_number = place.split("-")
                end = float(measure) if measure else (np.inf if above else 0.0)
                here = (int(number), at if known else 0.0)
                point = (int(own_number), end)
                keep &= known and line == own and (here <= point if above else here >= point)
        if "catchment" in question:
            keep &= inside[name] in ("HALF0", "SMALL0", "SMALL1", "SMALL2", "SMALL3")
        if keep:
            ids.add(name)
    return ids


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC], ids=["keeper", "public"])
@pytest.mark.parametrize("question", QUESTIONS, ids="+".join)
def test_every_route_selects_the_same_placements(store, viewer, question):
    """Map, features, records, and the feed where it takes one value of each."""
    client = create_app(store, Settings(), viewer=viewer).test_client()
    wanted = expected(store, viewer, question)
    everything = access.open_records(store, Selection(), viewer).placements.index
    assert 0 < len(wanted) < len(everything), "the question must narrow something"
    asked = urlencode(question, doseq=True)
    page = client.get(f"/placements.geojson?{asked}").get_json(force=True)
    assert {one["properties"]["placement_id"] for one in page["features"]} == wanted
    shown = client.get(f"/map/placements.json?{asked}&bbox={BOX}&zoom=12").get_json()
    assert shown["total"] == len(wanted)
    rows = (one["properties"] for one in page["features"])
    closed = {one["placement_id"] for one in rows if one.get("generalised_km")}
    assert set(shown["placements"]["id"]) == wanted - closed
    assert np.sum(shown["squares"]["counts"]) == len(closed)
    listed = client.get(f"/records?{asked}&show=all").text
    assert f"{len(wanted)} placement" in listed
    if all(len(values) == 1 for values in question.values()):
        feed = client.get(f"/feed/collections/placements/items?{asked}&limit=1000").get_json()
        assert feed["numberMatched"] == len(wanted)
        assert {one["properties"]["placement_id"] for one in feed["features"]} == wanted


def test_the_map_draws_chosen_water_alone(store):
    """Above a point only the reaches that flow to it are drawn."""
    client = create_app(store, Settings(), viewer=PUBLIC).test_client()
    lines = client.get(f"/map/lines.json?upstream_of=R00-02&bbox={BOX}&zoom=12").get_json()
    assert sorted(lines["reaches"]["id"]) == ["R00-00", "R00-01", "R00-02"]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("hours=dusk", "use any of day, night, overnight"),
        ("upstream_of=R77", "There is no reach"),
        ("upstream_of=R00-02:far", "no measure"),
        ("stream=Bekc", "did you mean Beck"),
        ("able_to_find=Draco+draco", "no species"),
    ],
)
@pytest.mark.parametrize("page", ["/", "/records", "/catchments", "/hand-over"])
def test_what_is_unknown_is_said(store, page, asked, said):
    """A word that means nothing is refused with what would be right, on every page."""
    client = create_app(store, Settings(), viewer=PUBLIC).test_client()
    answer = client.get(f"{page}?{asked}", headers={"Accept": "text/html"})
    assert answer.status_code in (400, 404, 422)
    assert any(part in answer.text for part in said.split("|"))


def test_hours_are_read_with_commas_as_by_the_command(store):
    """Pages, feed and command take one text; the boxes of both hours are ticked."""
    client = create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()
    for page in ("/records", "/coverage"):
        one, two = (
            client.get(f"{page}?hours={asked}") for asked in ("day,night", "day&hours=night")
        )
        assert one.status_code == 200
        ticks = re.findall(r'name="hours"\s+value="(\w+)" checked', one.text)
        assert (
            ticks
            == ["day", "night"]
            == re.findall(r'name="hours"\s+value="(\w+)" checked', two.text)
        )
    matched = [
        client.get(f"/feed/collections/placements/items?hours={asked}").get_json()["numberMatched"]
        for asked in ("day", "night,day", "day,night,overnight")
    ]
    assert matched == [
        len(expected(store, LOCAL_KEEPER, {"hours": asked}))
        for asked in (["day"], ["day", "night"], ["day", "night", "overnight"])
    ]


@pytest.mark.parametrize("viewer", [PUBLIC, LOCAL_KEEPER], ids=lambda viewer: viewer.role)
def test_no_gear_is_a_question_too(store, viewer):
    """What the legend says when all gear is switched off: nothing is shown, and it is said."""
    client = create_app(store, Settings(), viewer=viewer).test_client()
    for page in ("/", "/records", "/catchments", "/coverage", "/hand-over"):
        answer = client.get(f"{page}?method=none", headers={"Accept": "text/html"})
        assert answer.status_code == 200, page
        if page != "/hand-over":  # its form alone says what is chosen
            assert ": no gear" in " ".join(answer.text.split()), page
        assert re.search(r'name="method"\s+value="none" checked', answer.text), page
        assert 'href="/records?method=none"' in answer.text
    assert client.get("/placements.geojson?method=none").get_json()["features"] == []
    shown = client.get(f"/map/placements.json?method=none&bbox={BOX}&zoom=12").get_json()
    assert shown["total"] == 0
    both = client.get("/placements.geojson?method=none&method=minnow_trap").get_json()
    assert both == client.get("/placements.geojson?method=minnow_trap").get_json()
    answer = client.get("/placements.geojson?method=trawl")
    assert "none" not in answer.get_json()["detail"]


@pytest.mark.parametrize(
    "page",
    ["/guide", "/guide/sheets", "/methods", "/methods/minnow_trap", "/placements/new", "/import",
     "/in-the-water", "/load", "/accounts"],
)  # fmt: skip
def test_pages_without_records_hand_the_question_on(store, page):
    """From the map to the guide or the form and back: the map shows what it showed."""
    client = create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()
    asked = "hours=night&since=2022-01-01&species=Anguilla+anguilla"
    address = asked.replace("&", "&amp;")
    text = client.get(f"{page}?{asked}&lift=none").text
    for other in ("/", "/records", "/guide", "/placements/new"):
        assert f'href="{other}?{address}"' in text
    if page == "/guide/sheets":
        inner = re.findall(r'href="(?:figures|coverage|hand-over|accounts|backup)[^"]*"', text)
        assert inner
        assert [one for one in inner if f"?{address}" not in one] == []
    quoted = client.get(f"{page}?stream=%22%3E%3Cb%3E").text
    assert "<b>" not in re.findall(r'href="/records[^>]*>', quoted)[0]


def test_a_page_that_is_not_there_hands_nothing_on(store):
    """What went wrong may lie in the address."""
    client = create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()
    for page in ("/nowhere?hours=night", "/records?hours=never"):
        text = client.get(page, headers={"Accept": "text/html"}).text
        assert 'href="/records"' in text
