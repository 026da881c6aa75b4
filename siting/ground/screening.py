"""Roads and buildings that the terrain hides: they disturb as if they were farther away."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.ground.distance import nearest_value
from siting.ground.view import ElevationGrid, coarser, screened
from siting.kernels.remembered import remembered
from siting.types import BoolArray

# The pairs of place and point are what costs: near many houses fewer places are asked, rather than
# more sight lines drawn, for the ratio changes slowly from place to place.
_MOST_PLACES = (6_000, 2_000, 600)
_MOST_PAIRS = 150_000
# Hills hide roads, not furrows: the ground between is looked at in cells of this size.
_SIGHT_CELL_M = 8.0
_STEP_M = 25.0

IndexArray = NDArray[np.int64]


@remembered()
def felt_distance(
    distance_m: FloatArray,
    shapes: Sequence[Geometry],
    *,
    ground: ElevationGrid,
    inside: BoolArray,
    factor: float,
    height_m: float,
    animal_height_m: float,
    reach_m: float,
) -> FloatArray:
    """Distance to the shapes as an animal feels it: what the terrain hides counts as farther.

    For places on a coarse lattice inside the parcel, points every 25 m along the shapes count by
    their distance when a sight line joins them to an animal's head, and by `factor` times
    it when none does; the least of these over the distance to the nearest of the points, between 1
    and `factor`, is spread over the cells between the places. Where nothing is hidden the plain
    distance comes back.

    Parameters
    ----------
    distance_m : (rows, cols) float32
        Plain distance to the shapes, metres; inf = there are none.
    shapes : roads or buildings in the grid's coordinate system
    ground : Ground
    inside : (rows, cols) bool
        Cells that matter; elsewhere the plain distance comes back.
    factor : float, >= 1
    height_m : float
        Height of what is seen: a vehicle, the eaves of a house; metres.
    animal_height_m : float
        Height of the animal's head above the ground, metres.
    reach_m : float
        Farther away nothing matters; metres.

    Returns
    -------
    (rows, cols) float32, metres, never below `distance_m` nor above `factor` times it
    """
    matters = inside & (distance_m < reach_m)
    if factor <= 1.0 or not matters.any():
        return distance_m
    points = _points(shapes, ground.grid, reach_m=reach_m * factor)
    row, col, pairs = _pairs(matters, distance_m, points, grid=ground.grid, factor=factor)
    place = np.column_stack(ground.grid.xy(row, col))
    sight = coarser(ground, max(1, int(_SIGHT_CELL_M / ground.grid.cell_size_m)))
    hidden = screened(
        place[pairs[0]],
        points[pairs[1]],
        ground=sight,
        place_height_m=animal_height_m,
        other_height_m=height_m,
    )
    away = np.hypot(*(place[pairs[0]] - points[pairs[1]]).T)
    # Both from the points, so that their ratio is 1 where nothing is hidden.
    plain, felt = (np.full(len(place), np.inf) for _ in range(2))
    np.minimum.at(plain, pairs[0], away)
    np.minimum.at(felt, pairs[0], away * np.where(hidden, factor, 1.0))
    # Against the nearest of the same points, not against the shape, which runs between them.
    ratio = np.where(np.isfinite(plain), felt / np.maximum(plain, 1.0), 1.0)
    # Rounding must not bring a hidden road nearer than it is, nor farther than the protocol allows.
    ratio = np.clip(ratio, 1.0, factor)
    spread = _spread(row, col, ratio, shape=distance_m.shape)
    out = distance_m.astype(np.float32)
    out[matters] = distance_m[matters] * spread[matters]
    return out


def _pairs(
    matters: BoolArray,
    distance_m: FloatArray,
    points: NDArray[np.float64],
    *,
    grid: Grid,
    factor: float,
) -> tuple[IndexArray, IndexArray, IndexArray]:
    """Rows and columns of the places, and (2, n) pairs of place and point to be looked at.

    Near many houses fewer places are taken, so that the number of sight lines stays small.
    """
    tree = shapely.STRtree(list(shapely.get_parts(shapely.multipoints(points))))
    for most in _MOST_PLACES:
        row, col = _lattice(matters, most=most, grid=grid)
        # A point farther than factor x the nearest distance cannot be the one felt most.
        reach = distance_m[row, col] * factor + _STEP_M
        places = shapely.points(*grid.xy(row, col))
        pairs = tree.query(places, predicate="dwithin", distance=reach)
        if pairs.shape[1] <= _MOST_PAIRS:
            break
    return row, col, pairs


def _lattice(matters: BoolArray, *, most: int, grid: Grid) -> tuple[IndexArray, IndexArray]:
    """Every n-th cell both ways of those that matter, so that there are not too many."""
    nth = max(1, int(np.ceil(np.sqrt(matters.sum() / most))))
    while True:
        top, left = grid.middles(nth)
        row, col = np.nonzero(matters[top::nth, left::nth])
        if row.size or nth == 1:
            return row * nth + top, col * nth + left
        # A narrow strip may fall between all lattice lines: halve until some of it is met.
        nth //= 2


def _points(shapes: Sequence[Geometry], grid: Grid, *, reach_m: float) -> NDArray[np.float64]:
    """Points along lines and outlines near the grid, at most 25 m apart; (n, 2)."""
    window = shapely.buffer(shapely.box(*grid.bounds), reach_m)
    near = [s for s in shapes if not s.is_empty and shapely.intersects(s, window)]
    return np.asarray(shapely.get_coordinates(shapely.segmentize(near, _STEP_M)))


def _spread(
    row: IndexArray, col: IndexArray, ratio: FloatArray, *, shape: tuple[int, int]
) -> FloatArray:
    """Values at lattice places given to all cells: each takes that of the nearest place."""
    places = np.zeros(shape, dtype=bool)
    places[row, col] = True
    values = np.zeros(shape)
    values[row, col] = ratio
    return nearest_value(values, places)
