"""Summaries of a store: the figures of the layers, through the gate, narrowed as asked."""

import datetime as dt
from contextlib import closing
from importlib import import_module

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from service import reference
from service.answers import summaries
from service.columns import SUMMARY_COLUMNS
from service.errors import RequestError
from service.records import LOCAL_KEEPER, PUBLIC, Selection, StoreSettings
from service.store import create_store, open_store
from tests.small_store import make_small_store


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    held = make_small_store(tmp_path_factory.mktemp("brook") / "brook.gpkg")
    yield held
    held.close()


@pytest.mark.parametrize("name", list(SUMMARY_COLUMNS))
def test_public_columns_lead(store, name):
    """Every summary begins with its public columns and says what it was computed from."""
    frame = getattr(summaries, name)(store, Selection(), LOCAL_KEEPER)
    assert tuple(frame.columns[: len(SUMMARY_COLUMNS[name])]) == SUMMARY_COLUMNS[name]
    assert frame.attrs["inputs"]["placements_used"] > 0


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
def test_summaries_leave_each_other_the_cached_records(store, viewer):
    """One after the other, in either order, each is what it is alone: none changes what it read."""
    names = [*SUMMARY_COLUMNS, "effort_by_year", "stretch_lines"]
    alone = {}
    for name in names:
        with closing(open_store(store.path, read_only=True)) as fresh:  # shares no cache
            alone[name] = getattr(summaries, name)(fresh, Selection(), viewer)
    for order in (names, names[::-1]):
        with closing(open_store(store.path, read_only=True)) as fresh:
            for name in order:
                again = getattr(summaries, name)(fresh, Selection(), viewer)
                assert_frame_equal(pd.DataFrame(again), pd.DataFrame(alone[name]))


@pytest.mark.parametrize(
    ("fitting", "names"),
    [
        ("layers.estimates.change._parts", ("change", "change_by_year")),
        ("layers.estimates.detection.looking_of", ("detection", "chance_present")),
    ],
)
def test_models_are_fitted_once_for_both_tables(store, monkeypatch, fitting, names):
    """Whichever table comes first; another selection and a write have models of their own."""
    module, name = fitting.rsplit(".", 1)
    fit, calls = getattr(import_module(module), name), []
    monkeypatch.setattr(fitting, lambda *given: calls.append(1) or fit(*given))
    for order in (names, names[::-1]):
        with closing(open_store(store.path, read_only=True)) as fresh:
            before = len(calls)
            for table in (*order, *order):
                getattr(summaries, table)(fresh, Selection(), LOCAL_KEEPER)
            assert len(calls) == before + 1
            getattr(summaries, names[0])(fresh, Selection(methods=("kick_net",)), LOCAL_KEEPER)
            assert len(calls) == before + 2


@pytest.mark.parametrize(
    "name",
    ["occurrence", "effort_by_year", "richness", "returns", "coverage", "streams", "gaps",
     "next_places", "sampled_length"],
)  # fmt: skip
def test_a_summary_is_computed_once_until_something_is_written(store, name, tmp_path):
    """Who asks again gets the same frame; other options, other eyes and a write have their own."""
    summary = getattr(summaries, name)
    with closing(make_small_store(tmp_path / "own.gpkg")) as own:
        first = summary(own, Selection(), LOCAL_KEEPER)
        assert summary(own, Selection(), LOCAL_KEEPER) is first
        others = [
            summary(own, Selection(methods=("kick_net",)), LOCAL_KEEPER),
            summary(own, Selection(), PUBLIC),
            summary(store, Selection(), LOCAL_KEEPER),
        ]
        own.put_species(own.species().assign(vernacular_name="written"), who="test")
        written = summary(own, Selection(), LOCAL_KEEPER)
        assert not [each for each in (*others, written) if each is first]
        assert_frame_equal(pd.DataFrame(written), pd.DataFrame(first))


def test_options_of_a_summary_have_answers_of_their_own(store):
    plain = summaries.gaps(store, Selection(), LOCAL_KEEPER)
    assert summaries.gaps(store, Selection(), LOCAL_KEEPER, min_order=2) is not plain
    by = summaries.sampled_length(store, Selection(), LOCAL_KEEPER, by=["year"])
    assert "year" in by
    assert "year" not in summaries.sampled_length(store, Selection(), LOCAL_KEEPER)


@pytest.mark.parametrize(("name", "most"), [("coverage", 80), ("gaps", 50)])
def test_what_is_kept_of_a_network_takes_few_bytes(store, name, most):
    """Bytes a row but for shapes and words: a region has a million; lines are cut where drawn."""
    kept = getattr(summaries, name)(store, Selection(), LOCAL_KEEPER)
    arrays = [kept[column].array for column in kept.columns.drop("geometry")]
    assert sum(getattr(each, "codes", each).nbytes for each in arrays) <= most * len(kept)
    network, water = reference.network(store), summaries.counted(store, Selection(), LOCAL_KEEPER)
    if name == "gaps":  # their pieces are in memory once: the water keeps none
        pieces = kept.geometry.array.parts
        assert sum(array.nbytes for array in pieces) == 20 * len(pieces.group)
        assert "unsampled" not in vars(water.found["visited"][1][1])
    else:
        assert np.shares_memory(kept["length_m"].to_numpy(), network.length_m)
        assert kept.geometry.array.xy is network.lines.xy


@pytest.mark.parametrize("name", ["change", "change_by_year"])
def test_change_everywhere_is_that_of_all_places(store, name):
    """Without the rows of catchments, for which nothing is fitted then."""
    whole = getattr(summaries, name)(store, Selection(), LOCAL_KEEPER)
    assert (whole["catchment"] != "all").any()
    own = getattr(summaries, name)(store, Selection(), LOCAL_KEEPER, everywhere=True)
    assert_frame_equal(own, whole[whole["catchment"] == "all"].reset_index(drop=True))


def test_rates_of_one_species_are_its_rows_of_all(store):
    whole = summaries.effort(store, Selection(), LOCAL_KEEPER)
    for name in whole["species"].unique():
        own = summaries.effort(store, Selection(species=(name,)), LOCAL_KEEPER)
        assert_frame_equal(own, whole[whole["species"] == name].reset_index(drop=True))


@pytest.mark.parametrize("name", ["change", "change_by_year", "detection", "chance_present"])
def test_unknown_species_are_refused(store, name):
    with pytest.raises(RequestError, match="Salmo nobilis"):
        getattr(summaries, name)(store, Selection(species=("Salmo nobilis",)), LOCAL_KEEPER)


@pytest.mark.parametrize("name", list(SUMMARY_COLUMNS))
def test_selection_of_nothing_is_no_error(store, name):
    """A period in which nobody looked gives an answer, not a failure."""
    nobody = Selection(since=dt.date(1990, 1, 1), until=dt.date(1990, 12, 31))
    frame = getattr(summaries, name)(store, nobody, LOCAL_KEEPER)
    assert tuple(frame.columns[: len(SUMMARY_COLUMNS[name])]) == SUMMARY_COLUMNS[name]


def test_sampled_length_by_hand(store):
    """Kick net 0-120 and 100-220 on R1 make 220 m of union and 240 m of effort; with electric
    fishing 400-500 the union is 320 m of the network's 5100 m (worked out by hand)."""
    frame = summaries.sampled_length(store, Selection(), LOCAL_KEEPER).set_index("method")
    assert frame.loc["kick_net", "sampled_length_m"] == pytest.approx(220)
    assert frame.loc["kick_net", "effort_length_m"] == pytest.approx(240)
    assert frame.loc["all", "sampled_length_m"] == pytest.approx(320)
    assert frame.loc["all", "network_length_m"] == pytest.approx(5100)


def test_occurrence_has_three_states(store):
    """Found in the lower brook; looked for in vain; never looked for where nobody was."""
    frame = summaries.occurrence(store, Selection(), LOCAL_KEEPER)
    states = frame.set_index(["catchment", "species"])["state"]
    assert states["C1", "Cottus gobio"] == "found"
    assert states["C1", "Esox lucius"] == "not_found"
    assert states["C2", "Cottus gobio"] == "never_looked"


def test_species_narrow_rows_not_looking(store):
    """Asking for one species leaves its row as it is among all: the others' catches looked too."""
    whole = summaries.occurrence(store, Selection(), LOCAL_KEEPER)
    one = summaries.occurrence(store, Selection(species=("Salmo trutta",)), LOCAL_KEEPER)
    expected = whole[whole["species"] == "Salmo trutta"].reset_index(drop=True)
    assert one.to_csv() == expected.to_csv()


def test_catchments_narrow_rows(store):
    """Chosen catchments leave their rows and those nested in them."""
    frame = summaries.coverage(store, Selection(catchments=("C2",)), LOCAL_KEEPER)
    assert set(frame["catchment"]) == {"C2"}
    everything = summaries.coverage(store, Selection(catchments=("C1",)), LOCAL_KEEPER)
    assert len(everything) == 12
    lengths = summaries.sampled_length(store, Selection(catchments=("C1",)), LOCAL_KEEPER)
    assert list(lengths.columns[:2]) == ["catchment", "method"]


def test_as_of_sets_the_clock(store):
    """Years since are counted to the day given."""
    frame = summaries.coverage(store, Selection(), LOCAL_KEEPER, as_of=dt.date(2024, 6, 10))
    years = frame.set_index("reach_id").loc["R1", "years_since"]
    assert years == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize(
    ("name", "selection", "options"),
    [
        ("sampled_length", Selection(), {"by": ("weather",)}),
        ("next_places", Selection(), {"weight": "stream_name"}),
        ("coverage", Selection(), {"represents_m": 0.0}),
        ("coverage", Selection(upstream_of="R99"), {}),
        ("effort", Selection(upstream_of="R1:far"), {}),
        ("gaps", Selection(downstream_of="R1:99999"), {}),
        ("streams", Selection(streams=("Styx",)), {}),
        ("occurrence", Selection(hours=("noon",)), {}),
        ("gaps", Selection(able_to_find="Cotus gobio"), {}),
        ("next_places", Selection(), {"count": 0}),
        ("occurrence", Selection(species=("Cotus gobio",)), {}),
        ("effort", Selection(methods=("trawl",)), {}),
        ("coverage", Selection(catchments=("C7",)), {}),
        ("gaps", Selection(surveys=("nobody",)), {}),
    ],
)
def test_what_cannot_be_is_refused(store, name, selection, options):
    """Unknown names and groupings are refused, with what would be right."""
    with pytest.raises(RequestError):
        getattr(summaries, name)(store, selection, LOCAL_KEEPER, **options)


def test_public_summaries_do_not_count_hidden_catches_exactly(store):
    """Reach, measure and position of a placement at a sensitive place are in no public answer."""
    known = summaries.placement_reaches(store, Selection(), PUBLIC)
    exact = summaries.placement_reaches(store, Selection(), LOCAL_KEEPER).set_index("placement_id")
    assert exact.loc["T8", "reach_id"] == "R1"
    hidden = round(float(exact.loc["T8", "measure_m"]), 3)
    assert hidden not in known["measure_m"].dropna().round(3).to_list()


def test_network_is_kept_until_it_changes(store):
    """The network is joined once: a species list leaves it alone, new catchments do not."""
    first = reference.network(store)
    names = store.species().index[:1]
    store.put_species(store.species().loc[names].assign(family="Cottidae, again"), who="test")
    assert reference.network(store) is first
    assert reference.species(store).loc[names[0], "family"] == "Cottidae, again"
    store.replace_catchments(store.catchments(), store.reach_parts(), who="test")
    assert reference.network(store) is not first


@pytest.mark.parametrize("name", list(SUMMARY_COLUMNS))
def test_empty_store_gives_empty_summaries(tmp_path, name):
    """Without network, catchments, species and records every summary is empty, none fails."""
    held = create_store(tmp_path / "new.gpkg", StoreSettings("EPSG:32629", "Europe/Dublin"))
    frame = getattr(summaries, name)(held, Selection(), LOCAL_KEEPER)
    assert tuple(frame.columns[: len(SUMMARY_COLUMNS[name])]) == SUMMARY_COLUMNS[name]
    assert not len(frame) or name == "sampled_length"
    held.close()


def test_stretch_lines_have_their_measures_as_length(store):
    """A stretch drawn is as long as its measures say."""
    lines = summaries.stretch_lines(store, Selection(), LOCAL_KEEPER)
    assert isinstance(lines, gpd.GeoDataFrame)
    assert lines.length.to_numpy() == pytest.approx((lines["to_m"] - lines["from_m"]).to_numpy())
