"""How deep a worked-out valley lies in its ground: flatter than the elevations' error, none shows.

Water is led over any surface, also over one on which every rise is an error of the elevations. A
line found there is drawn and warns of floods, but it is no shape that animals would follow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry as Geometry
from shapely.ops import substring

from siting.grid import FloatArray, Grid
from siting.ground.known import LEAST_CELLS
from siting.kernels.remembered import remembered
from siting.types import Note

# How far to both sides the rims are looked for. Nearer than two cells of the file the elevations
# show no cross-section at all. Our choice.
_REACH_M, _REACH_CELLS = 60.0, 2.5
# The way of a line is taken over so many steps before and after, for it turns by 45 degrees.
_STEPS = 3
_JOINED_M = 0.5


@remembered()
def lines_that_show(
    lines: Sequence[Geometry], dem: FloatArray, *, grid: Grid, source_cell_m: float, error_m: float
) -> list[Geometry]:
    """The pieces of valley lines with a rim on both sides that is higher than the error.

    Parameters
    ----------
    lines : lines worked out from the elevations, metres in the grid's system
    dem : (rows, cols) float32, metres, NaN = no data
    source_cell_m : float, cell size of the elevation file, metres
    error_m : float, error of the elevations, metres; at 0 every line shows

    Returns
    -------
    list of lines; what is in one piece is at least four cells of the file long, and where a rim is
    not known, none shows
    """
    if error_m <= 0.0:
        return list(lines)
    spacing = max(grid.cell_size_m, source_cell_m / 2.0)
    reach = max(_REACH_M, _REACH_CELLS * source_cell_m)
    found: list[Geometry] = []
    for line in shapely.get_parts(list(lines)):
        deep = _depth_m(line, dem, grid, spacing=spacing, reach=reach) >= error_m
        found += _runs(line, deep)
    return _long_enough(found, LEAST_CELLS * source_cell_m)


def shallow_note(
    whole: Sequence[Geometry], shown: Sequence[Geometry], land: Geometry
) -> list[Note]:
    """A word where valley lines on the `land` do not count, by lines in metres."""
    inside_m = [sum(line.intersection(land).length for line in lines) for lines in (whole, shown)]
    if inside_m[0] - inside_m[1] < 1.0:
        return []
    text = (
        "Valley lines on ground flatter than the elevations are exact draw no animals in the "
        "index: nobody can say that there is a valley. They still warn of floods."
    )
    return [Note("A-VALLEY-01", "assumption", text)]


def _depth_m(
    line: LineString, dem: FloatArray, grid: Grid, *, spacing: float, reach: float
) -> NDArray[np.float64]:
    """How far the lower of the two rims rises above the line, at its steps; NaN = not known."""
    at = np.linspace(0.0, line.length, max(round(line.length / spacing), 1) + 1)
    here, ahead, behind = (
        shapely.get_coordinates(line.interpolate(np.clip(at + step, 0.0, line.length)))
        for step in (0.0, _STEPS * spacing, -_STEPS * spacing)
    )
    way = ahead - behind
    across = np.column_stack([-way[:, 1], way[:, 0]]) / np.hypot(*way.T).clip(1e-9)[:, None]
    aside = np.linspace(0.0, reach, max(round(reach / spacing), 2) + 1)
    rims = [_heights(dem, grid, here, side * across, aside) for side in (1.0, -1.0)]
    bottom = rims[0][:, 0]
    return np.asarray(np.minimum(*(rim.max(axis=1) for rim in rims)) - bottom)


def _heights(
    dem: FloatArray,
    grid: Grid,
    here: NDArray[np.float64],
    across: NDArray[np.float64],
    aside: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Heights on the way to one side: (points, steps), NaN where one is not known."""
    at = here[:, None, :] + aside[None, :, None] * across[:, None, :]
    row = (grid.top - at[..., 1]) / grid.cell_size_m - 0.5
    col = (at[..., 0] - grid.left) / grid.cell_size_m - 0.5
    found = scipy.ndimage.map_coordinates(dem, [row, col], order=1, cval=math.nan, prefilter=False)
    return np.asarray(found, dtype=np.float64)


def _runs(line: LineString, deep: NDArray[np.bool_]) -> list[Geometry]:
    """The pieces of a line along which it is deep, from step to step."""
    at = np.linspace(0.0, line.length, deep.size)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], deep, [False]]).astype(np.int8)))
    runs = [(at[a], at[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [substring(line, a, b) for a, b in runs if b > a]


def _long_enough(pieces: list[Geometry], least_m: float) -> list[Geometry]:
    """The pieces that are `least_m` long with all that they are joined to: forks cut a valley."""
    joined = shapely.get_parts(shapely.buffer(shapely.union_all(pieces), _JOINED_M))
    valleys = ([piece for piece in pieces if valley.contains(piece)] for valley in joined)
    long = (own for own in valleys if sum(piece.length for piece in own) >= least_m)
    return [piece for own in long for piece in own]
