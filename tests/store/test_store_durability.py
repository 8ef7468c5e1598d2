"""What was acknowledged is kept, what was not leaves no trace: real processes, really killed."""

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from service.errors import StoreError
from service.records import StoreSettings
from service.store import create_store, open_store
from tests.store_records import add, field_records, small_store, whole

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    store = small_store(tmp_path_factory.mktemp("made") / "fork.gpkg")
    add(store, field_records(store, 10), digest="before")
    store.close()
    return store.path


def _writer(path, first, count, size):
    return subprocess.Popen(
        [sys.executable, "-m", "tests.store_writer", str(path), *map(str, (first, count, size))],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_killing_an_import_leaves_the_store_as_before(made, tmp_path):
    """SIGKILL while one import of 20,000 placements is being written, after growing waits.

    All end well before the import would: no store can undo what is whole and not yet told.
    """
    writer = _writer(Path(shutil.copy(made, tmp_path / "whole.gpkg")), 1_000, 1, 20_000)
    assert writer.stdout.readline() == "ready\n"
    began = time.monotonic()
    assert writer.stdout.readline().startswith("stored ")
    whole_s = time.monotonic() - began
    writer.communicate()
    path = Path(shutil.copy(made, tmp_path / "fork.gpkg"))
    stopped_inside = 0
    for share in (0.02, 0.3, 0.6):
        writer = _writer(path, 1_000, 1, 20_000)
        assert writer.stdout.readline() == "ready\n"
        time.sleep(share * whole_s)
        writer.send_signal(signal.SIGKILL)
        acknowledged = writer.communicate()[0]
        stopped_inside += acknowledged == ""
        store = open_store(path)
        assert len(whole(store).placements) == 10 + 20_000 * (acknowledged != "")
        assert store.faults() == []
        store.close()
        if acknowledged:
            break
    assert stopped_inside > 0


def test_no_acknowledged_import_is_lost_at_any_moment(made, tmp_path):
    """A writer of many small imports is killed at random moments, again and again."""
    path = Path(shutil.copy(made, tmp_path / "fork.gpkg"))
    rng = np.random.default_rng(7)
    expected = {f"P{k:06d}" for k in range(10)}
    for k in range(3):
        first = 10_000 * (k + 1)
        writer = _writer(path, first, 1_000, 3)
        writer.stdout.readline()
        time.sleep(rng.uniform(0.1, 0.6))
        writer.send_signal(signal.SIGKILL)
        lines = writer.communicate()[0].split("\n")
        for line in lines:
            if line.startswith("stored ") and line[7:].isdigit():
                expected |= {f"P{int(line[7:]) + j:06d}" for j in range(3)}
        store = open_store(path)
        found = set(whole(store).placements.index)
        assert store.faults() == []
        store.close()
        assert expected <= found
        assert len(found - expected) in (0, 3)  # written, but killed before it could say so
        expected = found


def test_two_processes_that_write_at_once_lose_nothing(made, tmp_path):
    path = Path(shutil.copy(made, tmp_path / "fork.gpkg"))
    writers = [_writer(path, first, 5, 20) for first in (100_000, 200_000)]
    said = [writer.communicate(timeout=120)[0] for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0]
    assert all(text.count("stored") == 5 for text in said)
    store = open_store(path)
    assert len(whole(store).placements) == 10 + 200
    assert store.faults() == []
    store.close()


def test_a_drive_without_second_names_takes_a_store(tmp_path, monkeypatch):
    """File systems of memory sticks cannot link; a store is made there all the same, or refused."""

    def link(*_names):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.link", link)
    store = small_store(tmp_path / "stick.gpkg")
    assert store.faults() == []
    store.close()
    with pytest.raises(StoreError, match="exists"):
        create_store(tmp_path / "stick.gpkg", StoreSettings(crs="EPSG:32629", timezone="UTC"))
    assert [path.name for path in tmp_path.glob("*.part")] == []
