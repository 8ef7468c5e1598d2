"""Answers along the network and occurrence that follow writes equal those computed from nothing."""

import datetime as dt
import shutil
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as some

from layers.estimates import fitted_seasons, occurrence
from layers.estimates.coverage import coverage
from layers.estimates.gaps import gaps
from layers.estimates.next_places import next_places
from layers.estimates.stream_summary import stream_summary
from layers.fieldwork.counted_water import COUNTS, CountedWater, counted_water
from layers.network.catchments import part_reaches
from layers.network.distance import distance_to_sampled
from service import access
from service.answers import (
    coverage_answers,
    estimate_summaries,
    following,
    record_summaries,
    summaries,
    water_account,
)
from service.answers.coverage_answers import CoverageQuestion
from service.answers.map_views import map_summary
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.reference.method_files import shipped_methods
from service.store import open_store
from tests.access.test_picture import (
    NETWORK,
    PLAN,
    WRITES,
    add,
    change,
    close_cells,
    load_catchments,
    remove,
    rename,
    undo,
)  # fmt: skip
from tests.random_networks import random_network
from tests.sensitive_store import drawn_catchments, make_store

AS_OF = dt.date(2026, 1, 1)
BOTH = (LOCAL_KEEPER, PUBLIC)
STREAMS = NETWORK.streams[1]["stream_id"]
TARGETS = [
    CoverageQuestion(selection, count=3)
    for selection in (
        Selection(methods=(PLAN.placements["method"].value_counts().index[0],)),
        Selection(streams=(STREAMS[0],)),
        Selection(since=dt.date(2024, 1, 1), upstream_of=str(NETWORK.reaches.index[-1])),
    )
]
# Of the selected placements alone, and kept while these are the same.
ALONE = ("effort", "effort_by_year", "occurrence", "richness", "returns", "lengths")
SELECTIONS = [*(target.selection for target in TARGETS), Selection(catchments=("HALF0",))]
QUESTIONS = {
    "coverage": {}, "streams": {}, "next_places": {"count": 3}, "sampled_length": {},
    "gaps": {"counts": "visited"}, "gaps of length": {"counts": "sampled"}, "occurrence": {},
    "effort": {}, "chance_present": {},
}  # fmt: skip


def answers(store, viewer):
    found = {}
    for what, options in QUESTIONS.items():
        frame = getattr(summaries, what.split()[0])(store, Selection(), viewer, **options)
        inputs = frame.attrs["inputs"]
        if isinstance(frame, gpd.GeoDataFrame):
            frame = pd.DataFrame(frame).assign(geometry=frame.geometry.to_wkt())
        found[what] = frame, inputs
    return found


def pages(store, viewer):
    """What pages of coverage, of reaches and of a stream say, each kept by itself."""
    found = []
    for question in TARGETS:
        places = coverage_answers.next_places(store, question, viewer)
        shown = coverage_answers.coverage(store, question, viewer)
        found += [coverage_answers.overview(store, question, viewer), places.attrs["inputs"]]
        found += [frame.drop(columns="geometry").to_csv() for frame in (places, shown)]
    for chosen in SELECTIONS:
        # Those of length have water that was fished from elsewhere, too.
        names = (*ALONE, "sampled_length")
        frames = [getattr(summaries, name)(store, chosen, viewer) for name in names]
        found += [(frame.to_csv(), frame.attrs["inputs"]) for frame in frames]
        found.append(map_summary(store, chosen, viewer))
    waters = [water_account.reach_water(store, name)[0] for name in NETWORK.reaches.index[::48]]
    waters += [water_account.stream_water(store, name)[0] for name in STREAMS[::2]]
    return found + [water_account.water_account(store, water, viewer) for water in waters]


def brought_up(store, viewer, known, renew):
    return following._brought_up(store, viewer, known, renew, with_effort=True)


def assert_same(one, other):
    for what, (frame, inputs) in one.items():
        pd.testing.assert_frame_equal(frame, other[what][0], check_exact=True, obj=what)
        assert inputs == other[what][1], what


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    with closing(make_store(tmp_path_factory.mktemp("follows") / "s.gpkg", PLAN)) as store:
        return store.path


STEPS = some.tuples(some.sampled_from([*WRITES, "look", "look"]), some.integers(0, 39))
LOOK = ("look", 0)


@settings(
    max_examples=2,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@example(steps=[LOOK, (change, 3), LOOK, (remove, 7), (add, 2), LOOK, (undo, 1)])
@example(steps=[LOOK, (close_cells, 10), LOOK, (load_catchments, 1), (change, 5)])
@given(steps=some.lists(STEPS, min_size=2, max_size=6))
def test_after_any_writes_they_equal_those_made_afresh(made, tmp_path_factory, steps):
    """To the last digit, with or without somebody looking in between, for both sights of places."""
    with closing(open_store(shutil.copy(made, tmp_path_factory.mktemp("any") / "s.gpkg"))) as store:
        for number, (step, which) in enumerate(steps):
            if step == "look":
                for viewer in BOTH:
                    answers(store, viewer)
                    pages(store, viewer)
            else:
                step(store, which if step is not add else number)
        with closing(open_store(store.path)) as again:
            for viewer in BOTH:
                assert_same(answers(store, viewer), answers(again, viewer))
                assert pages(store, viewer) == pages(again, viewer)


def test_one_form_is_worked_out_alone(made, tmp_path, monkeypatch):
    """After one changed placement the water of that one is searched, not that of all."""
    with closing(open_store(shutil.copy(made, tmp_path / "s.gpkg"))) as store:
        answers(store, LOCAL_KEEPER)
        new, put_in = [], CountedWater.with_changes
        monkeypatch.setattr(
            CountedWater,
            "with_changes",
            lambda *of: new.append(len(of[3].row)) or put_in(*of),
        )
        change(store, 4)
        answers(store, LOCAL_KEEPER)
        assert new == [1]


def test_what_is_chosen_is_worked_out_anew_only_after_writes_there(made, tmp_path):
    """Before and after a write outside HALF0, then inside; a permit of a survey is no placement."""
    chosen = Selection(catchments=("HALF0",))
    with closing(open_store(shutil.copy(made, tmp_path / "s.gpkg"))) as store:

        def found():
            return {name: getattr(summaries, name)(store, chosen, LOCAL_KEEPER) for name in ALONE}

        first = found()
        ids = store.records(Selection()).placements.index
        inside = set(access.open_records(store, chosen, LOCAL_KEEPER).placements.index)
        assert inside < set(ids)
        store.remove_placement(next(name for name in ids if name not in inside), who="t")
        second = found()
        assert all(second[name] is first[name] for name in ALONE)
        store.put_surveys(store.surveys().assign(permit="P-9"), who="t")
        assert [name for name, frame in found().items() if frame is not first[name]] == ["returns"]
        store.remove_placement(min(inside), who="t")
        third = found()
        assert not any(third[name] is first[name] for name in ALONE)


def test_occurrence_is_counted_anew_only_around_what_changed(made, tmp_path, monkeypatch):
    """Catchments side by side: those that lost a placement, or have one that is new or changed."""
    shapes = drawn_catchments().iloc[[0] * 9]
    low_x, low_y, high_x, high_y = shapes.total_bounds
    ends = np.linspace(low_x, high_x, len(shapes) + 1)
    shapes = shapes.set_geometry(shapely.box(ends[:-1], low_y, ends[1:], high_y))
    shapes.index = pd.Index([f"C{k}" for k in range(len(shapes))], name="catchment_id", dtype="str")
    few, counted, count = [], [], occurrence.occurrence
    monkeypatch.setattr(
        occurrence,
        "occurrence",
        lambda *of, **more: counted.append(len(of[0])) or count(*of, **more),
    )
    with closing(open_store(shutil.copy(made, tmp_path / "s.gpkg"))) as store:
        store.replace_catchments(shapes, part_reaches(NETWORK, shapes), who="t")
        followed = dict.fromkeys(BOTH)
        renew = record_summaries._counted
        for step, number in [(change, 0), (change, 5), (remove, 8), (add, 3), (remove, 2)]:
            for viewer in BOTH:
                followed[viewer] = brought_up(store, viewer, followed[viewer], renew)
            step(store, number)
            for viewer in BOTH:
                both = (brought_up(store, viewer, b, renew) for b in (followed[viewer], None))
                one, whole = (known.made for known in both)
                pd.testing.assert_frame_equal(one.occurrence, whole.occurrence, check_exact=True)
                assert one.occurrence.attrs == whole.occurrence.attrs
                few.append(counted[-2] / counted[-1])
        # Another main unit of some method changes the words of all catchments.
        last = followed[LOCAL_KEEPER]
        other = last.made._replace(units=last.made.units.iloc[1:])
        brought_up(store, LOCAL_KEEPER, last._replace(made=other), renew)
        brought_up(store, LOCAL_KEEPER, None, renew)
        assert counted[-2] == counted[-1]
    assert 0 < np.median(few) < 0.5


def test_chances_are_made_anew_of_the_seasons_that_changed(made, tmp_path, monkeypatch):
    """Also where a placement left a season; and they are those of all seasons together."""
    looked, look = [], fitted_seasons.looking_of
    monkeypatch.setattr(
        fitted_seasons,
        "looking_of",
        lambda *of, **more: looked.append(len(of[1])) or look(*of, **more),
    )
    shares = []
    with closing(open_store(shutil.copy(made, tmp_path / "s.gpkg"))) as store:
        followed, renew = dict.fromkeys(BOTH), estimate_summaries._chances
        steps = [(change, 0), (change, 5), *((remove, k) for k in (2, 8, 11, 20)), (add, 3)]
        for step, number in [*steps, (rename, 2)]:
            for viewer in BOTH:
                followed[viewer] = brought_up(store, viewer, followed[viewer], renew)
            step(store, number)
            for viewer in BOTH:
                looked.clear()
                one = brought_up(store, viewer, followed[viewer], renew).made
                anew = sum(looked)
                whole = brought_up(store, viewer, None, renew).made
                pd.testing.assert_frame_equal(one.chances, whole.chances, check_exact=True)
                assert one.chances.attrs == whole.chances.attrs
                shares.append(anew / (sum(looked) - anew))
                at_once = estimate_summaries._detected(store, Selection(), viewer, "reach", None)
                pd.testing.assert_frame_equal(one.chances, at_once.by_catchment, check_exact=True)
                assert one.chances.attrs == at_once.by_catchment.attrs
    assert 0 < np.median(shares[:-2]) < 0.7
    assert shares[-2:] == [1, 1]  # another list of species


@pytest.mark.parametrize("seed", range(20))
def test_distances_after_a_change_are_those_of_a_whole_search(seed):
    """On random networks, whatever intervals of a few reaches were put in or taken away."""
    rng = np.random.default_rng(seed)
    network = random_network(seed)
    m = len(network.length_m)

    def intervals(rows):
        ends = rng.uniform(-0.2, 1.2, (2, len(rows))) * network.length_m[rows]
        return rows, *np.sort(ends, axis=0)

    rows, from_m, to_m = intervals(rng.integers(0, m, rng.integers(0, m)))
    before = distance_to_sampled(network, rows, from_m, to_m)
    changed = np.zeros(m, bool)
    changed[rng.integers(0, m, 3)] = True
    stay = ~changed[rows]
    more = intervals(rng.choice(np.flatnonzero(changed), rng.integers(0, 3)))
    new = [np.concatenate([a[stay], b]) for a, b in zip((rows, from_m, to_m), more, strict=True)]
    found = distance_to_sampled(network, *new, before=before, changed=changed)
    whole = distance_to_sampled(network, *new)
    for name in ("node_m", "from_m", "to_m"):
        np.testing.assert_array_equal(getattr(found, name), getattr(whole, name))
    for name in ("sampled", "unsampled"):
        for one, other in zip(getattr(found, name), getattr(whole, name), strict=True):
            np.testing.assert_array_equal(one, other)
    assert whole.moved.all()


METHODS = shipped_methods()
NO_PARTS = pd.DataFrame(
    {"reach_id": [], "from_m": [], "to_m": [], "catchment_id": []}, dtype="str"
).astype({"from_m": float, "to_m": float})


def field_work(network, rng, names):
    """Placements by day and by night: on points, on parts of reaches and on whole ones."""
    n = len(names)
    row = rng.integers(0, len(network.length_m), n)
    reach, length = network.reaches.index.to_numpy(object)[row], network.length_m[row]
    began = pd.Timestamp("2024-06-01", tz="UTC") + pd.to_timedelta(
        rng.integers(0, 999, n), unit="h"
    )
    index = pd.Index(names, name="placement_id", dtype="str")
    placements = gpd.GeoDataFrame(
        {
            "method": rng.choice(METHODS.index[:6].to_numpy(object), n),
            "outcome": rng.choice(["caught", "nil", "lost"], n),
            "set_at": began.as_unit("us"),
            "lifted_at": (began + pd.Timedelta("1h")).as_unit("us"),
            "timezone": "Europe/Dublin",
        },
        geometry=[shapely.Point(-8, 53)] * n, index=index, crs=4326,
    ).astype({"method": "str", "outcome": "str", "timezone": "str"})  # fmt: skip
    at = rng.uniform(0, 1, n) * length
    snaps = pd.DataFrame({"reach_id": pd.Series(reach, index, dtype="str"), "measure_m": at})
    some = np.flatnonzero(rng.random(n) < 0.7)
    whole = rng.random(len(some)) < 0.6
    stretches = pd.DataFrame(
        {
            "placement_id": index.to_numpy(object)[some],
            "reach_id": reach[some],
            "from_m": np.where(whole, 0.0, at[some] / 2),
            "to_m": np.where(whole, length[some], at[some]),
        }
    ).astype({"placement_id": "str", "reach_id": "str"})
    return placements, snaps, stretches


def described(water, before=None):
    """All that follows a water, from its predecessor's or from nothing."""
    made, earlier = before or (-1, {})
    since = {key: {"before": (made, frame)} for key, frame in earlier.items()}
    found = {"coverage": coverage(water, NO_PARTS, as_of=AS_OF, **since.get("coverage", {}))}
    for count in COUNTS:
        found[count] = gaps(water, NO_PARTS, count=count, **since.get(count, {}))
    return water.made, found


def beside(water):
    """What follows it without being given its predecessor's."""
    fish = pd.DataFrame({"rank": ["species"]}, index=pd.Index(["Salmo trutta"], name="species"))
    caught = pd.DataFrame({"placement_id": water.placements.index[:3].astype("str")}).assign(
        species="Salmo trutta", count=1.0, count_kind="exact"
    )
    return (
        stream_summary(water, caught, fish, METHODS),
        next_places(water, water, METHODS, count=4, within_m=300.0, clear_m=50.0),
    )


@pytest.mark.parametrize("seed", range(4))
def test_figures_that_follow_changes_are_those_of_the_whole(seed):
    """Placements that come, go and change on random networks, whole reaches among their water."""
    rng, network = np.random.default_rng(seed), random_network(seed)
    frames = field_work(network, rng, [f"P{k:02d}" for k in range(12)])
    water = counted_water(network, frames[2], frames[1], frames[0], METHODS)
    before = described(water)
    beside(water)
    for turn in range(3):
        names = frames[0].index
        stay = names[rng.random(len(names)) < 0.85]
        come = [f"Q{turn}{k}" for k in range(2)]
        new = field_work(network, rng, come)
        frames = [
            pd.concat([frames[0].loc[stay], new[0]]),
            pd.concat([frames[1].loc[stay], new[1]]),
            pd.concat([frames[2][frames[2]["placement_id"].isin(stay)], new[2]], ignore_index=True),
        ]
        few = counted_water(network, new[2], new[1], new[0], METHODS)
        water = water.with_changes(frames[0], names.get_indexer(frames[0].index), few)
        whole = counted_water(network, frames[2], frames[1], frames[0], METHODS)
        before, afresh = described(water, before), described(whole)
        pairs = [(before[1][key], afresh[1][key]) for key in afresh[1]]
        for one, other in [*pairs, *zip(beside(water), beside(whole), strict=True)]:
            pd.testing.assert_frame_equal(
                pd.DataFrame(one.drop(columns="geometry", errors="ignore")),
                pd.DataFrame(other.drop(columns="geometry", errors="ignore")),
                check_exact=True,
            )
            assert one.attrs == other.attrs
            if "geometry" in one:
                assert one.geometry.to_wkt().tolist() == other.geometry.to_wkt().tolist()


def test_water_keeps_a_row_a_placement_and_two_measures_of_each_interval():
    """24 bytes, also after changes; what lies between sampled intervals is worked out anew."""
    rng, network = np.random.default_rng(3), random_network(3)
    placements, snaps, stretches = field_work(network, rng, [f"P{k:02d}" for k in range(30)])
    water = counted_water(network, stretches, snaps, placements, METHODS)
    for _ in range(2):
        described(water)
        beside(water)
        for part in (water.visited, water.sampled):
            arrays = [*part.intervals, part.placement]
            assert sum(array.nbytes for array in arrays) == 24 * len(part.placement) > 0
        for count in COUNTS:
            _, distance = water.found[count][1]
            assert set(vars(distance)) == {"network", "sampled", "node_m", "moved"}
            arrays, m = [*distance.sampled, distance.node_m, distance.moved], len(network.length_m)
            own = 20 * len(distance.sampled.group) + 8 * network.n_nodes + m
            assert sum(array.nbytes for array in arrays) == own
        few = counted_water(network, *field_work(network, rng, ["Q"])[::-1], METHODS)
        source = np.append(np.arange(len(placements)), -1)
        water = water.with_changes(pd.concat([placements, few.placements]), source, few)
