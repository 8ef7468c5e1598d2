"""Tabs of one workbook that have the same columns, such as one for each month, as one table."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from service.intake.columns import plain
from service.intake.wording import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.intake.findings import Cells, Findings

__all__ = ["refuse_spread", "stacked"]

FIRST_OF_TAB: Final = 1 << 21
"""Rows of the second tab are counted from here, those of the third from twice this."""
_ALIKE: Final = 0.8  # share of the columns of both that both have, at least
_FEWEST: Final = 3  # columns that tabs of one kind share
_NAMES: Final = ("sheet", "sheet name", "name of the sheet", "tab")


def stacked(tables: Sequence[Cells], findings: Findings) -> list[Cells]:
    """Put tables of a workbook below one another where they have the same columns.

    A column says in which tab a row stands. What a tab lacks of the others' columns is empty.

    Parameters
    ----------
    tables
        Of one workbook; `file` ends in the name of the tab.
    """
    groups: list[list[Cells]] = []
    for table in tables:
        own = next((group for group in groups if _alike(group[0], table)), None)
        if own is None:
            groups.append([table])
        else:
            own.append(table)
    return [group[0] if len(group) == 1 else _one(group, findings) for group in groups]


def _alike(one: Cells, other: Cells) -> bool:
    ours, theirs = ({plain(str(name)) for name in table.frame} for table in (one, other))
    both = len(ours & theirs)
    return both >= max(_FEWEST, _ALIKE * len(ours | theirs))


def _one(group: list[Cells], findings: Findings) -> Cells:
    book = group[0].file.partition(", sheet ")[0]
    tabs = [table.file.partition(", sheet ")[2] for table in group]
    spelt: dict[str, str] = {}
    for table in group:
        for name in table.frame:
            spelt.setdefault(plain(str(name)), str(name))
    tab = next(name for name in (*_NAMES, *map(str, range(len(spelt) + 1))) if name not in spelt)
    frames = []
    for number, (name, table) in enumerate(zip(tabs, group, strict=True)):
        frame = table.frame.rename(columns=lambda own: spelt[plain(str(own))])
        frame = frame.set_axis(frame.index + number * FIRST_OF_TAB, axis=0)
        frames.append(frame.assign(**{tab: name}))
    frame = pd.concat(frames).fillna("").astype("str")
    frame = frame[[*(name for name in frame if name != tab), tab]]
    listed = ", ".join(tabs)
    findings.read_file(book, say("read_as.tabs", tabs=listed, column=tab), rows=len(frame))
    parts = tuple((k * FIRST_OF_TAB, table.file) for k, table in enumerate(group))
    typed = frozenset().union(*(table.typed for table in group))
    file = f"{book}, sheets {listed}"
    return replace(group[0], file=file, frame=frame, parts=parts, tab=tab, typed=typed)


def refuse_spread(cells: Cells, findings: Findings) -> None:
    """Refuse placements that stand in several tabs: one may be a copy, or another of its number."""
    if not cells.parts:
        return
    ids = cells.column("placement_id")
    tab = pd.Series(cells.frame.index.to_numpy() // FIRST_OF_TAB, index=ids.index)
    spread = tab.groupby(ids.to_numpy(object)).transform("nunique").to_numpy(np.int64) > 1
    said = say("rows_differ.tabs", column=cells.tab)
    findings.refuse(cells, spread & (ids != "").to_numpy(bool), "placement_id", said)
