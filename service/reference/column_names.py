"""Names that others give to our columns of reference layers, taken where the trade is agreed.

Each such taking is reported. Codes that one country or agency uses are left to `--map`: the code of
a unit is not always the key that is wanted.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Final, Literal, TypeVar

import pandas as pd

from service.errors import RequestError

__all__ = ["named_as_ours"]

Frame = TypeVar("Frame", bound=pd.DataFrame)
Layer = Literal["reaches", "catchments", "species"]

_SYNONYMS: Final = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


def named_as_ours(frame: Frame, layer: Layer) -> tuple[Frame, list[str]]:
    """Take columns by their usual other names, and say so in at most one sentence.

    The frame is as read, after `--map`; its key is the first entry in `column_names.toml`. Columns
    that are not understood are left alone. Raises RequestError where there is no key column.

    Examples
    --------
    >>> rivers = pd.DataFrame({"ID": ["7"], "strahler_order": [2]})
    >>> found, notes = named_as_ours(rivers, "reaches")
    >>> list(found.columns), notes
    (['reach_id', 'strahler'], ['Columns taken: ID as reach_id, strahler_order as strahler.'])
    """
    theirs = {str(name).lower(): name for name in reversed(frame.columns) if name != "geometry"}
    taken: dict[str, str] = {}
    for ours, synonyms in _SYNONYMS[layer].items():
        if ours in frame.columns or frame.index.name == ours:
            continue
        fits = [theirs[name] for name in (ours, *synonyms) if name in theirs]
        free = [name for name in fits if name not in taken and name not in _SYNONYMS[layer]]
        if free:
            taken[free[0]] = ours
    key = next(iter(_SYNONYMS[layer]))
    if key not in (*frame.columns, frame.index.name, *taken.values()):
        known = ", ".join([str(name) for name in frame.columns if name != "geometry"][:20])
        raise RequestError(
            f"There is no column {key} among {known}; say which one it is, as {key}=THEIRS.",
            option=f"--map {key}=THEIRS",
        )
    words = [f"{name} as {ours}" for name, ours in taken.items()]
    return frame.rename(columns=taken), [f"Columns taken: {', '.join(words)}."] if words else []
