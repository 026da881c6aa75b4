"""What lies ahead of a camera: clear ground, people and neighbours, the lie of the land, growth.

Each measure is taken along rays from a place and averaged over the rays of a picture. `share`
is (n_rays, n_headings): the part each ray has in the picture of each heading, columns adding
to 1; rays and headings have the same bearings.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.ground.view import ElevationGrid, Places, Profiles, in_sight, profiles
from siting.types import BoolArray, CoverRole, RoleArray

Scalar = TypeVar("Scalar", bound=np.generic)

# What stands closer than this is cleared while the camera is strapped on.
_OWN_GROUND_M = 1.5


def look_ahead(
    ground: ElevationGrid,
    place: Places,
    *,
    headings_deg: FloatArray,
    eye_height_m: float,
    sight_m: float,
    convergence_deg: float,
) -> Profiles:
    """Elevations along rays at steps of half a cell (0.5 to 2 m) out to `sight_m`.

    Parameters
    ----------
    ground : Ground
    place : (easting, northing), two (n,) arrays, metres
    headings_deg : (n_headings,) bearings from true north
    eye_height_m, sight_m : float, metres
    convergence_deg : float, bearing of grid north from true north
    """
    step = float(np.clip(ground.grid.cell_size_m / 2.0, 0.5, 2.0))
    return profiles(
        ground,
        place,
        azimuth_deg=headings_deg,
        distance_m=np.arange(1, int(sight_m / step + 1e-9) + 1) * step,
        eye_height_m=eye_height_m,
        convergence_deg=convergence_deg,
    )


def clear_m(
    rays: Profiles,
    share: FloatArray,
    *,
    canopy_m: FloatArray | None,
    zone_m: float,
    target_height_m: float,
    brush_m: tuple[float, float],
) -> FloatArray:
    """How far an animal stays in sight, metres, mean over the picture; at most `zone_m`.

    Parameters
    ----------
    canopy_m : (rows, cols) float or None
        Height of vegetation above the ground, metres, NaN = not known (blocks nothing).
    target_height_m : float, height of the animal's body
    brush_m : (least, most)
        Vegetation between these heights blocks the view; taller is trees, below whose crowns
        the lens looks.

    Returns
    -------
    (n, n_headings) float
    """
    near = upto(rays, zone_m)
    brush = None
    if canopy_m is not None:
        height = cells_under(canopy_m, near, outside=np.nan)
        low = (height >= brush_m[0]) & (height <= brush_m[1])
        brush = np.where(low & (near.distance_m > _OWN_GROUND_M), height, 0.0)
    seen = in_sight(near, target_height_m=target_height_m, obstacle_m=brush)
    # Up to the first gap: an animal seen again behind a bump has passed unseen before it.
    first_gap = np.where(seen.all(axis=2), seen.shape[2], seen.argmin(axis=2))
    run = first_gap * near.distance_m[0]
    out: FloatArray = np.minimum(run, zone_m) @ share
    return out


def people_in_view(
    rays: Profiles,
    share: FloatArray,
    *,
    outside: BoolArray,
    people: BoolArray,
    person_height_m: float,
    screened: bool,
) -> tuple[FloatArray, FloatArray]:
    """Part of the view in sight outside the parcel, and distance to the nearest road or building.

    Parameters
    ----------
    outside : (n, n_azimuths, n_distances) bool, True where a sample lies off the parcel
    people : (rows, cols) bool, True on roads and buildings
    person_height_m : float, height of what must not be in sight
    screened : bool
        False where cells are too wide to show what hides what: all then counts as in sight.

    Returns
    -------
    (share of the view's area 0..1, metres or infinite), both (n, n_headings)
    """
    out, met = outside, cells_under(people, rays, outside=False)
    if screened:
        out, met = (seen_of(part, rays, target_height_m=person_height_m) for part in (out, met))
    area = rays.distance_m / rays.distance_m.sum()
    return (out @ area) @ share, nearest_in_view(met, rays, share)


def nearest_in_view(met: BoolArray, rays: Profiles, share: FloatArray) -> FloatArray:
    """Distance to the nearest sample of some kind in each picture, metres; infinite for none.

    Parameters
    ----------
    met : (n, n_azimuths, n_distances) bool, True at samples of that kind

    Returns
    -------
    (n, n_headings) float
    """
    first = np.where(met, rays.distance_m, np.inf).min(axis=2)
    # The rays of each picture behind one another, picture by picture.
    heading, ray = np.nonzero(share.T > 0)
    begins = np.searchsorted(heading, np.arange(share.shape[1]))
    nearest: FloatArray = np.minimum.reduceat(first[:, ray], begins, axis=1)
    return nearest


def seen_of(wanted: BoolArray, rays: Profiles, *, target_height_m: float) -> BoolArray:
    """Which of the samples asked about are in sight; only places that have any are looked at.

    Parameters
    ----------
    wanted : (n, n_azimuths, n_distances) bool
    rays : Profiles
    target_height_m : float, metres above the ground
    """
    some = np.flatnonzero(wanted.any(axis=(1, 2)))
    out = np.zeros_like(wanted)
    if len(some):
        part = rays._replace(elevation_m=rays.elevation_m[some], eye_m=rays.eye_m[some])
        out[some] = wanted[some] & in_sight(part, target_height_m=target_height_m)
    return out


def plane_ahead(
    rays: Profiles, *, half_view_deg: float, zone_m: float
) -> tuple[FloatArray, FloatArray]:
    """Rise per metre along the heading and to its right, by a plane fitted to the ground in view.

    Every place and heading has its samples at the same distances and turns, so the sums of the
    least squares are sums over rays with fixed weights and one small matrix serves all.

    Returns
    -------
    (rise, tilt) : (n, n_headings) float, metres per metre, up and right-side-up positive; NaN
        where an elevation in view is missing
    """
    near = upto(rays, zone_m)
    azimuth = rays.azimuth_deg
    turn = (azimuth[:, None] - azimuth[None, :] + 180.0) % 360.0 - 180.0
    used = (np.abs(turn) <= half_view_deg).astype(float)
    cos, sin = np.cos(np.radians(turn)) * used, np.sin(np.radians(turn)) * used
    height = near.elevation_m - near.eye_m[:, None, None]
    missing = np.asarray(np.isnan(height).any(axis=2))
    # NaN would spread through the sums to every heading; those with a gap become NaN at the end.
    height = np.where(missing[:, :, None], 0.0, height)
    sums, moments = height.sum(axis=2), height @ near.distance_m
    count, total, square = _powers(near.distance_m)
    along = cos[:, 0].sum()
    normal = np.array(
        [
            [count * used[:, 0].sum(), total * along],
            [total * along, square * (cos[:, 0] ** 2).sum()],
        ]
    )
    right = np.stack([sums @ used, moments @ cos], axis=-1)
    rise = np.linalg.solve(normal, right[..., None])[..., 1, 0]
    tilt = (moments @ sin) / (square * (sin[:, 0] ** 2).sum())
    unknown = (missing @ used) > 0
    return np.where(unknown, np.nan, rise), np.where(unknown, np.nan, tilt)


def cover_ahead(
    rays: Profiles,
    share: FloatArray,
    *,
    role: RoleArray,
    value: FloatArray,
    zone_m: float,
    watched: Sequence[CoverRole],
) -> tuple[FloatArray, dict[CoverRole, FloatArray]]:
    """Mean value of the cover in view, and the share of the roles watched.

    Parameters
    ----------
    role : (rows, cols) int8, `CoverRole`
    value : (n_roles,) float, score of each role in the order of `CoverRole`
    watched : roles whose share is wanted

    Returns
    -------
    score : (n, n_headings) float, NaN where all cover in view is unknown
    shares : mapping from role to (n, n_headings) float
    """
    near = upto(rays, zone_m)
    seen = cells_under(role, near, outside=CoverRole.UNKNOWN)
    shares = {kind: (seen == kind).mean(axis=2) @ share for kind in watched}
    known = (seen != CoverRole.UNKNOWN).mean(axis=2) @ share
    score = np.nan_to_num(value)[seen].mean(axis=2) @ share
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known > 1e-6, score / known, np.nan), shares


def _powers(distance_m: FloatArray) -> tuple[int, float, float]:
    return len(distance_m), float(distance_m.sum()), float((distance_m**2).sum())


def upto(rays: Profiles, distance_m: float) -> Profiles:
    """The same rays no farther than `distance_m` metres."""
    n = int(np.searchsorted(rays.distance_m, distance_m + 1e-9, side="right"))
    return rays._replace(
        elevation_m=rays.elevation_m[:, :, :n],
        distance_m=rays.distance_m[:n],
        cell=rays.cell[:, :, :n],
    )


def cells_under(layer: NDArray[Scalar], rays: Profiles, *, outside: float) -> NDArray[Scalar]:
    """Value of the cell under each sample; `outside` beyond the grid.

    Parameters
    ----------
    layer : (rows, cols) of any kind
    rays : Profiles
    outside : float, in the unit of the layer

    Returns
    -------
    (n, n_azimuths, n_distances) of the layer's kind
    """
    # -1 stands for beyond the grid; as an index it is the last cell, which is put right below.
    found = layer.ravel()[rays.cell]
    if rays.cell.size and rays.cell.min() < 0:
        found[rays.cell < 0] = np.array(outside, dtype=layer.dtype)
    return found
