"""Filling of hollows, flow directions and upstream area, cell by cell.

Flow codes are those of `siting.ground.water.drainage`: 1 east, 2 south-east, 4 south ...
128 north-east; 0 an outlet, 247 no data.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.kernels.compiled import compiled

OUTLET = np.uint8(0)
NO_DATA = np.uint8(247)
# In the order east, south-east, south, south-west, west, north-west, north, north-east.
_DOWN = np.array([0, 1, 1, 1, 0, -1, -1, -1])
_RIGHT = np.array([1, 1, 0, -1, -1, -1, 0, 1])
# The drop to a corner is spread over the root of two cells.
_LENGTH = np.array([1.0, np.sqrt(2.0)] * 4)
_CODE = np.array([1, 2, 4, 8, 16, 32, 64, 128], dtype=np.uint8)


@compiled()
def _push(levels: Any, cells: Any, count: int, level: float, cell: int) -> None:
    """Put a cell into a heap, lowest level first."""
    at = count
    while at > 0:
        above = (at - 1) >> 1
        if levels[above] <= level:
            break
        levels[at], cells[at] = levels[above], cells[above]
        at = above
    levels[at], cells[at] = level, cell


@compiled()
def _pop(levels: Any, cells: Any, count: int) -> None:
    """Take the first of a heap of `count` out; the last takes its way down."""
    level, cell = levels[count - 1], cells[count - 1]
    last = count - 1
    at = 0
    while True:
        below = 2 * at + 1
        if below >= last:
            break
        if below + 1 < last and levels[below + 1] < levels[below]:
            below += 1
        if levels[below] >= level:
            break
        levels[at], cells[at] = levels[below], cells[below]
        at = below
    levels[at], cells[at] = level, cell


@compiled()
def _climb(
    z: Any, seen: Any, around: Any, stack: Any, n: int, levels: Any, cells: Any, m: int
) -> int:
    """Settle all ground that rises from the n cells at the foot of the stack.

    A cell at least as high as a settled neighbour keeps its own level whatever the order. A
    settled cell beside a lower one is put aside, at the top of the stack; if that one is still
    not settled when all the climbing is done, it lies in a hollow, and the cell goes into the
    heap to wait for its turn.
    """
    aside = stack.size
    while n > 0:
        n -= 1
        cell = stack[n]
        level = z[cell]
        dips = False
        for k in range(8):
            other = cell + around[k]
            if seen[other]:
                continue
            if z[other] >= level:
                seen[other] = True
                stack[n] = other
                n += 1
            else:
                dips = True
        if dips:
            aside -= 1
            stack[aside] = cell
    for at in range(aside, stack.size):
        cell = stack[at]
        if (
            seen[cell + around[0]] and seen[cell + around[1]] and seen[cell + around[2]]
            and seen[cell + around[3]] and seen[cell + around[4]] and seen[cell + around[5]]
            and seen[cell + around[6]] and seen[cell + around[7]]
        ):  # fmt: skip
            continue
        _push(levels, cells, m, z[cell], cell)
        m += 1
    return m


@compiled()
def _flood(z: Any, seen: Any, around: Any, stack: Any, start: int) -> Any:
    """Fill the hollow below a rim cell to its level; how many cells of the far slopes it meets.

    The hollow grows from the foot of the stack, the cells of the slopes gather at its top and are
    brought down to the foot in the end.
    """
    level = z[start]
    wet, dry = 1, stack.size
    stack[0] = start
    while wet > 0:
        wet -= 1
        cell = stack[wet]
        for k in range(8):
            other = cell + around[k]
            if seen[other]:
                continue
            seen[other] = True
            if z[other] <= level:
                z[other] = level
                stack[wet] = other
                wet += 1
            else:
                dry -= 1
                stack[dry] = other
    n = stack.size - dry
    for k in range(n):
        stack[k] = stack[dry + k]
    return n


def fill(dem: NDArray[np.float32]) -> NDArray[np.float32]:
    """Ground with every hollow filled to its lowest rim; water leaves at the border and at NaN.

    Parameters
    ----------
    dem : (rows, cols) float32, metres, NaN = no data

    Returns
    -------
    (rows, cols) float32, NaN where `dem` is NaN

    Notes
    -----
    Memory about 13 bytes a cell beside `dem`.

    References
    ----------
    Barnes R, Lehman C, Mulla D (2014), doi 10.1016/j.cageo.2013.04.024; that only cells beside a
    dip need the priority queue: Zhou G, Sun Z, Fu S (2016), doi 10.1016/j.cageo.2016.02.021.
    """
    rows, cols = dem.shape
    wide = cols + 2
    # A rim of NaN spares every question whether a neighbour lies on the map.
    framed = np.full((rows + 2, wide), np.nan, dtype=np.float32)
    framed[1:-1, 1:-1] = dem
    z, around = framed.ravel(), _DOWN * wide + _RIGHT
    stack = np.empty(dem.size + 1, dtype=np.int32)
    # Room for every cell: what the heap does not reach takes no memory.
    levels, cells = np.empty(dem.size + 1, np.float32), np.empty(dem.size + 1, np.int32)
    seen = np.isnan(z)
    _fill(z, seen, around, stack, levels, cells, _rim(z, seen, around, stack, wide), 0)
    return framed[1:-1, 1:-1].copy()


@compiled("f4[::1], b1[::1], i8[::1], i4[::1], i8")
def _rim(z: Any, seen: Any, around: Any, stack: Any, wide: int) -> int:
    """Put the cells beside unknown ground on the stack, as settled; their number."""
    n = 0
    for cell in range(wide, z.size - wide):
        if not np.isnan(z[cell]):
            for k in range(8):
                if np.isnan(z[cell + around[k]]):
                    seen[cell] = True
                    stack[n] = cell
                    n += 1
                    break
    return n


@compiled("f4[::1], b1[::1], i8[::1], i4[::1], f4[::1], i4[::1], i8, i8")
def _fill(
    z: Any, seen: Any, around: Any, stack: Any, levels: Any, cells: Any, n: int, m: int
) -> None:
    """Settle all ground from the n cells of the rim, with m = 0 cells in the heap to begin with.

    Both numbers are handed over: a constant would compile all that takes it twice.
    """
    while True:
        m = _climb(z, seen, around, stack, n, levels, cells, m)
        if m == 0:
            break
        start = cells[0]
        _pop(levels, cells, m)
        m -= 1
        n = _flood(z, seen, around, stack, start)


def steepest(filled: NDArray[np.float32]) -> NDArray[np.uint8]:
    """D8 codes by steepest descent; across a flat by the shortest way to its rim.

    Of equal drops, and of equal ways, the first in the order of the codes wins.

    Parameters
    ----------
    filled : (rows, cols) float32, metres, hollows filled, NaN = no data

    Returns
    -------
    (rows, cols) uint8, 0 where water leaves the map, 247 where there is no data
    """
    out = np.empty(filled.shape, dtype=np.uint8)
    steps = np.zeros(filled.shape, dtype=np.int32)
    n_flat = _down(filled, out, steps)
    if n_flat:
        _cross_flats(filled, out, steps, np.empty(n_flat, dtype=np.int32))
    return out


@compiled("f4[:,::1], u1[:,::1], i4[:,::1]")
def _down(filled: Any, out: Any, steps: Any) -> int:
    """Codes by steepest descent; steps -1 at cells of flats, whose number is returned."""
    rows, cols = filled.shape
    n_flat = 0
    for row in range(rows):
        for col in range(cols):
            here = np.float64(filled[row, col])
            if np.isnan(here):
                out[row, col] = NO_DATA
                continue
            best, code, rim = 0.0, OUTLET, False
            for k in range(8):
                r, c = row + _DOWN[k], col + _RIGHT[k]
                if r < 0 or c < 0 or r >= rows or c >= cols or np.isnan(filled[r, c]):
                    rim = True
                    continue
                drop = (here - np.float64(filled[r, c])) / _LENGTH[k]
                if drop > best:
                    best, code = drop, _CODE[k]
            out[row, col] = code
            if code == OUTLET and not rim:
                # A rim cell without a lower neighbour lets water off the map; only inner ones are
                # flats.
                steps[row, col] = -1
                n_flat += 1
    return n_flat


@compiled("f4[:,::1], u1[:,::1], i4[:,::1], i4[::1]")
def _cross_flats(filled: Any, out: Any, steps: Any, queue: Any) -> None:
    """Codes of flat cells (steps -1) set towards the nearest level cell where water runs on."""
    rows, cols = filled.shape
    tail = 0
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            if steps[row, col] != -1:
                continue
            for k in range(8):
                r, c = row + _DOWN[k], col + _RIGHT[k]
                if steps[r, c] == 0 and filled[r, c] == filled[row, col]:
                    # Marked -2 until all are found: a cell reached in this pass must not pass for a
                    # way out.
                    steps[row, col] = -2
                    queue[tail] = row * cols + col
                    tail += 1
                    break
    for k in range(tail):
        steps[queue[k] // cols, queue[k] % cols] = 1
    head = 0
    while head < tail:
        row, col = queue[head] // cols, queue[head] % cols
        head += 1
        for k in range(8):
            r, c = row + _DOWN[k], col + _RIGHT[k]
            if steps[r, c] == -1 and filled[r, c] == filled[row, col]:
                steps[r, c] = steps[row, col] + 1
                queue[tail] = r * cols + c
                tail += 1
    # Once all ways are known, so that each cell can take the first of its shortest ones.
    for q in range(tail):
        row, col = queue[q] // cols, queue[q] % cols
        best = steps[row, col]
        for k in range(8):
            r, c = row + _DOWN[k], col + _RIGHT[k]
            if filled[r, c] == filled[row, col] and 0 <= steps[r, c] < best:
                best = steps[r, c]
                out[row, col] = _CODE[k]


def upstream_cells(codes: NDArray[np.uint8]) -> NDArray[np.int32]:
    """How many cells drain through each cell, itself counted; 0 where there is no data.

    Parameters
    ----------
    codes : (rows, cols) uint8, D8 codes without a circle

    Returns
    -------
    (rows, cols) int32
    """
    step = np.zeros(256, dtype=np.int64)
    step[_CODE] = _DOWN * codes.shape[1] + _RIGHT
    flat = codes.ravel()
    count = np.zeros(flat.size, dtype=np.int32)
    _upstream_cells(flat, step, np.zeros(flat.size, dtype=np.uint8), count)
    return count.reshape(codes.shape)


@compiled("u1[::1], i8[::1], u1[::1], i4[::1]")
def _upstream_cells(flat: Any, step: Any, waits: Any, count: Any) -> None:
    for cell in range(flat.size):
        if flat[cell] != NO_DATA:
            count[cell] = 1
            if step[flat[cell]] != 0:
                waits[cell + step[flat[cell]]] += 1
    for source in range(flat.size):
        cell = source
        # From each cell that waits for nothing, down as far as the sums are complete.
        while waits[cell] == 0 and flat[cell] != NO_DATA:
            waits[cell] = 255
            onward = step[flat[cell]]
            if onward == 0:
                break
            count[cell + onward] += count[cell]
            cell += onward
            waits[cell] -= 1
