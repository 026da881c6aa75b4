"""Which part of the land the map page shows."""

from __future__ import annotations

import numpy as np
import shapely

from siting.grid import Grid
from siting.report.shared.facts import spot_facts
from siting.types import Result

# Enough around the parcel to find the way to it: the next road or brook is seldom farther.
_MARGIN_M = 200.0


def ground_window(result: Result) -> Grid:
    """The part of the grid that the page shows: the parcel, the walks, and some land around."""
    grid = result.land.grid
    left, bottom, right, top = _extent(result)
    # In proportion for large land, so that its surroundings can be recognised on a phone.
    margin = max(_MARGIN_M, 0.15 * max(right - left, top - bottom))
    cell = grid.cell_size_m
    row = int((grid.top - top - margin) // cell)
    col = int((left - margin - grid.left) // cell)
    n_rows = int((top - bottom + 2 * margin) // cell) + 2
    n_cols = int((right - left + 2 * margin) // cell) + 2
    return grid.window(max(row, 0), max(col, 0), n_rows + min(row, 0), n_cols + min(col, 0))


def _extent(result: Result) -> tuple[float, float, float, float]:
    shapes = [result.land.parcel_shape]
    shapes += [facts.walk.line for facts in spot_facts(result) if facts.walk is not None]
    return tuple(shapely.total_bounds(shapes).tolist())


def cut(values: np.ndarray, grid: Grid, window: Grid) -> np.ndarray:
    """The part of a (rows, cols) array that a window of its grid covers."""
    row = round((grid.top - window.top) / grid.cell_size_m)
    col = round((window.left - grid.left) / grid.cell_size_m)
    return values[row : row + window.n_rows, col : col + window.n_cols]
