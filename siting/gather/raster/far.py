"""Elevations for the far skyline from the reduced copies (overviews) inside files of a catalogue.

From its margin on a parcel sees ground only as a skyline. A cell as wide as 1/32 of its distance is
as fine as the rays that look for it (`siting.ground.view.skyline`), and a sixteenth of the bytes.
A reduced copy is taken only where its cells lie between the lowest and the highest of the cells
that each stands for, on the ground of which both are read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.gather.raster.tiles import Mosaic, join, mosaics
from siting.gather.raster.windows import Tile, opened, reduced_facts, unchanged
from siting.grid import Grid
from siting.types import BoolArray, Note
from siting.words.office import gather as words

FILE = "dem_far.tif"
_OF_DISTANCE = 1 / 32
# As for files on disk (siting/read/raster/overviews.py): how far a smooth copy may overshoot, of
# the range of heights, and how many cells must agree.
_BEYOND, _LEAST_AGREEING = 0.05, 0.98


@dataclass(frozen=True)
class FarMade:
    """Elevations far off: (rows, cols) as stored, where they are known, their mosaic, a note."""

    values: NDArray[Any]
    known: BoolArray
    mosaic: Mosaic
    note: Note


def plan(tiles: Sequence[Tile], land: Grid, wide: Grid, *, from_m: float) -> Mosaic | None:
    """The reduced copies over all that is wanted, the coarsest that are fine enough.

    Parameters
    ----------
    tiles : of one mosaic, of the network
    land, wide : Grid over the land, and over all that is wanted
    from_m : float
        How far from the land they begin to be used, metres.

    Returns
    -------
    Mosaic of the copies; None where the files have none that fits
    """
    if any(tile.remote is None for tile in tiles):
        return None
    reduced = [_reduced(tile, most_cell_m=from_m * _OF_DISTANCE) for tile in tiles]
    sound = [tile for tile in reduced if tile is not None]
    # All of one factor, so that they share a lattice: else the cells themselves are read.
    if len(sound) != len(tiles) or len({tile.factor for tile in sound}) != 1:
        return None
    return next(iter(mosaics(sound, land, wide)), None)


def _reduced(tile: Tile, *, most_cell_m: float) -> Tile | None:
    """A tile as its coarsest copy with cells that fit into its sides; None without one."""

    def look() -> list[int]:
        with opened(tile.path, tile.remote, key="dem") as dataset:
            return list(dataset.overviews(tile.facts.band))

    factors = unchanged(tile.remote, look)
    rows, cols = tile.facts.shape
    fitting = [
        (factor, level)
        for level, factor in enumerate(factors)
        # A side that is no multiple has a last cell of another size: the copy's lattice is off.
        if factor * tile.facts.cell_m <= most_cell_m and not rows % factor and not cols % factor
    ]
    if not fitting:
        return None
    factor, level = max(fitting)
    return replace(tile, facts=reduced_facts(tile.facts, factor), level=level, factor=factor)


def make(
    far: Mosaic, near: Mosaic, values: NDArray[Any], known: BoolArray, *, from_m: float
) -> FarMade | Note:
    """Read the copies and hold them against the cells that were read whole.

    Parameters
    ----------
    far : of `plan`
    near, values, known : the mosaic that was read whole, its cells and where they are known

    Returns
    -------
    FarMade, or W-OVERVIEW-01 where the copies hold other heights
    """
    coarse, there, _ = join(far, key="dem")
    lowest, highest, cell = _under(far, near, np.where(known, values, np.nan), coarse, there)
    judged = np.isfinite(cell) & np.isfinite(lowest)
    low, high = (
        _around(lowest, np.fmin, scipy.ndimage.minimum_filter, np.inf),
        _around(highest, np.fmax, scipy.ndimage.maximum_filter, -np.inf),
    )
    beyond = _BEYOND * (high - low) + 1e-6 * np.abs(high)
    with np.errstate(invalid="ignore"):
        good = judged & (cell >= low - beyond) & (cell <= high + beyond)
    # Without ground that both show nothing says that the copies are of these heights.
    if not judged.any() or good.sum() < _LEAST_AGREEING * judged.sum():
        return words.copies_differ(near.first.file, from_m)
    scale = near.first.scale
    off_m = float(np.quantile((highest - cell)[judged], 0.95)) * abs(scale)
    angle = math.degrees(math.atan2(off_m, from_m))
    return FarMade(coarse, there, far, words.coarser_far(far.cell_m, from_m, off_m, angle))


def _around(values: NDArray[Any], take: Any, filtered: Any, empty: float) -> NDArray[Any]:
    """The lowest or highest of each cell and the eight around it; what is not known is passed."""
    filled = np.where(np.isfinite(values), values, empty)
    out = take(filtered(filled, 3, mode="nearest"), values)
    return np.where(np.isfinite(out), out, np.nan)


def _under(
    far: Mosaic, near: Mosaic, fine: NDArray[Any], coarse: NDArray[Any], there: BoolArray
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """(lowest, highest of the cells under each whole coarse cell, that cell), same shapes."""
    factor = round(far.transform.a / near.transform.a)
    # Where the fine corner lies, in coarse cells: the first whole coarse cell begins at or after.
    col, row = ~far.transform @ (near.transform @ (0, 0))
    first_row, first_col = math.ceil(round(row, 6)), math.ceil(round(col, 6))
    down, across = round((first_row - row) * factor), round((first_col - col) * factor)
    first_row, down = max(first_row, 0), down - min(first_row, 0) * factor
    first_col, across = max(first_col, 0), across - min(first_col, 0) * factor
    rows = min((fine.shape[0] - down) // factor, coarse.shape[0] - first_row)
    cols = min((fine.shape[1] - across) // factor, coarse.shape[1] - first_col)
    if rows < 1 or cols < 1:
        none = np.full((0, 0), np.nan)
        return none, none, none
    part = fine[down : down + rows * factor, across : across + cols * factor].astype(np.float64)
    blocks = part.reshape(rows, factor, cols, factor)
    cells = np.where(there, coarse, np.nan).astype(np.float64)
    chosen = cells[first_row : first_row + rows, first_col : first_col + cols]
    # A block with a hole is not whole: nothing is said of it.
    return blocks.min(axis=(1, 3)), blocks.max(axis=(1, 3)), chosen
