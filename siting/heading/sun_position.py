"""Where the sun stands, by the short series of the engineering texts.

It takes a tenth of the time of the Solar Position Algorithm and stays within 0.006 degree of it on
the sphere (tests/reference/test_sun_nrel.py), which is far finer than the bins of
`siting.heading.sun` (0.5 and 2.5 degrees). Written out here, formula by formula as in pvlib's
`ephemeris` and to the same last digit: loading that library takes ten times as long as the work.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from siting.errors import SitingError
from siting.grid import FloatArray

# The sun's radius and the bending of light at sunrise, by which the algorithm knows whether any of
# the sun is up.
_RADIUS_DEG, _BENT_AT_RISE_DEG = 0.26667, 0.5667
_KEPLER_DEG = 0.0001


class SunPosition(NamedTuple):
    """Azimuth clockwise from true north, true elevation and elevation as seen through the air.

    Three (n,) arrays, degrees; azimuth in [0, 360), elevations of the sun's centre above level.
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    apparent_elevation_deg: FloatArray


def sun_position(
    times: pd.DatetimeIndex,
    *,
    latitude_deg: float,
    longitude_deg: float,
    pressure_pa: float = 101325.0,
    temperature_c: float = 10.0,
) -> SunPosition:
    """Azimuth and elevation of the sun's centre at each time, degrees.

    Parameters
    ----------
    times : DatetimeIndex with a time zone, shape (n,)
    latitude_deg, longitude_deg : float, degrees, north and east positive
    pressure_pa, temperature_c : float
        Pascal and degrees Celsius; only for the bending of light near the horizon, for which the
        standard atmosphere will do.

    Returns
    -------
    SunPosition of three (n,) arrays, degrees; azimuth in [0, 360)

    Raises
    ------
    SitingError
        E-TIME-01 when a time has no time zone.

    References
    ----------
    Hughes G (1985) Engineering astronomy, Sandia National Laboratories (the series; as in pvlib:
    Holmgren W et al. 2018, doi 10.21105/joss.00884).
    Reda I, Andreas A (2004) Solar position algorithm for solar radiation applications.
    Solar Energy 76(5):577-589, doi 10.1016/j.solener.2003.12.003 (what it is tested against).
    """
    if times.tz is None:
        raise SitingError(
            "E-TIME-01",
            f"Times without a time zone were given, the first is {times[:1].astype(str).tolist()}.",
            rule="The sun's place needs an instant, and a clock time without a zone is not one.",
            cure="Give the time zone by its IANA name, for example America/Chicago.",
        )
    declination, ascension_deg, sidereal_deg = _on_the_sky(times.tz_convert("UTC"))
    hour = np.radians(np.mod(360 + sidereal_deg + longitude_deg, 360) - ascension_deg)
    latitude = np.radians(latitude_deg)
    azimuth_deg = np.degrees(
        np.arctan2(
            -np.sin(hour),
            np.cos(latitude) * np.tan(declination) - np.sin(latitude) * np.cos(hour),
        )
    )
    azimuth_deg[azimuth_deg < 0] += 360
    elevation_deg = np.degrees(
        np.arcsin(
            np.cos(latitude) * np.cos(declination) * np.cos(hour)
            + np.sin(latitude) * np.sin(declination)
        )
    )
    bent_deg = refraction_deg(elevation_deg, pressure_pa=pressure_pa, temperature_c=temperature_c)
    return SunPosition(azimuth_deg % 360.0, elevation_deg, elevation_deg + bent_deg)


def _on_the_sky(utc: pd.DatetimeIndex) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Declination (radians), right ascension and Greenwich sidereal time (degrees) of instants."""
    hours = np.asarray(
        utc.hour + utc.minute / 60.0 + utc.second / 3600.0 + utc.microsecond / 3600.0e6
    )
    # Days and centuries of 36,525 days since noon of the last day of 1899.
    years = np.asarray(utc.year) - 1900
    day = 365 * years + np.floor((years - 1) / 4.0) - 0.5 + np.asarray(utc.day_of_year)
    T0 = day / 36525.0
    midnight = 6 / 24.0 + 38 / 1440.0 + (45.836 + 8640184.542 * T0 + 0.0929 * T0**2) / 86400.0
    midnight_deg = 360 * (midnight - np.floor(midnight))
    sidereal_deg = np.mod(midnight_deg + 360 * (1.0027379093 * hours / 24.0), 360)

    moment = day + hours / 24.0
    T = moment / 36525.0
    obliquity = np.radians(23.452294 - 0.0130125 * T - 1.64e-06 * T**2 + 5.03e-07 * T**3)
    longitude = np.radians(_ecliptic_longitude_deg(moment, T))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    return declination, np.degrees(ascension), sidereal_deg


def _ecliptic_longitude_deg(moment: FloatArray, T: FloatArray) -> FloatArray:
    """Longitude of the sun along its path as seen from the Earth, degrees.

    Parameters
    ----------
    moment, T : (n,) days, and centuries of 36,525 days, since noon of the last day of 1899
    """
    perigee_deg = 281.22083 + 4.70684e-05 * moment + 0.000453 * T**2 + 3e-06 * T**3
    mean_deg = np.mod(358.47583 + 0.985600267 * moment - 0.00015 * T**2 - 3e-06 * T**3, 360)
    eccentricity = 0.01675104 - 4.18e-05 * T - 1.26e-07 * T**2
    # Kepler's equation, by putting each answer in again.
    anomaly_deg, before = mean_deg, np.zeros_like(mean_deg)
    while np.max(np.abs(anomaly_deg - before), initial=0.0) > _KEPLER_DEG:
        before = anomaly_deg
        anomaly_deg = mean_deg + np.degrees(eccentricity) * np.sin(np.radians(before))
    stretched = ((1 + eccentricity) / (1 - eccentricity)) ** 0.5
    half_deg = np.degrees(np.arctan2(stretched * np.tan(np.radians(anomaly_deg) / 2.0), 1))
    # Light is 20 seconds of arc behind the sun.
    return np.asarray(np.mod(perigee_deg + 2 * np.mod(half_deg, 360), 360) - 20 / 3600.0)


def refraction_deg(
    elevation_deg: FloatArray, *, pressure_pa: float, temperature_c: float
) -> FloatArray:
    """How much higher than it is the air shows the sun, degrees; 0 while all of it is below level.

    `ephemeris` has a formula of its own, which falls short by 0.2 degree (a minute of time) just
    at sunrise; this is the one of the Solar Position Algorithm.

    References
    ----------
    Reda & Andreas 2004, equation 42 (after Saemundsson 1986, Sky & Telescope 72:70).
    """
    up = elevation_deg >= -(_RADIUS_DEG + _BENT_AT_RISE_DEG)
    # Well below level the formula runs into its pole: ask it only where its answer is used.
    at = np.where(up, elevation_deg, 0.0)
    standard = 1.02 / (60.0 * np.tan(np.radians(at + 10.3 / (at + 5.11))))
    air = (pressure_pa / 101_000.0) * 283.0 / (273.0 + temperature_c)
    return np.asarray(np.where(up, air * standard, 0.0))
