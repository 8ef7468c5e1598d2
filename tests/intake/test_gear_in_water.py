"""A sheet may say that gear is in the water; the next sheet says what came of it."""

import pytest

from service.intake.importing import take
from service.records import Selection
from tests.intake_sheets import CATCHES, cells, checked, make_store, placements


@pytest.fixture
def store(tmp_path):
    store = make_store(tmp_path / "brook.gpkg")
    yield store
    store.close()


def traps(**columns):
    return placements(placement_id=["P1", "P2"], method="minnow_trap", **columns)


def test_rows_in_the_water_are_kept_apart_and_said(store):
    found = checked(
        store, traps(outcome=["In the water", "nil"], lifted_at=["", "2025-05-01T18:00"])
    )
    assert not found.refused
    assert any("not lifted yet" in one.message for one in found.readings)
    batch = take(found, store, "tester")
    assert store.records(Selection()).placements.index.tolist() == ["P2"]
    assert store.in_the_water().index.tolist() == ["P1"]
    store.undo_batch(batch.batch_id, who="tester")
    assert store.in_the_water().empty


def test_the_same_sheet_again_changes_nothing(store):
    sheet = traps(outcome="in_the_water", lifted_at="")
    take(checked(store, sheet), store, "tester")
    again = checked(store, sheet)
    assert again.unchanged == ("P1", "P2")
    assert take(again, store, "tester") is None
    other = checked(store, sheet.assign(bait="cheese"))
    assert {fault.code for fault in other.refused} == {"id_stored"}


def test_a_later_sheet_lifts_the_gear(store):
    take(checked(store, traps(outcome="in_the_water", lifted_at="")), store, "tester")
    lifted = traps(outcome=["caught", "lost"], lifted_at="2025-05-01T18:00")
    found = checked(store, lifted, cells(CATCHES))
    assert not found.refused, found.refused
    assert any("was in the water" in one.message for one in found.readings)
    take(found, store, "tester")
    assert store.in_the_water().empty
    assert store.records(Selection()).placements["outcome"].tolist() == ["caught", "lost"]
    back = checked(store, traps(outcome="in_the_water", lifted_at=""))
    assert {fault.code for fault in back.refused} == {"id_stored"}
    assert store.faults() == []
