"""Rows of a large grid taken in bands, so that what a step needs besides stays small."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

_CELLS = 500_000
_ENOUGH = 2_000_000


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
    helpers = _helpers() if shape[0] * shape[1] >= _ENOUGH else 1
    if helpers == 1:
        for part in parts:
            step(part)
        return
    with ThreadPoolExecutor(helpers) as pool:
        list(pool.map(step, parts))


def _helpers() -> int:
    asked = os.environ.get("OMP_NUM_THREADS", "")
    if asked.isdigit() and int(asked) > 0:
        return int(asked)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
