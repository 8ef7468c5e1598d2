"""Returns for permits, against a plain loop over rows and a case worked on paper."""

import numpy as np
import pandas as pd

from layers.estimates.permit_returns import FATES, permit_returns
from tests.sampling_frames import catches_of, placements_of

LOACH = "Barbatula barbatula"


def row(name, **more):
    return {"placement_id": name, "survey": "S1", "permit": None, **more}


def placements(rows):
    frame = placements_of(rows)
    frame["permit"] = pd.array([one["permit"] for one in rows], dtype="str")
    return frame


def fish(placement, count, fate=None, species=LOACH, kind="exact"):
    return {"placement_id": placement, "species": species, "count": count, "fate": fate,
            "count_kind": kind}  # fmt: skip


def catch_rows(rows):
    frame = catches_of(rows)
    frame["fate"] = pd.array([one["fate"] for one in rows], dtype="str")
    return frame


def test_fish_by_permit_and_fate():
    """A placement's own permit comes before that of its survey; nil and lost gear count."""
    work = placements(
        [row("a"), row("b", permit="P-2"), row("c", outcome="nil"), row("d", outcome="lost")]
    )
    catches = catch_rows(
        [fish("a", 4, "Released"), fish("a", 1, "dead"), fish("b", 3), fish("d", 2, "eaten"),
         fish("d", np.nan, "kept", kind="present")]
    )  # fmt: skip
    table = permit_returns(work, catches, pd.Series({"S1": "P-1"}))
    first = table[(table["permit"] == "P-1") & (table["species"] == LOACH)].iloc[0]
    assert first[["placements", "caught", *FATES]].tolist() == [2, 8, 4, 1, 1, 2, 0]
    assert first["caught_lower_bound"]
    assert "eaten" in first["problem"]
    whole = table[(table["permit"] == "P-1") & (table["species"] == "all")].iloc[0]
    assert whole[["placements", "caught"]].tolist() == [3, 8]
    other = table[(table["permit"] == "P-2") & (table["species"] == "all")].iloc[0]
    assert other[["caught", "not_stated", "problem"]].tolist() == [3, 3, ""]


def test_estimated_counts_are_said():
    """About 40 loach and 3 counted pike: the rows of loach and of all say that 40 is estimated."""
    catches = catch_rows([fish("a", 40, kind="estimate"), fish("a", 3, species="Esox lucius")])
    table = permit_returns(placements([row("a", permit="P")]), catches, pd.Series(dtype="str"))
    said = table.set_index("species")["problem"].str.contains("estimated counts added").to_dict()
    assert said == {LOACH: True, "Esox lucius": False, "all": True}
    assert table["caught"].tolist() == [40, 3, 43]


def test_equals_a_loop_over_rows():
    """Seeded: the sums by permit, survey and species are those of a loop; fates add up."""
    random = np.random.default_rng(8)
    names = [f"p{k}" for k in range(40)]
    permits = [[None, "A", "B"][k] for k in random.integers(0, 3, 40)]
    work = placements([row(n, permit=p) for n, p in zip(names, permits, strict=True)])
    species = [LOACH, "Cottus gobio"]
    rows = [
        fish(names[random.integers(40)], int(random.integers(1, 9)),
             [None, "released", "kept", "dead"][random.integers(4)], species[random.integers(2)])
        for _ in range(120)
    ]  # fmt: skip
    table = permit_returns(work, catch_rows(rows), pd.Series({"S1": "S"}))
    expected = {}
    of = dict(zip(names, permits, strict=True))
    for one in rows:
        for name in (one["species"], "all"):
            key = (of[one["placement_id"]] or "S", name)
            expected[key] = expected.get(key, 0) + one["count"]
    found = {(r["permit"], r["species"]): r["caught"] for r in table.to_dict("records")}
    assert found == expected
    assert (table[list(FATES)].sum(axis=1) == table["caught"]).all()
