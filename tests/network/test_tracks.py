"""Tracks as walked: what a series of fixes passed, by hand and by simulated walks."""

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.fieldwork.stretches import stretch_lengths, stretches_of
from layers.network.graph import build_network
from layers.network.snapping import snap_to_reaches
from tests.random_networks import reaches_of

METHODS = pd.DataFrame({"stretch_rule": ["along"]}, index=pd.Index(["spotlight"], name="method"))

# Three reaches meet at (0, 500): B (400 m) and C (500 m) flow into A. Along C, 5 m are 3 m east
# and 4 m north.
LINES = {
    "A": "LINESTRING (0 500, 0 0)",
    "B": "LINESTRING (0 900, 0 500)",
    "C": "LINESTRING (300 900, 0 500)",
}
FORK = reaches_of(list(LINES.values()), list(LINES))
# The same with a node every 70 m.
SPLIT = reaches_of(
    [
        shapely.ops.substring(line, at, min(at + 70, line.length))
        for line in FORK.geometry
        for at in range(0, int(line.length), 70)
    ]
)


def fixes(*corners, every=20.0, aside=0.0):
    """Fixes along straight legs from corner to corner, `aside` to the east."""
    places = [corners[0]]
    for one, other in itertools.pairwise(np.asarray(corners, float)):
        count = max(int(np.hypot(*(other - one)) // every), 1)
        places += [one + (other - one) * k / count for k in range(1, count + 1)]
    return [(x + aside, y) for x, y in places]


def followed(network, *tracks, **columns):
    """Stretches and flags of tracks, given as lists of fixes."""
    frame = gpd.GeoDataFrame(
        {
            "method": "spotlight",
            "shape_kind": "track",
            "shape": [shapely.LineString(track) for track in tracks],
            "stretch_length_m": np.nan,
            "stretch_anchor": None,
            **columns,
        },
        geometry=[shapely.Point(track[0]) for track in tracks],
        index=pd.Index([f"P{k}" for k in range(len(tracks))], name="placement_id"),
        crs=network.crs,
    )
    return stretches_of(frame, snap_to_reaches(frame, network), network, METHODS)


def parts(stretches):
    """(reach, from, to) to a decimetre."""
    return [
        (reach, round(a, 1), round(b, 1))
        for reach, a, b in stretches[["reach_id", "from_m", "to_m"]].itertuples(index=False)
    ]


def lengths(stretches):
    """Way and sampled length of the only placement."""
    return stretch_lengths(stretches).iloc[0].round(1).tolist()


# Each walk with its parts, its way and its sampled length, computed by hand.
OUT_AND_BACK = [*fixes((2, 400), (2, 698.5)), *fixes((2, 698.5), (2, 400))]
BANKS = [
    *fixes((0, 420), (0, 680), every=26, aside=9),
    *fixes((0, 680), (0, 420), every=26, aside=-9),
]
WALKS = {
    "out and back": (
        OUT_AND_BACK,
        [("A", 0, 100), ("A", 0, 100), ("B", 201.5, 400), ("B", 201.5, 400)],
        [597, 298.5],
    ),
    "a detour up a side branch": (
        fixes((0, 200), (0, 500), (90, 620), (0, 500), (0, 700), every=25),
        [("A", 0, 300), ("B", 200, 400), ("C", 350, 500), ("C", 350, 500)],
        [800, 650],
    ),
    "both banks": (
        BANKS,
        [("A", 0, 80), ("A", 0, 80), ("B", 220, 400), ("B", 220, 400)],
        [520, 260],
    ),
    "a gap in reception": (
        [*fixes((3, 300), (3, 420)), *fixes((97, 620), (153, 700))],
        [("A", 0, 200), ("C", 248.2, 500)],
        [451.8, 451.8],
    ),
    "a fix that jumps over land": (
        [*fixes((3, 300), (3, 400)), (520, 410), *fixes((3, 420), (3, 520))],
        [("A", 0, 200), ("B", 380, 400)],
        [220, 220],
    ),
    "fixes that jump onto another branch": (
        [*fixes((0, 620), (0, 700)), (162, 710), (166, 722), *fixes((0, 740), (0, 860))],
        [("B", 40, 280)],
        [240, 240],
    ),
    "there, back a little, and on": (
        fixes((0, 300), (0, 600), (0, 450), (0, 700)),
        [("A", 0, 200), ("A", 0, 50), ("A", 0, 50), ("B", 200, 400), ("B", 300, 400),
         ("B", 300, 400)],
        [700, 400],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WALKS)
def test_a_walk_is_followed_fix_by_fix(name):
    """What was passed is sampled once, and walked as often as it was passed."""
    track, expected, (way, sampled) = WALKS[name]
    stretches, flags = followed(build_network(FORK), track)
    assert flags.empty
    assert parts(stretches) == expected
    assert lengths(stretches) == [way, sampled]


@pytest.mark.parametrize("name", WALKS)
def test_nodes_along_the_way_change_no_length(name):
    """The same network with a node every 70 m."""
    track, _, expected = WALKS[name]
    stretches, flags = followed(build_network(SPLIT), track)
    assert flags.empty
    assert lengths(stretches) == expected


def test_tracks_are_followed_each_for_itself():
    """All walks at once give what each gives alone."""
    network = build_network(FORK)
    together, _ = followed(network, *(track for track, _, _ in WALKS.values()))
    for number, (track, expected, _) in enumerate(WALKS.values()):
        assert parts(together[together["placement_id"] == f"P{number}"]) == expected, track


def test_a_track_stays_on_its_stream_past_a_confluence():
    """From A up B; just above the fork one fix lies on C, 6 m from B."""
    track = [*fixes((0, 400), (0, 480)), (6, 508), *fixes((0, 530), (0, 650))]
    stretches, _ = followed(build_network(FORK), track)
    assert parts(stretches) == [("A", 0, 100), ("B", 250, 400)]


def test_the_name_of_the_stream_says_where_a_track_begins():
    """Two streams 12 m apart: the track runs beside the one that is named."""
    pair = reaches_of(
        ["LINESTRING (0 400, 0 0)", "LINESTRING (12 400, 12 0)", "LINESTRING (0 400, 12 400)"],
        ["L", "R", "T"],
        stream_name=["Left", "Right", None],
    )
    network = build_network(pair)
    track = fixes((5, 100), (5, 300))
    stretches, _ = followed(network, track, stream_name="Right")
    assert parts(stretches) == [("R", 100, 300)]
    stretches, _ = followed(network, track, stream_name=None)
    assert parts(stretches) == [("L", 100, 300)]


def test_standing_still_is_no_way():
    """Half an hour at one pool: 180 fixes that wander 4 m about it add nothing."""
    turn = np.linspace(0, 40, 180)
    pool = [(4 * np.cos(t), 600 + 4 * np.sin(1.7 * t)) for t in turn]
    track = [*fixes((0, 500), (0, 600)), *pool, *fixes((0, 600), (0, 700))]
    stretches, _ = followed(build_network(FORK), track)
    way, sampled = lengths(stretches)
    assert way == pytest.approx(200, abs=1)
    assert sampled == pytest.approx(200, abs=1)


def test_a_hairpin_is_followed_round():
    """The arms of a bend lie 30 m apart; a fix in between is not on both at once."""
    bend = build_network(reaches_of(["LINESTRING (0 0, 0 300, 30 300, 30 0)"], ["H"]))
    track = fixes((12, 40), (12, 290), (18, 290), (18, 100))
    stretches, _ = followed(bend, track)
    assert parts(stretches) == [("H", 40, 530)]


def test_a_track_that_leaves_the_stream_is_flagged():
    """It goes 300 m over land and comes back: the way is too short for the track."""
    track = fixes((0, 100), (0, 200), (300, 200), (300, 240), (0, 240), (0, 340))
    stretches, flags = followed(build_network(FORK), track)
    assert stretches.empty
    assert flags["code"].tolist() == ["stretch_way_differs"]
    assert flags["message"][0].startswith("Along the network the track is 240 m long, itself 840")


def test_a_track_across_to_another_network_is_flagged():
    """Nothing joins a stream and the one over the ridge."""
    apart = reaches_of(["LINESTRING (0 900, 0 0)", "LINESTRING (300 900, 300 0)"], ["A", "B"])
    track = [*fixes((0, 100), (0, 300)), *fixes((300, 300), (300, 500))]
    _, flags = followed(build_network(apart), track)
    assert flags["code"].tolist() == ["stretch_not_connected"]
    there_and_back = [*track, *fixes((0, 500), (0, 700))]
    _, flags = followed(build_network(apart), there_and_back)
    assert "far longer than the straight line, or there is none" in flags["message"][0]


def test_a_track_at_one_place_has_no_length():
    """Three fixes within the uncertainty."""
    stretches, flags = followed(build_network(FORK), [(0, 300), (3, 308), (0, 300)])
    assert stretches.empty
    assert flags["code"].tolist() == ["stretch_without_length"]


# Walks drawn at random -------------------------------------------------------------------------

ARM_M = 700.0


def arm(heading, wavelength, swing):
    """A winding stream from a source down to (0, 0), about `ARM_M` long."""
    along = np.arange(0, ARM_M + 400, 5.0)
    aside = swing * np.sin(2 * np.pi * along / wavelength)
    x = along * np.cos(heading) - aside * np.sin(heading)
    y = along * np.sin(heading) + aside * np.cos(heading)
    line = shapely.LineString(np.column_stack([x, y]))
    return shapely.reverse(shapely.ops.substring(line, 0, ARM_M))


@st.composite
def walks(draw):
    """Three arms that meet, and a walk from turn to turn: (arm, metres from the meeting)."""
    first = draw(st.floats(0, 6))
    gaps = [draw(st.floats(0.8, 1.5)), draw(st.floats(0.8, 1.5))]
    headings = np.cumsum([first, *gaps])
    arms = [arm(h, draw(st.floats(150, 400)), draw(st.floats(0, 25))) for h in headings]
    place = st.tuples(st.integers(0, 2), st.floats(100, 640))
    turns = draw(st.lists(place, min_size=2, max_size=5))
    legs = [b[1] - a[1] if a[0] == b[0] else a[1] + b[1] for a, b in itertools.pairwise(turns)]
    if min(map(abs, legs)) < 100:  # shorter ones may be lost in the noise
        turns = [turns[0], ((turns[0][0] + 1) % 3, turns[0][1])]
    return arms, turns, draw(st.floats(10, 30)), draw(st.integers(0, 2**32 - 1))


def walked(arms, turns, every, seed):
    """Fixes every so many metres with 5 m of noise, the true way and the true sampled length."""
    xy, reached = [], np.zeros((3, int(ARM_M * 10)), bool)
    way, left = 0.0, 0.0
    for (one, a), (other, b) in itertools.pairwise(turns):
        legs = [(one, a, b)] if one == other else [(one, a, 0.0), (other, 0.0, b)]
        for on, start, end in legs:
            low, high = sorted([start, end])
            reached[on, int(low * 10) : int(high * 10)] = True
            at = np.arange(left, high - low, every)
            left = every - (high - low - at[-1]) if len(at) else left - (high - low)
            way += high - low
            measure = ARM_M - (start + np.sign(end - start) * at)
            xy.append(shapely.get_coordinates(arms[on].interpolate(measure)))
    xy.append(shapely.get_coordinates(arms[turns[-1][0]].interpolate([ARM_M - turns[-1][1]])))
    exact = np.concatenate(xy)
    noisy = exact + np.random.default_rng(seed).normal(0, 5, exact.shape)
    return noisy, way, reached.sum() / 10


@settings(max_examples=30, deadline=None)
@given(walks())
def test_walks_with_noise_give_the_true_lengths(walk):
    """Within 6 % and 20 m for each end and turn, on whole and on split reaches alike."""
    arms, turns, every, seed = walk
    track, way, sampled = walked(arms, turns, every, seed)
    margin = 20 * len(turns)
    network = build_network(reaches_of(arms))
    cut, flags = followed(network, track)
    assert flags.empty
    assert lengths(cut)[0] == pytest.approx(way, abs=0.06 * way + margin)
    assert lengths(cut)[1] == pytest.approx(sampled, abs=0.06 * sampled + margin)
    pieces = [
        shapely.ops.substring(line, at, at + 100) for line in arms for at in range(0, 700, 100)
    ]
    again, _ = followed(build_network(reaches_of(pieces)), track)
    assert lengths(again) == pytest.approx(lengths(cut), abs=0.11)
