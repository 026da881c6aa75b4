"""Elevations in whole steps on fine cells: found, smoothed within half a step, and told.

A raster of whole metres with cells of one metre shows a hillside as stairs: flat treads with cliffs
between. Slope, view and the way of water are then those of the stairs, not of the land. The true
height of each cell lies within half a step of what the file says; the smoothest surface within
these bounds is taken.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.types import Note

# Steps that are looked for, in the file's own unit; the largest that nearly all numbers obey.
_STEPS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1)
_LEAST_SHARE = 0.95
_TOLERANCE = 1e-3  # of a step
# A step is harmful where it is a rise of over 5 % between neighbours, and stands on flat treads.
_LEAST_RISE = 0.05
_LEAST_FLAT = 0.3
# Widths of the smoothing, cells: wide ones carry heights over a tread, narrow ones round its edge.
_WIDTHS = (24.0, 12.0, 6.0, 12.0, 6.0, 3.0, 6.0, 3.0, 1.5)
_GENTLE_RISE = 0.1
"""Rise per metre at which treads are as wide as the land is told to be exact."""


def step_of(numbers: NDArray[np.float64]) -> float:
    """The step of which nearly all numbers are multiples, in the unit of the numbers; 0 for none.

    `numbers` is an array of any shape, NaN = no data.

    Examples
    --------
    >>> step_of(np.array([3.0, 4.0, 9.0])), step_of(np.array([3.1234, 4.2, 9.77]))
    (1.0, 0.0)
    """
    known = numbers[np.isfinite(numbers)]
    if known.size < 2:
        return 0.0
    # Every n-th of them tells as much as all, and a large window has millions.
    some = known[:: max(known.size // 200_000, 1)]
    for step in _STEPS:
        off = np.abs(some / step - np.round(some / step))
        if (off < _TOLERANCE).mean() >= _LEAST_SHARE:
            return step
    return 0.0


def flat_share(heights_m: FloatArray) -> float:
    """Share of neighbouring cells, across and down, that have the very same height."""
    pairs = [(heights_m[:, 1:], heights_m[:, :-1]), (heights_m[1:], heights_m[:-1])]
    known = sum(int((np.isfinite(a) & np.isfinite(b)).sum()) for a, b in pairs)
    return sum(int((a == b).sum()) for a, b in pairs) / max(known, 1)


def smoothed(
    metres: NDArray[np.float32], *, step_m: float, cell_m: float, file: str
) -> tuple[NDArray[np.float32], float, tuple[Note, ...]]:
    """Heights without terraces.

    Parameters
    ----------
    metres : (rows, cols) float32, as read; NaN = no data
    step_m : step of the numbers in metres, 0 for none
    cell_m : edge of a cell, metres

    Returns
    -------
    (metres, exact_m, notes) : within half a step of what was given; the width over which the
        heights may be trusted, metres (the cell's edge where nothing was done)
    """
    if not (step_m / cell_m > _LEAST_RISE and flat_share(metres) > _LEAST_FLAT):
        return metres, cell_m, ()
    known = np.isfinite(metres)
    weight = None if known.all() else known.astype(np.float32)
    out = np.where(known, metres, np.float32(0.0))
    low, high = out - np.float32(step_m / 2), out + np.float32(step_m / 2)
    for width in _WIDTHS:
        mean = _mean(out, weight, width)
        # Clipped each time: what is smoothed next must already lie within what the file says.
        out = np.clip(mean, low, high)
    text = (
        f"{file} has heights in steps of {step_m:.2g} m on cells of {cell_m:.2g} m: hillsides look "
        f"like stairs. They were smoothed within half a step; slopes are less exact, and no height "
        "above water is given."
    )
    exact_m = max(cell_m, step_m / _GENTLE_RISE)
    return np.where(known, out, np.nan), exact_m, (Note("W-TERRACE-01", "warning", text),)


def _mean(
    values: NDArray[np.float32], weight: NDArray[np.float32] | None, width: float
) -> NDArray[np.float32]:
    """Means within a width (two boxes, nearly a bell), of known cells alone."""
    size = 2 * round(1.22 * width) + 1

    def spread(array: NDArray[np.float32]) -> NDArray[np.float32]:
        once = scipy.ndimage.uniform_filter(array, size, mode="nearest")
        return np.asarray(scipy.ndimage.uniform_filter(once, size, mode="nearest"))

    if weight is None:
        return spread(values)
    share = spread(weight)
    return np.divide(spread(values * weight), share, out=values.copy(), where=share > 1e-6)
