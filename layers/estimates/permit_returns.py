"""What was caught under each permit, and what became of it: the return that permits ask for."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from layers.fieldwork.looking import catch_numbers, inputs_of, local_dates
from layers.frames import codes_within, reads
from layers.totals import ALL, RECORDS_ANEW, refuse_all

__all__ = ["FATES", "permit_returns"]

FATES: Final = ("released", "kept", "dead", "other", "not_stated")
RETURN_COLUMNS: Final = (
    "permit",
    "survey",
    "species",
    "placements",
    "first_date",
    "last_date",
    "caught",
    "caught_lower_bound",
    *FATES,
    "problem",
)
# What people write for each fate; common practice, no source.
_WORDS: Final = {
    "released": ("released", "release", "returned", "put back", "released alive", "alive", "live"),
    "kept": ("kept", "retained", "taken", "removed", "sample", "sampled", "voucher", "specimen"),
    "dead": ("dead", "died", "killed", "mortality", "found dead", "euthanised"),
}
_FATE_OF: Final = {word: fate for fate, words in _WORDS.items() for word in words}


@reads(placements="placement_id method outcome survey permit set_at timezone", catches="fate")
def permit_returns(
    placements: pd.DataFrame, catches: pd.DataFrame, survey_permits: pd.Series
) -> pd.DataFrame:
    """Count fish by permit, survey, species and fate.

    Parameters
    ----------
    placements, catches
        Frames of these kinds (`layers.frames`). Every placement counts, also one that was lost or
        disturbed: its fish were handled too.
    survey_permits
        Permit of each survey, which stands for placements that state none.

    Returns
    -------
    DataFrame
        Columns `RETURN_COLUMNS`, by permit and survey: a row for each species, with the
        placements that caught it and their dates, and one of species `all` with every placement,
        also those that caught nothing. `permit` and `survey` are empty where none is stated.
        Fates in other words count as `other`, and `problem` names the words.

    Examples
    --------
    >>> at = pd.to_datetime(["2025-06-01T10:00Z"])
    >>> work = pd.DataFrame({"method": "hand_net", "outcome": "caught", "survey": "S", "set_at": at,
    ...                      "permit": "P-1", "timezone": "UTC"}, index=pd.Index(["a"]))
    >>> fish = pd.DataFrame({"placement_id": "a", "species": "Esox lucius", "count": [2, 1],
    ...                      "count_kind": "exact", "fate": ["Released", "eaten"]})
    >>> table = permit_returns(work, fish, pd.Series(dtype="str"))
    >>> table[["caught", "released", "other"]].to_numpy().tolist(), table.loc[0, "problem"]
    ([[3, 2, 1], [3, 2, 1]], 'other fates: eaten')
    """
    refuse_all(catches["species"].unique(), "species", RECORDS_ANEW)
    of_survey = placements["survey"].map(survey_permits.to_dict()).astype(object)
    own = placements["permit"].astype(object)
    permit = own.where(own.notna(), of_survey)
    permit = permit.where(permit.notna(), "")
    work = pd.DataFrame(
        {
            "permit": permit.astype("str"),
            "survey": placements["survey"].fillna("").astype("str"),
            "date": local_dates(placements),
            "row": np.arange(len(placements)),
        }
    )
    row = codes_within(catches["placement_id"], placements.index)
    number, lower = catch_numbers(catches)
    kept = (row >= 0) & (number > 0)
    written = catches["fate"].fillna("").astype("str").str.strip()[kept]
    fate = written.str.casefold().map(_FATE_OF).fillna("other").mask(written == "", "not_stated")
    fish = work.iloc[row[kept]].assign(
        species=catches["species"].to_numpy(object)[kept],
        caught=number[kept].astype(np.int64),
        caught_lower_bound=lower[kept],
        estimated=(catches["count_kind"] == "estimate").to_numpy(bool, na_value=False)[kept],
        strange=written.where(fate == "other", "").to_numpy(object),
    )
    for name in FATES:
        fish[name] = np.where(fate == name, fish["caught"], 0)
    nothing = work.assign(
        species=ALL,
        caught=0,
        caught_lower_bound=False,
        estimated=False,
        strange="",
        **dict.fromkeys(FATES, 0),
    )
    rows = pd.concat([fish, fish.assign(species=ALL), nothing], ignore_index=True)
    frame = rows.groupby(["permit", "survey", "species"], as_index=False, sort=False).agg(
        placements=("row", "nunique"),
        first_date=("date", "min"),
        last_date=("date", "max"),
        caught_lower_bound=("caught_lower_bound", "any"),
        estimated=("estimated", "any"),
        strange=("strange", lambda words: ", ".join(sorted(set(words) - {""}))),
        **{name: (name, "sum") for name in ("caught", *FATES)},
    )
    frame["problem"] = _problems(frame)
    frame["_all"] = frame["species"] == ALL
    frame = frame.sort_values(["permit", "survey", "_all", "species"], ignore_index=True)
    frame = frame.astype({"species": "str", "problem": "str"})[list(RETURN_COLUMNS)]
    frame.attrs["inputs"] = inputs_of(
        placements,
        np.ones(len(placements), dtype=bool),
        {},
        assumes="every fish stands in one catch row, with what became of it in fate",
    )
    return frame


def _problems(frame: pd.DataFrame) -> pd.Series:
    said = pd.DataFrame(
        {
            "permit": np.where(frame["permit"] == "", "no permit stated", ""),
            "bound": np.where(frame["caught_lower_bound"], "fish not all counted: at least", ""),
            "estimated": np.where(frame["estimated"], "estimated counts added as they are", ""),
            "words": np.where(frame["strange"] != "", "other fates: " + frame["strange"], ""),
        }
    )
    words = ["; ".join(filter(None, row)) for row in said.itertuples(index=False)]
    return pd.Series(words, index=frame.index, dtype="str")
