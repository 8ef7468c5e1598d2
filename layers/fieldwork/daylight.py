"""Day, twilight or night at a place and time, from the sun's position.

The sun's elevation comes from the solar position algorithm of Reda & Andreas (2004, 2008,
NREL/TP-560-34302) as kept in pvlib. Day is when the centre of the sun stands above -0.8333
degree, civil twilight down to -6 degrees, night below: zenith distances of 90 deg 50 min and
96 degrees, as the US Naval Observatory defines sunrise and civil twilight.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import scipy

from layers.errors import FrameError

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = [
    "CIVIL_TWILIGHT_ELEVATION_DEG",
    "SUNRISE_ELEVATION_DEG",
    "LightState",
    "SunDay",
    "SunEvents",
    "light_state",
    "sun_elevation",
    "sun_events",
]

LightState = Literal["day", "civil_twilight", "night"]
SunDay = Literal["rises_and_sets", "sun_up_all_day", "twilight_all_night", "no_sunrise"]

SUNRISE_ELEVATION_DEG: Final = -0.8333
CIVIL_TWILIGHT_ELEVATION_DEG: Final = -6.0
# Terrestrial minus universal time. [s] A decade's drift moves the sun by less than 0.0001 degree.
_DELTA_T_S: Final = 69.0
_DAY_S: Final = 86_400.0
_ROUGH_DEG: Final = 0.5  # nearer to a limit than this, only the exact elevation decides
_CHUNK: Final = 32_768  # rows at once, so that the series terms stay in the processor's cache


@dataclass(frozen=True)
class SunEvents:
    """The sun's day at one place. Times are aware, in the zone asked for; missing = none.

    Attributes
    ----------
    state
        `rises_and_sets`; `sun_up_all_day`; `twilight_all_night` (it sets, but never sinks
        below -6 degrees); `no_sunrise` (a dawn and dusk may still exist).
    dawn, sunrise, sunset, dusk
        Begin of civil twilight, sunrise, sunset, end of civil twilight. Dusk of a summer
        evening may fall after midnight, so on the next date.
    lowest_elevation_deg
        Elevation at the lower of the two solar midnights around that day's noon. [deg]
    """

    state: SunDay
    dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    dusk: datetime | None
    lowest_elevation_deg: float


def _unix_seconds(times_utc: object) -> npt.NDArray[np.float64]:
    """Instants as seconds since 1970; missing times become NaN; naive times are refused."""
    index = pd.DatetimeIndex(times_utc)  # type: ignore[arg-type]
    if index.tz is None:
        msg = "Times without a zone cannot be placed against the sun; give them in UTC."
        raise FrameError(msg)
    since = index.tz_convert("UTC") - pd.Timestamp(0, tz="UTC")
    return np.asarray(since.total_seconds(), dtype=np.float64)


def _elevation_at(
    longitude: npt.NDArray[np.float64],
    latitude: npt.NDArray[np.float64],
    unix_s: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    from pvlib import spa  # heavy: loaded when the sun is asked for

    elevation = np.full(unix_s.shape, np.nan)
    known = np.flatnonzero(
        np.isfinite(unix_s)
        & np.isfinite(longitude)
        & (np.abs(latitude) <= 90.0)  # also leaves out missing latitudes
    )
    for start in range(0, known.size, _CHUNK):
        rows = known[start : start + _CHUNK]
        # pvlib's own NumPy path: the compiled one takes a single place at a time.
        answer = spa.solar_position_numpy(
            unix_s[rows],
            latitude[rows],
            longitude[rows],
            elev=0.0,
            pressure=1010.0,
            temp=10.0,
            delta_t=_DELTA_T_S,
            atmos_refract=0.5667,
            numthreads=1,
        )
        elevation[rows] = answer[3]
    return elevation


def _rough_elevation(
    longitude: npt.NDArray[np.float64],
    latitude: npt.NDArray[np.float64],
    unix_s: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Elevation far within half a degree, in a fiftieth of the time, to see who needs better.

    Low-precision formulas of the Astronomical Almanac, section C (0.01 degree from 1950 to
    2050), from memory. Missing beyond a century from 2000, and for impossible places.
    """
    days = unix_s / _DAY_S - 10_957.5  # since noon of 2000-01-01
    sound = (np.abs(days) < 36_525) & np.isfinite(longitude) & (np.abs(latitude) <= 90.0)
    days = np.where(sound, days, np.nan)
    anomaly = np.radians(357.528 + 0.9856003 * days)
    mean = 280.460 + 0.9856474 * days
    ecliptic = np.radians(mean + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(ecliptic), np.cos(ecliptic))
    sine = np.sin(tilt) * np.sin(ecliptic)  # of the declination
    hour = np.radians(280.46062 + 360.98564737 * days + longitude) - ascension
    north = np.radians(latitude)
    height = np.sin(north) * sine + np.cos(north) * np.sqrt(1 - sine**2) * np.cos(hour)
    return np.asarray(np.degrees(np.arcsin(np.clip(height, -1.0, 1.0))), dtype=np.float64)


def sun_elevation(
    longitude: npt.ArrayLike, latitude: npt.ArrayLike, times_utc: object
) -> npt.NDArray[np.float64]:
    """Elevation of the sun's centre in degrees, without refraction.

    Parameters
    ----------
    longitude, latitude
        n positions, WGS 84. [deg] A single position serves all times.
    times_utc
        n timezone-aware instants (Series, DatetimeIndex or list).

    Returns
    -------
    ndarray
        n elevations. [deg] NaN where position or time is missing or latitude is impossible.

    Raises
    ------
    FrameError
        The times carry no zone.

    Notes
    -----
    Solar position algorithm, Reda & Andreas (2008), NREL/TP-560-34302, good to 0.0003 degree.
    """
    unix_s = _unix_seconds(times_utc)
    longitude, latitude = (
        np.broadcast_to(np.asarray(degrees, dtype=np.float64), unix_s.shape)
        for degrees in (longitude, latitude)
    )
    return _elevation_at(longitude, latitude, unix_s)


def light_state(
    longitude: npt.ArrayLike, latitude: npt.ArrayLike, times_utc: object
) -> npt.NDArray[np.object_]:
    """Say for each place and time whether it was day, civil twilight or night.

    Parameters
    ----------
    longitude, latitude
        n positions, WGS 84. [deg] A single position serves all times.
    times_utc
        n timezone-aware instants.

    Returns
    -------
    ndarray of object
        n times `day`, `civil_twilight` or `night`; None where position or time is missing.

    Raises
    ------
    FrameError
        The times carry no zone.

    Examples
    --------
    >>> noon_and_after = pd.to_datetime(["2024-12-21T12:00Z", "2024-12-21T16:15Z", None])
    >>> light_state(0.0, 51.5, noon_and_after).tolist()
    ['day', 'civil_twilight', None]
    """
    unix_s = _unix_seconds(times_utc)
    longitude, latitude = (
        np.broadcast_to(np.asarray(degrees, dtype=np.float64), unix_s.shape)
        for degrees in (longitude, latitude)
    )
    elevation = _rough_elevation(longitude, latitude, unix_s)
    near = np.isnan(elevation)
    for level in (SUNRISE_ELEVATION_DEG, CIVIL_TWILIGHT_ELEVATION_DEG):
        near |= np.abs(elevation - level) < _ROUGH_DEG
    elevation[near] = _elevation_at(longitude[near], latitude[near], unix_s[near])
    state = np.full(elevation.shape, None, dtype=object)
    state[elevation < CIVIL_TWILIGHT_ELEVATION_DEG] = "night"
    state[elevation >= CIVIL_TWILIGHT_ELEVATION_DEG] = "civil_twilight"
    state[elevation >= SUNRISE_ELEVATION_DEG] = "day"
    return state


def _solar_noon(longitude: float, near_unix_s: float) -> float:
    """Unix seconds of the sun's transit nearest to an instant."""
    from pvlib import spa  # heavy: loaded when the sun is asked for

    moment = near_unix_s
    for _ in range(2):  # the equation of time moves by less than 30 s a day
        equation_min = float(
            spa.solar_position_numpy(
                np.array([moment]), 0.0, longitude, 0.0, 1010.0, 10.0, _DELTA_T_S, 0.5667, 1
            )[5][0]
        )
        clock = (43_200.0 - 240.0 * longitude - 60.0 * equation_min) % _DAY_S
        start = near_unix_s - _DAY_S / 2
        moment = start + (clock - start) % _DAY_S
    return moment


def _crossing(
    longitude: float, latitude: float, low_s: float, high_s: float, level_deg: float
) -> float | None:
    """Instant at which the sun, below at `low_s` and above at `high_s`, passes a level."""
    place = np.array([longitude]), np.array([latitude])

    def height(moment: float) -> float:
        return float(_elevation_at(*place, np.array([moment]))[0]) - level_deg

    if height(low_s) >= 0.0 or height(high_s) < 0.0:
        return None
    return float(scipy.optimize.brentq(height, low_s, high_s, xtol=0.05))


def sun_events(longitude: float, latitude: float, local_date: date, timezone: str) -> SunEvents:
    """Dawn, sunrise, sunset and dusk of one local date, or the state that replaces them.

    The day is the one around the solar noon nearest to local 12:00, so that the local date
    and not the UTC date picks it, and an evening that runs past midnight stays whole.

    Parameters
    ----------
    longitude, latitude
        The place, WGS 84. [deg]
    local_date
        A date as people there count it.
    timezone
        IANA zone of that date, such as `Europe/Dublin`.

    Returns
    -------
    SunEvents
        Times in `timezone`.

    Raises
    ------
    FrameError
        The position is outside -180 to 180 or -90 to 90 degrees.

    Examples
    --------
    >>> sun_events(20.0, 70.0, date(2024, 6, 20), "Europe/Oslo").state
    'sun_up_all_day'
    """
    if not (abs(longitude) <= 180.0 and abs(latitude) <= 90.0):
        msg = (
            f"Longitude {longitude}, latitude {latitude} is no place on Earth; "
            "give degrees, longitude first."
        )
        raise FrameError(msg)
    zone = ZoneInfo(timezone)
    noon = _solar_noon(longitude, datetime.combine(local_date, time(12), zone).timestamp())
    before, after = noon - _DAY_S / 2, noon + _DAY_S / 2
    lowest, highest = (
        float(pick(_elevation_at(np.full(2, longitude), np.full(2, latitude), np.array(moments))))
        for pick, moments in ((np.min, [before, after]), (np.max, [noon, noon]))
    )

    def event(midnight: float, level_deg: float) -> datetime | None:
        moment = _crossing(longitude, latitude, midnight, noon, level_deg)
        if moment is None:
            return None
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=moment)).astimezone(zone)

    sunrise, sunset = (event(side, SUNRISE_ELEVATION_DEG) for side in (before, after))
    dawn, dusk = (event(side, CIVIL_TWILIGHT_ELEVATION_DEG) for side in (before, after))
    state: SunDay = "rises_and_sets"
    if highest < SUNRISE_ELEVATION_DEG:
        state = "no_sunrise"
    elif lowest >= SUNRISE_ELEVATION_DEG:
        state = "sun_up_all_day"
    elif lowest >= CIVIL_TWILIGHT_ELEVATION_DEG:
        state = "twilight_all_night"
    return SunEvents(state, dawn, sunrise, sunset, dusk, lowest)
