"""Notes of the work that goes on, beside the pictures in the user's cache folder.

A note is there while its work is: so another process sees what goes on in this one, and after a
crash whoever began it is told. The process keeps its note locked; one that is not locked is of a
process that is no more. Where the system has no such locks nothing is noted.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import orjson

from service.cache import cache_file
from service.progress import Progress

if TYPE_CHECKING:
    from service.store import Store
    from service.web.jobs import Job

try:
    import fcntl
except ImportError:  # a system without locks on files
    fcntl = None  # type: ignore[assignment]

__all__ = ["Note", "NotedProgress", "WorkNotes"]

_EVERY_S: Final = 1.0
_LENGTH: Final = 4_096  # bytes; written at once, so that nobody reads half of one
_LONGEST: Final = 300  # characters of a text
_KEPT_S: Final = 7 * 24 * 3_600.0


@dataclass(frozen=True)
class Note:
    """What was noted of a job, and whether its process is still there."""

    job_id: str
    owner: str
    title: str
    begun: dt.datetime
    words: str = ""
    done: int = 0
    total: int = 0
    unit: str = ""
    goes_on: bool = False


class NotedProgress(Progress):
    """Progress that is noted about once a second."""

    def __init__(self, descriptor: int | None, path: Path, note: Note) -> None:
        super().__init__()
        self._file, self._path, self._note = descriptor, path, note
        self._noted = time.monotonic()

    def say(self, words: str, done: int = 0, total: int = 0, unit: str = "") -> None:
        """Note what is being done; raises StoppedError where the work is to end."""
        super().say(words, done, total, unit)
        now = time.monotonic()
        if self._file is not None and now - self._noted >= _EVERY_S:
            self._noted = now
            shown = {"words": words[:_LONGEST], "done": done, "total": total, "unit": unit}
            with contextlib.suppress(OSError):
                _write(self._file, asdict(self._note) | shown)

    def end(self) -> None:
        """Remove the note."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)
            os.close(self._file)
            self._file = None


class WorkNotes:
    """Notes of the work on one store, of all processes."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def write(self, job: Job) -> NotedProgress:
        """Note that a job goes on."""
        note = Note(job.job_id, job.owner, job.title[:_LONGEST], job.begun)
        path = self._path(job.job_id)
        descriptor = None
        if fcntl is not None:
            with contextlib.suppress(OSError):
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                descriptor, name = tempfile.mkstemp(".part", path.name, path.parent)
                fcntl.flock(descriptor, fcntl.LOCK_EX)
                _write(descriptor, asdict(note))
                Path(name).replace(path)  # locked already when others see it
        return NotedProgress(descriptor, path, note)

    def _path(self, job_id: str) -> Path:
        return cache_file(self._store, f"{job_id}.work")

    def read(self) -> list[Note]:
        """Read the notes of all processes, the oldest first."""
        found = []
        pattern = self._path("*")
        for path in pattern.parent.glob(pattern.name):
            with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
                said, goes_on = _read(path)
                if goes_on or time.time() - path.stat().st_mtime < _KEPT_S:
                    begun = dt.datetime.fromisoformat(said["begun"])
                    found.append(Note(**said | {"begun": begun, "goes_on": goes_on}))
                else:
                    path.unlink(missing_ok=True)
        return sorted(found, key=lambda note: note.begun)

    def remove(self, job_id: str) -> None:
        """Remove the note of a job whose process is no more."""
        with contextlib.suppress(OSError):
            self._path(job_id).unlink(missing_ok=True)


def _write(descriptor: int, said: dict[str, Any]) -> None:
    os.pwrite(descriptor, orjson.dumps(said).ljust(_LENGTH), 0)


def _read(path: Path) -> tuple[dict[str, Any], bool]:
    with path.open("rb") as stream:
        said = orjson.loads(stream.read())
        try:
            fcntl.flock(stream, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return said, True
        return said, False
