"""Day and night against published sun times; each check names its source in sun.json."""

import json
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pvlib.solarposition import get_solarposition

from layers.errors import FrameError
from layers.fieldwork import daylight
from layers.fieldwork.daylight import light_state, sun_elevation, sun_events

CHECKS = {
    check["id"]: check
    for check in json.loads(
        (Path(__file__).parents[1] / "references" / "sun.json").read_text(encoding="utf-8")
    )["checks"]
}
TIMED = [c for c in CHECKS.values() if c["method"] in {"rise_set", "day_events_utc"}]
KEYS = {"civil_dawn": "dawn", "sunrise": "sunrise", "sunset": "sunset", "civil_dusk": "dusk"}


def zone_of(hours: int) -> str:
    # POSIX sign: Etc/GMT+7 lies seven hours behind UTC.
    return f"Etc/GMT{-hours:+d}" if hours else "UTC"


def assert_events(check: dict, keys: tuple[str, ...] = tuple(KEYS)) -> None:
    inputs, expected = check["inputs"], check["expected"]
    events = sun_events(
        inputs["lon"],
        inputs["lat"],
        date.fromisoformat(inputs["date"]),
        zone_of(inputs["utc_offset_h"]),
    )
    for key in keys:
        if key not in expected:
            continue
        got = getattr(events, KEYS[key])
        if expected[key] is None:
            assert got is None, key
            continue
        want = datetime.fromisoformat(f"{inputs['date']}T{expected[key]}").replace(
            tzinfo=got.tzinfo
        )
        assert abs((got - want).total_seconds()) <= check["tolerance"]["seconds"], key


@pytest.mark.parametrize("check", TIMED, ids=lambda check: check["id"])
def test_sun_times_agree_with_published_ones(check):
    """Reda & Andreas table A2.1, Almanac for Computers 1990, and two ephemerides (sun.json)."""
    assert_events(check)


def test_sun_times_of_the_worked_example_of_the_algorithm():
    """Reda & Andreas (2008), NREL/TP-560-34302, table A5.1: zenith, sunrise, sunset."""
    check = CHECKS["nrel-golden"]
    assert_events(check, ("sunrise",))
    inputs = check["inputs"]
    # The algorithm's own sunset is that of the UTC date, and 17:20:19 at UTC-7 is 00:20:19 UTC:
    # the published figure is the sunset of the evening of the 16th, 88 s later than the 17th's.
    evening_before = sun_events(inputs["lon"], inputs["lat"], date(2003, 10, 16), "Etc/GMT+7")
    published = datetime.fromisoformat(f"2003-10-16T{check['expected']['sunset']}-07:00")
    assert abs((evening_before.sunset - published).total_seconds()) < 2
    moment = pd.DatetimeIndex(
        [f"{inputs['date']}T{inputs['time']}-07:00"],
    )
    bare = sun_elevation(inputs["lon"], inputs["lat"], moment)[0]
    # Their equation 42, refraction at the stated pressure and temperature.
    refraction = (
        inputs["pressure_hpa"]
        / 1010
        * 283
        / (273 + inputs["temperature_c"])
        * 1.02
        / (60 * np.tan(np.radians(bare + 10.3 / (bare + 5.11))))
    )
    # Our place stands at sea level: 1,830 m change the zenith by less than 0.0001 degree.
    assert 90 - bare - refraction == pytest.approx(
        check["expected"]["zenith_deg"], abs=check["tolerance"]["deg"] / 10
    )


@pytest.mark.parametrize("name", ["state-51n-1615", "state-51n-1700"])
def test_light_state_agrees_with_two_ephemerides(name):
    """Computed twice outside the project: astropy 8 and NREL SPA (sun.json)."""
    check = CHECKS[name]
    moment = pd.DatetimeIndex([check["inputs"]["utc"]], tz="UTC")
    place = check["inputs"]["lon"], check["inputs"]["lat"]
    assert sun_elevation(*place, moment)[0] == pytest.approx(
        check["expected"]["altitude_deg"], abs=check["tolerance"]["deg"]
    )
    assert light_state(*place, moment)[0] == check["expected"]["state"].replace(" ", "_")


def test_days_without_sunset_or_dusk_have_a_state():
    midnight_sun = sun_events(20, 70, date(2024, 6, 20), "UTC")
    assert midnight_sun.state == "sun_up_all_day"
    assert (midnight_sun.sunrise, midnight_sun.dusk) == (None, None)
    white_night = sun_events(0, 62, date(2024, 6, 20), "UTC")
    assert white_night.state == "twilight_all_night"
    # sun.json, midsummer-62n: lowest -4.57 degrees.
    assert white_night.lowest_elevation_deg == pytest.approx(-4.57, abs=0.02)
    polar_noon = sun_events(20, 70, date(2024, 12, 21), "Europe/Oslo")
    assert polar_noon.state == "no_sunrise"
    assert polar_noon.sunrise is None
    assert polar_noon.dawn is not None  # twilight about noon is light to work by
    assert sun_events(0, 51.5, date(2024, 12, 21), "UTC").state == "rises_and_sets"


def test_local_date_picks_the_day_far_east_and_west():
    """At 175 E the sun of a local date rises on the UTC date before; both must be that day's."""
    for lon, zone in [(175.0, "Pacific/Auckland"), (-157.4, "Pacific/Kiritimati"), (-176.0, "UTC")]:
        events = sun_events(lon, -38.0, date(2024, 6, 10), zone)
        assert events.sunrise.date() in {date(2024, 6, 10), date(2024, 6, 9)}
        assert timedelta(hours=9) < events.sunset - events.sunrise < timedelta(hours=10.5)
    assert sun_events(175, -38, date(2024, 6, 10), "Pacific/Auckland").sunrise.date() == date(
        2024, 6, 10
    )


def test_dusk_after_midnight_belongs_to_the_evening_before():
    """60 N in summer time: sun.json puts dusk at 23:14 UTC, which is 00:14 the next day."""
    events = sun_events(0, 60, date(2024, 6, 20), "Europe/London")
    assert events.dusk.date() == date(2024, 6, 21)
    assert events.dusk > events.sunset > events.sunrise > events.dawn


def test_many_places_agree_with_pvlib_one_by_one():
    """The array path gives what pvlib's documented function gives for each place alone."""
    random = np.random.default_rng(7)
    lon, lat = random.uniform(-180, 180, 40), random.uniform(-89, 89, 40)
    start = datetime(2025, 1, 1, tzinfo=UTC)
    times = pd.DatetimeIndex([start + timedelta(hours=h) for h in random.uniform(0, 8000, 40)])
    alone = [get_solarposition(times[[i]], lat[i], lon[i])["elevation"].iloc[0] for i in range(40)]
    assert sun_elevation(lon, lat, times) == pytest.approx(alone, abs=1e-3)


def test_state_is_that_of_the_exact_elevation_everywhere():
    """The rough elevation that settles clear cases never settles a doubtful one."""
    random = np.random.default_rng(11)
    n = 50_000
    lon, lat = random.uniform(-180, 180, n), random.uniform(-90, 90, n)
    start = pd.Timestamp("1890-01-01", tz="UTC")
    times = start + pd.to_timedelta(random.uniform(0, 220 * 365.25 * 1440, n).round(), unit="min")
    exact = sun_elevation(lon, lat, times)
    want = np.where(exact >= -0.8333, "day", np.where(exact >= -6, "civil_twilight", "night"))
    assert (light_state(lon, lat, times) == want).all()
    seconds = (times - pd.Timestamp(0, tz="UTC")).total_seconds().to_numpy()
    off = np.abs(daylight._rough_elevation(lon, lat, seconds) - exact)
    assert 0.0 < np.nanmax(off) < 0.1  # the Almanac's 0.01 degree (from memory), and drift
    assert 0.05 < np.isnan(off).mean() < 0.15  # before 1900 and after 2100


def test_missing_places_and_times_stay_missing():
    times = pd.Series(pd.to_datetime(["2025-06-01T12:00Z", None, "2025-06-01T12:00Z"], utc=True))
    states = light_state([0.0, 0.0, np.nan], [50.0, 50.0, 50.0], times)
    assert states.tolist() == ["day", None, None]
    assert light_state([], [], pd.DatetimeIndex([], tz="UTC")).shape == (0,)


def test_times_without_a_zone_and_impossible_places_are_refused():
    with pytest.raises(FrameError, match="UTC"):
        light_state(0, 50, pd.DatetimeIndex(["2025-06-01T12:00"]))
    with pytest.raises(FrameError, match="longitude first"):
        sun_events(0, 95, date(2025, 1, 1), "UTC")


def test_many_placements_are_quick():
    """100,000 placements need no loop: a few seconds even on a slow laptop."""
    n = 100_000
    times = pd.DatetimeIndex(
        pd.Timestamp("2025-01-01", tz="UTC") + pd.to_timedelta(np.arange(n), "min")
    )
    begin = time.perf_counter()
    light_state(np.linspace(-10, 10, n), np.linspace(50, 60, n), times)
    assert time.perf_counter() - begin < 10
