"""Found, looked for in vain, or never looked for: by hand, and against a plain loop."""

import re

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm, t
from statsmodels.stats.proportion import proportion_confint

from layers.errors import FrameError
from layers.estimates import occurrence as computing
from layers.estimates.occurrence import OCCURRENCE_COLUMNS
from layers.fieldwork.effort import effort_of, main_units
from layers.fieldwork.looking import visits
from tests.sampling_frames import METHODS, SPECIES, ancestors_of, catches_of, placements_of

FISH = pd.concat(
    [
        SPECIES.assign(family=[None, "Gasterosteidae", "Percidae", None, "Petromyzontidae"]),
        pd.DataFrame(
            {
                "rank": ["species", "species", "family"],
                "habitats": ["stream", None, None],
                "detected_by": None,
                "family": ["Petromyzontidae", "Petromyzontidae", "Petromyzontidae"],
            },
            index=["Lampetra planeri", "Petromyzon marinus", "Petromyzontidae"],
        ),
    ]
).rename_axis("species")
NESTED = ancestors_of({"basin": None, "brook": "basin", "mere": "basin", "dry": None})


def occurrence(placements, catches, species, methods, **frames):
    """Occurrence with the effort of its placements."""
    effort = effort_of(placements, methods)
    return computing.occurrence(placements, catches, species, methods, effort=effort, **frames)


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
        place_of=where,
        ancestors=NESTED,
        snaps=snaps,
    )


def test_found_with_its_share_dates_numbers_and_methods(small):
    """A kick net and a trap looked on two reaches; only the kick net found the bullhead."""
    row = row_of(small, "brook", "Cottus perifretum")
    assert row["state"] == "found"
    assert (row["placements"], row["placements_found"]) == (3, 1)
    assert (row["reaches"], row["reaches_found"]) == (2, 1)
    assert row["proportion"] == pytest.approx(1 / 2)
    assert row["placement_proportion"] == pytest.approx(1 / 3)
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
        place_of=pd.Series({"a": "brook", "b": "mere", "c": "brook"}),
        ancestors=NESTED,
        snaps=snaps_of({"a": "R1", "c": "R2"}),
    )
    row = row_of(frame, "basin", stickleback)
    assert (row["placements"], row["placements_found"]) == (2, 2)
    assert (row["reaches"], row["reaches_found"]) == (1, 1)
    assert row["note"] == (
        "2 of 2 finds by gear not listed for it, or that did not fish properly; "
        "without: 0 of 0 placements, 0 of 0 reaches"
    )
    assert row_of(frame, "mere", stickleback)["state"] == "found"
    assert row_of(frame, "brook", "Cottus perifretum")["note"] == ""


def loop(placements, catches, species, methods, place_of, snaps, effort, ancestors=None):
    """The same answers, one placement at a time with sets: slow, and plain to read."""
    holders = {place: {place} for place in place_of.dropna()}
    if ancestors is not None:
        holders = ancestors.groupby("catchment_id")["ancestor_id"].apply(set).to_dict()
    caught = {}  # counts and whether each is exact, by placement and name
    for row in catches.itertuples():
        if row.count != 0:
            exact = row.count_kind in ("exact", "estimate") and row.count == row.count
            number = row.count if row.count == row.count and row.count_kind != "present" else 1
            caught.setdefault((row.placement_id, row.species), []).append((number, exact))
    main, amounts = main_units(placements, effort), {}
    for row in effort.itertuples():
        amounts[row.placement_id, row.effort_unit] = row.effort
    days = {
        pid: set_at.tz_convert(zone).date() if set_at == set_at else None
        for pid, set_at, zone in zip(
            placements.index, placements["set_at"], placements["timezone"], strict=True
        )
    }
    at = dict(zip(placements.index, placements.geometry, strict=True))
    method_of, outcome_of = placements["method"].to_dict(), placements["outcome"].to_dict()
    reach, site = snaps["reach_id"].to_dict(), placements["site"].to_dict()
    can = {}
    for name, entry in species.iterrows():
        for method, own in methods["habitats"].items():
            if isinstance(entry["detected_by"], str):
                can[name, method] = method in entry["detected_by"].split(";")
            else:
                waters = entry["habitats"]
                anywhere = not isinstance(waters, str) or not isinstance(own, str)
                can[name, method] = anywhere or bool(set(waters.split(";")) & set(own.split(";")))
    coarser = {
        name: [
            other
            for other, kin in species.iterrows()
            if (kin["rank"] == "genus" and other == name.split()[0])
            or (kin["rank"] == "family" and other == entry.get("family"))
        ]
        for name, entry in species.iterrows()
    }
    inside = {place: [] for held in holders.values() for place in held}
    for pid in placements.index:
        for place in holders.get(place_of.get(pid), ()):
            inside[place].append(pid)
    rows = []
    for place, pids in inside.items():
        for name, entry in species.iterrows():
            looked, found, listed = [], [], []
            for pid in pids:
                able = can[name, method_of[pid]]
                if able and outcome_of[pid] in ("caught", "nil"):
                    listed.append(pid)
                if (pid, name) in caught:
                    found.append(pid)
                if pid in listed or pid in found:
                    looked.append(pid)
            if not found and entry["rank"] != "species":
                continue
            coarse = [
                other for other in coarser[name] if any((pid, other) in caught for pid in pids)
            ]
            fish = [each for pid in found for each in caught[pid, name]]
            visits = set()
            for pid in looked:
                unit = next(
                    (u for u in (reach.get(pid), site[pid]) if isinstance(u, str)), at[pid].wkb
                )
                if days[pid]:
                    visits.add((unit, method_of[pid], days[pid]))
            spans = [[days[p] for p in group if days[p]] for group in (found, looked)]
            words = []
            for method in methods.index:
                own = [p for p in listed if method_of[p] == method]
                known = [amounts.get((p, main.get(method)), np.nan) for p in own]
                known = [amount for amount in known if amount == amount]
                if own:
                    words.append((methods.at[method, "label"], sum(known), len(own) - len(known)))
            rows.append(
                {
                    "catchment": place,
                    "species": name,
                    "state": "found" if found else "possible" if coarse
                    else "not_found" if looked else "never_looked",
                    "placements": len(looked),
                    "placements_found": len(found),
                    "reaches": len({reach.get(p) for p in looked} - {None, np.nan}),
                    "reaches_found": len({reach.get(p) for p in found} - {None, np.nan}),
                    "individuals": float(sum(number for number, _ in fish)),
                    "individuals_lower_bound": not all(exact for _, exact in fish),
                    "methods": ";".join(sorted({method_of[p] for p in found})),
                    "looked_methods": ";".join(
                        sorted({method_of[p] for p in looked})
                    ),
                    "visits": len(visits),
                    "first_date": pd.Timestamp(min(spans[0], default=pd.NaT)),
                    "last_date": pd.Timestamp(max(spans[0], default=pd.NaT)),
                    "first_looked": pd.Timestamp(min(spans[1], default=pd.NaT)),
                    "last_looked": pd.Timestamp(max(spans[1], default=pd.NaT)),
                    "words": words,
                    "coarse": set() if found else set(coarse),
                    "worth": worth_of(listed, set(found), reach),
                    "unlisted": [
                        *(len(found) - len(set(found) & set(listed)), len(found)),
                        *(len(set(found) & set(listed)), len(listed)),
                        *(
                            len({reach.get(p) for p in group} - {None, np.nan})
                            for group in (set(found) & set(listed), listed)
                        ),
                    ],
                }
            )  # fmt: skip
    days_columns = ["first_date", "last_date", "first_looked", "last_looked"]
    frame = pd.DataFrame(rows).astype(dict.fromkeys(days_columns, "datetime64[us]"))
    return frame.sort_values(["catchment", "species"], ignore_index=True)


def worth_of(listed, found, reach) -> float:
    """One over the design effect, reaches as clusters, and Korn and Graubard's factor."""
    groups = {}
    for pid in listed:
        at = reach.get(pid)
        groups.setdefault(at if isinstance(at, str) else pid, []).append(pid in found)
    c, n = len(groups), len(listed)
    p = sum(map(sum, groups.values())) / max(n, 1)
    if c < 2 or not 0 < p < 1:
        return 1.0
    spread = sum((sum(own) - p * len(own)) ** 2 for own in groups.values())
    effect = max(1.0, c / (c - 1) * spread / n / (p * (1 - p)))
    return 1 / (effect * (t.ppf(0.975, c - 1) / norm.ppf(0.975)) ** 2)


def assert_equals_loop(ours, plain):
    """Figures, dates and states are equal; effort and notes say what the loop gathered."""
    counted = plain.columns.drop(["words", "coarse", "worth", "unlisted"])
    for note, figures in zip(ours["note"], plain["unlisted"], strict=True):
        if figures[0]:
            assert [int(figure) for figure in re.findall(r"\d+", note)] == figures
    pd.testing.assert_frame_equal(ours[counted], plain[counted], check_dtype=False)
    for units, prefix in (("reaches", ""), ("placements", "placement_")):
        looked, found = plain[units], plain[f"{units}_found"]
        some = looked > 0
        assert ours.loc[~some, f"{prefix}proportion"].isna().all()
        share = (found / looked)[some]
        np.testing.assert_allclose(ours.loc[some, f"{prefix}proportion"], share)
        worth = plain["worth"] if prefix else 1.0
        found, looked = found * worth, looked * worth
        low, high = proportion_confint(found[some], looked[some], method="wilson")
        np.testing.assert_allclose(ours.loc[some, f"{prefix}wilson_low"], low, atol=1e-12)
        np.testing.assert_allclose(ours.loc[some, f"{prefix}wilson_high"], high, atol=1e-12)
    for said, note, state, words, coarse in zip(
        ours["effort"], ours["note"], ours["state"], plain["words"], plain["coarse"], strict=True
    ):
        parts = said.split("; ") if said else []
        assert len(parts) == len(words)
        for part, (label, total, lacking) in zip(parts, words, strict=True):
            assert part.startswith(f"{label}: ")
            if total:
                figure = part.removeprefix(f"{label}: ").split()[0].replace(",", "")
                assert float(figure) == pytest.approx(total, abs=0.0501)
            assert (f"effort of {lacking:,} placement" in part) == (lacking > 0)
        assert (state == "possible") == note.startswith("may be among fish")
        if state == "possible":
            assert set(re.findall(r"(\w+) (?:sp\.|\(family\))", note)) == coarse


@pytest.mark.parametrize("seed", range(12))
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
                "set_at": f"2025-0{random.integers(1, 4)}-11T{random.integers(10, 24)}:00Z",
                "timezone": random.choice(["Europe/Dublin", "Pacific/Auckland"]),
                "lifted_at": random.choice([None, "2025-10-12T09:00Z"]),
                "lifts": random.choice([np.nan, 2.0]),
                "site": random.choice([None, "ford", "weir"]),
            }
            for i in range(n)
        ]
    )
    catches = catches_of(
        [
            {
                "placement_id": f"p{random.integers(n)}",
                "species": random.choice(FISH.index),
                "count": random.choice([0, 1, 2, np.nan]),
                "count_kind": random.choice(["exact", "at_least"]),
            }
            for _ in range(60)
        ]
    )
    frames = {
        "place_of": pd.Series(
            {f"p{i}": random.choice(["basin", "brook", "mere", None]) for i in range(n)}
        ),
        "ancestors": NESTED,
        "snaps": snaps_of({f"p{i}": random.choice(["R1", "R2", "R3", None]) for i in range(n)}),
    }
    ours = occurrence(placements, catches, FISH, METHODS, **frames)
    effort = effort_of(placements, METHODS)
    assert_equals_loop(ours, loop(placements, catches, FISH, METHODS, effort=effort, **frames))
    # Neither the order of placements nor that of catches may matter.
    mixed = occurrence(
        placements.sample(frac=1, random_state=seed),
        catches.sample(frac=1, random_state=seed),
        FISH,
        METHODS,
        **frames,
    )
    pd.testing.assert_frame_equal(mixed, ours)


def test_a_visit_is_one_gear_on_one_date_at_a_reach_else_a_site_else_a_position():
    """By hand: traps of one line are one visit; another date, gear or place is another."""
    rows = [
        {"placement_id": "a", "site": "ford"},  # on reach R1
        {"placement_id": "b"},  # on reach R1
        {"placement_id": "c", "site": "ford"},
        {"placement_id": "d", "site": "ford"},
        {"placement_id": "e", "site": "ford", "method": "seine"},
        {"placement_id": "f", "site": "ford", "set_at": "2025-06-11T10:00Z"},
        {"placement_id": "g"},
        {"placement_id": "h"},
    ]
    number = visits(placements_of(rows), snaps_of({"a": "R1", "b": "R1"})).tolist()
    assert number == [0, 0, 1, 1, 2, 3, 4, 5]


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
        place_of=pd.Series({"a": "brook"} if rows else {}, dtype="str"),
        ancestors=NESTED,
        snaps=snaps_of({}),
    )
    state = row_of(frame, "brook", "Cottus perifretum")["state"]
    assert state == ("not_found" if outcome == "nil" else "never_looked")
    assert frame["first_date"].dtype.kind == "M"
    assert frame["placements"].dtype == np.int64
    assert frame["individuals_lower_bound"].dtype == bool


def test_without_any_place_there_are_no_rows():
    """A store without catchments, or of placements without a site."""
    frame = occurrence(
        placements_of([{"placement_id": "a", "outcome": "nil"}]),
        catches_of([]),
        SPECIES,
        METHODS,
        place_of=pd.Series({"a": None}, dtype="str"),
        snaps=snaps_of({"a": "R1"}),
    )
    assert frame.empty
    assert list(frame) == list(OCCURRENCE_COLUMNS)


def test_strangers_are_named():
    placements = placements_of([{"placement_id": "a", "method": "harpoon"}])
    frames = {
        "place_of": pd.Series({"a": "brook"}),
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
            **(frames | {"place_of": pd.Series({"a": "nowhere"})}),
        )
