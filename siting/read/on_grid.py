"""Cells of a raster laid on the grid: as they are where the lattices agree, else resampled."""

from __future__ import annotations

from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.warp import Resampling, reproject
from rasterio.windows import Window

from siting.grid import Grid, transformer
from siting.read.crs.projection import metres_per_unit
from siting.read.raster.rasters import RasterFacts


def lay_on_grid(
    values: NDArray[Any], facts: RasterFacts, window: Window, grid: Grid, *, method: Resampling,
    missing: float,
) -> tuple[NDArray[Any], str]:  # fmt: skip
    """The cells of a window on the grid, and in words how they came there.

    Parameters
    ----------
    values : (rows, cols) of any kind, in the unit of the file; missing cells hold `missing`
    facts : RasterFacts of the file
    window : Window of the file that the values are of
    grid : Grid
    method : how to resample where the lattices do not agree
    missing : float, what a cell without a value holds, in the unit of the values

    Returns
    -------
    (cells, how) : (rows, cols) of the grid, of the same kind
    """
    origin = facts.transform @ (window.col_off, window.row_off)
    offset = _lattice_offset(facts, grid, origin)
    # The DEM's own cells, unchanged: resampling would smooth banks and move them by half a cell.
    if offset is not None:
        return _pasted(values, offset, grid, missing), "cells used as they are"
    out = np.full(grid.shape, missing, dtype=values.dtype)
    across, down = _scales(facts, grid)
    reproject(
        values,
        out,
        src_transform=_within_180(
            facts.transform @ Affine.translation(window.col_off, window.row_off), window, facts.crs
        ),
        src_crs=facts.crs,
        src_nodata=missing,
        dst_transform=grid.transform,
        dst_crs=grid.crs,
        dst_nodata=missing,
        resampling=method,
        num_threads=1,
        # Without them the library guesses them from how much of the grid the file covers, and the
        # same file, cut in two, gives other heights.
        XSCALE=across,
        YSCALE=down,
    )
    return out, f"resampled by {method.name}"


def _scales(facts: RasterFacts, grid: Grid) -> tuple[float, float]:
    """Cells of the grid to one of the file, across and down, at the middle of the grid."""
    left, bottom, right, top = grid.bounds
    change = transformer(grid.crs, facts.crs)
    # At the middle: over one parcel the scales of two maps hardly change.
    x, y = change.transform((left + right) / 2, (bottom + top) / 2)
    t = facts.transform
    east, north = transformer(facts.crs, grid.crs).transform(
        [x, x + t.a, x + t.b], [y, y + t.d, y + t.e]
    )
    across = float(np.hypot(east[1] - east[0], north[1] - north[0])) / grid.cell_size_m
    down = float(np.hypot(east[2] - east[0], north[2] - north[0])) / grid.cell_size_m
    known = np.isfinite([across, down]).all() and min(across, down) > 0
    return (across, down) if known else (1.0, 1.0)


def _within_180(transform: Affine, window: Window, crs: str) -> Affine:
    """The place of a window, with longitudes counted from -180 to 180 where it is in degrees."""
    if metres_per_unit(crs) is not None:
        return transform
    middle, _ = transform @ (window.width / 2, window.height / 2)
    # Some files count longitudes from 0 to 360; the library takes them for places off the map.
    turns = -360.0 * round(middle / 360.0)
    return Affine.translation(turns, 0.0) @ transform


def _lattice_offset(
    facts: RasterFacts, grid: Grid, origin: tuple[float, float]
) -> tuple[int, int] | None:
    """(row, col) of the window's corner on the grid when their cells coincide, else None."""
    t, size = facts.transform, grid.cell_size_m
    same = facts.crs == grid.crs and facts.north_up
    if not (same and abs(t.a / size - 1) < 1e-9 and abs(-t.e / size - 1) < 1e-9):
        return None
    col, row = (origin[0] - grid.left) / size, (grid.top - origin[1]) / size
    if abs(col - round(col)) > 1e-3 or abs(row - round(row)) > 1e-3:
        return None
    return round(row), round(col)


def _pasted(
    values: NDArray[Any], offset: tuple[int, int], grid: Grid, missing: float
) -> NDArray[Any]:
    out = np.full(grid.shape, missing, dtype=values.dtype)
    row, col = offset
    rows, cols = values.shape
    r0, r1 = max(row, 0), min(row + rows, grid.n_rows)
    c0, c1 = max(col, 0), min(col + cols, grid.n_cols)
    if r1 > r0 and c1 > c0:
        out[r0:r1, c0:c1] = values[r0 - row : r1 - row, c0 - col : c1 - col]
    return out
