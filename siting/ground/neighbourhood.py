"""Measures of a neighbourhood in metres, peaks of a surface, and compass words."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.types import BoolArray, Feature

IndexArray = NDArray[np.int64]

PLAIN = 0.5
"""Strength from which a feature is named; a weaker one only counts, the less the weaker it is."""


def feature_at(
    kind: str, row: int, col: int, *, grid: Grid, strength: float, words: str, short: str
) -> Feature:
    """A feature at the centre of a cell."""
    easting, northing = grid.xy(row, col)
    strength = round(float(strength), 3)
    return Feature(kind, float(easting), float(northing), strength, words, short)


def shifted(values: FloatArray, step: tuple[int, int]) -> FloatArray:
    """The value each cell would see ``step`` (rows, cols) away; NaN beyond the border."""
    down, right = step
    reach = max(abs(down), abs(right))
    padded = np.pad(values, reach, constant_values=np.nan)
    rows, cols = values.shape
    return padded[reach + down : reach + down + rows, reach + right : reach + right + cols]


def disc_of(radius_cells: float) -> BoolArray:
    """Cells of a square whose centres lie within `radius_cells` of its middle.

    Returns
    -------
    (2 r + 1, 2 r + 1) bool, r the radius in whole cells

    Examples
    --------
    >>> disc_of(1.0).astype(int).tolist()
    [[0, 1, 0], [1, 1, 1], [0, 1, 0]]
    """
    reach = int(radius_cells)
    row, col = np.indices((2 * reach + 1, 2 * reach + 1)) - reach
    return np.asarray(row**2 + col**2 <= radius_cells**2)


def counts_at(
    mask: BoolArray, row: IndexArray, col: IndexArray, *, radius_cells: float
) -> NDArray[np.int64]:
    """How many marked cells lie in the disc around some cells; none lie beyond the border.

    Parameters
    ----------
    mask : (rows, cols) bool
    row, col : (n,) int, the cells asked about
    radius_cells : float

    Returns
    -------
    (n,) int64

    Examples
    --------
    >>> counts_at(np.array([[True, False, True, True]]), np.array([0]), np.array([2]),
    ...           radius_cells=1.0)
    array([2])
    """
    return sums_at(mask.astype(np.int32), row, col, radius_cells=radius_cells)


def sums_at(
    values: NDArray[Any], row: IndexArray, col: IndexArray, *, radius_cells: float
) -> NDArray[Any]:
    """Sum of the values in the disc around some cells; cells beyond the border are not counted.

    Parameters
    ----------
    values : (rows, cols) of whole numbers or floats, none of them NaN
    row, col : (n,) int, the cells asked about
    radius_cells : float

    Returns
    -------
    (n,) int64 or float64
    """
    rows, cols = values.shape
    kind = np.int64 if np.issubdtype(values.dtype, np.integer) else np.float64
    # Sums along rows: each row of the disc is then one difference, whatever its width.
    running = np.zeros((rows, cols + 1), dtype=np.int32 if kind is np.int64 else kind)
    np.cumsum(values, axis=1, out=running[:, 1:])
    out = np.zeros(len(row), dtype=kind)
    for down in range(-int(radius_cells), int(radius_cells) + 1):
        half = int(np.sqrt(radius_cells**2 - down**2) + 1e-9)
        there = (row + down >= 0) & (row + down < rows)
        at, left = row[there] + down, np.maximum(col[there] - half, 0)
        right = np.minimum(col[there] + half + 1, cols)
        out[there] += running[at, right] - running[at, left]
    return out


def peaks(height: FloatArray, *, least: float, spacing_cells: float) -> list[tuple[int, int]]:
    """Cells of greatest height first, each at least the spacing away from the ones before it.

    Of equal heights the northern, then the western comes first.

    Parameters
    ----------
    height : (rows, cols) float
        Any measure, north first; NaN and infinite cells are no peaks and hide none.
    least : float, in the unit of `height`; lower cells are no peaks
    spacing_cells : float

    Returns
    -------
    list of (row, col)

    Examples
    --------
    >>> peaks(np.array([[1.0, 0.0, 3.0, 2.0]]), least=0.5, spacing_cells=2.0)
    [(0, 2), (0, 0)]
    """
    row, col = np.nonzero((height >= least) & (height < np.inf))
    own, last = height[row, col], (height.shape[0] - 1, height.shape[1] - 1)
    top = np.ones(row.size, dtype=bool)
    for down, right in np.ndindex(3, 3):
        near = np.clip(row + down - 1, 0, last[0]), np.clip(col + right - 1, 0, last[1])
        # A neighbour that is not known, or infinite, is no higher ground.
        top &= ~((height[near] > own) & (height[near] < np.inf))
    order = np.lexsort((col[top], row[top], -own[top]))
    kept: list[tuple[int, int]] = []
    for r, c in zip(row[top][order].tolist(), col[top][order].tolist(), strict=True):
        if all((r - a) ** 2 + (c - b) ** 2 >= spacing_cells**2 for a, b in kept):
            kept.append((r, c))
    return kept
