"""`rifflebook backup`: one consistent copy while others write; restoring it."""

import threading

import pytest
from click.testing import CliRunner

from service.answers.verification import verify
from service.errors import StoreError
from service.program import main
from service.records import Selection
from service.store import open_store
from tests.handed_over import assert_same_records, demo_copy, demo_path


def test_a_backup_is_the_store(tmp_path):
    """The copy holds the same records and is sound."""
    copy = tmp_path / "kept.gpkg"
    answer = CliRunner().invoke(main, ["backup", str(demo_path()), str(copy)])
    assert answer.exit_code == 0, answer.output
    one, other = (open_store(path, read_only=True) for path in (demo_path(), copy))
    assert_same_records(one.records(Selection()), other.records(Selection()), but=())
    assert len(one.history(limit=10_000)) == len(other.history(limit=10_000))
    assert verify(other).faults == ()
    one.close()
    other.close()


def test_a_backup_into_a_folder_bears_the_stores_name(tmp_path):
    """DEST may be a folder; what is in it already is not overwritten."""
    path = demo_copy(tmp_path)
    folder = tmp_path / "backups"
    folder.mkdir()
    assert CliRunner().invoke(main, ["backup", str(path), str(folder)]).exit_code == 0
    first = (folder / "copy.gpkg").read_bytes()
    again = CliRunner().invoke(main, ["backup", str(path), str(folder)])
    assert again.exit_code == 1
    assert "exists" in again.output
    assert (folder / "copy.gpkg").read_bytes() == first
    assert [file.name for file in folder.iterdir()] == ["copy.gpkg"]


def test_a_backup_while_others_write_is_consistent(tmp_path):
    """Copies made between and during changes are sound, each of one moment."""
    path = demo_copy(tmp_path)
    writer = open_store(path)
    ids = writer.records(Selection()).placements.index[:40].tolist()
    stop = threading.Event()

    def remove():
        for name in ids:
            writer.remove_placement(name, who="test")
        stop.set()

    thread = threading.Thread(target=remove)
    thread.start()
    counts = []
    reader = open_store(path, read_only=True)
    while not stop.is_set() or not counts:
        copy = tmp_path / f"kept{len(counts)}.gpkg"
        reader.backup(copy)
        store = open_store(copy, read_only=True)
        assert store.faults() == []
        counts.append(len(store.records(Selection()).placements))
        store.close()
    thread.join()
    reader.close()
    writer.close()
    assert counts == sorted(counts, reverse=True)
    assert counts[-1] >= 220


def test_restoring_is_putting_the_copy_in_place(tmp_path):
    """As README tells it: stop, put the copy in the store's place, verify, go on working."""
    path = demo_copy(tmp_path)
    kept = tmp_path / "kept.gpkg"
    assert CliRunner().invoke(main, ["backup", str(path), str(kept)]).exit_code == 0
    store = open_store(path)
    store.remove_placement(store.records(Selection()).placements.index[0], who="test")
    store.close()
    for leftover in (f"{path}-wal", f"{path}-shm"):
        (tmp_path / leftover).unlink(missing_ok=True)
    kept.replace(path)
    assert CliRunner().invoke(main, ["verify", str(path)]).exit_code == 0
    store = open_store(path)
    assert len(store.records(Selection()).placements) == 260
    store.remove_placement(store.records(Selection()).placements.index[0], who="test")
    store.close()


def test_a_backup_where_there_is_no_folder_says_so(tmp_path):
    """A readable error, nothing left behind."""
    store = open_store(demo_path(), read_only=True)
    with pytest.raises(StoreError, match="no folder"):
        store.backup(tmp_path / "nowhere" / "kept.gpkg")
    store.close()
    assert list(tmp_path.iterdir()) == []
