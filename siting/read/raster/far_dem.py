"""Coarse elevations far around a parcel, read from the same file, for the skyline only."""

from __future__ import annotations

import math
from contextlib import nullcontext
from dataclasses import dataclass

import numpy as np
import scipy
from affine import Affine
from rasterio.io import DatasetReader
from rasterio.warp import Resampling, reproject
from rasterio.windows import Window

from siting.disk.states import state_at_path
from siting.grid import FloatArray, Grid
from siting.kernels.remembered import remembered
from siting.read.file_kinds import is_remote
from siting.read.input_files import RasterPath
from siting.read.raster import overviews, rasters
from siting.read.raster.coarse_cells import read_coarse
from siting.read.raster.rasters import RasterFacts
from siting.read.raster.units import elevation_factor
from siting.settings.given.rasters import DemInput
from siting.types import Note

CELL_M = 30.0
"""Cells of the far elevations; never finer than the working grid's."""

_LOOKED = "A-SKYLINE-01"
_LOWEST_M, _HIGHEST_M = -500.0, 9000.0

# A file without overviews must be read cell by cell: no more than this many for the skyline.
_MOST_CELLS = 16_000_000


@dataclass(frozen=True)
class FarDem:
    """Elevations around the working grid in coarse cells.

    Parameters
    ----------
    dem : (rows, cols) float32, metres, NaN = no data
    grid : Grid of these cells
    reach_m : float
        How far beyond the working grid they were looked for, metres.
    cell_m : float
        Cells of the file, metres.
    files : names of the files, the finest first
    notes : what was assumed
    """

    dem: FloatArray
    grid: Grid
    reach_m: float
    cell_m: float
    files: tuple[str, ...]
    notes: tuple[Note, ...]


def far_grid(grid: Grid, *, reach_m: float) -> Grid:
    """The grid of the far elevations: the working grid with `reach_m` metres more on every side."""
    left, bottom, right, top = grid.bounds
    return Grid.from_bounds(
        (left - reach_m, bottom - reach_m, right + reach_m, top + reach_m),
        crs=grid.crs,
        cell_size_m=max(CELL_M, grid.cell_size_m),
    )


@remembered(state=state_at_path)
def read_far(
    path: RasterPath,
    spec: DemInput,
    grid: Grid,
    *,
    reach_m: float,
    allow_remote: bool = False,
    key: str = "dem",
) -> FarDem | None:
    """Elevations around the working grid in coarse cells, as far as file and budget reach.

    The file is read decimated (from its overviews where it has them). A file without overviews is
    read over a smaller circle when the whole would be more than 16 million cells.

    Parameters
    ----------
    path : str
    spec : DemInput
    grid : Grid, the working grid
    reach_m : float, metres beyond the working grid; 0 reads nothing
    key : name of the file in the inputs

    Returns
    -------
    FarDem, or None when nothing was asked or found
    """
    if reach_m <= 0:
        return None
    with rasters.opened(path, key=key, spec=spec, allow_remote=allow_remote) as dataset:
        facts = rasters.describe(dataset, spec, key="dem")
        found = _read(path, dataset, facts, spec, grid, reach_m)
    if found is None:
        return None
    values, facts, window, step, (reach, wide), notes = found
    if not values.size:
        return None
    factor, _ = elevation_factor(
        band_unit=facts.unit, crs=facts.crs, asserted=spec.z_unit, file=facts.file
    )
    missing = np.isnan(values)
    if isinstance(spec.nodata, float):
        missing |= np.isclose(values, spec.nodata, rtol=1e-6)
    metres = (values.astype(np.float64) * facts.scale + facts.offset) * factor
    # Far away nobody checks for undeclared "no data": what no ground can be is none, nor are the
    # cells beside it, which may be averages of both.
    strange = ~missing & ~((metres > _LOWEST_M) & (metres < _HIGHEST_M))
    if strange.any():
        missing |= scipy.ndimage.binary_dilation(strange, np.ones((3, 3)))
    metres = np.where(missing, np.nan, metres).astype(np.float32)
    out = np.full(wide.shape, np.nan, np.float32)
    reproject(
        metres,
        out,
        src_transform=facts.transform
        @ Affine.translation(window.col_off, window.row_off)
        @ Affine.scale(step),
        src_crs=facts.crs,
        src_nodata=np.nan,
        dst_transform=wide.transform,
        dst_crs=wide.crs,
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
        num_threads=1,
    )
    notes = (*notes, *_notes(reach, reach_m, out, facts.file))
    return FarDem(out, wide, reach, facts.cell_m, (facts.file,), notes)


def together(near: FarDem | None, far: FarDem | None) -> FarDem | None:
    """Two readings as one: the second where the first has no elevations.

    The nearest cells matter most: the same difference in height is a smaller angle farther off.
    """
    if near is None or far is None or near.grid != far.grid:
        # Of two that reach differently far the one that reaches further serves alone.
        every = [one for one in (near, far) if one is not None]
        return max(every, key=lambda one: one.reach_m, default=None)
    known = np.isfinite(near.dem)
    if not (np.isfinite(far.dem) & ~known).any():
        return near
    # Of both it would be said how far the skyline was looked for: once is enough.
    notes = [n for n in (*near.notes, *far.notes) if n.code != _LOOKED]
    text = (
        f"The skyline was looked for up to {far.reach_m / 1000:.1f} km in {near.files[0]} and, "
        f"beyond it, in {far.files[0]} (cells of {far.cell_m:.0f} m), where they have elevations."
    )
    return FarDem(
        np.where(known, near.dem, far.dem),
        near.grid,
        far.reach_m,
        far.cell_m,
        (*near.files, *far.files),
        (*notes, Note(_LOOKED, "assumption", text)),
    )


_Found = tuple[FloatArray, RasterFacts, Window, int, tuple[float, Grid], tuple[Note, ...]]


def _read(
    path: RasterPath,
    dataset: DatasetReader,
    facts: RasterFacts,
    spec: DemInput,
    grid: Grid,
    reach_m: float,
) -> _Found | None:
    """Coarse cells of the file, from a reduced copy that belongs to it where there is one."""
    everywhere = rasters.source_window(facts, far_grid(grid, reach_m=reach_m), margin=1)
    if everywhere is None:
        return None
    alone = path if isinstance(path, str) and not is_remote(path) else ""
    copy, notes = overviews.find(alone, dataset, facts, most_cell_m=CELL_M, within=everywhere)
    with overviews.opened(alone, copy) if copy else nullcontext(dataset) as source:
        facts = overviews.facts_of(facts, source) if copy else facts
        reach, wide, window = _window(facts, grid, reach_m)
        if window is None:
            return None
        step = max(1, int(wide.cell_size_m / facts.cell_m + 1e-6))
        values, covered = read_coarse(
            source, facts, window, step=step, masked=spec.nodata != "none"
        )
    return values, facts, covered, step, (reach, wide), notes


def _window(facts: RasterFacts, grid: Grid, reach_m: float) -> tuple[float, Grid, Window | None]:
    """Reach, far grid and cells of the file: all that was asked, or what the budget allows."""
    wide = far_grid(grid, reach_m=reach_m)
    window = rasters.source_window(facts, wide, margin=1)
    if window is None or window.width * window.height <= _MOST_CELLS:
        return reach_m, wide, window
    left, bottom, right, top = grid.bounds
    side = math.sqrt(_MOST_CELLS) * facts.cell_m
    # A square of as many cells as allowed, with the working grid in its middle.
    reach = max((side - max(right - left, top - bottom)) / 2.0, 0.0)
    wide = far_grid(grid, reach_m=reach)
    return reach, wide, rasters.source_window(facts, wide, margin=1)


def _notes(reach_m: float, asked_m: float, dem: FloatArray, file: str) -> tuple[Note, ...]:
    if not np.isfinite(dem).any():
        return ()
    text = f"The skyline was looked for up to {reach_m / 1000:.1f} km in {file}"
    if reach_m < asked_m:
        text += f" ({asked_m / 1000:.1f} km would need a raster with overviews)"
    return (Note(_LOOKED, "assumption", f"{text}, where it has elevations."),)
