"""Keeping one picture of the records for each sight of places as new as the store."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from service.access import picture_file
from service.access.picture import Picture, joined_picture, picture_of
from service.access.shown import as_public, placement_catchments
from service.cache import at_hand, forget, renewed
from service.progress import report
from service.records import LOCAL_KEEPER

if TYPE_CHECKING:
    from service.records import Viewer
    from service.store import Moment, Stamp, Store

__all__ = ["let_go", "open_picture"]

_FEW: Final = 500  # changes that the next start makes up for sooner than a file is written
_SHARE: Final = 50


@dataclass(frozen=True)
class _Current:
    """A picture, the state of the store that it shows, and how many changes its file lacks.

    `filed` where it has a file, which could perhaps not be written.
    """

    stamp: Stamp
    picture: Picture
    unsaved: int = 0
    filed: bool = True


def open_picture(store: Store, viewer: Viewer) -> Picture:
    """Open the picture of all records that figures are computed from, as this viewer sees them."""
    return _current(store, viewer).picture


def let_go(store: Store, viewer: Viewer) -> None:
    """Have little in memory of the picture for a viewer whose eyes are seldom needed.

    One that is no longer as its file says, 170 MB of a million, is made of that file again. It
    stays where answers follow it, and where it has more changes than are read at once.
    """
    current = _current(store, viewer)
    current.picture.let_go()
    if current.filed and 0 < current.unsaved <= _FEW:
        forget(store, viewer, "picture")


def _current(store: Store, viewer: Viewer) -> _Current:
    public = not viewer.sees_exact_places
    return renewed(store, viewer, "picture", lambda last: _brought_up(store, last, public=public))


def _brought_up(store: Store, last: _Current | None, *, public: bool) -> _Current:
    if last is None:
        saved = picture_file.load(store, public=public)
        last = None if saved is None else _Current(*saved)
    # What others have read is not read again for the public, who wait for nobody.
    exact = at_hand(store, LOCAL_KEEPER, "picture") if public and last is None else None
    while True:
        with store.moment(public=public) as moment:
            found = _mended(store, moment, last, exact)
        # Catchments are looked up beside the moment; they must be those of the same network.
        if found.stamp.network_version == store.network_version:
            break
    if found.unsaved > max(_FEW, len(found.picture.rows) // _SHARE):
        picture_file.save(store, found.stamp, found.picture, public=public)
        # What lies in a file need not be in memory too.
        saved = picture_file.load(store, public=public)
        picture, filed = found.picture, saved is not None and saved[0] == found.stamp
        if saved is not None and filed:
            picture = replace(saved[1], read_as=picture.read_as, journal=picture.journal)
        found = _Current(found.stamp, picture, filed=filed)
    return found


def _mended(
    store: Store, moment: Moment, last: _Current | None, exact: _Current | None = None
) -> _Current:
    """Bring a picture to a later moment: only what changed since is read."""
    stamp, old, kept = moment.stamp, None, np.empty(0, bool)
    if last is not None and moment.follows(last.stamp):
        old = last.picture
        rows = moment.changed_rows(last.stamp)
        kept = ~np.isin(old.rows, rows)
        if kept.sum() + len(rows) != moment.count():  # some are gone
            kept &= np.isin(old.rows, moment.rows())
        unsaved = last.unsaved + max(len(rows), int((~kept).sum()))
        if not len(rows) and kept.all():
            return replace(last, stamp=stamp)
    else:
        rows = moment.rows()
        unsaved = max(_FEW, len(rows)) + 1  # always to be saved
    new, read, known = [], 0, None
    if old is None and exact is not None and exact.stamp == stamp:
        known = exact.picture.stored
    for part, stored, views in moment.pieces(rows, whole=old is None, known=known):
        if views is None:
            shown, own = stored, part
        else:
            shown = as_public(store, stored, views)
            own = views["placement_row"].to_numpy()  # by public id, too
        catchments = partial(placement_catchments, store)
        new.append(picture_of(shown, own, catchments, public=moment.public))
        read += len(part)
        report("reading the records", read, len(rows), "placement")
    joined = joined_picture(old, kept, new)
    if old is not None:
        old.let_go()  # rows that nothing was put among still lie in its file, which is not unmapped
    return _Current(stamp, joined, unsaved, filed=last is not None and last.filed)
