"""What the page must know of every cell, packed small: scores, their parts, no-go reasons.

A membership is held in two bytes. The upper byte is the value in whole hundredths exactly as
Python rounds it, so that what the page shows is what Python shows; the lower byte says where in
that hundredth it lies, to 1/25600, so that moved weights give the same totals but for the last
digit. Planes are predicted from their left and upper neighbours (most land is smooth), deflated
and written as base64.
"""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.report.shared import assets
from siting.report.shared.drawing import parcel_window
from siting.scoring.combine import memberships_at
from siting.types import NoGo, NoGoArray

UNKNOWN = 0xFFFF
_FINE = 25600  # steps in a membership of 1
_HALF = 128  # half a hundredth, in steps
MOST_CELLS = 250_000
MOST_BYTES = 1_300_000  # of base64: leaves room for the rest of a 3 MB page


@dataclass(frozen=True)
class EncodedCells:
    """The cells of the page's own, perhaps coarser, grid."""

    grid: Grid
    step: int
    names: tuple[str, ...]
    blob: str

    def as_data(self) -> dict[str, Any]:
        """For the page."""
        return {
            "left": self.grid.left,
            "top": self.grid.top,
            "cell_size_m": self.grid.cell_size_m,
            "n_rows": self.grid.n_rows,
            "n_cols": self.grid.n_cols,
            "step": self.step,
            "names": list(self.names),
            "blob": self.blob,
        }


def hundredths(value: FloatArray) -> NDArray[np.int64]:
    """Whole hundredths, halves to even, as Python's own formatting of the value rounds.

    Examples
    --------
    >>> hundredths(np.array([0.125, 0.286, 1.0])).tolist()
    [12, 29, 100]
    """
    return np.rint(np.asarray(value, dtype=np.float64) * 100.0).astype(np.int64)


def encoded(value: FloatArray) -> NDArray[np.uint16]:
    """Memberships of 0..1 as two bytes each; NaN becomes `UNKNOWN`."""
    exact = np.nan_to_num(np.asarray(value, dtype=np.float64))
    whole = hundredths(exact) * 256
    fine = np.clip(np.rint(exact * _FINE).astype(np.int64) + _HALF, whole, whole + 255)
    return np.where(np.isfinite(value), fine, UNKNOWN).astype(np.uint16)


def decoded(code: NDArray[np.uint16]) -> NDArray[np.float64]:
    """Memberships of their two bytes, NaN where unknown; the page does exactly the same."""
    value = (code.astype(np.float64) - _HALF) / _FINE
    return np.where(code == UNKNOWN, np.nan, value)


def pack(
    memberships: Mapping[str, FloatArray], *, total: FloatArray, no_go: NoGoArray, grid: Grid
) -> EncodedCells:
    """The cells around the parcel, every cell where that fits, else every second, third, ...

    Parameters
    ----------
    memberships : mapping from criterion to (rows, cols) in 0..1, NaN = not known
    total : (rows, cols), the index by the protocol's own ratios, NaN = not known; kept as a tenth
        of it, so that its upper byte holds whole tenths of the index
    no_go : (rows, cols) bits of `NoGo`
    grid : Grid of the arrays; cells with the OUTSIDE bit are not kept
    """
    window, rows, cols = parcel_window(no_go, grid)
    step = max(1, math.ceil(math.sqrt(window.n_rows * window.n_cols / MOST_CELLS)))
    while True:
        every = (
            slice(rows.start + step // 2, rows.stop, step),
            slice(cols.start + step // 2, cols.stop, step),
        )
        bits = no_go[every]
        inside = (bits & NoGo.OUTSIDE.value) == 0
        parts = memberships_at(memberships, every).values()
        planes = [_unless(encoded(np.minimum(total[every] / 10.0, 1.0)), inside), bits]
        planes += [_unless(encoded(part), inside) for part in parts]
        blob = _deflated(planes)
        if len(blob) <= MOST_BYTES or min(bits.shape) <= 3:
            break
        # The fewer the cells the less each is like the next: a little more than the square root.
        step = max(step + 1, math.floor(step * math.sqrt(len(blob) / MOST_BYTES) * 1.05))
    size = grid.cell_size_m * step
    # A kept cell is the middle of its block, so the block begins half a block before it.
    kept = Grid(grid.crs, window.left, window.top, size, *bits.shape)
    if step % 2 == 0:
        half = grid.cell_size_m / 2
        kept = Grid(grid.crs, window.left + half, window.top - half, size, *bits.shape)
    return EncodedCells(kept, step, tuple(memberships), blob)


def _unless(plane: NDArray[np.uint16], inside: NDArray[np.bool_]) -> NDArray[np.uint16]:
    return np.where(inside, plane, UNKNOWN).astype(np.uint16)


def _deflated(planes: list[NDArray[np.uint16]]) -> str:
    parts = []
    for plane in planes:
        rest = _residual(plane)
        parts += [(rest >> 8).astype(np.uint8).tobytes(), (rest & 255).astype(np.uint8).tobytes()]
    packer = zlib.compressobj(assets.PACKING, zlib.DEFLATED, -15)
    return base64.b64encode(packer.compress(b"".join(parts)) + packer.flush()).decode("ascii")


def _residual(plane: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """What left + upper - upper left neighbour does not foretell, modulo 2^16, folded to small."""
    wide = np.zeros((plane.shape[0] + 1, plane.shape[1] + 1), dtype=np.int64)
    wide[1:, 1:] = plane
    rest = wide[1:, 1:] - wide[1:, :-1] - wide[:-1, 1:] + wide[:-1, :-1]
    signed = (rest + 0x8000) % 0x10000 - 0x8000
    return np.where(signed >= 0, 2 * signed, -2 * signed - 1).astype(np.uint16)
