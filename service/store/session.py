"""One writer, many readers, and SQLite's errors in plain words."""

from __future__ import annotations

import errno
import os
import sqlite3
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.exc import DBAPIError

from service.errors import StoreBusyError, StoreError
from service.store.geometry_blobs import register_functions
from service.store.guards import register_guard

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy.engine.interfaces import DBAPIConnection

__all__ = ["BUSY_SECONDS", "Session", "plain_errors"]

BUSY_SECONDS = 30.0
# A writer returns to the same parts of the file; many readers at once each have their own cache.
WRITING_CACHE_KB = 65_536
READING_CACHE_KB = 16_384


class Session:
    """Connections to one store file.

    A writer takes the lock when it begins, not at its first change, so that what it reads
    first is still so when it writes. Each commit is on the disk before it returns.
    """

    def __init__(
        self, path: Path, *, read_only: bool = False, busy_seconds: float = BUSY_SECONDS
    ) -> None:
        self.path = path
        self.read_only = read_only
        self._writer = threading.RLock()
        self._outer = threading.local()  # connection of a transaction that spans several writes
        self._busy_seconds = busy_seconds
        self._engine = sa.create_engine(
            "sqlite+pysqlite://",
            creator=self._connect,
            poolclass=sa.pool.QueuePool,
            pool_size=8,
            max_overflow=24,
        )
        event.listen(self._engine, "begin", _begin)

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"{self.path.absolute().as_uri()}?{_mode(self.path, read_only=self.read_only)}",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
            timeout=self._busy_seconds,
        )
        register_functions(connection)
        register_guard(connection)
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA recursive_triggers = ON")
        if not self.read_only:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA cache_size = -{READING_CACHE_KB}")
        return connection

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Read from one consistent state, whatever others write meanwhile."""
        if (outer := getattr(self._outer, "connection", None)) is not None:
            yield outer
            return
        with plain_errors(self.path), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Change the store in one transaction; leaving by an error takes all of it back."""
        if (outer := getattr(self._outer, "connection", None)) is not None:
            yield outer
            return
        if self.read_only:
            raise StoreError(f"{self.path.name} is open for reading only; nothing was changed.")
        with self._turn(), plain_errors(self.path), self._engine.connect() as plain:
            connection = plain.execution_options(writes=True)
            with connection.begin():
                yield connection

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """Wait for other threads that write, no longer than for other processes."""
        if not self._writer.acquire(timeout=self._busy_seconds):
            raise StoreBusyError(
                f"{self.path.name} is being written, as by a long import; nothing of this was "
                "changed. Try again in a moment."
            )
        try:
            yield
        finally:
            self._writer.release()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make what this thread reads and writes within one transaction."""
        with self.writing() as connection:
            self._outer.connection = connection
            try:
                yield
            finally:
                self._outer.connection = None

    @contextmanager
    def raw(self) -> Iterator[DBAPIConnection]:
        """Lend the driver's own connection, for a copy of the whole file."""
        with plain_errors(self.path):
            lent = self._engine.raw_connection()
            try:
                yield lent.dbapi_connection  # type: ignore[misc]
            finally:
                lent.close()

    def close(self) -> None:
        """Release every connection; the last one folds the write-ahead log into the file."""
        self._engine.dispose()


def _begin(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    if writes:
        connection.exec_driver_sql(f"PRAGMA cache_size = -{WRITING_CACHE_KB}")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _mode(path: Path, *, read_only: bool) -> str:
    if not read_only:
        return "mode=rw"
    wal = path.with_name(f"{path.name}-wal")
    # Reading a file with a write-ahead log needs a place beside it for the log's index.
    if not os.access(path.parent, os.W_OK) and not wal.exists():
        return "mode=ro&immutable=1"
    return "mode=ro"


_WORDS = {
    "SQLITE_FULL": "The disk is full; nothing was changed. Make room and try again.",
    "SQLITE_READONLY": "The file cannot be written; nothing was changed. See its permissions.",
    "SQLITE_CANTOPEN": "The file cannot be opened; see that it exists and may be read.",
    "SQLITE_NOTADB": "This is not a Rifflebook store.",
    "SQLITE_CORRUPT": "The file is damaged; restore it from a backup.",
    "SQLITE_IOERR": "The disk does not answer as it should; nothing was changed.",
    "SQLITE_PERM": "The file may not be used by this user; see its permissions.",
}


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn the driver's errors into StoreError or StoreBusyError, naming the file."""
    try:
        yield
    except DBAPIError as problem:
        raise _plain(path, problem.orig) from problem
    except sqlite3.Error as problem:
        raise _plain(path, problem) from problem
    except OSError as problem:
        if problem.errno == errno.ENOSPC:
            raise StoreError(f"{path.name}: {_WORDS['SQLITE_FULL']}") from problem
        raise


def _plain(path: Path, problem: BaseException | None) -> StoreError:
    code = str(getattr(problem, "sqlite_errorname", ""))
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreBusyError(
            f"{path.name} is being written by another process; try again in a moment."
        )
    for start, words in _WORDS.items():
        if code.startswith(start):
            return StoreError(f"{path.name}: {words}")
    return StoreError(f"{path.name}: the store refused this: {problem}. Nothing was changed.")
