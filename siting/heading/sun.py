"""Where the sun stands over the days a camera is out, as one table for a whole parcel.

Thousands of positions of the sun are put into a table of minutes a day by clock hour, azimuth
and elevation, so that the headings of hundreds of candidates are judged by array work and not
instant by instant.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property, lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.errors import SitingError
from siting.grid import FloatArray
from siting.heading.sun_position import sun_position
from siting.kernels.remembered import remembered
from siting.types import BoolArray

# The sun crosses one bin in the ten minutes between two positions; half a degree is its own width.
AZIMUTH_STEP_DEG = 2.5
ELEVATION_STEP_DEG = 0.5
LOWEST_DEG = -1.0
SUN_RADIUS_DEG = 0.27
"""Half the width of the sun's disc: it is up while its upper edge is above the skyline."""

REFERENCE_YEAR = 2025
"""Year used for "all year" when no days are given; from year to year the sun's place on one
date differs by less than 0.4 degrees."""

_MOST_DAYS = 92
_POSITION_STEP_DEG = 0.05
_ROUNDING_DEG = 1e-9
_EARLIEST, _LATEST = dt.date(1700, 1, 1), dt.date(2250, 12, 31)


@dataclass(frozen=True)
class SunTrack:
    """Minutes a day the sun spends in each part of the sky, averaged over the days given.

    Parameters
    ----------
    minutes : (24, n_azimuths, n_elevations) float32, minutes a day
        By hour of the local clock, azimuth bin and elevation bin.
    azimuth_deg : (n_azimuths,) centres of the azimuth bins, clockwise from true north
    elevation_edge_deg : (n_elevations + 1,) edges of the elevation bins, apparent elevation
    first_day, last_day : date, both included
    n_days : int
    time_zone : str, IANA name
    """

    minutes: NDArray[np.float32]
    azimuth_deg: FloatArray
    elevation_edge_deg: FloatArray
    first_day: dt.date
    last_day: dt.date
    n_days: int
    time_zone: str

    @cached_property
    def below(self) -> NDArray[np.float32]:
        """(24, n_azimuths, n_elevations + 1) minutes below each edge of the elevation bins."""
        out = np.zeros((*self.minutes.shape[:2], self.minutes.shape[2] + 1), np.float32)
        np.cumsum(self.minutes, axis=2, out=out[:, :, 1:])
        return out

    @cached_property
    def never_up(self) -> bool:
        """True in a polar night that lasts all the days given."""
        return not self.minutes.any()


@remembered()
def sun_track(
    latitude_deg: float,
    longitude_deg: float,
    *,
    first_day: dt.date | None = None,
    last_day: dt.date | None = None,
    time_zone: str,
    step_min: int = 10,
) -> SunTrack:
    """Minutes a day of sun by clock hour, azimuth and elevation over the days given.

    One table serves a whole parcel, and its neighbours: the position is taken to the nearest
    0.05 degree (about 5 km), which moves the sun by less than 0.05 degree. Of a window
    longer than 92 days, days at an even spacing stand for the others.

    Parameters
    ----------
    latitude_deg, longitude_deg : float, degrees, north and east positive
    first_day, last_day : date, both included; without them the whole year. A datetime must carry
        a time zone. One without the other: a year from the first, or up to the last.
    time_zone : str
        IANA name; days begin at local midnight and hours are those of the local clock.
    step_min : int
        Minutes between two positions, 1 to 60; 10 moves the sun by at most 2.5 degrees.

    Raises
    ------
    SitingError
        E-TIME-01 for an unknown time zone or a time without one, E-TIME-02 for a range of days
        that ends before it begins or lies outside 1700-2250, E-CRS-07 for an impossible place.
    """
    zone = _zone(time_zone)
    first, last = _days(_day(first_day, zone), _day(last_day, zone))
    # A place on the 180th meridian comes back from its map a rounding error beyond it.
    if not (-90 <= latitude_deg <= 90 and abs(longitude_deg) <= 180 + _ROUNDING_DEG):
        raise SitingError(
            "E-CRS-07",
            f"Latitude {latitude_deg}, longitude {longitude_deg} is not a place on Earth.",
            rule="Latitude runs from -90 to 90 degrees, longitude from -180 to 180.",
            cure="Check the coordinate system of the parcel.",
        )
    near = (_to_step(latitude_deg), _to_step(longitude_deg))
    return _track(*near, first, last, time_zone, step_min)


def low_sun_minutes(track: SunTrack, horizon_deg: FloatArray, *, low_sun_deg: float) -> FloatArray:
    """Minutes a day of low sun above each candidate's skyline, by clock hour and azimuth.

    The sun counts from the moment its upper edge clears the skyline until its centre passes
    `low_sun_deg`. A skyline below level counts as level, for what lies beyond a short reach
    of the elevations is not known.

    Parameters
    ----------
    track : SunTrack
    horizon_deg : (n, n_azimuths) float, degrees above level, at the azimuths of the track
    low_sun_deg : float, degrees

    Returns
    -------
    (n, 24, n_azimuths) float32, minutes a day
    """
    width = ELEVATION_STEP_DEG
    # Of running sums over elevation the minutes between any two heights are one difference.
    below = track.below
    seen_from = np.clip(np.maximum(horizon_deg, 0.0) - SUN_RADIUS_DEG, LOWEST_DEG, low_sun_deg)
    at = (np.array([low_sun_deg]) - LOWEST_DEG) / width
    azimuths = np.arange(len(track.azimuth_deg))
    high = _at(below, azimuths, np.broadcast_to(at, (1, len(azimuths))))
    return high - _at(below, azimuths, (seen_from - LOWEST_DEG) / width)


def low_somewhere(track: SunTrack, *, low_sun_deg: float) -> BoolArray:
    """(n_azimuths,) whether the sun ever stands low there; elsewhere no skyline keeps any out.

    Parameters
    ----------
    track : SunTrack
    low_sun_deg : float, degrees
    """
    # The last edge that `low_sun_minutes` reads.
    edge = int((low_sun_deg - LOWEST_DEG) / ELEVATION_STEP_DEG) + 1
    return np.asarray(track.below[:, :, min(edge, track.below.shape[2] - 1)].any(axis=0))


def in_view(
    azimuth_deg: FloatArray, headings_deg: FloatArray, *, half_view_deg: float
) -> FloatArray:
    """Share of each azimuth bin that lies inside the view of each heading.

    Parameters
    ----------
    azimuth_deg : (n_azimuths,) centres of even bins round the circle
    headings_deg : (n_headings,)
    half_view_deg : float, half the horizontal field of view

    Returns
    -------
    (n_azimuths, n_headings) float32 in 0..1

    Examples
    --------
    >>> in_view(np.array([0.0, 90.0, 180.0, 270.0]), np.array([90.0]), half_view_deg=60).ravel()
    array([0.16666667, 1.        , 0.16666667, 0.        ], dtype=float32)
    """
    half_bin = 180.0 / len(azimuth_deg)
    turn = np.abs((azimuth_deg[:, None] - headings_deg[None, :] + 180.0) % 360.0 - 180.0)
    overlap = np.minimum(turn + half_bin, half_view_deg) - np.maximum(
        turn - half_bin, -half_view_deg
    )
    return np.clip(overlap / (2 * half_bin), 0.0, 1.0).astype(np.float32)


def _at(below: NDArray[np.float32], azimuths: NDArray[np.intp], place: FloatArray) -> FloatArray:
    """Minutes below an elevation given in bins, straight between edges: (n, 24, n_azimuths)."""
    low = np.minimum(place.astype(np.intp), below.shape[2] - 2)
    part = (place - low).astype(np.float32)
    lower, upper = below[:, azimuths, low], below[:, azimuths, low + 1]
    return np.moveaxis(lower + (upper - lower) * part, 0, 1)


@lru_cache(maxsize=4)
def _sampled(
    first: dt.date, last: dt.date, time_zone: str, step_min: int
) -> tuple[pd.DatetimeIndex, NDArray[np.intp], int]:
    """The instants, their local hours and the number of days: shared by a whole survey."""
    times, n_sampled = _instants(first, last, time_zone, step_min)
    return times, times.hour.to_numpy().astype(np.intp), n_sampled


@lru_cache(maxsize=8)
def _track(
    latitude_deg: float,
    longitude_deg: float,
    first: dt.date,
    last: dt.date,
    time_zone: str,
    step_min: int,
) -> SunTrack:
    """The table, kept: parcels of a batch that are neighbours share it."""
    times, hour, n_sampled = _sampled(first, last, time_zone, step_min)
    sun = sun_position(times, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    n_azimuths = round(360 / AZIMUTH_STEP_DEG)
    edges = np.arange(LOWEST_DEG, 90 + ELEVATION_STEP_DEG / 2, ELEVATION_STEP_DEG)
    up = sun.apparent_elevation_deg > LOWEST_DEG
    elevation = (sun.apparent_elevation_deg[up] - LOWEST_DEG) / ELEVATION_STEP_DEG
    azimuth = np.rint(sun.azimuth_deg[up] / AZIMUTH_STEP_DEG).astype(np.intp) % n_azimuths
    level = np.minimum(elevation.astype(np.intp), len(edges) - 2)
    minutes = np.zeros((24, n_azimuths, len(edges) - 1), np.float32)
    np.add.at(minutes, (hour[up], azimuth, level), step_min / n_sampled)
    # The table is shared by all parcels near by; nobody may change it for the others.
    minutes.flags.writeable = False
    return SunTrack(
        minutes=minutes,
        azimuth_deg=np.arange(n_azimuths) * AZIMUTH_STEP_DEG,
        elevation_edge_deg=edges,
        first_day=first,
        last_day=last,
        n_days=(last - first).days + 1,
        time_zone=time_zone,
    )


def _instants(
    first: dt.date, last: dt.date, time_zone: str, step_min: int
) -> tuple[pd.DatetimeIndex, int]:
    """Middles of the steps of the sampled days, in local time, and the number of days sampled."""
    n_days = (last - first).days + 1
    # From one day to the next the sun moves less than a bin.
    stride = -(-n_days // _MOST_DAYS)
    # Where the clock skips or repeats midnight, the day begins at the first instant there is.
    start = pd.Timestamp(first).tz_localize(time_zone, nonexistent="shift_forward", ambiguous=True)
    end = pd.Timestamp(last + dt.timedelta(days=1)).tz_localize(
        time_zone, nonexistent="shift_forward", ambiguous=True
    )
    half = pd.Timedelta(minutes=step_min / 2)
    step = pd.Timedelta(minutes=step_min)
    times = pd.date_range(start + half, end, freq=step, inclusive="left")
    day = (times.tz_localize(None).normalize() - pd.Timestamp(first)).days.to_numpy()
    # The sampled day is the middle of its stride, so that no end of the window counts double.
    kept = day % stride == (stride - 1) // 2
    return times[kept], int(np.unique(day[kept]).size)


def _zone(time_zone: str) -> ZoneInfo:
    try:
        return ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, TypeError, OSError):
        raise SitingError(
            "E-TIME-01",
            f"The time zone {time_zone!r} is not known.",
            rule="A time zone is given by its IANA name.",
            cure="Write, for example, America/Chicago, Europe/Paris or Africa/Johannesburg.",
        ) from None


def _day(day: dt.date | None, zone: ZoneInfo) -> dt.date | None:
    """A plain date; a datetime is one only when it says which zone it is in."""
    if not isinstance(day, dt.datetime):
        return day
    if day.tzinfo is None or day.utcoffset() is None:
        raise SitingError(
            "E-TIME-01",
            f"The time {day.isoformat()} has no time zone.",
            rule="A clock time needs a time zone.",
            cure="Give a plain date such as 2026-04-01, or a time with its offset.",
        )
    return day.astimezone(zone).date()


def _days(first: dt.date | None, last: dt.date | None) -> tuple[dt.date, dt.date]:
    year = dt.timedelta(days=364)
    if first is None and last is None:
        return dt.date(REFERENCE_YEAR, 1, 1), dt.date(REFERENCE_YEAR, 12, 31)
    given = [day for day in (first, last) if day is not None]
    if given != sorted(given) or not all(_EARLIEST <= day <= _LATEST for day in given):
        raise SitingError(
            "E-TIME-02",
            f"The days from {first} to {last} cannot be used.",
            rule="The last day must not be before the first, and both must be in "
            f"{_EARLIEST} to {_LATEST}.",
            cure="Check the first and the last day.",
        )
    return first or given[-1] - year, last or given[0] + year


def _to_step(value: float) -> float:
    return round(round(value / _POSITION_STEP_DEG) * _POSITION_STEP_DEG, 6)
