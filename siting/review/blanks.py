"""Blank pictures: do cameras that look into a low sun take more of them?

A row is a deployment in a month: blanks, days, minutes a day of low sun in its picture at the
heading that was noted, over the skyline of its place; beside it what grows in view in the growing
months, how clear the view is, and the height of the lens. Nothing is leant on: no published ratio
is trusted.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.heading.sun import in_view, low_sun_minutes, sun_track
from siting.review.recorded.effort import CameraRow, count_events
from siting.review.recorded.season import Deployment, Season
from siting.review.seen import Seen
from siting.review.statistics.ranks import Interval
from siting.review.statistics.weights import shrunken
from siting.settings.protocol import Protocol

Floats = NDArray[np.float64]
# Our choice. Where nearly all cameras face north or south, their headings cannot be compared.
_LEAST_CAMERAS, _LEAST_BLANKS, _LEAST_OFF_AXIS = 20, 30, 8
_WITH_BLANKS = 0.2
_SEQUENCE_MIN = 1.0
# Wider than for the weights (0.8): no protocol stands behind it.
_TAU = 1.0
# Our choice. A term that hardly differs between cameras says nothing.
_LEAST_GROWTH_SD, _LEAST_CLEAR_SD, _LEAST_LENS_SD_DM = 0.1, 0.1, 0.5
_ASKED = ("hour", "growth", "clear", "lens")
# Heights in steps of 10 cm, so that a ratio is one that a person can use.
_DM_PER_M = 10.0
# April to September, half a year later in the south (our choice: no growth was measured).
_GROWING = range(4, 10)
DIRECTIONS = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
              "north-west")  # fmt: skip


class Blanks(NamedTuple):
    """Blanks per camera-day by heading, and the ratio that an hour of low sun a day goes with.

    `hour` is None with `why` for the reason: "few", "alike" (nearly all headings the same) or "".
    `growth` is the ratio that a near view full of shrubs, grass or crops goes with in the growing
    months, `clear` that of a near view wholly in sight, `lens` that of a lens 10 cm higher; None
    where cameras hardly differ.
    `by_heading` has eight rows, north first: cameras, blanks, camera-days; `by_month` eight rows of
    twelve such. `skyline` is False where the sun is taken over a level one.
    """

    cameras: int
    blanks: int
    hour: Interval | None
    why: str
    by_heading: tuple[tuple[int, int, float], ...]
    by_month: tuple[tuple[tuple[int, int, float], ...], ...] = ()
    growth: Interval | None = None
    lens: Interval | None = None
    skyline: bool = False
    clear: Interval | None = None


class _Row(NamedTuple):
    camera: str
    heading_deg: float
    blanks: int
    days: float
    sun_min: float
    month: int
    growth: float = 0.0
    lens_dm: float | None = None
    clear: float | None = None


def blanks_of(
    season: Season,
    rows: Sequence[CameraRow],
    protocol: Protocol,
    *,
    time_zone: str,
    seen: Mapping[str, Seen | None] | None = None,
) -> Blanks | None:
    """What blanks say of the sun; None where they were not handed over or no heading was noted.

    Parameters
    ----------
    time_zone : IANA name, the days and months of the survey
    seen : what the deployments looked at; the skyline is level for those without
    """
    used = [row for row in rows if _can_tell(row)]
    with_blanks = sum(bool(season.blanks.get(row.deployment.id)) for row in used)
    # Blanks that were deleted before the package was made are no zeros.
    if not used or with_blanks < _WITH_BLANKS * len(used):
        return None
    views = seen or {}
    table = [
        one
        for row in used
        for one in _months(season, row, protocol, time_zone, views.get(row.deployment.id))
    ]
    found = Blanks(
        cameras=len(used),
        blanks=sum(one.blanks for one in table),
        hour=None,
        why="",
        by_heading=tuple(_sum(_facing(table, k)) for k in range(8)),
        by_month=tuple(
            tuple(_sum([one for one in _facing(table, k) if one.month == m]) for m in range(1, 13))
            for k in range(8)
        ),
        skyline=all(views.get(row.deployment.id) for row in used),
    )
    off_axis = sum(_off_axis(row.deployment.heading_deg or 0.0) for row in used)
    if len(used) < _LEAST_CAMERAS or found.blanks < _LEAST_BLANKS:
        return found._replace(why="few")
    if off_axis < _LEAST_OFF_AXIS:
        return found._replace(why="alike")
    ratios = ratios_of(table)
    return found._replace(
        hour=ratios["hour"], growth=ratios["growth"], clear=ratios["clear"], lens=ratios["lens"]
    )


def _can_tell(row: CameraRow) -> bool:
    one = row.deployment
    return not (row.left_out or one.heading_deg is None or one.clock_doubtful)


def _off_axis(heading_deg: float) -> bool:
    """True outside the quarters around north and south."""
    return abs((heading_deg + 90) % 180 - 90) > 45


def _facing(table: Sequence[_Row], number: int) -> list[_Row]:
    return [one for one in table if round(one.heading_deg / 45) % 8 == number]


def _sum(held: Sequence[_Row]) -> tuple[int, int, float]:
    return (len({one.camera for one in held}), sum(one.blanks for one in held),
            sum(one.days for one in held))  # fmt: skip


def _months(
    season: Season, row: CameraRow, protocol: Protocol, time_zone: str, seen: Seen | None = None
) -> Iterator[_Row]:
    """One row for each month a deployment recorded in."""
    one = row.deployment
    if one.start is None or one.end is None or one.heading_deg is None:
        return
    stamps = season.blanks.get(one.id, ())
    for first, last in _spans(one.start, one.end):
        # Blanks close together are one burst, however many pictures it holds.
        count = count_events((t for t in stamps if first <= t < last), gap_min=_SEQUENCE_MIN)
        minutes = _sun_in_view_min(one, first, protocol, time_zone, seen)
        # Blanks a day, never a share of the pictures: that share falls whenever animals come.
        days = (last - first).total_seconds() / 86_400
        # Grass stands before a lens in its growing months only.
        growing = ((first.month - 1 + (0 if one.lat >= 0 else 6)) % 12 + 1) in _GROWING
        growth = seen.growth_share if seen and growing else 0.0
        lens = None if one.height_m is None else _DM_PER_M * one.height_m
        clear = seen.clear_share if seen else None
        yield _Row(one.id, one.heading_deg, count, days, minutes, first.month, growth, lens, clear)


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
    one: Deployment, first: dt.datetime, protocol: Protocol, time_zone: str, seen: Seen | None
) -> float:
    """Minutes a day of low sun in the picture, over the skyline of the place or a level one."""
    # The tool's own sun table, by whole months: one table serves every camera nearby.
    begin = first.date().replace(day=1)
    finish = (begin + dt.timedelta(days=32)).replace(day=1) - dt.timedelta(days=1)
    track = sun_track(one.lat, one.lon, first_day=begin, last_day=finish, time_zone=time_zone)
    level = np.zeros((1, len(track.azimuth_deg)))
    # An unknown skyline counts as level, as it does in a plan.
    horizon = level if seen is None else np.nan_to_num(seen.horizon_deg)[None, :]
    low = low_sun_minutes(track, horizon, low_sun_deg=protocol.sun.low_sun_deg)
    heading = np.array([one.heading_deg or 0.0])
    view = in_view(track.azimuth_deg, heading, half_view_deg=half_view(protocol))
    return float((low[0].sum(axis=0) @ view)[0])


def half_view(protocol: Protocol) -> float:
    """Half the camera's field of view, degrees."""
    return protocol.camera.field_of_view_deg / 2


def ratios_of(table: Sequence[_Row]) -> dict[str, Interval | None]:
    """Times as many blanks by the columns of `Blanks`, with their 90 % ranges.

    All in one fit, with the month as sine and cosine and cameras as clusters; None for what is
    alike everywhere.
    """
    columns = _terms(table)
    if "hour" not in columns:
        return dict.fromkeys(_ASKED)
    # The heading itself is no column: low sun is the reason and the heading its label, and where
    # most cameras face north the two cannot be told apart.
    year = np.array([one.month for one in table]) * 2 * np.pi / 12
    design = np.column_stack([*columns.values(), np.sin(year), np.cos(year)])
    fit = shrunken(
        [one.blanks for one in table], [one.days for one in table], design,
        np.zeros(design.shape[1]), tau=_TAU, cluster=np.array([one.camera for one in table]),
    )  # fmt: skip
    ends = np.exp(np.column_stack([fit.w, fit.low, fit.high]))
    found = {name: Interval(*map(float, ends[k])) for k, name in enumerate(columns)}
    return {name: found.get(name) for name in _ASKED}


def _terms(table: Sequence[_Row]) -> dict[str, Floats]:
    """Columns (n,) of what differs enough between the rows to be asked about."""
    hours = np.array([one.sun_min for one in table]) / 60
    growth = np.array([one.growth for one in table])
    clear, lens = (
        np.array([np.nan if value is None else value for value in column])
        for column in ([one.clear for one in table], [one.lens_dm for one in table])
    )
    found = {}
    if len(table) and np.ptp(hours) >= 0.1:
        found["hour"] = hours
    if len(table) and growth.std() >= _LEAST_GROWTH_SD:
        found["growth"] = growth
    if len(table) and np.isfinite(clear).all() and clear.std() >= _LEAST_CLEAR_SD:
        found["clear"] = clear
    # A height that some did not note is asked of none: those who note it may clear more, too.
    if len(table) and np.isfinite(lens).all() and lens.std() >= _LEAST_LENS_SD_DM:
        found["lens"] = lens
    return found


def rate_by_heading(found: Blanks) -> Mapping[str, tuple[int, float]]:
    """Cameras and blanks per 100 camera-days in each of eight directions that a camera looked."""
    return {
        name: (cameras, 100 * blanks / days)
        for name, (cameras, blanks, days) in zip(DIRECTIONS, found.by_heading, strict=True)
        if days
    }
