"""Where the sun stands, by the Solar Position Algorithm (Reda & Andreas 2004, by pvlib).

Most of the algorithm's work depends on the instant alone: `sky` does it once for all the places
that look at the same days, `seen_from` adds the place. Together they are `sun_position`.

References
----------
Reda I, Andreas A (2004) Solar position algorithm for solar radiation applications.
Solar Energy 76(5):577-589, doi 10.1016/j.solener.2003.12.003.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from siting.errors import SitingError
from siting.grid import FloatArray

# The bending of light at sunrise and sunset by which the algorithm knows whether the sun is up.
_BENT_AT_RISE_DEG = 0.5667


class SunPosition(NamedTuple):
    """Azimuth clockwise from true north, true elevation and elevation as seen through the air."""

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    apparent_elevation_deg: FloatArray


class Sky(NamedTuple):
    """What is the same for every place on Earth at some instants, arrays (n,), degrees.

    Parameters
    ----------
    sidereal_deg : apparent sidereal time at Greenwich
    ascension_deg, declination_deg, parallax_deg : of the sun, seen from the Earth's centre
    """

    sidereal_deg: FloatArray
    ascension_deg: FloatArray
    declination_deg: FloatArray
    parallax_deg: FloatArray


def sun_position(
    times: pd.DatetimeIndex,
    *,
    latitude_deg: float,
    longitude_deg: float,
    altitude_m: float = 0.0,
    pressure_pa: float = 101325.0,
    temperature_c: float = 10.0,
    delta_t_s: float | None = None,
) -> SunPosition:
    """Azimuth and elevation of the sun's centre at each time, degrees.

    Parameters
    ----------
    times : DatetimeIndex with a time zone, shape (n,)
    latitude_deg, longitude_deg : float, degrees, north and east positive
    altitude_m, pressure_pa, temperature_c : float
        Only for the bending of light near the horizon; the standard atmosphere will do.
    delta_t_s : float or None
        Terrestrial time minus universal time, seconds; None takes it from the year and month.

    Returns
    -------
    SunPosition of three (n,) arrays

    Raises
    ------
    SitingError
        E-TIME-01 when a time has no time zone.
    """
    return seen_from(
        sky(times, delta_t_s=delta_t_s),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        altitude_m=altitude_m,
        pressure_pa=pressure_pa,
        temperature_c=temperature_c,
    )


@lru_cache(maxsize=1)
def _algorithm() -> Any:
    """The module of the algorithm by itself: all of pvlib would bring far more than the sun."""
    package: Any = find_spec("pvlib")
    file = Path(package.submodule_search_locations[0]) / "spa.py"
    found: Any = spec_from_file_location("pvlib_spa", file)
    module = module_from_spec(found)
    found.loader.exec_module(module)
    return module


def sky(times: pd.DatetimeIndex, *, delta_t_s: float | None = None) -> Sky:
    """The half of `sun_position` that no place enters."""
    if times.tz is None:
        raise SitingError(
            "E-TIME-01",
            f"Times without a time zone were given, the first is {times[:1].astype(str).tolist()}.",
            rule="The sun's place needs an instant, and a clock time without a zone is not one.",
            cure="Give the time zone by its IANA name, for example America/Chicago.",
        )
    spa = _algorithm()
    utc = times.tz_convert("UTC")
    seconds = ((utc - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)).to_numpy()
    more_s: FloatArray | float = (
        np.asarray(spa.calculate_deltat(utc.year, utc.month)) if delta_t_s is None else delta_t_s
    )
    # The library wants a place even where it asks for none: latitude, longitude, height, pressure,
    # temperature; then the bending and the number of threads.
    given = (seconds, 0.0, 0.0, 0.0, 0.0, 0.0, more_s, 0.0, 1)
    sidereal, ascension, declination = spa.solar_position(*given, sst=True)
    distance_au = spa.solar_position(*given, esd=True)[0]
    return Sky(sidereal, ascension, declination, spa.equatorial_horizontal_parallax(distance_au))


def seen_from(
    above: Sky,
    *,
    latitude_deg: float,
    longitude_deg: float,
    altitude_m: float = 0.0,
    pressure_pa: float = 101325.0,
    temperature_c: float = 10.0,
) -> SunPosition:
    """The half of `sun_position` that depends on the place."""
    spa = _algorithm()
    hour_angle = spa.local_hour_angle(above.sidereal_deg, longitude_deg, above.ascension_deg)
    u = spa.uterm(latitude_deg)
    x, y = spa.xterm(u, latitude_deg, altitude_m), spa.yterm(u, latitude_deg, altitude_m)
    parallax, declination = above.parallax_deg, above.declination_deg
    shift = spa.parallax_sun_right_ascension(x, parallax, hour_angle, declination)
    here = spa.topocentric_sun_declination(declination, x, y, parallax, shift, hour_angle)
    turned = spa.topocentric_local_hour_angle(hour_angle, shift)
    true = spa.topocentric_elevation_angle_without_atmosphere(latitude_deg, here, turned)
    bent = spa.atmospheric_refraction_correction(
        pressure_pa / 100, temperature_c, true, _BENT_AT_RISE_DEG
    )
    from_south = spa.topocentric_astronomers_azimuth(turned, here, latitude_deg)
    return SunPosition(
        spa.topocentric_azimuth_angle(from_south),
        true,
        spa.topocentric_elevation_angle(true, bent),
    )
