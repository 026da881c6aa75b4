"""How steps are run: grids in bands, parts side by side, and what the system is asked for."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
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
    _shared(step, parts)


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
    with _helping(1) as pool:
        other = pool.submit(first)
        mine = second()
        # All helpers may be busy with what called this: then nobody has begun it.
        return first() if other.cancel() else other.result(), mine


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
    return _shared(step, parts)


def _shared(step: Callable[[slice], First], parts: Sequence[slice]) -> list[First]:
    """What a step gives for each part, in order; this thread works beside its helpers.

    It raises what the first of the parts that failed raised, whoever took it.
    """
    made: dict[int, First] = {}
    failed: dict[int, BaseException] = {}
    # One after the other takes the next part: taking it is a single step of the interpreter.
    turns = enumerate(parts)

    def work() -> None:
        for number, part in turns:
            try:
                made[number] = step(part)
            except BaseException as error:  # an interrupt, too, is for the caller
                failed[number] = error
            if failed:
                return

    count = min(helpers(), len(parts)) - 1
    with _helping(count) as pool:
        others = [pool.submit(work) for _ in range(count)]
        work()
        for other in others:
            # One that has not begun waits for a helper that may wait for this thread.
            if not other.cancel():
                other.result()
    if failed:
        raise failed[min(failed)]
    return [made[number] for number in range(len(parts))]


_standing: ThreadPoolExecutor | None = None


def keep_helpers() -> None:
    """From now on helpers of this process wait for their next step and are not made anew.

    For a process that is not copied any more: a copy has none of them (see `aside`).
    """
    global _standing
    if _standing is None and helpers() > 1:
        _standing = ThreadPoolExecutor(helpers() - 1)


@contextmanager
def _helping(count: int) -> Iterator[Executor]:
    if _standing is not None:
        yield _standing
        return
    with ThreadPoolExecutor(max(count, 1)) as pool:
        yield pool


def helpers() -> int:
    """How many steps are done at the same time: as many as cores may be used; 1 in a worker."""
    asked = os.environ.get("OMP_NUM_THREADS", "")
    if asked.isdigit() and int(asked) > 0:
        return int(asked)
    # The cores this process may use, not those of the machine: in a container they differ.
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def one_thread() -> Iterator[None]:
    """Sums in one thread, as in a worker: split between threads, their last digits would differ.

    Small matrices by the thousand (the triangles of a point cloud) are 60 times as quick so.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        yield


# Below it what is kept for later is little, and asking takes longer than it is worth.
_LARGE_CELLS = 2_000_000


def give_back(cells: int) -> None:
    """Hand what was freed back to the system, after a stage that needed much besides its results.

    The system's own library keeps it for later, by thread: a seventh of the memory of large land.

    Parameters
    ----------
    cells : of the land that the stage was about; of a small one nothing is done
    """
    if cells < _LARGE_CELLS or sys.platform != "linux":
        return
    import ctypes

    # Other libraries than that of GNU do not have it.
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
