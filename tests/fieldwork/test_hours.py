"""Hours worked, from the real times: by the checks' own rules, one placement at a time."""

import numpy as np
import pandas as pd
import pytest

from layers.errors import FrameError
from layers.fieldwork.daylight import is_day, light_state
from layers.fieldwork.hours import HOURS, hours_worked, worked_at
from service.reference.method_files import shipped_methods
from tests.sampling_frames import placements_of

METHODS = shipped_methods()


def hours_of(**row):
    frame = placements_of([{"placement_id": "P"} | row])
    worked = hours_worked(frame, METHODS).iloc[0]
    return [name for name in HOURS if worked[name]]


# In Ireland in June the sun rises about 04:00 and sets about 21:00 UTC (almanac, from memory).
@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ({"method": "hand_net", "set_at": "2025-06-10T10:00Z"}, ["day"]),
        ({"method": "hand_net", "set_at": "2025-06-10T23:30Z"}, ["night"]),
        (
            {
                "method": "hand_net",
                "set_at": "2025-06-10T19:00Z",
                "lifted_at": "2025-06-10T23:30Z",
            },
            ["day", "night"],
        ),
        ({"method": "electric_fishing", "set_at": "2025-12-10T18:00Z"}, ["night"]),
        (
            {
                "method": "minnow_trap",
                "set_at": "2025-06-10T18:00Z",
                "lifted_at": "2025-06-11T07:00Z",
            },
            ["overnight"],
        ),
        (
            {
                "method": "minnow_trap",
                "set_at": "2025-06-10T09:00Z",
                "lifted_at": "2025-06-10T15:00Z",
            },
            ["day"],
        ),
        ({"method": "fyke_net", "set_at": "2025-06-10T09:00Z"}, ["overnight"]),  # not known when
        # Days alone, by the clock of Dublin.
        ({"method": "spotlight", "set_at": "2025-06-09T23:00Z"}, ["night"]),
        ({"method": "hand_net", "set_at": "2025-06-09T23:00Z"}, []),
        (
            {
                "method": "minnow_trap",
                "set_at": "2025-06-09T23:00Z",
                "lifted_at": "2025-06-10T23:00Z",
            },
            ["overnight"],
        ),
        ({"method": "kick_net", "set_at": None}, ["day"]),
    ],
)
def test_hours_of_one_placement(row, expected):
    assert hours_of(**row) == expected


def test_a_selection_of_hours_takes_any_of_them():
    frame = placements_of(
        [
            {"placement_id": "A", "set_at": "2025-06-10T10:00Z"},
            {"placement_id": "B", "set_at": "2025-06-10T23:30Z"},
        ]
    )
    assert worked_at(frame, METHODS, ["night", "overnight"]).tolist() == [False, True]
    with pytest.raises(FrameError, match="'noon' is no time of day"):
        worked_at(frame, METHODS, ["noon"])


def test_the_quick_sun_agrees_with_the_exact_one():
    """Any place and time of 30 years, the poles included (NREL algorithm in pvlib)."""
    rng = np.random.default_rng(20250601)
    count = 40_000
    lon, lat = rng.uniform(-180, 180, count), rng.uniform(-90, 90, count)
    times = pd.Timestamp("2000-01-01", tz="UTC") + pd.to_timedelta(
        rng.uniform(0, 30 * 365.25, count), unit="D"
    )
    assert (is_day(lon, lat, times) == (light_state(lon, lat, times) == "day")).all()
    assert is_day([0.0, np.nan], 50.0, pd.DatetimeIndex([None, times[0]])).tolist() == [0, 0]
