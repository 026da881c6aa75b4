"""What a judged heading holds: what cameras look at, and what was measured of each heading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from siting.grid import FloatArray
from siting.ground.view import ElevationGrid, Skyline
from siting.heading.limits import Closed
from siting.heading.line_crossing import (
    Lines,
    NearestLine,
)
from siting.heading.sun import SunTrack
from siting.types import BoolArray, RoleArray

HEADING_STEP_DEG = 5.0
HEADINGS_DEG: FloatArray = np.arange(0.0, 360.0, HEADING_STEP_DEG)


@dataclass(frozen=True)
class Surroundings:
    """What the candidates of one parcel look at.

    Parameters
    ----------
    ground : Ground
        Elevations of the working grid.
    far : Ground or None
        Coarser elevations that reach further, for the skyline.
    track : SunTrack
    role : (rows, cols) int8, `CoverRole` of each cell
    inside : (rows, cols) bool, True on the parcel
    people : (rows, cols) bool, True on roads and buildings
    closed : what must not be in a picture, or None for nothing
    canopy_m : (rows, cols) float or None, height of vegetation, NaN = not known
    lines : what animals follow, the surest kind first
    convergence_deg : float, bearing of grid north from true north
    dem_cell_m : float, cell size of the elevation file
    """

    ground: ElevationGrid
    track: SunTrack
    role: RoleArray
    inside: BoolArray
    people: BoolArray
    lines: Sequence[Lines]
    dem_cell_m: float
    closed: Closed | None = None
    far: ElevationGrid | None = None
    canopy_m: FloatArray | None = None
    convergence_deg: float = 0.0


class LowSun(NamedTuple):
    """Low sun in the picture, minutes a day.

    minutes : (n, 72); flat_minutes : (72,) the same were there no terrain; by_hour : (n, 24, 72)
    by hour of the local clock; in_front : (n, 72) low sun in the half of the sky ahead, that
    nearest the middle counting most (settles ties)
    """

    minutes: FloatArray
    flat_minutes: FloatArray
    by_hour: FloatArray
    in_front: FloatArray


class Ahead(NamedTuple):
    """What lies ahead, arrays of (n, 72).

    clear_m : ground in sight, metres; NaN where not claimed
    neighbour_share : part of the view in sight outside the parcel
    people_m : distance to the nearest road or building in sight, infinite when none
    rise_deg, tilt_deg : slope of the ground along the heading (up positive) and to its right;
        NaN where cells are too wide to show it
    cover : mean score of what grows there; NaN where unknown
    brush_share, water_share : shrub and open water in view
    inside_m : how far the whole picture stays on the parcel, infinite to the end of the rays
    limited : bool, True where the camera must not look that way
    """

    clear_m: FloatArray
    neighbour_share: FloatArray
    people_m: FloatArray
    rise_deg: FloatArray
    tilt_deg: FloatArray
    cover: FloatArray
    brush_share: FloatArray
    water_share: FloatArray
    inside_m: FloatArray
    limited: BoolArray


class Met(NamedTuple):
    """The line crossed and the feature faced; (n, 72), NaN where there is none.

    crossing_deg : angle to the line; met_m : distance ahead at which it is met
    target_turn_deg : turn from the heading to the feature; target_m : (n,) distance to it
    near : NearestLine
    """

    crossing_deg: FloatArray
    met_m: FloatArray
    target_turn_deg: FloatArray
    target_m: FloatArray
    near: NearestLine


@dataclass(frozen=True)
class Headings:
    """Every heading of every candidate, judged.

    Parameters
    ----------
    score : (n, 72) combined score 0..1; 0 where the heading is closed (`ahead.limited`)
    parts : mapping from part to (n, 72) membership 0..1; NaN where the part is not claimed
    sun, ahead, met : what was measured
    sky : Skyline at the azimuths of the sun track
    reach_m : (n,) how far the skyline is known in half of all directions
    spans : whether only eight directions can be told, not degrees (`siting.heading.aim.by_eight`)
    """

    score: FloatArray
    parts: Mapping[str, FloatArray]
    sun: LowSun
    ahead: Ahead
    met: Met
    sky: Skyline
    reach_m: FloatArray
    spans: bool = False
