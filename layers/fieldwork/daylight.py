"""Day, twilight or night at a place and time, from the sun's position.

The sun's elevation comes from the solar position algorithm of Reda & Andreas (2004, 2008,
NREL/TP-560-34302) as implemented in pvlib, good to 0.0003 degree. Day is when the centre of the
sun stands above -0.8333 degree, civil twilight down to -6 degrees, night below: zenith distances
of 90 deg 50 min and 96 degrees, as the US Naval Observatory defines sunrise and civil twilight.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.errors import FrameError

if TYPE_CHECKING:
    import numpy.typing as npt

    from layers.arrays import Bools, Floats, Objects

__all__ = ["is_day", "light_state"]

_SUNRISE_DEG: Final = -0.8333
_CIVIL_TWILIGHT_DEG: Final = -6.0
# Terrestrial minus universal time. [s] A decade's drift moves the sun by less than 0.0001 degree.
_DELTA_T_S: Final = 69.0
# Farther from sunrise than this, a formula that is good to half a degree settles day or not. [deg]
_CLEAR_DEG: Final = 1.0


def light_state(longitude: npt.ArrayLike, latitude: npt.ArrayLike, times_utc: object) -> Objects:
    """Say for each place and time whether it was day, civil twilight or night.

    Parameters
    ----------
    longitude, latitude
        n positions, WGS 84. [deg] A single position serves all times.
    times_utc
        n instants (Series, DatetimeIndex or list); FrameError where they carry no zone.

    Returns
    -------
    ndarray of object
        n times `day`, `civil_twilight` or `night`; None where position or time is missing.

    Examples
    --------
    >>> noon_and_after = pd.to_datetime(["2024-12-21T12:00Z", "2024-12-21T16:15Z", None])
    >>> light_state(0.0, 51.5, noon_and_after).tolist()
    ['day', 'civil_twilight', None]
    """
    from pvlib import spa  # heavy: loaded when an import has times to check

    times, lon, lat = _broadcast(longitude, latitude, times_utc)
    unix_s = (times - pd.Timestamp(0, tz="UTC")).total_seconds().to_numpy(np.float64)
    known = np.isfinite(unix_s) & np.isfinite(lon) & (np.abs(lat) <= 90.0)
    # pvlib's NumPy path takes arrays of places; the compiled one a single place at a time.
    _, _, _, elevation, *_ = spa.solar_position_numpy(
        unix_s[known],
        lat[known],
        lon[known],
        elev=0.0,
        pressure=1010.0,
        temp=10.0,
        delta_t=_DELTA_T_S,
        atmos_refract=0.5667,
        numthreads=1,
    )
    state = np.full(unix_s.shape, None, dtype=object)
    state[known] = np.where(
        elevation >= _SUNRISE_DEG,
        "day",
        np.where(elevation >= _CIVIL_TWILIGHT_DEG, "civil_twilight", "night"),
    )
    return state


def _broadcast(
    longitude: npt.ArrayLike, latitude: npt.ArrayLike, times_utc: object
) -> tuple[pd.DatetimeIndex, Floats, Floats]:
    times = pd.DatetimeIndex(times_utc)  # type: ignore[arg-type]
    if times.tz is None:
        raise FrameError("Times without a zone cannot be placed against the sun; give them in UTC.")
    lon, lat = (
        np.broadcast_to(np.asarray(degrees, np.float64), times.shape)
        for degrees in (longitude, latitude)
    )
    return times, lon, lat


def is_day(longitude: npt.ArrayLike, latitude: npt.ArrayLike, times_utc: object) -> Bools:
    """Mark times at which :func:`light_state` says `day`; for many places, soon.

    False where position or time is missing. Declination and equation of time after Spencer (1971),
    as in pvlib, decide what is clear; the algorithm of :func:`light_state` the rest, few of many.
    """
    from pvlib import solarposition

    times, lon, lat = _broadcast(longitude, latitude, times_utc)
    utc = times.tz_convert("UTC")
    minutes = ((utc - utc.normalize()) / pd.Timedelta(minutes=1)).to_numpy(np.float64)
    day_of_year = utc.day_of_year.to_numpy(np.float64) + minutes / 1440.0
    declination = solarposition.declination_spencer71(day_of_year)
    clock = minutes + solarposition.equation_of_time_spencer71(day_of_year)
    hour_angle = np.radians(clock / 4.0 - 180.0 + lon)
    phi = np.radians(lat)
    sine = np.sin(phi) * np.sin(declination)
    sine = sine + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    above = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))) - _SUNRISE_DEG
    day: Bools = (above > 0) & (np.abs(lat) <= 90.0)
    close = np.flatnonzero(np.abs(above) <= _CLEAR_DEG)
    day[close] = light_state(lon[close], lat[close], times[close]) == "day"
    return day
