"""What placements say about a species: worked by hand, and in step with occurrence."""

import html
import itertools
import re

import pandas as pd
import pytest

from layers.fieldwork.looks import looks, looks_by_year
from service import create_app, reference
from service.access import open_records
from service.answers import summaries
from service.answers.occurrence_table import chances, occurrence_table
from service.answers.record_list import SHOWN, SORTS, record_page
from service.commands.demo_store import build_demo
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.store import open_store

FISH = pd.DataFrame(
    {"detected_by": ["trap", None], "habitats": [None, "still"]},
    index=["Anguilla anguilla", "Tinca tinca"],
)
GEAR = pd.DataFrame({"habitats": ["still", "stream"]}, index=["trap", "kick"])


def frames():
    placements = pd.DataFrame(
        {
            "method": ["trap", "trap", "kick", "kick", "trap", "kick"],
            "outcome": ["caught", "nil", "nil", "caught", "lost", "disturbed"],
            # 23:30 UTC on New Year's Eve is the new year in Helsinki: the local year counts.
            "set_at": pd.to_datetime(["2023-12-31T23:30Z"] * 5 + [None]),
            "timezone": "Europe/Helsinki",
            "year": 2019.0,
        },
        index=pd.Index(list("ABCDEF"), name="placement_id"),
    )
    catches = pd.DataFrame(
        [
            ("A", "Anguilla anguilla", 3.0, "at_least"),
            ("A", "Anguilla anguilla", 1.0, "exact"),
            ("D", "Tinca tinca", 2.0, "exact"),
            ("D", "Anguilla anguilla", 0.0, "exact"),
            ("F", "Anguilla anguilla", None, "present"),
            ("Z", "Anguilla anguilla", 9.0, "exact"),
        ],
        columns=["placement_id", "species", "count", "count_kind"],
    )
    return placements, catches


def test_states_by_hand():
    """Found beats everything; else lost gear, gear that cannot, and then a look in vain."""
    placements, catches = frames()
    seen = looks(placements, catches, FISH, GEAR, chosen=["Anguilla anguilla"])
    assert seen["state"].tolist() == [
        "found", "not_found", "other_gear", "other_gear", "no_look", "found",
    ]  # fmt: skip
    assert seen["individuals"].tolist() == [4, 0, 0, 0, 0, 1]
    assert seen["lower_bound"].tolist() == [True, False, False, False, False, True]
    assert seen["year"].tolist() == [2024, 2024, 2024, 2024, 2024, 2019]


def test_every_species_by_hand():
    """Without a choice every gear that fished properly looked for something."""
    placements, catches = frames()
    seen = looks(placements, catches, FISH, GEAR)
    assert seen["state"].tolist() == [
        "found", "not_found", "not_found", "found", "no_look", "found",
    ]  # fmt: skip
    years = looks_by_year(seen, placements["method"])
    assert years[["year", "method", "placements", "placements_found"]].to_numpy().tolist() == [
        [2019, "kick", 1, 1],
        [2024, "kick", 2, 1],
        [2024, "trap", 2, 1],
    ]


def test_no_placements():
    """Nothing in, nothing out."""
    placements, catches = frames()
    assert looks(placements.iloc[:0], catches, FISH, GEAR, chosen=["Tinca tinca"]).empty


@pytest.fixture(scope="module")
def island(tmp_path_factory):
    store = open_store(build_demo(tmp_path_factory.mktemp("looks")), read_only=True)
    yield store
    store.close()


def whole_list(store, selection, viewer):
    """All pages of a list as one."""
    page = record_page(
        store, selection, viewer,
        shown="all", sort="placement", descending=False, page=1, size=1_000_000,
    )  # fmt: skip
    return page.rows.reset_index(drop=True)


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC], ids=lambda viewer: viewer.role)
@pytest.mark.parametrize("species", ["Anguilla anguilla", "Cottus gobio", "Salmo salar"])
def test_records_behind_a_cell_are_those_that_were_counted(island, viewer, species):
    """A cell of the table and the list that it opens count the same placements and fish.

    Where a sensitive species was looked for in vain is not listed for the public.
    """
    vain_listed = viewer is LOCAL_KEEPER or species != "Salmo salar"
    cells = summaries.occurrence(island, Selection(species=(species,)), viewer)
    for row in cells[cells["catchment"].isin(["C1", "C2.1", "C4", "KS"])].itertuples():
        listed = whole_list(
            island, Selection(species=(species,), catchments=(row.catchment,)), viewer
        )
        found = listed[listed["state"] == "found"]
        assert len(found) == row.placements_found
        looked = listed["state"].isin(["found", "not_found"]).sum()
        assert looked == (row.placements if vain_listed else row.placements_found)
        assert found["individuals"].sum() == row.individuals
        assert found["lower_bound"].any() == row.individuals_lower_bound


@pytest.mark.parametrize("order", ["name", "found", "looked", "last", "Cottus gobio"])
def test_rows_nest_in_every_order(island, order):
    """Each catchment follows the one that holds it, one step deeper; none is lost."""
    table = occurrence_table(island, Selection(), LOCAL_KEEPER, rows_by=order)
    parents = reference.catchments(island)["parent_id"]
    above = []
    for row in table.rows:
        above[row.depth :] = [row.catchment]
        assert row.parent == (above[-2] if row.depth else "")
        assert (parents[row.catchment] if row.depth else "") == row.parent
    assert sorted(row.catchment for row in table.rows) == sorted(parents.index)
    tops = [row for row in table.rows if row.depth == 0]
    if order == "found":
        assert [row.found for row in tops] == sorted((row.found for row in tops), reverse=True)


def test_too_many_cells_leave_inner_catchments_out(island, monkeypatch):
    """A table that would not fit keeps its outer rows, which say what they hold."""
    monkeypatch.setattr("service.answers.occurrence_table.MOST_CELLS", 300)
    table = occurrence_table(island, Selection(), LOCAL_KEEPER)
    assert {row.depth for row in table.rows} == {0}
    whole = reference.catchments(island)
    assert len(table.rows) + sum(row.left_out for row in table.rows) == len(whole)
    assert table.all_rows == len(whole)


def test_chances_are_those_of_the_summary(island):
    """Each chance, its interval, reaches and year are the summary's; others have a reason there."""
    own = Selection(surveys=("OCC24",), species=("Phoxinus phoxinus", "Esox lucius"))
    told = chances(island, own, LOCAL_KEEPER, season=2024)
    frame = summaries.chance_present(island, own, LOCAL_KEEPER, years=[2024])
    assert frame["chance_present"].notna().any()
    for row in frame.itertuples():
        known = told.cells.get(row.catchment, {}).get(row.species)
        if row.chance_present == row.chance_present:
            ends = (row.chance_present, row.chance_present_low, row.chance_present_high)
            assert known == (*ends, row.units, 2024)
        else:
            assert known is None
            assert row.problem


_ORDERED_BY = {
    "date": "date", "placement": "placement_id", "method": "method_label",
    "catchment": "catchment_name", "state": "state", "fish": "individuals",
}  # fmt: skip


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC], ids=lambda viewer: viewer.role)
@pytest.mark.parametrize("sort", SORTS)
@pytest.mark.parametrize(
    "selection",
    [
        Selection(),
        Selection(species=("Anguilla anguilla",), methods=("fyke_net", "electric_fishing")),
        Selection(catchments=("C1",), species=("Cottus gobio", "Salmo salar")),
    ],
    ids=["all", "sensitive", "catchment"],
)
def test_pages_are_pieces_of_the_whole_list_in_its_order(island, selection, sort, viewer):
    """Every page has the rows that pandas cuts from the whole list sorted, also the last one."""
    whole = whole_list(island, selection, viewer)
    assert len(whole)
    keys = list(dict.fromkeys([_ORDERED_BY[sort], "year", "placement_id"]))
    for shown, descending in itertools.product(SHOWN, (True, False)):
        kept = whole[whole["state"].isin(SHOWN[shown])]
        ordered = kept.sort_values(
            keys, ascending=[not descending] + [True] * (len(keys) - 1), kind="stable"
        )
        size = max(1, len(kept) // 5 - 1)
        for page in (1, 2, -(-len(kept) // size)):
            listed = record_page(
                island, selection, viewer,
                shown=shown, sort=sort, descending=descending, page=page, size=size,
            )  # fmt: skip
            expected = ordered.iloc[(page - 1) * size : page * size].reset_index(drop=True)
            pd.testing.assert_frame_equal(
                listed.rows.reset_index(drop=True), expected, check_dtype=False
            )
            assert listed.total == len(kept)
            assert listed.pages == -(-len(kept) // size)
            assert {k: n for k, n in listed.counts.items() if n} == dict(
                whole["state"].value_counts()
            )


def test_public_list_says_nothing_of_hidden_places(island):
    """Every id is one that the gate gave, and covered placements keep no date or site."""
    listed = whole_list(island, Selection(), PUBLIC)
    assert set(listed["placement_id"]) == set(
        open_records(island, Selection(), PUBLIC).placements.index
    )
    covered = listed[listed["generalised_km"].notna()]
    assert len(covered)
    assert covered[["date", "site", "survey", "reach_id"]].isna().all(axis=None)
    assert covered["year"].notna().all()


def test_a_table_of_many_catchments_is_on_several_pages(island, monkeypatch):
    """The links from page to page lead through every row of the whole table once, and back."""

    def rows(page):
        return re.findall(r"(?s)<tr data-catchment=.*?</tr>", page.text)

    def onward(page, word):
        found = re.search(rf'rel="{word}"\s+href="([^"]+)"', page.text)
        return found and html.unescape(found[1])

    client = create_app(island, viewer=LOCAL_KEEPER).test_client()
    address = "/catchments?rows=found&fold=nothing"
    whole = rows(client.get(address))
    assert len(whole) > 1
    assert onward(client.get(address), "next") is None
    monkeypatch.setattr("service.answers.occurrence_table.MOST_CELLS", 1)
    page, seen = client.get(address), []
    while True:
        seen += rows(page)
        if not (following := onward(page, "next")):
            break
        page = client.get(following)
        assert page.status_code == 200
    outer = [row for row in whole if 'data-parent=""' in row]
    names = [re.search(r'data-catchment="([^"]+)"', row)[1] for row in outer]
    assert [re.search(r'data-catchment="([^"]+)"', row)[1] for row in seen] == names
    assert len(names) > 1
    assert onward(page, "prev") is not None
