"""Which part of the land the map page shows."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import Grid
from siting.report.shared.facts import spot_facts
from siting.types import Land, Result
from siting.walk.route import find_start

# Enough around the parcel to find the way to it: the next road or brook is seldom farther.
_MARGIN_M = 200.0


def ground_window(result: Result) -> Grid:
    """The part of the grid that the page shows: the parcel, the walks, and some land around."""
    walks = [facts.walk.line for facts in spot_facts(result) if facts.walk is not None]
    return _around([result.land.parcel_shape, *walks], result.land.grid)


def likely_window(land: Land) -> Grid:
    """What `ground_window` will most often give when the walks are known: as if all were short."""
    middle = shapely.get_coordinates(shapely.point_on_surface(land.parcel_shape))[0].tolist()
    start = find_start(land, toward=(middle[0], middle[1]))
    known = [] if start is None else [shapely.Point(start.easting, start.northing)]
    return _around([land.parcel_shape, *known], land.grid)


def _around(shapes: list[Geometry], grid: Grid) -> Grid:
    """A window around shapes, with a margin in proportion to them."""
    left, bottom, right, top = shapely.total_bounds(shapes).tolist()
    # In proportion for large land, so that its surroundings can be recognised on a phone.
    margin = max(_MARGIN_M, 0.15 * max(right - left, top - bottom))
    cell = grid.cell_size_m
    row = int((grid.top - top - margin) // cell)
    col = int((left - margin - grid.left) // cell)
    n_rows = int((top - bottom + 2 * margin) // cell) + 2
    n_cols = int((right - left + 2 * margin) // cell) + 2
    return grid.window(max(row, 0), max(col, 0), n_rows + min(row, 0), n_cols + min(col, 0))


def cut(values: np.ndarray, grid: Grid, window: Grid) -> np.ndarray:
    """The part of a (rows, cols) array that a window of its grid covers."""
    row = round((grid.top - window.top) / grid.cell_size_m)
    col = round((window.left - grid.left) / grid.cell_size_m)
    return values[row : row + window.n_rows, col : col + window.n_cols]
