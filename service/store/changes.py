"""What changed in a store since a moment, for whoever keeps a picture of its records.

Every write enters what it changed in the history, and a changed public view has a new row: row
numbers are never used twice. So a stamp of the last ones says which placements were touched since.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

import numpy as np
import orjson
import sqlalchemy as sa

from service.records import OF_FIGURES, Selection
from service.store import migrations, public_views, schema
from service.store.geopackage import among
from service.store.placements import read_records

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import pandas as pd

    from layers.arrays import Ints
    from service.records import Records

    # Row numbers; what is stored; and views as those of `Store.public_records`, which have the
    # column `placement_row` too.
    Piece: TypeAlias = tuple[Ints, Records, pd.DataFrame | None]

__all__ = ["Moment", "Stamp"]

_TABLE, _VIEWS, _HISTORY = schema.placements, schema.public_views, schema.history
_PIECE: Final = 50_000


class Stamp(NamedTuple):
    """How far the writes to a store had come.

    The last entry of the history is quoted: in a copy that took another course since, the same
    number stands for another entry.
    """

    version: int
    network_version: int
    schema_version: int
    entry_id: int
    entry: str
    view_id: int


@dataclass(frozen=True)
class Moment:
    """One consistent state of a store, as those see it who see exact places, or the `public`."""

    connection: sa.Connection
    public: bool

    @property
    def stamp(self) -> Stamp:
        """How far the writes have come."""
        own = schema.store_settings.c
        version, network = self.connection.execute(
            sa.select(own.version, own.network_version)
        ).one()
        entry_id = int(self.connection.scalar(sa.select(sa.func.max(_HISTORY.c.entry_id))) or 0)
        view_id = int(self.connection.scalar(sa.select(sa.func.max(_VIEWS.c.fid))) or 0)
        schema_version = migrations.stored_version(self.connection)
        return Stamp(version, network, schema_version, entry_id, self._entry(entry_id), view_id)

    def _entry(self, entry_id: int) -> str:
        own = _HISTORY.c
        found = self.connection.execute(
            sa.select(own.at, own.who, own.entity, own.key, own.action).where(
                own.entry_id == entry_id
            )
        ).first()
        return "" if found is None else "\n".join(map(str, found))

    def follows(self, stamp: Stamp) -> bool:
        """Whether this state came from that of a stamp by writes to placements and lists alone."""
        now = self.stamp
        same = (now.network_version, now.schema_version) == stamp[1:3]
        return same and self._entry(stamp.entry_id) == stamp.entry

    def rows(self) -> Ints:
        """Row numbers of all placements that are shown, ascending."""
        key = _VIEWS.c.placement_row if self.public else _TABLE.c.fid
        return self._numbers(sa.select(key))

    def changed_rows(self, stamp: Stamp) -> Ints:
        """Row numbers of those that were added or changed since a stamp, ascending."""
        # Joined to nothing, so that the last entries are read and not the index of all placements.
        entity = _HISTORY.c.entity.concat("")
        touched = sa.select(_HISTORY.c.key).where(
            _HISTORY.c.entry_id > stamp.entry_id, entity == "placement"
        )
        wanted = sa.select(_TABLE.c.fid).where(_TABLE.c.placement_id.in_(touched))
        if not self.public:
            return self._numbers(wanted)
        row = _VIEWS.c.placement_row
        by_record = sa.select(row).where(row.in_(wanted))
        by_view = sa.select(row).where(_VIEWS.c.fid > stamp.view_id)
        return np.unique(np.append(self._numbers(by_record), self._numbers(by_view)))

    def count(self) -> int:
        """How many placements are shown."""
        counted = sa.select(sa.func.count()).select_from(_VIEWS if self.public else _TABLE)
        return int(self.connection.scalar(counted) or 0)

    def _numbers(self, wanted: sa.Select[tuple[int]]) -> Ints:
        """Read row numbers, ascending; as one text, which is far quicker than row by row."""
        (number,) = wanted.subquery().c
        text = self.connection.scalar(sa.select(sa.func.json_group_array(number)))
        return np.sort(np.array(orjson.loads(str(text)), np.int64))

    def pieces(
        self, rows: Ints, *, whole: bool, known: Callable[[Ints], Records] | None = None
    ) -> Iterator[Piece]:
        """Read placements of ascending row numbers piece by piece, and how the public sees each.

        `whole` says that they are all that are shown: then there is a piece, if an empty one, and
        records for the public come with others, which have no view. `known` gives the records of
        some where they need not be read.
        """
        for start in range(0, len(rows) or int(whole), _PIECE):
            part = rows[start : start + _PIECE]
            chosen = (
                _TABLE.c.fid.between(int(part[0]), int(part[-1]))
                if whole and len(part)
                else among(_TABLE.c.fid, part.tolist())
            )
            records = (
                read_records(self.connection, Selection(), chosen=chosen, needed=OF_FIGURES)
                if known is None
                else known(part)
            )
            views = public_views.read_views(self.connection, chosen) if self.public else None
            yield part, records, views
