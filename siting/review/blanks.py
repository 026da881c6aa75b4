"""Blank pictures: do cameras that look into a low sun take more of them?

A row is a deployment in a month: blanks, days, minutes a day of low sun in its picture at the
heading that was noted, over a level skyline. Nothing is leant on: no published ratio is trusted.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.heading.sun import in_view, low_sun_minutes, sun_track
from siting.review.recorded.effort import CameraRow, count_events
from siting.review.recorded.season import Season
from siting.review.statistics.ranks import Interval
from siting.review.statistics.weights import shrunken
from siting.settings.protocol import Protocol

Floats = NDArray[np.float64]
# Our choice. Where nearly all cameras face north or south, their headings cannot be compared.
_LEAST_CAMERAS, _LEAST_BLANKS, _LEAST_OFF_AXIS = 20, 30, 8
_WITH_BLANKS = 0.2
_SEQUENCE_MIN = 1.0
# Wider than for the weights (0.7): no protocol stands behind it.
_TAU = 1.0


class Blanks(NamedTuple):
    """Blanks per camera-day by heading, and the ratio that an hour of low sun a day goes with.

    `hour` is None with `why` for the reason: "few", "alike" (nearly all headings the same) or "".
    `by_heading` has eight rows, north first: cameras, blanks, camera-days.
    """

    cameras: int
    blanks: int
    hour: Interval | None
    why: str
    by_heading: tuple[tuple[int, int, float], ...]


class _Row(NamedTuple):
    camera: str
    heading_deg: float
    blanks: int
    days: float
    sun_min: float
    month: int


def blanks_of(
    season: Season, rows: Sequence[CameraRow], protocol: Protocol, *, time_zone: str
) -> Blanks | None:
    """What blanks say of the sun; None where they were not handed over or no heading was noted.

    Parameters
    ----------
    time_zone : IANA name, the days and months of the survey
    """
    used = [row for row in rows if _can_tell(row)]
    with_blanks = sum(bool(season.blanks.get(row.deployment.id)) for row in used)
    # Blanks that were deleted before the package was made are no zeros.
    if not used or with_blanks < _WITH_BLANKS * len(used):
        return None
    table = [one for row in used for one in _months(season, row, protocol, time_zone)]
    by_heading = tuple(_of_direction(table, k) for k in range(8))
    found = Blanks(len(used), sum(one.blanks for one in table), None, "", by_heading)
    off_axis = sum(_off_axis(row.deployment.heading_deg or 0.0) for row in used)
    if len(used) < _LEAST_CAMERAS or found.blanks < _LEAST_BLANKS:
        return found._replace(why="few")
    if off_axis < _LEAST_OFF_AXIS:
        return found._replace(why="alike")
    return found._replace(hour=hour_of_sun(table))


def _can_tell(row: CameraRow) -> bool:
    one = row.deployment
    return not (row.left_out or one.heading_deg is None or one.clock_doubtful)


def _off_axis(heading_deg: float) -> bool:
    """True outside the quarters around north and south."""
    return abs((heading_deg + 90) % 180 - 90) > 45


def _of_direction(table: Sequence[_Row], number: int) -> tuple[int, int, float]:
    held = [one for one in table if round(one.heading_deg / 45) % 8 == number]
    return (len({one.camera for one in held}), sum(one.blanks for one in held),
            sum(one.days for one in held))  # fmt: skip


def _months(season: Season, row: CameraRow, protocol: Protocol, time_zone: str) -> Iterator[_Row]:
    """One row for each month a deployment recorded in."""
    one = row.deployment
    if one.start is None or one.end is None or one.heading_deg is None:
        return
    stamps = season.blanks.get(one.id, ())
    for first, last in _spans(one.start, one.end):
        # Blanks close together are one burst, however many pictures it holds.
        count = count_events((t for t in stamps if first <= t < last), gap_min=_SEQUENCE_MIN)
        minutes = _sun_in_view_min(one.lat, one.lon, one.heading_deg, first, last, protocol,
                                   time_zone)  # fmt: skip
        # Blanks a day, never a share of the pictures: that share falls whenever animals come.
        days = (last - first).total_seconds() / 86_400
        yield _Row(one.id, one.heading_deg, count, days, minutes, first.month)


def _spans(start: dt.datetime, end: dt.datetime) -> Iterator[tuple[dt.datetime, dt.datetime]]:
    """A deployment cut at the first of each month; pieces of under a day are left out."""
    at = start
    while at < end:
        month = at.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        until = min((month + dt.timedelta(days=32)).replace(day=1), end)
        if until - at >= dt.timedelta(days=1):
            yield at, until
        at = until


def _sun_in_view_min(
    lat: float, lon: float, heading_deg: float, first: dt.datetime, last: dt.datetime,
    protocol: Protocol, time_zone: str,
) -> float:  # fmt: skip
    """Minutes a day of low sun in the picture, over a level skyline."""
    # The tool's own sun table, by whole months: one table serves every camera nearby.
    begin = first.date().replace(day=1)
    finish = (begin + dt.timedelta(days=32)).replace(day=1) - dt.timedelta(days=1)
    track = sun_track(lat, lon, first_day=begin, last_day=finish, time_zone=time_zone)
    level = np.zeros((1, len(track.azimuth_deg)))
    low = low_sun_minutes(track, level, low_sun_deg=protocol.sun.low_sun_deg)
    view = in_view(track.azimuth_deg, np.array([heading_deg]), half_view_deg=half_view(protocol))
    return float((low[0].sum(axis=0) @ view)[0])


def half_view(protocol: Protocol) -> float:
    """Half the camera's field of view, degrees."""
    return protocol.camera.field_of_view_deg / 2


def hour_of_sun(table: Sequence[_Row]) -> Interval | None:
    """Times as many blanks with an hour a day more of low sun in the picture, with its 90 % range.

    Month as sine and cosine beside it, cameras as clusters; None where the sun is alike everywhere.
    """
    hours = np.array([one.sun_min for one in table]) / 60
    if np.ptp(hours) < 0.1:
        return None
    # The heading itself is no column: low sun is the reason and the heading its label, and where
    # most cameras face north the two cannot be told apart.
    year = np.array([one.month for one in table]) * 2 * np.pi / 12
    fit = shrunken(
        [one.blanks for one in table], [one.days for one in table],
        np.column_stack([hours, np.sin(year), np.cos(year)]), [0.0, 0.0, 0.0], tau=_TAU,
        cluster=np.array([one.camera for one in table]),
    )  # fmt: skip
    return Interval(*(float(np.exp(v[0])) for v in (fit.w, fit.low, fit.high)))


def rate_by_heading(found: Blanks) -> Mapping[str, tuple[int, float]]:
    """Cameras and blanks per 100 camera-days in each of eight directions that a camera looked."""
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
             "north-west")  # fmt: skip
    return {
        name: (cameras, 100 * blanks / days)
        for name, (cameras, blanks, days) in zip(names, found.by_heading, strict=True)
        if days
    }
