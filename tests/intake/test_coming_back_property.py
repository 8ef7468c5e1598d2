"""What comes back, or comes from a colleague, is taken whole or not at all, whatever it is.

Seasons and corrections are drawn at random; the rules that must hold are those of the guide.
"""

import itertools
import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from service.intake.importing import check, take
from service.intake.sheets import read_sheets, sheets_from_frames
from service.intake.store_merging import merge
from service.records import Selection
from service.store import open_store
from tests.intake_sheets import NOW, make_store

BAITS, NOTES = ("", "bread", "cheese"), ("", "rain", "n/a?", "3 March")
IDS = ("K1", "K2", "K3", "K4")
ALIKE = settings(
    max_examples=int(os.environ.get("COMING_BACK", "3")),
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),  # a failure is shown as it was drawn, at once
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    path = tmp_path_factory.mktemp("store") / "empty.gpkg"
    make_store(path, bare=True).close()
    return path


@contextmanager
def copies(empty, count):
    """Open copies of the empty store, each for one example."""
    with tempfile.TemporaryDirectory() as folder:
        stores = []
        try:
            stores.extend(
                open_store(Path(shutil.copy(empty, f"{folder}/{number}.gpkg")))
                for number in range(count)
            )
            yield stores
        finally:
            for store in stores:
                store.close()


@st.composite
def records(draw, ids=IDS):
    """Cells of one trap for each of some ids: in the water, lifted with or without fish, lost."""
    made = {}
    for name in draw(st.lists(st.sampled_from(ids), min_size=1, unique=True)):
        outcome = draw(st.sampled_from(["in_the_water", "nil", "caught", "lost"]))
        number = draw(st.integers(1, 3)) if outcome == "caught" else 0
        fish = {"Cottus gobio": number, "Barbatula barbatula": draw(st.integers(0, 1))}
        made[name] = {
            "row": {
                "placement_id": name,
                "survey": "S24",
                "method": "minnow_trap",
                "set_at": "2024-05-01T19:00",
                "lifted_at": "" if outcome == "in_the_water" else "2024-05-02T08:00",
                "longitude": "-11.2128",
                "latitude": "52.6035",
                "gear_count": "4",
                "bait": draw(st.sampled_from(BAITS)),
                "outcome": outcome,
                "notes": draw(st.sampled_from(NOTES)),
            },
            "fish": {name: n for name, n in fish.items() if n} if number else {},
        }
    return made


def enter(store, made, order):
    """Enter records in some order of their ids."""
    rows = [made[name]["row"] for name in order]
    fish = [(name, kind, str(n)) for name in order for kind, n in made[name]["fish"].items()]
    sheets = {"placements": pd.DataFrame(rows, dtype="str")}
    if fish:
        columns = ["placement_id", "species", "count"]
        sheets["catches"] = pd.DataFrame(fish, columns=columns, dtype="str")
    result = check(sheets_from_frames(sheets, audience="form"), store, now=NOW)
    assert not result.refused, result.refused
    take(result, store, "test")


def contents(store):
    """What is stored of every id: document of a placement, cells of gear in the water."""
    placed = store.records(Selection()).placements.index
    water = store.in_the_water()["cells"].to_dict()
    assert store.faults() == []
    return {name: store.document(name) for name in placed} | water


def unlike(ours, theirs):
    return {name for name in ours.keys() & theirs.keys() if ours[name] != theirs[name]}


@ALIKE
@given(records(), records(), st.data())
def test_two_stores_put_together_have_all_of_both_or_nothing_changes(empty, one, two, data):
    """Whichever comes into which, in whatever order they were written; twice is as once."""
    with copies(empty, 3) as (ours, theirs, again):
        for store, made in ((ours, one), (theirs, two), (again, two)):
            enter(store, made, data.draw(st.permutations(list(made))))
        before, new = contents(ours), contents(theirs)
        assert contents(again) == new
        merged = merge(ours, theirs, "test")
        assert {row[1] for row in merged.clashes} == unlike(before, new)
        if merged.clashes:
            assert contents(ours) == before
            return
        together = contents(ours)
        assert together == before | new
        entries = len(ours.history())
        assert merge(ours, again, "test").stored
        assert (contents(ours), len(ours.history())) == (together, entries)
        merge(theirs, ours, "test")
        assert contents(theirs) == together


@ALIKE
@given(records(), records(), st.sampled_from(["", "b-"]), st.data())
def test_what_clashes_is_settled_as_chosen_and_nothing_else_changes(empty, one, two, prefix, data):
    with copies(empty, 2) as (ours, theirs):
        enter(ours, one, one)
        enter(theirs, two, two)
        before, new = contents(ours), contents(theirs)
        ways = ["ours", "theirs", *(["prefix"] if prefix else [])]
        clash = sorted(unlike(before, new))
        # What is a placement here is not put back into the water by a choice.
        chosen = {
            name: data.draw(
                st.sampled_from(
                    [way for way in ways if way != "theirs" or not stands(two, name)
                     or stands(one, name)]
                )
            )
            for name in clash
        }  # fmt: skip
        rows = [("placement", name, way) for name, way in chosen.items()]
        table = pd.DataFrame(rows, columns=["kind", "id", "choice"], dtype="str")
        for _ in range(2):
            merged = merge(ours, theirs, "test", prefix=prefix, choices=table)
            assert merged.stored, (merged.clashes, merged.result)
            wanted = before | {name: own for name, own in new.items() if name not in before}
            for name, way in chosen.items():
                if way != "ours":
                    wanted[f"{prefix}{name}" if way == "prefix" else name] = new[name]
            assert {k: named(v) for k, v in contents(ours).items()} == {
                k: named(v) for k, v in wanted.items()
            }


def stands(made, name):
    return made[name]["row"]["outcome"] == "in_the_water"


def named(document):
    """Leave the id out: it is the key."""
    return {column: own for column, own in document.items() if column != "placement_id"}


GOOD = {
    "notes": ["second thought", "", "-3"],
    "bait": ["liver", ""],
    "gear_count": ["2", "7"],
    "latitude": ["52.6036"],
}
BAD = {"gear_count": ["0", "many", "2.5"], "latitude": ["526036", "x"], "set_at": ["soon"]}


@ALIKE
@given(records(), st.data())
def test_corrections_are_taken_all_or_none_and_nothing_else_changes(empty, made, data):
    """Some columns of some rows, in any order; one bad cell keeps everything as it was."""
    lifted = [name for name in made if not stands(made, name)]
    if not lifted:
        return
    columns = data.draw(st.lists(st.sampled_from(list(GOOD)), min_size=1, unique=True))
    spoilt = data.draw(st.one_of(st.none(), st.sampled_from(list(BAD))))
    if spoilt and spoilt not in columns:
        columns.append(spoilt)
    place = "latitude" in columns
    rows = {}
    for name in data.draw(st.permutations(lifted)):
        stored = made[name]["row"]
        new = {
            column: data.draw(st.sampled_from([stored[column], *GOOD.get(column, [])]))
            for column in columns
        }
        rows[name] = {"placement_id": name} | new
        if place:
            rows[name] |= {"longitude": stored["longitude"]}
    if spoilt:
        rows[data.draw(st.sampled_from(lifted))][spoilt] = data.draw(st.sampled_from(BAD[spoilt]))
    with copies(empty, 2) as (ours, other), tempfile.TemporaryDirectory() as folder:
        for store in (ours, other):
            enter(store, made, made)
        before = contents(ours)
        sheet = Path(folder) / "back.csv"
        pd.DataFrame(list(rows.values())).to_csv(sheet, index=False)
        result = check(read_sheets(sheet), ours, update=True, now=NOW)
        if spoilt:
            assert result.records is None
            assert contents(ours) == before
            return
        assert not result.refused, result.refused
        take(result, ours, "test")
        after = contents(ours)
        whole = {name: own | {"row": own["row"] | rows.get(name, {})} for name, own in made.items()}
        with copies(empty, 1) as (anew,):
            enter(anew, whole, whole)
            assert after == contents(anew)
        said = set(map(tuple, result.changes[["placement_id", "column"]].to_numpy(str)))
        differ = {
            (name, column)
            for name, column in itertools.product(rows, columns)
            if rows[name][column] != made[name]["row"][column]
        }
        assert said == differ
        again = check(read_sheets(sheet), ours, update=True, now=NOW)
        assert (set(again.unchanged), again.changed) == (set(rows), {})
        backwards = pd.read_csv(sheet, dtype="str", keep_default_na=False).iloc[::-1]
        backwards.to_csv(sheet, index=False)
        take(check(read_sheets(sheet), other, update=True, now=NOW), other, "test")
        assert contents(other) == after


def test_the_seasons_of_these_tests_are_of_every_kind():
    """A merge of two that share nothing would show nothing."""
    seen = set()

    @settings(max_examples=30, deadline=None, derandomize=True, database=None)
    @given(records(), records())
    def look(one, two):
        for name in one.keys() & two.keys():
            seen.add((stands(one, name), stands(two, name), one[name] == two[name]))

    look()
    assert {(False, False, False), (True, False, False), (False, True, False)} <= seen
