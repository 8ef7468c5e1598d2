"""Occurrence by catchment, reach, site and year of the demonstration, against a plain loop."""

import pandas as pd
import pytest

from layers.fieldwork.effort import effort_of
from layers.fieldwork.stretches import stretch_lengths
from layers.network.streams import streams
from service import reference
from service.access import open_records, placement_catchments
from service.answers import summaries
from service.answers.record_list import record_places
from service.commands.demo_store import build_demo
from service.errors import RequestError
from service.export.absences import scope_of
from service.export.contents import gather
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.store import open_store
from tests.estimates.test_occurrence import assert_equals_loop, loop


@pytest.fixture(scope="module")
def island(tmp_path_factory):
    store = open_store(build_demo(tmp_path_factory.mktemp("by")), read_only=True)
    yield store
    store.close()


def places(store, records, by):
    placements = records.placements
    local = pd.Series(
        {
            pid: str(set_at.tz_convert(zone).year)
            for pid, set_at, zone in zip(
                placements.index, placements["set_at"], placements["timezone"], strict=True
            )
        }
    )
    joined = reference.network(store)
    number, table = streams(joined)
    named = {
        reach: f"{row.stream} ({row.stream_id})"
        if (table["stream"] == row.stream).sum() > 1
        else row.stream
        for reach, row in zip(joined.reaches.index, table.iloc[number].itertuples(), strict=True)
    }
    assert len(set(named.values())) == len(table)
    return {
        "catchment": placement_catchments(store, placements),
        "stream": records.snaps["reach_id"].reindex(placements.index).map(named),
        "reach": records.snaps["reach_id"].reindex(placements.index),
        "site": placements["site"],
        "year": local,
    }[by]


def assert_equals_records(store, by):
    records = open_records(store, Selection(), LOCAL_KEEPER)
    methods = reference.methods(store)
    effort = effort_of(records.placements, methods, stretch_lengths(records.stretches))
    plain = loop(
        records.placements,
        records.catches,
        reference.species(store),
        methods,
        place_of=places(store, records, by),
        snaps=records.snaps,
        effort=effort,
        ancestors=reference.ancestors(store) if by == "catchment" else None,
    )
    ours = summaries.occurrence(store, Selection(), LOCAL_KEEPER, by=by)
    assert ours.columns[0] == by
    assert_equals_loop(ours.rename(columns={by: "catchment"}).astype({"catchment": "str"}), plain)
    return ours


@pytest.mark.parametrize("by", summaries.OCCURRENCE_BY)
def test_the_island_equals_a_plain_loop(island, by):
    """Every figure, date, state and effort of every row, from the stored records."""
    ours = assert_equals_records(island, by)
    looked = ours[ours["state"] == "not_found"]
    assert len(looked)
    assert (
        looked[["first_looked", "last_looked", "looked_methods", "effort"]].notna().all(axis=None)
    )
    assert (looked["visits"] > 0).all()
    assert looked["effort"].str.contains(r"\d").all()
    # In every year somebody found each species that other fish may have been.
    assert (ours["state"] == "possible").any() == (by != "year")


def test_a_grouping_that_is_none_is_refused(island):
    with pytest.raises(RequestError, match="use one of catchment, stream, reach, site, year"):
        summaries.occurrence(island, Selection(), LOCAL_KEEPER, by="county")


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC], ids=lambda viewer: viewer.role)
def test_a_possible_species_is_absent_from_no_file_and_no_list(island, viewer):
    """What was recorded as fish of its genus is neither an absence nor a look in vain."""
    audience = "precise" if viewer is LOCAL_KEEPER else "public"
    contents = gather(island, Selection(), audience, viewer=viewer)
    scope = scope_of(contents)
    absent = pd.DataFrame(
        scope.absent, index=contents.records.placements.index, columns=scope.species
    )
    seen = 0
    for species in ("Pungitius pungitius", "Phoxinus phoxinus", "Rutilus rutilus"):
        listed = record_places(island, Selection(species=(species,)), viewer)
        possible = listed.index[listed["state"] == "possible"]
        seen += len(possible)
        assert not absent.loc[possible, species].any()
        exact = listed.index[listed["state"].eq("not_found") & listed["generalised_km"].isna()]
        assert absent.loc[exact, species].all()
    assert seen
