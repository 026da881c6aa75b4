"""A raster read in coarse cells, by pieces that the parcels of a batch share.

The coarse cells are counted from the raster's own corner, not from the parcel's, so that a parcel
gets the same values alone and in a batch, whatever was read before.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.io import DatasetReader
from rasterio.windows import Window

from siting.disk.files import State, file_state
from siting.grid import FloatArray
from siting.read.raster.rasters import RasterFacts
from siting.read.vector.layer_cache import Kept

_PIECE_CELLS = 512  # of the raster, a side
_MOST_BYTES = 64_000_000
_PIECES = Kept(most=_MOST_BYTES, size=lambda piece: int(piece.nbytes))


def read_coarse(
    dataset: DatasetReader, facts: RasterFacts, window: Window, *, step: int, masked: bool
) -> tuple[FloatArray, Window]:
    """Means of `step` x `step` cells over a window, and the cells of the raster they cover.

    Parameters
    ----------
    dataset : open raster
    facts : RasterFacts
        Of this raster.
    window : Window
        Cells of the raster that are wanted; the answer reaches over its sides to whole coarse
        cells, but not over the raster's.
    step : int
        Cells of the raster to a coarse one, each way.
    masked : bool
        Leave out what the raster declares to be no data.

    Returns
    -------
    ((rows, cols) float32 as stored, NaN = no data, window); without rows or columns where the
    raster is narrower than a coarse cell
    """
    rows = _span(window.row_off, window.height, step, facts.shape[0])
    cols = _span(window.col_off, window.width, step, facts.shape[1])
    out = np.full((max(len(rows), 0), max(len(cols), 0)), np.nan, dtype=np.float32)
    # Pieces lie on a lattice of their own, so that parcels beside each other ask for the same ones.
    size = max(_PIECE_CELLS // step, 1)
    state = _state(dataset)
    for top in range(rows.start // size * size, rows.stop if out.size else 0, size):
        for left in range(cols.start // size * size, cols.stop, size):
            bottom = min(top + size, facts.shape[0] // step)
            right = min(left + size, facts.shape[1] // step)
            part = (range(top, bottom), range(left, right))
            key = (state, facts.band, facts.shape, step, masked, top, left)

            def read(part: tuple[range, range] = part) -> FloatArray:
                return _piece(dataset, facts.band, *part, step=step, masked=masked)

            piece = read() if state is None else _PIECES.get(key, read)
            r0, r1 = max(top, rows.start), min(bottom, rows.stop)
            c0, c1 = max(left, cols.start), min(right, cols.stop)
            out[r0 - rows.start : r1 - rows.start, c0 - cols.start : c1 - cols.start] = piece[
                r0 - top : r1 - top, c0 - left : c1 - left
            ]
    covered = Window(cols.start * step, rows.start * step, out.shape[1] * step, out.shape[0] * step)
    return out, covered


def _span(start: float, length: float, step: int, cells: int) -> range:
    """Numbers of the coarse cells over part of a side; a last one that is cut off is left out."""
    return range(int(start) // step, min(-(-int(start + length) // step), cells // step))


def _piece(
    dataset: DatasetReader, band: int, rows: range, cols: range, *, step: int, masked: bool
) -> FloatArray:
    window = Window(cols.start * step, rows.start * step, len(cols) * step, len(rows) * step)
    # The cells themselves, not a decimated read: that would take them from reduced copies (.ovr).
    raw = dataset.read(band, window=window, masked=True)
    values = np.ma.getdata(raw).astype(np.float64)
    known = np.isfinite(values)
    if masked:
        known &= ~np.ma.getmaskarray(raw)
    count = _block_sums(known, step)
    with np.errstate(invalid="ignore"):
        mean = _block_sums(np.where(known, values, 0.0), step) / np.where(count > 0, count, np.nan)
    return mean.astype(np.float32)


def _block_sums(values: NDArray[Any], step: int) -> NDArray[np.float64]:
    rows, cols = (n // step for n in values.shape)
    blocks = values.reshape(rows, step, cols, step)
    return np.asarray(blocks.sum(axis=(1, 3), dtype=np.float64))


def _state(dataset: DatasetReader) -> tuple[tuple[str, State], ...] | None:
    """State of all files of a raster; None where one cannot be told to have changed."""
    found = []
    for name in dataset.files:
        known = file_state(name)
        if known is None:
            return None
        # The library does not count a mask among the files of a raster opened without its copies.
        found.append((name, known))
        mask = file_state(name + ".msk")
        found += [(name + ".msk", mask)] if mask is not None else []
    return tuple(found) or None
