"""The stretches that count: those of placements that fished properly.

The one place that decides it, for sampled length, coverage, gaps and next places alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from layers.fieldwork.looking import inputs_of, left_out_by_outcome, looked
from layers.frames import codes_within, reads
from layers.network.intervals import Intervals

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from layers.network.graph import Network

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

__all__ = ["SampledStretches", "sampled_stretches"]


@dataclass(frozen=True, eq=False)
class SampledStretches:
    """Stretches that count as sampled.

    Attributes
    ----------
    intervals
        k stretches as recorded, overlaps and all; `group` is the reach's row.
    placement
        Position of each stretch's placement in the placements frame, (k,).
    inputs
        What was used and what was left out by reason, for `frame.attrs["inputs"]`.
    """

    intervals: Intervals
    placement: Ints
    inputs: dict[str, Any]


@reads("stretches", "placements")
def sampled_stretches(
    network: Network,
    stretches: pd.DataFrame,
    placements: pd.DataFrame,
    *,
    left_out: dict[str, Bools] | None = None,
) -> SampledStretches:
    """Keep the stretches of placements that fished properly.

    Lost and disturbed gear did not sample the stream, and where the catch was not recorded
    nobody knows; a nil catch did. Stretches of placements that are not in `placements`
    were not requested.

    Parameters
    ----------
    network
        The network.
    stretches
        `placement_id`, `reach_id`, `from_m`, `to_m` [m].
    placements
        Index `placement_id`: `method`, `outcome`, `set_at`, `timezone`.
    left_out
        Further placements not to use: reason -> mask over `placements`.

    Returns
    -------
    SampledStretches

    Raises
    ------
    FrameError
        A column is missing.
    """
    counted = looked(placements)
    reasons = left_out_by_outcome(placements)
    for reason, mask in (left_out or {}).items():
        reasons[reason] = int((counted & mask).sum())
        counted = counted & ~mask
    placement = codes_within(stretches["placement_id"], placements.index)
    row = codes_within(stretches["reach_id"], network.reaches.index)
    counts = (placement >= 0) & (row >= 0)
    counts &= counted[placement] if len(counted) else False
    has_stretch = np.zeros(len(placements), bool)
    has_stretch[placement[placement >= 0]] = True
    used = np.zeros(len(placements), bool)
    used[placement[counts]] = True
    reasons["no stretch along the network"] = int((counted & ~has_stretch).sum())
    reasons["stretch on reaches that are not in the network"] = int(
        (counted & has_stretch & ~used).sum()
    )
    row, placement = row[counts], placement[counts]
    length = network.length_m[row]
    one = np.clip(stretches["from_m"].to_numpy(float)[counts], 0.0, length)
    other = np.clip(stretches["to_m"].to_numpy(float)[counts], 0.0, length)
    word = "nothing was sampled along the network" if not used.any() else None
    return SampledStretches(
        Intervals(row, np.minimum(one, other), np.maximum(one, other)),
        placement,
        inputs_of(placements, used, reasons, **({"note": word} if word else {})),
    )
