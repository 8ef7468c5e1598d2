"""Soak time, nights across clock changes, effort in each unit."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Geod
from shapely import Polygon
from shapely.affinity import translate

from layers.errors import FrameError
from layers.fieldwork.effort import (
    EFFORT_UNITS,
    EffortUnit,
    effort_of,
    effort_totals,
    main_units,
    nights,
    soak_time_h,
)
from tests.sampling_frames import METHODS, ancestors_of, placements_of

NESTED = ancestors_of({"basin": None, "brook": "basin"})
NEONFISH = Path(__file__).parents[2].parent / "shared" / "data" / "neonfish"

# Elapsed time over clock changes in Europe/London, worked out by hand: 18:00 to 09:30 is
# 15.5 h, an hour less in the night of 30 March 2024, an hour more in that of 26 October.
SOAKS = [
    ("2024-06-01T18:00", "2024-06-02T09:30", 15.5, 1),
    ("2024-03-30T18:00", "2024-03-31T09:30", 14.5, 1),
    ("2024-10-26T18:00", "2024-10-27T09:30", 16.5, 1),
    ("2024-06-01T18:00", "2024-06-04T09:30", 63.5, 3),
    ("2024-06-02T00:30", "2024-06-02T07:00", 6.5, 1),  # set after midnight: that night
    ("2024-06-02T05:00", "2024-06-02T19:00", 14.0, 0),  # by day only
    ("2024-06-01T22:00", "2024-06-02T00:10", 130 / 60, 0),  # ten minutes of the small hours
    ("2024-06-01T23:50", "2024-06-02T00:10", 20 / 60, 0),
    ("2024-06-01T18:00", "2024-06-02T01:59", 479 / 60, 0),
    ("2024-06-01T18:00", "2024-06-02T02:00", 8.0, 1),  # two of the four hours
    ("2024-06-02T02:00", "2024-06-02T09:00", 7.0, 1),
    ("2024-06-02T02:01", "2024-06-02T09:00", 419 / 60, 0),
    ("2024-06-02T01:30", "2024-06-02T03:00", 1.5, 0),  # all of it in the small hours, too short
    ("2024-06-02T01:00", "2024-06-02T03:00", 2.0, 1),
    ("2024-06-02T04:00", "2024-06-02T19:00", 15.0, 0),  # the small hours end there
    ("2024-06-01T04:00", "2024-06-02T19:00", 39.0, 1),
    ("2024-06-01T00:00", "2024-06-03T00:00", 48.0, 2),  # days without a time
    # By the clock, not by elapsed hours: 00:30 is 23 or 25 hours after 00:30 of the day before.
    ("2024-03-31T00:30", "2024-04-01T00:30", 23.0, 1),
    ("2024-10-27T00:30", "2024-10-28T00:30", 25.0, 1),
    ("2024-03-30T22:30", "2024-03-31T02:30", 3.0, 1),
    ("2024-03-29T18:00", "2024-04-01T02:30", 55.5, 3),
    ("2024-10-25T18:00", "2024-10-28T01:30", 56.5, 2),
    ("2024-03-29T23:30", "2024-04-01T00:10", 47 + 40 / 60, 2),
]


@pytest.mark.parametrize(("set_at", "lifted_at", "hours", "count"), SOAKS)
def test_soak_and_nights_across_clock_changes(set_at, lifted_at, hours, count):
    zone = "Europe/London"
    set_at, lifted_at = (pd.Timestamp(t, tz=zone).isoformat() for t in (set_at, lifted_at))
    gear = placements_of([{"placement_id": "t", "set_at": set_at, "lifted_at": lifted_at}], zone)
    assert soak_time_h(gear).tolist() == pytest.approx([hours])
    assert nights(gear).tolist() == [count]


def test_nights_follow_each_place_s_own_clock():
    """One instant, two zones: 12:00 to 15:00 UTC is by day in Dublin, past midnight far east."""
    gear = placements_of(
        [
            {"placement_id": "w", "timezone": "Europe/Dublin"},
            {"placement_id": "e", "timezone": "Pacific/Auckland"},
            {"placement_id": "x", "lifted_at": None},
            {"placement_id": "r", "lifted_at": "2024-06-01T11:00Z"},
        ]
    )
    gear["set_at"] = pd.Timestamp("2024-06-01T12:00Z").as_unit("us")
    gear["lifted_at"] = gear["lifted_at"].where(
        gear.index.isin(["x", "r"]), pd.Timestamp("2024-06-01T15:00Z")
    )
    counted = nights(gear)
    assert counted[["w", "e"]].tolist() == [0, 1]
    assert counted[["x", "r"]].isna().all()


def effort_by(frame: pd.DataFrame) -> dict:
    return {
        (row.placement_id, row.effort_unit): row.effort if row.problem == "" else row.problem
        for row in frame.itertuples()
    }


def test_each_method_is_counted_in_its_own_units():
    overnight = {"set_at": "2025-06-10T17:00Z", "lifted_at": "2025-06-12T07:00Z"}
    gear = placements_of(
        [
            {"placement_id": "traps", "method": "minnow_trap", "gear_count": 6, **overnight},
            {"placement_id": "fyke", "method": "fyke_net", **overnight},
            {"placement_id": "kick", "lifts": 5, "minutes": 12.0, "area_m2": 3.0},
            {
                "placement_id": "e",
                "method": "electric_fishing",
                "passes": 3,
                "minutes": 45.0,
                "wetted_width_m": 4.0,
                "stretch_length_m": 60.0,
            },
            {"placement_id": "bare", "method": "minnow_trap", "gear_count": 0},
        ]
    )
    cut = pd.DataFrame({"way_m": {"e": 50.0}, "sampled_m": {"e": 25.0}})
    got = effort_by(effort_of(gear, METHODS, cut))
    assert got["traps", "trap_night"] == 12
    assert got["traps", "soak_hour"] == pytest.approx(228)
    assert got["fyke", "net_night"] == 2  # one net where no number is stated
    assert (got["kick", "lift"], got["kick", "minute"], got["kick", "square_metre"]) == (5, 12, 3)
    assert got["e", "metre"] == 60  # what was measured goes before what the mapped line gives
    assert got["e", "square_metre"] == 240
    unstated = effort_by(effort_of(gear.assign(stretch_length_m=np.nan), METHODS, cut))
    assert (unstated["e", "metre"], unstated["e", "square_metre"]) == (50, 100)
    assert (got["e", "minute"], got["e", "pass"]) == (45, 3)
    assert "lifted_at" in got["bare", "trap_night"]
    by_day = {"set_at": "2025-06-10T08:00Z", "lifted_at": "2025-06-10T18:00Z", "gear_count": 3}
    got |= effort_by(
        effort_of(
            placements_of([{"placement_id": "day", "method": "minnow_trap", **by_day}]), METHODS
        )
    )
    assert (got.pop(("day", "trap_night")), got.pop(("day", "soak_hour"))) == (0, 30)
    assert len(got) == 2 + 2 + 3 + 4 + 2


def test_seine_area_is_that_of_its_polygon_on_the_ellipsoid():
    """Against pyproj's geodesic area (Karney 2013), 1,400 km from the grid's middle line."""
    square = Polygon([(0, 0), (80, 0), (80, 50), (0, 50)])
    gear = placements_of([{"placement_id": "s", "method": "seine", "lifts": 2}])
    gear["shape"] = [translate(square, 1_900_000, 5_900_000)]
    got = effort_by(effort_of(gear, METHODS))
    degrees = gear.set_geometry("shape", crs=gear.crs).to_crs(4326).geometry.iloc[0]
    area, _ = Geod(ellps="WGS84").geometry_area_perimeter(degrees)
    assert got["s", "square_metre"] == pytest.approx(abs(area), rel=1e-5)
    assert abs(got["s", "square_metre"] / 4000 - 1) > 0.01  # the plane area would be wrong
    assert got["s", "haul"] == 2


def test_unknown_unit_is_refused():
    methods = METHODS.assign(effort_units=[["fortnight"]] * len(METHODS))
    with pytest.raises(FrameError, match="fortnight"):
        effort_of(placements_of([{"placement_id": "a"}]), methods)


def test_totals_roll_up_and_say_what_lacks():
    gear = placements_of(
        [
            {"placement_id": "a", "lifts": 5},
            {"placement_id": "b", "lifts": 3, "outcome": "nil", "set_at": "2024-12-31T23:30Z"},
            {"placement_id": "c", "outcome": "nil"},
            {"placement_id": "d", "lifts": 9, "outcome": "lost"},
        ],
        "Europe/Berlin",
    )
    totals = effort_totals(
        gear,
        effort_of(gear, METHODS),
        catchment_of=pd.Series({"a": "brook", "b": "basin", "c": "brook", "d": "brook"}),
        ancestors=NESTED,
        by_year=True,
    )
    lifts = totals[totals["effort_unit"] == "lift"].set_index("catchment")
    assert lifts.loc["brook", ["placements", "placements_without_effort"]].tolist() == [2, 1]
    assert lifts.loc["basin", "effort"] == 8
    assert lifts.loc["all", "year"] == 2025  # 31 December 23:30 UTC is New Year's Day there
    minutes = totals[totals["effort_unit"] == "minute"]
    assert minutes["effort"].isna().all()
    # "c" told neither lifts nor minutes, which both rows of its method say of the same placement.
    for rows in (lifts, minutes.set_index("catchment")):
        assert rows["placements_without_any"].to_dict() == {"all": 1, "basin": 1, "brook": 1}
    assert totals.attrs["inputs"]["left_out"] == {"gear lost": 1}


def known_in(lifts: int, areas: int, of: int) -> tuple:
    """Kick-net placements of which the first few tell lifts, the last few an area."""
    rows = [
        {
            "placement_id": f"k{k}",
            "lifts": 3.0 if k < lifts else None,
            "area_m2": 5.0 if k >= of - areas else None,
        }
        for k in range(of)
    ]
    gear = placements_of(rows)
    return gear, effort_of(gear, METHODS)


@pytest.mark.parametrize(
    ("lifts", "areas", "of", "unit"),
    [
        (5, 10, 10, "lift"),  # half of them tell the first unit
        (4, 6, 10, "square_metre"),  # too few do, and more than half tell another
        (4, 3, 10, "lift"),  # no unit serves half
        (3, 4, 10, "square_metre"),
        (3, 3, 10, "lift"),  # of equal ones the first
        (0, 0, 10, "lift"),
    ],
)
def test_one_unit_of_each_method(lifts, areas, of, unit):
    gear, effort = known_in(lifts, areas, of)
    assert main_units(gear, effort).to_dict() == {"kick_net": unit}
    totals = effort_totals(
        gear, effort, catchment_of=pd.Series({"k0": "brook"}), ancestors=NESTED, by_year=True
    )
    # One unit over all catchments and years, whatever each of them tells.
    main = totals[totals["main_unit"]]
    assert main["catchment"].tolist() == ["all", "basin", "brook"]
    assert set(main["effort_unit"]) == {unit}
    # Gear that was lost has no say.
    lost = gear.assign(outcome=["lost"] * of)
    assert main_units(lost, effort).empty


def test_nights_that_were_none_serve_no_unit():
    """Traps set and lifted by day are known to have fished 0 nights: hours tell their effort."""
    day = {"set_at": "2025-06-10T08:00Z", "lifted_at": "2025-06-10T18:00Z"}
    gear = placements_of([{"placement_id": p, "method": "minnow_trap", **day} for p in "ab"])
    effort = effort_of(gear, METHODS)
    assert main_units(gear, effort).to_dict() == {"minnow_trap": "soak_hour"}


def test_no_placements():
    empty = effort_of(placements_of([]), METHODS)
    assert list(empty.columns) == ["placement_id", "effort_unit", "effort", "problem"]
    totals = effort_totals(
        placements_of([]), empty, catchment_of=pd.Series(dtype="str"), ancestors=NESTED
    )
    assert totals.empty
    assert totals["main_unit"].dtype == bool
    assert nights(placements_of([])).dtype == np.float64


def test_catch_per_unit_is_per_what_its_words_say():
    """`fish per 100 m²` is per 100 of what is counted, `fish per trap-night` per one."""
    for unit in EFFORT_UNITS.values():
        first = unit.cpue_unit.removeprefix("fish per ").split()[0]
        assert unit.cpue_per == (float(first) if first.isdecimal() else 1)


def test_every_unit_says_what_it_is():
    assert all(unit.label and unit.unit and unit.cpue_unit for unit in EFFORT_UNITS.values())


@pytest.mark.skipif(not NEONFISH.exists(), reason="open data are not beside the project")
def test_real_effort_adds_up_to_the_published_sums():
    """NEON fish (DP1.20107.001, RELEASE-2024, CC0): current on and net hours of figures.json."""
    real = pd.read_csv(NEONFISH / "placements.csv")
    shock = real["gear"].str.startswith("electro")
    gear = placements_of(
        [
            {
                "placement_id": row.placement_id,
                "method": "electric_fishing" if row.unit1_seconds > 0 else "fyke_net",
                "minutes": row.effort_value / 60 if row.effort_unit.startswith("seconds") else None,
                "set_at": row.set_utc if isinstance(row.set_utc, str) else f"{row.date}T00:00Z",
                "lifted_at": row.lifted_utc if isinstance(row.lifted_utc, str) else None,
            }
            for row in real.itertuples()
        ],
        "UTC",
    )
    effort = effort_of(gear, METHODS).set_index("placement_id")
    minutes = effort.loc[effort["effort_unit"] == "minute", "effort"]
    assert minutes.sum() * 60 == pytest.approx(2_160_540 + 28_084.5)
    assert shock.sum() == minutes.notna().sum() == 1947
    hours = effort.loc[effort["effort_unit"] == "soak_hour", "effort"]
    hours = hours.reindex(real.loc[real["gear"] == "mini-fyke net", "placement_id"])
    stated = real.set_index("placement_id").loc[hours.index, "effort_value"]
    timed = hours.notna()
    assert timed.sum() == 226
    # 17 nets state other hours than their own times give (22.0 for 21:55): the source's slips.
    assert (abs(hours - stated) < 0.02).sum() == 209
    assert abs(hours - stated).max() < 2.2


def test_a_new_unit_is_one_entry(monkeypatch):
    """A unit that is a number on the field sheet is counted, and never as another unit."""
    casts = EffortUnit("Casts", "casts", ("lifts",), 1, "fish per cast", "casts on the field sheet")
    monkeypatch.setitem(EFFORT_UNITS, "cast", casts)
    methods = pd.DataFrame({"effort_units": [["cast"]], "area_rule": ["none"]}, index=["cast_net"])
    gear = placements_of([{"placement_id": "c", "method": "cast_net"}])
    gear["lifts"], gear["stretch_length_m"] = 7.0, 50.0
    assert effort_of(gear, methods)["effort"].tolist() == [7.0]
