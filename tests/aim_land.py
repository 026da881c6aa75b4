"""Built land for the tests of headings: one open field unless told otherwise."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from siting.grid import Grid
from siting.ground.view import ElevationGrid
from siting.heading.aim import aims
from siting.heading.compass import declination
from siting.heading.heading_scores import judge
from siting.heading.judged import Headings, Surroundings
from siting.heading.sun import sun_track
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.spot_parts import Aim
from siting.types import CoverRole

CRS = "EPSG:32617"
CELL = 2.0
N = 151
HALF = N // 2
GRID = Grid(CRS, -(HALF + 0.5) * CELL, (HALF + 0.5) * CELL, CELL, N, N)
EAST, NORTH = np.meshgrid((np.arange(N) - HALF) * CELL, -(np.arange(N) - HALF) * CELL)
EVERYWHERE = np.ones((N, N), bool)
NOWHERE = np.zeros((N, N), bool)


def land(**changes: Any) -> Surroundings:
    """Open flat pasture, all of it on the parcel, at 43.5 N the year round, unless changed."""
    place = changes.pop("latitude", 43.5)
    days = changes.pop("days", (None, None))
    given: dict[str, Any] = {
        "ground": ElevationGrid(np.full((N, N), 100.0) + changes.pop("height", 0.0), GRID),
        "track": sun_track(place, 10.0, first_day=days[0], last_day=days[1], time_zone="UTC"),
        "role": np.full((N, N), CoverRole.PASTURE, np.int8),
        "inside": EVERYWHERE,
        "people": NOWHERE,
        "lines": (),
        "dem_cell_m": CELL,
    }
    given.update(changes)
    return Surroundings(**given)


def look(
    around: Surroundings,
    *,
    at: tuple[tuple[float, float], ...] = ((0.0, 0.0),),
    camera: dict[str, Any] | None = None,
    heading: dict[str, Any] | None = None,
    sun: dict[str, Any] | None = None,
    target: tuple[float, float] = (np.nan, np.nan),
) -> Headings:
    x, y = (np.array(values, float) for values in zip(*at, strict=True))
    return judge(
        x,
        y,
        around=around,
        camera=CameraRules(**(camera or {})),
        heading=HeadingRules(**(heading or {})),
        sun=SunRules(**(sun or {})),
        targets=np.tile(target, (len(at), 1)),
    )


def aim_of(around: Surroundings, **changes: Any) -> Aim:
    day = changes.pop("day", dt.date(2026, 6, 1))
    judged = look(around, **changes)
    return aims(
        judged,
        track=around.track,
        compass=declination(43.5, -90.0, day=day),
        zone_m=15.0,
        second_turn_deg=90.0,
        targets=["Log over the brook"] * len(judged.score),
    )[0]
