"""Opening a store, keeping it, and what is found when somebody meddled with it."""

import dataclasses
import sqlite3
import threading
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from service import reference
from service.errors import ConflictError, StoreBusyError, StoreError
from service.records import StoreSettings
from service.reference.loading_layers import load_reaches
from service.store import create_store, open_store
from service.store.geometry_blobs import register_functions
from service.store.guards import register_guard
from tests.store_records import CRS, FRAMES, add, field_records, reaches, whole


# Opening ------------------------------------------------------------------------------------
def test_a_store_is_never_overwritten(store, tmp_path):
    with pytest.raises(StoreError, match="never overwritten"):
        create_store(store.path, store.settings)
    with pytest.raises(StoreError, match="no folder"):
        create_store(tmp_path / "none" / "s.gpkg", store.settings)
    assert sorted(p.suffix for p in tmp_path.iterdir() if p.name.startswith(".")) == []


def test_settings_are_kept(tmp_path):
    wanted = StoreSettings(CRS, "Europe/Dublin", 50.0, 1.0, title='A "title"')
    create_store(tmp_path / "s.gpkg", wanted).close()
    found = open_store(tmp_path / "s.gpkg").settings
    assert found == replace(wanted, store_id=found.store_id, schema_version=found.schema_version)
    assert len(found.store_id) == 32


@pytest.mark.parametrize("content", [b"", b"not a database at all" * 99, None])
def test_what_is_no_store_is_refused_in_words(tmp_path, content):
    path = tmp_path / "x.gpkg"
    if content is None:
        sqlite3.connect(path).executescript("CREATE TABLE a (b); PRAGMA user_version = 3")
    else:
        path.write_bytes(content)
    with pytest.raises(StoreError, match="not a Rifflebook store"):
        open_store(path)
    with pytest.raises(StoreError, match="There is no store"):
        open_store(tmp_path / "none.gpkg")


def test_a_store_open_for_reading_is_not_written(store):
    add(store, field_records(store, 2))
    reader = open_store(store.path, read_only=True)
    assert len(whole(reader).placements) == 2
    with pytest.raises(StoreError, match="reading only"):
        reader.remove_placement("P000000", who="x")
    reader.close()


def test_a_locked_store_says_so(store):
    """Another process that holds the write lock: a clear word after waiting, no half write."""
    impatient = open_store(store.path, busy_seconds=0.1)
    records = field_records(store, 2)
    other = sqlite3.connect(store.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreBusyError, match="another process"):
        add(impatient, records)
    assert whole(impatient).placements.empty  # reading goes on meanwhile
    other.execute("ROLLBACK")
    other.close()
    add(impatient, records)
    impatient.close()


def test_a_full_disk_says_so_and_leaves_the_store_as_before(store):
    """SQLite answers SQLITE_FULL at a page limit exactly as on a full disk."""
    records = field_records(store, 500)
    limit = sqlite3.connect(store.path).execute("PRAGMA page_count").fetchone()[0] + 5
    with store._session.raw() as connection:
        connection.execute(f"PRAGMA max_page_count = {limit}")
    with pytest.raises(StoreError, match="disk is full"):
        add(store, records)
    assert whole(store).placements.empty
    assert store.faults() == []
    with store._session.raw() as connection:
        connection.execute("PRAGMA max_page_count = 1000000")
    add(store, records)


def test_threads_that_write_at_once_lose_nothing(store):
    """Eight writers of one store object: all placements are there, each with its entry."""
    records = [field_records(store, 5, start=100 * k, seed=k) for k in range(8)]
    problems = []

    def write(k):
        try:
            add(store, records[k], digest=str(k))
        except Exception as problem:  # noqa: BLE001  all are gathered
            problems.append(problem)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert len(whole(store).placements) == 40
    assert store.faults() == []


# Upkeep -------------------------------------------------------------------------------------
def test_a_backup_is_a_whole_store(store, tmp_path):
    add(store, field_records(store, 20))
    copy = tmp_path / "copy.gpkg"
    store.backup(copy)
    again = open_store(copy)
    assert again.faults() == []
    assert again.settings == store.settings
    assert_frame_equal(whole(again).catches, whole(store).catches)
    again.close()
    with pytest.raises(StoreError, match="exists"):
        store.backup(copy)
    with pytest.raises(StoreError, match="no folder"):
        store.backup(tmp_path / "none" / "copy.gpkg")


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE placements SET notes = 'x' WHERE fid = 2", "differs from its last entry"),
        ("DELETE FROM catches WHERE catch_id = 1", "differs from its last entry"),
        ("UPDATE lengths SET length_mm = 1 WHERE fid = 1", "differs from its last entry"),
        ("DELETE FROM placements WHERE fid = 3", "no removal is on record"),
        ("DELETE FROM rtree_placements_geom WHERE id = 2", "R-tree of placements"),
        ("UPDATE placements SET method = 'none_such' WHERE fid = 1", "foreign key"),
        ("DELETE FROM gpkg_contents WHERE table_name = 'species'", "species is not in"),
        ("UPDATE gpkg_contents SET max_x = max_x - 2000", "placements lie outside its extent"),
        ("UPDATE gpkg_contents SET min_y = NULL", "3 features of reaches lie outside"),
        ("UPDATE reaches SET geom = NULL WHERE fid = 1", "reaches differ from their last"),
        ("UPDATE species SET sensitivity = '10' WHERE fid = 1", "species 'Salmo trutta' differs"),
        ("DELETE FROM methods WHERE method = 'kick_net'", "method 'kick_net' differs"),
        ("UPDATE sites SET name = 'Weir'", "site 'Spring ford' differs"),
        ("DROP TRIGGER guard_catches_update", "can change these tables"),
        ("DROP TABLE api_tokens", "table api_tokens is missing"),
        ("PRAGMA application_id = 1", "application id"),
    ],
)
def test_tampering_is_found(store, statement, said):
    """Each kind of fault that `verify` looks for, made on purpose past the program."""
    add(store, field_records(store, 5))
    assert store.faults() == []
    connection = sqlite3.connect(store.path)
    register_functions(connection)
    register_guard(connection)
    connection.execute(statement)
    connection.commit()
    connection.close()
    assert any(said in fault for fault in store.faults())


def test_every_field_of_the_contract_is_a_column(store):
    """DEVELOPERS.md, "Frames": placements."""
    wanted = (  # noqa: SIM905  as the contract writes them
        "survey site stream_name method set_at lifted_at timezone outcome gear_count lifts "
        "minutes passes minutes_pass_1 minutes_pass_2 minutes_pass_3 minutes_pass_4 minutes_pass_5 "
        "minutes_pass_6 area_m2 stretch_length_m stretch_anchor position_uncertainty_m mesh_mm "
        "bait trap_air_space water_temperature_c dissolved_oxygen_mg_l conductivity_us_cm "
        "water_velocity_m_s visibility_m wetted_width_m crew operator_certificate machine_check "
        "permit gear_cleaned notes shape_kind shape original_x original_y original_crs "
        "transformation transformation_accuracy_m batch_id geometry"
    ).split()
    assert list(whole(store).placements.columns) == wanted
    assert np.array_equal(
        [field.name for field in dataclasses.fields(whole(store))], ["placements", *FRAMES]
    )


def test_a_network_of_yesterday_is_not_put_under_the_records_of_today(store):
    """An edit while the network was prepared is noticed, though no placement came or went."""
    add(store, field_records(store, 4))
    version, network = store.version, store.reaches()
    snaps = whole(store).snaps
    store.remove_placement("P000003", who="tester")
    add(store, field_records(store, 1, start=9), digest="another")  # as many as before
    empty = whole(store).stretches.iloc[:0], whole(store).flags.iloc[:0]
    with pytest.raises(ConflictError, match="load the network again"):
        store.replace_network(
            network, store.reach_parts(), snaps, *empty, who="tester", version=version
        )
    assert store.faults() == []


def test_the_network_is_kept_until_it_changes(store):
    kept, version = reference.network(store), store.network_version
    add(store, field_records(store, 4))
    assert store.network_version == version
    assert reference.network(store) is kept
    load_reaches(store, reaches().iloc[:2], who="tester", node_tolerance_m=2.0)
    assert store.network_version > version
    assert len(reference.network(store).reaches) == 2
    assert store.settings.node_tolerance_m == 2.0


def test_another_process_changes_the_network(store):
    kept = reference.network(store)
    other = open_store(store.path)
    load_reaches(other, reaches().iloc[:2], who="tester", node_tolerance_m=3.0)
    other.close()
    assert store.settings.node_tolerance_m == 3.0
    assert reference.network(store) is not kept


def test_progress_of_a_batch_comes_in_steps(store):
    records, said = field_records(store, 40), []
    digests = pd.Series("d", index=records.placements.index, dtype="str")
    store.add_batch(
        records, who="tester", files=(), digest="x", digests=digests,
        progress=lambda done, total: said.append((done, total)),
    )  # fmt: skip
    done = [one for one, _ in said]
    assert done == sorted(set(done))
    assert len(done) >= 5
    assert said[0] == (0, 40)
    assert said[-1] == (40, 40)
