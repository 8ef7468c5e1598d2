"""Which placements are generalised, by which cell, and that nothing else of them is told."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString

from layers.errors import FrameError
from layers.fieldwork.generalising import (
    STEPS_KM,
    WITHHELD,
    cell_centres,
    cell_uncertainty_m,
    close_cells,
    generalised_squares,
    own_steps,
    positions,
    public_ids,
    public_views,
)
from layers.fieldwork.public_frames import public_catches, public_owned, public_placements

SECRET = b"0" * 32
SPECIES = pd.DataFrame(
    {
        "sensitivity": ["none", "1", "10", "50", "withheld", "1"],
        "sensitive_from": [None, None, None, "02-01", None, "10-15"],
        "sensitive_until": [None, None, None, "05-31", None, "01-31"],
    },
    index=pd.Index(["plain", "one", "ten", "spring", "gone", "winter"], name="species"),
)


def placements_at(xy, set_at="2024-06-01T10:00Z", lifted_at=None, **columns):
    xy = np.asarray(xy, float)
    n = len(xy)
    frame = pd.DataFrame(
        {
            "survey": "S1",
            "site": [f"site {i}" for i in range(n)],
            "stream_name": "Invented Beck",
            "method": "kick_net",
            "set_at": pd.to_datetime(
                pd.Series([set_at] * n if isinstance(set_at, str) else set_at), utc=True
            ),
            "lifted_at": pd.to_datetime(
                pd.Series(
                    [lifted_at] * n
                    if lifted_at is None or isinstance(lifted_at, str)
                    else lifted_at
                ),
                utc=True,
            ),
            "timezone": "Europe/Dublin",
            "outcome": "caught",
            "gear_count": 3.0,
            "minutes": np.arange(n) + 7.0,
            "position_uncertainty_m": 5.0,
            "trap_air_space": pd.array([True] * n, dtype="boolean"),
            "water_temperature_c": 11.25,
            "crew": "crew A",
            "permit": "P-1",
            "notes": "under the third boulder",
            "shape": [LineString([p, p + 5]) for p in xy],
            "original_x": xy[:, 0],
            "batch_id": 4.0,
        }
        | columns,
    )
    frame.index = pd.Index([f"P{i:02d}" for i in range(n)], name="placement_id", dtype="str")
    return gpd.GeoDataFrame(frame, geometry=gpd.points_from_xy(*xy.T), crs="EPSG:32629")


def catches_of(pairs):
    frame = pd.DataFrame(pairs, columns=["placement_id", "species"]).assign(
        count=2.0, count_kind="exact", pass_no=1.0, life_stage="adult", fate="released", notes="n"
    )
    frame.index.name = "catch_id"
    return frame


NO_LENGTHS = pd.DataFrame({"placement_id": [], "species": []}, dtype="str")


@pytest.mark.parametrize(
    ("species", "set_at", "lifted_at", "step"),
    [
        ("plain", "2024-03-01T10:00Z", None, 0),
        ("one", "2024-03-01T10:00Z", None, 1),
        ("gone", "2024-03-01T10:00Z", None, WITHHELD),
        ("spring", "2024-02-01T10:00Z", None, 50),
        ("spring", "2024-05-31T22:30Z", None, 50),  # 23:30 there
        ("spring", "2024-05-31T23:30Z", None, 0),  # 1 June there
        ("spring", "2024-01-31T10:00Z", None, 0),
        ("spring", "2024-01-30T10:00Z", "2024-02-02T10:00Z", 50),  # stood into the season
        ("spring", "2023-06-10T10:00Z", "2024-06-20T10:00Z", 50),  # stood all through it
        ("spring", None, None, 50),  # no date: taken as in season
        ("winter", "2024-12-31T10:00Z", None, 1),  # over the turn of the year
        ("winter", "2024-01-31T10:00Z", None, 1),
        ("winter", "2024-02-01T10:00Z", None, 0),
        ("winter", "2024-10-14T10:00Z", None, 0),
        ("winter", "2023-02-28T10:00Z", "2023-03-01T10:00Z", 0),
    ],
)  # fmt: skip
def test_step_follows_list_and_season(species, set_at, lifted_at, step):
    """The season is that of the local date; a gear that stood in it at any time counts."""
    placements = placements_at([[1, 1]], set_at=[set_at], lifted_at=[lifted_at])
    found = own_steps(placements, catches_of([("P00", species)]), NO_LENGTHS, SPECIES)
    assert found.tolist() == [step]


@pytest.mark.parametrize("column", ["sensitive_from", "sensitive_until"])
@pytest.mark.parametrize("word", [None, "13-40", "13-05", "05-40", "00-05", "05-00", "spring"])
def test_season_that_cannot_be_read_is_the_whole_year(column, word):
    """A fault in the list hides more, never less."""
    species = SPECIES.copy()
    species.loc["spring", column] = word
    placements = placements_at([[1, 1]], set_at="2024-08-01T10:00Z")
    assert own_steps(placements, catches_of([("P00", "spring")]), NO_LENGTHS, species)[0] == 50


def test_every_day_of_four_years_against_a_plain_twin():
    """Seasons agree with a plain comparison of month-day texts, day by day."""
    days = pd.date_range("2021-01-01T12:00Z", "2024-12-31T12:00Z")
    placements = placements_at(np.ones((len(days), 2)), set_at=list(days))
    for name in ("spring", "winter"):
        low, high = SPECIES.loc[name, ["sensitive_from", "sensitive_until"]]
        step = int(SPECIES.loc[name, "sensitivity"])
        texts = [day.strftime("%m-%d") for day in days]
        plain = [
            step if (low <= t <= high if low <= high else t >= low or t <= high) else 0
            for t in texts
        ]
        caught = catches_of([(pid, name) for pid in placements.index])
        assert own_steps(placements, caught, NO_LENGTHS, SPECIES).tolist() == plain


def test_coarsest_step_wins_and_lengths_count():
    """A placement is generalised as its most sensitive fish asks, measured or counted."""
    placements = placements_at([[1, 1], [2, 2], [3, 3]])
    caught = catches_of([("P00", "one"), ("P00", "ten"), ("P00", "plain"), ("P01", "plain")])
    lengths = pd.DataFrame({"placement_id": ["P01"], "species": ["one"]}, dtype="str")
    assert own_steps(placements, caught, lengths, SPECIES).tolist() == [10, 1, 0]


def test_unknown_words_are_refused():
    """A sensitivity or species that the list does not know hides nothing silently."""
    placements = placements_at([[1, 1]])
    with pytest.raises(FrameError, match="not in the species list"):
        own_steps(placements, catches_of([("P00", "stranger")]), NO_LENGTHS, SPECIES)
    with pytest.raises(FrameError, match="give one of"):
        own_steps(
            placements, catches_of([("P00", "one")]), NO_LENGTHS, SPECIES.assign(sensitivity="2 km")
        )


def test_cells_are_counted_from_the_grid_origin():
    """Half-open squares that nest; uncertainty is half the diagonal (Chapman 2020, by hand).

    Sides in metres, so a 10 km cell is 7071 m uncertain.
    """
    xy = np.array([[350_000.0, 5_830_000.0], [349_999.99, 5_829_999.99], [-0.5, -0.5]])
    centres = cell_centres(xy, np.array([10, 10, 1]))
    assert centres.tolist() == [[355_000, 5_835_000], [345_000, 5_825_000], [-500, -500]]
    assert np.abs(xy - centres).max() <= 5000
    sides = np.array([1.0, 10, 50])
    assert cell_uncertainty_m(sides) == pytest.approx([707.107, 7071.07, 35355.34])
    rng = np.random.default_rng(3)
    spots = rng.uniform(-1e5, 1e5, (500, 2))
    fine = cell_centres(spots, np.full(500, 1))
    for step in STEPS_KM[1:]:
        steps = np.full(500, step)
        assert np.array_equal(cell_centres(fine, steps), cell_centres(spots, steps))


def test_a_kilometre_square_is_closed_whole():
    """What lies beside a generalised placement in its square would tell the place."""
    shown = close_cells(np.array([[10, 10], [990, 990], [1010, 10]]), np.array([1, 0, 0]))
    assert shown.tolist() == [1, 1, 0]


@pytest.mark.parametrize("step", STEPS_KM)
def test_a_cell_with_a_generalised_placement_is_closed_whole(step):
    """All that lies in it is shown as the cell, however far spread; nothing beyond it is."""
    rng = np.random.default_rng(step)
    side = 1000.0 * step
    xy = rng.uniform(0, side, (600, 2))
    xy[300:, 0] += side
    own = np.zeros(600, int)
    own[17] = step
    shown = close_cells(xy, own)
    assert (shown[:300] == step).all()
    assert (shown[300:] == 0).all()


def test_a_withheld_placement_closes_its_ten_kilometres():
    """Its neighbours, near and far, are shown as the 10 km cell, and it is not shown at all."""
    xy = np.array([[10, 10], [20, 20], [9_990, 9_990], [10_010, 10], [30, 30]])
    shown = close_cells(xy, np.array([WITHHELD, 0, 0, 0, 1]))
    assert shown.tolist() == [WITHHELD, 10, 10, 0, 10]


def test_finer_cells_within_a_closed_one_are_shown_as_it():
    """A 1 km cell in a closed 10 km cell would show what the wider one hides."""
    xy = np.array([[10, 10], [5_010, 10], [20_010, 10], [40_010, 10], [60_010, 10]])
    own = np.array([10, 1, 50, WITHHELD, 1])
    assert close_cells(xy, own).tolist() == [50, 50, 50, WITHHELD, 1]
    assert close_cells(xy[:2], own[:2]).tolist() == [10, 10]


def test_nothing_is_closed_by_what_lies_nowhere():
    """Sensitive placements without position are withheld; others have no cell."""
    xy = np.array([[10, 10], [20, 20], [np.nan, np.nan], [np.nan, np.nan]])
    assert close_cells(xy, np.array([0, 0, 1, 0])).tolist() == [0, 0, WITHHELD, 0]


def views_of(placements, catches):
    own = own_steps(placements, catches, NO_LENGTHS, SPECIES)
    return public_views(placements, positions(placements.geometry), own, SECRET)


def _answers(placements, catches):
    views = views_of(placements, catches)
    names = {site: f"s{number}" for number, site in enumerate(sorted(set(placements["site"])))}
    stretches = pd.DataFrame({"placement_id": placements.index, "from_m": placements["original_x"]})
    return (
        public_placements(placements, views, names),
        public_catches(catches, views),
        public_owned(stretches.reset_index(drop=True), views),
        views,
    )


@pytest.mark.parametrize("seed", range(8))
def test_public_answers_do_not_depend_on_where_in_the_cell(seed):
    """Move all that lies in closed cells anywhere within them: no difference."""
    rng = np.random.default_rng(seed)
    n = 80
    xy = rng.uniform(0, [40_000, 12_000], (n, 2))
    placements = placements_at(xy)
    fish = rng.choice(["plain", "one", "ten", "gone"], n, p=[0.85, 0.1, 0.025, 0.025])
    catches = catches_of([*zip(placements.index, fish, strict=True)])
    own = own_steps(placements, catches, NO_LENGTHS, SPECIES)
    steps = close_cells(xy, own)
    moved = xy.copy()
    for step, side in ((1, 1e3), (10, 1e4), (WITHHELD, 1e4)):
        rows = steps == step
        low = np.floor(xy[rows] / side) * side
        moved[rows] = low + rng.uniform(0, side, (rows.sum(), 2))
    other = placements_at(moved)
    private = steps > 0
    assert (private & (own == 0)).any()
    for column, value in {
        "survey": "Z", "stream_name": "Other", "crew": "B", "notes": "x", "minutes": 1.0,
        "set_at": pd.Timestamp("2024-11-30T05:00Z"), "water_temperature_c": 3.0,
    }.items():  # fmt: skip
        other.loc[private, column] = value
    before, after = _answers(placements, catches), _answers(other, catches)
    assert 0 < (before[0]["generalised_km"] > 0).sum() < len(before[0])
    for one, two in zip(before[:3], after[:3], strict=True):
        pd.testing.assert_frame_equal(pd.DataFrame(one), pd.DataFrame(two))


def test_generalised_rows_keep_cell_year_method_outcome_catch_only():
    """Every other column of a generalised placement is missing, whatever its type."""
    placements = placements_at([[10, 10], [5010, 10]])
    catches = catches_of([("P00", "one"), ("P01", "plain"), ("P00", "plain")])
    shown, fish, stretches, views = _answers(placements, catches)
    row = shown.loc[views.loc["P00", "public_id"]]
    told = {name for name in row.index if not pd.isna(row[name])} - {"geometry"}
    assert told == {
        "method", "outcome", "timezone", "year", "generalised_km", "coordinate_uncertainty_m",
        "data_generalizations",
    }  # fmt: skip
    assert row["timezone"] == "UTC"
    assert (row["geometry"].x, row["geometry"].y, row["year"]) == (500, 500, 2024)
    exact = shown.loc[views.loc["P01", "public_id"]]
    assert exact["minutes"] == 8
    assert exact[["crew", "permit", "notes", "batch_id"]].isna().all()
    assert exact["shape"] is not None
    assert sorted(fish["species"]) == ["one", "plain", "plain"]
    hidden = fish[fish["placement_id"] == row.name]
    assert hidden[["pass_no", "fate", "notes"]].isna().all(axis=None)
    assert fish["notes"].isna().all()
    assert stretches["placement_id"].tolist() == [exact.name]
    assert not shown.index.isin(placements.index).any()


def test_public_names_change_with_the_step():
    """A placement that becomes generalised is not known by its former name."""
    ids = pd.Index(["A", "B"])
    exact, generalised = (public_ids(ids, np.array([s, s]), SECRET) for s in (0, 1))
    assert len({*exact, *generalised}) == 4
    assert public_ids(ids, np.array([0, 0]), b"1" * 32) != exact


def test_generalised_square_is_the_whole_cell():
    """A generalised placement belongs to what holds its whole cell."""
    placements = placements_at([[10, 10], [5010, 10]])
    shown, _, _, views = _answers(placements, catches_of([("P00", "one")]))
    squares = dict(zip(shown.index, generalised_squares(shown), strict=True))
    assert squares[views.loc["P00", "public_id"]].bounds == (0, 0, 1000, 1000)
    assert squares[views.loc["P01", "public_id"]].geom_type == "Point"


def test_empty_frames():
    """No placements give no views."""
    placements = placements_at(np.empty((0, 2)))
    views = views_of(placements, catches_of([]))
    assert views.empty
    assert public_placements(placements, views, {}).empty
