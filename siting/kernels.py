"""Loops that array libraries cannot do quickly, compiled once and kept on disk.

All numba code of the package is here and nothing else. Each kernel has a slow plain twin, and an
outside reference, in tests/test_kernels.py. Import it inside the function that needs it: loading
numba costs a third of a second.

Flow codes are those of `siting.ground.drainage`: 1 east, 2 south-east, 4 south ...
128 north-east; 0 an outlet, 247 no data.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

OUTLET = np.uint8(0)
NO_DATA = np.uint8(247)
# In the order east, south-east, south, south-west, west, north-west, north, north-east.
_DOWN = np.array([0, 1, 1, 1, 0, -1, -1, -1])
_RIGHT = np.array([1, 1, 0, -1, -1, -1, 0, 1])
_LENGTH = np.array([1.0, np.sqrt(2.0)] * 4)
_CODE = np.array([1, 2, 4, 8, 16, 32, 64, 128], dtype=np.uint8)


def _compiled(function: Callable[..., Any]) -> Any:
    """The function compiled, without the interpreter's lock, kept on disk where that is allowed."""
    try:
        return njit(cache=True, nogil=True)(function)
    except RuntimeError:  # no folder to keep it in: it is compiled anew by each process
        return njit(nogil=True)(function)


@_compiled
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


@_compiled
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


@_compiled
def _climb(z: Any, seen: Any, around: Any, stack: Any, n: int, heap: Any, m: int) -> Any:
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
    levels, cells = heap
    for at in range(aside, stack.size):
        cell = stack[at]
        if (
            seen[cell + around[0]] and seen[cell + around[1]] and seen[cell + around[2]]
            and seen[cell + around[3]] and seen[cell + around[4]] and seen[cell + around[5]]
            and seen[cell + around[6]] and seen[cell + around[7]]
        ):  # fmt: skip
            continue
        if m == levels.size:
            levels = np.concatenate((levels, levels))
            cells = np.concatenate((cells, cells))
        _push(levels, cells, m, z[cell], cell)
        m += 1
    return (levels, cells), m


@_compiled
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


@_compiled
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
    z = framed.ravel()
    around = _DOWN * wide + _RIGHT
    seen = np.isnan(z)
    stack = np.empty(dem.size + 1, dtype=np.int32)
    n = 0
    for cell in range(wide, z.size - wide):
        if not np.isnan(z[cell]):
            for k in range(8):
                if np.isnan(z[cell + around[k]]):
                    seen[cell] = True
                    stack[n] = cell
                    n += 1
                    break
    heap = (np.empty(1024, dtype=np.float32), np.empty(1024, dtype=np.int32))
    heap, m = _climb(z, seen, around, stack, n, heap, 0)
    while m > 0:
        start = heap[1][0]
        _pop(heap[0], heap[1], m)
        m -= 1
        n = _flood(z, seen, around, stack, start)
        heap, m = _climb(z, seen, around, stack, n, heap, m)
    return framed[1:-1, 1:-1].copy()


@_compiled
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
    rows, cols = filled.shape
    out = np.empty(filled.shape, dtype=np.uint8)
    steps = np.zeros(filled.shape, dtype=np.int32)
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
                steps[row, col] = -1
                n_flat += 1
    if n_flat:
        _cross_flats(filled, out, steps, np.empty(n_flat, dtype=np.int32))
    return out


@_compiled
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
    for q in range(tail):
        row, col = queue[q] // cols, queue[q] % cols
        best = steps[row, col]
        for k in range(8):
            r, c = row + _DOWN[k], col + _RIGHT[k]
            if filled[r, c] == filled[row, col] and 0 <= steps[r, c] < best:
                best = steps[r, c]
                out[row, col] = _CODE[k]


@_compiled
def upstream_cells(codes: NDArray[np.uint8]) -> NDArray[np.int32]:
    """How many cells drain through each cell, itself counted; 0 where there is no data.

    Parameters
    ----------
    codes : (rows, cols) uint8, D8 codes without a circle

    Returns
    -------
    (rows, cols) int32
    """
    cols = codes.shape[1]
    step = np.zeros(256, dtype=np.int64)
    for k in range(8):
        step[_CODE[k]] = _DOWN[k] * cols + _RIGHT[k]
    flat = codes.ravel()
    waits = np.zeros(flat.size, dtype=np.uint8)
    count = np.zeros(flat.size, dtype=np.int32)
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
    return count.reshape(codes.shape)


@_compiled
def between_centres(
    values: NDArray[np.float32], row: NDArray[np.float64], col: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Values between cell centres by bilinear weights; NaN outside the outermost centres.

    Parameters
    ----------
    values : (rows, cols) float32, NaN = not known (and so is what lies beside it)
    row, col : (n,) float64, counted from the centre of the first cell

    Returns
    -------
    (n,) float32
    """
    rows, cols = values.shape
    out = np.empty(row.size, dtype=np.float32)
    for k in range(row.size):
        y, x = row[k], col[k]
        # A comparison with NaN is false, so that a place that is not known stays so.
        if not (y >= 0.0 and x >= 0.0 and y <= rows - 1 and x <= cols - 1):
            out[k] = np.nan
            continue
        r, c = int(y), int(x)
        south, east = y - r, x - c
        below, right = min(r + 1, rows - 1), min(c + 1, cols - 1)
        total = np.float64(values[r, c]) * (1.0 - south) * (1.0 - east)
        total += np.float64(values[r, right]) * (1.0 - south) * east
        total += np.float64(values[below, c]) * south * (1.0 - east)
        total += np.float64(values[below, right]) * south * east
        out[k] = total
    return out


@_compiled
def nearest_rows(sources: NDArray[np.bool_]) -> NDArray[np.int32]:
    """The row of the nearest source in each cell's own column, the northern of two; -1 for none.

    Parameters
    ----------
    sources : (rows, cols) bool

    Returns
    -------
    (rows, cols) int32
    """
    rows, cols = sources.shape
    out = np.empty(sources.shape, dtype=np.int32)
    last = np.full(cols, -1, dtype=np.int32)
    for row in range(rows):
        for col in range(cols):
            if sources[row, col]:
                last[col] = row
            out[row, col] = last[col]
    last[:] = -1
    for row in range(rows - 1, -1, -1):
        for col in range(cols):
            if sources[row, col]:
                last[col] = row
            south, north = last[col], out[row, col]
            if south >= 0 and (north < 0 or south - row < row - north):
                out[row, col] = south
    return out


@_compiled
def _nearest_columns(row: int, at: Any, first: Any, begin: Any, height: Any, out: Any) -> None:
    """For each cell of a row the column whose own nearest source is nearest, the western of two.

    The squared distances to the columns' sources are parabolas along the row; their lower
    envelope is kept in `first` (the columns), `begin` (where each takes over) and `height`.
    """
    cols = at.size
    n = 0
    for col in range(cols):
        if at[col] < 0:
            continue
        # Whole numbers below 2 ** 52: floats hold them, and the floor of a quotient, exactly.
        high = float(at[col] - row) ** 2 + float(col) ** 2
        until = -1.0
        while n > 0:
            before = first[n - 1]
            # The last column at which the western one is at least as near.
            until = np.floor((high - height[n - 1]) / (2.0 * (col - before)))
            if n == 1 or until >= begin[n - 1]:
                break
            n -= 1
        begin[n] = until + 1.0 if n else 0.0
        height[n] = high
        first[n] = col
        n += 1
    k = 0
    for col in range(cols):
        while k + 1 < n and begin[k + 1] <= col:
            k += 1
        out[col] = first[k]


@_compiled
def distances(
    top: int,
    nearest: NDArray[np.int32],
    piece: NDArray[np.int32],
    pieces: NDArray[np.float32],
    easting: NDArray[np.float32],
    northing: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:
    """Distance from each cell centre to the piece of line that its nearest source belongs to.

    Parameters
    ----------
    top : the first row to fill; as many are filled as `out` has
    nearest : (rows, cols) int32, what `nearest_rows` returns
    piece : (rows, cols) int32, at the sources the number of their piece
    pieces : (m, 4) float32, start easting, northing, end easting, northing; metres
    easting, northing : (cols,) and (rows,) float32, of the cell centres, metres
    out : (n, cols) float32, metres, filled here

    References
    ----------
    Meijster A, Roerdink JBTM, Hesselink WH (2000), doi 10.1007/0-306-47025-X_36 (the nearest
    source by rows and columns).
    """
    cols = nearest.shape[1]
    first, column = np.empty(cols, dtype=np.int64), np.empty(cols, dtype=np.int64)
    begin, height = np.empty(cols), np.empty(cols)
    one, zero, tiny = np.float32(1.0), np.float32(0.0), np.float32(1e-12)
    for line in range(out.shape[0]):
        row = top + line
        _nearest_columns(row, nearest[row], first, begin, height, column)
        for col in range(cols):
            k = piece[nearest[row, column[col]], column[col]]
            run_e, run_n = pieces[k, 2] - pieces[k, 0], pieces[k, 3] - pieces[k, 1]
            east, north = easting[col] - pieces[k, 0], northing[row] - pieces[k, 1]
            length2 = max(run_e * run_e + run_n * run_n, tiny)
            along = (east * run_e + north * run_n) / length2
            along = min(max(along, zero), one)
            east -= along * run_e
            north -= along * run_n
            out[line, col] = np.hypot(east, north)


@_compiled
def from_nearest(
    top: int, nearest: NDArray[np.int32], values: NDArray[Any], out: NDArray[Any]
) -> None:
    """Each cell takes the value at its nearest source; of equals the western, then the northern.

    Parameters
    ----------
    top : the first row to fill; as many are filled as `out` has
    nearest : (rows, cols) int32, what `nearest_rows` returns
    values : (rows, cols), read at the sources
    out : (n, cols) of the same kind, filled here
    """
    cols = nearest.shape[1]
    first, column = np.empty(cols, dtype=np.int64), np.empty(cols, dtype=np.int64)
    begin, height = np.empty(cols), np.empty(cols)
    for line in range(out.shape[0]):
        row = nearest[top + line]
        _nearest_columns(top + line, row, first, begin, height, column)
        for col in range(cols):
            out[line, col] = values[row[column[col]], column[col]]


@_compiled
def source_distances(
    top: int, nearest: NDArray[np.int32], cell_size_m: float, more_m: float, out: NDArray[Any]
) -> None:
    """Distance between cell centres to the nearest source, and `more_m` on top; never below 0.

    Parameters
    ----------
    top : the first row to fill; as many are filled as `out` has
    nearest : (rows, cols) int32, what `nearest_rows` returns
    out : (n, cols) float32, metres, filled here
    """
    cols = nearest.shape[1]
    first, column = np.empty(cols, dtype=np.int64), np.empty(cols, dtype=np.int64)
    begin, height = np.empty(cols), np.empty(cols)
    for line in range(out.shape[0]):
        row = nearest[top + line]
        _nearest_columns(top + line, row, first, begin, height, column)
        for col in range(cols):
            down = float(row[column[col]] - top - line) * cell_size_m
            right = float(column[col] - col) * cell_size_m
            out[line, col] = max(np.sqrt(down * down + right * right) + more_m, 0.0)


@_compiled
def disc_mean(
    top: int, values: NDArray[Any], half_widths: NDArray[np.int64], out: NDArray[np.float32]
) -> None:
    """Mean of the known values in the disc around each cell; NaN where the cell's own is NaN.

    A disc is a stack of row segments; the sum over each is a difference of two running sums along
    its row, so the cost grows with the radius and not with its square.

    Parameters
    ----------
    top : the first row to fill; as many are filled as `out` has
    values : (rows, cols) float, NaN = not known
    half_widths : (2 * reach + 1,) cells on each side of the middle, row by row of the disc
    out : (n, cols) float32, filled here
    """
    rows, cols = values.shape
    reach = half_widths.size // 2
    kept = half_widths.size
    # Running sums of the rows the disc covers now, row k in place k modulo their number.
    sums = np.zeros((kept, cols + 1))
    counts = np.zeros((kept, cols + 1), dtype=np.int32)
    total, count = np.empty(cols), np.empty(cols, dtype=np.int32)
    ready = max(top - reach, 0)
    for line in range(out.shape[0]):
        row = top + line
        while ready < rows and ready <= row + reach:
            place, run, number = ready % kept, 0.0, 0
            for col in range(cols):
                value = values[ready, col]
                if not np.isnan(value):
                    run += value
                    number += 1
                sums[place, col + 1] = run
                counts[place, col + 1] = number
            ready += 1
        total[:] = 0.0
        count[:] = 0
        for k in range(kept):
            there = row + k - reach
            if there < 0 or there >= rows:
                continue
            half, place = half_widths[k], there % kept
            for col in range(min(half, cols)):
                right = min(col + half + 1, cols)
                total[col] += sums[place, right]
                count[col] += counts[place, right]
            for col in range(half, cols - half):
                total[col] += sums[place, col + half + 1] - sums[place, col - half]
                count[col] += counts[place, col + half + 1] - counts[place, col - half]
            for col in range(max(half, cols - half), cols):
                total[col] += sums[place, cols] - sums[place, col - half]
                count[col] += counts[place, cols] - counts[place, col - half]
        for col in range(cols):
            known = not np.isnan(values[row, col])
            out[line, col] = total[col] / count[col] if known else np.nan
