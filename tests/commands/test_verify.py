"""`rifflebook verify`: faults are found, named, and answered by the exit code."""

import sqlite3
from contextlib import closing

import pytest
from click.testing import CliRunner

from service.answers.verification import verify
from service.program import main
from service.records import Selection
from service.store import open_store
from service.store.guards import register_guard
from tests.handed_over import demo_copy, demo_path


def looked_over(path):
    store = open_store(path, read_only=True)
    try:
        return verify(store)
    finally:
        store.close()


def test_the_demonstration_store_is_sound():
    """Nothing is wrong, and the answer says what was looked at."""
    verdict = looked_over(demo_path())
    assert verdict.faults == ()
    assert "260 placements" in verdict.checked[-1]


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE snaps SET measure_m = measure_m + 5 WHERE fid = 7", "snap: placement"),
        ("UPDATE snaps SET reach_id = (SELECT max(reach_id) FROM reaches) WHERE fid = 7", "snap:"),
        ("DELETE FROM snaps WHERE fid = 7", "has none"),
        ("UPDATE stretches SET to_m = to_m - 3 WHERE fid = 2", "is stored, but does not follow"),
        ("DELETE FROM stretches WHERE fid = 2", "follows from the network, but is not stored"),
        ("UPDATE catches SET count = count + 1 WHERE catch_id = 9", "history"),
        ("DELETE FROM catches WHERE catch_id = 9", "history"),
        ("UPDATE placements SET notes = 'other' WHERE fid = 3", "history"),
        ("INSERT INTO snaps (placement_row, ambiguous) VALUES (99999, 0)", "foreign key"),
        ("DELETE FROM gpkg_geometry_columns WHERE table_name = 'reaches'", "not in gpkg_geom"),
        ("PRAGMA application_id = 1", "application id"),
    ],
)
def test_a_change_past_the_service_is_found(tmp_path, statement, words):
    """Each way of tampering with a store is a fault of its own words."""
    path = demo_copy(tmp_path)
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        # A change of a layer fires its index's triggers, which call functions of the service.
        found = file.execute("SELECT name FROM sqlite_master WHERE name LIKE 'rtree_%_update%'")
        for (name,) in found.fetchall():
            file.execute(f'DROP TRIGGER "{name}"')
        register_guard(file)
        file.execute(statement)
    verdict = looked_over(path)
    assert verdict.faults
    assert any(words in fault for fault in verdict.faults), verdict.faults
    answer = CliRunner().invoke(main, ["verify", str(path)])
    assert answer.exit_code == 1
    assert "Fault: " in answer.output


def test_a_damaged_page_is_found(tmp_path):
    """Bytes overwritten in the middle of the file do not go unnoticed."""
    path = demo_copy(tmp_path)
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2
    raw[middle : middle + 4096] = b"\xa5" * 4096
    path.write_bytes(raw)
    answer = CliRunner().invoke(main, ["verify", str(path)])
    assert answer.exit_code == 1
    assert "Traceback" not in answer.output


def test_the_command_says_sound(tmp_path):
    """The exit code is 0 and the last line says so."""
    answer = CliRunner().invoke(main, ["verify", str(demo_copy(tmp_path))])
    assert answer.exit_code == 0, answer.output
    assert answer.output.strip().endswith("is sound.")


@pytest.mark.parametrize("also", ["", "UPDATE catches SET count = count + 1 WHERE catch_id = 9"])
def test_what_was_cut_by_an_older_rule_is_cut_anew(tmp_path, also):
    """Stretches and snaps follow again; a store that is wrong otherwise is left alone."""
    path = demo_copy(tmp_path)
    before = derived(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        for (name,) in file.execute(
            "SELECT name FROM sqlite_master WHERE name LIKE 'rtree_%_update%'"
        ).fetchall():
            file.execute(f'DROP TRIGGER "{name}"')
        register_guard(file)
        file.execute("UPDATE stretches SET to_m = to_m - 3 WHERE fid % 2 = 0")
        file.execute("UPDATE snaps SET measure_m = measure_m + 5 WHERE fid = 7")
        file.execute(also)
    wrong = derived(path)
    assert wrong != before
    answer = CliRunner().invoke(main, ["verify", str(path), "--place-anew"])
    assert answer.exit_code == (1 if also else 0), answer.output
    assert derived(path) == (wrong if also else before)
    assert ("Was: stretch: placement" in answer.output) is not bool(also)


def derived(path):
    """Stretches and snaps of all placements."""
    store = open_store(path, read_only=True)
    records = store.records(Selection())
    store.close()
    cut = records.stretches[["placement_id", "reach_id", "from_m", "to_m"]].round(3)
    return sorted(cut.to_numpy().tolist()), records.snaps["measure_m"].round(3).to_dict().__repr__()
