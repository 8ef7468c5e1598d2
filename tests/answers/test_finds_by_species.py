"""Placements that found each species: those of its own page, for each viewer and filter."""

from dataclasses import replace

import pytest

from service import create_app, reference
from service.answers.record_list import finds_by_species, species_account
from service.commands.demo_store import build_demo
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from service.store import open_store


@pytest.fixture(scope="module")
def island(tmp_path_factory):
    store = open_store(build_demo(tmp_path_factory.mktemp("island")))
    yield store
    store.close()


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC], ids=lambda viewer: viewer.role)
@pytest.mark.parametrize("selection", [Selection(), Selection(methods=("minnow_trap",))])
def test_the_list_counts_as_the_page_of_a_species_does(island, viewer, selection):
    counts = finds_by_species(island, selection, viewer)
    assert counts.sum() > 0
    for name, found in counts.items():
        own = replace(selection, species=(name,))
        assert found == species_account(island, own, viewer, name).found, name


def test_nobody_is_told_that_hidden_finds_are_none(island):
    """Where finds of a species may be hidden, the list says how many are shown."""
    page = create_app(island, Settings(), viewer=PUBLIC).test_client().get("/species").text
    listed = reference.species(island)
    secret = listed.index[listed["sensitivity"].fillna("none") == "withheld"]
    assert len(secret)
    for name in secret:
        row = page[page.index(f"<i>{name}</i>") :].split("</tr>")[0]
        assert "none shown" in " ".join(row.split())
