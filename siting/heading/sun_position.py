"""Where the sun stands: one call of pvlib, with the directions and units this program uses.

pvlib's `ephemeris` is ten times as quick as its Solar Position Algorithm and stays within 0.006
degree of it on the sphere (tests/reference/test_sun_nrel.py), which is far finer than the bins of
`siting.heading.sun` (0.5 and 2.5 degrees).
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
    # Loading pvlib takes most of a second: only a run that asks for the sun pays it.
    from pvlib.solarposition import ephemeris

    found = ephemeris(times, latitude_deg, longitude_deg)
    elevation_deg = found["elevation"].to_numpy()
    bent_deg = refraction_deg(elevation_deg, pressure_pa=pressure_pa, temperature_c=temperature_c)
    return SunPosition(found["azimuth"].to_numpy() % 360.0, elevation_deg, elevation_deg + bent_deg)


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
