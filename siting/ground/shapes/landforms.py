"""Features that show in the ground: saddles, and the funnels of easy travel.

Each function smooths or measures over a distance in metres, not over a number of cells, so that
2 m and 30 m data give the same features where both can show them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from siting.grid import FloatArray, Grid
from siting.ground.neighbourhood import (
    PLAIN,
    IndexArray,
    counts_at,
    feature_at,
    peaks,
    shifted,
    sums_at,
)
from siting.ground.terrain import smoothed
from siting.kernels.remembered import remembered
from siting.lengths import compass_word
from siting.types import BoolArray, Feature

_RING_POINTS = 16
# A way is called level, and the ground beside it steep, by these slopes.
_LEVEL_DEG, _STEEP_DEG = 6.0, 15.0


@remembered()
def saddles(
    dem: FloatArray,
    *,
    grid: Grid,
    source_cell_m: float = 0.0,
    smoothing_m: float = 15.0,
    ring_m: float = 60.0,
    relief_m: float = 1.5,
    spacing_m: float = 100.0,
    weakest: float = PLAIN,
) -> list[Feature]:
    """Saddles: places with higher ground on two opposite sides and lower ground on the other two.

    Sixteen points on a ring around each cell of the smoothed ground are compared with its middle;
    going round, they must be above it, below, above and below again. The relief of the saddle is
    the smallest of the two rises and two drops on the ring. Elevations whose cells are wider than
    half the ring's radius show no saddle of that size: none is found in them.

    Parameters
    ----------
    dem : (rows, cols) float
        Elevation in metres, north up, NaN = no data.
    grid : Grid
    source_cell_m : float
        Cell size of the elevation file, metres; 0 = that of the grid.
    smoothing_m : float
        Standard deviation of the smoothing, metres.
    ring_m : float
        Radius of the ring, metres; at least two cells are taken.
    relief_m : float
        Relief of a plain saddle, metres: well above the error of the elevations after smoothing.
    spacing_m : float
        Of saddles nearer together only the one with most relief is kept, metres.
    weakest : float
        Least strength, 0..1.

    Returns
    -------
    list of Feature
        Kind "saddle", strongest first; strength 0.5 at ``relief_m``, 1 at four times that, 0 at a
        third of it.
    """
    if source_cell_m > ring_m / 2:
        return []
    # Cells much finer than the smoothing show nothing more: look at every n-th only, and at the
    # same ones wherever the window begins.
    nth = max(1, int(smoothing_m / (1.5 * grid.cell_size_m)))
    top, left = grid.middles(nth)
    ground = smoothed(
        dem, sigma_m=smoothing_m, cell_size_m=grid.cell_size_m, every=nth, first=(top, left)
    )
    radius = max(ring_m / (nth * grid.cell_size_m), 2.0)
    angles = np.arange(_RING_POINTS) * 2 * np.pi / _RING_POINTS
    steps = [(round(-radius * np.cos(a)), round(radius * np.sin(a))) for a in angles]
    rise = np.stack([shifted(ground, step) - ground for step in steps])
    # Beside a crest the ring alternates too, but there the ground as a whole is tilted.
    level = np.maximum(0.0, 1.0 - _tilt_over_twist(rise))
    relief = np.zeros(ground.shape)
    some = level > 0
    relief[some] = _saddle_relief(rise[:, some])
    clear = relief * level
    found = []
    spacing_cells = spacing_m / (nth * grid.cell_size_m)
    for row, col in peaks(clear, least=relief_m / 10, spacing_cells=spacing_cells):
        strength = float(np.interp(relief[row, col] / relief_m, (1 / 3, 1, 4), (0, PLAIN, 1)))
        if strength < weakest:
            continue
        first, second = _two_highest_sides(rise[:, row, col])
        words = f"saddle between rises to the {compass_word(first)} and {compass_word(second)}"
        at = row * nth + top, col * nth + left
        found.append(
            feature_at("saddle", *at, grid=grid, strength=strength, words=words, short="saddle")
        )
    return found


def _saddle_relief(rise: FloatArray) -> FloatArray:
    """(cells,) relief in metres, 0 where the ring does not alternate; from (points, cells).

    The best of all ways to part the ring in four runs, high, low, high, low, would be slow; the
    two highest points at least 90 degrees apart and the lowest point in each gap between them
    give the same answer on a ring of a smooth saddle.
    """
    points = rise.shape[0]
    best = np.zeros(rise.shape[1:])
    quarter = points // 4
    for first in range(points):
        for second in range(first + quarter, min(points, first + points - quarter + 1)):
            high = np.minimum(rise[first], rise[second])
            if not (high > best).any():
                continue
            between = rise[first + 1 : second].min(axis=0)
            beyond = np.concatenate([rise[second + 1 :], rise[:first]]).min(axis=0)
            relief = np.minimum(high, -np.maximum(between, beyond))
            best = np.where(relief > best, relief, best)
    return best


def _tilt_over_twist(rise: FloatArray) -> FloatArray:
    """First over second harmonic of the ring: 0 at a saddle, large on a plain slope."""
    angles = np.arange(rise.shape[0]) * 2 * np.pi / rise.shape[0]

    def harmonic(k: int) -> FloatArray:
        # Added up one by one: a product of matrices rounds otherwise on other processors.
        along, across = np.zeros(rise.shape[1:]), np.zeros(rise.shape[1:])
        for angle, height in zip(angles, rise, strict=True):
            along += np.cos(k * angle) * height
            across += np.sin(k * angle) * height
        return np.hypot(along, across)

    tilt, twist = harmonic(1), harmonic(2)
    with np.errstate(invalid="ignore", divide="ignore"):
        share: FloatArray = np.nan_to_num(tilt / twist, nan=np.inf)
    return share


def _two_highest_sides(rise: FloatArray) -> tuple[float, float]:
    """Bearings (degrees) of the highest ring point and of the highest one across from it."""
    points = rise.size
    first = int(np.argmax(rise))
    across = [(first + k) % points for k in range(points // 4, points - points // 4 + 1)]
    second = max(across, key=lambda k: rise[k])
    low, high = sorted((first, second))
    return 360.0 * low / points, 360.0 * high / points


@remembered()
def funnels(
    ratio: FloatArray,
    slope_deg: FloatArray,
    *,
    water: BoolArray,
    people: Mapping[str, BoolArray],
    grid: Grid,
    least_ratio: float = 1.4,
    reach_m: float = 60.0,
    spacing_m: float = 60.0,
) -> list[Feature]:
    """Narrow passages, where easy routes run together, named by what narrows them.

    Parameters
    ----------
    ratio : (rows, cols) float
        Current density against its surroundings (`siting.ground.travel.movement.concentration`).
    slope_deg : (rows, cols) float
        Slope in degrees, NaN = no data.
    water : (rows, cols) bool
        Open water.
    people : mapping from what it is called ("a road") to (rows, cols) bool
        What of people's stands there; only layers that were given are in it.
    grid : Grid
    spacing_m : float
        Of funnels nearer together only the strongest is kept, metres.
    least_ratio : float
        Smaller squeezes are not named.
    reach_m : float
        How far around to look for what squeezes, metres.

    Returns
    -------
    list of Feature
        Kind "funnel", strongest first; strength 0.5 at ``least_ratio``, 1 at twice that.
    """
    found = []
    reach_cells = max(reach_m / grid.cell_size_m, 2.0)
    places = peaks(ratio, least=least_ratio, spacing_cells=spacing_m / grid.cell_size_m)
    row, col = np.array(places, dtype=np.int64).reshape(-1, 2).T
    rim_slope = _mean_at(slope_deg, row, col, radius_cells=reach_cells)
    near_water = counts_at(water, row, col, radius_cells=reach_cells) > 0
    near_people = {
        name: counts_at(mask, row, col, radius_cells=reach_cells) > 0
        for name, mask in people.items()
    }
    for k, at in enumerate(places):
        squeezing = [name for name, near in near_people.items() if near[k]]
        beside = " and ".join(squeezing)
        if near_water[k] and beside:
            words, short = f"narrow passage between the water and {beside}", "passage by water"
        elif near_water[k]:
            words, short = "narrow passage along the water", "passage by water"
        elif beside:
            words, short = (
                f"narrow passage beside {beside}",
                f"passage by {squeezing[0].removeprefix('a ')}",
            )
        elif slope_deg[at] <= _LEVEL_DEG and rim_slope[k] >= _STEEP_DEG:
            words, short = "level passage through steep ground", "level passage"
        else:
            words, short = "narrow passage across the land", "narrow passage"
        strength = min(1.0, 0.5 * ratio[at] / least_ratio)
        found.append(
            feature_at("funnel", *at, grid=grid, strength=strength, words=words, short=short)
        )
    return found


def _mean_at(
    values: FloatArray, row: IndexArray, col: IndexArray, *, radius_cells: float
) -> FloatArray:
    """Mean of the known values in the disc around each cell; NaN where the cell's is not known."""
    known = np.isfinite(values)
    total = sums_at(np.where(known, values, 0.0), row, col, radius_cells=radius_cells)
    count = counts_at(known, row, col, radius_cells=radius_cells)
    return np.where(known[row, col], total / np.maximum(count, 1), np.nan)
