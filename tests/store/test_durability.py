"""Nothing acknowledged is lost, nothing is half-written, whatever happens to the machine.

RIFFLEBOOK_KILLS sets how often a writer is killed; 12 where it is not set.
"""

import errno
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from service.answers.hand_over import FORMS, HandOver
from service.answers.verification import verify
from service.answers.writing import written_whole
from service.errors import ServiceError, StoreError
from service.export import write_hand_over as write
from service.program import main
from service.records import Selection
from service.store import open_store
from tests.handed_over import demo_copy, demo_path
from tests.killed_writer import Writer, one_more, template

KILLS = int(os.environ.get("RIFFLEBOOK_KILLS", "12"))
ROOT = Path(__file__).parents[2]


def ids_in(path):
    store = open_store(path, read_only=True)
    try:
        return set(store.records(Selection()).placements.index)
    finally:
        store.close()


@pytest.mark.slow
def test_no_acknowledged_record_is_lost_when_a_writer_is_killed(tmp_path):
    """Kill -9 at random moments while placements are added one after another."""
    path = demo_copy(tmp_path)
    chance = random.Random(20260501)
    acknowledged: set[str] = set()
    began = 0
    usual_s = seconds_of_one_record(path)
    for kill in range(KILLS):
        writer = Writer(path, began)
        time.sleep(chance.uniform(0.0, 4 * usual_s))
        said = writer.killed()
        acknowledged |= set(said)
        began += len(said) + 1
        store = open_store(path)
        stored = set(store.records(Selection()).placements.index)
        assert acknowledged <= stored, f"kill {kill}"
        assert store.faults() == [], f"kill {kill}"
        store.close()
    assert verify_path(path) == ()
    assert len(acknowledged) >= KILLS / 4
    print(f"{KILLS} kills, {len(acknowledged)} acknowledged records, none lost")


def seconds_of_one_record(path):
    """How long one record takes on this machine, so that kills fall on every moment of it."""
    began = time.monotonic()
    Writer(path, 0, "usual", most=5).finished()
    return (time.monotonic() - began) / 5


def verify_path(path):
    store = open_store(path, read_only=True)
    try:
        return verify(store).faults
    finally:
        store.close()


def test_two_processes_write_at_once(tmp_path):
    """Both succeed: one waits while the other writes, and nothing is lost."""
    path = demo_copy(tmp_path)
    both = [Writer(path, 0, prefix, most=15) for prefix in ("A", "B")]
    acknowledged = {name for writer in both for name in writer.finished()}
    assert acknowledged == {f"{prefix}{number}" for prefix in "AB" for number in range(15)}
    assert acknowledged <= ids_in(path)
    assert verify_path(path) == ()


@pytest.fixture
def small_disk(tmp_path):
    """A file system of a few megabytes; needs root."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(place)],
        capture_output=True, check=False,
    )  # fmt: skip
    if made.returncode:
        pytest.skip("a small file system can be mounted only by root")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True, capture_output=True)


def test_a_full_disk_refuses_a_record_and_keeps_the_store(small_disk):
    """A clear error; what was acknowledged before is there, and the store is sound."""
    path = demo_copy(small_disk)
    store = open_store(path)
    records = template(store)
    acknowledged = []
    with pytest.raises(StoreError, match="disk is full"):  # noqa: PT012
        for number in range(100_000):
            added, digest = one_more(records, f"F{number}")
            store.put_placement(added, who="test", digest=digest)
            acknowledged.append(f"F{number}")
            if number % 50 == 49:  # fold the log in, so that the file itself fills the disk
                (small_disk / "ballast").open("ab").write(b"0" * 100_000)
    assert acknowledged
    assert set(acknowledged) <= set(store.records(Selection()).placements.index)
    store.close()
    (small_disk / "ballast").unlink(missing_ok=True)
    assert verify_path(path) == ()


@pytest.mark.parametrize("form", FORMS)
def test_a_full_disk_leaves_no_half_written_hand_over(small_disk, form):
    """A clear error, and not a file left behind."""
    with (small_disk / "ballast").open("wb") as ballast:
        ballast.write(b"0" * (4 * 2**20 - 24 * 1024))
    store = open_store(demo_path(), read_only=True)
    with pytest.raises(ServiceError, match="disk is full"):
        write(store, small_disk / "out.bin", HandOver(Selection(), form, "precise"))
    store.close()
    assert [file.name for file in small_disk.iterdir()] == ["ballast"]


def test_a_full_disk_leaves_no_half_written_backup(small_disk):
    """A clear error, and not a file left behind."""
    with (small_disk / "ballast").open("wb") as ballast:
        ballast.write(b"0" * (3 * 2**20))
    answer = CliRunner().invoke(main, ["backup", str(demo_path()), str(small_disk / "kept.gpkg")])
    assert answer.exit_code == 1
    assert "full" in answer.output
    assert [file.name for file in small_disk.iterdir()] == ["ballast"]


def test_a_file_size_limit_is_said_plainly(tmp_path):
    """The same where a user's limit, not the disk, ends the file."""
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000));"
        "from service.program import main; main()"
    )
    out = tmp_path / "out.geojson"
    run = subprocess.run(
        [sys.executable, "-c", code, "export", str(demo_path()), "-o", str(out)],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    assert run.returncode == 1
    assert "Nothing was written" in run.stderr
    assert "Traceback" not in run.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_read_only_store_refuses_changes_and_can_be_read(tmp_path):
    """A clear error, by permission of the file or by how it was opened."""
    store = open_store(demo_path(), read_only=True)
    added, digest = one_more(template(store), "R1")
    with pytest.raises(StoreError, match="reading only"):
        store.put_placement(added, who="test", digest=digest)
    store.close()


@pytest.fixture
def read_only_disk(tmp_path):
    """A folder mounted for reading only, with a store in it; needs root."""
    place = tmp_path / "frozen"
    place.mkdir()
    demo_copy(place)
    for options in (["--bind", str(place), str(place)], ["-o", "remount,ro,bind", str(place)]):
        if subprocess.run(["mount", *options], capture_output=True, check=False).returncode:
            pytest.skip("a folder can be mounted for reading only by root alone")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True, capture_output=True)


def test_a_store_on_a_read_only_disk(read_only_disk):
    """It can be read and looked over; a change is refused in plain words."""
    path = read_only_disk / "copy.gpkg"
    assert verify_path(path) == ()
    with pytest.raises(StoreError, match=r"may only be read|cannot be written"):
        open_store(path)
    answer = CliRunner().invoke(
        main, ["export", str(path), "-o", str(read_only_disk / "out.geojson")]
    )
    assert answer.exit_code == 1
    assert "read-only" in answer.output


def half_written(target):
    with written_whole(target, overwrite=True) as path:
        path.write_text("half")
        raise OSError(errno.ENOSPC, "No space left on device")


def test_what_stood_there_stays_when_writing_fails(tmp_path):
    """A file that is being replaced is whole, old or new, at every moment."""
    target = tmp_path / "out.geojson"
    target.write_text("old")
    with pytest.raises(StoreError, match="disk is full"):
        half_written(target)
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]
