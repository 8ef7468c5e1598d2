"""What is caught most: the order of species on a form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.coded import distinct
from layers.frames import codes_within
from service.access import open_records
from service.records import Needed, Selection

if TYPE_CHECKING:
    from service.records import Viewer
    from service.store import Store

__all__ = ["common_catch"]

_NEEDED: Final = Needed(tables=frozenset({"catches"}), columns=frozenset({"survey"}))


def common_catch(
    store: Store, viewer: Viewer, *, most: int = 12
) -> tuple[pd.Series, dict[str, list[str]]]:
    """Count in how many placements each species was caught, as far as any caught it.

    Beside it, up to `most` species of each survey, those of most placements first.
    """
    records = open_records(store, Selection(), viewer, _NEEDED)
    kind, names = pd.factorize(records.catches["species"], sort=True)
    survey, surveys = pd.factorize(records.placements["survey"], sort=True)
    row = codes_within(records.catches["placement_id"], records.placements.index)
    row, kind = np.divmod(distinct(row * max(len(names), 1) + kind), max(len(names), 1))
    size = (len(surveys), len(names))
    there = survey[row] >= 0
    each = np.bincount(survey[row[there]] * size[1] + kind[there], minlength=size[0] * size[1])
    by_survey = {
        str(name): [str(names[at]) for at in np.argsort(-own, kind="stable")[:most] if own[at]]
        for name, own in zip(surveys, each.reshape(size), strict=True)
    }
    caught = pd.Series(np.bincount(kind, minlength=size[1]), index=names)
    return caught, {name: listed for name, listed in by_survey.items() if listed}
