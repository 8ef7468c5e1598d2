"""Found, looked for in vain, or never looked for: by hand, and against a plain loop."""

import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.estimates.occurrence import OCCURRENCE_COLUMNS, occurrence
from tests.sampling_frames import METHODS, SPECIES, ancestors_of, catches_of, placements_of

NESTED = ancestors_of({"basin": None, "brook": "basin", "mere": "basin", "dry": None})


def snaps_of(reaches: dict[str, str | None]) -> pd.DataFrame:
    return pd.DataFrame({"reach_id": pd.Series(reaches, dtype="str")})


def row_of(frame: pd.DataFrame, catchment: str, species: str) -> pd.Series:
    match = frame[(frame["catchment"] == catchment) & (frame["species"] == species)]
    assert len(match) == 1
    return match.iloc[0]


@pytest.fixture
def small() -> pd.DataFrame:
    """Seven placements in a brook and a mere, small enough for paper."""
    placements = placements_of(
        [
            {"placement_id": "k1", "method": "kick_net"},
            {"placement_id": "k2", "method": "kick_net", "outcome": "nil"},
            {"placement_id": "t1", "method": "minnow_trap", "set_at": "2025-06-11T23:30Z"},
            {"placement_id": "t2", "method": "minnow_trap", "outcome": "lost"},
            {"placement_id": "t3", "method": "minnow_trap", "outcome": "unrecorded"},
            {"placement_id": "s1", "method": "seine", "outcome": "disturbed"},
            {"placement_id": "k3", "method": "kick_net", "outcome": "nil"},
        ]
    )
    catches = catches_of(
        [
            {"placement_id": "k1", "species": "Cottus perifretum", "count": 3},
            {"placement_id": "k1", "species": "Cottus perifretum", "count": 2},
            {"placement_id": "k1", "species": "Lampetra", "count": 1},
            {
                "placement_id": "t1",
                "species": "Gasterosteus aculeatus",
                "count": 20,
                "count_kind": "at_least",
            },
            {"placement_id": "elsewhere", "species": "Anguilla anguilla", "count": 1},
        ]
    )
    where = pd.Series(
        {
            "k1": "brook",
            "k2": "brook",
            "t1": "brook",
            "t2": "brook",
            "t3": "brook",
            "s1": "mere",
            "k3": None,
        }
    )
    snaps = snaps_of({"k1": "R1", "k2": "R1", "t1": "R2", "t2": "R3", "t3": "R3", "k3": "R4"})
    return occurrence(
        placements,
        catches,
        SPECIES,
        METHODS,
        catchment_of=where,
        ancestors=NESTED,
        snaps=snaps,
    )


def test_found_with_its_share_dates_numbers_and_methods(small):
    """A kick net and a trap looked on two reaches; only the kick net found the bullhead."""
    row = row_of(small, "brook", "Cottus perifretum")
    assert row["state"] == "found"
    assert (row["placements"], row["placements_found"]) == (3, 1)
    assert (row["reaches"], row["reaches_found"]) == (2, 1)
    assert row["proportion"] == pytest.approx(1 / 3)
    assert row["individuals"] == 5
    assert not row["individuals_lower_bound"]
    assert row["methods"] == "kick_net"
    assert row["first_date"] == row["last_date"] == pd.Timestamp("2025-06-10")


def test_species_list_decides_which_methods_looked(small):
    """Kick nets cannot detect a stickleback here, so only the trap looked for it."""
    row = row_of(small, "brook", "Gasterosteus aculeatus")
    assert (row["placements"], row["placements_found"], row["reaches"]) == (1, 1, 1)
    assert row["individuals_lower_bound"]
    # Set at 23:30 UTC in summer time: the local date is the next one.
    assert row["first_date"] == pd.Timestamp("2025-06-12")


def test_lost_disturbed_and_unrecorded_gear_did_not_look(small):
    """The mere saw one seine, disturbed: nobody looked there. Three states, never two."""
    assert row_of(small, "mere", "Perca fluviatilis")["state"] == "never_looked"
    assert row_of(small, "dry", "Cottus perifretum")["state"] == "never_looked"
    eel = row_of(small, "brook", "Anguilla anguilla")
    assert (eel["state"], eel["placements"], eel["placements_found"]) == ("not_found", 3, 0)
    assert (eel["wilson_low"], eel["methods"], eel["individuals"]) == (0.0, "", 0.0)
    assert pd.isna(eel["first_date"])
    assert np.isnan(row_of(small, "dry", "Cottus perifretum")["wilson_high"])


def test_genus_records_are_rows_of_their_own_and_never_a_nil(small):
    assert row_of(small, "brook", "Lampetra")["state"] == "found"
    assert not ((small["species"] == "Lampetra") & (small["state"] != "found")).any()


def test_nested_catchments_roll_up(small):
    row = row_of(small, "basin", "Cottus perifretum")
    brook = row_of(small, "brook", "Cottus perifretum")
    assert row.drop("catchment").to_dict() == brook.drop("catchment").to_dict()


def test_inputs_say_what_was_used_and_why_not(small):
    inputs = small.attrs["inputs"]
    assert inputs["placements_used"] == 3
    assert inputs["left_out"] == {
        "gear lost": 1,
        "catch not recorded": 1,
        "gear disturbed": 1,
        "outside every catchment": 1,
    }
    assert inputs["methods"] == ["kick_net", "minnow_trap"]
    assert inputs["years"] == [2025]
    assert list(small.columns) == list(OCCURRENCE_COLUMNS)


def test_a_find_against_the_list_still_counts():
    """A stickleback in a kick net, and one in a disturbed seine: found, looked, and noted."""
    placements = placements_of(
        [
            {"placement_id": "a", "method": "kick_net"},
            {"placement_id": "b", "method": "seine", "outcome": "disturbed"},
            {"placement_id": "c", "method": "kick_net", "outcome": "nil"},
        ]
    )
    stickleback = "Gasterosteus aculeatus"
    catches = catches_of(
        [{"placement_id": p, "species": stickleback, "count": 1} for p in ("a", "b")]
    )
    frame = occurrence(
        placements,
        catches,
        SPECIES,
        METHODS,
        catchment_of=pd.Series({"a": "brook", "b": "mere", "c": "brook"}),
        ancestors=NESTED,
        snaps=snaps_of({"a": "R1", "c": "R2"}),
    )
    row = row_of(frame, "basin", stickleback)
    assert (row["placements"], row["placements_found"]) == (2, 2)
    assert (row["reaches"], row["reaches_found"]) == (1, 1)
    assert "not listed" in row["note"]
    assert row_of(frame, "mere", stickleback)["state"] == "found"
    assert row_of(frame, "brook", "Cottus perifretum")["note"] == ""


def loop(placements, catches, species, methods, catchment_of, ancestors, snaps) -> pd.DataFrame:
    """The same counts, one placement at a time with sets: slow, and plain to read."""
    holders = ancestors.groupby("catchment_id")["ancestor_id"].apply(set).to_dict()
    rows = []
    for catchment in holders:
        for name, entry in species.iterrows():
            looked, found, reaches, reaches_found, individuals, lower, by, days = (
                set(), set(), set(), set(), 0.0, False, set(), set()
            )  # fmt: skip
            for pid, placement in placements.iterrows():
                home = catchment_of.get(pid)
                if not isinstance(home, str) or catchment not in holders[home]:
                    continue
                gear = methods.loc[placement["method"]]
                if isinstance(entry["detected_by"], str):
                    able = placement["method"] in entry["detected_by"].split(";")
                else:
                    waters = entry["habitats"]
                    able = not isinstance(waters, str) or bool(
                        set(waters.split(";")) & set(gear["habitats"].split(";"))
                    )
                caught = catches[
                    (catches["placement_id"] == pid)
                    & (catches["species"] == name)
                    & ~(catches["count"] == 0)
                ]
                if len(caught) or (able and placement["outcome"] in ("caught", "nil")):
                    looked.add(pid)
                    reaches.add(snaps["reach_id"].get(pid))
                if len(caught):
                    found.add(pid)
                    reaches_found.add(snaps["reach_id"].get(pid))
                    individuals += caught["count"].fillna(1).sum()
                    lower |= bool(
                        (caught["count_kind"] != "exact").any() or caught["count"].isna().any()
                    )
                    by.add(placement["method"])
                    zone = placement["timezone"]
                    days.add(placement["set_at"].tz_convert(zone).tz_localize(None).normalize())
            if not found and entry["rank"] != "species":
                continue
            rows.append(
                {
                    "catchment": catchment,
                    "species": name,
                    "placements": len(looked),
                    "placements_found": len(found),
                    "reaches": sum(isinstance(r, str) for r in reaches),
                    "reaches_found": sum(isinstance(r, str) for r in reaches_found),
                    "individuals": individuals,
                    "individuals_lower_bound": lower,
                    "methods": ";".join(sorted(by)),
                    "first_date": min(days, default=pd.NaT),
                    "last_date": max(days, default=pd.NaT),
                }
            )
    return pd.DataFrame(rows).sort_values(["catchment", "species"], ignore_index=True)


@pytest.mark.parametrize("seed", range(4))
def test_counts_equal_a_plain_loop(seed):
    """Random records, with finds against the list, lost gear, unsnapped and outside ones."""
    random = np.random.default_rng(seed)
    n = 40
    placements = placements_of(
        [
            {
                "placement_id": f"p{i}",
                "method": random.choice(METHODS.index),
                "outcome": random.choice(["caught", "nil", "lost", "disturbed", "unrecorded"]),
                "set_at": f"2025-0{random.integers(1, 9)}-11T{random.integers(10, 24)}:00Z",
                "timezone": random.choice(["Europe/Dublin", "Pacific/Auckland"]),
            }
            for i in range(n)
        ]
    )
    catches = catches_of(
        [
            {
                "placement_id": f"p{random.integers(n)}",
                "species": random.choice(SPECIES.index),
                "count": random.choice([0, 1, 2, np.nan]),
                "count_kind": random.choice(["exact", "at_least"]),
            }
            for _ in range(60)
        ]
    )
    frames = {
        "catchment_of": pd.Series(
            {f"p{i}": random.choice(["basin", "brook", "mere", None]) for i in range(n)}
        ),
        "ancestors": NESTED,
        "snaps": snaps_of({f"p{i}": random.choice(["R1", "R2", "R3", None]) for i in range(n)}),
    }
    ours = occurrence(placements, catches, SPECIES, METHODS, **frames)
    plain = loop(placements, catches, SPECIES, METHODS, **frames)
    pd.testing.assert_frame_equal(ours[plain.columns], plain, check_dtype=False)
    # Neither the order of placements nor that of catches may matter.
    mixed = occurrence(
        placements.sample(frac=1, random_state=seed),
        catches.sample(frac=1, random_state=seed),
        SPECIES,
        METHODS,
        **frames,
    )
    pd.testing.assert_frame_equal(mixed, ours)


@pytest.mark.parametrize("outcome", [None, "nil", "lost"])
def test_degenerate_inputs_give_a_state(outcome):
    """No placements, all nil, all lost: a word for each, and the right types."""
    rows = [] if outcome is None else [{"placement_id": "a", "outcome": outcome}]
    placements = placements_of(rows)
    frame = occurrence(
        placements,
        catches_of([]),
        SPECIES,
        METHODS,
        catchment_of=pd.Series({"a": "brook"} if rows else {}, dtype="str"),
        ancestors=NESTED,
        snaps=snaps_of({}),
    )
    state = row_of(frame, "brook", "Cottus perifretum")["state"]
    assert state == ("not_found" if outcome == "nil" else "never_looked")
    assert frame["first_date"].dtype.kind == "M"
    assert frame["placements"].dtype == np.int64
    assert frame["individuals_lower_bound"].dtype == bool


def test_strangers_are_named():
    placements = placements_of([{"placement_id": "a", "method": "harpoon"}])
    frames = {
        "catchment_of": pd.Series({"a": "brook"}),
        "ancestors": NESTED,
        "snaps": snaps_of({"a": "R1"}),
    }
    with pytest.raises(FrameError, match="harpoon"):
        occurrence(placements, catches_of([]), SPECIES, METHODS, **frames)
    placements = placements_of([{"placement_id": "a"}])
    catches = catches_of([{"placement_id": "a", "species": "Esox lucius", "count": 1}])
    with pytest.raises(FrameError, match="Esox lucius"):
        occurrence(placements, catches, SPECIES, METHODS, **frames)
    with pytest.raises(FrameError, match="nowhere"):
        occurrence(
            placements,
            catches_of([]),
            SPECIES,
            METHODS,
            **(frames | {"catchment_of": pd.Series({"a": "nowhere"})}),
        )
