"""Sun positions against published values; each check is shown to fail on a planted fault."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from pvlib.solarposition import spa_python

from siting.heading.sun_position import SunPosition, sun_position

Finder = Callable[..., SunPosition]

# Reda & Andreas 2004 (NREL/TP-560-34302), Table A5.1: 17 October 2003, 12:30:30 at UTC-7.
NREL_TIME = pd.DatetimeIndex(["2003-10-17 12:30:30-07:00"])
NREL_PLACE = {
    "latitude_deg": 39.742476,
    "longitude_deg": -105.1786,
    "pressure_pa": 82000.0,
    "temperature_c": 11.0,
}
# What a table of 0.5 by 2.5 degrees can do without: a fiftieth of its finer bin. The call that is
# used stays within 0.006 degree of the algorithm of the report, seen from the camera.
TOLERANCE_DEG = 0.01


def check_nrel(find: Finder) -> None:
    sun = find(NREL_TIME, **NREL_PLACE)
    assert 90 - sun.apparent_elevation_deg[0] == pytest.approx(50.11162, abs=TOLERANCE_DEG)
    assert sun.azimuth_deg[0] == pytest.approx(194.34024, abs=TOLERANCE_DEG)
    assert sun.elevation_deg[0] == pytest.approx(39.872046, abs=TOLERANCE_DEG)


def check_noaa(find: Finder) -> None:
    """NOAA solar calculation sheet, 21 June 2010, 00:06 at UTC-7, 40 N 105 W."""
    time = pd.DatetimeIndex(["2010-06-21 00:06-07:00"])
    sun = find(time, latitude_deg=40.0, longitude_deg=-105.0)
    # The sheet uses a short series, too (good to about 0.01 degree).
    assert sun.elevation_deg[0] == pytest.approx(-26.5537621, abs=TOLERANCE_DEG)
    assert sun.azimuth_deg[0] == pytest.approx(1.0986712, abs=TOLERANCE_DEG)


@pytest.mark.parametrize("place", [(42.05, -72.3), (-35.2, 20.45), (69.6, 18.95), (0.0, 179.95)])
@pytest.mark.parametrize("year", [2010, 2027, 2060])
def test_near_the_solar_position_algorithm(place, year):
    """Reda & Andreas 2004 as pvlib's spa_python has it: a year at four places, every 173 minutes.

    On the sphere, for near the zenith an azimuth says little. The bent elevation is compared
    from 0.27 degree below level, where the sun's upper edge shows.
    """
    latitude, longitude = place
    times = pd.date_range(f"{year}-01-01", f"{year}-12-31", freq="173min", tz="Etc/GMT+5")
    theirs = spa_python(times, latitude, longitude, pressure=101325.0, temperature=10.0,
                        delta_t=None)  # fmt: skip
    ours = sun_position(times, latitude_deg=latitude, longitude_deg=longitude)
    rise = ours.elevation_deg - theirs["elevation"].to_numpy()
    turn = (ours.azimuth_deg - theirs["azimuth"].to_numpy() + 180) % 360 - 180
    aside = turn * np.cos(np.radians(theirs["elevation"].to_numpy()))
    assert np.hypot(rise, aside).max() < TOLERANCE_DEG
    shown = theirs["apparent_elevation"].to_numpy() > -0.27
    bent = (ours.apparent_elevation_deg - theirs["apparent_elevation"].to_numpy())[shown]
    # Where the sun is low a hundredth of a degree more of height bends its light a little less.
    assert np.abs(bent).max() < TOLERANCE_DEG


# Azimuth of sunrise on 20 June and 21 December 2024 and 20 March 2024 at longitude 0, degrees
# (collected check values, computed there with another call of an SPA library: sunrise taken as
# the centre at -0.833 degree); the rule cos A = sin(declination) / cos(latitude) agrees within
# what refraction does.
SUNRISE = {
    0: (66.56, 113.44, 89.95),
    30: (62.11, 116.80, 89.46),
    40: (57.90, 120.47, 89.24),
    45: (54.75, 123.23, 89.10),
    50: (50.49, 126.98, 88.93),
    55: (44.42, 132.28, 88.73),
    60: (34.84, 140.39, 88.46),
    65: (13.50, 155.52, 88.10),
}


def check_sunrise(find: Finder) -> None:
    for latitude, azimuths in SUNRISE.items():
        for day, azimuth in zip(("06-20", "12-21", "03-20"), azimuths, strict=True):
            times = pd.date_range(f"2024-{day}", periods=24 * 60 * 2, freq="30s", tz="UTC")
            sun = find(times, latitude_deg=float(latitude), longitude_deg=0.0)
            morning = sun.azimuth_deg < 180
            rises = np.flatnonzero(
                (sun.elevation_deg[:-1] < -0.833) & (sun.elevation_deg[1:] >= -0.833) & morning[1:]
            )
            # 0.1 degree: half a minute of time at 65 N, and the exact day of the solstice.
            tolerance = 0.15 if latitude == 65 else 0.1
            assert sun.azimuth_deg[rises[0]] == pytest.approx(azimuth, abs=tolerance), latitude


def check_geometry(find: Finder) -> None:
    """At the June solstice the true sun crosses level where cos A = sin 23.436 / cos latitude."""
    times = pd.date_range("2024-06-20 00:00", periods=24 * 360, freq="10s", tz="UTC")
    sun = find(times, latitude_deg=45.0, longitude_deg=0.0)
    rise = np.flatnonzero((sun.elevation_deg[:-1] < 0) & (sun.elevation_deg[1:] >= 0))[0]
    expected = math.degrees(math.acos(math.sin(math.radians(23.436)) / math.cos(math.radians(45))))
    assert sun.azimuth_deg[rise] == pytest.approx(expected, abs=0.05)


CHECKS = [check_nrel, check_noaa, check_sunrise, check_geometry]


@pytest.mark.parametrize("check", CHECKS)
def test_sun_position(check: Callable[[Finder], None]) -> None:
    check(sun_position)


def _azimuth_from_south(times: pd.DatetimeIndex, **place: float) -> SunPosition:
    sun = sun_position(times, **place)
    return sun._replace(azimuth_deg=(sun.azimuth_deg + 180) % 360)


def _west_positive(times: pd.DatetimeIndex, **place: float) -> SunPosition:
    return sun_position(times, **{**place, "longitude_deg": -place["longitude_deg"] + 0.5})


def _swapped(times: pd.DatetimeIndex, **place: float) -> SunPosition:
    turned = {"latitude_deg": place["longitude_deg"] % 90, "longitude_deg": place["latitude_deg"]}
    return sun_position(times, **{**place, **turned})


def _clock_taken_as_utc(times: pd.DatetimeIndex, **place: float) -> SunPosition:
    shifted = times.tz_localize(None).tz_localize("UTC") + pd.Timedelta(minutes=20)
    return sun_position(shifted, **place)


def _other_hemisphere(times: pd.DatetimeIndex, **place: float) -> SunPosition:
    sun = sun_position(times, **{**place, "latitude_deg": -place["latitude_deg"]})
    return sun._replace(azimuth_deg=(sun.azimuth_deg + 1.0) % 360)


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize(
    "fault", [_azimuth_from_south, _swapped, _other_hemisphere], ids=lambda f: f.__name__
)
def test_planted_fault_is_found(check: Callable[[Finder], None], fault: Finder) -> None:
    with pytest.raises((AssertionError, IndexError)):
        check(fault)


@pytest.mark.parametrize("check", [check_nrel, check_noaa])
@pytest.mark.parametrize("fault", [_west_positive, _clock_taken_as_utc], ids=lambda f: f.__name__)
def test_planted_fault_in_time_is_found(check: Callable[[Finder], None], fault: Finder) -> None:
    # Sunrise azimuths do not see a shift of the clock, so the worked examples must.
    with pytest.raises(AssertionError):
        check(fault)
