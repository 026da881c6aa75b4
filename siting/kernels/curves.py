"""Piecewise linear curves from a measure to a membership of 0..1."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from siting.kernels.bands import in_bands

Knots = Sequence[tuple[float, float]]


def membership(value: NDArray[np.floating] | float, knots: Knots) -> NDArray[np.float32]:
    """Membership in 0..1 by straight lines between knots, constant beyond the first and last.

    Parameters
    ----------
    value : array of any shape, in the unit of the knots' first numbers; NaN = not known
    knots : sequence of (value, membership), values rising

    Returns
    -------
    array of float32, same shape; NaN stays NaN

    Examples
    --------
    >>> membership(np.array([0.0, 5.0, 40.0, np.nan]), [(0, 1.0), (10, 0.5), (30, 0.0)])
    array([1.  , 0.75, 0.  ,  nan], dtype=float32)
    """
    at = np.array([x for x, _ in knots], dtype=np.float64)
    level = np.array([y for _, y in knots], dtype=np.float64)
    given = np.asarray(value)
    out: NDArray[np.float32] = np.empty(given.shape, dtype=np.float32)
    # Only grids are large enough to be worth bands.
    if given.ndim != 2:
        out[...] = np.interp(given, at, level)
        return out

    def fill(rows: slice) -> None:
        out[rows] = np.interp(given[rows], at, level)

    in_bands(fill, (given.shape[0], given.shape[1]))
    return out
