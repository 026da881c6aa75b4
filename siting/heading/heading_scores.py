"""How good each heading of each candidate is: seven parts, each of 0..1, and their combination.

sun      low sun inside the picture, minutes a day, above the terrain skyline
clear    ground in sight ahead; not claimed where elevation cells are too wide to show it
slant    the angle at which the trail, bank or edge is crossed, and how near; none without one
target   the feature the spot serves stands in the picture
private  the view kept on the parcel and off roads and buildings
level    slope of the ground in view
cover    what grows in view
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from siting.grid import FloatArray
from siting.ground.view import Places, Profiles, Skyline, skyline
from siting.heading.judged import HEADINGS_DEG, Ahead, Headings, LowSun, Met, Surroundings
from siting.heading.limits import limited
from siting.heading.line_crossing import (
    crossing_angle_deg,
    crossing_distance_m,
    nearest_line,
)
from siting.heading.sun import SunTrack, in_view, low_somewhere, low_sun_minutes
from siting.heading.view_ahead import (
    cells_under,
    clear_m,
    cover_ahead,
    look_ahead,
    nearest_in_view,
    people_in_view,
    plane_ahead,
)
from siting.kernels.curves import membership
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.types import BoolArray, CoverRole

PARTS = ("sun", "clear", "slant", "target", "private", "level", "cover")

# No part alone brings a heading to nothing: where all are poor the least poor must still win.
_LEAST = 0.02


def judge(
    easting: FloatArray,
    northing: FloatArray,
    *,
    around: Surroundings,
    camera: CameraRules,
    heading: HeadingRules,
    sun: SunRules,
    targets: FloatArray,
    sky: Skyline | None = None,
) -> Headings:
    """Score of each heading of each candidate.

    Parameters
    ----------
    easting, northing : (n,) metres in the grid's coordinate system
    around : Surroundings
    camera, heading, sun : the protocol's tables of these names
    targets : (n, 2) easting and northing of the feature each candidate serves, NaN for none
    sky : Skyline of the places where it is known already (`skyline_of`)

    Returns
    -------
    Headings, for bearings from true north at `HEADINGS_DEG`
    """
    place = (easting, northing)
    if sky is None:
        sky = skyline_of(place, around, camera, sun)
    low_sun = _sun(
        around.track,
        sky,
        half_view_deg=camera.field_of_view_deg / 2.0,
        low_sun_deg=sun.low_sun_deg,
    )
    ahead = _ahead(place, around=around, camera=camera, heading=heading)
    met = _met(place, targets, around=around, heading=heading)
    parts = _parts(low_sun, ahead, met, heading=heading, sun=sun)
    weights = {name: float(getattr(heading, f"{name}_weight")) for name in PARTS}
    return Headings(
        score=np.where(ahead.limited, 0.0, combined(parts, weights)),
        parts=parts,
        sun=low_sun,
        ahead=ahead,
        met=met,
        sky=sky,
        reach_m=np.median(sky.reach_m, axis=1),
    )


def skyline_of(
    place: Places,
    around: Surroundings,
    camera: CameraRules,
    sun: SunRules,
    *,
    low_sun_alone: bool = False,
) -> Skyline:
    """The skyline of places at the azimuths of the sun's track, degrees above level.

    With `low_sun_alone` only where the sun ever stands low, which is all that a score asks for.
    """
    track = around.track
    return skyline(
        around.ground,
        place,
        azimuth_deg=track.azimuth_deg,
        far=around.far,
        eye_height_m=camera.lens_height_m,
        max_distance_m=sun.horizon_reach_m,
        refraction_k=sun.refraction_k,
        convergence_deg=around.convergence_deg,
        asked=low_somewhere(track, low_sun_deg=sun.low_sun_deg) if low_sun_alone else None,
    )


def _parts(
    low_sun: LowSun, ahead: Ahead, met: Met, *, heading: HeadingRules, sun: SunRules
) -> dict[str, FloatArray]:
    """Membership of each part, by the curves of the protocol."""
    rise, tilt = np.tan(np.radians(ahead.rise_deg)), np.tan(np.radians(ahead.tilt_deg))
    slope = np.degrees(np.arctan(np.hypot(rise, tilt)))
    crossing = heading.slant_curve if heading.crossing == "slant" else heading.square_curve
    slant = membership(met.crossing_deg, crossing) * membership(met.met_m, heading.met_curve)
    neighbours = membership(ahead.neighbour_share, heading.neighbour_curve)
    return {
        "sun": membership(low_sun.minutes, sun.curve),
        "clear": membership(ahead.clear_m, heading.clear_curve),
        "slant": slant,
        "target": membership(met.target_turn_deg, heading.target_curve)
        * membership(met.target_m, heading.target_range_curve)[:, None],
        # The worse of the two: a house in view is no better for standing on one's own land.
        "private": np.minimum(neighbours, membership(ahead.people_m, heading.people_curve)),
        "level": membership(slope, heading.level_curve),
        "cover": ahead.cover,
    }


def _met(place: Places, targets: FloatArray, *, around: Surroundings, heading: HeadingRules) -> Met:
    near = nearest_line(
        *place,
        lines=around.lines,
        within_m=heading.line_reach_m,
        convergence_deg=around.convergence_deg,
    )
    turn, away = _target(
        targets - np.stack(place, axis=1), heading=heading, convergence_deg=around.convergence_deg
    )
    return Met(
        crossing_deg=crossing_angle_deg(near, HEADINGS_DEG),
        met_m=crossing_distance_m(near, HEADINGS_DEG, on_line_m=heading.on_line_m),
        target_turn_deg=turn,
        target_m=away,
        near=near,
    )


def _target(
    offset: FloatArray, *, heading: HeadingRules, convergence_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Turn from each heading to the feature, and its distance; NaN where none is to be faced.

    A feature as near as `on_line_m` can be had in any direction by a step to its other side.
    """
    away = np.hypot(offset[:, 0], offset[:, 1])
    away = np.where((away > heading.on_line_m) & (away <= heading.target_reach_m), away, np.nan)
    bearing = np.degrees(np.arctan2(offset[:, 0], offset[:, 1])) + convergence_deg
    turn = np.abs((HEADINGS_DEG[None, :] - bearing[:, None] + 180.0) % 360.0 - 180.0)
    return np.where(np.isnan(away)[:, None], np.nan, turn), away


def _ahead(
    place: Places, *, around: Surroundings, camera: CameraRules, heading: HeadingRules
) -> Ahead:
    """What the rays meet; a clear view is claimed only where cells are small enough to show it."""
    half_view = camera.field_of_view_deg / 2.0
    share = in_view(HEADINGS_DEG, HEADINGS_DEG, half_view_deg=half_view)
    # Whatever falls on the picture's edge, the shares of each heading add to 1.
    share = share.astype(np.float64) / share.sum(axis=0, dtype=np.float64)
    rays = look_ahead(
        around.ground,
        place,
        headings_deg=HEADINGS_DEG,
        eye_height_m=camera.lens_height_m,
        sight_m=heading.sight_m,
        convergence_deg=around.convergence_deg,
    )
    claimed = around.dem_cell_m <= heading.finest_claim_m
    outside = ~cells_under(around.inside, rays, outside=False)
    neighbours, people = people_in_view(
        rays,
        share,
        outside=outside,
        people=around.people,
        person_height_m=heading.person_height_m,
        screened=claimed,
    )
    # Over one or two wide cells a slope along the heading is no more than a guess.
    unknown = np.full(people.shape, np.nan)
    clear, rise, tilt = (
        _ground_ahead(rays, share, around, camera, heading) if claimed else (unknown,) * 3
    )
    value = [getattr(heading, f"role_{kind.name.lower()}", np.nan) for kind in CoverRole]
    cover, shares = cover_ahead(
        rays,
        share,
        role=around.role,
        value=np.array(value, float),
        zone_m=camera.zone_m,
        watched=(CoverRole.SHRUB, CoverRole.WATER),
    )
    return Ahead(
        clear_m=clear,
        neighbour_share=neighbours,
        people_m=people,
        rise_deg=np.degrees(np.arctan(rise)),
        tilt_deg=np.degrees(np.arctan(tilt)),
        cover=cover,
        brush_share=shares[CoverRole.SHRUB],
        water_share=shares[CoverRole.WATER],
        inside_m=nearest_in_view(outside, rays, share),
        limited=_limited(rays, share, around=around, heading=heading, screened=claimed),
    )


def _ground_ahead(
    rays: Profiles,
    share: FloatArray,
    around: Surroundings,
    camera: CameraRules,
    heading: HeadingRules,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Metres of clear view, rise along the heading and to its right, metres per metre."""
    clear = clear_m(
        rays,
        share,
        canopy_m=around.canopy_m,
        zone_m=camera.zone_m,
        target_height_m=camera.target_height_m,
        brush_m=(heading.brush_least_m, heading.brush_most_m),
    )
    half_view = camera.field_of_view_deg / 2.0
    return clear, *plane_ahead(rays, half_view_deg=half_view, zone_m=camera.zone_m)


def _limited(
    rays: Profiles,
    share: FloatArray,
    *,
    around: Surroundings,
    heading: HeadingRules,
    screened: bool,
) -> BoolArray:
    if around.closed is None:
        return np.zeros((len(rays.eye_m), share.shape[1]), dtype=bool)
    return limited(rays, share, closed=around.closed, rules=heading, screened=screened)


def combined(parts: Mapping[str, FloatArray], weights: Mapping[str, float]) -> FloatArray:
    """Weighted geometric mean of the parts that are known; 1 where none is.

    Parameters
    ----------
    parts : mapping from part to (n, 72) float, 0..1, NaN where the part is not claimed
    weights : mapping from part to its weight, without a unit

    Returns
    -------
    (n, 72) float, 0..1

    Examples
    --------
    >>> two = {"sun": np.array([0.25, 1.0]), "clear": np.array([1.0, np.nan])}
    >>> combined(two, {"sun": 1.0, "clear": 1.0})
    array([0.5, 1. ])
    """
    total = sum(
        (weights[name] * np.isfinite(part) for name, part in parts.items()), start=np.zeros(1)
    )
    logs = sum(
        (
            weights[name] * np.where(np.isfinite(part), np.log(np.maximum(part, _LEAST)), 0.0)
            for name, part in parts.items()
        ),
        start=np.zeros(1),
    )
    out: FloatArray = np.exp(logs / np.where(total > 0, total, 1.0))
    return out


def _sun(track: SunTrack, sky: Skyline, *, half_view_deg: float, low_sun_deg: float) -> LowSun:
    """Low sun above the skyline; an unknown skyline counts as level."""
    # Level is the harder case: more sun, never less, than hills nobody has measured.
    horizon = np.nan_to_num(sky.horizon_deg, nan=0.0)
    seen = low_sun_minutes(track, horizon, low_sun_deg=low_sun_deg)
    # For the card: what of the low sun the hills here keep out.
    flat = low_sun_minutes(track, np.zeros((1, horizon.shape[1])), low_sun_deg=low_sun_deg)
    share = in_view(track.azimuth_deg, HEADINGS_DEG, half_view_deg=half_view_deg)
    by_hour = seen @ share
    turn = np.radians(track.azimuth_deg[:, None] - HEADINGS_DEG[None, :])
    ahead = np.maximum(np.cos(turn), 0.0) ** 2
    return LowSun(
        minutes=by_hour.sum(axis=1),
        flat_minutes=(flat.sum(axis=1) @ share)[0],
        by_hour=by_hour,
        in_front=seen.sum(axis=1) @ ahead,
    )
