"""Pages of returns and of lengths say what the commands print."""

import html
import re

import pandas as pd
import pytest

from service import create_app
from service.answers import summaries
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from service.settings import Settings
from service.store import open_store
from tests.handed_over import demo_path


@pytest.fixture(scope="module")
def store():
    opened = open_store(demo_path(), read_only=True)
    yield opened
    opened.close()


def text_of(store, address, viewer=LOCAL_KEEPER):
    answer = create_app(store, Settings(), viewer=viewer).test_client().get(address)
    return answer.status_code, answer.get_data(as_text=True)


def cells(text):
    """First cell and further ones of each row of the tables of a page, in words."""
    rows = re.findall(r"<tr>\s*<th scope=\"row\">(.*?)</tr>", text, re.DOTALL)
    return [
        [re.sub(r"<[^>]+>|\s+", " ", cell).strip() for cell in re.split(r"</t[hd]>", row)][:-1]
        for row in rows
    ]


def test_return_of_a_survey_is_that_of_the_command(store):
    """Numbers of one survey; who may not see exact places gets no page."""
    survey = store.surveys().index[0]
    status, text = text_of(store, f"/returns?survey={survey}")
    assert status == 200
    table = summaries.returns(store, Selection(surveys=(survey,)), LOCAL_KEEPER)
    rows = cells(text)
    assert [row[0] for row in rows] == table["species"].replace("all", "All").tolist()
    assert [int(row[4].replace("\u202f", "")) for row in rows] == table["released"].tolist()
    assert table["caught"].sum() > 0
    for viewer in (PUBLIC, Viewer("v", "viewer")):
        assert text_of(store, "/returns", viewer)[0] in (302, 401, 403)


def test_lengths_of_a_species_are_those_of_the_command(store):
    """Number measured and weighed; below five fish there is no histogram."""
    table = summaries.lengths(store, Selection(), LOCAL_KEEPER).set_index("species")
    name = table["measured"].idxmax()
    text = text_of(store, f"/species/{name}")[1]
    own = next(row for row in cells(text) if row[0] in ("total", "kind not stated"))
    assert int(own[1].replace("\u202f", "")) == table.loc[name, "measured"]
    assert "figures/lengths.svg" in text
    placement = store.records(Selection()).lengths.groupby("placement_id").size()
    few = str(placement.index[placement < 5][0])
    assert "figures/lengths.svg" not in text_of(store, f"/placements/{few}")[1]


def test_change_of_very_many_placements_is_estimated_when_it_is_chosen(store, monkeypatch):
    """The page of a species waits for no estimate over a million placements; a link leads to it."""
    computed = []
    found = pd.DataFrame(
        {"method": "all", "quantity": "occupancy", "units": [12], "first_year": 2021,
         "last_year": 2025, "gained": 3, "lost": 1, "yearly_ratio": 1.1, "words": "Occupancy rose.",
         "problem": ""}
    )  # fmt: skip
    monkeypatch.setattr(summaries, "change", lambda *_, **__: computed.append(1) or found)
    name = store.species().index[0]
    text = text_of(store, f"/species/{name}")[1]
    assert "figures/change.svg" in text
    assert computed == [1]
    monkeypatch.setattr("service.web.pages.species_page._MOST_AT_ONCE", 0)
    text = text_of(store, f"/species/{name}?since=2020-01-01")[1]
    assert computed == [1]
    assert "figures/change.svg" not in text
    href = re.search(r'href="([^"]+)">Estimate the change', text)[1]
    assert "since=2020-01-01" in href
    assert "figures/change.svg" in text_of(store, html.unescape(href))[1]
    assert computed == [1, 1]


def test_change_of_a_species_is_that_of_the_command(store):
    """Units gained and lost, and the words, with their figure; each gear that has one."""
    table = summaries.change(store, Selection(), LOCAL_KEEPER)
    table = table[table["catchment"] == "all"]
    name = table.loc[table["quantity"].eq("catch_rate") & table["words"].ne(""), "species"].iloc[0]
    text = text_of(store, f"/species/{name}")[1]
    own = table[(table["species"] == name) & table["words"].ne("")]
    for row in own.to_dict("records"):
        assert row["words"] in text
    assert "figures/change.svg" in text
    figure = text_of(store, f"/figures/change.svg?species={name}")[1]
    years = summaries.change_by_year(store, Selection(species=(name,)), LOCAL_KEEPER)
    years = years[(years["catchment"] == "all") & (years["quantity"] == "occupancy")]
    assert f"all gears, {years['units'].sum()} unit-years" in figure
    first = years.iloc[0]
    assert f"{first['year']}: {first['value']:.2g}" in figure
