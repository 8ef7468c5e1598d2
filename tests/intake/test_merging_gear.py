"""`rifflebook merge`: gear in the water comes in under the same rules as placements."""

import pandas as pd
import pytest
from click.testing import CliRunner

from service.commands.merge import merge
from service.errors import RequestError
from service.intake.importing import take
from service.records import Selection
from service.store import open_store
from tests.intake_sheets import checked, make_store, placements

PASSIVE = {"method": "minnow_trap", "minutes": "", "lifts": "", "gear_count": "4"}


def gear(name="G1", outcome="in_the_water", **columns):
    """One trap, in the water or lifted."""
    lifted = "" if outcome == "in_the_water" else "2025-05-01T18:00"
    return placements(placement_id=[name], outcome=outcome, lifted_at=lifted, **PASSIVE, **columns)


def enter(path, *sheets):
    store = open_store(path)
    for sheet in sheets:
        result = checked(store, sheet)
        assert not result.refused, result.refused
        take(result, store, "test")
    store.close()


@pytest.fixture
def both(tmp_path):
    for name in ("ours", "theirs"):
        make_store(tmp_path / f"{name}.gpkg", bare=True).close()
    return tmp_path / "ours.gpkg", tmp_path / "theirs.gpkg"


def run(ours, theirs, *more):
    done = CliRunner().invoke(merge, [str(one) for one in (ours, theirs, *more)])
    if isinstance(done.exception, RequestError):
        raise done.exception
    return done


def state(path):
    """Gear in the water with its cells, placements with their outcome, and how many changes."""
    store = open_store(path, read_only=True)
    try:
        assert store.faults() == []
        water = store.in_the_water()["cells"].to_dict()
        lifted = store.records(Selection()).placements["outcome"].to_dict()
        return water, lifted, len(store.history())
    finally:
        store.close()


def choices(folder, choice, name="G1"):
    path = folder / "choices.csv"
    path.write_text(f"kind,id,choice\nplacement,{name},{choice}\n", "utf-8")
    return "--choices", path


def test_gear_in_the_water_comes_in_and_stays_the_same(both):
    """From a store that has nothing else; a second time nothing changes."""
    ours, theirs = both
    enter(theirs, gear())
    done = run(ours, theirs)
    assert done.exit_code == 0, done.output
    assert "0 new placements, 0 changed to theirs, 0 the same, 1 new in the water" in done.output
    assert state(ours)[:2] == state(theirs)[:2]
    before = state(ours)
    again = run(ours, theirs)
    assert "0 new placements, 0 changed to theirs, 1 the same." in again.output
    assert state(ours) == before


def test_what_they_lifted_is_lifted_here(both):
    ours, theirs = both
    enter(theirs, gear())
    run(ours, theirs)
    enter(theirs, gear(outcome="nil"))
    done = run(ours, theirs)
    assert done.exit_code == 0, done.output
    assert state(ours)[:2] == ({}, {"G1": "nil"})


def test_what_was_lifted_here_does_not_stand_again(both):
    """Their store has it in the water still, just as it was set."""
    ours, theirs = both
    enter(theirs, gear())
    run(ours, theirs)
    enter(ours, gear(outcome="nil"))
    before = state(ours)
    done = run(ours, theirs)
    assert done.exit_code == 0, done.output
    assert "1 lifted here already" in done.output
    assert state(ours) == before


def test_gear_of_one_number_and_other_content_clashes(both):
    ours, theirs = both
    enter(ours, gear(bait="cheese"))
    enter(theirs, gear(bait="bread"), gear("G2"))
    before = state(ours)
    done = run(ours, theirs)
    assert done.exit_code == 1
    assert "clash    placement G1, bait: ours cheese; theirs bread" in done.output
    assert "Clashes: 1, values refused: 0." in done.output
    assert state(ours) == before


@pytest.mark.parametrize(
    ("choice", "left"),
    [
        ("ours", {"G1": "cheese", "G2": ""}),
        ("theirs", {"G1": "bread", "G2": ""}),
        ("prefix", {"G1": "cheese", "b-G1": "bread", "G2": ""}),
    ],
)
def test_a_clash_of_gear_is_settled_by_hand(both, tmp_path, choice, left):
    """Each way; a second time nothing changes."""
    ours, theirs = both
    enter(ours, gear(bait="cheese"))
    enter(theirs, gear(bait="bread"), gear("G2"))
    options = (*choices(tmp_path, choice), "--prefix", "b-")
    done = run(ours, theirs, *options)
    assert done.exit_code == 0, done.output
    water, _, changes = state(ours)
    assert {name: own.get("bait", "") for name, own in water.items()} == left
    assert run(ours, theirs, *options).exit_code == 0
    assert state(ours) == (water, {}, changes)


def test_other_gear_that_was_lifted_clashes_with_gear_in_the_water(both, tmp_path):
    """One number, two traps: one stands still, the other was lifted. Either way round."""
    ours, theirs = both
    enter(ours, gear(bait="cheese"))
    enter(theirs, gear(outcome="nil", bait="bread"))
    for one, other, said in (
        (ours, theirs, "ours in_the_water; theirs nil"),
        (theirs, ours, "ours nil; theirs in_the_water"),
    ):
        before = state(one)
        done = run(one, other)
        assert done.exit_code == 1
        assert f"clash    placement G1, outcome: {said}" in done.output
        assert state(one) == before
    with pytest.raises(RequestError, match="G1 was lifted here"):
        run(theirs, ours, *choices(tmp_path, "theirs"))
    done = run(theirs, ours, "--prefix", "b-")
    assert done.exit_code == 0, done.output
    assert (*state(theirs)[0], *state(theirs)[1]) == ("b-G1", "G1")


def test_gear_taken_out_here_does_not_come_back_by_itself(both, tmp_path):
    ours, theirs = both
    enter(theirs, gear())
    run(ours, theirs)
    store = open_store(ours)
    store.remove_from_the_water("G1", who="test")
    store.close()
    done = run(ours, theirs)
    assert done.exit_code == 1
    assert "clash    placement G1: ours removed 20" in done.output
    assert run(ours, theirs, *choices(tmp_path, "theirs")).exit_code == 0
    assert list(state(ours)[0]) == ["G1"]


@pytest.mark.parametrize(
    ("kind", "name", "choice"),
    [
        ("placement", "P9", "ours"),
        ("placement", "P3", "ours"),
        ("placement", "P2", "prefix"),
        ("survey", "S99", "theirs"),
        ("species", "Salmo", None),
    ],
)
def test_a_choice_for_what_does_not_clash_is_refused(both, tmp_path, kind, name, choice):
    """Mistyped, new, or the same; only what is the same may be settled once more."""
    ours, theirs = both
    enter(ours, placements(placement_id=["P2"]))
    enter(theirs, placements(placement_id=["P2", "P3"]))
    before = state(ours)
    path = tmp_path / "choices.csv"
    path.write_text(f"kind,id,choice\n{kind},{name},{choice or 'ours'}\n", "utf-8")
    if choice is None:
        assert run(ours, theirs, "--choices", path).exit_code == 0
        return
    with pytest.raises(RequestError, match=f"where nothing clashes, for {kind} {name};"):
        run(ours, theirs, "--choices", path, "--prefix", "b-")
    assert state(ours) == before


def test_a_store_of_which_nothing_is_wanted_changes_nothing(both, tmp_path):
    """Its one placement clashes, and ours stays."""
    ours, theirs = both
    enter(ours, placements(placement_id=["P2"], minutes="40"))
    enter(theirs, placements(placement_id=["P2"], minutes="50"))
    before = state(ours)
    done = run(ours, theirs, *choices(tmp_path, "ours", "P2"))
    assert done.exit_code == 0, done.output
    assert "Merged: 0 new placements, 0 changed to theirs, 0 the same." in done.output
    assert state(ours) == before


def test_gear_of_a_survey_that_goes_under_another_name_goes_with_it(both, tmp_path):
    """Two surveys of one name; what was lifted there since is found again."""
    ours, theirs = both
    named = pd.Index(["S24"], name="survey")
    for path, leader in ((ours, "crew A"), (theirs, "crew B")):
        store = open_store(path)
        store.put_surveys(pd.DataFrame({"leader": [leader]}, index=named), who="t")
        store.close()
    enter(theirs, gear())
    assert run(ours, theirs, "--prefix", "b-").exit_code == 0
    assert state(ours)[0]["G1"]["survey"] == "b-S24"
    enter(theirs, gear(outcome="nil"))
    done = run(ours, theirs, "--prefix", "b-")
    assert done.exit_code == 0, done.output
    assert state(ours)[:2] == ({}, {"G1": "nil"})
