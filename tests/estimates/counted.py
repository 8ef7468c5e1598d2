"""Counted water of small cases, with plain methods where a test does not state its own."""

import numpy as np
import pandas as pd

from layers.fieldwork.counted_water import counted_water

NO_SNAPS = pd.DataFrame(
    {"reach_id": pd.Series([], dtype="str"), "measure_m": pd.Series([], dtype=float)},
    index=pd.Index([], name="placement_id", dtype="str"),
)


def methods_of(placements):
    """Every method of the placements, by its own name."""
    names = sorted(set(placements["method"]))
    return pd.DataFrame({"label": names}, index=pd.Index(names, name="method", dtype="str"))


def snaps_at(rows):
    """Snaps from (placement number, reach, measure)."""
    return pd.DataFrame(
        {
            "reach_id": pd.Series([row[1] for row in rows], dtype="str").array,
            "measure_m": np.array([row[2] for row in rows], dtype=float),
        },
        index=pd.Index([f"P{row[0]}" for row in rows], name="placement_id", dtype="str"),
    )


def water_of(network, stretches, placements, snaps=NO_SNAPS, **more):
    return counted_water(network, stretches, snaps, placements, methods_of(placements), **more)


def both(network, stretches, placements):
    """The first arguments of next places: the target is all that was done."""
    water = water_of(network, stretches, placements)
    return water, water, methods_of(placements)
