"""Knowing how crews work does not place a sensitive fish better than its closed cell.

Gear stands in rows and grids at even distances, is visited again, is numbered in the order in
which it was set, and is set by one crew in one night. Whoever sees all public answers and knows
this could place the one trap that they are not shown. So rows, grids and visits are laid out in
closed cells in several ways, each as regular as the others, with the fish in other parts of the
cell: no answer may tell one way from another, and no gap may be left to guess from.
"""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree

from service.access import open_records
from service.answers.hand_over import HandOver
from service.export import write_hand_over
from service.records import PUBLIC, Selection
from tests.access.test_leaks import Public, folder_or_file, queries_around
from tests.sensitive_store import CRS, SPECIES, Plan, make_store

EEL, SALMON, SMELT, WEATHERFISH = SPECIES.index[1:5]
FIRST = pd.Timestamp("2024-03-14T20:00Z")
HABIT_M = 500.0  # gear farther apart is not of one row
# Corner of the cell of each layout [km], the fish, and the side of its closed cell [km].
CELLS = {
    "row": ((382, 5827), EEL, 1),
    "grid": ((384, 5829), EEL, 1),
    "visits": ((386, 5831), EEL, 1),
    "crew": ((388, 5828), EEL, 1),
    "long row": ((390, 5820), SALMON, 10),
    "withheld row": ((390, 5830), WEATHERFISH, 10),
    "wide grid": ((400, 5800), SMELT, 50),
}
# Where the fish is within the cell, as shares of its side; near two corners and in the middle.
PLACES = [(0.12, 0.13), (0.5, 0.52), (0.88, 0.87)]


def regular(name, fish, side_m, turn):
    """Places of a row of ten or a grid of nine around the fish, which comes first."""
    if "grid" in name:
        steps = np.array([*itertools.product((0, 1, -1), repeat=2)]) * side_m / 10
    else:
        along = [(1.0, 0.0), (0.6, 0.8), (0.0, 1.0)][turn % 3]
        steps = np.outer([0, 1, 2, 3, 4, -1, -2, -3, -4, -5], along) * 20.0
    return fish + steps


def laid_out(place, turn):
    """The plan of one way to lay everything out; ids, catch, gear and year are always the same.

    Trap 6 of each layout caught the fish; which number stands where beside it, and when it was
    set, differs.
    """
    rows, fish_at = [], {}
    for name, (corner, fish, side_km) in CELLS.items():
        low, side = np.array(corner) * 1000.0, 1000.0 * side_km
        fish_at[name] = low + np.array(place) * side
        placed = regular(name, fish_at[name], side, turn)
        assert ((placed >= low) & (placed < low + side)).all()
        placed = np.insert(np.roll(placed[1:], turn, axis=0), 5, placed[0], axis=0)
        turn_of_setting = np.argsort(np.argsort(placed @ [1.0, 0.001]))
        years = (2022, 2023, 2024) if name == "visits" else (2024,)
        for year, trap in itertools.product(years, range(len(placed))):
            caught = trap == 5 and year == 2024
            rows.append(
                {
                    "placement_id": f"{name}-{year}-{trap + 1:02d}", "site": f"{name} {trap + 1}",
                    "x": placed[trap, 0], "y": placed[trap, 1],
                    "set_at": FIRST.replace(year=year, minute=5 * int(turn_of_setting[trap])),
                    "fish": fish if caught else "Cottus gobio",
                }
            )  # fmt: skip
    # A row in the open with a gap of its own, so that there is something exact.
    rows += [
        {"placement_id": f"open-2024-{k:02d}", "site": f"open {k}", "x": 380_300.0 + 20 * k,
         "y": 5_826_300.0, "set_at": FIRST.replace(minute=k), "fish": "Cottus gobio"}
        for k in range(12) if k != 4
    ]  # fmt: skip
    frame = pd.DataFrame(rows).set_index("placement_id")
    catches = pd.DataFrame(
        {"placement_id": frame.index, "species": frame["fish"], "count": 2.0,
         "count_kind": "exact", "pass_no": 1.0, "life_stage": None, "fate": "released",
         "notes": None}
    ).astype({"placement_id": "str", "species": "str"}).reset_index(drop=True)  # fmt: skip
    placements = frame.drop(columns="fish").assign(
        survey="LINES", stream_name="Alder Beck", method="minnow_trap", timezone="Europe/Dublin",
        lifted_at=frame["set_at"] + pd.Timedelta(hours=11), outcome="caught", gear_count=1.0,
        notes=[f"trap {k}" for k in range(len(frame))], crew="one crew", permit="P",
        position_uncertainty_m=5.0, shape_kind="point", original_crs=CRS,
    )  # fmt: skip
    return Plan(placements, catches), fish_at


def guesses(exact):
    """Where the habit of even distances puts gear that is not shown, from what is.

    Between each two that lie near each other, at halves and thirds, and beyond both.
    """
    pairs = cKDTree(exact).query_pairs(HABIT_M, output_type="ndarray")
    one, two = exact[pairs[:, 0]], exact[pairs[:, 1]]
    shares = np.array([-1, -1 / 2, 1 / 3, 1 / 2, 2 / 3, 3 / 2, 2])
    return (one[:, None] + shares[None, :, None] * (two - one)[:, None]).reshape(-1, 2)


@pytest.fixture(scope="module")
def layouts(tmp_path_factory):
    """Each way to lay everything out: its plan, where the fish are, and its public view."""
    folder = tmp_path_factory.mktemp("layouts")
    made = []
    for turn, place in enumerate(PLACES):
        plan, fish_at = laid_out(place, turn)
        made.append((plan, fish_at, Public(make_store(folder / f"{turn}.gpkg", plan))))
    yield made
    for _, _, view in made:
        view.store.close()


def test_the_layouts_put_the_fish_all_over_their_cells(layouts):
    """Each layout is regular, and the fish of two of them are nearly a cell apart."""
    for name, (_, _, side_km) in CELLS.items():
        spots = np.array([fish_at[name] for _, fish_at, _ in layouts])
        apart = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
        assert apart.max() > 1_000.0 * side_km  # of 1.41, its diagonal
    steps = layouts[0][0].steps()
    assert all(np.array_equal(steps, plan.steps()) for plan, _, _ in layouts)


def test_no_public_answer_tells_one_layout_from_another(layouts):
    """Pages, feed, summaries, maps, ids, orders and pages of answers are the same for all."""
    plans = [plan for plan, _, _ in layouts]
    view = layouts[0][2]
    covers = view.store.public_records(Selection())[1]
    ids = [*covers["public_id"].iloc[::20], plans[0].placements.index[5], "none"]
    addresses = [*view.addresses(ids, queries_around(plans, 2, 2), most=1, short=True)]
    assert len(addresses) > 40
    for address in addresses:
        first = view.get(address)
        for _, _, other in layouts[1:]:
            assert other.get(address) == first, address


@pytest.mark.parametrize("form", ["geojson", "bundle", "dwca"])
def test_no_public_file_tells_one_layout_from_another(layouts, tmp_path, form):
    """What is exported is the same too: coordinates, counts, ids and their order."""
    written = []
    for k, (_, _, view) in enumerate((layouts[0], layouts[-1])):
        path = tmp_path / str(k) / f"out.{form}"
        path.parent.mkdir()
        write_hand_over(view.store, path, HandOver(Selection(), form))
        written.append(folder_or_file(path))
    assert written[0] == written[1]


def test_even_distances_point_into_no_closed_cell(layouts):
    """The attack by even distances finds the fish where only what caught it is hidden, and
    nothing in a closed cell; outside it still works, so it is the closing that helps."""
    plan, fish_at, view = layouts[0]
    xy = plan.placements[["x", "y"]].to_numpy()
    only_caught = guesses(xy[plan.own_steps() == 0])
    for name in ("row", "long row", "withheld row"):
        assert np.hypot(*(only_caught - fish_at[name]).T).min() < 1.0
    seen = open_records(view.store, Selection(), PUBLIC).placements
    exact = seen[seen["generalised_km"].isna()].get_coordinates().to_numpy()
    assert len(exact) == 11
    found = guesses(exact)
    assert np.hypot(*(found - [380_380.0, 5_826_300.0]).T).min() < 1.0
    for name, (corner, _, side_km) in CELLS.items():
        low = np.array(corner) * 1000.0
        for points in (exact, found):
            assert not ((points >= low) & (points < low + 1000.0 * side_km)).all(axis=1).any(), name


def test_nothing_exact_hangs_on_a_placement_in_a_closed_cell(layouts):
    """No length, snap, stretch, site, survey, hour or day of anything in a closed cell."""
    _, _, view = layouts[0]
    seen = open_records(view.store, Selection(), PUBLIC)
    closed = seen.placements[seen.placements["generalised_km"].notna()]
    counts = closed.groupby(["generalised_km", "geometry"]).size()
    assert sorted(counts.tolist()) == [9, 9, 9, 10, 10, 10, 30]  # the withheld one is not there
    told = closed.columns[closed.notna().any()]
    assert set(told) == {
        "method", "outcome", "timezone", "year", "generalised_km", "coordinate_uncertainty_m",
        "data_generalizations", "geometry",
    }  # fmt: skip
    for frame in (seen.lengths, seen.stretches, seen.snaps.reset_index()):
        assert len(frame)
        assert not set(frame["placement_id"]) & set(closed.index)
