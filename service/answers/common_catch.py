"""What is caught most: the order of species on a form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

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
    caught = records.catches[["placement_id", "species"]].drop_duplicates()
    survey = records.placements["survey"].reindex(caught["placement_id"]).to_numpy(object)
    counted = pd.DataFrame({"survey": survey, "species": caught["species"].to_numpy(object)})
    each = counted.value_counts(["survey", "species"]).reset_index()
    each = each.sort_values(["count", "species"], ascending=[False, True], kind="stable")
    by_survey = {
        str(name): own["species"].head(most).tolist() for name, own in each.groupby("survey")
    }
    return counted["species"].value_counts(), by_survey
