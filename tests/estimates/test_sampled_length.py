"""Sampled length by every grouping: published figures, conservation, nested catchments."""

import json
from itertools import combinations, pairwise

import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.estimates import sampled_length as computing
from layers.estimates.sampled_length import GROUPINGS
from layers.fieldwork.counted_water import counted_water
from layers.network.graph import build_network
from tests.random_networks import SHARED, hand_drawn, new_hope, random_network, reaches_of

open_data = pytest.mark.skipif(not SHARED.exists(), reason="open data not present")


NO_SNAPS = pd.DataFrame({"reach_id": [], "measure_m": []}).astype({"reach_id": "str"})
NO_METHODS = pd.DataFrame(index=pd.Index([], name="method", dtype="str"))


def sampled_length(network, stretches, placements, parts, catchments, by=()):
    """Length that placements without a position sampled."""
    water = counted_water(network, stretches, NO_SNAPS, placements, NO_METHODS)
    return computing.sampled_length(water, parts, catchments, by)


def placements_of(rows, **columns):
    """Placements P0, P1 … from (method, year) pairs; all caught something."""
    methods, years = zip(*rows, strict=True) if rows else ((), ())
    frame = pd.DataFrame(
        {
            "method": pd.Series(methods, dtype="str"),
            "survey": "S1",
            "outcome": "caught",
            "set_at": pd.to_datetime([f"{year}-07-01T12:00Z" for year in years], utc=True),
            "timezone": "UTC",
        }
    ).assign(**columns)
    frame.index = pd.Index([f"P{k}" for k in range(len(rows))], name="placement_id", dtype="str")
    return frame


def stretches_at(rows):
    """Stretches from (placement number, reach, from, to)."""
    return pd.DataFrame(
        {
            "placement_id": pd.Series([f"P{row[0]}" for row in rows], dtype="str"),
            "method": "",
            "reach_id": pd.Series([row[1] for row in rows], dtype="str"),
            "from_m": pd.Series([row[2] for row in rows], dtype=float),
            "to_m": pd.Series([row[3] for row in rows], dtype=float),
        }
    )


def parts_at(rows):
    columns = ["reach_id", "from_m", "to_m", "catchment_id"]
    return pd.DataFrame(rows, columns=columns).astype({"from_m": float, "to_m": float})


NO_PARTS = parts_at([])
NO_CATCHMENTS = pd.DataFrame({"parent_id": []}, index=pd.Index([], name="catchment_id"))


def random_case(seed, placements=60):
    """A network cut into parts of nested catchments, with random stretches over three years."""
    rng = np.random.default_rng(seed)
    network = random_network(seed)
    ids = network.reaches.index.to_numpy()
    frame = placements_of(
        [(f"m{rng.integers(3)}", 2020 + rng.integers(3)) for _ in range(placements)]
    )
    frame["survey"] = rng.choice(["S1", "S2"], placements)
    reach = rng.integers(0, len(ids), 2 * placements)
    ends = rng.uniform(0, 1, (2, 2 * placements)) * network.length_m[reach]
    stretches = stretches_at(
        list(zip(np.arange(2 * placements) % placements, ids[reach], *ends, strict=True))
    )
    catchments = pd.DataFrame(
        {"parent_id": [None, "T", "T", "A"]}, index=pd.Index(["T", "A", "B", "A1"])
    )
    border = rng.uniform(0, 1, len(ids)) * network.length_m
    names = np.array(["T", "A", "B", "A1", None], dtype=object)
    parts = pd.DataFrame(
        {
            "reach_id": np.repeat(ids, 2),
            "from_m": np.stack([np.zeros(len(ids)), border], 1).ravel(),
            "to_m": np.stack([border, network.length_m], 1).ravel(),
            "catchment_id": names[rng.integers(0, 5, 2 * len(ids))],
        }
    )
    return network, stretches, frame, parts, catchments


def counted(stretches, chosen):
    """Sampled length by a plain loop over the cells between all the ends there are."""
    total = 0.0
    for _, own in stretches[chosen].groupby("reach_id"):
        ends = [tuple(sorted(pair)) for pair in own[["from_m", "to_m"]].to_numpy().tolist()]
        for a, b in pairwise(sorted({end for pair in ends for end in pair})):
            if any(low <= a and b <= high for low, high in ends):
                total += b - a
    return total


@pytest.mark.parametrize("seed", range(3))
def test_per_method_and_year_is_the_plain_loop(seed):
    """Union by method and year, and across methods."""
    network, stretches, placements, parts, catchments = random_case(seed, placements=30)
    frame = sampled_length(network, stretches, placements, parts, catchments, ["year"])
    year = stretches["placement_id"].map(placements["set_at"].dt.year)
    method = stretches["placement_id"].map(placements["method"])
    for row in frame.itertuples():
        chosen = (year == row.year) & ((method == row.method) | (row.method == "all"))
        own = stretches[chosen]
        assert row.sampled_length_m == pytest.approx(counted(stretches, chosen))
        assert row.effort_length_m == pytest.approx((own["to_m"] - own["from_m"]).abs().sum())
        assert row.placements == own["placement_id"].nunique()


@pytest.mark.parametrize("seed", range(4))
def test_parts_add_up_to_the_whole(seed):
    """Orders, reaches, and leaf catchments with what lies outside, for every method."""
    network, stretches, placements, parts, catchments = random_case(seed)
    whole = sampled_length(network, stretches, placements, parts, catchments)
    for by in ("strahler", "reach"):
        frame = sampled_length(network, stretches, placements, parts, catchments, [by])
        for column in ("sampled_length_m", "effort_length_m"):
            sums = frame.groupby("method")[column].sum()
            assert sums.to_dict() == pytest.approx(whole.set_index("method")[column].to_dict())
        every = frame[frame["method"] == "all"]
        assert every["network_length_m"].sum() == pytest.approx(network.total_length_m)
    # Without nesting every length lies in one catchment or outside all.
    flat = catchments.assign(parent_id=None)
    frame = sampled_length(network, stretches, placements, parts, flat, ["catchment"])
    assert frame["catchment"].isna().any()
    sums = frame.groupby("method")["sampled_length_m"].sum()
    assert sums.to_dict() == pytest.approx(whole.set_index("method")["sampled_length_m"].to_dict())
    every = frame[frame["method"] == "all"]
    assert every["network_length_m"].sum() == pytest.approx(network.total_length_m)


@pytest.mark.parametrize("seed", range(4))
def test_a_catchment_holds_its_nested_ones_once(seed):
    """Own parts of a catchment plus its children's rows give its row."""
    network, stretches, placements, parts, catchments = random_case(seed)
    flat = catchments.assign(parent_id=None)
    own = sampled_length(network, stretches, placements, parts, flat, ["catchment"])
    nested = sampled_length(network, stretches, placements, parts, catchments, ["catchment"])
    for column in ("sampled_length_m", "effort_length_m", "network_length_m"):
        one, all_in = (
            frame[frame["method"] == "all"].set_index("catchment")[column]
            for frame in (own, nested)
        )
        assert all_in["A1"] == pytest.approx(one["A1"])
        assert all_in["A"] == pytest.approx(one["A"] + one["A1"])
        assert all_in["T"] == pytest.approx(one[["T", "A", "B", "A1"]].sum())
    count = nested[nested["method"] == "all"].set_index("catchment")["placements"]
    assert count["T"] <= len(placements)


@pytest.mark.parametrize("seed", range(2))
def test_every_combination_of_groupings_holds_together(seed):
    """No share above 1, no union longer than its effort, every column there."""
    network, stretches, placements, parts, catchments = random_case(seed)
    for size in range(len(GROUPINGS) + 1):
        for by in combinations(GROUPINGS, size):
            frame = sampled_length(network, stretches, placements, parts, catchments, by)
            assert frame.columns.tolist()[: size + 1] == [*by, "method"]
            assert frame["network_share"].between(0, 1).all()
            assert (frame["sampled_length_m"] <= frame["effort_length_m"] + 1e-6).all()
            assert not frame.duplicated([*by, "method"]).any()
            assert frame.drop(columns=list(by)).notna().all(axis=None)


def test_order_of_placements_and_stretches_changes_nothing():
    """A shuffled record gives the same table."""
    network, stretches, placements, parts, catchments = random_case(1)
    by = ["catchment", "year"]
    one = sampled_length(network, stretches, placements, parts, catchments, by)
    other = sampled_length(
        network,
        stretches.sample(frac=1, random_state=1),
        placements.sample(frac=1, random_state=2),
        parts.sample(frac=1, random_state=3),
        catchments.iloc[::-1],
        by,
    )
    pd.testing.assert_frame_equal(one, other)


def test_outcome_decides_what_counts():
    """Caught and nil sampled; lost, disturbed and unrecorded did not, and are counted apart."""
    network = build_network(reaches_of(["LINESTRING (0 0, 0 1000)"], ["A"]))
    placements = placements_of([("kick_net", 2024)] * 6)
    placements["outcome"] = ["caught", "nil", "lost", "disturbed", "unrecorded", "caught"]
    stretches = stretches_at([(k, "A", 100 * k, 100 * k + 50) for k in range(5)])
    frame = sampled_length(network, stretches, placements, NO_PARTS, NO_CATCHMENTS)
    assert frame["sampled_length_m"].tolist() == [100, 100]
    inputs = frame.attrs["inputs"]
    assert inputs["placements_used"] == 2
    assert inputs["left_out"] == {
        "gear lost": 1,
        "gear disturbed": 1,
        "catch not recorded": 1,
        "no stretch along the network": 1,
    }
    assert inputs["years"] == [2024]


def test_the_year_is_local():
    """Set at 23:30 UTC on the last of December, it is the next year in Paris time."""
    network = build_network(reaches_of(["LINESTRING (0 0, 0 1000)"], ["A"]))
    placements = placements_of([("kick_net", 2023)], timezone="Europe/Paris")
    placements["set_at"] = pd.to_datetime(["2023-12-31T23:30Z"], utc=True)
    frame = sampled_length(
        network, stretches_at([(0, "A", 0, 9)]), placements, NO_PARTS, NO_CATCHMENTS, ["year"]
    )
    assert frame["year"].tolist() == [2024, 2024]


@pytest.mark.parametrize("by", [[], ["strahler"], ["catchment", "strahler"], ["year"]])
def test_no_placements_is_said(by):
    """Parts of the network are listed with nothing sampled; the inputs say it in words."""
    network = build_network(reaches_of(["LINESTRING (0 0, 0 1000)"], ["A"]))
    frame = sampled_length(
        network, stretches_at([]), placements_of([]), NO_PARTS, NO_CATCHMENTS, by
    )
    assert frame["sampled_length_m"].tolist() == ([] if by == ["year"] else [0.0])
    assert frame.attrs["inputs"]["note"] == "nothing was sampled along the network"


def test_faulty_groupings_and_catchments_are_refused():
    """Unknown words, and a catchment within itself."""
    network, stretches, placements, parts, catchments = random_case(1)
    with pytest.raises(FrameError, match="give any of"):
        sampled_length(network, stretches, placements, parts, catchments, ["order"])
    round_about = catchments.assign(parent_id=["A1", "T", "T", "A"])
    with pytest.raises(FrameError, match="hold itself"):
        sampled_length(network, stretches, placements, parts, round_about, ["catchment"])
    with pytest.raises(FrameError, match="parent 'X'"):
        sampled_length(
            network, stretches, placements, parts, catchments.assign(parent_id="X"), ["catchment"]
        )


def test_splitting_a_reach_changes_no_length():
    """The same water with a node more."""
    whole = build_network(reaches_of(["LINESTRING (0 0, 0 1000)"], ["A"]))
    split = build_network(
        reaches_of(["LINESTRING (0 0, 0 400)", "LINESTRING (0 400, 0 1000)"], ["A1", "A2"])
    )
    placements = placements_of([("kick_net", 2024), ("spotlight", 2024)])
    one = sampled_length(
        whole, stretches_at([(0, "A", 300, 600), (1, "A", 500, 700)]), placements, NO_PARTS,
        NO_CATCHMENTS,
    )  # fmt: skip
    other = sampled_length(
        split,
        stretches_at([(0, "A1", 300, 400), (0, "A2", 0, 200), (1, "A2", 100, 300)]),
        placements, NO_PARTS, NO_CATCHMENTS,
    )  # fmt: skip
    pd.testing.assert_frame_equal(one, other)


# NHDPlus Version 2.1 sample (USGS and US EPA, public domain); figures computed apart from
# this code by counting quarter metres.
@open_data
def test_ten_stretches_of_new_hope_creek():
    """Per method and across methods, and the network's length by order."""
    network = new_hope()
    figures = json.loads((SHARED / "data/newhope/figures.json").read_text())
    ten = figures["ten_intervals"]
    rows = ten["intervals"]
    placements = placements_of([(row["method"], 2024) for row in rows])
    stretches = stretches_at(
        [(k, str(row["reach_id"]), row["from_m"], row["to_m"]) for k, row in enumerate(rows)]
    )
    frame = sampled_length(network, stretches, placements, NO_PARTS, NO_CATCHMENTS)
    frame = frame.set_index("method")
    for method, own in ten["per_method"].items():
        assert frame.loc[method, "sampled_length_m"] == own["union_m"]
        assert frame.loc[method, "effort_length_m"] == own["sum_m"]
    assert frame.loc["all", "sampled_length_m"] == ten["union_length_m"]
    assert frame.loc["all", "network_share"] == pytest.approx(
        ten["share_of_network_sampled"], abs=5e-9
    )
    by_order = sampled_length(network, stretches, placements, NO_PARTS, NO_CATCHMENTS, ["strahler"])
    every = by_order[by_order["method"] == "all"].set_index("strahler")
    for order, own in figures["by_strahler_order"].items():
        assert every.loc[int(order), "network_length_m"] / 1000 == pytest.approx(
            own["length_km"], abs=5e-5
        )


# Hand-drawn network of the project's check values, section 8.
@open_data
def test_four_stretches_by_hand():
    """440 m of effort, 400 m of union, kick net alone 240 and 220 m, on R1 of 500 m."""
    placements = placements_of(
        [("kick_net", 2024)] * 2 + [("hand_net", 2024), ("electric_fishing", 2024)]
    )
    stretches = stretches_at(
        [(0, "R1", 0, 120), (1, "R1", 100, 220), (2, "R1", 200, 300), (3, "R1", 400, 500)]
    )
    frame = sampled_length(hand_drawn(), stretches, placements, NO_PARTS, NO_CATCHMENTS, ["reach"])
    own = frame[frame["reach"] == "R1"].set_index("method")
    columns = ["effort_length_m", "sampled_length_m", "network_length_m", "network_share"]
    assert own.loc["all", columns].tolist() == [440, 400, 500, 0.8]
    assert own.loc["kick_net", columns[:2]].tolist() == [240, 220]
