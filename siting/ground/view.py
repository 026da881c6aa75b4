"""What can be seen from a place: the skyline, the ground ahead, and who stands in sight of whom.

Elevations are sampled along straight rays with bilinear weights. Directions are bearings from
true north; `convergence_deg` turns them into directions on the grid. A ray ends where the
elevations end: what lies beyond is not known and is not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius of the Earth (IUGG mean radius R1 of the GRS 80 ellipsoid)."""

REFRACTION_K = 0.13
"""Part of the Earth's curve that the bending of light undoes, the surveyors' usual mean."""

Places = tuple[FloatArray, FloatArray]
"""Eastings and northings, metres in a grid's coordinate system."""

# Steps stay below 1/32 of the distance: a crest of 20 degrees is met within 0.35 degree. The first
# eight cells go by halves, for a bank close by fills most of the sky.
_DETAIL = 32
_CLOSE_CELLS = 8


@dataclass(frozen=True)
class ElevationGrid:
    """Elevations and where their cells lie.

    `dem` is (rows, cols) float32, metres above any datum, NaN = no data; `averages`: coarser ones.
    """

    dem: FloatArray
    grid: Grid
    averages: dict[int, ElevationGrid] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def highest(self) -> float:
        """The highest elevation, metres; infinite where one is not known, for it may be higher."""
        top = float(np.max(self.dem, initial=-np.inf))
        return top if np.isfinite(top) else np.inf


class Skyline(NamedTuple):
    """Angle of the skyline above level and how far each ray could see; (n, n_azimuths) float32.

    `horizon_deg` is in degrees, NaN where nothing was seen at all; `reach_m` is the distance in
    metres to the last known elevation.
    """

    horizon_deg: NDArray[np.float32]
    reach_m: NDArray[np.float32]


class Profiles(NamedTuple):
    """Elevations along rays from each place.

    elevation_m : (n, n_azimuths, n_distances), metres, NaN = no data
    eye_m : (n,) ground under the place plus the height of the eye
    distance_m : (n_distances,)
    azimuth_deg : (n_azimuths,) clockwise from true north
    cell : (n, n_azimuths, n_distances) int, the grid cell under each sample, counted row by row;
        -1 beyond the grid
    """

    elevation_m: FloatArray
    eye_m: FloatArray
    distance_m: FloatArray
    azimuth_deg: FloatArray
    cell: NDArray[np.int64]


def elevation_at(ground: ElevationGrid, place: Places) -> FloatArray:
    """Elevation between the cell centres by bilinear weights, metres.

    NaN where one of the four cells around a point has no data, and outside the outermost centres.
    `place` is (easting, northing), two arrays of one shape.
    """
    from siting.kernels import between_centres

    grid, (easting, northing) = ground.grid, np.broadcast_arrays(*place)
    row, col = _cells_of(grid, easting, northing)
    dem = np.ascontiguousarray(ground.dem, dtype=np.float32)
    out: FloatArray = between_centres(dem, row.ravel(), col.ravel()).reshape(row.shape)
    return out


def drop_m(distance_m: FloatArray | float, *, refraction_k: float = REFRACTION_K) -> FloatArray:
    """How far the ground sinks below a level sight line, metres: (1 - k) d^2 / 2R.

    Examples
    --------
    >>> float(drop_m(5000.0, refraction_k=0.0).round(3))
    1.962
    """
    return (1.0 - refraction_k) * np.asarray(distance_m) ** 2 / (2.0 * EARTH_RADIUS_M)


def skyline(
    near: ElevationGrid,
    place: Places,
    *,
    azimuth_deg: FloatArray,
    far: ElevationGrid | None = None,
    eye_height_m: float = 0.45,
    max_distance_m: float = 8000.0,
    refraction_k: float = REFRACTION_K,
    convergence_deg: float = 0.0,
    asked: NDArray[np.bool_] | None = None,
) -> Skyline:
    """Angle of the skyline in each azimuth from each place, and how far the ray could see.

    Rays step by half a cell for eight cells and by one up to 64; then cells (averaged in blocks)
    and steps double with each doubling of the distance, so a step is never more than 1/32 of the
    distance and a sharp crest of 20 degrees is met within 0.35 degree. Averages lower a narrow
    top: on rough made-up hills by up to 0.36 degree, depending on how the blocks fall over it.

    Parameters
    ----------
    near : Ground
        Elevations of the parcel and its surroundings.
    place : (easting, northing), two (n,) arrays, metres
    azimuth_deg : (n_azimuths,) bearings from true north
    far : Ground or None
        Coarser elevations that reach further, used where `near` has none.
    eye_height_m : float, metres above the ground
    max_distance_m : float, metres
    refraction_k : float, 0 for straight light, 0.13 usual
    convergence_deg : float, bearing of grid north from true north, clockwise positive
    asked : (n_azimuths,) bool, along which rays to look; None = along all. Nothing is seen along
        the others.

    References
    ----------
    Dozier J, Frei J (1990) IEEE Trans. Geosci. Remote Sens. 28:963-969 (the angle; the rays are
    our own).
    """
    from siting.kernels import raise_skyline

    eye = elevation_at(near, place) + eye_height_m
    lens, radian = np.stack([*place, eye], axis=1), np.radians(azimuth_deg - convergence_deg)
    tangent = np.full((len(eye), len(radian)), -np.inf, np.float32)
    reach = np.zeros(tangent.shape, np.float32)
    alive = np.isfinite(eye)[:, None] & (np.ones(len(radian), bool) if asked is None else asked)
    for grounds, distance in _levels(near, far, max_distance_m):
        at = [
            (np.asarray(g.dem, np.float32), g.grid.top, g.grid.left, g.grid.cell_size_m, g.highest)
            for g in grounds
        ]
        sunk = drop_m(distance, refraction_k=refraction_k)
        raise_skyline(at, lens, radian, distance, sunk, (tangent, reach, alive))
    horizon = np.where(np.isfinite(tangent), np.degrees(np.arctan(tangent)), np.nan)
    return Skyline(horizon.astype(np.float32), reach)


def profiles(
    ground: ElevationGrid,
    place: Places,
    *,
    azimuth_deg: FloatArray,
    distance_m: FloatArray,
    eye_height_m: float,
    convergence_deg: float = 0.0,
) -> Profiles:
    """Elevations along rays from each place, for the questions about the ground ahead.

    Parameters
    ----------
    ground : Ground
    place : (easting, northing), two (n,) arrays, metres
    azimuth_deg : (n_azimuths,) bearings from true north
    distance_m : (n_distances,) rising, metres
    eye_height_m : float, metres above the ground
    convergence_deg : float, bearing of grid north from true north
    """
    radian = np.radians(azimuth_deg - convergence_deg)
    x = place[0][:, None, None] + np.sin(radian)[:, None] * distance_m
    y = place[1][:, None, None] + np.cos(radian)[:, None] * distance_m
    row, col = ground.grid.rowcol(x, y)
    return Profiles(
        elevation_m=elevation_at(ground, (x, y)),
        eye_m=elevation_at(ground, place) + eye_height_m,
        distance_m=np.asarray(distance_m),
        azimuth_deg=np.asarray(azimuth_deg),
        cell=np.where(ground.grid.contains(row, col), row * ground.grid.n_cols + col, -1),
    )


def in_sight(
    seen: Profiles, *, target_height_m: float, obstacle_m: FloatArray | None = None
) -> NDArray[np.bool_]:
    """Whether a thing of some height can be seen at each sample of each ray.

    It is when nothing nearer on its ray stands higher than the line from the eye to the thing's
    top. Missing elevations end a ray: nothing beyond them is in sight.

    Parameters
    ----------
    seen : Profiles
    target_height_m : float, metres above the ground
    obstacle_m : (n, n_azimuths, n_distances) or None
        Height above the ground of what blocks the view (brush), metres.

    Returns
    -------
    (n, n_azimuths, n_distances) bool
    """
    over = seen.elevation_m - seen.eye_m[:, None, None]
    blocks = over if obstacle_m is None else over + obstacle_m
    before = np.full(over.shape, -np.inf, over.dtype)
    np.maximum.accumulate((blocks / seen.distance_m)[..., :-1], axis=2, out=before[..., 1:])
    known = _unbroken(np.isfinite(over))
    with np.errstate(invalid="ignore"):
        clear = (over + target_height_m) / seen.distance_m >= before
    return known & clear


def screened(
    place: FloatArray,
    other: FloatArray,
    *,
    ground: ElevationGrid,
    place_height_m: float = 1.5,
    other_height_m: float = 1.5,
    refraction_k: float = REFRACTION_K,
) -> NDArray[np.bool_]:
    """Whether the terrain hides each place from each other point.

    The sight line is compared with the ground at steps of at most one cell. Where elevations on
    the line are missing they hide nothing. Turning the question round gives the same answer.

    Parameters
    ----------
    place, other : (n, 2) or (1, 2) float, easting and northing, metres, taken pair by pair
    ground : Ground
    place_height_m, other_height_m : float, metres above the ground
    refraction_k : float

    Returns
    -------
    (n,) bool, True where no straight sight line reaches over the ground
    """
    from siting.kernels import hidden_lines

    place, other = np.broadcast_arrays(np.atleast_2d(place), np.atleast_2d(other))
    z0 = elevation_at(ground, (place[:, 0], place[:, 1])) + place_height_m
    z1 = elevation_at(ground, (other[:, 0], other[:, 1])) + other_height_m
    # One fixed end first: the rounding, and so the answer, is the same from both sides.
    turned = (place[:, 0] > other[:, 0]) | (
        (place[:, 0] == other[:, 0]) & (place[:, 1] > other[:, 1])
    )
    start, end = (np.where(turned[:, None], a, b) for a, b in ((other, place), (place, other)))
    z_start, z_end = np.where(turned, z1, z0), np.where(turned, z0, z1)
    length = np.hypot(*(end - start).T)
    cells = np.maximum(length / ground.grid.cell_size_m, 2.0)
    # The number of steps is a power of two of each pair's own, so that the answer does not hang
    # on rounding where a line is a hair longer than a whole number of cells.
    steps = 2 ** np.ceil(np.log2(cells)).astype(np.int64)
    dem = np.ascontiguousarray(ground.dem, dtype=np.float32)
    bulge_m = drop_m(length, refraction_k=refraction_k)
    first, last = (np.column_stack(_cells_of(ground.grid, *point.T)) for point in (start, end))
    return hidden_lines(dem, first, last, z_start, z_end, bulge_m, steps)


def _cells_of(
    grid: Grid, easting: FloatArray, northing: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rows and columns of places, counted from the centre of the first cell."""
    row = (grid.top - northing) / grid.cell_size_m - 0.5
    return row, (easting - grid.left) / grid.cell_size_m - 0.5


def coarser(ground: ElevationGrid, factor: int) -> ElevationGrid:
    """Elevations averaged over blocks of `factor` x `factor` cells; NaN only where all are NaN."""
    if factor == 1 or factor in ground.averages:
        return ground.averages.get(factor, ground)
    grid, padding = ground.grid.coarsened(factor), ground.grid.padding(factor)
    padded = np.pad(ground.dem.astype(np.float32), padding, constant_values=np.nan)
    blocks = padded.reshape(grid.n_rows, factor, grid.n_cols, factor)
    count = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3), dtype=np.float64)
    mean = np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)
    return ground.averages.setdefault(factor, ElevationGrid(mean.astype(np.float32), grid))


def _levels(
    near: ElevationGrid, far: ElevationGrid | None, max_distance_m: float
) -> list[tuple[list[ElevationGrid], FloatArray]]:
    """Elevations to ask and distances to step at, from near to far."""
    out = []
    factor, begin = 1, 0.0
    extent = _extent_m(near) if far is None else max(_extent_m(near), _extent_m(far))
    limit, levels = min(max_distance_m, extent), {1: near}
    while begin < limit:
        cell = near.grid.cell_size_m * factor
        end = min(2 * _DETAIL * cell, limit)
        distance = np.arange(begin + cell, end + cell / 2, cell)
        if factor == 1:
            between = np.arange(1.5, _CLOSE_CELLS) * cell
            distance = np.sort(np.concatenate([distance, between[between < end]]))
        grounds = [levels[factor]]
        if far is not None:
            ratio = max(1, round(cell / far.grid.cell_size_m))
            grounds.append(coarser(far, ratio))
        if len(distance):
            out.append((grounds, distance))
        begin = end
        factor *= 2
        levels[factor] = coarser(levels[factor // 2], 2)
    return out


def _unbroken(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Samples up to the first gap of each ray: what lies beyond might be hidden by the unknown."""
    return known if known.all() else np.logical_and.accumulate(known, axis=2)


def _extent_m(ground: ElevationGrid) -> float:
    left, bottom, right, top = ground.grid.bounds
    return float(np.hypot(right - left, top - bottom))
