"""Ids of catch rows and measured fish that stay the same from one file to the next.

An id is made of what distinguishes a row within its placement, never of its place in a file or in
the store: other rows may be chosen, changed, taken out or imported anew. It is made of the
frames that the viewer sees, so that a public id says nothing that the row beside it does not,
and shares nothing with the id of the same catch among exact records.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["absence_ids", "fish_ids", "occurrence_ids", "occurrences_of_fish"]

# Column, and the word that stands before its value.
_CATCH_PARTS: Final = (("pass_no", "pass "), ("life_stage", "stage "), ("fate", "fate "))
_FISH_PARTS: Final = (("pass_no", "pass "), ("length_mm", "mm "), ("weight_g", "g "))
# In the words of a part: what separates parts, or would become a space in a file.
_APART: Final = re.compile(r"[%:\x00-\x1f\x7f\x85\u2028\u2029]")


def occurrence_ids(event_id: pd.Series, catches: pd.DataFrame) -> pd.Series:
    """Id of each catch row (`layers.frames`): its event, species, pass, life stage and fate.

    A corrected count leaves it as it is. Rows that agree in all of these are numbered by what they
    count, so that each id is there once. `event_id` is the id of the event of each placement.

    Examples
    --------
    >>> rows = pd.DataFrame({"placement_id": "T1", "species": "Salmo trutta", "pass_no": [2, 1],
    ...     "life_stage": [None, "adult"], "fate": None, "count_kind": "exact", "count": 3})
    >>> occurrence_ids(pd.Series({"T1": "placement:T1"}), rows).tolist()
    ['placement:T1:Salmo trutta:pass 2', 'placement:T1:Salmo trutta:pass 1:stage adult']
    """
    return _ids(event_id, catches, "", _CATCH_PARTS, ("count_kind", "count"))


def absence_ids(event_id: pd.Series, species: pd.Series) -> pd.Series:
    """Id of each absence, which speaks of the whole catch of an event."""
    return event_id + ":" + _text(species) + ":absent"


def fish_ids(event_id: pd.Series, lengths: pd.DataFrame) -> pd.Series:
    """Id of each measured fish: its event, species, pass, length and weight.

    Nothing else distinguishes a fish from the others; a corrected measure is another fish.

    Examples
    --------
    >>> rows = pd.DataFrame({"placement_id": "T1", "species": "Salmo trutta", "pass_no": None,
    ...                      "length_mm": [152.0, 152.0], "weight_g": [38.5, None]})
    >>> fish_ids(pd.Series({"T1": "placement:T1"}), rows).tolist()
    ['placement:T1:Salmo trutta:fish:mm 152:g 38.5', 'placement:T1:Salmo trutta:fish:mm 152']
    """
    return _ids(event_id, lengths, ":fish", _FISH_PARTS, ())


def occurrences_of_fish(catches: pd.DataFrame, ids: pd.Series, lengths: pd.DataFrame) -> pd.Series:
    """Occurrence that each measured fish belongs to, where only one can be meant.

    That is the one catch row of its placement and species, of its pass where both state one. A
    sheet of lengths names no life stage or fate: where rows differ in these, it is missing. `ids`
    are those of the catch rows.
    """
    own = ["placement_id", "species", "pass_no"]
    fish = lengths[own].reset_index(drop=True).rename_axis("fish").reset_index()
    pairs = fish.merge(catches[own].assign(id=ids), on=own[:2], suffixes=("", "_caught"))
    passes, caught = (pairs[name].to_numpy(float) for name in ("pass_no", "pass_no_caught"))
    pairs = pairs[(passes == caught) | np.isnan(passes) | np.isnan(caught)]
    single = pairs[~pairs["fish"].duplicated(keep=False)].set_index("fish")["id"]
    of: pd.Series = single.reindex(fish["fish"]).set_axis(lengths.index).astype("str")
    return of


def _ids(
    event_id: pd.Series,
    rows: pd.DataFrame,
    word: str,
    parts: Sequence[tuple[str, str]],
    order: Sequence[str],
) -> pd.Series:
    ids = pd.Series(event_id.reindex(rows["placement_id"]).to_numpy(object), index=rows.index)
    ids = ids.astype("str") + ":" + _text(rows["species"]) + word
    for column, before in parts:
        ids += (":" + before + _text(rows[column])).fillna("")
    ordered = rows.assign(id=ids)[["id", *order]].sort_values(["id", *order], kind="stable")
    number = ordered.groupby("id").cumcount().reindex(rows.index) + 1
    return ids + (":" + number.astype("str")).where(number > 1, "")


def _text(column: pd.Series) -> pd.Series:
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.map("{:.12g}".format, na_action="ignore").astype("str")
    text = {value: _APART.sub(lambda sign: quote(sign[0]), value) for value in column.dropna()}
    return column.map(text).astype("str")
