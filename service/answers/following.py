"""Answers made of all placements follow writes: only what a write touched is worked out anew."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b
from typing import TYPE_CHECKING, Any, Final, Generic, NamedTuple, TypeVar

import numpy as np
import pandas as pd

from layers.coded import coded_labels
from layers.fieldwork.effort import EFFORT_UNITS, effort_of
from layers.fieldwork.stretches import stretch_lengths
from layers.frames import codes_within
from layers.narrow_columns import Rows
from service import reference
from service.access import open_picture
from service.cache import cached, renewed
from service.records import OF_EFFORT

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from layers.arrays import Bools, Ints
    from service.access.picture import Picture
    from service.records import Selection, Viewer
    from service.store import Store

__all__ = ["Since", "following", "part_of_effort", "picture_and_effort", "stamp"]

Made = TypeVar("Made")
_UNITS: Final = pd.Index(EFFORT_UNITS, dtype="str")
_AT_ONCE: Final = 200_000  # placements whose effort is computed; a million take 400 MB


@dataclass(frozen=True)
class Since(Generic[Made]):
    """How placements differ from those that an answer was made of.

    Attributes
    ----------
    picture
        All placements as they are now, n of them.
    effort
        Theirs, as of :func:`picture_and_effort`, if it was asked for.
    last
        The answer; None where there is none, or where a list or the network changed since.
    source
        Which of its placements each is, unchanged; −1 for one that is new or changed, (n,).
    gone
        Marks those of its placements that are gone or changed.
    """

    picture: Picture
    effort: pd.DataFrame
    last: Made | None
    source: Ints
    gone: Bools

    def fresh(self) -> Picture:
        """Placements that are new or changed; the picture itself where all are."""
        rows = np.flatnonzero(self.source < 0)
        return self.picture if len(rows) == len(self.source) else self.picture.of(rows)


class _Effort(NamedTuple):
    """Effort, placement by placement.

    How many units each placement has, (n,); place of each unit in `_UNITS`, and how much, (k,).
    """

    size: NDArray[np.int16]
    unit: NDArray[np.int8]
    amount: NDArray[np.float64]

    @property
    def owner(self) -> NDArray[np.int32]:
        """Place of the placement of each, ascending, (k,)."""
        return np.repeat(np.arange(len(self.size), dtype=np.int32), self.size)


class _Known(NamedTuple, Generic[Made]):
    """An answer, and what it was made of."""

    made: Made
    version: int
    lists: tuple[int, int]


def following(
    store: Store,
    viewer: Viewer,
    what: str,
    renew: Callable[[Store, Since[Any]], Made],
    *,
    with_effort: bool = False,
) -> tuple[Picture, Made]:
    """Give an answer made of all placements, and the picture of just these.

    `renew` makes it from the last one and what changed since.
    """
    while True:  # until no write comes in between
        picture = open_picture(store, viewer)
        known: _Known[Made] = renewed(
            store, viewer, what, lambda last: _brought_up(store, viewer, last, renew, with_effort)
        )
        if known.version == picture.version:
            return picture, known.made


def _brought_up(
    store: Store,
    viewer: Viewer,
    known: _Known[Made] | None,
    renew: Callable[[Store, Since[Any]], Made],
    with_effort: bool,
) -> _Known[Made]:
    lists, effort = reference.version(store), pd.DataFrame()
    if with_effort:
        picture, effort = picture_and_effort(store, viewer)
    else:
        picture = open_picture(store, viewer)
    changes = None
    if known is not None and known.lists == lists:
        if known.version == picture.version:
            return known
        changes = picture.since(known.version)
    last = None if known is None or changes is None else known.made
    source, gone = changes or (np.full(len(picture.rows), -1), np.zeros(0, bool))
    made = renew(store, Since(picture, effort, last, source, gone))
    return _Known(made, picture.version, lists)


def stamp(store: Store, selection: Selection, viewer: Viewer) -> bytes:
    """Digest of the placements that a selection may mean, and of what they are read by.

    While it is the same in this process, so is every figure of these placements alone.
    """

    def make() -> bytes:
        lists, picture = reference.version(store), open_picture(store, viewer)
        keep = picture.chosen(selection)
        if keep is None:  # of all, whichever write there was
            return str(store.version).encode()
        digest = blake2b(str(lists).encode(), digest_size=16)
        for column in (picture.rows, picture.read_as):
            digest.update(column[keep].tobytes())
        return digest.digest()

    return cached(store, viewer, ("stamp", selection), make)


def picture_and_effort(store: Store, viewer: Viewer) -> tuple[Picture, pd.DataFrame]:
    """Open the picture of all records and the effort of its placements.

    `effort_unit` is coded; there is no `problem`.
    """
    picture, known = following(store, viewer, "effort", _effort)
    columns = {
        "placement_id": coded_labels(known.owner, picture.names),
        "effort_unit": coded_labels(known.unit, _UNITS),
        "effort": known.amount,
    }
    return picture, pd.DataFrame(columns, copy=False)


def _effort(store: Store, since: Since[_Effort]) -> _Effort:
    picture, methods, parts = since.picture, reference.methods(store), []
    places = np.flatnonzero(since.source < 0)
    for start in range(0, max(len(places), 1), _AT_ONCE):
        few = picture.of(places[start : start + _AT_ONCE])
        records = few.records(OF_EFFORT)
        own = effort_of(records.placements, methods, stretch_lengths(records.stretches))
        of_placement = codes_within(own["placement_id"], few.names)
        of_each = np.bincount(of_placement, minlength=len(few.names)).astype(np.int16)
        of_unit = codes_within(own["effort_unit"], _UNITS).astype(np.int8)
        parts.append((of_each, of_unit, own["effort"].to_numpy()))
    fresh = _Effort(*(np.concatenate(each) for each in zip(*parts, strict=True)))
    if since.last is None or len(places) == len(since.source):
        return fresh
    source, size = since.source.copy(), len(since.gone)
    source[places] = size + np.arange(len(places))
    both = [since.last, fresh]
    each = Rows(source, [size, len(places)])
    _, rows = each.owned([part.owner for part in both])
    unit, amount = (rows.of([part[k] for part in both]) for k in (1, 2))
    return _Effort(each.of([part.size for part in both]), unit, amount)


def part_of_effort(effort: pd.DataFrame, some: Bools, few: Picture) -> pd.DataFrame:
    """Take the effort of some placements of a picture; `few` is the picture of these."""
    place = np.where(some, np.cumsum(some) - 1, -1)[effort["placement_id"].array.codes]
    own: pd.DataFrame = effort[place >= 0]
    return own.assign(placement_id=coded_labels(place[place >= 0], few.names))
