"""Reduced copies of a raster: used only where they hold what the raster holds.

A copy may lie in the raster's own file or beside it (.ovr), made long ago from other heights, or
be no raster at all but a text that points elsewhere. So a raster is opened without its copies, and
one is used only when it is a plain TIFF whose cells agree with the raster's.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from affine import Affine
from rasterio.io import DatasetReader
from rasterio.windows import Window

from siting.read.raster import rasters
from siting.read.raster.rasters import DRIVERS, RasterFacts
from siting.types import Note

# Twenty-five places of 64 cells are soon read, and a copy of other heights fails at nearly all.
_SAMPLES, _CELLS = 5, 8  # places a side that are compared, and cells of the copy at each
_BEYOND = 0.05  # of the range of heights: how far a smooth resampling may overshoot
_LEAST_AGREEING = 0.98


@dataclass(frozen=True)
class Reduced:
    """A reduced copy that belongs to its raster: cells of the raster to one of its own, a side."""

    level: int
    factor: int


def find(
    path: str, dataset: DatasetReader, facts: RasterFacts, *, most_cell_m: float, within: Window
) -> tuple[Reduced | None, tuple[Note, ...]]:
    """The coarsest usable copy with cells of at most `most_cell_m`, compared within a window.

    Returns
    -------
    (copy, notes) : None where there is none; W-OVERVIEW-01 where there is one that does not belong
    """
    if not path:  # tiles, or a file on the network
        return None, ()
    if not rasters.is_plain_overview(path, dataset):
        return None, (_note(facts, "point to another file or are no TIFF"),)
    # The raster is open without its copies; opened once more with them it tells their factors.
    with DatasetReader(path, driver=list(DRIVERS)) as whole:
        factors = whole.overviews(facts.band)
    usable = [i for i, f in enumerate(factors) if f * facts.cell_m <= most_cell_m]
    if not usable:
        return None, ()
    copy = Reduced(usable[-1], factors[usable[-1]])
    with opened(path, copy) as reduced:
        if not _agree(dataset, reduced, facts, copy.factor, within):
            return None, (_note(facts, "hold other heights"),)
    return copy, ()


def _note(facts: RasterFacts, why: str) -> Note:
    text = (
        f"The reduced copies (overviews) of {facts.file} {why}: they are not used. Delete the .ovr "
        "file, or make them again."
    )
    return Note("W-OVERVIEW-01", "warning", text)


@contextmanager
def opened(path: str, copy: Reduced) -> Iterator[DatasetReader]:
    """A reduced copy as a raster of its own."""
    with DatasetReader(path, driver=list(DRIVERS), OVERVIEW_LEVEL=str(copy.level)) as dataset:
        yield dataset


def facts_of(facts: RasterFacts, reduced: DatasetReader) -> RasterFacts:
    """The facts of a raster as its copy has them."""
    down, across = (n / m for n, m in zip(facts.shape, reduced.shape, strict=True))
    return replace(
        facts,
        shape=reduced.shape,
        transform=facts.transform @ Affine.scale(across, down),
        cell_m=facts.cell_m * (down * across) ** 0.5,
    )


def _agree(
    base: DatasetReader, reduced: DatasetReader, facts: RasterFacts, factor: int, within: Window
) -> bool:
    """Whether the copy's cells lie between the lowest and highest cell that each stands for."""
    good = known = 0
    for row in _starts(within.row_off, within.height, factor, reduced.shape[0]):
        for col in _starts(within.col_off, within.width, factor, reduced.shape[1]):
            rows = min(_CELLS, reduced.shape[0] - row)
            cols = min(_CELLS, reduced.shape[1] - col)
            small = reduced.read(facts.band, window=Window(col, row, cols, rows), masked=True)
            low, high = _ranges(base, facts, factor, row, col, rows, cols)
            beyond = _BEYOND * (high - low) + 1e-6 * np.abs(high)
            value = np.ma.filled(small.astype(np.float64), np.nan)
            judged = np.isfinite(value) & np.isfinite(low)
            with np.errstate(invalid="ignore"):
                good += int((judged & (value >= low - beyond) & (value <= high + beyond)).sum())
            known += int(judged.sum())
    return known == 0 or good >= _LEAST_AGREEING * known


def _starts(first: float, length: float, factor: int, cells: int) -> list[int]:
    """First rows or columns of the places compared, in cells of the copy."""
    low, high = int(first) // factor, min(int(first + length) // factor, cells) - _CELLS
    return sorted({int(v) for v in np.linspace(low, max(high, low), _SAMPLES) if 0 <= v < cells})


def _ranges(
    base: DatasetReader, facts: RasterFacts, factor: int, row: int, col: int, rows: int, cols: int
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest cell of the raster under each cell of the copy, and one around."""
    out = np.full((2, rows, cols), np.nan)
    window = Window(col * factor, row * factor, cols * factor, rows * factor)
    raw = base.read(facts.band, window=window, masked=True)
    values = np.ma.filled(raw.astype(np.float64), np.nan)
    for r in range(rows):
        for c in range(cols):
            part = values[
                max((r - 1) * factor, 0) : (r + 2) * factor,
                max((c - 1) * factor, 0) : (c + 2) * factor,
            ]
            part = part[np.isfinite(part)]
            if part.size:
                out[:, r, c] = part.min(), part.max()
    return out[0], out[1]
