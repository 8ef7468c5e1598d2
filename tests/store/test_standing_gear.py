"""Gear in the water is kept apart from the placements, and leaves when it becomes one."""

from dataclasses import replace

import pandas as pd
import pytest

from service.errors import ConflictError
from tests.store_records import add, field_records, small_store, whole


def _gear(*names, digest="first"):
    index = pd.Index(names, name="placement_id", dtype="str")
    return pd.DataFrame(
        {
            "survey": "S1", "method": "minnow_trap",
            "set_at": pd.Timestamp("2026-06-01T19:30Z"),
            "longitude": -11.2, "latitude": 52.6,
            "cells": [{"placement_id": name} for name in names],
            "digest": digest, "draft": "d1",
        },
        index=index,
    )  # fmt: skip


@pytest.fixture
def store(tmp_path):
    store = small_store(tmp_path / "fork.gpkg")
    yield store
    store.close()


def _lifted(store, name):
    records = field_records(store, 1)
    return replace(
        records,
        placements=records.placements.rename(index=lambda _: name),
        **{
            part: getattr(records, part).assign(placement_id=name)
            for part in ("catches", "lengths", "stretches")
        },
        snaps=records.snaps.rename(index=lambda _: name),
        flags=pd.DataFrame(),
    )


def test_gear_in_the_water_is_no_placement_until_it_is_lifted(store):
    store.put_in_the_water(_gear("T-1", "T-2"), who="crew")
    assert store.in_the_water().index.tolist() == ["T-1", "T-2"]
    assert len(whole(store).placements) == 0
    assert store.in_the_water().loc["T-1", "cells"] == {"placement_id": "T-1"}
    store.put_placement(_lifted(store, "T-1"), who="crew", digest="d")
    assert store.in_the_water().index.tolist() == ["T-2"]
    assert whole(store).placements.index.tolist() == ["T-1"]
    actions = [entry.action for entry in store.history("in_the_water", "T-1")]
    assert actions == ["remove", "add"]
    assert store.faults() == []


def test_a_number_in_use_is_refused(store):
    store.put_in_the_water(_gear("T-1"), who="crew")
    with pytest.raises(ConflictError, match="in the water already"):
        store.put_in_the_water(_gear("T-1", digest="other"), who="crew")
    store.put_placement(_lifted(store, "T-1"), who="crew", digest="d")
    with pytest.raises(ConflictError, match="as lifted"):
        store.put_in_the_water(_gear("T-1"), who="crew")
    with pytest.raises(ConflictError, match="no more"):
        store.put_in_the_water(_gear("T-9"), who="crew", replaces="first")
    assert store.in_the_water().empty
    assert store.faults() == []


def test_an_import_that_set_gear_is_undone(store):
    records = replace(field_records(store, 2), in_the_water=_gear("T-1"))
    batch = add(store, records)
    assert store.in_the_water().index.tolist() == ["T-1"]
    store.undo_batch(batch.batch_id, who="keeper")
    assert store.in_the_water().empty
    assert store.faults() == []


def test_an_import_that_lifted_gear_is_undone(store):
    store.put_in_the_water(_gear("T-1"), who="crew")
    before = store.in_the_water()
    batch = add(store, _lifted(store, "T-1"))
    assert store.in_the_water().empty
    store.undo_batch(batch.batch_id, who="keeper")
    pd.testing.assert_frame_equal(store.in_the_water(), before)
    assert store.faults() == []


def test_an_import_whose_gear_was_lifted_since_is_not_undone(store):
    batch = add(store, replace(field_records(store, 2), in_the_water=_gear("T-1")))
    store.put_placement(_lifted(store, "T-1"), who="crew", digest="d")
    with pytest.raises(ConflictError, match="lifted or changed since"):
        store.undo_batch(batch.batch_id, who="keeper")
    assert "T-1" in whole(store).placements.index
    store.remove_placement("T-1", who="keeper")
    store.undo_batch(batch.batch_id, who="keeper")
    assert whole(store).placements.empty
    assert store.faults() == []


def test_imports_that_set_and_lifted_the_same_gear_are_undone_one_after_the_other(store):
    first = add(store, replace(field_records(store, 2), in_the_water=_gear("T-1")))
    for _ in range(2):
        lift = add(store, _lifted(store, "T-1"))
        store.undo_batch(lift.batch_id, who="keeper")
    assert store.in_the_water().index.tolist() == ["T-1"]
    store.undo_batch(first.batch_id, who="keeper")
    assert store.in_the_water().empty
    assert store.faults() == []


def test_an_import_whose_gear_was_set_again_is_not_undone(store):
    store.put_in_the_water(_gear("T-1"), who="crew")
    batch = add(store, _lifted(store, "T-1"))
    store.remove_placement("T-1", who="crew")
    store.put_in_the_water(_gear("T-1", digest="again"), who="crew")
    with pytest.raises(ConflictError, match=r"T-1.*Remove those first"):
        store.undo_batch(batch.batch_id, who="keeper")
    assert store.in_the_water()["digest"].tolist() == ["again"]
    store.remove_from_the_water("T-1", who="crew")
    store.undo_batch(batch.batch_id, who="keeper")
    assert store.in_the_water()["digest"].tolist() == ["first"]
    assert store.faults() == []
