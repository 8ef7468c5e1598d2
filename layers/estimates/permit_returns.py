"""What was caught under each permit, and what became of it: the return that permits ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.coded import distinct, word_codes
from layers.fieldwork.looking import catch_numbers, extreme_dates, inputs_of, local_dates
from layers.frames import codes_within, reads
from layers.totals import ALL, RECORDS_ANEW, refuse_all

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Ints

__all__ = ["FATES", "permit_returns"]

FATES: Final = ("released", "kept", "dead", "other", "not_stated")
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
        `permit`, `survey`, `species`, `placements`, `first_date`, `last_date`, `caught`,
        `caught_lower_bound`, fish of each of `FATES`, `problem`. By permit and survey: a row for
        each species, with the placements that caught it and their dates, and one of species `all`
        with every placement, also those that caught nothing. `permit` and `survey` are empty
        where none is stated. Fates in other words count as `other`, and `problem` names the words.

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
    survey, surveys = _words_or_none(placements["survey"])
    own, stated = word_codes(placements["permit"])
    of_survey = pd.Index(surveys).map(survey_permits.to_dict())
    of_word, permits = pd.factorize(pd.Series([*stated, *of_survey], dtype="str").fillna(""))
    permit = of_word[np.where(own >= 0, own, len(stated) + survey)]
    group, key = pd.factorize(permit * max(len(surveys), 1) + survey)
    row = codes_within(catches["placement_id"], placements.index)
    number, lower = catch_numbers(catches)
    kept = np.flatnonzero((row >= 0) & (number > 0))
    row, number = row[kept], number[kept].astype(np.int64)
    kind, species = word_codes(catches["species"].iloc[kept])
    estimate = (catches["count_kind"] == "estimate").to_numpy(bool, na_value=False)[kept]
    word, words = _words_or_none(catches["fate"].iloc[kept])
    written = pd.Series(words, dtype="str").str.strip()
    known = written.str.casefold().map(_FATE_OF).fillna("other").mask(written == "", "not_stated")
    fate = pd.Index(FATES).get_indexer(pd.Index(known))[word]
    # Cells are the species of each group, and after them all.
    names = np.append(np.asarray(species, object), ALL)
    cell = group[row] * len(names) + kind
    of_all = group * len(names) + len(species)

    def table(cell: Ints, weights: ArrayLike | None = None) -> Ints:
        sums = np.bincount(cell, weights, len(key) * len(names)).reshape(len(key), len(names))
        sums[:, -1] += sums[:, :-1].sum(axis=1)
        return sums.astype(np.int64)

    placed = table(distinct(cell * max(len(placements), 1) + row) // max(len(placements), 1))
    placed[:, -1] = np.bincount(group, minlength=len(key))
    at = np.nonzero(placed)
    days = local_dates(placements).to_numpy("datetime64[us]")
    dated = (np.append(days[row], days), np.append(cell, of_all), placed.size)
    strange: dict[int, set[str]] = {}
    odd = fate == FATES.index("other")
    for one, text in {*zip(cell[odd].tolist(), word[odd].tolist(), strict=True)}:
        for place in (one, one // len(names) * len(names) + len(species)):
            strange.setdefault(place, set()).add(written[text])
    cells = at[0] * len(names) + at[1]
    frame = pd.DataFrame(
        {
            "permit": permits.take(key[at[0]] // max(len(surveys), 1)),
            "survey": surveys.take(key[at[0]] % max(len(surveys), 1)),
            "species": names[at[1]],
            "placements": placed[at],
            "first_date": extreme_dates(*dated, np.minimum)[cells],
            "last_date": extreme_dates(*dated, np.maximum)[cells],
            "caught": table(cell, number)[at],
            "caught_lower_bound": table(cell, lower[kept])[at] > 0,
            **{name: table(cell, number * (fate == k))[at] for k, name in enumerate(FATES)},
            "estimated": table(cell, estimate)[at] > 0,
            "strange": [", ".join(sorted(strange.get(one, ()))) for one in cells.tolist()],
            "_all": at[1] == len(species),
        }
    ).astype(dict.fromkeys(("permit", "survey", "species", "strange"), "str"))
    said = zip(
        np.where(frame["permit"] == "", "no permit stated", ""),
        np.where(frame["caught_lower_bound"], "fish not all counted: at least", ""),
        np.where(frame["estimated"], "estimated counts added as they are", ""),
        np.where(frame["strange"] != "", "other fates: " + frame["strange"], ""),
        strict=True,
    )
    frame["problem"] = pd.Series(["; ".join(filter(None, words)) for words in said], dtype="str")
    frame = frame.sort_values(["permit", "survey", "_all", "species"], ignore_index=True)
    frame = frame.drop(columns=["estimated", "strange", "_all"])
    frame.attrs["inputs"] = inputs_of(
        placements,
        np.ones(len(placements), dtype=bool),
        {},
        assumes="every fish stands in one catch row, with what became of it in fate",
    )
    return frame


def _words_or_none(column: pd.Series) -> tuple[Ints, pd.Index]:
    """Give the words of a column numbers; none is an empty text."""
    code, words = word_codes(column)
    names = [*words, ""]
    return np.where(code < 0, names.index(""), code), pd.Index(names, dtype="str")
