"""Answers of a store are made once, for as long as it stays as it is, and by right of sight."""

import errno
import io
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from service.access import open_records
from service.cache import cache_file, cached, given_once
from service.records import LOCAL_KEEPER, PUBLIC, Selection, StoreSettings, Viewer
from service.settings import read_settings
from service.store import create_store, open_store
from tests.small_store import make_small_store


@pytest.fixture
def store(tmp_path):
    made = make_small_store(tmp_path / "brook.gpkg")
    yield made
    made.close()


def numbered():
    """Return a maker whose answers are 1, 2, 3, …"""
    numbers = iter(range(1, 1_000))
    return lambda: next(numbers)


def test_an_answer_is_made_once_and_by_question(store):
    make = numbered()
    assert [cached(store, None, "a", make) for _ in range(3)] == [1, 1, 1]
    assert cached(store, None, "b", make) == 2
    assert cached(store, None, "a", make) == 1


def test_who_sees_exact_places_and_who_does_not_share_no_answer(store):
    """A public viewer never gets what was made for a keeper; equals in sight share it."""
    make = numbered()
    assert cached(store, LOCAL_KEEPER, "places", make) == 1
    assert cached(store, PUBLIC, "places", make) == 2
    assert cached(store, Viewer("m", "member"), "places", make) == 1
    assert cached(store, Viewer("v", "viewer"), "places", make) == 2


def test_threads_that_want_the_same_make_it_once(store):
    """While one makes it, the others wait, and a question of another kind is not held up."""
    make, going = numbered(), threading.Event()

    def slow():
        assert going.wait(20)
        return make()

    with ThreadPoolExecutor(4) as pool:
        wanted = [pool.submit(cached, store, None, "slow", slow) for _ in range(3)]
        assert cached(store, None, "other", lambda: "at once") == "at once"
        going.set()
        assert [one.result(20) for one in wanted] == [1, 1, 1]


def test_a_write_of_another_process_is_noticed(store):
    """Answers are void after it; those of the network alone are not."""
    make, of_network = numbered(), numbered()
    cached(store, None, "a", make)
    cached(store, None, "n", of_network, of_network=True)
    code = (
        "import sys; from pathlib import Path; from service.store import open_store;"
        "store = open_store(Path(sys.argv[1]));"
        "store.put_species(store.species().assign(vernacular_name='new'), who='x'); store.close()"
    )
    subprocess.run([sys.executable, "-c", code, str(store.path)], check=True)
    assert cached(store, None, "a", make) == 2
    assert cached(store, None, "n", of_network, of_network=True) == 1


def test_answers_are_bounded_in_number_and_in_bytes(store):
    """The answers wanted longest ago go first, the sooner the larger the others are."""
    make, byte = numbered(), np.zeros(1, np.uint8)
    cached(store, None, "first", make)
    for number in range(1_000):
        cached(store, None, number, lambda: None)
    assert cached(store, None, "first", make) == 1
    for number in range(1_000, 2_500):
        cached(store, None, number, lambda: None)
    assert cached(store, None, "first", make) == 2
    for number in range(5):
        large = np.broadcast_to(byte, 60_000_000)  # this takes one byte, and says that it takes all
        frame = pd.DataFrame({"large": large}, copy=False)
        cached(store, None, ("large", number), lambda frame=frame: ([frame], "words"))
    assert cached(store, None, "first", make) == 3
    for number in range(5):  # a drawing is text
        cached(store, None, ("text", number), lambda: "x" * 30_000_000)
    assert cached(store, None, "first", make) == 4
    huge = np.broadcast_to(byte, 900_000_000)
    assert cached(store, None, "huge", lambda: huge) is huge
    assert cached(store, None, "huge", lambda: None) is huge


def test_records_within_another_answer_weigh_once(store):
    """They are an answer of their own: counted in each that holds them, they pushed others out."""
    make, records = numbered(), open_records(store, Selection(), LOCAL_KEEPER)
    large = np.broadcast_to(np.zeros(1, np.uint8), 60_000_000)
    heavy = replace(records, lengths=pd.DataFrame({"large": large}, copy=False))
    cached(store, None, "first", make)
    for number in range(8):
        cached(store, None, ("holds", number), lambda: ("words", heavy))
    assert cached(store, None, "first", make) == 1
    for number in range(8):
        cached(store, None, ("is", number), lambda: heavy)
    assert cached(store, None, "first", make) == 2


def test_what_failed_is_tried_again(store):
    with pytest.raises(ZeroDivisionError):
        cached(store, None, "a", lambda: 1 / 0)
    assert cached(store, None, "a", lambda: 5) == 5


def given(store, pieces, *, viewer=LOCAL_KEEPER, version=None, question="all"):
    version = store.version if version is None else version
    return given_once(store, viewer, question, version, iter(pieces))


def test_a_large_answer_is_made_once(store):
    """Piece by piece the first time, then from its file, for several at a time and who may see."""
    making = given(store, [b"one", b"two"])
    assert next(making) == b"one"
    assert b"".join(given(store, [b"other"], viewer=PUBLIC)) == b"other"
    assert b"".join(making) == b"two"
    first, second = given(store, [b"new"]), given(store, [b"new"])
    assert next(first) + next(second) + b"".join(first) + b"".join(second) == 2 * b"onetwo"
    assert b"".join(given(store, [b"new"], viewer=PUBLIC)) == b"other"
    assert b"".join(given(store, [b"new"], question="some")) == b"new"


def test_a_large_answer_holds_until_the_next_write(store):
    """What was read before a write is given to nobody after it, however late it is whole."""
    before = store.version
    old, late = given(store, [b"old"]), given(store, [b"old"], question="late")
    assert b"".join(old) == b"old"
    store.put_species(store.species().assign(vernacular_name="new"), who="x")
    assert b"".join(late) == b"old"
    assert b"".join(given(store, [b"read before"], version=before)) == b"read before"
    assert b"".join(given(store, [b"new"])) == b"new"
    assert b"".join(given(store, [b"new"], question="late")) == b"new"


def test_a_large_answer_that_was_not_whole_is_made_again(store, monkeypatch):
    """Where its client went, where it failed, where there was no room, where it is too large."""

    def failing():
        yield b"half"
        raise ZeroDivisionError

    broken = given(store, [b"half", b"other half"])
    next(broken)
    broken.close()
    with pytest.raises(ZeroDivisionError):
        list(given(store, failing()))
    with monkeypatch.context() as full:
        full.setattr("service.cache.TemporaryFile", lambda **_: NearlyFull())
        assert b"".join(given(store, [b"half", b"other half"])) == b"halfother half"
    with monkeypatch.context() as full:
        full.setattr("service.cache.TemporaryFile", fails_to_open)
        assert b"".join(given(store, [b"half"])) == b"half"
    assert b"".join(given(store, [b"whole"])) == b"whole"
    piece = bytes(1 << 20)
    assert sum(map(len, given(store, [piece] * 501, question="large"))) == 501 << 20
    assert b"".join(given(store, [b"again"], question="large")) == b"again"
    assert b"".join(given(store, [b"again"])) == b"whole"


class NearlyFull(io.BytesIO):
    """A disk with room for less."""

    def write(self, piece):
        return len(piece) - 1


def fails_to_open(**_):
    raise OSError(errno.EACCES, "no folder for temporary files")


def test_no_id_of_a_store_leads_out_of_the_cache_folder(tmp_path):
    path = tmp_path / "made_elsewhere.gpkg"
    create_store(
        path, StoreSettings(crs="EPSG:32629", timezone="UTC", store_id="../../../outside")
    ).close()
    store = open_store(path)
    folder = Path(read_settings().cache_dir).resolve()
    assert cache_file(store, "public.picture").resolve().parent == folder
    store.close()
