"""What the steps of a species list hide: how many placements the public sees as squares, or not.

Judged by :mod:`layers.fieldwork.generalising`, as the public's view itself is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.fieldwork.generalising import WITHHELD, close_cells, own_steps

if TYPE_CHECKING:
    from layers.arrays import Floats, Ints

__all__ = ["EFFECT_COLUMNS", "STEP_WORDS", "effect_of_list", "effect_of_steps"]

STEP_WORDS: Final = ("1", "10", "50", "withheld")
EFFECT_COLUMNS: Final = ("placements", "catching", "exact", "squares", "left_out")
_SEASON: Final = ("sensitive_from", "sensitive_until")


def effect_of_steps(
    placements: pd.DataFrame,
    xy: Floats,
    catches: pd.DataFrame,
    lengths: pd.DataFrame,
    species: pd.DataFrame,
) -> pd.DataFrame:
    """Count what each sensitive species would hide by itself at each step.

    `xy` has the positions in a projected CRS [m], (n, 2), NaN = none; frames and errors are those
    of :func:`layers.fieldwork.generalising.own_steps`.

    Returns
    -------
    DataFrame
        One row for each species whose sensitivity is not `none` and each of `STEP_WORDS`, in
        the order of the list: `species`; `step`; `as_listed` (bool); and of all placements
        `placements`, how many there are; `catching`, those that caught it in its season;
        `exact`, those that would be shown as recorded; `squares`, as a grid cell; `left_out`.
    """
    listed = species["sensitivity"].fillna("none").replace("", "none")
    rows: list[dict[str, object]] = []
    for name in species.index[listed.ne("none")]:
        alone = species[list(_SEASON)].assign(sensitivity="none")
        alone.loc[name, "sensitivity"] = "1"
        caught, measured = (frame[frame["species"] == name] for frame in (catches, lengths))
        sensitive = own_steps(placements, caught, measured, alone) > 0
        for step in STEP_WORDS:
            own = np.where(sensitive, WITHHELD if step == "withheld" else int(step), 0)
            rows.append(
                {"species": name, "step": step, "as_listed": step == listed[name]}
                | _counted(xy, own.astype(np.int64))
            )
    return pd.DataFrame(rows, columns=["species", "step", "as_listed", *EFFECT_COLUMNS])


def effect_of_list(
    placements: pd.DataFrame,
    xy: Floats,
    catches: pd.DataFrame,
    lengths: pd.DataFrame,
    species: pd.DataFrame,
) -> dict[str, int]:
    """Count what a whole list hides: `EFFECT_COLUMNS`, as :func:`effect_of_steps` counts them."""
    return _counted(xy, own_steps(placements, catches, lengths, species))


def _counted(xy: Floats, own: Ints) -> dict[str, int]:
    shown = close_cells(xy, own)
    exact, left_out = int((shown == 0).sum()), int((shown == WITHHELD).sum())
    return {
        "placements": len(shown),
        "catching": int((own > 0).sum()),
        "exact": exact,
        "squares": len(shown) - exact - left_out,
        "left_out": left_out,
    }
