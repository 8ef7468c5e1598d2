"""Coverage, gaps, streams and next places that follow writes equal those computed from nothing."""

import shutil
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as some

from layers.fieldwork.counted_water import CountedWater
from layers.network.distance import distance_to_sampled
from service.answers import summaries
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.store import open_store
from tests.access.test_picture import (
    PLAN,
    WRITES,
    add,
    change,
    close_cells,
    load_catchments,
    remove,
    undo,
)  # fmt: skip
from tests.random_networks import random_network
from tests.sensitive_store import make_store

BOTH = (LOCAL_KEEPER, PUBLIC)
QUESTIONS = {
    "coverage": {}, "streams": {}, "next_places": {"count": 3}, "sampled_length": {},
    "gaps": {"counts": "visited"}, "gaps of length": {"counts": "sampled"},
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
            else:
                step(store, which if step is not add else number)
        with closing(open_store(store.path)) as again:
            for viewer in BOTH:
                assert_same(answers(store, viewer), answers(again, viewer))


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
