"""Rows of a large grid taken in bands, so that what a step needs besides stays small."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

First = TypeVar("First")
Second = TypeVar("Second")

# A band of float64 is 4 MB: what a step needs besides stays small beside the layers that are kept.
_CELLS = 500_000
# Smaller grids are done before a second core pays; parcels of a batch have a core each anyway.
_ENOUGH = 500_000


def bands(shape: tuple[int, ...]) -> list[slice]:
    """Slices of rows that cover a grid, each of about half a million cells.

    Examples
    --------
    >>> bands((5, 250_000))
    [slice(0, 2, None), slice(2, 4, None), slice(4, 5, None)]
    """
    height = max(1, _CELLS // max(shape[1], 1))
    return [slice(top, min(top + height, shape[0])) for top in range(0, shape[0], height)]


def in_bands(step: Callable[[slice], object], shape: tuple[int, ...]) -> None:
    """Do a step for every band of rows; on a large grid two bands or more at the same time.

    The step must touch no rows but its own in what it changes; then the result does not depend
    on how many work. Workers of a batch say by OMP_NUM_THREADS that they want no helpers.
    """
    parts = bands(shape)
    count = helpers() if shape[0] * shape[1] >= _ENOUGH else 1
    if count == 1:
        for part in parts:
            step(part)
        return
    with ThreadPoolExecutor(count) as pool:
        list(pool.map(step, parts))


def by_bands(
    step: Callable[[NDArray[Any]], NDArray[Any]], values: NDArray[Any], *, reach: int
) -> NDArray[Any]:
    """A filter of a large grid worked out band by band; the same values as all at once.

    Parameters
    ----------
    step : function
        Gives a filtered array of the same shape, by values at most `reach` rows away.
    values : (rows, cols)
    reach : int

    Examples
    --------
    >>> by_bands(lambda part: part * 2, np.array([[1, 2], [3, 4]]), reach=0).tolist()
    [[2, 4], [6, 8]]
    """
    # One row says of what kind the result is, so that the whole is written once, where it belongs.
    like = step(values[:1])
    out = np.empty((values.shape[0], *like.shape[1:]), dtype=like.dtype)

    def fill(rows: slice) -> None:
        top = max(rows.start - reach, 0)
        part = step(values[top : rows.stop + reach])
        out[rows] = part[rows.start - top : rows.stop - top]

    in_bands(fill, values.shape)
    return out


def in_parallel(first: Callable[[], First], second: Callable[[], Second]) -> tuple[First, Second]:
    """Two steps that know nothing of each other, at the same time where helpers are wanted."""
    if helpers() == 1:
        return first(), second()
    with ThreadPoolExecutor(1) as pool:
        other = pool.submit(first)
        mine = second()
        return other.result(), mine


def of_parts(step: Callable[[slice], First], count: int, *, size: int) -> list[First]:
    """What a step gives for each part of a list, in order, two parts or more at the same time.

    Parts are cut by their size alone, so that the results do not depend on how many work.

    Examples
    --------
    >>> of_parts(lambda part: (part.start, part.stop), 5, size=2)
    [(0, 2), (2, 4), (4, 5)]
    """
    parts = [slice(start, min(start + size, count)) for start in range(0, count, size)]
    if len(parts) < 2 or helpers() == 1:
        return [step(part) for part in parts]
    with ThreadPoolExecutor(helpers()) as pool:
        return list(pool.map(step, parts))


def helpers() -> int:
    """How many steps are done at the same time: as many as cores may be used; 1 in a worker."""
    asked = os.environ.get("OMP_NUM_THREADS", "")
    if asked.isdigit() and int(asked) > 0:
        return int(asked)
    # The cores this process may use, not those of the machine: in a container they differ.
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
