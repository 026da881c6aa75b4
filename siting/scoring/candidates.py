"""Cells that may become spots: the best allowed places, kept apart, in a fixed order."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siting.bands import by_bands
from siting.grid import FloatArray, Grid
from siting.types import BoolArray, Candidate

# Scores nearer than this are a tie; ties go to the northern row, then to the western column.
TIE = 1e-6


def find_candidates(
    score: FloatArray,
    allowed: BoolArray,
    *,
    grid: Grid,
    spacing_m: float,
    most: int,
    lowest: float,
) -> tuple[Candidate, ...]:
    """Local maxima of the score on allowed ground, best first, at least `spacing_m` apart.

    Parameters
    ----------
    score : (rows, cols) float, 0..1, NaN = not known (never a candidate)
    allowed : (rows, cols) bool
    spacing_m : float, least distance between two candidates, metres
    most : int, most candidates to return
    lowest : float, least score

    Returns
    -------
    tuple of Candidate, by falling score; ties by row, then column
    """
    usable = allowed & np.isfinite(score) & (score >= lowest)
    if not usable.any():
        return ()
    rounded = np.where(usable, np.round(score / TIE) * TIE, -1.0)
    highest = partial(ndimage.maximum_filter, size=3)
    peak = usable & (rounded >= by_bands(highest, rounded, reach=1))
    row, col = np.nonzero(peak)
    order = np.lexsort((col, row, -rounded[row, col]))
    row, col = row[order], col[order]
    easting, northing = grid.xy(row, col)
    keep = spaced(easting, northing, spacing_m=spacing_m, most=most)
    parts, _ = ndimage.label(usable, structure=np.ones((3, 3)))
    return tuple(
        Candidate(
            int(row[i]),
            int(col[i]),
            float(easting[i]),
            float(northing[i]),
            float(score[row[i], col[i]]),
            int(parts[row[i], col[i]]),
        )
        for i in keep
    )


def spaced(easting: FloatArray, northing: FloatArray, *, spacing_m: float, most: int) -> list[int]:
    """Indices of points taken in the given order, each at least `spacing_m` from those before.

    Examples
    --------
    >>> spaced(np.array([0.0, 3.0, 10.0]), np.array([0.0, 0.0, 0.0]), spacing_m=5.0, most=9)
    [0, 2]
    """
    free = np.ones(len(easting), dtype=bool)
    keep: list[int] = []
    start = 0
    while len(keep) < most:
        left = np.flatnonzero(free[start:])
        if left.size == 0:
            break
        index = start + int(left[0])
        keep.append(index)
        far2 = (easting[index:] - easting[index]) ** 2 + (northing[index:] - northing[index]) ** 2
        free[index:] &= far2 >= spacing_m**2 * (1 - 1e-12)
        free[index] = False
        start = index + 1
    return keep


def order_of(score: NDArray[np.floating], candidates: tuple[Candidate, ...]) -> list[int]:
    """Indices of candidates by falling score; ties by row, then column."""
    rounded = np.round(np.asarray(score, dtype=np.float64) / TIE)
    row = np.array([c.row for c in candidates])
    col = np.array([c.col for c in candidates])
    return [int(i) for i in np.lexsort((col, row, -rounded))]
