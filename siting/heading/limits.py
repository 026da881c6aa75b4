"""What a heading must not do, as a camera must not stand on closed ground.

A camera does not look into open water, a field with livestock, built-up ground, out of the parcel,
at a house or at a road. What a spot is named for is in its picture, or the name goes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from siting.grid import FloatArray
from siting.ground.distance import cells_covered
from siting.ground.shapes.mapped import ponds_of_cells
from siting.ground.view import Profiles
from siting.heading.view_ahead import cells_under, seen_of, upto
from siting.kernels.remembered import remembered
from siting.settings.protocol_heading import HeadingRules
from siting.types import BoolArray, CoverRole, Land, RoleArray

_WITH_TRAFFIC = ("major", "minor")


@dataclass(frozen=True)
class Closed:
    """What a picture must not show.

    Parameters
    ----------
    filled : (rows, cols) bool
        Open water, livestock, built-up ground, land outside the parcel: not much of the picture.
    sighted : (rows, cols) bool
        Houses and roads with traffic: not in sight at all within the reach for people.
    tracks : (rows, cols) bool
        Drives and tracks that vehicles use: not in sight within the reach of the limits.
    """

    filled: BoolArray
    sighted: BoolArray
    tracks: BoolArray


@remembered("land")
def closed_to_view(land: Land, *, role: RoleArray, inside: BoolArray) -> Closed:
    """What of a piece of land must not be in a picture, from the layers that were given.

    Parameters
    ----------
    land : Land
    role : (rows, cols) int8, `CoverRole` of each cell
    inside : (rows, cols) bool, True on the parcel
    """
    grid = land.grid

    def cells(name: str, only: tuple[str, ...] = ()) -> BoolArray:
        if name not in land.vectors:
            return np.zeros(grid.shape, dtype=bool)
        frame = land.vectors[name]
        shapes = frame.geometry if not only else frame.geometry[frame["class"].isin(only)]
        return cells_covered(list(shapes.values), grid=grid, all_touched=True)

    water = [s for s in land.shapes("water") if "Polygon" in s.geom_type]
    # Cover cells that a mapped pond covers are that pond: its true shape counts, not its cells.
    pond = cells_covered([*water, *ponds_of_cells(land, role)], grid=grid)
    return Closed(
        filled=~inside | pond | cells("livestock") | (role == CoverRole.BUILT),
        sighted=cells("buildings") | cells("roads", _WITH_TRAFFIC),
        tracks=cells("roads", ("track",)),
    )


def limited(
    rays: Profiles,
    share: FloatArray,
    *,
    closed: Closed,
    rules: HeadingRules,
    screened: bool,
) -> BoolArray:
    """Which headings are closed at each place.

    Parameters
    ----------
    rays : Profiles from each place, all round
    share : (n_rays, n_headings), the part of each ray in the picture of each heading
    closed : Closed
    rules : HeadingRules
    screened : bool
        Whether the ground can be trusted to hide a house: False for wide cells.

    Returns
    -------
    (n, n_headings) bool, True where the camera must not look that way
    """
    near = upto(rays, rules.limit_m)
    # Shares of the ground in view: the area of a ring grows with its distance.
    area = near.distance_m / near.distance_m.sum()
    filled = (cells_under(closed.filled, near, outside=True) @ area) @ share
    out: BoolArray = filled > rules.limit_share
    for cells, reach_m in (
        (closed.sighted, rules.limit_people_m),
        (closed.tracks, rules.limit_m),
    ):
        if cells.any():
            out |= _met(upto(rays, reach_m), share, cells=cells, rules=rules, screened=screened)
    return out


def _met(
    rays: Profiles, share: FloatArray, *, cells: BoolArray, rules: HeadingRules, screened: bool
) -> BoolArray:
    """Headings whose picture holds one of the cells, in sight."""
    hit = cells_under(cells, rays, outside=False)
    # In coarse cells no bank or rise is seen that might hide a house: then it counts as in sight.
    if screened:
        hit = seen_of(hit, rays, target_height_m=rules.person_height_m)
    seen: BoolArray = (hit.any(axis=2) @ (share > 0)) > 0
    return seen


def in_picture(
    offset: tuple[float, float],
    heading_deg: float,
    *,
    half_view_deg: float,
    most_m: float,
    on_it_m: float,
) -> bool:
    """Whether what a spot is named for stands in its picture, near enough to be photographed.

    Parameters
    ----------
    offset : (east, north) from the spot to the thing, metres, by true north
    heading_deg : float
    half_view_deg : float
        Half the picture's angle, or half the span of a heading that is only known as a direction.
    most_m : float
        Farther things are not in the trusted part of the view.
    on_it_m : float
        Nearer than this a step back brings the thing into the picture, whichever way it looks.

    Examples
    --------
    >>> in_picture((0.0, 8.0), 20.0, half_view_deg=25.0, most_m=10.0, on_it_m=3.0)
    True
    >>> in_picture((0.0, 8.0), 40.0, half_view_deg=25.0, most_m=10.0, on_it_m=3.0)
    False
    """
    away = math.hypot(*offset)
    if away <= on_it_m:
        return True
    bearing = math.degrees(math.atan2(*offset))
    turn = abs((bearing - heading_deg + 180.0) % 360.0 - 180.0)
    return away <= most_m and turn <= half_view_deg
