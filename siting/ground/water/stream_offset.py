"""How far mapped streams lie from the valleys that the elevations show.

Lines of an old map, or elevations of coarse cells, may put a brook on the hillside beside its
valley. A height above such a line is no height above the water.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.kernels.remembered import remembered
from siting.lengths import length
from siting.types import Note

# Old maps are off by tens of metres; in coarse cells the valley itself is that uncertain.
_REACH_M, _LEAST_REACH_CELLS = 60.0, 4.0
# With fewer places one bend would decide; more than the most say nothing new.
_LEAST_POINTS = 10
_MOST_POINTS = 5_000
# The floor of a valley: what lies within this of the lowest point across it, metres.
_FLOOR_M = 0.3


@dataclass(frozen=True)
class StreamOffset:
    """Distances from mapped streams to the valley beside them.

    Parameters
    ----------
    median_m : half the length of the streams lies farther off, metres
    reach_m : how far it was looked for; a stream with no valley within it counts as this far
    points : places that were measured
    """

    median_m: float
    reach_m: float
    points: int


@remembered()
def stream_offset(
    shapes: Sequence[Geometry], dem: FloatArray, *, grid: Grid
) -> StreamOffset | None:
    """The offset of the lines among some shapes, by profiles across them.

    At every second cell along a line the ground is followed to both sides; where its floor begins
    is how far the line is off there.

    Parameters
    ----------
    shapes : mapped water; only lines are measured
    dem : (rows, cols) float32, metres, NaN = no data

    Returns
    -------
    StreamOffset, or None where there are fewer than ten places to measure
    """
    lines = [part for part in shapely.get_parts(list(shapes)) if part.geom_type == "LineString"]
    reach_m = max(_REACH_M, _LEAST_REACH_CELLS * grid.cell_size_m)
    points, across = _places(lines, grid)
    if not len(points):
        return None
    along = np.arange(-reach_m, reach_m + 1e-6, grid.cell_size_m / 2)
    at = points[:, None, :] + along[None, :, None] * across[:, None, :]
    row = (grid.top - at[..., 1]) / grid.cell_size_m - 0.5
    col = (at[..., 0] - grid.left) / grid.cell_size_m - 0.5
    heights = scipy.ndimage.map_coordinates(
        dem, [row, col], order=1, cval=math.nan, prefilter=False
    )
    whole = np.isfinite(heights).all(axis=1)
    if whole.sum() < _LEAST_POINTS:
        return None
    off = _off(heights[whole], np.abs(along))
    return StreamOffset(float(np.median(off)), reach_m, int(whole.sum()))


def _off(heights: NDArray[np.float64], away_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from each profile's middle to the nearest point of its floor, metres.

    A profile that only falls to one side has its floor at its end: no valley within reach.
    """
    floor = heights <= heights.min(axis=1, keepdims=True) + _FLOOR_M
    return np.asarray(np.where(floor, away_m[None, :], np.inf).min(axis=1))


def _places(
    lines: Sequence[Geometry], grid: Grid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points along lines inside the grid, and the unit vector across the line at each."""
    spacing = 2.0 * grid.cell_size_m
    length = sum(line.length for line in lines)
    spacing = max(spacing, length / _MOST_POINTS)
    window = shapely.box(*grid.bounds)
    points, across = [], []
    for line in shapely.get_parts(shapely.intersection(list(lines), window)) if lines else ():
        if line.geom_type != "LineString" or line.length < spacing:
            continue
        at = np.arange(spacing / 2, line.length, spacing)
        here = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
        # The way of the line over three steps, so that one crooked vertex does not turn the
        # profile.
        step = 1.5 * spacing
        ahead = shapely.line_interpolate_point(line, np.minimum(at + step, line.length))
        behind = shapely.line_interpolate_point(line, np.maximum(at - step, 0.0))
        way = shapely.get_coordinates(ahead) - shapely.get_coordinates(behind)
        size = np.hypot(way[:, 0], way[:, 1])
        known = size > 0
        points.append(here[known])
        across.append(np.column_stack([-way[known, 1], way[known, 0]]) / size[known, None])
    if not points:
        return np.empty((0, 2)), np.empty((0, 2))
    return np.concatenate(points), np.concatenate(across)


def offset_note(found: StreamOffset, *, limit_m: float) -> Note:
    """The warning W-OFFSET-01 for streams that lie off the valleys by more than the data should.

    `limit_m` is the offset in metres that the data's own error explains.
    """
    far = f"about {length(found.median_m)}"
    if found.median_m >= found.reach_m - 1e-6:
        far = f"{length(found.reach_m)} or more"
    text = (
        f"The mapped streams lie {far} from the valleys that the elevations show, where "
        f"up to {length(limit_m)} would be usual: one of the two is off. No height above the water "
        "is given, and floods cannot be judged."
    )
    return Note("W-OFFSET-01", "warning", text)
