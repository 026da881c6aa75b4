"""Where layers have changed since a run before."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray


def near_change(
    was: Sequence[NDArray[Any]],
    now: Sequence[NDArray[Any]],
    cell: tuple[NDArray[np.int64], NDArray[np.int64]],
    *,
    reach: int,
) -> NDArray[np.bool_]:
    """Whether any layer has changed within `reach` rows and columns of some cells.

    Parameters
    ----------
    was, now : the same (rows, cols) layers before and after, NaN being like NaN
    cell : (row, col), two (n,) int arrays
    reach : int, rows and columns to each side

    Returns
    -------
    (n,) bool
    """
    changed: NDArray[np.bool_] = np.zeros(now[0].shape, dtype=bool)
    for before, after in zip(was, now, strict=True):
        if before is not after:
            changed |= (before != after) & ((before == before) | (after == after))
    if not changed.any():
        return np.zeros(len(cell[0]), dtype=bool)
    # Sums of all cells above and to the left: four of them give the sum of any square.
    sums = np.zeros((changed.shape[0] + 1, changed.shape[1] + 1), dtype=np.int64)
    sums[1:, 1:] = changed.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)
    n_rows, n_cols = changed.shape
    top, bottom = (np.clip(cell[0] + k, 0, n_rows) for k in (-reach, reach + 1))
    left, right = (np.clip(cell[1] + k, 0, n_cols) for k in (-reach, reach + 1))
    inside = sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]
    return np.asarray(inside > 0)
