"""Answers that took long, kept while the store does not change."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Any, Final, TypeVar
from weakref import WeakKeyDictionary

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

    from service.store import Store

__all__ = ["recent_answer"]

Made = TypeVar("Made")
_MOST: Final = 32


class _Recent:
    """The newest answers of one store; two threads that ask the same make it once."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.answers: OrderedDict[Hashable, _Answer] = OrderedDict()

    def answer(self, key: Hashable) -> _Answer:
        with self.lock:
            held = self.answers.setdefault(key, _Answer())
            self.answers.move_to_end(key)
            while len(self.answers) > _MOST:
                self.answers.popitem(last=False)
            return held


class _Answer:
    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.made: list[Any] = []


_OF_STORE: WeakKeyDictionary[Any, _Recent] = WeakKeyDictionary()
_LOCK = threading.Lock()


def recent_answer(store: Store, question: Hashable, make: Callable[[], Made]) -> Made:
    """Answer to a question about the store as it is now; the newest 32 are kept.

    Parameters
    ----------
    store
        What is asked.
    question
        All that the answer hangs on besides the store, whether exact places are seen included.
    make
        Makes the answer; what it raises is not kept.
    """
    with _LOCK:
        recent = _OF_STORE.setdefault(store, _Recent())
    held = recent.answer((store.version, question))
    with held.lock:
        if not held.made:
            held.made.append(make())
        return held.made[0]  # type: ignore[no-any-return]
