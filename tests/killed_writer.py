"""A writer in a process of its own, to be killed: says each record that was acknowledged."""

from __future__ import annotations

import hashlib
import os
import signal
from typing import TYPE_CHECKING

import pandas as pd

from service.records import FieldRecords, Selection
from service.store import open_store

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Writer", "one_more", "template"]


def template(store):
    """The first placement of a store, with all that hangs on it, to be added under new ids."""
    every = store.records(Selection())
    name = every.placements.index[0]
    return store.records(Selection(placements=(name,)))


def one_more(records, name):
    """The same placement under another id, as something to store, and its digest."""

    def renamed(frame):
        if frame.index.name == "placement_id":
            return frame.set_axis(pd.Index([name] * len(frame), name="placement_id", dtype="str"))
        return frame.assign(placement_id=pd.Series(name, index=frame.index, dtype="str"))

    nothing = pd.DataFrame()
    return FieldRecords(
        surveys=nothing,
        sites=nothing,
        placements=renamed(records.placements.drop(columns="batch_id")),
        catches=renamed(records.catches),
        lengths=renamed(records.lengths),
        snaps=renamed(records.snaps),
        stretches=renamed(records.stretches),
        flags=renamed(records.flags),
    ), hashlib.sha256(name.encode()).hexdigest()


class Writer:
    """A forked process that adds placements one after another until it is killed.

    Every id goes into a pipe after the store has returned, so that whatever can be read from
    there was acknowledged.
    """

    def __init__(self, path: Path, first: int, prefix: str = "K", most: int = 10**9) -> None:
        self._reading, writing = os.pipe()
        self.process = os.fork()
        if self.process == 0:
            os.close(self._reading)
            try:
                _write(path, range(first, first + most), prefix, writing)
            finally:
                os._exit(0)
        os.close(writing)
        assert os.read(self._reading, 1) == b"."  # the store is open, writing begins

    def killed(self) -> list[str]:
        """Kill -9, and return what was acknowledged."""
        os.kill(self.process, signal.SIGKILL)
        return self.finished()

    def finished(self) -> list[str]:
        """Wait for the end, and return what was acknowledged."""
        os.waitpid(self.process, 0)
        with os.fdopen(self._reading, encoding="ascii") as said:
            return said.read().split()


def _write(path: Path, numbers: range, prefix: str, writing: int) -> None:
    store = open_store(path)
    records = template(store)
    os.write(writing, b".")
    for number in numbers:
        name = f"{prefix}{number}"
        added, digest = one_more(records, name)
        store.put_placement(added, who="writer", digest=digest)
        os.write(writing, f"{name}\n".encode())
