"""Long work in threads of its own: bounded in number, left and found again, ended with the service.

A request that starts work waits for it about a second; what is not finished by then goes on, and
whoever started it is shown how far it is. Each thread ends with its work.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import secrets
import threading
import time
from collections import deque
from concurrent.futures import CancelledError, Future, wait
from contextvars import Context
from typing import TYPE_CHECKING, Any, Final

from layers.plurals import counted
from service.errors import TooMuchWorkError
from service.progress import Progress, StoppedError, reporting_to
from service.web.work_notes import NotedProgress

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

    from service.web.work_notes import WorkNotes

__all__ = ["PATIENCE_S", "Job", "Jobs"]

PATIENCE_S = 1.0  # how long a page waits before it shows how far the work is
_ENDING_S: Final = 10.0  # how long the service waits at its end for work to stop


class Job:
    """One piece of work.

    `owner` is the name of whoever started it, `title` what it is, in words, `back` the address of
    the page that it was started from. `ended` is when it did, by the clock of the process [s];
    `seen` whether its owner was shown what came of it.
    """

    def __init__(
        self,
        work: Callable[[Progress], Any],
        *,
        owner: str = "",
        title: str = "",
        back: str = "",
        key: Hashable = None,
        context: Context | None = None,
    ) -> None:
        self.job_id = secrets.token_urlsafe(16)
        self.owner, self.title, self.back, self.key = owner, title, back, key
        self.begun = dt.datetime.now(dt.UTC)
        self.progress = Progress()
        self.future: Future[Any] = Future()
        self.ended: float | None = None
        self.seen = False
        self._work: Callable[[Progress], Any] | None = work
        self._context = context or Context()

    @property
    def state(self) -> str:
        """One of `waiting`, `going on`, `done`, `failed`, `stopped`."""
        if not self.future.done():
            return "going on" if self.future.running() else "waiting"
        if self.future.cancelled() or isinstance(self.future.exception(), StoppedError):
            return "stopped"
        return "failed" if self.future.exception() else "done"

    @property
    def error(self) -> BaseException | None:
        """What it failed by."""
        return self.future.exception() if self.state == "failed" else None

    def wait(self, seconds: float | None) -> bool:
        """Wait for its end, at most so long; whether it has ended."""
        return not wait([self.future], seconds).not_done

    def stop(self) -> None:
        """Have it end at its next report, or not begin."""
        self.progress.stopped = True
        self.future.cancel()

    def run(self) -> None:
        """Do the work in this thread."""
        work, self._work = self._work, None  # what it needed is not kept with what came of it
        if work is None or not self.future.set_running_or_notify_cancel():
            return
        try:
            made = self._context.run(self._made, work)
        except BaseException as error:  # noqa: BLE001  given to whoever waits, as it is
            self.future.set_exception(error)
        else:
            self.future.set_result(made)
        finally:
            self._context = Context()

    def _made(self, work: Callable[[Progress], Any]) -> Any:  # noqa: ANN401 - whatever is made
        with reporting_to(self.progress):
            return work(self.progress)

    def clear(self) -> None:
        """Delete the files that came of it."""
        if self.state == "done":
            discard = getattr(self.future.result(), "discard", None)
            if discard is not None:
                discard()


class Jobs:
    """Work of one kind in one service.

    `most_running` at once, others wait for their turn; `most_waiting` wait, more are refused;
    `most_of_one` owner go on or wait, as many as of all where it is not given. `most_ended` are
    kept for `kept_s`, with what came of them. `notes` is where it is noted what goes on, for other
    processes and for the time after a crash.
    """

    def __init__(
        self,
        *,
        most_running: int,
        most_waiting: int,
        most_ended: int,
        kept_s: float,
        most_of_one: int | None = None,
        notes: WorkNotes | None = None,
    ) -> None:
        self._most = most_running, most_waiting, most_ended
        self._most_of_one = most_of_one
        self._kept_s = kept_s
        self.notes = notes
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}  # in the order of their beginning
        self._queue: deque[Job] = deque()
        self._threads: set[threading.Thread] = set()
        self._closed = False

    def begin(self, job: Job) -> Job:
        """Start a job, or give the one of the same key that has not ended.

        Raises TooMuchWorkError where too much waits already, of all or of its owner.
        """
        self._drop_old()
        with self._lock:
            running, waiting, _ = self._most
            same = (one for one in self._jobs.values() if one.key == job.key and not one.ended)
            if job.key is not None and (found := next(same, None)):
                return found
            own = [one for one in self._jobs.values() if one.owner == job.owner and not one.ended]
            if self._most_of_one is not None and len(own) >= self._most_of_one:
                raise TooMuchWorkError(
                    f"{counted(len(own), 'piece')} of work that you began go on or wait already, "
                    "as many as one account may have. Begin this once one of them has ended, or "
                    "stop one: they are listed under /work. Nothing was changed."
                )
            if self._closed or len(self._threads) + len(self._queue) >= running + waiting:
                raise TooMuchWorkError(
                    "All places for long work are taken; begin this once some of it has ended. "
                    "Nothing was changed."
                )
            if self.notes is not None:
                job.progress = self.notes.write(job)
            self._jobs[job.job_id] = job
            self._queue.append(job)
            self._start()
        return job

    def _start(self) -> None:
        """Start what waits, as far as threads are free; the lock is taken."""
        while self._queue and len(self._threads) < self._most[0]:
            # A daemon: work that does not stop does not keep the process from ending.
            thread = threading.Thread(target=self._run, args=(self._queue.popleft(),), daemon=True)
            self._threads.add(thread)
            thread.start()

    def _run(self, job: Job) -> None:
        job.run()
        job.ended = time.monotonic()
        if isinstance(job.progress, NotedProgress):
            job.progress.end()
        with self._lock:
            self._threads.discard(threading.current_thread())
            if not self._closed:
                self._start()

    def _drop_old(self) -> None:
        now = time.monotonic()
        with self._lock:
            ended = [one for one in self._jobs.values() if one.ended is not None]
            many = len(ended) - self._most[2]
            old = [
                one
                for number, one in enumerate(ended)
                if number < many or now - (one.ended or now) > self._kept_s
            ]
        for job in old:
            self.drop(job)

    def drop(self, job: Job) -> None:
        """Forget a job that has ended, with what came of it."""
        with self._lock:
            self._jobs.pop(job.job_id, None)
        job.clear()

    def find(self, job_id: str) -> Job | None:
        """Find a job by its number."""
        return self._jobs.get(job_id)

    def keyed(self, key: Hashable) -> Job | None:
        """Find the newest job of a key."""
        return next((one for one in reversed(self.all()) if one.key == key), None)

    def all(self) -> list[Job]:
        """All jobs that are kept, the oldest first."""
        self._drop_old()
        with self._lock:
            return list(self._jobs.values())

    def close(self) -> None:
        """Have all work stop, and wait for that a while; nothing begins any more."""
        with self._lock:
            self._closed = True
            self._queue.clear()
            threads = list(self._threads)
        for job in list(self._jobs.values()):
            job.stop()
        until = time.monotonic() + _ENDING_S
        for thread in threads:
            thread.join(max(0.0, until - time.monotonic()))
        for job in list(self._jobs.values()):
            with contextlib.suppress(CancelledError):
                self.drop(job)
