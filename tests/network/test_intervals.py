"""Interval unions against Shapely, counted cells and published figures."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.errors import FrameError
from layers.network.intervals import (
    Intervals,
    as_intervals,
    complement,
    overlay,
    runs_of,
    union_intervals,
    union_length,
)

SHARED = Path(__file__).parents[2].parent / "shared"

# Quarter metres are exact in binary, so every comparison below is exact.
quarter_m = st.integers(0, 160).map(lambda n: n / 4)
interval_rows = st.lists(st.tuples(st.integers(0, 3), quarter_m, quarter_m), max_size=25)


def columns(rows):
    return tuple(np.array(column) for column in zip(*rows, strict=True)) if rows else ([], [], [])


def shapely_union(rows, group):
    """Union in one dimension as the union of boxes one metre wide."""
    boxes = [shapely.box(min(a, b), 0, max(a, b), 1) for g, a, b in rows if g == group and a != b]
    pieces = shapely.get_parts(shapely.unary_union(boxes)) if boxes else []
    return sorted((piece.bounds[0], piece.bounds[2]) for piece in pieces)


def cells(rows, group):
    """Quarter-metre cells covered, by counting."""
    covered = set()
    for g, a, b in rows:
        if g == group:
            covered |= set(range(int(min(a, b) * 4), int(max(a, b) * 4)))
    return covered


@given(interval_rows)
@settings(deadline=None)
def test_union_is_shapelys(rows):
    """Overlapping, touching, nested, repeated and reversed intervals join as boxes do."""
    joined = union_intervals(*columns(rows))
    for group in range(4):
        own = joined.group == group
        found = list(zip(joined.from_m[own], joined.to_m[own], strict=True))
        assert found == shapely_union(rows, group)


@given(interval_rows)
@settings(deadline=None)
def test_union_length_is_the_number_of_covered_cells(rows):
    """A quarter metre is counted once however many intervals cover it."""
    lengths = union_length(*columns(rows), groups=4)
    assert lengths.tolist() == [len(cells(rows, group)) / 4 for group in range(4)]


@given(interval_rows, st.lists(st.integers(0, 170), min_size=4, max_size=4))
@settings(deadline=None)
def test_complement_is_every_cell_left(rows, quarters):
    """Covered and uncovered cells together are the whole group, with none in both."""
    left = complement(*columns(rows), [quarter / 4 for quarter in quarters])
    assert (left.length_m > 0).all()
    for group, quarter in enumerate(quarters):
        own = left.group == group
        pieces = [(group, a, b) for a, b in zip(left.from_m[own], left.to_m[own], strict=True)]
        assert cells(pieces, group) == set(range(quarter)) - cells(rows, group)
        assert pieces == sorted(pieces)
        assert all(a[2] < b[1] for a, b in pairwise(pieces))


@given(interval_rows, st.lists(quarter_m, max_size=6, unique=True), st.randoms())
@settings(deadline=None)
def test_overlay_is_the_plain_loop(rows, borders, random):
    """Every interval is cut at each border, and nothing inside the parts is lost; in any order."""
    edges = sorted({0.0, *borders})
    parts = [(g, a, b) for g in range(3) for a, b in pairwise(edges)]
    given_rows = Intervals(*map(np.array, columns(rows)))
    found = overlay(given_rows, as_intervals(*columns(parts)))
    order = random.sample(range(len(parts)), len(parts))
    shuffled = overlay(given_rows, as_intervals(*columns(parts)).at(np.array(order, int)))
    assert [order[part] for part in shuffled.part.tolist()] == found.part.tolist()
    for name in ("interval", "from_m", "to_m"):
        assert getattr(shuffled, name).tolist() == getattr(found, name).tolist()
    expected = [
        (i, j, max(min(a, b), c), min(max(a, b), d))
        for i, (g, a, b) in enumerate(rows)
        for j, (h, c, d) in enumerate(parts)
        if g == h and max(min(a, b), c) < min(max(a, b), d)
    ]
    assert list(zip(*(column.tolist() for column in found), strict=True)) == expected


@given(interval_rows, st.randoms())
@settings(deadline=None)
def test_union_does_not_depend_on_order(rows, random):
    """The same intervals in another order give the same arrays."""
    shuffled = list(rows)
    random.shuffle(shuffled)
    for one, other in zip(
        union_intervals(*columns(rows)), union_intervals(*columns(shuffled)), strict=True
    ):
        assert one.tolist() == other.tolist()


def test_group_numbers_too_great_to_pack_sort_the_same():
    """Group numbers near the limit take the slower way to the same answer."""
    small = union_intervals([5, 0, 5, 5], [9, 1, 0, 4], [12, 2, 5, 7])
    great = 2**53 - 6
    large = union_intervals([5 + great, great, 5 + great, 5 + great], [9, 1, 0, 4], [12, 2, 5, 7])
    assert (large.group - great).tolist() == small.group.tolist()
    assert large.from_m.tolist() == small.from_m.tolist() == [1, 0, 9]
    assert large.to_m.tolist() == small.to_m.tolist() == [2, 7, 12]


def test_touching_ends_join_only_when_equal():
    """A gap of one unit in the last place is kept; none is bridged by a tolerance."""
    edge = np.nextafter(0.3, 1)
    assert len(union_intervals([0, 0], [0.0, 0.3], [0.3, 1.0]).group) == 1
    assert len(union_intervals([0, 0], [0.0, edge], [0.3, 1.0]).group) == 2


@pytest.mark.parametrize("count", [20, 50_000])
def test_runs_of_few_groups_and_of_many_are_where_a_search_finds_them(count):
    """NumPy's search of sorted numbers is the reference; a run of none is empty there too."""
    rng = np.random.default_rng(7)
    group, wanted = np.sort(rng.integers(0, 900, 700)), rng.integers(-1, 1_000, count)
    begin, end = runs_of(group, wanted)
    sides = [np.searchsorted(group, wanted, side) for side in ("left", "right")]
    some = sides[0] < sides[1]
    assert (some == (begin < end)).all()
    assert ([begin[some], end[some]] == np.array(sides)[:, some]).all()


def test_complement_drops_slivers_on_request():
    """Pieces no longer than the stated length are not gaps."""
    left = complement([0], [0], [99.9999999], [100.0], shortest_m=1e-6)
    assert len(left.group) == 0


def test_nothing_in_nothing_out():
    """No intervals cover nothing and leave every group whole."""
    assert len(union_intervals([], [], []).group) == 0
    assert union_length([], [], [], groups=2).tolist() == [0.0, 0.0]
    assert complement([], [], [], [5.0, 0.0]).length_m.tolist() == [5.0]
    empty = as_intervals([], [], [])
    assert len(overlay(empty, empty).part) == 0


@pytest.mark.parametrize(
    ("group", "from_m", "to_m", "word"),
    [
        ([0, 1], [0.0, np.nan], [1.0, 2.0], "interval 1"),
        ([0], [0.0], [np.inf], "finite"),
        ([-1], [0.0], [1.0], "between 0"),
        ([0, 1], [0.0], [1.0], "equally long"),
    ],
)
def test_bad_intervals_are_named(group, from_m, to_m, word):
    """A missing measure or a negative group is refused with its row."""
    with pytest.raises(FrameError, match=word):
        union_intervals(group, from_m, to_m)


def test_overlapping_parts_and_unknown_groups_are_refused():
    """Parts must divide a group; a group must have a length."""
    with pytest.raises(FrameError, match="overlap"):
        overlay(as_intervals([0], [0], [9]), as_intervals([0, 0], [0, 4], [5, 9]))
    with pytest.raises(FrameError, match="no length"):
        complement([2], [0], [1], [5.0])
    with pytest.raises(FrameError, match="not below"):
        union_length([2], [0], [1], groups=2)


# NHDPlus Version 2.1 sample (USGS and US EPA, public domain): ten stretches on three
# reaches, their union counted in quarter-metre cells apart from this code.
@pytest.mark.skipif(not SHARED.exists(), reason="open data not present")
def test_ten_stretches_of_new_hope_creek():
    """Union per method and across methods come out as counted, reversed stretch included."""
    figures = json.loads((SHARED / "data/newhope/figures.json").read_text())["ten_intervals"]
    rows = figures["intervals"]
    reach = np.unique([row["reach_id"] for row in rows], return_inverse=True)[1]
    method_names, method = np.unique([row["method"] for row in rows], return_inverse=True)
    from_m = [row["from_m"] for row in rows]
    to_m = [row["to_m"] for row in rows]
    assert union_length(reach, from_m, to_m, groups=3).sum() == figures["union_length_m"]
    per_method = union_length(method * 3 + reach, from_m, to_m, groups=9).reshape(3, 3).sum(1)
    for name, length in zip(method_names, per_method, strict=True):
        assert length == figures["per_method"][name]["union_m"]


# Hand-drawn network of the project's check values, section 8 (computed by hand).
def test_four_stretches_on_one_reach():
    """Kick net 0-120 and 100-220, hand net 200-300, electric fishing 400-500 m."""
    from_m, to_m = [0, 100, 200, 400], [120, 220, 300, 500]
    assert union_length([0] * 4, from_m, to_m, groups=1)[0] == 400
    assert union_length([0] * 2, from_m[:2], to_m[:2], groups=1)[0] == 220
    left = complement([0] * 4, from_m, to_m, [500.0])
    assert (left.from_m.tolist(), left.to_m.tolist()) == ([300.0], [400.0])
