"""Gear in the water: where it stands, since when, and whether it should have been lifted."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from service import reference
from service.access import in_the_water

if TYPE_CHECKING:
    from service.records import Viewer
    from service.store import Store

__all__ = ["gear_in_water"]


def gear_in_water(store: Store, viewer: Viewer, *, now: dt.datetime | None = None) -> pd.DataFrame:
    """List gear that was set and not lifted yet, overdue first, then longest in the water.

    As `Store.in_the_water`, with `label` of the method, `since_h` it was set [h], `due_at`, when
    the method's `max_soak_h` ends (missing where it has none), and `overdue`. AccessError for a
    viewer who may not change records.
    """
    gear = in_the_water(store, viewer)
    own = reference.methods(store).reindex(gear["method"]).set_axis(gear.index)
    moment = pd.Timestamp(now or dt.datetime.now(dt.UTC))
    most = pd.to_timedelta(own["max_soak_h"].astype(np.float64), unit="h")
    gear = gear.assign(
        label=own["label"],
        since_h=(moment - gear["set_at"]).dt.total_seconds() / 3600,
        due_at=gear["set_at"] + most,
    )
    gear["overdue"] = gear["due_at"].lt(moment)
    return gear.sort_values(["overdue", "set_at"], ascending=[False, True], kind="stable")
