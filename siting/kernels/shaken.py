"""Maps read where they lie when moved by some cells, and the index that follows, draw by draw."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.kernels.compiled import compiled


class At(NamedTuple):
    """Points by row, column and the place that each belongs to, (points,) int64 each."""

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    place: NDArray[np.int64]


def moved_cells(at: At, steps: NDArray[np.int64], shape: tuple[int, int]) -> NDArray[np.int64]:
    """Number, row by row, of the cell where a map that lies off is read; outside, the nearest.

    Parameters
    ----------
    at : At
    steps : (draws, places, 2) rows and columns from a point of a place to the cell that is read
    shape : rows and columns of the map

    Returns
    -------
    (draws, points) int64
    """
    out = np.empty((len(steps), len(at.place)), dtype=np.int64)
    _moved_cells(*at, np.ascontiguousarray(steps), *shape, out)
    return out


@compiled("i8[::1], i8[::1], i8[::1], i8[:,:,::1], i8, i8, i8[:,::1]")
def _moved_cells(
    row: Any, col: Any, place: Any, steps: Any, rows: int, cols: int, out: Any
) -> None:
    for d in range(out.shape[0]):
        for p in range(out.shape[1]):
            there = _moved(row[p], steps[d, place[p], 0], rows) * cols
            out[d, p] = there + _moved(col[p], steps[d, place[p], 1], cols)


@compiled()
def _moved(at: int, step: int, count: int) -> int:
    return min(max(at + step, 0), count - 1)


class Read(NamedTuple):
    """What is read of each criterion, those that speak of one fact behind each other.

    Parameters
    ----------
    values : (criteria, cells) float32 memberships 0..1, NaN = not known
    map_of : (criteria,) int64, the map that each moves with
    given_of : (criteria,) int64, which of the memberships that are not read is taken; -1 for none
    in_patch : (criteria, roles) float32, what holds in a patch of misread cover; -1 for no change
    group : (criteria,) int64, the fact that each speaks of, rising; -1 for a condition
    """

    values: NDArray[np.float32]
    map_of: NDArray[np.int64]
    given_of: NDArray[np.int64]
    in_patch: NDArray[np.float32]
    group: NDArray[np.int64]


def index_of_draws(
    at: At,
    slot: NDArray[np.int32],
    steps: NDArray[np.int64],
    read: Read,
    given: NDArray[np.float32],
    patch: NDArray[np.int8],
    weights: NDArray[np.float64],
    missed: NDArray[np.float64],
    second_share: float,
) -> NDArray[np.float64]:
    """Logarithm of the index of points in each draw; -inf where a membership is not known.

    The sum of `siting.scoring.combine.log_factors`, to the last digit.

    Parameters
    ----------
    at : At
    slot : (rows, cols) int32, where a cell stands in `read.values`
    steps : (draws, maps, places, 2) rows and columns to the cell that is read
    read : Read
    given : (n, draws, points) float32, memberships that are not read
    patch : (draws, points) int8, role of the patch that a point lies in, -1 for none
    weights : (draws, criteria) logarithms of ratios
    missed : (draws, places) added to the logarithm
    second_share : what counts of the next in a group

    Returns
    -------
    (draws, points) float64
    """
    out = np.empty(patch.shape)
    _index_of_draws(
        *at, slot, np.ascontiguousarray(steps), *read, given, patch,
        np.ascontiguousarray(weights), np.ascontiguousarray(missed), float(second_share), out,
    )  # fmt: skip
    return out


@compiled(
    "i8[::1], i8[::1], i8[::1], i4[:,::1], i8[:,:,:,::1], f4[:,::1], i8[::1], i8[::1], f4[:,::1],"
    "i8[::1], f4[:,:,::1], i1[:,::1], f8[:,::1], f8[:,::1], f8, f8[:,::1]"
)
def _index_of_draws(
    row: Any,
    col: Any,
    place: Any,
    slot: Any,
    steps: Any,
    values: Any,
    map_of: Any,
    given_of: Any,
    in_patch: Any,
    group: Any,
    given: Any,
    patch: Any,
    weights: Any,
    missed: Any,
    second_share: float,
    out: Any,
) -> None:
    cell = np.empty(steps.shape[1], dtype=np.int64)
    for d in range(out.shape[0]):
        for p in range(out.shape[1]):
            mine, role = place[p], patch[d, p]
            for m in range(cell.size):
                there = _moved(row[p], steps[d, m, mine, 0], slot.shape[0])
                cell[m] = slot[there, _moved(col[p], steps[d, m, mine, 1], slot.shape[1])]
            draws, holds, known = 0.0, 0.0, True
            first, second, least = 0.0, 0.0, 0.0
            for k in range(group.size):
                value = values[k, cell[map_of[k]]]
                if given_of[k] >= 0:
                    value = given[given_of[k], d, p]
                elif role >= 0 and in_patch[k, role] >= 0:
                    value = in_patch[k, role]
                known = known and not np.isnan(value)
                if group[k] < 0:
                    holds += weights[d, k] * (1.0 - np.float64(value))
                    continue
                # Strongest, a share of the next, and the most negative of those of one fact.
                worth = weights[d, k] * np.float64(value)
                second = max(second, min(first, worth))
                first, least = max(first, worth), min(least, worth)
                if k + 1 == group.size or group[k + 1] != group[k]:
                    draws += first + second_share * second + least
                    first, second, least = 0.0, 0.0, 0.0
            out[d, p] = draws + holds + missed[d, mine] if known else -np.inf
