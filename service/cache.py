"""Answers computed from a store, cached while the store does not change."""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast
from weakref import WeakKeyDictionary, finalize

import pandas as pd
import platformdirs
from cachetools import LRUCache
from cachetools import cached as cached_in

from layers.network.graph import Network
from service.progress import Progress, report, reporting_to, watching
from service.records import Records
from service.settings import read_settings

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator

    from service.records import Viewer
    from service.store import Store

__all__ = ["at_hand", "cache_file", "cached", "given_once", "renewed"]

Made = TypeVar("Made")
_MOST_BYTES: Final = 128_000_000
_MANY: Final = 1_000
_LEAST_BYTES: Final = 100_000  # of an answer's share of the cache, so that they stay few
_MOST_RENEWED: Final = 128
_DEPTH: Final = 3  # of what is weighed: the parts of the parts of the parts of an answer
_MOST_FILED: Final = 500_000_000  # bytes
_PIECE_BYTES: Final = 1 << 18


def cached(
    store: Store,
    viewer: Viewer | None,
    question: Hashable,
    make: Callable[[], Made],
    *,
    of_network: bool = False,
) -> Made:
    """Answer to a question about the store as it is now, made once for all who want it.

    A write to the store, by whatever process, makes its cached answers void. Of one store the
    last ones are kept, up to 128 MB. Nobody may change what is returned.

    Parameters
    ----------
    store
        What the question is about.
    viewer
        Who may see the answer: it is given only to viewers with the same sight of places. None
        where the answer is the same for everybody.
    question
        All that the answer depends on besides.
    make
        Makes the answer; what it raises is not cached.
    of_network
        The answer is made of reaches and catchments alone, and outlives all other writes.
    """
    sight = None if viewer is None else viewer.sees_exact_places
    return cast("Made", _answers(store, of_network).get((sight, question), make))


def given_once(
    store: Store, viewer: Viewer, question: Hashable, version: int, pieces: Iterator[bytes]
) -> Iterator[bytes]:
    """Give a large answer while it is made; from then on, as for :func:`cached`, from a file.

    `version` is that of the store before anything was read for the pieces, which are made only
    where there is no file. The file has no name and ends with the program at the latest; together
    they take up to 500 MB of the cache folder for one store. Where there is no such folder, or no
    room in it, it is done without.
    """
    answers, key = _answers(store, of_network=False), (viewer.sees_exact_places, question)
    if answers.version != version:  # written meanwhile
        return pieces
    with _LOCK:
        filed = answers.files.get(key)
    if filed is not None:
        return filed.pieces()
    return _noted(pieces, answers.files, key, cache_file(store, "").parent)


def _noted(
    pieces: Iterator[bytes], files: LRUCache[Hashable, _Filed], key: Hashable, folder: Path
) -> Iterator[bytes]:
    filed = None
    with suppress(OSError):
        filed = _Filed(folder)
    for piece in pieces:
        try:
            if filed and filed.file.write(piece) < len(piece):
                filed = None
        except OSError:
            filed = None
        yield piece
    with suppress(ValueError), _LOCK:  # larger than all together may be
        if filed:
            files[key] = filed


def renewed(
    store: Store, viewer: Viewer | None, what: Hashable, renew: Callable[[Any], Made]
) -> Made:
    """Give what is brought up to date after a write, not made anew.

    `renew` gets the last one, None at first, and gives what holds now. Each is renewed by itself:
    nobody waits but those who want the same, and their jobs show how far it is. Those that were
    wanted last are kept, for each sight of places its own, as for :func:`cached`.
    """
    sight = None if viewer is None else viewer.sees_exact_places
    with _LOCK:
        own = _LAST.setdefault(store, LRUCache(_MOST_RENEWED))
        last = own.setdefault((what, sight), _Last())
    with watching(last.progress), last.lock:
        version = store.version
        if last.version != version:
            with reporting_to(last.progress):
                report("bringing the records up to date")
                last.made, last.version = renew(last.made), version
        return cast("Made", last.made)


def at_hand(store: Store, viewer: Viewer, what: Hashable) -> Any:  # noqa: ANN401 - as it was made
    """Give what :func:`renewed` made last, however old it is; None where there is none yet."""
    with _LOCK:
        own = _LAST.get(store)
        last = None if own is None else own.get((what, viewer.sees_exact_places))
    return None if last is None else last.made


def forget(store: Store, viewer: Viewer, what: Hashable) -> None:
    """Forget what :func:`renewed` made last, unless more is kept for the same sight of places."""
    sight = viewer.sees_exact_places
    with _LOCK:
        own = _LAST.get(store)
        if own is not None and [key for key in own if key[1] == sight] == [(what, sight)]:
            del own[what, sight]


def cache_file(store: Store, ending: str) -> Path:
    """Name of a file of a store in the user's cache folder, or in the one that is configured."""
    folder = read_settings().cache_dir
    # A store that somebody else made may have anything as its id: only a digest is in the name.
    which = os.fsencode(store.path.resolve()) + b"\0" + os.fsencode(store.settings.store_id)
    name = f"{blake2b(which, digest_size=16).hexdigest()}-{ending}"
    return (Path(folder) if folder else platformdirs.user_cache_path("rifflebook")) / name


def _answers(store: Store, of_network: bool) -> _Answers:
    """Answers from the store as it is now."""
    version = store.network_version if of_network else store.version
    with _LOCK:
        kinds = _OF_STORE.setdefault(store, {})
        if of_network not in kinds or kinds[of_network].version != version:
            kinds[of_network] = _Answers(version)
        return kinds[of_network]


class _Last:
    """What was made last, and at which version of the store or a later one."""

    def __init__(self) -> None:
        self.version: int | None = None
        self.made: Any = None
        self.lock = threading.Lock()
        self.progress = Progress()  # of who renews it


class _Filed:
    """A large answer in a file without a name, which ends with the last who wants it."""

    def __init__(self, folder: Path) -> None:
        self.file = TemporaryFile(buffering=0, dir=folder)  # noqa: SIM115 - closed below
        finalize(self, self.file.close)

    def pieces(self) -> Iterator[bytes]:
        """Read it, while others do so as well."""
        at, piece = 0, b"any"
        while piece:
            with _LOCK:
                self.file.seek(at)
                piece = self.file.read(_PIECE_BYTES)
            yield piece
            at += len(piece)


class _Answers:
    """Answers from one version of one store."""

    def __init__(self, version: int) -> None:
        self.version = version
        # A thread that wants what another is making waits for it.
        self.get: Callable[[Hashable, Callable[[], Any]], Any] = cached_in(
            LRUCache(_MOST_BYTES, getsizeof=_weight),
            key=lambda question, _: question,
            condition=threading.Condition(),
        )(lambda _, make: make())
        self.files: LRUCache[Hashable, _Filed] = LRUCache(
            _MOST_FILED, getsizeof=lambda filed: filed.file.tell()
        )


def _weight(answer: object) -> int:
    """Bytes of the arrays of an answer, at most a quarter of the cache."""
    return min(max(_bytes(answer, _DEPTH), _LEAST_BYTES), _MOST_BYTES // 4)


def _bytes(answer: Any, depth: int) -> int:  # noqa: ANN401 - whatever was answered
    if isinstance(answer, (Network, Records)) and depth < _DEPTH:
        return 0  # an answer of its own, which weighs as that
    if isinstance(answer, pd.DataFrame):  # ids and the words of codes belong to all answers
        arrays = [answer[name].array for name in answer]
        return sum(getattr(array, "codes", array).nbytes for array in arrays)
    if isinstance(answer, (bytes, str)):
        return len(answer)
    if hasattr(answer, "nbytes"):
        return int(answer.nbytes)
    parts: Iterable[Any] = ()
    if isinstance(answer, dict):
        parts = answer.values()
    elif isinstance(answer, (list, tuple)):
        if len(answer) > _MANY:  # words of a map are 100,000: looking at each takes 0.3 s
            return len(answer) * _bytes(answer[0], depth - 1) if depth else 0
        parts = answer
    elif hasattr(answer, "__dict__"):
        parts = vars(answer).values()
    return sum(_bytes(part, depth - 1) for part in parts) if depth else 0


_OF_STORE: WeakKeyDictionary[Any, dict[bool, _Answers]] = WeakKeyDictionary()
_LAST: WeakKeyDictionary[Any, LRUCache[Any, _Last]] = WeakKeyDictionary()
_LOCK: Final = threading.Lock()
