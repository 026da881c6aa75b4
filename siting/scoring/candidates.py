"""Cells that may become spots: the best allowed places, kept apart, in a fixed order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.types import Candidate

# Scores nearer than this are a tie; ties keep the order that the search put them in.
TIE = 1e-6


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
        # A hair less than the spacing: points on a lattice lie exactly that far apart, up to
        # rounding.
        free[index:] &= far2 >= spacing_m**2 * (1 - 1e-12)
        free[index] = False
        start = index + 1
    return keep


def order_of(score: NDArray[np.floating], candidates: tuple[Candidate, ...]) -> list[int]:
    """Indices of candidates by falling score; ties keep the order given.

    `score` is (n,) float, without a unit, one for each candidate.
    """
    rounded = np.round(np.asarray(score, dtype=np.float64) / TIE)
    return [int(i) for i in np.argsort(-rounded, kind="stable")[: len(candidates)]]
