"""How far long work has come: said by the work itself, seen by whoever waits for it.

Work that is passed a callback calls that; what lies too deep for one, such as the picture of the
records, calls :func:`report`, which reaches the job of its thread, if there is one.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Progress", "StoppedError", "report", "reporting_to", "watching"]


class StoppedError(Exception):
    """The work was stopped before its end; what it began was taken back."""


@dataclass
class Progress:
    """What a piece of work does at present, and how far it is.

    Attributes
    ----------
    words
        What is being done.
    done, total
        How much of how much, of `unit`; zero of zero where that is not known.
    stopped
        Set to have the work end at its next report.
    behind
        Work of another thread that this one waits for.
    """

    words: str = ""
    done: int = 0
    total: int = 0
    unit: str = ""
    stopped: bool = False
    behind: Progress | None = field(default=None, repr=False)

    def say(self, words: str, done: int = 0, total: int = 0, unit: str = "") -> None:
        """Note what is being done; raises StoppedError where the work is to end."""
        if self.stopped:
            raise StoppedError
        self.words, self.done, self.total, self.unit = words, done, total, unit

    @property
    def shown(self) -> Progress:
        """That of the work that is waited for, where there is some."""
        return self if self.behind is None else self.behind.shown


_OWN: ContextVar[Progress | None] = ContextVar("progress", default=None)


def report(words: str, done: int = 0, total: int = 0, unit: str = "") -> None:
    """Say how far the work of this thread is, to whoever follows it."""
    own = _OWN.get()
    if own is not None:
        own.say(words, done, total, unit)


@contextmanager
def reporting_to(progress: Progress) -> Iterator[None]:
    """Have what this thread reports seen there."""
    token = _OWN.set(progress)
    try:
        yield
    finally:
        _OWN.reset(token)


@contextmanager
def watching(other: Progress) -> Iterator[None]:
    """Show the progress of other work as one's own, while one waits for it or makes it."""
    own = _OWN.get()
    if own is None:
        yield
        return
    own.behind = other
    try:
        yield
    finally:
        own.behind = None
