"""Distances from cells to pieces of lines and to other cells.

Arrays are made by numpy before a loop begins: made inside it, each would double what a first run
has to compile.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.kernels.compiled import compiled


def nearest_rows(sources: NDArray[np.bool_]) -> NDArray[np.int32]:
    """The row of the nearest source in each cell's own column, the northern of two; -1 for none.

    Parameters
    ----------
    sources : (rows, cols) bool

    Returns
    -------
    (rows, cols) int32
    """
    # One kind of array, whatever is given: a second one would be compiled anew.
    plain = np.ascontiguousarray(sources)
    out = np.empty(plain.shape, dtype=np.int32)
    _nearest_rows(plain, np.full(plain.shape[1], -1, dtype=np.int32), out)
    return out


@compiled("b1[:,::1], i4[::1], i4[:,::1]")
def _nearest_rows(sources: Any, last: Any, out: Any) -> None:
    rows, cols = sources.shape
    for row in range(rows):
        for col in range(cols):
            if sources[row, col]:
                last[col] = row
            out[row, col] = last[col]
    for col in range(cols):
        last[col] = -1
    for row in range(rows - 1, -1, -1):
        for col in range(cols):
            if sources[row, col]:
                last[col] = row
            south, north = last[col], out[row, col]
            if south >= 0 and (north < 0 or south - row < row - north):
                out[row, col] = south


class _Room(NamedTuple):
    """What `_nearest_columns` needs for a row: the envelope, and the columns it finds."""

    first: NDArray[np.int64]
    begin: NDArray[np.float64]
    height: NDArray[np.float64]
    column: NDArray[np.int64]


def _room(cols: int) -> _Room:
    first, column = np.empty(cols, dtype=np.int64), np.empty(cols, dtype=np.int64)
    return _Room(first, np.empty(cols), np.empty(cols), column)


@compiled()
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
    _distances(top, nearest, piece, pieces, easting, northing, *_room(nearest.shape[1]), out)


@compiled(
    "i8, i4[:,::1], i4[:,::1], f4[:,::1], f4[::1], f4[::1],"
    "i8[::1], f8[::1], f8[::1], i8[::1], f4[:,::1]"
)
def _distances(
    top: int,
    nearest: Any,
    piece: Any,
    pieces: Any,
    easting: Any,
    northing: Any,
    first: Any,
    begin: Any,
    height: Any,
    column: Any,
    out: Any,
) -> None:
    cols = nearest.shape[1]
    one, zero, tiny = np.float32(1.0), np.float32(0.0), np.float32(1e-12)
    for line in range(out.shape[0]):
        row = top + line
        _nearest_columns(row, nearest[row], first, begin, height, column)
        for col in range(cols):
            k = piece[nearest[row, column[col]], column[col]]
            run_e, run_n = pieces[k, 2] - pieces[k, 0], pieces[k, 3] - pieces[k, 1]
            east, north = easting[col] - pieces[k, 0], northing[row] - pieces[k, 1]
            # A point is a piece of no length; the floor keeps the quotient a number.
            length2 = max(run_e * run_e + run_n * run_n, tiny)
            along = (east * run_e + north * run_n) / length2
            along = min(max(along, zero), one)
            east -= along * run_e
            north -= along * run_n
            out[line, col] = np.hypot(east, north)


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
    # By the cells' numbers: values of each kind by a loop of its own would be compiled one by one.
    number = np.empty(out.shape, dtype=np.int64)
    _nearest_cells(top, nearest, *_room(nearest.shape[1]), number)
    np.take(values, number, out=out)


@compiled("i8, i4[:,::1], i8[::1], f8[::1], f8[::1], i8[::1], i8[:,::1]")
def _nearest_cells(
    top: int,
    nearest: Any,
    first: Any,
    begin: Any,
    height: Any,
    column: Any,
    out: Any,
) -> None:
    cols = nearest.shape[1]
    for line in range(out.shape[0]):
        row = nearest[top + line]
        _nearest_columns(top + line, row, first, begin, height, column)
        for col in range(cols):
            out[line, col] = row[column[col]] * cols + column[col]


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
    _source_distances(top, nearest, cell_size_m, more_m, *_room(nearest.shape[1]), out)


@compiled("i8, i4[:,::1], f8, f8, i8[::1], f8[::1], f8[::1], i8[::1], f4[:,::1]")
def _source_distances(
    top: int,
    nearest: Any,
    cell_size_m: float,
    more_m: float,
    first: Any,
    begin: Any,
    height: Any,
    column: Any,
    out: Any,
) -> None:
    cols = nearest.shape[1]
    for line in range(out.shape[0]):
        row = nearest[top + line]
        _nearest_columns(top + line, row, first, begin, height, column)
        for col in range(cols):
            down = float(row[column[col]] - top - line) * cell_size_m
            right = float(column[col] - col) * cell_size_m
            out[line, col] = max(np.sqrt(down * down + right * right) + more_m, 0.0)
